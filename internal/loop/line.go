package loop

import (
	"math"

	"holdfast/internal/unit"
)

// Line is a sine in a disturbance.
type Line struct {
	FrequencyHz       float64
	MeanSquareArcsec2 float64 // half the square of the amplitude
}

// Sine returns the line of the given amplitude (half of peak to peak) and
// period.
func Sine(amplitude unit.Arcsec, period unit.Second) Line {
	return Line{1 / float64(period), float64(amplitude) * float64(amplitude) / 2}
}

// PeriodicError returns the lines of a drive whose error goes from peak to peak
// in one period and whose second harmonic has the given amplitude in units of
// the fundamental's. The phase of the harmonic is unknown; the fundamental's
// amplitude is peakToPeak/2/(1 + ratio^2), the mean over that phase, within 4 %
// for ratios up to 0.5.
//
// Derived: to second order in the ratio h the extremes of
// sin a + h sin(2a + phase) are 2 + 4 h^2 cos^2(phase) apart.
func PeriodicError(peakToPeak unit.Arcsec, period unit.Second, secondHarmonic float64) []Line {
	amplitude := peakToPeak / 2 / unit.Arcsec(1+secondHarmonic*secondHarmonic)
	lines := []Line{Sine(amplitude, period)}
	if secondHarmonic != 0 {
		lines = append(lines, Sine(amplitude*unit.Arcsec(secondHarmonic), period/2))
	}
	return lines
}

// Walk returns the spectrum of a random walk whose variance grows by the
// square of the given rate each second: rate^2/(2 pi^2 f^2).
func Walk(arcsecPerRootS float64) Spectrum {
	return func(f float64) float64 {
		return arcsecPerRootS * arcsecPerRootS / (2 * math.Pi * math.Pi * f * f)
	}
}
