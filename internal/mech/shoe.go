package mech

import (
	"math"

	"holdfast/internal/unit"
)

// A shoe or bracket is bolted to two threaded holes of the imaging telescope.
// Source: common practice, no source.
const (
	ShoeBoltSpacing unit.MM = 0.75 * 25.4     // about 19 mm
	ShoeHexKey      unit.MM = 3.0 / 32 * 25.4 // across flats; a 2.5 mm key does not go in, a 2 mm key spoils the socket
	ShoePlay        unit.MM = 0.5             // that clearance holes usually forgive
)

// ShoeFits returns how much farther apart the shoe's holes are than those of the
// telescope, and whether clearance of the given play forgives it. NaN and false
// if either spacing is not positive.
func ShoeFits(shoe, telescope, play unit.MM) (difference unit.MM, fits bool) {
	if bad(float64(shoe), float64(telescope)) {
		return unit.MM(math.NaN()), false
	}
	difference = shoe - telescope
	return difference, math.Abs(float64(difference)) <= float64(play)
}
