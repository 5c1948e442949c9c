package optics

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// natural is an aperture whose lambda/D is one arcsecond.
func natural(obstruction float64) Airy {
	return Airy{Aperture: unit.MM(unit.ArcsecPerRad / 1000), Obstruction: obstruction, Wavelength: 1}
}

func TestAiryClear(t *testing.T) {
	a := natural(0)
	testkit.Near(t, a.FirstZero(), 1.21967, 5e-6, "Airy 1835: 1.220; first zero of J1 over pi, computed with scipy")
	testkit.Near(t, a.FWHM(), 1.02899, 1e-5, "published 1.029; computed with scipy: half maximum of (2 J1(v)/v)^2")
	testkit.Near(t, a.EncircledEnergy(a.FirstZero()), 0.838, 3e-4, "Born & Wolf, Principles of Optics: 83.8 % inside the first dark ring")
	testkit.Near(t, a.EncircledEnergy(a.FirstZero()), 0.837785, 1e-6, "computed with scipy: 1 - J0^2 at the zero of J1")
	testkit.Near(t, a.HalfFluxDiameter(), 1.06966, 1e-5, "computed with scipy")
	testkit.Near(t, a.GaussianSigma(), 0.425353, 2e-5, "computed with scipy: least squares on the profile inside the first zero")
	testkit.Near(t, a.GaussianSigmaArea(), 0.420603, 2e-5, "computed with scipy: least squares weighted by area")
	testkit.Near(t, a.FWHM()/fwhmPerSigma, 0.436974, 1e-6, "computed with scipy: FWHM over 2.3548")
	testkit.Near(t, a.Intensity(0), 1, 0, "definition")
	testkit.Near(t, a.Intensity(a.FWHM()/2), 0.5, 1e-10, "definition of half maximum")
}

func TestAiryObstructed(t *testing.T) {
	for _, tt := range []struct{ e, zero, fwhm, energy float64 }{
		{0, 1.21967, 1.02899, 0.837785},
		{0.2, 1.16651, 1.00675, 0.763763},
		{0.35, 1.08631, 0.965579, 0.634825},
		{0.5, 1.00091, 0.911669, 0.478622},
	} {
		a := natural(tt.e)
		src := "computed with scipy.special.j1: annular aperture"
		testkit.NearRel(t, float64(a.FirstZero()), tt.zero, 1e-5, src)
		testkit.NearRel(t, float64(a.FWHM()), tt.fwhm, 1e-5, src)
		testkit.NearRel(t, a.EncircledEnergy(a.FirstZero()), tt.energy, 1e-5, src)
		testkit.Near(t, a.EncircledEnergy(a.HalfFluxDiameter()/2), 0.5, 1e-7, "definition")
		// All the light is there in the end: the rings of a hard edge fall as 1/v.
		if tt.e > 0 {
			testkit.Near(t, a.EncircledEnergy(60), 1, 0.02/(1-tt.e*tt.e), "energy is conserved")
		}
	}
	// The numerical integral and the closed form agree as the obstruction vanishes.
	testkit.Near(t, natural(1e-4).EncircledEnergy(2.5), natural(0).EncircledEnergy(2.5), 1e-6, "Rayleigh 1881, closed form")
}

func TestAiryApertures(t *testing.T) {
	for _, tt := range []struct {
		d          unit.MM
		zero, fwhm unit.Arcsec
	}{{50, 2.76732, 2.33469}, {60, 2.3061, 1.94557}, {250, 0.553465, 0.466938}} {
		a := Airy{Aperture: tt.d, Wavelength: 0.55}
		testkit.NearRel(t, a.FirstZero(), tt.zero, 1e-5, "computed with scipy: 1.21967 lambda/D")
		testkit.NearRel(t, a.FWHM(), tt.fwhm, 1e-5, "computed with scipy: 1.02899 lambda/D")
		testkit.NearRel(t, a.FocalFWHM(3.2), 1.81102, 1e-5, "computed with scipy: 1.02899 lambda N")
	}
}

// The transform of the pupil, added up ring by ring, must give the same image.
func TestAiryAgainstPupilIntegral(t *testing.T) {
	for _, e := range []float64{0, 0.33} {
		a := natural(e)
		for _, theta := range []float64{0.2, 0.7, 1.3, 2.9} {
			v := math.Pi * theta
			sum := simpson(e, 1, 2000, func(r float64) float64 { return 2 * r * math.J0(v*r) }) / (1 - e*e)
			testkit.Near(t, a.Intensity(unit.Arcsec(theta)), sum*sum, 1e-10, "Hankel transform of the pupil")
		}
	}
}

func TestAiryDomain(t *testing.T) {
	for _, a := range []Airy{{}, {Aperture: 50}, {Aperture: 50, Wavelength: 0.5, Obstruction: 1}, {Aperture: 50, Wavelength: 0.5, Obstruction: -0.1}} {
		for _, got := range []unit.Arcsec{a.FirstZero(), a.FWHM(), a.HalfFluxDiameter(), a.GaussianSigma(), unit.Arcsec(a.Intensity(1)), unit.Arcsec(a.EncircledEnergy(1))} {
			if !math.IsNaN(float64(got)) {
				t.Errorf("%+v: got %v, want NaN", a, got)
			}
		}
	}
}

func BenchmarkAiryFWHM_obstructed(b *testing.B) {
	a := Airy{Aperture: 200, Obstruction: 0.35, Wavelength: 0.55}
	for b.Loop() {
		a.FWHM()
	}
}

func BenchmarkAiryGaussianSigma_obstructed(b *testing.B) {
	a := Airy{Aperture: 200, Obstruction: 0.35, Wavelength: 0.55}
	for b.Loop() {
		a.GaussianSigma()
	}
}
