package star

import (
	"math"
	"testing"

	"holdfast/internal/psf"
)

// TestFalloff: the quick profile is package psf's.
func TestFalloff(t *testing.T) {
	for _, tail := range []float64{0, 1e-6, 1e-3, 0.02, 0.19, 0.5, psf.MaxTail} {
		for q := 0.0; q < 40; q += 0.0137 {
			m, dq, dtail := falloff(q, tail, 1/tail)
			m1, dq1 := slope(q, tail, 1/tail)
			wm, wq, wt := psf.Falloff(q, tail)
			if math.Abs(m-wm) > 1e-10*wm || math.Abs(dq-wq) > 1e-10*wm || math.Abs(dtail-wt) > 1e-7*wm*(1+q*q) || m1 != m || math.Abs(dq1-dq) > 1e-15 {
				t.Fatalf("q %v, tail %v: %v %v %v (and %v %v), want %v %v %v", q, tail, m, dq, dtail, m1, dq1, wm, wq, wt)
			}
		}
	}
	for _, x := range []float64{0, 1e-9, 1, 699.9} {
		if got, want := expNeg(x), math.Exp(-x); math.Abs(got-want) > 1e-10*want {
			t.Errorf("exp(-%v) = %v, want %v", x, got, want)
		}
	}
	if expNeg(1e9) != 0 || !math.IsNaN(expNeg(math.NaN())) {
		t.Errorf("exp(-1e9) = %v, exp(-NaN) = %v", expNeg(1e9), expNeg(math.NaN()))
	}
}

// TestFalloffRun: a run of pixels is what package psf says pixel by pixel, in
// runs that end where nothing is left too.
func TestFalloffRun(t *testing.T) {
	x := make([]float64, 400)
	for k := range x {
		x[k] = 0.13 * float64(k-200)
	}
	m, dq, dtail, m1, dq1 := make([]float64, len(x)), make([]float64, len(x)), make([]float64, len(x)), make([]float64, len(x)), make([]float64, len(x))
	for _, f := range []form{{0.3, 0.4, 0.1, 0.2}, {-40, 0.02, 0, 1}, {1, 3, -0.5, 30}} {
		for _, tail := range []float64{0, 1e-9, 1e-4, 0.02, 0.3, psf.MaxTail} {
			falloffs(m, dq, dtail, x, f, tail)
			slopes(m1, dq1, x, f, tail)
			for k, x := range x {
				dx := x - f.cx
				q := f.xx*dx*dx + f.line*dx + f.level
				wm, wq, wt := psf.Falloff(q, tail)
				tol := 1e-10*wm + 1e-290 // beyond exp(-700) it is 0
				if math.Abs(m[k]-wm) > tol || math.Abs(dq[k]-wq) > tol || math.Abs(dtail[k]-wt) > 1e3*tol*(1+q*q) || math.Abs(m1[k]-m[k]) > tol || math.Abs(dq1[k]-dq[k]) > tol {
					t.Fatalf("x %v, form %v, tail %v: %v %v %v (and %v %v), want %v %v %v", x, f, tail, m[k], dq[k], dtail[k], m1[k], dq1[k], wm, wq, wt)
				}
			}
		}
	}
}

func BenchmarkFalloff(b *testing.B) {
	s := 0.0
	for b.Loop() {
		for q := 0.0; q < 17; q += 0.1 {
			m, dq, dt := falloff(q, 0.19, 1/0.19)
			s += m + dq + dt
		}
	}
	if s == 0 {
		b.Fatal("no light")
	}
}

func BenchmarkFalloffPsf(b *testing.B) {
	s := 0.0
	for b.Loop() {
		for q := 0.0; q < 17; q += 0.1 {
			m, dq, dt := psf.Falloff(q, 0.19)
			s += m + dq + dt
		}
	}
	if s == 0 {
		b.Fatal("no light")
	}
}
