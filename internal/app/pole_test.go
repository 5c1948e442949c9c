package app

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"holdfast/internal/fitting"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestPoleRehearsed: a night that nothing corrects, across a flip, gives the axis
// back that it was played with.
func TestPoleRehearsed(t *testing.T) {
	if testing.Short() {
		t.Skip("draws and solves eight frames twice")
	}
	out := filepath.Join(t.TempDir(), "n")
	set := append(slices.Clone(small), "guide.kind=none", "sub.overhead=600 s", "sub.dither=0 px", "polar.altitude=9 arcmin", "polar.azimuth=-14 arcmin")
	night := Rehearsal{Task: Task{Rig: "../../examples/larkspur.toml", Set: set, Target: "M27", Date: "2026-08-14", Sub: "20 s", Seed: 3}, Subs: 8, Exact: true, Out: out}
	if _, err := night.Rehearse(t.Context()); err != nil {
		t.Fatal(err)
	}
	a, err := PoleTask{Frames: Frames{Files: []string{filepath.Join(out, "subs")}}}.Pole(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	p := a.Result
	src := "the night that was played"
	testkit.Near(t, p.Altitude, 9, max(4*p.AltitudeSigma, 0.1), src)
	testkit.Near(t, p.Azimuth, -14, max(4*p.AzimuthSigma, 0.1), src)
	if p.Way != "tracking" || p.AltitudeSigma > 1 || p.AzimuthSigma > 1 {
		t.Errorf("way %s, altitude ± %v, azimuth ± %v", p.Way, p.AltitudeSigma, p.AzimuthSigma)
	}
	// What the plan of the rig bears decides whether it matters.
	task := PoleTask{Task: Task{Rig: "../../examples/larkspur.toml", Target: "M27", Date: "2026-08-14"}, Frames: Frames{Files: []string{filepath.Join(out, "subs")}}}
	if a, err = task.Pole(t.Context()); err != nil {
		t.Fatal(err)
	}
	if a.Result.Matters == nil || !*a.Result.Matters || a.Result.Verdict != fitting.Misaligned || !(a.Result.Limit < 14) || a.Result.LimitOf == "" {
		t.Errorf("%s, limit %v (%s): want 14 arcmin to be more than the plan bears", a.Result.Verdict, a.Result.Limit, a.Result.LimitOf)
	}
}

// TestPoleReal: seven hours of an unguided telescope on one field. Its centre
// drifts as an axis about 10 arcmin off makes it, its field turns as one 25 arcmin
// off would: the two contradict each other, which is told, and agree on the
// direction.
func TestPoleReal(t *testing.T) {
	dir := filepath.Join(testkit.Frames(t), "drift_6inch")
	var files []string
	step := 5
	if testing.Short() {
		step = 10
	}
	for i := 0; i <= 70; i += step {
		files = append(files, filepath.Join(dir, fmt.Sprintf("f%03d.fits", i)))
	}
	a, err := PoleTask{Frames: Frames{Files: files}}.Pole(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	p := a.Result
	t.Logf("by centre %.1f ± %.1f, %.1f ± %.1f; by turn %.1f ± %.1f, %.1f ± %.1f", p.ByCentre.Altitude, p.ByCentre.AltitudeSigma, p.ByCentre.AzimuthSky, p.ByCentre.SkySigma, p.ByTurn.Altitude, p.ByTurn.AltitudeSigma, p.ByTurn.AzimuthSky, p.ByTurn.SkySigma)
	src := "computed with numpy: least squares of the observed declinations on cos and sin of the hour angle, all 71 frames"
	testkit.Near(t, p.ByCentre.Altitude, -8.05, max(3*p.ByCentre.AltitudeSigma, 0.3), src)
	testkit.Near(t, p.ByCentre.AzimuthSky, 4.55, max(3*p.ByCentre.SkySigma, 0.3), src)
	src = "computed with numpy: least squares of the camera's angle to the hour circle on cos and sin of the hour angle, all 71 frames"
	testkit.Near(t, p.ByTurn.Altitude, -20.37, 1.5, src)
	testkit.Near(t, p.ByTurn.AzimuthSky, 13.76, 1.5, src)
	if p.Agree == nil || *p.Agree || p.Verdict != fitting.PoleUnsure || !strings.Contains(p.Why, "something else moved") {
		t.Errorf("agree %v, %s: %s", p.Agree, p.Verdict, p.Why)
	}
	if len(p.Knobs) != 2 || p.Knobs[0].Direction != "raise" || p.Knobs[1].Direction != "west" {
		t.Errorf("knobs %+v: want both ways to agree on raising the axis and turning it west", p.Knobs)
	}
	testkit.Near(t, p.Span, 105, 2, "seven hours of 15 degrees")
	// The site is west of Greenwich though its card is positive.
	if len(a.Assumed) == 0 || !strings.Contains(a.Assumed[0].Value, "110.88 W") {
		t.Errorf("assumed %+v: want a longitude of 110.88 degrees west", a.Assumed)
	}
}

// TestPoleMisused: what is wrong is named.
func TestPoleMisused(t *testing.T) {
	for _, tt := range []struct {
		task PoleTask
		want string
	}{
		{PoleTask{}, "neither frames nor drifts"},
		{PoleTask{Drifts: []string{"1 arcsec/min, 0 h, 5 deg"}, Frames: Frames{Files: []string{"x"}}}, "either frames or drifts"},
		{PoleTask{Drifts: []string{"1 arcsec/min, 0 h"}}, "hour angle and declination"},
		{PoleTask{Drifts: []string{"1 arcmin, 0 h, 5 deg"}}, "an angle per time"},
		{PoleTask{Drifts: []string{"1 arcsec/min, 0 h, 5 deg", "1 arcsec/min, 5 h, 5 deg"}}, "--site"},
		{PoleTask{Drifts: []string{"1 arcsec/min, 0 h, 5 deg", "1 arcsec/min, 5 h, 5 deg"}, Site: "here"}, "latitude, longitude and height"},
		{PoleTask{Drifts: []string{"1 arcsec/min, 0 h, 5 deg"}, AltPer: "3 mm"}, "altitude-turn"},
		{PoleTask{Frames: Frames{Files: []string{"nowhere.fits"}}, Site: "50 8 100"}, "nowhere.fits"},
		{PoleTask{Task: Task{Rig: "../../examples/altaz.toml"}, Frames: Frames{Files: []string{"nowhere.fits"}}}, "no polar axis"},
	} {
		_, err := tt.task.Pole(t.Context())
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v, want %q", tt.task, err, tt.want)
		}
	}
}

// TestParseSite: places as people write them.
func TestParseSite(t *testing.T) {
	for _, tt := range []struct {
		text        string
		lat, lon, h float64
	}{
		{"47.2 -122.5 300", 47.2, -122.5, 300},
		{"47.2 deg N, 122.5 deg W, 300 m", 47.2, -122.5, 300},
		{"33.5S 149.25E", -33.5, 149.25, 0},
	} {
		s, err := parseSite(tt.text)
		if err != nil {
			t.Errorf("%s: %v", tt.text, err)
			continue
		}
		src := "what was written"
		testkit.Near(t, float64(s.Lat), tt.lat, 1e-9, src)
		testkit.Near(t, float64(s.Lon), tt.lon, 1e-9, src)
		testkit.Near(t, s.Height, unit.Metre(tt.h), 1e-9, src)
	}
	for _, text := range []string{"", "47", "95 8 100", "47 8 high", "47 8 9 10"} {
		if _, err := parseSite(text); err == nil {
			t.Errorf("%q is no place", text)
		}
	}
	if v, ok := sexagesimal("-31 40 48"); !ok || math.Abs(v+31.68) > 1e-9 {
		t.Errorf("-31 40 48: %v", v)
	}
}
