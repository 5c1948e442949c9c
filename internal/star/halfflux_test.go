package star

import (
	"math"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// drawnProfile returns the profile of the given widths, tail and peak at the
// origin, its major axis along angle.
func drawnProfile(major, minor float64, angle unit.Deg, tail float64) profile {
	sin, cos := math.Sincos(float64(angle.Rad()))
	k := 4 * psf.HalfMaximum(tail)
	a, b := k/(major*major), k/(minor*minor)
	return profile{amp: 1, xx: a*cos*cos + b*sin*sin, xy: (a - b) * sin * cos, yy: a*sin*sin + b*cos*cos, tail: tail}
}

// TestEnclosed: light inside circles against sums over a fine grid.
func TestEnclosed(t *testing.T) {
	for _, tt := range []struct{ major, minor, tail, radius float64 }{
		{3, 3, 0, 1.5}, {3, 3, 0.19, 4}, {4, 3.4, 0.19, 2}, {4, 3, 0, 2.5}, {5, 2.5, 0.1, 2}, {5, 2, 0.19, 3}, {3, 2.9, 0.5, 6},
	} {
		p := drawnProfile(tt.major, tt.minor, 35, tt.tail)
		const step = 0.02
		sum := 0.0
		for x := -tt.radius; x <= tt.radius; x += step {
			for y := -tt.radius; y <= tt.radius; y += step {
				if x*x+y*y <= tt.radius*tt.radius {
					sum += p.at(x, y) * step * step
				}
			}
		}
		testkit.Near(t, p.enclosed(tt.radius), sum/p.whole(), 2e-3, "sum over a grid of 0.02 px")
		major, minor, angle := p.widths()
		testkit.NearRel(t, float64(major), tt.major, 1e-9, "what was asked for")
		testkit.NearRel(t, float64(minor), tt.minor, 1e-9, "what was asked for")
		if tt.major > tt.minor {
			testkit.Near(t, float64(angle), 35, 1e-9, "what was asked for")
		}
	}
	// The half-flux diameter of a round Gaussian is its FWHM; of Moffat's
	// profile it is in closed form.
	var fit fitter
	p := drawnProfile(3, 3, 0, 0)
	testkit.NearRel(t, fit.halfFlux(&p, false), 3, 1e-3, "closed form: both are 2 sqrt(2 ln 2) sigma")
	p = drawnProfile(3, 3, 0, 0.2)
	want := float64(psf.Profile{Major: 3, Minor: 3, Tail: 0.2}.HalfFluxDiameter())
	testkit.NearRel(t, fit.halfFlux(&p, false), want, 2e-3, "closed form in package psf, all light counted")
}
