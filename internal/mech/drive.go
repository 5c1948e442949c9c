package mech

import (
	"math"

	"holdfast/internal/unit"
)

// SiderealDay is the time in which the sky turns once.
// Source: IERS, mean sidereal day (from memory).
const SiderealDay unit.Second = 86164.0905

// SiderealArcsecPerS is the rate at which the sky turns.
const SiderealArcsecPerS = 1296000 / 86164.0905

// TurnRate returns the rate of an axis that turns once in the given time. NaN if
// the time is not positive.
//
// Source: 1296000 arcsec in a turn.
func TurnRate(turn unit.Second) (arcsecPerS float64) {
	if bad(float64(turn)) {
		return math.NaN()
	}
	return 1296000 / float64(turn)
}

// WormPeriod returns the time of one turn of the worm that drives a wheel of the
// given number of teeth at the sidereal rate. NaN if it is not positive.
//
// Source: a worm of one start moves the wheel by a tooth a turn.
func WormPeriod(teeth float64) unit.Second {
	if bad(teeth) {
		return unit.Second(math.NaN())
	}
	return unit.Second(float64(SiderealDay) / teeth)
}

// WormTeeth returns the number of teeth of the wheel whose worm turns in the
// given period, a whole number but for the period's error. NaN if it is not
// positive.
//
// Source: as WormPeriod.
func WormTeeth(period unit.Second) float64 { return float64(WormPeriod(float64(period))) }

// Microstep returns the angle of the axis for one step of a stepper motor. NaN
// if any number is not positive.
//
// Source: 1296000 arcsec over all steps of a turn.
func Microstep(stepsPerTurn, microsteps, gear, teeth float64) unit.Arcsec {
	if bad(stepsPerTurn, microsteps, gear, teeth) {
		return unit.Arcsec(math.NaN())
	}
	return unit.Arcsec(1296000 / (stepsPerTurn * microsteps * gear * teeth))
}

// CrossingTime returns how long a star takes to cross an angle on the sky when
// the mount stands still. NaN for a declination beyond the poles; +Inf at them.
//
// Source: sidereal rate times the cosine of the declination.
func CrossingTime(sky unit.Arcsec, declination unit.Deg) unit.Second {
	return unit.Second(float64(sky) / (SiderealArcsecPerS * cosDec(declination)))
}

// cosDec returns the cosine of a declination, NaN beyond the poles and exactly
// zero at them.
func cosDec(d unit.Deg) float64 {
	switch {
	case !(d >= -90 && d <= 90):
		return math.NaN()
	case d == 90 || d == -90:
		return 0
	}
	return math.Cos(float64(d.Rad()))
}

// PeriodicError is one sinusoid in an axis's angle against time: the worm's own
// or one of its gears'.
type PeriodicError struct {
	Amplitude unit.Arcsec // half of peak to peak, on the axis
	Period    unit.Second
}

// FromPeakToPeak returns the periodic error whose extremes lie the given angle
// apart, which is how it is usually quoted.
func FromPeakToPeak(peakToPeak unit.Arcsec, period unit.Second) PeriodicError {
	return PeriodicError{peakToPeak / 2, period}
}

// PeakRate returns the greatest speed of the error, 2 pi A/P. NaN if the period
// is not positive or the amplitude negative.
//
// Source: derivative of A sin(2 pi t/P).
func (e PeriodicError) PeakRate() (arcsecPerS float64) {
	if bad(float64(e.Period)) || !(e.Amplitude >= 0) {
		return math.NaN()
	}
	return 2 * math.Pi * float64(e.Amplitude) / float64(e.Period)
}

// RMS returns the rms of the error over whole periods, A/sqrt 2. NaN for a
// negative amplitude.
//
// Source: rms of a sinusoid.
func (e PeriodicError) RMS() unit.Arcsec {
	if !(e.Amplitude >= 0) {
		return unit.Arcsec(math.NaN())
	}
	return e.Amplitude / math.Sqrt2
}

// Worst returns the greatest distance between the start and the end of an
// exposure of the given length, begun at the unluckiest moment: 2 A sin(pi T/P)
// up to half a period. From there on it is the greatest distance between any two
// moments, 2 A. NaN as for PeakRate or for a negative time.
//
// Source: difference of two sines.
func (e PeriodicError) Worst(exposure unit.Second) unit.Arcsec {
	if bad(float64(e.Period)) || !(e.Amplitude >= 0) || !(exposure >= 0) {
		return unit.Arcsec(math.NaN())
	}
	turn := min(float64(exposure/e.Period), 0.5)
	return unit.Arcsec(2 * float64(e.Amplitude) * math.Sin(math.Pi*turn))
}

// Within returns the standard deviation, about its own mean, of the error during
// an exposure of the given length, as an rms over when it begins: the width that
// an uncorrected error adds to the star. A sqrt((1 - sinc^2(T/P))/2) with
// sinc x = sin(pi x)/(pi x). NaN as for Worst.
//
// Source: variance of a sinusoid less that of its running mean.
func (e PeriodicError) Within(exposure unit.Second) unit.Arcsec {
	if bad(float64(e.Period)) || !(e.Amplitude >= 0) || !(exposure >= 0) {
		return unit.Arcsec(math.NaN())
	}
	x := math.Pi * float64(exposure/e.Period)
	lost := x * x / 3 * (1 - 2*x*x/15) // 1 - sinc^2 near zero
	if x > 0.01 {
		s := math.Sin(x) / x
		lost = 1 - s*s
	}
	return unit.Arcsec(float64(e.Amplitude) * math.Sqrt(lost/2))
}

// Limit returns the longest exposure whose Worst is at most the given angle,
// P/pi asin(q/2A), or about q P/(2 pi A) for small angles; +Inf when the error is
// never that large. NaN as for PeakRate or for a negative angle.
//
// Source: inverse of Worst.
func (e PeriodicError) Limit(tolerance unit.Arcsec) unit.Second {
	if bad(float64(e.Period)) || !(e.Amplitude >= 0) || !(tolerance >= 0) {
		return unit.Second(math.NaN())
	}
	if tolerance >= 2*e.Amplitude {
		return unit.Second(math.Inf(1))
	}
	return unit.Second(float64(e.Period) / math.Pi * math.Asin(float64(tolerance)/(2*float64(e.Amplitude))))
}
