package psf

import (
	"math"
	"testing"

	turb "holdfast/internal/air"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestShortAir: short exposures laid out along the motion of their centres
// make the long exposure, whatever the aperture, the seeing and the outer
// scale; and Fried's own coefficient is as near as the doc comment says.
func TestShortAir(t *testing.T) {
	const lambda = 0.55
	worst := 0.0
	for _, outer := range []unit.Metre{unit.Metre(math.Inf(1)), 10, 20, 50} {
		for _, d := range []unit.MM{50, 80, 130, 200, 400} {
			for _, w := range []unit.Arcsec{1, 1.5, 2, 3, 4, 5} {
				turbulence := turb.FromFWHM(w, lambda, outer)
				motion := turb.ImageMotion(d.Metre(), turbulence)
				airy, box, jitter := Airy(lambda, d, 0.2), Box(0.8, 0), Gaussian(Round(motion))
				long := Star(Air(w), airy, box)
				still := Star(ShortAir(w, motion, lambda, d), airy, box)
				together := Star(ShortAir(w, motion, lambda, d), airy, box, jitter)
				const src = "Fried 1966: a long exposure is the short one convolved with the motion of its centre"
				testkit.NearRel(t, together.FWHM(), long.FWHM(), 2e-3, src)
				testkit.NearRel(t, Peak(ShortAir(w, motion, lambda, d), airy, box, jitter), Peak(Air(w), airy, box), 3e-3, src)
				if !(still.FWHM() < long.FWHM()) {
					t.Errorf("D %v, seeing %v, outer scale %v: the short exposure is %v wide, the long one %v", d, w, outer, still.FWHM(), long.FWHM())
				}
				if diffraction := Star(airy, box); !(still.FWHM() > 0.98*diffraction.FWHM()) {
					t.Errorf("D %v, seeing %v: the short exposure is %v wide, diffraction alone %v", d, w, still.FWHM(), diffraction.FWHM())
				}
				if math.IsInf(float64(outer), 1) {
					// Fried's form: all of 0.1743 lambda^2 r0^(-5/3) D^(-1/3).
					fried := motion * unit.Arcsec(math.Sqrt(0.1743/turb.GTilt))
					star := Star(ShortAir(w, fried, lambda, d), airy, box, jitter)
					worst = max(worst, math.Abs(float64(star.FWHM()/long.FWHM()-1)))
				}
			}
		}
	}
	if worst > 0.01 || worst < 0.005 {
		t.Errorf("with Fried's coefficient the star is off by up to %.2f %%, want 0.5 to 1", 100*worst)
	}
}

// TestShortAirForm: the transfer function is the one Fried prints.
func TestShortAirForm(t *testing.T) {
	const (
		d, lambda = 0.2, 0.5e-6 // m
		r0        = 0.05
		perArcsec = 1 / 206264.80624709636
	)
	motion2 := 3.44 / (2 * math.Pi * math.Pi) * lambda * lambda * math.Pow(r0, -5./3) * math.Pow(d, -1./3) // rad^2
	fwhm := math.Pow(3.44/airDecay, 3./5) * lambda / r0
	k := ShortAir(unit.Arcsec(fwhm/perArcsec), unit.Arcsec(math.Sqrt(motion2)/perArcsec), 0.5, 200)
	for _, x := range []float64{0.05, 0.2, 0.5, 0.8, 0.99} { // lambda f/D
		f := x * d / lambda // cycles per radian
		want := math.Exp(-3.44 * math.Pow(lambda*f/r0, 5./3) * (1 - math.Cbrt(x)))
		testkit.NearRel(t, k.OTF(f*perArcsec, 0), want, 1e-9, "Fried 1966, near-field short exposure")
	}
	testkit.Near(t, k.OTF(0, 1.01*d/lambda*perArcsec), 0, 0, "nothing passes beyond the aperture's cut-off")
	if (ShortAir(2, 0, 0.55, 100) != Air(2)) || (ShortAir(0, 0, 0.55, 100) != Kernel{}) {
		t.Error("without motion the short exposure is not the long one")
	}
	for _, bad := range []Kernel{ShortAir(2, 3, 0.55, 100), ShortAir(2, 0.5, 0, 100), ShortAir(2, 0.5, 0.55, -1), ShortAir(-1, 0.5, 0.55, 100), ShortAir(2, -0.1, 0.55, 100)} {
		if p := Star(bad, Airy(0.55, 100, 0)); !math.IsNaN(float64(p.Major)) {
			t.Errorf("%+v makes a star of %v", bad, p.Major)
		}
	}
}
