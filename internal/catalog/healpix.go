package catalog

import (
	"math"

	"holdfast/internal/unit"
)

// healpix returns the index, in ring order, of the equal-area cell of the
// sphere that holds a place, for the given side (12 side^2 cells). ra and dec
// are in degrees; dec must lie in [-90, 90].
//
// Source: Górski et al. 2005, HEALPix, ApJ 622, 759, section 5.1 and the
// appendix of the ring scheme.
func healpix(side int, ra, dec float64) int {
	z := math.Sin(dec * math.Pi / 180)
	t := wrap(ra) / 90 // quarter turns, in [0, 4)
	n := float64(side)
	if math.Abs(z) <= 2.0/3 { // the equatorial belt
		a, b := n*(0.5+t), n*z*0.75
		rising, falling := int(math.Floor(a-b)), int(math.Floor(a+b))
		ring := side + 1 + rising - falling // 1 at z = 2/3
		odd := 1 - ring&1
		i := (rising + falling - side + odd + 1) / 2
		i = (i%(4*side) + 4*side) % (4 * side)
		return 2*side*(side-1) + (ring-1)*4*side + i
	}
	frac := t - math.Floor(t)
	w := n * math.Sqrt(3*(1-math.Abs(z)))
	ring := int(frac*w) + int((1-frac)*w) + 1 // counted from the nearer pole
	i := int(t*float64(ring)) % (4 * ring)
	if z > 0 {
		return 2*ring*(ring-1) + i
	}
	return 12*side*side - 2*ring*(ring+1) + i
}

// Cell returns the index, in HEALPix ring order, of the equal-area cell of the
// sphere that holds a place, for the given side: 12 side^2 cells. It is how the
// source of the catalogue divides the sky before it keeps ten stars of each
// cell, with LimitSide. dec must lie in [-90, 90].
//
// Source: Górski et al. 2005, HEALPix, ApJ 622, 759.
func Cell(side int, ra, dec unit.Deg) int { return healpix(side, float64(ra), float64(dec)) }
