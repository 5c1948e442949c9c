package sky

import (
	"math"

	"holdfast/internal/unit"
)

// Airmass returns the length of the path through the air in units of that to
// the zenith, at an apparent altitude of 0 to 90 degrees; NaN outside. Never
// below 1. About 38.7 at the horizon, where real air varies by tens of
// per cent.
//
// Source: Pickering 2002, DIO 12, 20.
func Airmass(alt unit.Deg) float64 {
	if !(alt >= 0 && alt <= 90) {
		return math.NaN()
	}
	a := float64(alt)
	return math.Max(1, 1/math.Sin(radians(unit.Deg(a+244/(165+47*math.Pow(a, 1.1))))))
}

// AirmassKastenYoung is Airmass by another formula, within 0.4 % of it above 5
// degrees; 37.92 at the horizon.
//
// Source: Kasten & Young 1989, Applied Optics 28, 4735.
func AirmassKastenYoung(alt unit.Deg) float64 {
	if !(alt >= 0 && alt <= 90) {
		return math.NaN()
	}
	return math.Max(1, 1/(math.Sin(radians(alt))+0.50572*math.Pow(float64(alt)+6.07995, -1.6364)))
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
