package app

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/fitting"
	"holdfast/internal/testkit"
)

// focused answers from real frames.
func focused(t *testing.T, o FocusOptics, files ...string) fitting.Focus {
	t.Helper()
	dir := filepath.Join(testkit.Frames(t), "focus_14inch")
	for i := range files {
		files[i] = filepath.Join(dir, files[i])
	}
	for i := range o.Locked {
		o.Locked[i] = filepath.Join(dir, o.Locked[i])
	}
	a, err := Frames{Files: files}.Focus(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return a.Result
}

// TestFocusRunsReal: two runs of one telescope on one side of focus, an hour apart,
// agree on what a count is worth and where focus lies, out and back; so do
// single frames between them.
func TestFocusRunsReal(t *testing.T) {
	if testing.Short() {
		t.Skip("TestFocusRunsReal: 0 of 15 frames read: -short")
	}
	const src = "the frames' own trend: 15 to 18 px over 500 counts, about 0.005 px a count, measured by hand"
	a, b := focused(t, FocusOptics{}, "run114"), focused(t, FocusOptics{}, "run117")
	for _, f := range []fitting.Focus{a, b} {
		if f.Verdict != fitting.Beyond || f.Direction != "in" || f.By != "run" {
			t.Fatalf("%s, %s by %s: %s", f.Verdict, f.Direction, f.By, f.Why)
		}
		testkit.NearRel(t, f.Slope, 0.0055, 0.25, src)
		// The run came back over positions it had been at.
		if !(f.Hysteresis >= 0 && f.Hysteresis < 150 && f.HysteresisSigma > 0) {
			t.Errorf("play %v ± %v counts: the frames taken on the way back are as wide as those on the way out to 0.2 px", f.Hysteresis, f.HysteresisSigma)
		}
	}
	testkit.Near(t, a.BestPosition, b.BestPosition, 3*math.Hypot(a.BestPositionSigma, b.BestPositionSigma), "the other run")
	testkit.Near(t, float64(a.Step), float64(b.Step), 3*float64(math.Hypot(float64(a.StepSigma), float64(b.StepSigma))), "the other run")
	// Single frames at 6776: their discs, which know nothing of the run's slope.
	for _, name := range []string{"run112/p00.fits", "run114/p00.fits", "run115/p00.fits"} {
		f := focused(t, FocusOptics{}, name)
		if f.Verdict != fitting.OutOfFocus || f.By != "disc" || f.Direction != "unknown" {
			t.Errorf("%s: %s by %s, %s", name, f.Verdict, f.By, f.Direction)
		}
		want := (6776 - a.BestPosition) * float64(a.Step)
		testkit.Near(t, float64(f.Defocus), want, 2*math.Hypot(float64(f.DefocusSigma), float64(a.DefocusSigma)), "the run's slope")
	}
}

// TestFocusShallowReal: a run about focus whose widths hardly stand out of the air's
// scatter is answered with the scatter, and with no position outside it.
func TestFocusShallowReal(t *testing.T) {
	f := focused(t, FocusOptics{}, "run076")
	switch f.Verdict {
	case fitting.TooShallow:
		if f.BestPosition == f.BestPosition || !strings.Contains(f.Why, "too shallow to tell") {
			t.Errorf("too shallow, and %v: %s", f.BestPosition, f.Why)
		}
	case fitting.Found:
		if f.BestPosition < 3900 || f.BestPosition > 4400 || !(f.BestPositionSigma > 15) {
			t.Errorf("found at %v ± %v", f.BestPosition, f.BestPositionSigma)
		}
	default:
		t.Errorf("%s: %s", f.Verdict, f.Why)
	}
	if !(f.Scatter >= 0 && f.Scatter < 0.5) || f.Used != 14 {
		t.Errorf("scatter %v px, %d frames", float64(f.Scatter), f.Used)
	}
}

// TestFocusRefusedReal: frames with almost no stars are refused, not answered; a
// lock between two frames of one place is bounded.
func TestFocusRefusedReal(t *testing.T) {
	f := focused(t, FocusOptics{}, "run116")
	if f.Verdict != fitting.NoStars || f.Used != 0 || len(f.Left) != 2 || f.Defocus == f.Defocus || f.BestPosition == f.BestPosition {
		t.Errorf("%s: %+v", f.Verdict, f)
	}
	f = focused(t, FocusOptics{Locked: []string{"run115/p00.fits"}}, "run114/p00.fits")
	if k := f.Lock; k == nil || !(float64(k.AtMost) < 0.4) || f.Verdict != fitting.OutOfFocus {
		t.Errorf("a lock that moved 0.2 px of 15: %+v, %s", f.Lock, f.Verdict)
	}
	if f = focused(t, FocusOptics{Locked: []string{"run116/p00.fits"}}, "run114/p00.fits"); f.Lock == nil || f.Lock.Verdict != fitting.NotTold || !strings.Contains(f.Lock.Why, "no frame taken after") {
		t.Errorf("no stars after the lock: %+v", f.Lock)
	}
}

// TestFocusFlags: wrong flags are told by name.
func TestFocusFlags(t *testing.T) {
	bad := 1.0
	for _, tt := range []struct {
		o    FocusOptics
		want string
	}{
		{FocusOptics{Positions: "1", PositionKey: "FOCPOS"}, "more than one of"},
		{FocusOptics{Positions: "x"}, "position 1"},
		{FocusOptics{PositionsFile: "none.txt"}, "none.txt"},
		{FocusOptics{Obstruction: &bad}, "--obstruction: found 1"},
		{FocusOptics{FNumber: -3}, "--f-number: found -3"},
		{FocusOptics{Sharp: -1}, "--sharp: found -1"},
		{FocusOptics{Pixel: "3.75"}, "--pixel: "},
		{FocusOptics{Pitch: "-1 mm"}, "--pitch: "},
		{FocusOptics{Imaging: true}, "--imaging: there is no rig"},
		{FocusOptics{Locked: []string{t.TempDir()}}, "no frames in this folder"},
	} {
		_, err := Frames{Files: []string{"a.fits"}}.Focus(t.Context(), tt.o)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v, want %q", tt.o, err, tt.want)
		}
	}
}

// TestFocusDoubt: a frame whose header speaks of another telescope than the rig's
// is doubted, and named.
func TestFocusDoubt(t *testing.T) {
	card := func(key string, v any) fits.Card {
		c, err := fits.NewCard(key, v, "")
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	name := filepath.Join(t.TempDir(), "a.fits")
	for _, tt := range []struct {
		focal   float64
		imaging bool
		want    string
	}{
		{3910, false, "3910 mm, the rig's guide telescope has 160 mm"},
		{165, false, ""}, // within what makers' figures differ
		{160, true, "160 mm, the rig's imaging telescope has 714 mm"},
	} {
		writeFrame(t, name, 64, 48, make([]uint16, 64*48), []fits.Card{card("FOCALLEN", tt.focal)})
		a, err := Frames{Files: []string{name}}.Focus(t.Context(), FocusOptics{Rig: "../../examples/larkspur.toml", Imaging: tt.imaging})
		if err != nil {
			t.Fatal(err)
		}
		if (a.Doubt == "") != (tt.want == "") || !strings.Contains(a.Doubt, tt.want) {
			t.Errorf("%v mm: %q, want %q", tt.focal, a.Doubt, tt.want)
		}
	}
}
