package air

import (
	"math"

	"holdfast/internal/unit"
)

// Gust is the spectrum of the wind's speed along itself about its mean, at one
// height, normalised to unit variance. What follows the wind's pressure in
// proportion (a telescope that gives way) has the same spectrum, since the
// pressure's change is twice the mean speed times the speed's change.
//
// Not included: that a body smooths gusts smaller than itself, from about half
// the wind speed over its size up (5 Hz for 0.5 m at 5 m/s), and the mount's
// own resonance.
type Gust struct {
	Wind  unit.MPS   // mean speed at the telescope
	Scale unit.Metre // length of the gusts along the wind; see GroundGust
}

// GroundGust returns the gusts two metres above open ground, whose length is
// 25 z^0.35 z0^-0.063 = 40 m (height z = 2 m, roughness z0 = 0.03 m).
//
// Source of the length: ESDU item 74031 (1974), from memory; walls, trees and
// houses shorten it.
func GroundGust(wind unit.MPS) Gust { return Gust{wind, 40} }

// PSD returns the share of variance per hertz at the frequency in hertz:
// 4 L/U / (1 + 70.8 (f L/U)^2)^(5/6). Its integral is 1. NaN if the frequency
// is negative or the wind or scale not positive.
//
// Source: von Karman (1948, Proc. Natl. Acad. Sci. 34, 530), as in EN 1991-1-4
// practice and Simiu and Scanlan, Wind Effects on Structures.
func (g Gust) PSD(fHz float64) (perHz float64) {
	time := float64(g.Scale) / float64(g.Wind)
	if !(fHz >= 0) || !(g.Wind > 0) || !(g.Scale > 0) {
		return math.NaN()
	}
	n := fHz * time
	return 4 * time * math.Exp(-5./6*math.Log(1+70.8*n*n))
}

// KneeHz returns the frequency at which the flat and the f^(-5/3) parts of the
// spectrum meet, U/(8.41 L).
func (g Gust) KneeHz() float64 { return float64(g.Wind) / float64(g.Scale) / math.Sqrt(70.8) }

// DavenportPSD returns the share of the wind's variance per hertz at the
// frequency in hertz by Davenport's spectrum for strong wind over open country,
// 2/3 x^2/(1+x^2)^(4/3)/f with x = f 1200 m/U, U the mean speed at ten metres.
// Its integral is 1. It has no power at zero frequency and does not know the
// height; a second opinion to Gust. NaN as there.
//
// Source: Davenport (1961, Q. J. R. Meteorol. Soc. 87, 194).
func DavenportPSD(wind unit.MPS, fHz float64) (perHz float64) {
	if !(fHz >= 0) || !(wind > 0) {
		return math.NaN()
	}
	time := 1200 / float64(wind)
	x := fHz * time
	return 2. / 3 * time * x * math.Pow(1+x*x, -4./3)
}
