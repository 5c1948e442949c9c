package mech

import (
	"math"

	"holdfast/internal/unit"
)

// Material is what a tube or bracket is made of. A NaN is not known: it depends
// on the make.
type Material struct {
	Name             string
	ExpansionPPMPerK float64 // parts per million of length per kelvin
	YoungGPa         float64 // stiffness
	DensityKgPerM3   float64
}

// The materials. Expansion: W. D. Callister, Fundamentals of Materials Science
// and Engineering, table B.6, except pure aluminium and the carbon tube (from
// memory). Stiffness and density: from memory, usual handbook values.
var (
	Aluminium6061 = Material{"aluminium 6061", 23.6, 69, 2700}
	AluminiumPure = Material{"aluminium, pure", 23.1, 69, 2700}
	Steel         = Material{"steel", 12, 200, 7850} // plain carbon steels 11.3 to 12.3
	Stainless304  = Material{"stainless steel 304", 17.2, 193, 8000}
	Invar         = Material{"Invar", 1.6, 141, 8050}
	CarbonTube    = Material{"carbon-fibre tube", 1, math.NaN(), 1600} // 0 to 2 along the tube; stiffness by the lay
)

// Materials returns all of the materials, in a fixed order.
func Materials() []Material {
	return []Material{Aluminium6061, AluminiumPure, Steel, Stainless304, Invar, CarbonTube}
}

// Expansion returns by how much a length of the material grows when its
// temperature changes, negative when it falls: a focuser on a shrinking tube must
// move out by as much. A lens shifts its own focus besides. NaN if length is
// negative.
//
// Source: definition of the coefficient.
func (m Material) Expansion(length unit.MM, change unit.Celsius) unit.Micron {
	if !(length >= 0) {
		return unit.Micron(math.NaN())
	}
	return unit.Micron(m.ExpansionPPMPerK * 1e-6 * float64(length.Micron()) * float64(change))
}

// ExpansionLimit returns the change of temperature at which the length has
// changed by the given zone: time to focus again. NaN unless the lengths are
// positive and the material expands.
//
// Source: inverse of Expansion.
func (m Material) ExpansionLimit(length unit.MM, zone unit.Micron) unit.Celsius {
	if bad(float64(length), float64(zone), m.ExpansionPPMPerK) {
		return unit.Celsius(math.NaN())
	}
	return unit.Celsius(float64(zone) / (m.ExpansionPPMPerK * 1e-6 * float64(length.Micron())))
}
