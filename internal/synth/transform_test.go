package synth

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// TestTransform: the transform is the sum that defines it, for every kind of
// length and number of sets, and back again.
func TestTransform(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, n := range []int{4, 8, 12, 16, 24, 32, 48, 96, 128} {
		for _, w := range []int{1, 3} {
			x := make([]complex128, n*w)
			for i := range x {
				x[i] = complex(r.NormFloat64(), r.NormFloat64())
			}
			given := append([]complex128(nil), x...)
			tr := newTransform(n)
			y := append([]complex128(nil), tr.run(x, make([]complex128, n*w), w, false)...)
			for q := range w {
				for k := range n {
					var want complex128
					for j := range n {
						want += given[j*w+q] * cmplx.Exp(complex(0, -2*math.Pi*float64(j*k)/float64(n)))
					}
					if d := cmplx.Abs(y[k*w+q] - want); d > 1e-11*float64(n) {
						t.Fatalf("n %d, set %d of %d: number %d is %v, want %v", n, q, w, k, y[k*w+q], want)
					}
				}
			}
			again := tr.run(y, make([]complex128, n*w), w, true)
			for i := range given {
				if d := cmplx.Abs(again[i]/complex(float64(n), 0) - given[i]); d > 1e-12*float64(n) {
					t.Fatalf("n %d: number %d comes back as %v, was %v", n, i, again[i], given[i])
				}
			}
		}
	}
	for n := 1; n < 300; n++ {
		m := suitable(n)
		k := m
		if k%3 == 0 {
			k /= 3
		}
		if m < n || k&(k-1) != 0 || m%4 != 0 || n > 8 && 2*m > 3*n+8 {
			t.Errorf("%d is not suitable for %d", m, n)
		}
	}
}
