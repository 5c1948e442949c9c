package plan

import (
	"context"
	"errors"
	"math"
	"testing"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestFocusLever moves the secondary of a two-mirror telescope away from its
// primary and finds the new focus by the mirror equation.
func TestFocusLever(t *testing.T) {
	im := rig.Default().Imaging
	im.Kind, im.Aperture.V, im.Focal.V = rig.MovingMirror, 356, 3556
	f1, m := 2*356.0, 3556.0/(2*356)
	const d = 560.0 // between the mirrors
	p := f1 - d     // secondary to the primary's focus
	f2 := p * m / (m - 1)
	focus := func(grown float64) float64 { // from the primary, along the light
		p := f1 - d - grown
		image := 1 / (1/p - 1/f2)
		return image - (d + grown)
	}
	const h = 1e-3
	lever := math.Abs(focus(h)-focus(-h)) / (2 * h)
	testkit.NearRel(t, focusLever(&im), lever, 1e-3, "mirror equation, differentiated numerically")
	im.Kind = rig.Refractor
	testkit.Near(t, focusLever(&im), 1, 0, "a lens's focus moves with its tube")
}

// TestTurned compares the equivalent turn with the spread of many instants.
func TestTurned(t *testing.T) {
	for _, tt := range []struct {
		ha  unit.Hour
		dec unit.Deg
		sub unit.Second
	}{{0, 10, 300}, {-5.1, 25, 3600}, {-0.1, 49, 1800}, {3, -30, 600}} {
		p := &place{lat: 50}
		p.at.HourAngle, p.at.Dec = tt.ha, tt.dec
		const n = 4000
		var sum, sq float64
		last := 0.0
		for i := range n {
			ha := tt.ha + unit.Hour(float64(tt.sub)/3600*((float64(i)+0.5)/n-0.5))
			q := float64(sky.Parallactic(50, ha, tt.dec))
			if i > 0 {
				q = last + math.Remainder(q-last, 360)
			}
			last = q
			sum, sq = sum+q, sq+q*q
		}
		dense := math.Sqrt(12*(sq/n-sum*sum/(n*n))) * 3600
		testkit.NearRel(t, math.Abs(float64(p.turned(tt.sub))), dense, 0.04, "spread of 4000 instants")
	}
}

// TestTrailFor: the trail that it returns draws the star just so far.
func TestTrailFor(t *testing.T) {
	s := sceneOf(t, example(t, "larkspur.toml"))
	for _, e := range []float64{0.05, 0.10, 0.30} {
		trail := s.trailFor(e)
		l := append(s.unavoidable(), ledger.Row{Term: ledger.Drift}.Trail(ledger.Move{East: trail}))
		testkit.Near(t, l.Star().Ellipticity(), e, 1e-3, "the definition, along the other axis")
	}
}

// TestLongestRound: just inside its answer the star is round, just outside it
// is not.
func TestLongestRound(t *testing.T) {
	for _, s := range []*scene{sceneOf(t, example(t, "larkspur.toml")), sceneOf(t, example(t, "larkspur.toml")).unguided(), sceneOf(t, example(t, "long.toml"))} {
		l := s.longestRound()
		if l == longestSub {
			continue
		}
		drawn := func(sub unit.Second) bool { return s.evaluate(sub, steady).verdict() == ledger.Drawn }
		if drawn(l) || !drawn(1.02*l) {
			t.Errorf("longest round sub %v s: drawn there %v, 2 %% beyond %v", l, drawn(l), drawn(1.02*l))
		}
	}
}

// TestSettlingGain: after the time allowed, a tenth of a dither is left.
func TestSettlingGain(t *testing.T) {
	r := set(t, rig.Default(), "sub.dither", "5 px", "sub.settle", "10 s")
	g := settlingGain(r, 2)
	left := 1.0
	for range 5 {
		left *= 1 - g
	}
	testkit.Near(t, left, 0.1, 1e-9, "five cycles of two seconds, simulated")
	testkit.Near(t, settlingGain(set(t, r, "sub.dither", "0 px"), 2), leastGain, 0, "no dither, nothing to settle")
}

// TestSpreadCovers: the stated 10 and 90 % points hold about 80 % of other draws.
func TestSpreadCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("draws many rigs")
	}
	s := sceneOf(t, example(t, "larkspur.toml"))
	first := s.spread(300, Request{Seed: 1, Samples: 400}, 2, ledger.Round)
	second := s.spread(300, Request{Seed: 2, Samples: 400}, 2, ledger.Round)
	testkit.NearRel(t, first.p10.FWHM, second.p10.FWHM, 0.03, "other draws")
	testkit.NearRel(t, first.p90.FWHM, second.p90.FWHM, 0.03, "other draws")
	testkit.Near(t, first.share, second.share, 0.08, "other draws")
	if first.p10.FWHM >= first.p90.FWHM || first.p10.Ellipticity >= first.p90.Ellipticity {
		t.Errorf("the points are not in order: %+v, %+v", first.p10, first.p90)
	}
}

// TestFreeAxis: an axis whose gain is zero is not corrected: its drift is free,
// its noise nothing; and a gain beyond stability is refused.
func TestFreeAxis(t *testing.T) {
	r := set(t, example(t, "larkspur.toml"), "loop.gain_dec", "0")
	o := sceneOf(t, r).evaluate(300, steady)
	drift, _ := o.centre.Row(ledger.Drift)
	noise, _ := o.centre.Row(ledger.CorrectionNoise)
	if drift.Cov.NorthArcsec2 == 0 || drift.Cov.EastArcsec2 > 1e-20 || noise.Cov.NorthArcsec2 != 0 || noise.Cov.EastArcsec2 == 0 {
		t.Errorf("declination without gain: drift %+v, noise %+v", drift.Cov, noise.Cov)
	}
	s := sceneOf(t, set(t, r, "loop.gain_ra", "0"))
	bare := s.unguided()
	for _, term := range []ledger.Term{ledger.Tracking, ledger.Wind, ledger.Drift} {
		testkit.NearRel(t, size(s.evaluate(300, steady).centre, term), size(bare.evaluate(300, steady).centre, term), 1e-9, "no gain is no correction")
	}
	q := Request{Rig: set(t, example(t, "larkspur.toml"), "loop.gain_ra", "2"), Target: target(t, "M 27"), Evening: evening}
	if _, err := Make(context.Background(), q); !errors.Is(err, ErrUnstable) {
		t.Errorf("a gain of 2: %v", err)
	}
}
