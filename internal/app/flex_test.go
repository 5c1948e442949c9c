package app

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"holdfast/internal/fitting"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestFlexRehearsed: nights with flexure give its drift back, from pairs of frames
// and from the imaging camera's alone beside the star that was held.
func TestFlexRehearsed(t *testing.T) {
	nights := []struct {
		drift float64
		seed  uint64
	}{{30, 1}, {60, 2}, {15, 3}}
	subs := 5
	if testing.Short() {
		nights, subs = nights[:1], 3
	}
	for _, n := range nights {
		out := filepath.Join(t.TempDir(), "n")
		task := Task{Rig: "../../examples/larkspur.toml", Set: append(slices.Clone(small), "sub.overhead=500 s", "sub.dither=0 px"), Target: "M27", Date: "2026-08-14", Sub: "60 s", Seed: n.seed}
		night := Rehearsal{Task: task, Subs: subs, Exact: true, Out: out, Faults: []string{fmt.Sprintf("flexure:%g", n.drift)}}
		if _, err := night.Rehearse(t.Context()); err != nil {
			t.Fatal(err)
		}
		frames := Frames{Files: []string{filepath.Join(out, "subs")}}
		a, err := FlexTask{Frames: frames, Guide: []string{filepath.Join(out, "guide")}}.Flex(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		f := a.Result
		t.Logf("%g arcsec/h: from pairs %.2f ± %.2f", n.drift, f.Drift, f.DriftSigma)
		testkit.NearRel(t, f.Drift, n.drift, 0.2, "the fault that the night was played with")
		testkit.Near(t, f.Drift, n.drift, max(4*f.DriftSigma, 0.05*n.drift), "the fault that the night was played with, within the stated error")
		if f.Verdict != fitting.Bends {
			t.Errorf("%s: %s", f.Verdict, f.Why)
		}
		p, err := task.Plan(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		star := p.Result.GuideStar
		held := FlexTask{Frames: frames, GuideStar: fmt.Sprintf("%.5fd %+.5fd", float64(star.RA), float64(star.Dec))}
		if a, err = held.Flex(t.Context()); err != nil {
			t.Fatal(err)
		}
		t.Logf("%g arcsec/h: beside the held star %.2f ± %.2f", n.drift, a.Result.Drift, a.Result.DriftSigma)
		testkit.NearRel(t, a.Result.Drift, n.drift, 0.1, "the fault that the night was played with")
		if a.Result.DriftSigma > 0.1*n.drift+1 {
			t.Errorf("beside the held star: %v ± %v", a.Result.Drift, a.Result.DriftSigma)
		}
	}
}

// TestFlexLimits: what is wrong is named.
func TestFlexLimits(t *testing.T) {
	for _, tt := range []struct {
		task FlexTask
		want string
	}{
		{FlexTask{}, "found no frames"},
		{FlexTask{Frames: Frames{Files: []string{"a.fits"}}}, "want pairs"},
		{FlexTask{Frames: Frames{Files: []string{"a.fits,b.fits,c.fits"}}}, "want pairs"},
		{FlexTask{Frames: Frames{Files: []string{"a.fits,b.fits"}}, Site: "50 8 100"}, "a.fits"},
		{FlexTask{Frames: Frames{Files: []string{"a.fits"}}, GuideStar: "nowhere at all"}, "guide-star"},
		{FlexTask{Frames: Frames{Files: []string{"a.fits"}}, GuideStar: "M27", Guide: []string{"g"}}, "not both"},
		{FlexTask{Frames: Frames{Files: []string{"a.fits,b.fits"}}, Wide: "3 mm"}, "fwhm"},
		{FlexTask{Pressed: []string{"shoe"}}, "a joint and the frames"},
		{FlexTask{Pressed: []string{"shoe=a.fits"}}, "a joint and the frames"},
		{FlexTask{Pressed: []string{"shoe=a.fits,b.fits"}}, "a.fits"},
		{FlexTask{Pressed: []string{"shoe=a,b"}, Frames: Frames{Files: []string{"x"}}}, "one of the two"},
	} {
		_, err := tt.task.Flex(t.Context())
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v, want %q", tt.task, err, tt.want)
		}
	}
}

// TestFlexPressed: frames whose stars were moved by a known amount while a joint
// was pressed.
func TestFlexPressed(t *testing.T) {
	dir := t.TempDir()
	at := sky.Direction{RA: 311.3, Dec: 30.7}
	move := func(name string, east unit.Arcsec) string {
		path := filepath.Join(dir, name)
		drawSky(t, path, sky.NewTangent(at).Direction(east.Deg(), 0), 4)
		return path
	}
	a, b, c, d := move("a.fits", 0), move("b.fits", 20), move("c.fits", 8), move("d.fits", 0.1)
	got, err := FlexTask{Pressed: []string{"nosepiece=" + strings.Join([]string{a, d, a}, ","), "shoe=" + strings.Join([]string{a, b, c}, ",")}}.Flex(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	f := got.Result
	if len(f.Joints) != 2 || f.Joints[0].Joint != "shoe" || f.Verdict != fitting.Bends {
		t.Fatalf("%s: %+v", f.Why, f.Joints)
	}
	testkit.Near(t, f.Joints[0].Moved, 20, 3*f.Joints[0].MovedSigma, "what was drawn")
	testkit.Near(t, f.Joints[0].Stayed, 8, 3*f.Joints[0].StayedSigma, "what was drawn")
	if !strings.Contains(f.Joints[1].Says, "firm") {
		t.Errorf("a joint that moved by 0.1 arcsec: %+v", f.Joints[1])
	}
}

// TestLaidOn: a frame laid on a solved one has the solution that it would have had.
func TestLaidOn(t *testing.T) {
	w := &solve.WCS{RefX: 501, RefY: 401, Ref: sky.Direction{RA: 100, Dec: 40}, CD: [2][2]float64{{-3e-4, 1e-5}, {1e-5, 3e-4}}}
	r := solve.Registration{Found: true, X: 30, Y: -12, XX: 0.99, XY: 0.02, YX: -0.02, YY: 0.99}
	got, ok := laidOn(w, &r)
	if !ok {
		t.Fatal("not laid")
	}
	for _, p := range [][2]unit.Px{{0, 0}, {500, 300}, {999, 12}} {
		x, y := r.At(p[0], p[1])
		testkit.Near(t, float64(sky.Separation(got.Sky(p[0], p[1]), w.Sky(x, y)).Arcsec()), 0, 1e-3, "closed form: the map of the one on the other, then its solution")
	}
}

// TestRegisterPlaces: frames of a field too small to solve take their place from
// one that was solved.
func TestRegisterPlaces(t *testing.T) {
	dir := t.TempDir()
	at := sky.Direction{RA: 311.3, Dec: 30.7}
	one, two := filepath.Join(dir, "1.fits"), filepath.Join(dir, "2.fits")
	drawSky(t, one, at, 4)
	drawSky(t, two, sky.NewTangent(at).Direction(unit.Arcsec(40).Deg(), unit.Arcsec(-25).Deg()), 4)
	frames, err := Frames{}.place(t.Context(), []string{one, two})
	if err != nil {
		t.Fatal(err)
	}
	if frames[0].WCS == nil || frames[1].WCS == nil {
		t.Fatalf("not solved: %s, %s", frames[0].why, frames[1].why)
	}
	want := frames[1].WCS.Sky(600, 400)
	frames[1].WCS, frames[1].why, frames[1].begin = nil, "not solved", sky.FromJD(2461268)
	register(frames, true)
	if frames[1].WCS == nil || frames[1].why != "" {
		t.Fatalf("not laid on the first: %s", frames[1].why)
	}
	testkit.Near(t, float64(sky.Separation(frames[1].WCS.Sky(600, 400), want).Arcsec()), 0, 2, "the frame's own solution")
	if math.IsNaN(float64(frames[1].RMS)) {
		t.Error("no rms")
	}
}
