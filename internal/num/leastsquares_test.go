package num

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
)

// rosenbrock is the valley of Rosenbrock as a sum of two squares.
func rosenbrock(x, r, j []float64) {
	r[0], r[1] = 10*(x[1]-x[0]*x[0]), 1-x[0]
	j[0], j[1], j[2], j[3] = -20*x[0], 10, -1, 0
}

// decay is a exp(-b t) + c sampled at t = 0, 0.5, 1, ... against data.
func decay(data []float64) func(x, r, j []float64) {
	return func(x, r, j []float64) {
		for k, d := range data {
			t := 0.5 * float64(k)
			e := math.Exp(-x[1] * t)
			r[k] = x[0]*e + x[2] - d
			j[3*k], j[3*k+1], j[3*k+2] = e, -x[0]*t*e, 1
		}
	}
}

func TestLeastSquares(t *testing.T) {
	x := []float64{-1.2, 1}
	res, err := LeastSquares(x, Residuals(2, rosenbrock), Options{})
	if err != nil {
		t.Fatal(err)
	}
	const src = "closed form: Rosenbrock 1960, Computer Journal 3, 175: minimum 0 at (1, 1)"
	testkit.Near(t, x[0], 1, 1e-7, src)
	testkit.Near(t, x[1], 1, 1e-7, src)
	testkit.Near(t, res.SumSq, 0, 1e-14, src)
	if res.Iterations > 40 {
		t.Errorf("got %d iterations, want at most 40", res.Iterations)
	}
}

// TestLinear: a straight line, whose answer and whose covariance are known.
func TestLinear(t *testing.T) {
	// y = 1 + 2 t at t = 0..3 with residuals +1, -1, -1, +1, which no line fits better.
	y := []float64{2, 2, 4, 8}
	line := Residuals(4, func(x, r, j []float64) {
		for k := range r {
			r[k] = x[0] + x[1]*float64(k) - y[k]
			j[2*k], j[2*k+1] = 1, float64(k)
		}
	})
	x := []float64{50, -70}
	res, err := LeastSquares(x, line, Options{})
	if err != nil {
		t.Fatal(err)
	}
	const src = "closed form: normal equations of a straight line through t = 0, 1, 2, 3"
	testkit.Near(t, x[0], 1, 1e-9, src)
	testkit.Near(t, x[1], 2, 1e-9, src)
	testkit.Near(t, res.SumSq, 4, 1e-9, src)
	if !InvertPositive(res.JTJ, 2) {
		t.Fatal("J'J of a line has no inverse")
	}
	for i, want := range []float64{0.7, -0.3, -0.3, 0.2} {
		testkit.Near(t, res.JTJ[i], want, 1e-12, src+": [[14, -6], [-6, 4]]/20")
	}
}

func TestBounds(t *testing.T) {
	tests := []struct {
		name         string
		lower, upper []float64
		want         [2]float64
		held         [2]bool
		src          string
	}{
		{"upper", nil, []float64{0.5, math.Inf(1)}, [2]float64{0.5, 0.25}, [2]bool{true, false},
			"closed form: with x held at 0.5 the valley's floor is y = x^2"},
		{"lower", []float64{math.Inf(-1), 2}, nil, [2]float64{-1.41118988, 2}, [2]bool{false, true},
			"computed with scipy.optimize.minimize_scalar: minimum over x < 0 of 100 (2-x^2)^2 + (1-x)^2"},
		{"loose", []float64{-9, -9}, []float64{9, 9}, [2]float64{1, 1}, [2]bool{}, "closed form: the free minimum"},
		{"point", []float64{2, 3}, []float64{2, 3}, [2]float64{2, 3}, [2]bool{true, true}, "closed form: no room to move"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			x := []float64{-1.2, 1}
			res, err := LeastSquares(x, Residuals(2, rosenbrock), Options{Lower: tt.lower, Upper: tt.upper})
			if err != nil {
				t.Fatal(err)
			}
			for i := range x {
				testkit.Near(t, x[i], tt.want[i], 1e-6, tt.src)
				if tt.name != "point" && res.Held[i] != tt.held[i] {
					t.Errorf("parameter %d: got held %v, want %v", i, res.Held[i], tt.held[i])
				}
			}
		})
	}
}

// TestPulls: over many noisy data sets the errors divided by the standard
// errors from J'J have mean 0 and spread 1.
func TestPulls(t *testing.T) {
	const seed, sets, noise = 7, 400, 0.02
	truth := []float64{2, 0.7, 0.5}
	rng := rand.New(rand.NewPCG(seed, 0))
	var sum, sumSq [3]float64
	data := make([]float64, 30)
	for range sets {
		for k := range data {
			data[k] = truth[0]*math.Exp(-truth[1]*0.5*float64(k)) + truth[2] + noise*rng.NormFloat64()
		}
		x := []float64{1, 0.2, 0}
		res, err := LeastSquares(x, Residuals(len(data), decay(data)), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !InvertPositive(res.JTJ, 3) {
			t.Fatal("J'J has no inverse")
		}
		for i := range x {
			pull := (x[i] - truth[i]) / (noise * math.Sqrt(res.JTJ[4*i]))
			sum[i] += pull / sets
			sumSq[i] += pull * pull / sets
		}
	}
	for i := range truth {
		// Four standard errors of 400 draws: 0.2 in the mean, 0.14 in the spread.
		testkit.Near(t, sum[i], 0, 0.2, "closed form: pulls of unbiased estimates, seed 7")
		testkit.Near(t, math.Sqrt(sumSq[i]), 1, 0.14, "closed form: pulls of unbiased estimates, seed 7")
	}
}

func TestNoConverge(t *testing.T) {
	x := []float64{-1.2, 1}
	res, err := LeastSquares(x, Residuals(2, rosenbrock), Options{MaxIterations: 3})
	if !errors.Is(err, ErrNoConverge) || res.Iterations != 3 {
		t.Errorf("got %d iterations and %v, want 3 and ErrNoConverge", res.Iterations, err)
	}
	if start := 24.2; !(res.SumSq < start) {
		t.Errorf("got sum of squares %g, want less than the start's %g", res.SumSq, start)
	}
	nan := func(x, jtj, jtr []float64) float64 { return math.NaN() }
	if _, err := LeastSquares(x, nan, Options{}); !errors.Is(err, ErrNoConverge) {
		t.Errorf("a start that is not a number: got %v, want ErrNoConverge", err)
	}
}

// TestUnused: a parameter that nothing depends on stays where it was.
func TestUnused(t *testing.T) {
	f := Residuals(2, func(x, r, j []float64) {
		r[0], r[1] = x[0]-3, 2*(x[0]-3)
		j[0], j[2] = 1, 2
	})
	x := []float64{0, 8}
	if _, err := LeastSquares(x, f, Options{}); err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, x[0], 3, 1e-8, "closed form: zero of x-3")
	testkit.Near(t, x[1], 8, 0, "closed form: its own start")
}

func TestInvertPositive(t *testing.T) {
	a := []float64{4, 2, 0.6, 2, 5, 1, 0.6, 1, 3}
	inv := append([]float64(nil), a...)
	if !InvertPositive(inv, 3) {
		t.Fatal("no inverse")
	}
	for i := range 3 {
		for j := range 3 {
			sum, want := 0.0, 0.0
			for k := range 3 {
				sum += a[3*i+k] * inv[3*k+j]
			}
			if i == j {
				want = 1
			}
			testkit.Near(t, sum, want, 1e-14, "closed form: a matrix times its inverse")
		}
	}
	for _, bad := range [][]float64{{1, 2, 2, 1}, {1, 1, 1, 1}, {0, 0, 0, 0}, {math.NaN(), 0, 0, 1}} {
		if InvertPositive(append([]float64(nil), bad...), 2) {
			t.Errorf("%v: got an inverse, want none", bad)
		}
	}
}

func BenchmarkLeastSquares_3params30points(b *testing.B) {
	data := make([]float64, 30)
	for k := range data {
		data[k] = 2*math.Exp(-0.35*float64(k)) + 0.5
	}
	f := Residuals(len(data), decay(data))
	for b.Loop() {
		x := []float64{1, 0.2, 0}
		LeastSquares(x, f, Options{})
	}
}
