package optics

import (
	"math"

	"holdfast/internal/unit"
)

// CrownIndex is the refractive index of common crown glass (N-BK7) at 587.6 nm,
// the usual guess for a filter's.
// Source: Schott optical glass data sheet for N-BK7, n_d = 1.51680.
const CrownIndex = 1.5168

// GlassShift returns how far a plane plate of glass in the converging beam
// moves the focus away from the sky: t (n-1)/n, about a third of its thickness.
// NaN for a negative thickness or an index below 1.
//
// Source: W. J. Smith, Modern Optical Engineering, plane parallel plate (from
// memory).
func GlassShift(thickness unit.MM, index float64) unit.MM {
	if !(thickness >= 0) || !(index >= 1) {
		return unit.MM(math.NaN())
	}
	return unit.MM(float64(thickness) * (index - 1) / index)
}

// GlassShiftMarginal returns the same for the ray from the edge of a beam of
// focal ratio n, t (1 - cos u/sqrt(index^2 - sin^2 u)) with tan u = 1/(2n). The
// excess over GlassShift is spherical aberration that the plate adds: 13.5
// micrometres for 3 mm at f/3.2, beyond the quarter-wave zone. NaN outside the
// domain.
//
// Source: Snell's law, exact.
func GlassShiftMarginal(thickness unit.MM, index, n float64) unit.MM {
	if !(thickness >= 0) || !(index >= 1) || bad(n) {
		return unit.MM(math.NaN())
	}
	sin, cos := math.Sincos(math.Atan(1 / (2 * n)))
	return unit.MM(float64(thickness) * (1 - cos/math.Sqrt(index*index-sin*sin)))
}
