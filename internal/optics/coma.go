package optics

import (
	"math"

	"holdfast/internal/unit"
)

// Coma is the comet-shaped image of a star off the axis, pointing radially.
type Coma struct {
	Tangential      unit.Arcsec // length of the comet, radial on the sensor
	Sagittal        unit.Arcsec // a third of it: half of the comet's greatest breadth
	SigmaRadial     unit.Arcsec // standard deviation of the light along the comet
	SigmaTangential unit.Arcsec // and across it
}

// NewtonianComa returns the coma of a paraboloid of focal ratio n, stopped at
// the mirror, for a star at the given angle from the axis: tangential
// 3 theta/(16 n^2), sagittal theta/(16 n^2). The standard deviations are those
// of rays, sagittal coma over sqrt 2 and sqrt 6, so they add in quadrature to
// any other blur. Astigmatism, which grows with the square of the angle, is left
// out: at 25 arcmin and f/5 it adds a tenth to the length of the comet and 3 % to
// the standard deviations. NaN if n is not positive or the angle is negative.
//
// Source: D. J. Schroeder, Astronomical Optics, third-order coma of a paraboloid
// (from memory); ray moments derived: displacement
// C rho^2 (2 + cos 2 phi, sin 2 phi) averaged over the pupil.
func NewtonianComa(offAxis unit.Arcmin, n float64) Coma {
	c := math.NaN()
	if !bad(n) && offAxis >= 0 {
		c = float64(offAxis.Arcsec()) / (16 * n * n)
	}
	return Coma{
		Tangential:      unit.Arcsec(3 * c),
		Sagittal:        unit.Arcsec(c),
		SigmaRadial:     unit.Arcsec(c / math.Sqrt2),
		SigmaTangential: unit.Arcsec(c / math.Sqrt(6)),
	}
}

// FieldSag returns how far from the flat sensor a focal surface of the given
// radius of curvature lies at a height from the axis, height^2/(2 radius), with
// the sign of the radius. NaN for a zero radius. Within 0.1 % while the height
// is below a twentieth of the radius.
//
// Source: sagitta of a sphere, first term.
func FieldSag(height, radius unit.MM) unit.Micron {
	if radius == 0 {
		return unit.Micron(math.NaN())
	}
	return unit.MM(float64(height) * float64(height) / (2 * float64(radius))).Micron()
}
