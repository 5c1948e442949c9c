package optics

import (
	"math"

	"holdfast/internal/unit"
)

// NearFocusShift returns how far behind the focus for stars an object at the
// given distance comes to focus, F^2/(s-F). Zero at an infinite distance; NaN
// unless the distance exceeds a positive focal length.
//
// Source: I. Newton's form of the lens equation, x x' = F^2, the distance being
// measured from the front principal plane (for a small telescope: its lens).
func NearFocusShift(focal unit.MM, distance unit.Metre) unit.MM {
	f, s := float64(focal), float64(distance.MM())
	if bad(f) || !(s > f) {
		return unit.MM(math.NaN())
	}
	return unit.MM(f * f / (s - f))
}

// NearDistance returns the distance beyond which an object comes to focus
// within zone of the focus for stars: the inverse of NearFocusShift. A daylight
// target any nearer gives coarse focus only. NaN if either is not positive.
//
// Source: as NearFocusShift.
func NearDistance(focal unit.MM, zone unit.Micron) unit.Metre {
	f, x := float64(focal), float64(zone.MM())
	if bad(f, x) {
		return unit.Metre(math.NaN())
	}
	return unit.MM(f*f/x + f).Metre()
}
