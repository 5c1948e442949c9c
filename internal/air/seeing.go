package air

import (
	"math"

	"holdfast/internal/unit"
)

// Reference is the wavelength at which Fried lengths are given.
const Reference unit.Micron = 0.5

// kolmogorovFWHM is the full width at half maximum of a long exposure in units
// of lambda/r0: the Hankel transform of exp(-3.44 (lambda f/r0)^(5/3)),
// computed with scipy as 0.975865. Fried (1966, J. Opt. Soc. Am. 56, 1372)
// and later texts print 0.98 or 0.976.
const kolmogorovFWHM = 0.9759

// Turbulence is the air along one line of sight.
type Turbulence struct {
	Fried unit.Metre // Fried length at Reference along the line of sight
	Outer unit.Metre // outer scale; +Inf for Kolmogorov turbulence
}

// FromFWHM returns the turbulence that delivers a long exposure of the given
// full width at half maximum at the given wavelength, when its outer scale is
// outer. It undoes FWHM to rounding. The Fried length is NaN if an argument is
// not positive or if no Fried length within the range of FWHM, up to a twentieth
// of the outer scale, delivers that width.
//
// Source: inverse of Tokovinin (2002, Publ. Astron. Soc. Pacific 114, 1156),
// eq. 19, solved for the Fried length by bisection.
func FromFWHM(delivered unit.Arcsec, lambda unit.Micron, outer unit.Metre) Turbulence {
	bad := Turbulence{unit.Metre(math.NaN()), outer}
	if !(delivered > 0) || !(lambda > 0) || !(outer > 0) {
		return bad
	}
	// A finite outer scale narrows the image, so the Fried length is shorter
	// than a Kolmogorov reading of the width would say.
	hi := float64(friedFromKolmogorov(delivered, lambda))
	if math.IsInf(float64(outer), 1) {
		return Turbulence{unit.Metre(hi), outer}
	}
	width := func(r float64) float64 {
		return float64(Turbulence{unit.Metre(r), outer}.FWHM(lambda))
	}
	lo := hi / 1000
	if !(width(lo) > float64(delivered)) {
		return bad
	}
	for range 200 {
		mid := math.Sqrt(lo * hi)
		if width(mid) > float64(delivered) {
			lo = mid
		} else { // also where FWHM is NaN: the Fried length is too long
			hi = mid
		}
	}
	if got := width(lo); !(math.Abs(got/float64(delivered)-1) < 1e-9) {
		return bad
	}
	return Turbulence{unit.Metre(lo), outer}
}

// friedFromKolmogorov returns the Fried length at Reference.
func friedFromKolmogorov(fwhm unit.Arcsec, lambda unit.Micron) unit.Metre {
	atLambda := kolmogorovFWHM * float64(lambda) * 1e-6 / float64(fwhm.Rad())
	return unit.Metre(atLambda * math.Pow(float64(Reference/lambda), 1.2))
}

// At returns the turbulence seen at the given airmass when t is that seen at
// airmass 1: the Fried length falls as airmass^(-3/5), the outer scale stays.
// NaN for an airmass below 1.
//
// Source: Fried (1966); Roddier (1981, Progress in Optics 19, 281).
func (t Turbulence) At(airmass float64) Turbulence {
	if !(airmass >= 1) {
		return Turbulence{unit.Metre(math.NaN()), t.Outer}
	}
	return Turbulence{t.Fried * unit.Metre(math.Pow(airmass, -0.6)), t.Outer}
}

// fried returns the Fried length in metres at the wavelength.
func (t Turbulence) fried(lambda unit.Micron) float64 {
	if !(t.Fried > 0) || !(lambda > 0) {
		return math.NaN()
	}
	return float64(t.Fried) * math.Pow(float64(lambda/Reference), 1.2)
}

// KolmogorovFWHM returns the full width at half maximum of a long exposure if
// the outer scale were infinite, the "seeing" of site surveys: 0.976 lambda/r0.
// It goes as lambda^(-1/5). NaN if a length is not positive.
//
// Source: Fried (1966); the constant computed.
func (t Turbulence) KolmogorovFWHM(lambda unit.Micron) unit.Arcsec {
	return unit.Rad(kolmogorovFWHM * float64(lambda) * 1e-6 / t.fried(lambda)).Arcsec()
}

// FWHM returns the full width at half maximum that a large telescope delivers
// in a long exposure: the Kolmogorov width times
// sqrt(1 - 2.183 (r0/L0)^0.356). Within 1 % of the transform of the von Karman
// structure function for L0/r0 of 100 and more. NaN if a length is not
// positive or L0/r0 is below 20, where the formula fails.
//
// Source: Tokovinin (2002), eq. 19; Martinez et al. (2010, Astron. Astrophys.
// 516, A90) confirm it.
func (t Turbulence) FWHM(lambda unit.Micron) unit.Arcsec {
	r := t.fried(lambda) / float64(t.Outer)
	if !(r <= 1.0/20) {
		return unit.Arcsec(math.NaN())
	}
	return t.KolmogorovFWHM(lambda) * unit.Arcsec(math.Sqrt(1-2.183*math.Pow(r, 0.356)))
}
