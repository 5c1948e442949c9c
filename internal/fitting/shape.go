package fitting

import (
	"math"
	"sync"

	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// shape is how a star widens out of focus: the half-flux diameter over that in
// focus, against the diameter of the pupil's disc over the same. It is
// tabulated, since the transform behind it takes milliseconds.
type shape struct {
	tail  float64   // (1+e^2)/2: the square of the half-flux diameter of the bare disc
	lack  []float64 // deficit of a Gaussian star against the hyperbola
	wings []float64 // by what part a star with the air's wings is wider than that
}

// shapeReach is the disc up to which the shape is tabulated; beyond, half of the
// light of the bare disc and that of the star add in squares to 2 parts in a thousand.
const shapeReach, shapeStep = 9.0, 0.3

// shapes keeps what was tabulated: a tenth of a second each.
var shapes sync.Map

// shapeOf returns the shape for a central obstruction.
func shapeOf(obstruction float64) *shape {
	if s, ok := shapes.Load(obstruction); ok {
		return s.(*shape)
	}
	s := newShape(obstruction)
	shapes.Store(obstruction, s)
	return s
}

// newShape tabulates the shape for a central obstruction.
//
// Source: optics.DefocusedHalfFlux, as its deficit against the hyperbola, which
// is smooth; between the nodes the deficit is a cubic. psf.HalfFluxDiameter of air
// and disc.
func newShape(obstruction float64) *shape {
	s := &shape{tail: (1 + obstruction*obstruction) / 2}
	sharp := psf.HalfFluxDiameter(psf.Air(1))
	for i := range int(shapeReach/shapeStep) + 2 {
		u := float64(i) * shapeStep
		h := float64(optics.DefocusedHalfFlux(1, unit.Micron(u), obstruction))
		s.lack = append(s.lack, 1-h/math.Sqrt(1+s.tail*u*u))
		air := psf.HalfFluxDiameter(psf.Air(1), psf.Disc(unit.Arcsec(u)*sharp, obstruction))
		s.wings = append(s.wings, float64(air/sharp)/h-1)
	}
	return s
}

// at returns the half-flux diameter over that in focus for a disc of u times
// that. u may have either sign.
func (s *shape) at(u float64) float64 {
	u = math.Abs(u)
	h := math.Sqrt(1 + s.tail*u*u)
	n := len(s.lack)
	if u >= shapeReach {
		// The deficit falls off as the square of the star over that of the disc.
		return h * (1 - s.lack[n-2]*sq(shapeReach/u))
	}
	i := int(u / shapeStep)
	f := u/shapeStep - float64(i)
	before := s.lack[1] // the deficit is even about zero
	if i > 0 {
		before = s.lack[i-1]
	}
	a, b, after := s.lack[i], s.lack[i+1], s.lack[min(i+2, n-1)]
	// Catmull and Rom's cubic.
	d := a + f/2*(b-before+f*(2*before-5*a+4*b-after+f*(3*(a-b)+after-before)))
	return h * (1 - d)
}

// winged is at for a star whose wings are the given part of the air's: 0 is a
// Gaussian, 1 the air.
func (s *shape) winged(u, part float64) float64 {
	h := s.at(u)
	u = math.Abs(u)
	n := len(s.wings)
	if u >= shapeReach {
		return h * (1 + part*s.wings[n-2]*sq(shapeReach/u))
	}
	i := int(u / shapeStep)
	f := u/shapeStep - float64(i)
	return h * (1 + part*((1-f)*s.wings[i]+f*s.wings[i+1]))
}

// disc returns the disc, over the half-flux diameter in focus, at which that has
// grown by the factor h; 0 for a factor of 1 and less.
func (s *shape) disc(h float64) float64 {
	if !(h > 1) {
		if h <= 1 {
			return 0
		}
		return math.NaN()
	}
	lo, hi := 0.0, 1.3*math.Sqrt((h*h-1)/s.tail)+0.1
	for range 60 {
		mid := (lo + hi) / 2
		if s.at(mid) < h {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
