package mech

import (
	"math"

	"holdfast/internal/unit"
)

// TubeMoment returns the second moment of area of a round tube,
// pi (D^4 - d^4)/64. NaN unless 0 <= inner < outer.
//
// Source: S. P. Timoshenko, Strength of Materials.
func TubeMoment(outer, inner unit.MM) (mm4 float64) {
	if !(inner >= 0 && inner < outer) {
		return math.NaN()
	}
	return math.Pi / 64 * (math.Pow(float64(outer), 4) - math.Pow(float64(inner), 4))
}

// TubeMassPerMetre returns the mass of a metre of round tube. NaN as for
// TubeMoment.
//
// Source: density times area.
func TubeMassPerMetre(outer, inner unit.MM, m Material) (kgPerM float64) {
	if !(inner >= 0 && inner < outer) {
		return math.NaN()
	}
	d, e := float64(outer.Metre()), float64(inner.Metre())
	return m.DensityKgPerM3 * math.Pi / 4 * (d*d - e*e)
}

// PlateMoment returns the second moment of area of a flat bar bent across its
// thickness, b t^3/12: twice as thick is eight times as stiff. NaN if either is
// not positive.
//
// Source: S. P. Timoshenko, Strength of Materials.
func PlateMoment(width, thickness unit.MM) (mm4 float64) {
	if bad(float64(width), float64(thickness)) {
		return math.NaN()
	}
	return float64(width) * math.Pow(float64(thickness), 3) / 12
}

// Cantilever is a beam clamped at one end, lying level: the worst case.
type Cantilever struct {
	Length    unit.MM
	MomentMM4 float64 // second moment of area
	YoungGPa  float64
}

// stiffness returns E I in N m^2 and the length in metres.
func (c Cantilever) stiffness() (ei, length float64) {
	if bad(float64(c.Length), c.MomentMM4, c.YoungGPa) {
		return math.NaN(), math.NaN()
	}
	return c.YoungGPa * 1e9 * c.MomentMM4 * 1e-12, float64(c.Length.Metre())
}

// Sag returns how far the free end drops under a weight hung there,
// P L^3/(3 E I). NaN unless length, moment and stiffness are positive. Slender
// beams: shear adds some 10 % once the length is below five times the depth.
//
// Source: S. P. Timoshenko, Strength of Materials.
func (c Cantilever) Sag(load unit.Kg) unit.Micron {
	ei, l := c.stiffness()
	return unit.Micron(1e6 * float64(load) * GravityMPerS2 * l * l * l / (3 * ei))
}

// Slope returns by how much the free end tilts under a weight hung there,
// P L^2/(2 E I). NaN as for Sag.
//
// Source: S. P. Timoshenko, Strength of Materials.
func (c Cantilever) Slope(load unit.Kg) unit.Arcsec {
	ei, l := c.stiffness()
	return unit.Rad(float64(load) * GravityMPerS2 * l * l / (2 * ei)).Arcsec()
}

// OwnSlope returns by how much the free end tilts under the beam's own weight,
// w L^3/(6 E I). NaN as for Sag.
//
// Source: S. P. Timoshenko, Strength of Materials.
func (c Cantilever) OwnSlope(kgPerM float64) unit.Arcsec {
	ei, l := c.stiffness()
	return unit.Rad(kgPerM * GravityMPerS2 * l * l * l / (6 * ei)).Arcsec()
}

// OwnSag returns how far the free end drops under the beam's own weight,
// w L^4/(8 E I). NaN as for Sag.
//
// Source: S. P. Timoshenko, Strength of Materials.
func (c Cantilever) OwnSag(kgPerM float64) unit.Micron {
	ei, l := c.stiffness()
	return unit.Micron(1e6 * kgPerM * GravityMPerS2 * l * l * l * l / (8 * ei))
}

// SlipTilt returns by how much a tube held at two places tilts when it moves
// sideways at one of them: in rings by the slip of a screw, in a barrel by its
// play over the length engaged. Signed as the slip; NaN if apart is not positive.
//
// Source: arc tangent of slip over distance.
func SlipTilt(slip unit.Micron, apart unit.MM) unit.Arcsec {
	if bad(float64(apart)) {
		return unit.Arcsec(math.NaN())
	}
	return unit.Rad(math.Atan(float64(slip.MM()) / float64(apart))).Arcsec()
}
