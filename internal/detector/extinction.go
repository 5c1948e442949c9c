package detector

import (
	"math"

	"holdfast/internal/unit"
)

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
