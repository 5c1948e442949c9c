package air

import (
	"math"

	"holdfast/internal/unit"
)

// MotionParams is what the spectrum of image motion depends on.
type MotionParams struct {
	Aperture unit.Metre
	Wind     unit.MPS // that carries the air across the aperture
	Air      Turbulence
	Axis     Axis
}

// Motion is the temporal spectrum of one axis of image motion: air frozen,
// carried across a round pupil by a steady wind. Make one with NewMotion.
//
// With rho^2 = x^2 + q^2, x = f D/V and q = D/L0, the spectrum along the wind
// is x^2 G(rho) and across it H(rho) times
//
//	4 C lambda^2 r0^(-5/3) D^(2/3) / V,
//	G = Int_0^inf (rho^2+y^2)^(-11/6)     h^2 dy,
//	H = Int_0^inf (rho^2+y^2)^(-11/6) y^2 h^2 dy,
//
// where h = 2 J1(z)/z at z = pi sqrt(rho^2 - q^2 + y^2) and C is the
// coefficient of the phase spectrum. Expanding h^2 in its argument's square to
// second order in q^2 leaves functions of rho alone, which are tabulated.
type Motion struct {
	params   MotionParams
	q        float64 // D/L0
	crossing float64 // D/V, s
	scale    float64 // of the spectrum, arcsec^2/Hz
	g, h     [lowPoints + highPoints]float64
}

// The table's grid in rho: lowPoints evenly in ln rho from lowStart to
// highStart, then highPoints evenly in rho to highEnd. Entries are scaled to be
// flat: below, G by rho^(8/3) and H by rho^(2/3); above, G by rho^(17/3) and H
// by rho^(11/3).
const (
	lowPoints  = 54
	lowStart   = 1e-6
	highStart  = 0.5
	highPoints = 121
	highEnd    = 8.0
)

var (
	lowStep  = math.Log(highStart/lowStart) / (lowPoints - 1)
	highStep = (highEnd - highStart) / (highPoints - 1)
)

// NewMotion returns the spectrum of image motion; it takes about a
// microsecond. The spectrum is NaN if a length or the wind is not positive.
//
// Source: Martin (1987, Publ. Astron. Soc. Pacific 99, 1360); Conan, Rousset
// and Madec (1995, J. Opt. Soc. Am. A 12, 1559) for the slopes -2/3 and -11/3.
func NewMotion(p MotionParams) *Motion {
	m := &Motion{
		params:   p,
		q:        float64(p.Aperture / p.Air.Outer),
		crossing: float64(p.Aperture) / float64(p.Wind),
	}
	if !(p.Wind > 0) {
		m.crossing = math.NaN()
	}
	m.scale = 4 * phasePower * motionScale(p.Aperture, p.Air) * m.crossing
	first, second := -m.q*m.q, m.q*m.q*m.q*m.q/2
	for i := range m.g {
		m.g[i] = along[0][i] + first*along[1][i] + second*along[2][i]
		m.h[i] = across[0][i] + first*across[1][i] + second*across[2][i]
	}
	return m
}

// Limits of the scaled G and H for large rho, where h^2 oscillates about
// 4/(pi^4 r^3): 4/pi^4 times Int (1+y^2)^(-10/3) dy and the same with y^2.
var (
	alongLimit  = 2 / math.Pow(math.Pi, 4) * beta(1./2, 17./6)
	acrossLimit = 2 / math.Pow(math.Pi, 4) * beta(3./2, 11./6)
)

func beta(a, b float64) float64 { return math.Gamma(a) * math.Gamma(b) / math.Gamma(a+b) }

// PSD returns the one-sided power per hertz, in square arcseconds, of the
// instantaneous motion at the frequency in hertz; multiply by sinc^2(f T) for
// that of averages over exposures T. NaN for a negative frequency; infinite at
// 0 when the outer scale is infinite (f^(-2/3)).
//
// Within 0.2 % of the integral for D/L0 up to 0.1 (1 % to 0.3) and f up to
// 8 V/D; beyond, where 1e-4 of the variance lies, the ripple is averaged.
func (m *Motion) PSD(fHz float64) (arcsec2PerHz float64) {
	x := fHz * m.crossing
	if !(x >= 0) {
		return math.NaN()
	}
	rho := math.Sqrt(x*x + m.q*m.q)
	var g, h, law float64 // scaled G/rho^2, H; what unscales them
	switch {
	case rho < highStart:
		lnRho := math.Log(rho)
		at, frac := cell((lnRho-math.Log(lowStart))/lowStep, lowPoints)
		g, h = cubic(m.g[at:at+4], frac), cubic(m.h[at:at+4], frac)
		law = math.Exp(-2. / 3 * lnRho)
	case rho < highEnd:
		at, frac := cell((rho-highStart)/highStep, highPoints)
		at += lowPoints
		g, h = cubic(m.g[at:at+4], frac), cubic(m.h[at:at+4], frac)
		law = math.Exp(-11. / 3 * math.Log(rho))
	default:
		g, h = alongLimit, acrossLimit
		law = math.Pow(rho, -11./3)
	}
	if rho > 0 {
		g *= x / rho * x / rho
	} else {
		g = m.g[0]
	}
	switch m.params.Axis {
	case Along:
		return m.scale * law * g
	case Across:
		return m.scale * law * h
	}
	return m.scale * law * (g + h) / 2
}

// cell returns the first of the four of n grid points that surround the
// position best, and the position counted from it; positions below the grid
// give its first point.
func cell(position float64, n int) (at int, frac float64) {
	if position <= 0 {
		return 0, 0
	}
	at = min(max(int(position)-1, 0), n-4)
	return at, position - float64(at)
}

// cubic returns the cubic through four values at 0, 1, 2, 3, at position t.
func cubic(v []float64, t float64) float64 {
	a, b, c, d := t, t-1, t-2, t-3
	return -b*c*d*v[0]/6 + a*c*d*v[1]/2 - a*b*d*v[2]/2 + a*b*c*v[3]/6
}

// Variance returns the variance of the instantaneous motion, in square
// arcseconds: the integral of PSD.
func (m *Motion) Variance() (arcsec2 float64) {
	rms := float64(ImageMotion(m.params.Aperture, m.params.Air))
	return rms * rms
}

// AveragedVariance returns the variance, in square arcseconds, of mean
// positions over exposures of the given length.
func (m *Motion) AveragedVariance(exposure unit.Second) (arcsec2 float64) {
	p := m.params
	rms := float64(AveragedMotion(p.Aperture, p.Air, p.Wind, exposure, p.Axis))
	return rms * rms
}

// LagCorrelation returns the correlation of mean positions over exposures
// whose starts are lag apart. Within 0.005. NaN unless both are positive.
func (m *Motion) LagCorrelation(exposure, lag unit.Second) float64 {
	if !(exposure > 0) || !(lag > 0) {
		return math.NaN()
	}
	filtered := func(f float64) float64 {
		s := sinc(f * float64(exposure))
		return m.PSD(f) * s * s
	}
	long := math.Max(float64(exposure), float64(lag))
	first := 0.1 / long
	if m.q > 0 {
		first = math.Min(first, m.q/2/m.crossing)
	}
	widest, end := 0.5/long, 20/float64(exposure)
	shared := overScales(func(f float64) float64 {
		return filtered(f) * math.Cos(2*math.Pi*f*float64(lag))
	}, first, widest, end)
	return shared / overScales(filtered, first, widest, end)
}
