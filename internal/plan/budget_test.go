package plan

import (
	"math"
	"testing"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/testkit"
)

// TestBudget follows a whole budget from end to end: a 50 mm f/3.2 guide
// telescope of 3.75 um, a cycle of 1 s and 0.5 s with a gain of 0.5, behind a
// 714 mm telescope of 3.76 um in air of 2.5 arcsec, a periodic error of 10
// arcsec amplitude, 3 arcmin of polar error, 1 arcsec/h of flexure, subs of ten
// minutes. The reference figures were computed with numpy by the usual recipe,
// which adds independent rms values; where the recipe is wrong the ledger
// departs from it, by amounts that are checked here too.
func TestBudget(t *testing.T) {
	r := set(t, rig.Default(), "imaging.aperture", "102 mm", "imaging.focal", "714 mm", "imaging.camera.pixel", "3.76 um",
		"guide.aperture", "50 mm", "guide.focal", "160 mm", "guide.camera.pixel", "3.75 um",
		"site.seeing", "2.5 arcsec", "site.outer_scale", "inf", "site.wind_aloft", "10 m/s", "site.wind", "0 m/s",
		"mount.drive", "worm", "mount.teeth", "180", "mount.periodic_error", "20 arcsec", "mount.second_harmonic", "0", "mount.gear_line", "0 arcsec",
		"mount.rate_error", "0 ppm", "polar.error", "3 arcmin", "flexure.drift", "1 arcsec/h",
		"loop.interval", "1 s", "loop.readout", "0.5 s", "loop.gain_ra", "0.5", "loop.gain_dec", "0.5", "loop.dead_band", "0 arcsec")
	s := sceneOf(t, r)
	// The recipe stands at declination 0 and at the zenith.
	p := *s.place
	p.at.Dec, p.airmass = 0, 1
	p.king.EastArcsecPerMin, p.king.NorthArcsecPerMin = 0, 0
	s = s.at(&p)
	o := s.evaluate(600, steady)
	rms := func(term ledger.Term) (east, north float64) {
		row, _ := o.centre.Row(term)
		e, n := row.RMS()
		return float64(e), float64(n)
	}

	const recipe = "computed with numpy: the recipe's term"
	e, _ := rms(ledger.Tracking)
	// The recipe takes the error at mid exposure, 0.278, and just before the
	// correction, 0.371; the mean over the cycle lies between.
	if e < 0.278441*0.97 || e > 0.371254 {
		t.Errorf("periodic error left: %.4f arcsec rms; want 0.278 to 0.371 (%s)", e, recipe)
	}
	flexE, flexN := rms(ledger.Flexure)
	testkit.NearRel(t, math.Hypot(flexE, flexN), 1.0/6/math.Sqrt(12), 1e-6, "closed form: 1 arcsec/h for ten minutes, length/sqrt 12")
	pixE, _ := rms(ledger.Pixels)
	testkit.NearRel(t, pixE, 1.0862124/math.Sqrt(12), 1e-5, "computed with numpy: 1.08621 arcsec/px, side/sqrt 12")
	airE, _ := rms(ledger.Seeing)
	testkit.NearRel(t, airE*fwhmPerSigma, 2.5*math.Pow(0.55/0.5, -0.2), 1e-6, "Fried 1966: width goes as wavelength^(-1/5)")

	// Declination drift of 3 arcmin is 0.0131258 arcsec/s where it shows fully; in
	// a direction that is not known it is that over sqrt 2.
	d := s.driftRate(steady)
	testkit.NearRel(t, math.Abs(d.NorthArcsecPerMin)/60*math.Sqrt2, 0.0131258, 1e-4, recipe)
	// The recipe smears the star by its lag, 0.0394 arcsec; a steady lag moves it
	// and smears nothing. What smears is the run between corrections, v Tc/sqrt 12.
	_, n := rms(ledger.Tracking)
	testkit.NearRel(t, n, math.Abs(d.NorthArcsecPerMin)/60*float64(s.hold.cycle)/math.Sqrt(12), 1e-6, "closed form: sawtooth between corrections")
	if c := float64(s.hold.cycle); c < 1.5 || c > 1.6 {
		t.Errorf("a cycle lasts %.3f s, want exposure and readout, 1.5 s, and a correction of some hundredths", c)
	}

	// Injected: the recipe takes 0.477 arcsec of air per exposure as white, which
	// is wrong for an infinite outer scale: such motion is correlated from one
	// exposure to the next, and the loop follows it. Of the centroid's 0.246
	// arcsec it takes a third of the variance, as the recipe has it.
	injE, injN := rms(ledger.CorrectionNoise)
	testkit.NearRel(t, injE, injN, 1e-9, "the same gain on both axes")
	white := 0.309932
	if injE < white || injE > 1.5*white {
		t.Errorf("injected %.3f arcsec rms; the white rule has %.3f, the true spectrum between that and half as much again", injE, white)
	}
	// With an outer scale of 20 m the motion in one exposure is smaller and nearly
	// white, and the rule holds.
	calm := sceneOf(t, set(t, r, "site.outer_scale", "20 m")).at(&p).evaluate(600, steady)
	row, _ := calm.centre.Row(ledger.CorrectionNoise)
	small, _ := row.RMS()
	if float64(small) > 0.8*injE {
		t.Errorf("an outer scale of 20 m injects %.3f arcsec, an infinite one %.3f", small, injE)
	}

	// The whole star: the recipe's 2.7495 by 2.6044 arcsec, ellipticity 0.0528, in
	// quadrature and without diffraction, optics, focus and pixel. The ledger's
	// rows in quadrature differ from it by the injected share, and by the periodic
	// error that the recipe takes just before the correction, 0.371, for all of
	// the time.
	sum := o.centre.Without(ledger.Diffraction, ledger.Optics, ledger.Focus, ledger.Pixels).Total()
	air := (2.5*2.5 - 2.5*2.5*math.Pow(1.1, -0.4)) / (fwhmPerSigma * fwhmPerSigma) // the recipe has the air at 500 nm
	extra := injE*injE - white*white
	last := 0.371254*0.371254 - e*e
	major := fwhmPerSigma * math.Sqrt(sum.EastArcsec2+air-extra+last)
	minor := fwhmPerSigma * math.Sqrt(sum.NorthArcsec2+air-extra)
	testkit.NearRel(t, major, 2.74951, 0.01, recipe+": 2.7495 arcsec")
	testkit.NearRel(t, minor, 2.60435, 0.01, recipe+": 2.6044 arcsec")
	testkit.Near(t, 1-minor/major, 0.0527922, 0.01, recipe+": ellipticity 0.0528")
}

// TestScaleRatios: the guide camera's pixel covers so many of the imaging
// camera's.
func TestScaleRatios(t *testing.T) {
	for _, tt := range []struct {
		file  string
		ratio float64
	}{{"larkspur.toml", 4.45063}, {"fourteen.toml", 22.1659}} {
		s := sceneOf(t, example(t, tt.file))
		testkit.NearRel(t, float64(s.hold.view.scale/s.imageScale()), tt.ratio, 1e-5, "computed with numpy: 3.75 um at 160 mm over 3.76 um")
	}
}
