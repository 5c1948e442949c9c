package num

import (
	"errors"
	"math"
)

// MaxParams is the largest number of parameters LeastSquares takes.
const MaxParams = 12

// ErrNoConverge is returned together with the last result by an iteration that
// reached its limit before its tolerance.
var ErrNoConverge = errors.New("num: no convergence within the allowed number of iterations")

// Normal describes a least-squares problem at the parameters x, n of them: it
// returns the sum of the squared residuals r, adds J'J to jtj (n by n) and J'r
// to jtr (n), where J[k][i] is the derivative of r[k] with respect to x[i].
// Weights belong into r and J. Both arrive zeroed, and only the lower triangle
// of jtj (column <= row) is read. x must be neither changed nor kept.
type Normal func(x, jtj, jtr []float64) (sumSq float64)

// Options steers LeastSquares; the zero value asks for the defaults.
type Options struct {
	// MaxIterations bounds the number of trial points. 0 means 100.
	MaxIterations int
	// StepTol ends the iteration when a step is shorter than this fraction of
	// the parameters, both measured by the norm sqrt(sum J'J[i][i] x[i]^2).
	// Near a good minimum the error left is well below it, convergence being
	// faster than linear. 0 means 1e-8.
	StepTol float64
	// Lower and Upper bound the parameters, both ends included. Nil means
	// unbounded; otherwise one number a parameter, which may be infinite.
	Lower, Upper []float64
}

// Result tells how LeastSquares ended.
type Result struct {
	SumSq      float64   // sum of squared residuals at the end
	Iterations int       // points at which the problem was computed
	JTJ        []float64 // J'J at the end, n by n, both triangles
	Held       []bool    // parameter i ended on a bound that holds it
}

// LeastSquares changes x from the start into the parameters with the smallest
// sum of squared residuals within the bounds, by the method of Levenberg and
// Marquardt with Nielsen's damping. A start outside the bounds is first moved
// onto them; a parameter on a bound takes no part in a step while the sum of
// squares would drive it outwards. A trial point whose sum of squares is not a
// number is refused like one that is worse.
//
// The minimum found is a local one. ErrNoConverge comes with the best point so
// far. It panics if x is empty or longer than MaxParams, or if a bound differs
// from x in length.
//
// Source: Marquardt 1963, J. SIAM 11, 431, "An algorithm for least-squares
// estimation of nonlinear parameters"; Nielsen 1999, report IMM-REP-1999-05,
// "Damping parameter in Marquardt's method".
func LeastSquares(x []float64, normal Normal, opt Options) (Result, error) {
	n := len(x)
	if n == 0 || n > MaxParams {
		panic("num: LeastSquares takes 1 to 12 parameters")
	}
	if opt.Lower != nil && len(opt.Lower) != n || opt.Upper != nil && len(opt.Upper) != n {
		panic("num: LeastSquares: bounds and parameters differ in number")
	}
	if opt.MaxIterations == 0 {
		opt.MaxIterations = 100
	}
	if opt.StepTol == 0 {
		opt.StepTol = 1e-8
	}

	var (
		work                     = make([]float64, 3*n*n+4*n)
		jtj, trialJTJ, damped    = work[:n*n], work[n*n : 2*n*n], work[2*n*n : 3*n*n]
		vectors                  = work[3*n*n:]
		jtr, trialJTR, trial     = vectors[:n], vectors[n : 2*n], vectors[2*n : 3*n]
		step                     = vectors[3*n:]
		held                     = make([]bool, n)
		lambda, growth           = 1e-3, 2.0
		stepSq, sizeSq, expected float64
	)
	for i := range x {
		x[i] = opt.clip(i, x[i])
	}
	sumSq := normal(x, jtj, jtr)
	for iterations := 1; ; {
		mirror(jtj, n)
		done := func(err error) (Result, error) {
			return Result{SumSq: sumSq, Iterations: iterations, JTJ: jtj, Held: held}, err
		}
		if math.IsNaN(sumSq) || math.IsInf(sumSq, 0) {
			return done(ErrNoConverge)
		}

		copy(damped, jtj)
		for i := range x {
			held[i] = opt.blocks(i, x[i], -jtr[i])
			damped[i*n+i] *= 1 + lambda
			step[i] = -jtr[i]
		}
		for i := range x {
			if held[i] || jtj[i*n+i] == 0 {
				for j := range x {
					damped[i*n+j], damped[j*n+i] = 0, 0
				}
				damped[i*n+i], step[i] = 1, 0
			}
		}
		solved := solvePositive(damped, step, n)
		if solved {
			stepSq, sizeSq, expected = 0, 0, 0
			for i := range x {
				trial[i] = opt.clip(i, x[i]+step[i])
				step[i] = trial[i] - x[i]
			}
			for i := range x {
				stepSq += jtj[i*n+i] * step[i] * step[i]
				sizeSq += jtj[i*n+i] * x[i] * x[i]
				expected -= 2 * step[i] * jtr[i]
				for j := range x {
					expected -= step[i] * jtj[i*n+j] * step[j]
				}
			}
			if stepSq <= opt.StepTol*opt.StepTol*sizeSq {
				return done(nil)
			}
		}
		if iterations >= opt.MaxIterations || lambda > 1e30 {
			return done(ErrNoConverge)
		}

		better := false
		if solved {
			clear(trialJTJ)
			clear(trialJTR)
			trialSumSq := normal(trial, trialJTJ, trialJTR)
			iterations++
			if better = trialSumSq < sumSq; better {
				gain := 0.0 // of a step cut short by a bound, if it expected nothing
				if expected > 0 {
					gain = min((sumSq-trialSumSq)/expected, 1)
				}
				lambda *= max(1.0/3, 1-math.Pow(2*gain-1, 3))
				growth = 2
				copy(x, trial)
				jtj, trialJTJ = trialJTJ, jtj
				jtr, trialJTR = trialJTR, jtr
				sumSq = trialSumSq
			}
		}
		if !better {
			lambda *= growth
			growth *= 2
		}
	}
}

// Residuals turns a problem given by its m residuals and their derivatives
// into a Normal, for problems where storing the Jacobian costs nothing: f
// fills r (m) and j (m by n). The Normal keeps its own room for both, so two
// goroutines must not share it.
func Residuals(m int, f func(x, r, j []float64)) Normal {
	r := make([]float64, m)
	var j []float64
	return func(x, jtj, jtr []float64) float64 {
		n := len(x)
		if len(j) != m*n {
			j = make([]float64, m*n)
		}
		f(x, r, j)
		sumSq := 0.0
		for k, rk := range r {
			row := j[k*n : k*n+n]
			sumSq += rk * rk
			for a, da := range row {
				jtr[a] += da * rk
				for b, db := range row[:a+1] {
					jtj[a*n+b] += da * db
				}
			}
		}
		return sumSq
	}
}

// clip returns v moved into the bounds of parameter i.
func (o Options) clip(i int, v float64) float64 {
	if o.Lower != nil {
		v = max(v, o.Lower[i])
	}
	if o.Upper != nil {
		v = min(v, o.Upper[i])
	}
	return v
}

// blocks reports whether parameter i, at v, stands on a bound beyond which
// the descent direction points.
func (o Options) blocks(i int, v, descent float64) bool {
	return o.Lower != nil && v <= o.Lower[i] && descent < 0 ||
		o.Upper != nil && v >= o.Upper[i] && descent > 0
}
