package detector

import (
	"math"

	"holdfast/internal/unit"
)

// Airmass returns how many times the air overhead a star's light crosses at the
// given apparent altitude, 1 at the zenith to 38.7 at the horizon. NaN below the
// horizon or above 90 degrees. Within 0.2 % of AirmassKastenYoung down to 10
// degrees and 2.2 % at the horizon.
//
// Source: K. A. Pickering 2002, DIO 12, 20: 1/sin(a + 244/(165 + 47 a^1.1)).
func Airmass(altitude unit.Deg) float64 {
	a := float64(altitude)
	if !(a >= 0 && a <= 90) {
		return math.NaN()
	}
	return 1 / math.Sin(float64(unit.Deg(a+244/(165+47*math.Pow(a, 1.1))).Rad()))
}

// AirmassKastenYoung returns the airmass at an apparent altitude by the formula
// in common use in meteorology; 0.9997 at the zenith, as published. NaN below
// the horizon or above 90 degrees.
//
// Source: F. Kasten & A. T. Young 1989, Applied Optics 28, 4735.
func AirmassKastenYoung(altitude unit.Deg) float64 {
	a := float64(altitude)
	if !(a >= 0 && a <= 90) {
		return math.NaN()
	}
	return 1 / (math.Sin(float64(altitude.Rad())) + 0.50572*math.Pow(a+6.07995, -1.6364))
}

// AirmassHardie returns the airmass by a polynomial in the secant of the zenith
// distance: 0.1 % to 6.8, 1 % to 10 airmasses. NaN below 5 degrees, where it
// fails, or above 90.
//
// Source: R. H. Hardie 1962, in Astronomical Techniques, ed. W. A. Hiltner.
func AirmassHardie(altitude unit.Deg) float64 {
	if !(altitude >= 5 && altitude <= 90) {
		return math.NaN()
	}
	s := 1/math.Sin(float64(altitude.Rad())) - 1
	return 1 + s - 0.0018167*s - 0.002875*s*s - 0.0008083*s*s*s
}

// Extinction returns how much fainter the air makes a star: the coefficient in
// magnitudes per airmass times the airmass.
//
// Source: Bouguer's law.
func Extinction(perAirmass unit.Mag, airmass float64) unit.Mag {
	return unit.Mag(float64(perAirmass) * airmass)
}

// Dimming returns the factor on the light of a change in magnitude, positive
// being fainter: 10^(-0.4 m).
//
// Source: N. R. Pogson 1856.
func Dimming(m unit.Mag) float64 { return math.Pow(10, -0.4*float64(m)) }
