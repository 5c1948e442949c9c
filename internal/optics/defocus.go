package optics

import (
	"math"

	"holdfast/internal/unit"
)

// DepthOfFocus returns half of the zone in which defocus spoils the wavefront
// by at most a quarter wave, 2 lambda n^2: the sensor may sit that far either
// side of best focus. NaN if either is not positive. 0.8 % low at f/5, less at
// slower ratios. A central obstruction widens it by 1/(1-obstruction^2).
//
// Source: Lord Rayleigh 1879; A. E. Conrady 1929, Applied Optics and Optical
// Design: peak-to-valley error delta/(8 n^2). The often quoted 4.88 lambda n^2
// is a whole zone from a geometric argument.
func DepthOfFocus(lambda unit.Micron, n float64) unit.Micron {
	if bad(float64(lambda), n) {
		return unit.Micron(math.NaN())
	}
	return unit.Micron(2 * float64(lambda) * n * n)
}

// DefocusStrehl returns the height of the star's peak relative to perfect
// focus, 0 to 1, for a sensor at defocus from it in an otherwise perfect
// telescope: (sin(pi w)/(pi w))^2, w being the peak-to-valley error over the
// open part of the pupil in waves. NaN outside the domain.
//
// Source: Born & Wolf, Principles of Optics, chapter 8, intensity on the axis (from
// memory); the annulus has the same form with w reduced by 1-obstruction^2.
func DefocusStrehl(defocus, lambda unit.Micron, n, obstruction float64) float64 {
	if bad(float64(lambda), n) || badObstruction(obstruction) {
		return math.NaN()
	}
	w := float64(defocus) / (8 * n * n) / float64(lambda) * (1 - obstruction*obstruction)
	if math.Abs(w) < 1e-9 {
		return 1
	}
	s := math.Sin(math.Pi*w) / (math.Pi * w)
	return s * s
}

// Blur returns the outer diameter of the disc into which defocus spreads a
// point, |defocus|/n. NaN if n is not positive. Geometric: right well outside
// the DepthOfFocus.
//
// Source: similar triangles.
func Blur(defocus unit.Micron, n float64) unit.Micron {
	if bad(n) {
		return unit.Micron(math.NaN())
	}
	return unit.Micron(math.Abs(float64(defocus)) / n)
}

// BlurDefocus returns the distance from focus that spreads a point into a disc
// of the given diameter, n times the disc: the inverse of Blur. NaN for a
// negative disc or if n is not positive.
//
// Source: similar triangles.
func BlurDefocus(disc unit.Micron, n float64) unit.Micron {
	if bad(n) || !(disc >= 0) {
		return unit.Micron(math.NaN())
	}
	return unit.Micron(float64(disc) * n)
}

// DefocusSigma returns the standard deviation along one axis of the light of a
// star defocused through a pupil with an obstruction, (|defocus|/n)
// sqrt(1+obstruction^2)/4. It adds in quadrature to every other blur, exactly.
// NaN outside the domain.
//
// Source: second moment of a uniform ring, (R^2 + r^2)/4 per axis.
func DefocusSigma(defocus unit.Micron, n, obstruction float64) unit.Micron {
	if bad(n) || badObstruction(obstruction) {
		return unit.Micron(math.NaN())
	}
	return unit.Micron(math.Abs(float64(defocus)) / n * math.Sqrt(1+obstruction*obstruction) / 4)
}

// CriticalZone returns half of the critical focus zone: the larger of the
// DepthOfFocus and of the defocus whose disc is the given fraction of the
// star's FWHM at the sensor. A fraction of 0.5 widens the half-flux diameter by
// at most 6 %. A perfect star is bound by the first, a star spread by air or
// pixels by the second; they are equal at n = fraction*star/(2 lambda). NaN
// outside the domain; fraction 0 is the DepthOfFocus.
//
// Source: as DepthOfFocus and Blur.
func CriticalZone(lambda unit.Micron, n float64, star unit.Micron, fraction float64) unit.Micron {
	if !(fraction >= 0) || !(star >= 0) {
		return unit.Micron(math.NaN())
	}
	return max(DepthOfFocus(lambda, n), BlurDefocus(unit.Micron(float64(star)*fraction), n))
}

// FocuserTurns returns how many turns move a focuser of the given pitch per
// turn by travel, with the sign of travel. NaN if the pitch is not positive.
//
// Source: definition.
func FocuserTurns(travel, pitch unit.MM) float64 {
	if bad(float64(pitch)) {
		return math.NaN()
	}
	return float64(travel / pitch)
}

// FocuserRotation returns FocuserTurns as an angle of the focuser's ring.
func FocuserRotation(travel, pitch unit.MM) unit.Deg {
	return unit.Deg(360 * FocuserTurns(travel, pitch))
}
