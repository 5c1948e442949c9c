package sky

import "math"

// crossing is a moment, in seconds from the start of a scan, at which a
// function passes zero.
type crossing struct {
	sec float64
	up  bool
}

const (
	scanStep  = 600.0 // seconds between samples
	crossTol  = 0.02  // seconds: width at which bisection stops
	scanNear  = 2.0   // an extremum farther than this from zero (degrees) hides no crossing
	golden    = 0.6180339887498949
	extremTol = 1.0 // seconds
)

// crossings returns the zero crossings of f (degrees against seconds), given
// its samples every scanStep, in order of time. Between samples f may have one
// extremum; two crossings on either side of it are found if they are more than
// a second apart.
func crossings(f func(sec float64) float64, samples []float64) []crossing {
	var out []crossing
	for i := 0; i+1 < len(samples); i++ {
		a, b := float64(i)*scanStep, float64(i+1)*scanStep
		ya, yb := samples[i], samples[i+1]
		if (ya < 0) != (yb < 0) {
			out = append(out, crossing{bisect(f, a, b, ya < 0), ya < 0})
			continue
		}
		if !mayTurn(samples, i) {
			continue
		}
		if m := extremum(f, a, b, ya < 0); (f(m) < 0) != (ya < 0) {
			out = append(out,
				crossing{bisect(f, a, m, ya < 0), ya < 0},
				crossing{bisect(f, m, b, ya >= 0), ya >= 0})
		}
	}
	return out
}

// mayTurn reports whether between samples i and i+1, which have one sign, f
// may reach towards zero and turn back.
func mayTurn(s []float64, i int) bool {
	ya, yb := s[i], s[i+1]
	if math.Min(math.Abs(ya), math.Abs(yb)) > scanNear {
		return false
	}
	toward := func(from, to float64) bool { return math.Abs(to) <= math.Abs(from) }
	before := i == 0 || toward(s[i-1], ya)
	after := i+2 >= len(s) || toward(s[i+2], yb)
	return before && after
}

// bisect returns where f changes sign between a and b.
func bisect(f func(float64) float64, a, b float64, rising bool) float64 {
	for b-a > crossTol {
		m := (a + b) / 2
		if (f(m) < 0) == rising {
			a = m
		} else {
			b = m
		}
	}
	return (a + b) / 2
}

// extremum returns where f is largest (or smallest) between a and b, by golden
// section.
func extremum(f func(float64) float64, a, b float64, largest bool) float64 {
	g := f
	if largest {
		g = func(x float64) float64 { return -f(x) }
	}
	x1, x2 := b-golden*(b-a), a+golden*(b-a)
	y1, y2 := g(x1), g(x2)
	for b-a > extremTol {
		if y1 < y2 {
			b, x2, y2 = x2, x1, y1
			x1 = b - golden*(b-a)
			y1 = g(x1)
		} else {
			a, x1, y1 = x1, x2, y2
			x2 = a + golden*(b-a)
			y2 = g(x2)
		}
	}
	return (a + b) / 2
}
