// Package detector answers how many electrons stars and sky make, how well a
// star of so many electrons can be measured and placed, when a pixel is full,
// and how long one exposure of many should be.
//
// Everything is counted in electrons at the detector; numbers of a raw file
// belong here only after its offset is taken off and its gain (electrons per
// ADU) applied. The FWHM of a Spot is that of the light before pixels average
// it; formulas that need it add the pixel's own variance of 1/12. Standard
// errors are of one axis. Formulas return NaN outside their domain.
package detector

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

// negative reports whether any of the numbers is below zero, infinite or NaN.
func negative(v ...float64) bool {
	for _, x := range v {
		if !(x >= 0) || math.IsInf(x, 1) {
			return true
		}
	}
	return false
}
