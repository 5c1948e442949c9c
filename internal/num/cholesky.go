package num

import "math"

// InvertPositive replaces the symmetric positive definite matrix a, n by n in
// full, by its inverse and reports whether it has one; if not, a is spoilt.
// The inverse of Result.JTJ, times the variance of one residual, is the
// covariance of fitted parameters that no bound holds. It panics if a is not n
// by n.
//
// Source: Cholesky's factorisation, Golub and Van Loan 1996, "Matrix
// computations", section 4.2.
func InvertPositive(a []float64, n int) bool {
	if len(a) != n*n {
		panic("num: InvertPositive: the matrix is not n by n")
	}
	if !cholesky(a, n) {
		return false
	}
	inverse := make([]float64, n*n)
	for i := range n {
		column := inverse[i*n : i*n+n]
		column[i] = 1
		substitute(a, column, n)
	}
	copy(a, inverse)
	return true
}

// solvePositive replaces b by the solution x of a x = b and reports whether
// the symmetric matrix a, which it spoils, is positive definite. Only the
// lower triangle is read.
func solvePositive(a, b []float64, n int) bool {
	if !cholesky(a, n) {
		return false
	}
	substitute(a, b, n)
	return true
}

// cholesky overwrites the lower triangle of a by L with L L' = a and reports
// whether a is positive definite.
func cholesky(a []float64, n int) bool {
	for i := range n {
		for j := 0; j <= i; j++ {
			sum := a[i*n+j]
			for k := range j {
				sum -= a[i*n+k] * a[j*n+k]
			}
			if i != j {
				a[i*n+j] = sum / a[j*n+j]
				continue
			}
			// Rounding leaves a singular matrix a pivot of this order.
			if !(sum > 1e-15*math.Abs(a[i*n+i])) {
				return false
			}
			a[i*n+i] = math.Sqrt(sum)
		}
	}
	return true
}

// substitute replaces b by the solution x of L L' x = b.
func substitute(l, b []float64, n int) {
	for i := range n {
		for k := range i {
			b[i] -= l[i*n+k] * b[k]
		}
		b[i] /= l[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= l[k*n+i] * b[k]
		}
		b[i] /= l[i*n+i]
	}
}

// mirror copies the lower triangle of a onto the upper.
func mirror(a []float64, n int) {
	for i := range n {
		for j := range i {
			a[j*n+i] = a[i*n+j]
		}
	}
}
