package optics

import (
	"errors"
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// ErrNoMinimum is returned by FitFocusCurve for a run whose widths have no
// minimum: too far from focus, too few positions, or noise.
var ErrNoMinimum = errors.New("optics: the focus run has no minimum")

// FocusCurve is the width of a star against focuser position,
// sqrt(Min^2 + Slope^2 (x-Best)^2). P is the unit of position, H that of width.
type FocusCurve[P, H unit.Float] struct {
	Best  unit.Est[P]       // position of best focus
	Min   unit.Est[H]       // width there
	Slope unit.Est[float64] // width per position far from focus, each in its own unit
	RMS   H                 // scatter of the widths about the curve; NaN when nothing is left to judge it by
	// Inside reports whether Best lies between the first and last position: outside it is an extrapolation.
	Inside bool
}

// At returns the width the curve has at position x.
func (c FocusCurve[P, H]) At(x P) H {
	return H(math.Hypot(float64(c.Min.V), c.Slope.V*float64(x-c.Best.V)))
}

// FitFocusCurve returns the curve through widths measured at focuser
// positions, at least three of them distinct, in any order. The widths may be
// half-flux diameters or standard deviations, but not FWHM of a defocused disc,
// which is no hyperbola. They are taken to have the same standard error, found
// from their scatter; with only three positions it is unknown (NaN).
//
// The curve is a hyperbola: exact for standard deviations, up to 7 % off between
// the minimum and the straight flanks for half-flux diameters; the position of
// its minimum is not biased by that for a run symmetric about focus. A minimum
// of zero is returned when the parabola dips below it.
//
// It returns ErrNoMinimum, wrapped, when the widths do not rise on both sides,
// and panics if the slices differ in length.
//
// Source: weighted least squares of a parabola to the squared width, weights
// 1/width^2 from the curve itself, since a squared width has the standard error
// 2 width times that of the width.
func FitFocusCurve[P, H unit.Float](position []P, width []H) (FocusCurve[P, H], error) {
	nan := math.NaN()
	c := FocusCurve[P, H]{Best: unit.Unknown[P](), Min: unit.Unknown[H](), Slope: unit.Unknown[float64](), RMS: H(nan)}
	if len(position) != len(width) {
		panic("optics: FitFocusCurve: positions and widths differ in number")
	}
	distinct := map[P]bool{}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, p := range position {
		if w := float64(width[i]); !(w > 0) || math.IsInf(w, 0) || math.IsNaN(float64(p)) || math.IsInf(float64(p), 0) {
			return c, fmt.Errorf("optics: focus run: measurement %d is width %v at position %v; want finite numbers and a positive width", i, w, float64(p))
		}
		distinct[p] = true
		lo, hi = min(lo, float64(p)), max(hi, float64(p))
	}
	if len(distinct) < 3 {
		return c, fmt.Errorf("%w: %d distinct positions; three or more are needed", ErrNoMinimum, len(distinct))
	}
	// Positions are scaled to -1..1 so that the normal equations stay well
	// conditioned for steppers that count in the ten thousands.
	mid, half := (lo+hi)/2, (hi-lo)/2
	n := len(width)
	x, y, w := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = (float64(position[i]) - mid) / half
		y[i] = float64(width[i]) * float64(width[i])
		w[i] = 1 / (4 * y[i])
	}
	var q [3]float64
	var cov [3][3]float64
	for range 4 {
		var ok bool
		q, cov, ok = parabola(x, y, w)
		if !ok || !(q[2] > 0) {
			return c, fmt.Errorf("%w: the widths do not rise on both sides of any position from %g to %g", ErrNoMinimum, lo, hi)
		}
		floor := math.Inf(1)
		for _, v := range y {
			floor = min(floor, v)
		}
		for i := range w {
			w[i] = 1 / (4 * max(q[0]+x[i]*(q[1]+x[i]*q[2]), floor/4))
		}
	}
	chi2 := 0.0
	for i := range x {
		d := y[i] - (q[0] + x[i]*(q[1]+x[i]*q[2]))
		chi2 += w[i] * d * d
	}
	scale := nan
	if n > 3 {
		scale = chi2 / float64(n-3)
		c.RMS = H(math.Sqrt(scale))
	}
	se := func(g [3]float64) float64 {
		v := 0.0
		for i := range g {
			for j := range g {
				v += g[i] * cov[i][j] * g[j]
			}
		}
		return math.Sqrt(v * scale)
	}
	v := -q[1] / (2 * q[2])
	c.Best = unit.Est[P]{V: P(mid + half*v), SE: P(half * se([3]float64{0, -1 / (2 * q[2]), q[1] / (2 * q[2] * q[2])}))}
	c.Inside = v >= -1 && v <= 1
	slope := math.Sqrt(q[2])
	c.Slope = unit.Est[float64]{V: slope / half, SE: se([3]float64{0, 0, 1 / (2 * slope)}) / half}
	h2 := q[0] - q[1]*q[1]/(4*q[2])
	if h := math.Sqrt(max(h2, 0)); h > 0 {
		g := [3]float64{1, -q[1] / (2 * q[2]), q[1] * q[1] / (4 * q[2] * q[2])}
		for i := range g {
			g[i] /= 2 * h
		}
		c.Min = unit.Est[H]{V: H(h), SE: H(se(g))}
	} else {
		c.Min = unit.Est[H]{V: 0, SE: H(nan)}
	}
	return c, nil
}

// parabola returns the coefficients of the weighted least-squares parabola and
// the inverse of its normal matrix.
func parabola(x, y, w []float64) (q [3]float64, cov [3][3]float64, ok bool) {
	var s [5]float64
	var t [3]float64
	for i := range x {
		p := w[i]
		for k := range s {
			s[k] += p
			if k < 3 {
				t[k] += p * y[i]
			}
			p *= x[i]
		}
	}
	// Cofactors of the symmetric matrix [s0 s1 s2; s1 s2 s3; s2 s3 s4].
	c00, c01, c02 := s[2]*s[4]-s[3]*s[3], s[2]*s[3]-s[1]*s[4], s[1]*s[3]-s[2]*s[2]
	c11, c12, c22 := s[0]*s[4]-s[2]*s[2], s[1]*s[2]-s[0]*s[3], s[0]*s[2]-s[1]*s[1]
	det := s[0]*c00 + s[1]*c01 + s[2]*c02
	if !(det > 1e-14*s[0]*s[2]*s[4]) {
		return q, cov, false
	}
	cov = [3][3]float64{{c00, c01, c02}, {c01, c11, c12}, {c02, c12, c22}}
	for i := range cov {
		for j := range cov[i] {
			cov[i][j] /= det
			q[i] += cov[i][j] * t[j]
		}
	}
	return q, cov, true
}
