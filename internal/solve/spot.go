package solve

import (
	"cmp"
	"math"
	"slices"

	"holdfast/internal/unit"
)

// Spot is a star, or what looks like one, in a frame.
type Spot struct {
	X, Y unit.Px // (0,0) is the centre of the first pixel stored
	Flux float64 // in any linear measure; not known if 0 or NaN
}

// spot is a usable Spot: pixels from the centre of the frame.
type spot struct {
	x, y float64
	mag  float64 // -2.5 log10 of the flux, or what its place in the list suggests
}

// most is the number of spots that are looked at.
const most = 150

// usable returns the brightest spots in their order, without those that are no
// numbers, lie outside the frame, or lie on a brighter one.
func usable(spots []Spot, width, height int) []spot {
	order := make([]int, 0, len(spots))
	known := true
	for i, s := range spots {
		x, y := float64(s.X), float64(s.Y)
		if x >= -0.5 && y >= -0.5 && x <= float64(width)-0.5 && y <= float64(height)-0.5 {
			order = append(order, i)
			known = known && s.Flux > 0 && !math.IsInf(s.Flux, 1)
		}
	}
	if known {
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(spots[b].Flux, spots[a].Flux) })
	}
	var out []spot
	for k, i := range order {
		s := spot{x: float64(spots[i].X) - float64(width-1)/2, y: float64(spots[i].Y) - float64(height-1)/2}
		if known {
			s.mag = -2.5 * math.Log10(spots[i].Flux)
		} else {
			// Star counts double with each 0.65 mag or so.
			s.mag = 2 * math.Log10(float64(k+1))
		}
		if slices.ContainsFunc(out, func(o spot) bool { return math.Hypot(o.x-s.x, o.y-s.y) < merge }) {
			continue
		}
		if out = append(out, s); len(out) == most {
			break
		}
	}
	return out
}

// merge is the distance in pixels below which two spots count as one.
const merge = 1.5
