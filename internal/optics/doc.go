// Package optics answers what a telescope does to light: scale and field,
// sampling, diffraction, depth of focus, the size of a star out of focus, the
// place of the focal plane behind glass and for near objects, coma, and what a
// stop or a pick-off prism in the converging beam takes away.
//
// Lengths along the axis are positive away from the sky. FWHM and half-flux
// diameter are full diameters. A focal ratio is a float64 named n, a central
// obstruction a float64 named obstruction: its diameter over the aperture's.
// Formulas are paraxial and for a uniformly lit pupil unless they say
// otherwise, and return NaN outside their domain.
package optics

import "math"

// fwhmPerSigma is the FWHM of a Gaussian in units of its standard deviation,
// 2 sqrt(2 ln 2).
const fwhmPerSigma = 2.3548200450309493

// bad reports whether any of the numbers is not positive and finite.
func bad(v ...float64) bool {
	for _, x := range v {
		if !(x > 0) || math.IsInf(x, 1) {
			return true
		}
	}
	return false
}

// badObstruction reports whether e is outside 0 <= e < 1.
func badObstruction(e float64) bool { return !(e >= 0 && e < 1) }
