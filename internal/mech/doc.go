// Package mech answers what metal and motors do: how a worm errs, how far a
// pulse moves the mount, what bends and by how much, which screw to turn which
// way, what screws into what, and which spacers bring a camera to focus.
//
// Angles of pointing are on the axis of the mount unless they say "sky"; on the
// sky an angle in right ascension is shorter by the cosine of the declination.
// An amplitude is half of peak to peak. Guide rates are in units of the sidereal
// rate. Formulas return NaN outside their domain.
package mech

import "math"

// bad reports whether any of the numbers is not positive and finite.
func bad(v ...float64) bool {
	for _, x := range v {
		if !(x > 0) || math.IsInf(x, 1) {
			return true
		}
	}
	return false
}
