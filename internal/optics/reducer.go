package optics

import (
	"math"

	"holdfast/internal/unit"
)

// Reducer is a thin positive lens in the converging beam.
type Reducer struct {
	Focal    unit.MM // of the reducer lens itself
	Distance unit.MM // from the lens to the sensor
}

// Magnification returns the factor 1 - d/f on focal length and focal ratio,
// between 0 and 1. NaN unless 0 <= d < f with f positive. Paraxial and thin:
// for a real reducer the maker's distance is better.
//
// Source: thin-lens equation 1/d = 1/s + 1/f with M = d/s.
func (r Reducer) Magnification() float64 {
	f, d := float64(r.Focal), float64(r.Distance)
	if bad(f) || !(d >= 0 && d < f) {
		return math.NaN()
	}
	return 1 - d/f
}

// InwardShift returns how far towards the sky the focal plane moves when the
// reducer is put in: without it the light would meet at s = d f/(f-d) behind
// the lens, with it at d. A focuser needs that much inward travel. NaN as for
// Magnification.
//
// Source: thin-lens equation.
func (r Reducer) InwardShift() unit.MM {
	m := r.Magnification()
	return unit.MM(float64(r.Distance) * (1/m - 1))
}

// Spaced returns the reducer with its sensor moved away by the given length of
// spacer (negative: moved closer). Each millimetre changes the magnification
// by -1/f.
func (r Reducer) Spaced(spacer unit.MM) Reducer {
	r.Distance += spacer
	return r
}
