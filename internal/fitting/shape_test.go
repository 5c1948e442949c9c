package fitting

import (
	"testing"

	"holdfast/internal/optics"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestShape: the table is what it was made from, between its nodes and beyond
// them, and is inverted.
func TestShape(t *testing.T) {
	for _, e := range []float64{0, 0.35, 0.5} {
		s := newShape(e)
		for _, u := range []float64{0, 0.1, 0.37, 0.9, 1.6, 2.44, 4.1, 8.9, 9.1, 15, 40} {
			want := float64(optics.DefocusedHalfFlux(1, unit.Micron(u), e))
			testkit.NearRel(t, s.at(u), want, 1e-3, "optics.DefocusedHalfFlux, itself checked by photons")
			testkit.NearRel(t, s.at(-u), want, 1e-3, "the same on the other side of focus")
			if u > 0.3 {
				testkit.NearRel(t, s.disc(want), u, 5e-3, "the inverse")
			}
		}
	}
	testkit.Near(t, newShape(0).at(2), 1.62, 0.01, "computed with numpy: photons of a Gaussian star spread by a disc of twice its FWHM")
	if got := newShape(0).disc(0.9); got != 0 {
		t.Errorf("a star narrower than in focus has a disc of %v", got)
	}
}
