package rig

import (
	"math"
	"math/rand/v2"
)

// Sample returns a rig drawn from this one's uncertainties: each number with a
// standard error is replaced by a draw and has none left. Numbers that cannot
// be negative are drawn from a log-normal distribution whose mean is the value
// and whose standard deviation is the standard error (at zero, from half a
// normal one); the others from a normal one. Draws outside an entry's range
// are drawn again. A value left open stays open. The optics of a pick-off
// follow the drawn imaging telescope unless they were given.
//
// The rig shares its list of spacers and the record of what was given with
// the drawn one; neither may be changed.
func (r *Rig) Sample(rng *rand.Rand) *Rig {
	next := *r
	for i := range schema {
		e := &schema[i]
		if e.number == nil {
			continue
		}
		if v, se := e.number(r); se > 0 {
			e.setNumber(&next, e.draw(rng, v, se), 0)
		}
	}
	if next.Guide.Kind == Pickoff {
		if !r.has("guide.aperture") {
			next.Guide.Aperture.V = next.Imaging.Aperture.V
		}
		if !r.has("guide.focal") {
			next.Guide.Focal.V = next.Imaging.FocalLength()
		}
		if !r.has("guide.obstruction") {
			next.Guide.Obstruction.V = next.Imaging.Obstruction.V
		}
	}
	return &next
}

// draw returns one value of the entry. A value whose draws miss the range a
// thousand times, which the limit on ± makes a matter of less than 1e-12,
// comes back itself.
func (e *Entry) draw(rng *rand.Rand, v, se float64) float64 {
	positive := e.Min >= 0 && v > 0
	var mu, sigma float64
	if positive {
		s2 := math.Log1p((se / v) * (se / v))
		mu, sigma = math.Log(v)-s2/2, math.Sqrt(s2)
	}
	for range 1000 {
		x := v + se*rng.NormFloat64()
		if positive {
			x = math.Exp(mu + sigma*(x-v)/se)
		}
		if x >= e.Min && x <= e.Max {
			return x
		}
	}
	return v
}
