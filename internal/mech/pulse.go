package mech

import (
	"math"

	"holdfast/internal/unit"
)

// PulseArc returns the angle on the axis by which a correction of the given
// length moves the mount: right for declination, where axis and sky agree.
// NaN if the guide rate is not positive.
//
// Source: guide rate times sidereal rate times time.
func PulseArc(length unit.Second, guideRate float64) unit.Arcsec {
	if bad(guideRate) {
		return unit.Arcsec(math.NaN())
	}
	return unit.Arcsec(guideRate * SiderealArcsecPerS * float64(length))
}

// PulseSky returns the angle on the sky by which a correction in right ascension
// moves a star at the given declination. NaN as for PulseArc or beyond a pole.
//
// Source: PulseArc times the cosine of the declination.
func PulseSky(length unit.Second, guideRate float64, declination unit.Deg) unit.Arcsec {
	return unit.Arcsec(float64(PulseArc(length, guideRate)) * cosDec(declination))
}

// PulseLength returns the length of the correction in right ascension that moves
// a star at the given declination by an angle on the sky; at declination 0 it
// serves for the declination axis too. +Inf at a pole; NaN as for PulseSky.
//
// Source: inverse of PulseSky.
func PulseLength(sky unit.Arcsec, guideRate float64, declination unit.Deg) unit.Second {
	if bad(guideRate) {
		return unit.Second(math.NaN())
	}
	return unit.Second(float64(sky) / (guideRate * SiderealArcsecPerS * cosDec(declination)))
}

// BacklashTime returns how long a correction must last before an axis with the
// given backlash begins to move the other way. NaN as for PulseArc.
//
// Source: PulseLength on the axis.
func BacklashTime(backlash unit.Arcsec, guideRate float64) unit.Second {
	return PulseLength(backlash, guideRate, 0)
}

// CalibrationTime returns how long a steady correction in right ascension takes
// to move a star at the given declination by a distance on the guide camera.
// NaN as for PulseLength.
//
// Source: PulseLength.
func CalibrationTime(distance unit.Px, scale unit.Scale, guideRate float64, declination unit.Deg) unit.Second {
	return PulseLength(scale.Arcsec(distance), guideRate, declination)
}

// CalibrationFactor returns by what factor the rate of right ascension on the
// sky differs at a declination from the rate measured where the camera was
// calibrated, cos to/cos from. NaN beyond a pole or when calibrated at one.
//
// Source: length of a parallel.
func CalibrationFactor(from, to unit.Deg) float64 {
	c := cosDec(from)
	if c == 0 {
		return math.NaN()
	}
	return cosDec(to) / c
}
