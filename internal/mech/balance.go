package mech

import (
	"math"

	"holdfast/internal/unit"
)

// GravityMPerS2 is a round value for the acceleration of gravity, 9.78 to 9.83
// over the Earth.
const GravityMPerS2 = 9.81

// Torque returns the torque about an axis of a weight whose centre lies the
// given distance from it, at its greatest: with the arm level. Signed as the
// arm.
//
// Source: weight times arm.
func Torque(mass unit.Kg, arm unit.MM) (newtonMetre float64) {
	return float64(mass) * GravityMPerS2 * float64(arm.Metre())
}

// WormForce returns the force on the worm's thread that a torque on its wheel of
// the given radius makes. NaN if the radius is not positive.
//
// Source: torque over radius.
func WormForce(newtonMetre float64, radius unit.MM) (newton float64) {
	if bad(float64(radius)) {
		return math.NaN()
	}
	return newtonMetre / float64(radius.Metre())
}

// CounterweightArm returns how far from the axis a counterweight balances a load.
// NaN if the counterweight is not positive.
//
// Source: equal torques.
func CounterweightArm(load unit.Kg, arm unit.MM, counterweight unit.Kg) unit.MM {
	if bad(float64(counterweight)) {
		return unit.MM(math.NaN())
	}
	return unit.MM(float64(load) * float64(arm) / float64(counterweight))
}

// For exposures of minutes a mount is loaded to about this share of its rated
// payload, guide telescope, rings, cameras and cables counted, and to no more
// than the second.
// Source: common practice, no source.
const (
	PayloadShare    = 0.5
	PayloadShareMax = 0.6
)

// PayloadFraction returns the load over the rated payload. NaN if the rating is
// not positive or the load negative. Compare with PayloadShare.
func PayloadFraction(load, rated unit.Kg) float64 {
	if bad(float64(rated)) || !(load >= 0) {
		return math.NaN()
	}
	return float64(load / rated)
}
