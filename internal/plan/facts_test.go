package plan

import (
	"context"
	"math"
	"strings"
	"testing"

	"holdfast/internal/ledger"
	"holdfast/internal/loop"
	"holdfast/internal/rig"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

const trade = "common practice, no source"

// TestKitServesFocalLengths: the small guide telescope serves at 714 mm and near
// 2000 mm alike, because what it lets through is an angle on the sky, which does
// not grow with the imaging focal length (common practice, no source).
func TestKitServesFocalLengths(t *testing.T) {
	base := set(t, example(t, "larkspur.toml"), "imaging.kind", "fixed-mirror", "imaging.aperture", "203 mm", "imaging.tube", "carbon",
		"imaging.tube_length", "500 mm", "imaging.mirror_shift", "0 arcsec/h", "flexure.compliance", "20 arcsec/g", "sub.length", "180 s")
	short, long := set(t, base, "imaging.focal", "714 mm"), set(t, base, "imaging.focal", "2000 mm")
	a, b := sceneOf(t, short).evaluate(180, steady), sceneOf(t, long).evaluate(180, steady)
	for _, term := range []ledger.Term{ledger.Tracking, ledger.CorrectionNoise, ledger.Wind, ledger.Backlash, ledger.Flexure} {
		testkit.NearRel(t, size(b.centre, term), size(a.centre, term), 1e-9, trade+": "+string(term)+" is an angle, whatever the imaging focal length")
	}
	for _, o := range []outcome{a, b} {
		if v := o.verdict(); v != ledger.Round {
			t.Errorf("the star is %v (ellipticity %.3f, FWHM %.2f against %.2f unavoidable), want round: %s", v, o.pair.Centre.Ellipticity(), o.pair.Centre.FWHM(), o.unavoidable, trade)
		}
	}
}

// TestFourteenWantsPickOff: a fourteen-inch with a moving mirror is advised a
// pick-off, and for the physical reason: the mirror's shift and the flexure are
// what draws its star, they scale with its kind, and a telescope beside it
// cannot see them (common practice, no source).
func TestFourteenWantsPickOff(t *testing.T) {
	plan := func(name string) *Result {
		res, err := Make(context.Background(), Request{Rig: example(t, name), Target: target(t, "M 30"), Evening: evening, Workers: 2, Samples: 32})
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	beside, through := plan("fourteen.toml"), plan("fourteen-pickoff.toml")
	if beside.Verdict != ledger.Drawn || beside.WeakLink == nil || *beside.WeakLink != ledger.MirrorShift && *beside.WeakLink != ledger.Flexure {
		t.Errorf("beside: verdict %v, weak link %v; want drawn by mirror shift or flexure", beside.Verdict, beside.WeakLink)
	}
	// The pick-off must be among the first two things to do, and bring the star
	// inside its goal.
	rank := -1
	for i, g := range beside.Gains {
		if strings.Contains(g.Change, "pick-off") {
			rank = i
			if g.Ellipticity > beside.GoalEllipticity {
				t.Errorf("the pick-off leaves an ellipticity of %.3f", g.Ellipticity)
			}
		}
	}
	if rank < 0 || rank > 1 {
		t.Errorf("the pick-off stands at place %d of the gains: %+v", rank, beside.Gains)
	}
	if through.Verdict != ledger.Round {
		t.Errorf("through the pick-off: %v (%s), want round", through.Verdict, through.Reason)
	}
	for _, row := range through.Ledger {
		if row.Term == ledger.MirrorShift && row.East+row.North != 0 {
			t.Errorf("a pick-off leaves a mirror shift of %v, %v arcsec", row.East, row.North)
		}
	}
	// It is the kind of telescope: the same aperture and focal length with a
	// fixed mirror does not ask for a pick-off.
	fixed := set(t, example(t, "fourteen.toml"), "imaging.kind", "fixed-mirror", "imaging.mirror_shift", "0 arcsec/h")
	small := sceneOf(t, set(t, fixed, "imaging.mirror_shift", "0 arcsec/h")).evaluate(600, steady)
	if e := small.pair.Centre.Ellipticity(); e > 0.10 {
		t.Errorf("a fixed mirror of the same size: ellipticity %.3f", e)
	}
}

// TestMissingSpacer: without the 17 mm spacer about fifteen turns cannot reach
// focus; with it they do (common practice, no source).
func TestMissingSpacer(t *testing.T) {
	r := example(t, "larkspur.toml")
	with, err := MakePath(r)
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, with.TravelTurn, 15, 1e-9, trade+": about 15 turns end to end")
	if !with.Reaches || len(with.Stacks) == 0 || len(with.Stacks[0].Spacers) != 1 || with.Stacks[0].Spacers[0] != 17 {
		t.Errorf("with the spacers on hand: reaches %v, stacks %+v; want the 17 mm one first", with.Reaches, with.Stacks)
	}
	without, err := MakePath(set(t, r, "guide.spacers", "5 mm"))
	if err != nil {
		t.Fatal(err)
	}
	if without.Reaches {
		t.Errorf("5 mm of spacer and 15 turns reach focus: %+v", without.Stacks)
	}
	if lack := without.NeedMin - 5; lack <= 0 {
		t.Errorf("nothing is missing although focus is not reached: need %v to %v", without.NeedMin, without.NeedMax)
	}
}

// TestHalfASecondShowsAStar: half a second shows a bright star near focus and
// saturates one of first magnitude, while fine focus wants fifth to seventh
// magnitude (common practice, no source).
func TestHalfASecondShowsAStar(t *testing.T) {
	s := sceneOf(t, example(t, "larkspur.toml"))
	v := s.hold.view
	if !v.saturates(1, 0.5) {
		t.Errorf("a first-magnitude star fills only %.2f of a pixel in half a second", v.fill(1, 0.5))
	}
	fine := false
	for m := unit.Mag(5); m <= 7; m += 0.5 {
		if !v.saturates(m, 0.5) && v.spot(m, 0.5).SNR() > 50 {
			fine = true
		}
	}
	if !fine {
		t.Error("no star of magnitude 5 to 7 is both unsaturated and strong in half a second")
	}
	// A millimetre from focus, 1.3 turns, the bright star still stands out.
	far := set(t, s.rig, "guide.defocus", "1000 um")
	blurred := viewOf(far, s.place)
	if snr := blurred.spot(1, 0.5).SNR(); snr < 50 {
		t.Errorf("a millimetre from focus a first-magnitude star has an SNR of %.0f", snr)
	}
}

// TestShortExposuresChaseTheAir: exposures well below a second inject more of
// the air than exposures of a few seconds; beyond four seconds a poor worm runs
// away (common practice, no source).
func TestShortExposuresChaseTheAir(t *testing.T) {
	r := set(t, example(t, "larkspur.toml"), "mount.periodic_error", "40 arcsec", "loop.gain_ra", "0.5", "loop.gain_dec", "0.5")
	of := func(interval string) loop.Smear {
		s := sceneOf(t, set(t, r, "loop.interval", interval))
		ra, _ := s.loads(turbulence(s.rig).At(s.place.airmass), steady, nil)
		return s.linear(0.5).Outcome(ra, 0, 300).Smear
	}
	quick, usual, slow := of("0.3 s"), of("2 s"), of("8 s")
	if quick.AirArcsec2 < 2*usual.AirArcsec2 {
		t.Errorf("air injected: %.4f arcsec^2 at 0.3 s, %.4f at 2 s; want at least twice: %s", quick.AirArcsec2, usual.AirArcsec2, trade)
	}
	if slow.TrackingArcsec2 < 2*usual.TrackingArcsec2 {
		t.Errorf("worm left: %.4f arcsec^2 at 8 s, %.4f at 2 s; want at least twice: %s", slow.TrackingArcsec2, usual.TrackingArcsec2, trade)
	}
}

// TestPolarErrorOfGuidedSubs: a few arcminutes are good enough for corrected
// exposures below a metre of focal length; below one arcminute brings nothing
// more (common practice, no source).
func TestPolarErrorOfGuidedSubs(t *testing.T) {
	r := example(t, "larkspur.toml")
	star := func(e string) ledger.Pair { return sceneOf(t, set(t, r, "polar.error", e)).evaluate(300, steady).pair }
	five, one, none := star("5 arcmin"), star("1 arcmin"), star("0.2 arcmin")
	for _, p := range []ledger.Pair{five, one} {
		if d := p.Corner.Ellipticity() - none.Corner.Ellipticity(); math.Abs(d) > 0.01 {
			t.Errorf("polar error changes the corner's ellipticity by %.3f: %s", d, trade)
		}
		// A little error even helps: it keeps the declination gears on one flank.
		if none.Centre.FWHM() < 0.998*p.Centre.FWHM() {
			t.Errorf("the last arcminutes narrow the star from %.3f to %.3f arcsec: %s", p.Centre.FWHM(), none.Centre.FWHM(), trade)
		}
	}
}

// TestUnguidedWorm: a common worm mount keeps stars round for some 5 to 30 s at
// 500 to 700 mm (common practice, no source).
func TestUnguidedWorm(t *testing.T) {
	s := sceneOf(t, example(t, "larkspur.toml")).unguided()
	if got := s.longestRound(); got < 5 || got > 30 {
		t.Errorf("unguided the stars stay round for %v s: %s", got, trade)
	}
}

// TestGuideRMSBelowAThird: a total error of correction below a third of the
// air's width looks round (common practice, no source), because widths add in
// squares.
func TestGuideRMSBelowAThird(t *testing.T) {
	o := sceneOf(t, example(t, "larkspur.toml")).evaluate(300, steady)
	air, _ := o.centre.Row(ledger.Seeing)
	fwhm := math.Sqrt(air.Cov.EastArcsec2) * fwhmPerSigma
	total := math.Hypot(float64(o.rmsRA), float64(o.rmsDec))
	if total > fwhm/3 || o.verdict() != ledger.Round {
		t.Errorf("total %.2f arcsec of %.2f air: %v; want round below a third", total, fwhm, o.verdict())
	}
}

// TestTrackerDrift: on a tracker that corrects right ascension only, ten
// arcminutes of polar error draw 5.2 arcsec of declination in two minutes.
func TestTrackerDrift(t *testing.T) {
	r := set(t, example(t, "tracker.toml"), "polar.altitude", "0 arcmin", "polar.azimuth", "0 arcmin", "mount.rate_error", "0 ppm")
	s := sceneOf(t, r)
	off := s.driftRate(steady)
	// The error that shows fully in declination at this hour angle.
	l := steady
	r = set(t, example(t, "tracker.toml"), "polar.error", "10 arcmin", "mount.rate_error", "0 ppm")
	s = sceneOf(t, r)
	l.polar = float64(s.place.at.HourAngle.Rad()) - math.Pi/2
	on := s.driftRate(l)
	testkit.NearRel(t, math.Abs(on.NorthArcsecPerMin-off.NorthArcsecPerMin)*2, 5.25, 0.01, "closed form: 10 arcmin x 7.29e-5 rad/s x 120 s")
}

// TestAltAzimuthCorner: at latitude 40, due south at an altitude of 45 degrees,
// the field turns by 16 arcsec a second, so the corner of six megapixels at
// 714 mm is drawn within about 13 s.
func TestAltAzimuthCorner(t *testing.T) {
	r := set(t, example(t, "larkspur.toml"), "mount.kind", "alt-azimuth", "site.latitude", "40 deg N", "imaging.camera.width", "3000 px", "imaging.camera.height", "2000 px",
		"imaging.spot_corner", "3 um", "guide.kind", "none", "mount.periodic_error", "0 arcsec", "mount.gear_line", "0 arcsec")
	s := sceneOf(t, r)
	p := *s.place
	p.lat, p.at.HourAngle, p.at.Dec, p.at.Alt = 40, 0, -5, 45
	rate := math.Abs(float64(p.turned(1)))
	testkit.NearRel(t, rate, 16, 0.03, "closed form: 206265 x 7.292e-5 cos 40 / cos 45 = 16.3 arcsec/s")
	longest := s.at(&p).longestRound()
	if longest < 8 || longest > 20 {
		t.Errorf("the corner stays round for %v s, want about 13", longest)
	}
}

// TestPickOffField: a 4.8 x 3.6 mm patch at 3556 mm holds a catalogue star in
// about one field of six, and a usable one (to fourteenth magnitude) in most.
func TestPickOffField(t *testing.T) {
	r := set(t, example(t, "fourteen-pickoff.toml"), "guide.camera.width", "1280 px", "guide.camera.height", "960 px", "guide.camera.pixel", "3.75 um",
		"guide.prism.width", "12 mm", "guide.prism.height", "12 mm")
	held, chance, n := 0, 0.0, 0
	for _, name := range []string{"0h +0d", "2h -40d", "4h +20d", "6h -10d", "8h +40d", "10h 0d", "12h -20d", "14h +30d", "16h -50d", "18h +10d", "20h -30d", "22h +50d",
		"1h +60d", "3h -60d", "5h +5d", "7h -35d", "9h +55d", "11h +15d", "13h -45d", "15h +45d", "17h -5d", "19h +35d", "21h -55d", "23h +25d"} {
		o := target(t, name)
		for dx := range 25 {
			f := fieldOf(r, direction(o.RA+unit.Deg(0.3*float64(dx)), o.Dec))
			n++
			if len(f.candidates) > 0 {
				held++
			}
			chance += f.counts.Chance(14, f.areaDeg2)
		}
	}
	share := float64(held) / float64(n)
	if share < 0.10 || share > 0.30 {
		t.Errorf("%.0f %% of fields hold a catalogue star, want about 18", 100*share)
	}
	if mean := chance / float64(n); mean < 0.6 || mean > 0.98 {
		t.Errorf("a usable star is there in %.0f %% of fields, want about 85", 100*mean)
	}
}

// TestStrainWaveWantsShortExposures: a strain-wave drive asks for shorter
// exposures than a worm.
func TestStrainWaveWantsShortExposures(t *testing.T) {
	s := sceneOf(t, example(t, "strainwave.toml"))
	if s.hold.interval > 1 {
		t.Errorf("the plan chooses %v s for a strain-wave drive", s.hold.interval)
	}
	if s.rig.Mount.Drive != rig.StrainWave || s.rig.Mount.Backlash.V != 0 {
		t.Errorf("the example is a %s with %v arcsec of backlash", s.rig.Mount.Drive, s.rig.Mount.Backlash.V)
	}
}
