package plan

import (
	"context"
	"math"
	"os"
	"testing"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/ledger"
	"holdfast/internal/rig"
)

// evening is the date every test plans for.
var evening = time.Date(2026, 8, 14, 12, 0, 0, 0, time.UTC)

// example reads a rig of the examples folder.
func example(t testing.TB, name string) *rig.Rig {
	t.Helper()
	b, err := os.ReadFile("../../examples/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.Parse(name, b)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// target returns a catalogue object.
func target(t testing.TB, name string) catalog.Object {
	t.Helper()
	o, err := catalog.ParseTarget(name)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// set returns the rig with entries changed.
func set(t testing.TB, r *rig.Rig, entries ...string) *rig.Rig {
	t.Helper()
	for i := 0; i < len(entries); i += 2 {
		next, err := r.With(entries[i], entries[i+1])
		if err != nil {
			t.Fatal(err)
		}
		r = next
	}
	return r
}

// sceneOf returns the scene of a rig on M 27 at its highest.
func sceneOf(t testing.TB, r *rig.Rig) *scene {
	t.Helper()
	s, _, _, err := Request{Rig: r, Target: target(t, "M 27"), Evening: evening}.scene()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// size returns the rms of a row over both axes, at the centre or in the corner.
func size(l ledger.Ledger, term ledger.Term) float64 {
	row, _ := l.Row(term)
	return math.Sqrt(ledger.Trace(row.Cov))
}

// TestRowsVanish is the battery over all rows: each row is gone when its cause
// is, or shrinks with it where the cause cannot be nothing (air, aperture,
// pixel), and each answers to the entry that is said to cause it. No other row
// may care, except where named.
func TestRowsVanish(t *testing.T) {
	guided := set(t, rig.Default(), "sub.length", "300 s", "site.wind", "4 m/s", "guide.offset_east", "20 arcmin")
	bare := set(t, guided, "guide.kind", "none")
	moving := set(t, guided, "imaging.kind", "moving-mirror", "imaging.aperture", "203 mm", "imaging.focal", "2032 mm")
	for _, tt := range []struct {
		term   ledger.Term
		rig    *rig.Rig
		less   []string // entries that take the cause away, or down to a twentieth
		gone   bool     // it must be nothing
		corner bool
	}{
		{ledger.Seeing, guided, []string{"site.seeing", "0.4 arcsec"}, false, false},
		{ledger.Diffraction, guided, []string{"imaging.aperture", "1000 mm", "imaging.focal", "7000 mm"}, false, false},
		{ledger.Optics, guided, []string{"imaging.spot", "0 um", "imaging.spot_corner", "0 um"}, true, true},
		{ledger.Pixels, guided, []string{"imaging.camera.pixel", "1 um"}, false, false},
		{ledger.Focus, guided, []string{"imaging.focus_error", "0 um", "site.cooling", "0 K/h"}, true, false},
		{ledger.Tracking, guided, []string{"mount.periodic_error", "0 arcsec", "mount.gear_line", "0 arcsec", "polar.error", "0 arcmin", "mount.rate_error", "0 ppm"}, false, false},
		{ledger.Tracking, bare, []string{"mount.periodic_error", "0 arcsec", "mount.gear_line", "0 arcsec"}, true, false},
		{ledger.CorrectionNoise, guided, []string{"guide.kind", "none"}, true, false},
		{ledger.Wind, guided, []string{"site.wind", "0 m/s"}, true, false},
		{ledger.Wind, bare, []string{"mount.shake", "0 arcsec"}, true, false},
		{ledger.Backlash, guided, []string{"mount.backlash", "0 arcsec"}, true, false},
		{ledger.Flexure, guided, []string{"flexure.compliance", "0 arcsec/g", "flexure.axial", "0 arcsec/g"}, true, false},
		{ledger.Flexure, set(t, guided, "flexure.drift", "6 arcsec/h"), []string{"flexure.drift", "0 arcsec/h"}, true, false},
		{ledger.MirrorShift, moving, []string{"imaging.mirror_shift", "0 arcsec/h"}, true, false},
		{ledger.MirrorShift, moving, []string{"guide.kind", "pickoff"}, true, false},
		{ledger.FieldRotation, guided, []string{"polar.error", "0 arcmin"}, true, true},
		{ledger.FieldRotation, set(t, guided, "mount.kind", "alt-azimuth"), []string{"mount.kind", "equatorial", "polar.error", "0 arcmin"}, true, true},
		{ledger.Drift, bare, []string{"polar.error", "0 arcmin", "mount.rate_error", "0 ppm"}, false, false},
		{ledger.Drift, set(t, bare, "mount.kind", "tracker"), []string{"guide.kind", "piggyback", "polar.error", "0 arcmin"}, false, false},
	} {
		t.Run(string(tt.term), func(t *testing.T) {
			with := sceneOf(t, tt.rig).evaluate(300, steady)
			without := sceneOf(t, set(t, tt.rig, tt.less...)).evaluate(300, steady)
			of := func(o outcome) ledger.Ledger {
				if tt.corner {
					return o.corner
				}
				return o.centre
			}
			had, has := size(of(with), tt.term), size(of(without), tt.term)
			if had < 1e-3 {
				t.Fatalf("the row is %.2g arcsec before its cause is taken away", had)
			}
			if tt.gone && has != 0 {
				t.Errorf("the row is still %.2g arcsec without %v", has, tt.less)
			}
			if has > 0.45*had {
				t.Errorf("the row only falls from %.3g to %.3g arcsec with %v", had, has, tt.less)
			}
			if paths := abouts[tt.term].paths; len(paths) == 0 {
				t.Error("the row names no entries")
			}
		})
	}
}

// TestRefractionVanishes takes the cause of differential refraction away: the
// distance between guide star and target, by looking through a prism at the
// target's own field, and the air's thickness, by standing at the zenith.
func TestRefractionVanishes(t *testing.T) {
	r := set(t, rig.Default(), "guide.offset_east", "50 arcmin", "guide.offset_north", "40 arcmin")
	far := sceneOf(t, r)
	low := far.at(lowest(t, r))
	near := *low
	held := *low.hold
	held.stars.offset.East, held.stars.offset.North = 0, 0
	near.hold = &held
	with, without := size(low.evaluate(300, steady).centre, ledger.Refraction), size(near.evaluate(300, steady).centre, ledger.Refraction)
	if with < 5e-3 || without > 1e-9 {
		t.Errorf("refraction is %.3g arcsec rms with the guide star 1 degree off and %.3g with it on the target", with, without)
	}
	if high := size(far.evaluate(300, steady).centre, ledger.Refraction); high > with/2 {
		t.Errorf("refraction is %.3g arcsec near the meridian and %.3g low down", high, with)
	}
}

// lowest returns the place of the window where M 27 stands lowest.
func lowest(t *testing.T, r *rig.Rig) *place {
	t.Helper()
	n, err := Request{Rig: r, Target: target(t, "M 27"), Evening: evening}.night()
	if err != nil {
		t.Fatal(err)
	}
	low := n.places[0]
	for _, p := range n.places {
		if p.airmass > low.airmass {
			low = p
		}
	}
	return low
}

// TestEveryEntryOfARowMatters changes each entry that a row says it answers to
// and sees the row change.
func TestEveryEntryOfARowMatters(t *testing.T) {
	base := set(t, rig.Default(), "site.wind", "4 m/s", "guide.offset_east", "20 arcmin", "guide.offset_north", "10 arcmin", "sub.length", "300 s",
		"mount.rate_error", "50 ppm", "imaging.kind", "moving-mirror", "imaging.aperture", "203 mm", "imaging.focal", "2032 mm", "flexure.axial", "5 arcsec/g",
		"loop.interval", "2 s", "loop.gain_ra", "0.5", "loop.gain_dec", "0.5", "loop.stars", "4")
	words := map[string]string{"imaging.tube": "carbon", "guide.kind": "pickoff", "mount.kind": "alt-azimuth", "guide.shoe.kind": "rings-on-plate",
		"flexure.drift": "20 arcsec/h", "polar.altitude": "9 arcmin", "polar.azimuth": "9 arcmin"}
	for term, about := range abouts {
		for _, path := range about.paths {
			start := base
			if term == ledger.Drift {
				start = set(t, base, "guide.kind", "none")
			}
			var next *rig.Rig
			switch word, isWord := words[path]; {
			case path == "guide.kind" && term == ledger.Drift:
				next = set(t, start, path, "piggyback")
			case path == "polar.altitude":
				next = set(t, start, path, word, "polar.azimuth", "0 arcmin")
			case path == "polar.azimuth":
				next = set(t, start, path, word, "polar.altitude", "0 arcmin")
			case isWord:
				next = set(t, start, path, word)
			case path == "site.horizon":
				continue // sets the window, not the instant
			case path == "loop.delay":
				next = set(t, start, path, "1")
			case path == "loop.stars":
				next = set(t, start, path, "1")
			case path == "imaging.camera.bin":
				next = set(t, start, path, "2")
			default:
				v, _, _, ok := start.Get(path)
				if !ok {
					t.Errorf("%s: no entry %s", term, path)
					continue
				}
				to := v * 1.3
				if v == 0 {
					to = 20
				}
				var err error
				if next, err = start.WithFloat(path, to); err != nil {
					if next, err = start.WithFloat(path, v*0.7); err != nil {
						t.Errorf("%s: %s: %v", term, path, err)
						continue
					}
				}
			}
			a := sceneOf(t, start)
			b := sceneOf(t, next)
			sub := start.Sub.Length.V
			oa, ob := a.evaluate(sub, steady), b.evaluate(next.Sub.Length.V, steady)
			if size(oa.centre, term) == size(ob.centre, term) && size(oa.corner, term) == size(ob.corner, term) {
				t.Errorf("%s does not answer to %s", term, path)
			}
		}
	}
}

// TestOrder shuffles the rows: the star must not care.
func TestOrder(t *testing.T) {
	l := sceneOf(t, example(t, "long.toml")).evaluate(600, steady).corner
	want := l.Star()
	for k := range l {
		turned := append(append(ledger.Ledger{}, l[k:]...), l[:k]...)
		got := turned.Star()
		if math.Abs(float64(got.Major-want.Major)) > 1e-6 || math.Abs(float64(got.Minor-want.Minor)) > 1e-6 {
			t.Errorf("rows turned by %d: %v x %v, want %v x %v", k, got.Major, got.Minor, want.Major, want.Minor)
		}
	}
}

// TestHemispheres mirrors the rig and its target in the equator: the star must
// be the mirror image.
func TestHemispheres(t *testing.T) {
	r := set(t, rig.Default(), "site.latitude", "40 deg N", "polar.altitude", "4 arcmin", "polar.azimuth", "0 arcmin",
		"guide.offset_east", "30 arcmin", "flexure.axial", "0 arcsec/g") // along the tube is a direction of the tube's own
	north := sceneOf(t, r)
	south := *north
	southRig := set(t, r, "site.latitude", "40 deg S")
	south.rig = southRig
	p := *north.place
	p.lat, p.at.Dec, p.at.Parallactic = -p.lat, -p.at.Dec, 180-p.at.Parallactic
	p.gravity.NorthPerHour = -p.gravity.NorthPerHour
	p.king.NorthArcsecPerMin, p.king.RotationArcsecPerMin = -p.king.NorthArcsecPerMin, -p.king.RotationArcsecPerMin
	south.place = &p
	held := *north.hold
	held.stars.offset.North = -held.stars.offset.North
	south.hold = &held
	a, b := north.evaluate(600, steady), south.evaluate(600, steady)
	for _, term := range ledger.Terms {
		x, _ := a.centre.Row(term)
		y, _ := b.centre.Row(term)
		if d := math.Abs(x.Cov.EastArcsec2 - y.Cov.EastArcsec2); d > 1e-6+0.02*x.Cov.EastArcsec2 {
			t.Errorf("%s east: %g north of the equator, %g south", term, x.Cov.EastArcsec2, y.Cov.EastArcsec2)
		}
		if d := math.Abs(x.Cov.NorthArcsec2 - y.Cov.NorthArcsec2); d > 1e-6+0.02*x.Cov.NorthArcsec2 {
			t.Errorf("%s north: %g north of the equator, %g south", term, x.Cov.NorthArcsec2, y.Cov.NorthArcsec2)
		}
		if d := math.Abs(x.Cov.CrossArcsec2 + y.Cov.CrossArcsec2); d > 1e-6+0.05*math.Abs(x.Cov.CrossArcsec2) {
			t.Errorf("%s cross: %g north of the equator, %g south; want opposite", term, x.Cov.CrossArcsec2, y.Cov.CrossArcsec2)
		}
	}
}

// BenchmarkPointStar is the star and its ledgers at one instant, the hold
// chosen: what an answer to one changed entry costs.
func BenchmarkPointStar(b *testing.B) {
	s := sceneOf(b, example(b, "larkspur.toml"))
	for b.Loop() {
		s.evaluate(300, steady)
	}
}

// BenchmarkPlan_larkspur is the whole answer with spread and gains.
func BenchmarkPlan_larkspur(b *testing.B) {
	r := example(b, "larkspur.toml")
	q := Request{Rig: r, Target: target(b, "M 27"), Evening: evening, Workers: 2}
	for b.Loop() {
		if _, err := Make(context.Background(), q); err != nil {
			b.Fatal(err)
		}
	}
}

// TestPointIsThePlan: what follows a slider is what the whole plan says.
func TestPointIsThePlan(t *testing.T) {
	for _, name := range []string{"larkspur.toml", "fourteen.toml", "long.toml"} {
		q := Request{Rig: example(t, name), Target: target(t, "M 27"), Evening: evening, Samples: 2}
		whole, err := Make(context.Background(), q)
		if err != nil {
			t.Fatal(err)
		}
		point, err := MakePoint(context.Background(), q)
		if err != nil {
			t.Fatal(err)
		}
		if point.Star != whole.Star || point.StarCorner != whole.StarCorner || point.NeedsGuiding != whole.NeedsGuiding {
			t.Errorf("%s: the point star is %+v, the plan's %+v", name, point.Star, whole.Star)
		}
		for i, row := range point.Ledger {
			if w := whole.Ledger[i]; row.Term != w.Term || row.East != w.East || row.North != w.North {
				t.Errorf("%s: row %v: got %v, %v, the plan has %v, %v", name, row.Term, row.East, row.North, w.East, w.North)
			}
			if !math.IsNaN(float64(row.EastSigma)) {
				t.Errorf("%s: row %v: a sigma without draws", name, row.Term)
			}
		}
	}
}

// BenchmarkPoint_larkspur is what a slider waits for.
func BenchmarkPoint_larkspur(b *testing.B) {
	q := Request{Rig: example(b, "larkspur.toml"), Target: target(b, "M 27"), Evening: evening, Workers: 2}
	for b.Loop() {
		if _, err := MakePoint(context.Background(), q); err != nil {
			b.Fatal(err)
		}
	}
}
