package solve

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/sky"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// stars returns the stars of a real frame and its header, by star.Measure.
func stars(t *testing.T, name string) (Field, *fits.Header) {
	t.Helper()
	path := filepath.Join(testkit.Frames(t), name)
	r, err := os.Open(path)
	if err != nil {
		t.Skipf("%s: %v", t.Name(), err)
	}
	defer r.Close()
	st, err := r.Stat()
	if err != nil {
		t.Fatal(err)
	}
	file, err := fits.Open(name, r, st.Size())
	if err != nil {
		t.Fatal(err)
	}
	image, err := file.Image()
	if err != nil {
		t.Fatal(err)
	}
	fr, err := frame.New(image)
	if err != nil {
		t.Fatal(err)
	}
	m, err := star.Measure(fr, star.Options{})
	if err != nil {
		t.Fatal(err)
	}
	f := Field{Width: m.Width, Height: m.Height}
	for _, s := range m.Stars {
		f.Spots = append(f.Spots, Spot{s.X, s.Y, float64(s.Flux)})
	}
	return f, image.Header
}

// header returns the first header of a file.
func header(t *testing.T, name string) *fits.Header {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(testkit.Frames(t), name))
	if err != nil {
		t.Fatal(err)
	}
	return fits.ParseHeader(raw)
}

// apart returns the root mean square and the largest distance in pixels
// between what two solutions make of a grid over the frame.
func apart(a, b *WCS, w, h int) (rms, largest float64) {
	const side = 9
	for i := range side {
		for j := range side {
			x, y := unit.Px(i*(w-1))/(side-1), unit.Px(j*(h-1))/(side-1)
			d := float64(sky.Separation(a.Sky(x, y), b.Sky(x, y)).Arcsec()) / float64(a.Scale())
			rms += d * d / side / side
			largest = max(largest, d)
		}
	}
	return math.Sqrt(rms), largest
}

// TestRealSolutions compares with the solutions in headers that are known to
// be good, from a hint two degrees off.
func TestRealSolutions(t *testing.T) {
	for i, tt := range []struct {
		frame, solution string
		rms             float64 // pixels
	}{
		{"finder/finder.fits", "finder/finder_wcs.fits", 0.6},
		{"lens_piggyback/l20150608_386.fits", "", 0.5},
		{"lens_piggyback/l20150608_389.fits", "", 0.5},
		{"lens_piggyback/l20150608_383.fits", "", 0.5},
		{"lens_piggyback/l20150712_414.fits", "", 0.5},
		{"lens_piggyback/l20150720_286.fits", "", 0.5},
		// Its header's solution is of second order and 0.92 px off the
		// catalogue in 114 stars; ours is 0.12 px off in 131.
		{"lens_crop/solved.fits.fz", "", 2},
	} {
		if i%3 > 0 && testing.Short() {
			continue // one of each camera
		}
		f, h := stars(t, tt.frame)
		if tt.solution != "" {
			h = header(t, tt.solution)
		}
		want, err := WCSOf(h)
		if err != nil {
			t.Errorf("%s: %v", tt.frame, err)
			continue
		}
		middle := want.Sky(unit.Px(f.Width)/2, unit.Px(f.Height)/2)
		hint := sky.NewTangent(middle).Direction(1.5, -1.3)
		got, err := Solve(t.Context(), Request{Spots: f.Spots, Width: f.Width, Height: f.Height, Hint: &hint, Strict: true})
		if err != nil || !got.Solved {
			t.Errorf("%s: %v %s", tt.frame, err, got.Why)
			continue
		}
		if got.Scale.Px(got.RMS) > 0.3 {
			t.Errorf("%s: %.2f px rms, want at most 0.3", tt.frame, float64(got.Scale.Px(got.RMS)))
		}
		rms, largest := apart(got.WCS, want, f.Width, f.Height)
		t.Logf("%s: %d stars, %.2f px rms; from the header's solution %.2f px rms, %.2f at most", tt.frame, got.Matched, float64(got.Scale.Px(got.RMS)), rms, largest)
		if !(rms < tt.rms) {
			t.Errorf("%s: %.2f px rms from the header's solution, want less than %.1f", tt.frame, rms, tt.rms)
		}
	}
}

// TestRealPoorSolutions: the headers of three frames hold solutions that run
// away toward the edge. Ours agree among frames a minute apart, which they do
// not.
func TestRealPoorSolutions(t *testing.T) {
	solved := func(name string) (*WCS, *WCS, Field) {
		f, h := stars(t, name)
		w, err := WCSOf(h)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Solve(t.Context(), Request{Spots: f.Spots, Width: f.Width, Height: f.Height, Hint: &w.Ref, Strict: true})
		if err != nil || !got.Solved {
			t.Fatalf("%s: %v %s", name, err, got.Why)
		}
		return got.WCS, w, f
	}
	good, goodHeader, f := solved("lens_piggyback/l20150608_383.fits")
	for i, name := range []string{"lens_piggyback/l20150723_288.fits", "lens_piggyback/l20150608_381.fits", "lens_piggyback/l20150608_382.fits"} {
		if i > 0 && testing.Short() {
			break
		}
		got, header, _ := solved(name)
		rms, largest := apart(got, header, f.Width, f.Height)
		t.Logf("%s: %.2f px rms from its header, %.2f at most", name, rms, largest)
		if largest < 2 {
			t.Errorf("%s: at most %.2f px from its header's solution, which is poor", name, largest)
		}
		// Distances from the middle of the frame to its corners, which do not
		// depend on where it points: ours from frame to frame.
		for _, c := range [][2]unit.Px{{0, 0}, {unit.Px(f.Width - 1), 0}, {0, unit.Px(f.Height - 1)}, {unit.Px(f.Width - 1), unit.Px(f.Height - 1)}} {
			span := func(w *WCS) unit.Arcsec {
				return sky.Separation(w.Sky(unit.Px(f.Width-1)/2, unit.Px(f.Height-1)/2), w.Sky(c[0], c[1])).Arcsec()
			}
			testkit.Near(t, span(got), span(good), 1.5*31.7, name+": the same camera minutes or days later, 1.5 pixels")
			testkit.Near(t, span(good), span(goodHeader), 31.7, "the good solution in the header of frame 383, 1 pixel")
		}
	}
}

// TestRealDrift solves a night of an unguided telescope frame by frame, each
// starting from the one before.
func TestRealDrift(t *testing.T) {
	var last *Solution
	var first Solution
	lowest, highest := math.Inf(1), math.Inf(-1)
	names := []string{"f000", "f012", "f024", "f036", "f048", "f060", "f070"}
	for _, name := range names {
		f, _ := stars(t, "drift_6inch/"+name+".fits")
		hint := sky.Direction{RA: 31, Dec: 46.7}
		got, err := Solve(t.Context(), Request{Spots: f.Spots, Width: f.Width, Height: f.Height, Hint: &hint, Previous: last, Strict: true})
		if err != nil || !got.Solved {
			t.Errorf("%s: %v %s", name, err, got.Why)
			continue
		}
		testkit.Near(t, got.Scale, 5.164, 0.003, "measured with a catalogue match")
		if !got.Mirrored {
			t.Errorf("%s: not mirrored, though its rows run downward", name)
		}
		if last == nil {
			first = got
		}
		last = &got
		_, y := got.WCS.Pixel(first.Centre)
		lowest, highest = min(lowest, float64(y)), max(highest, float64(y))
	}
	if last == nil {
		t.Fatal("no frame is solved")
	}
	// How the sky turned in the frame, and where its first centre went.
	north := sky.Direction{RA: first.Centre.RA, Dec: first.Centre.Dec + 0.3}
	heading := func(s *Solution) float64 {
		x0, y0 := s.WCS.Pixel(first.Centre)
		x1, y1 := s.WCS.Pixel(north)
		return math.Atan2(float64(y1-y0), float64(x1-x0))
	}
	turn := unit.Rad(math.Remainder(heading(last)-heading(&first), 2*math.Pi)).Deg()
	testkit.Near(t, unit.Deg(math.Abs(float64(turn))), 0.58, 0.04, "field rotation measured with a catalogue match")
	x, _ := last.WCS.Pixel(first.Centre)
	testkit.Near(t, math.Abs(float64(x)-float64(first.Width-1)/2), 272, 3, "drift along x measured with a catalogue match")
	testkit.Near(t, highest-lowest, 63, 2, "drift along y, from one extreme to the other, measured with a catalogue match")
}

// TestRealRegister lays the frames of a field too narrow to solve on its first
// one. The shifts of stars from the first frame on were measured with an
// independent star finder and matcher, to about 0.2 pixel.
func TestRealRegister(t *testing.T) {
	a, _ := stars(t, "night_14inch/n00.fits")
	for _, tt := range []struct {
		name   string
		dx, dy unit.Px
		scale  float64
	}{{"n01", -0.54, -2.74, 1.00019}, {"n06", -4.29, -11.91, 1.00057}, {"n09", -0.97, -16.73, 1.00056}} {
		b, _ := stars(t, "night_14inch/"+tt.name+".fits")
		got := Register(a, b)
		if !got.Found {
			t.Errorf("%s: %s", tt.name, got.Why)
			continue
		}
		x, y := unit.Px(b.Width-1)/2, unit.Px(b.Height-1)/2
		u, v := got.At(x, y)
		const src = "measured with an independent star finder and matcher"
		testkit.Near(t, x-u, tt.dx, 0.3, tt.name+": "+src)
		testkit.Near(t, y-v, tt.dy, 0.3, tt.name+": "+src)
		testkit.Near(t, 1/got.Scale, tt.scale, 2e-4, tt.name+": "+src)
		if got.Matched < 40 || got.RMS > 0.2 {
			t.Errorf("%s: %d stars at %.2f px rms, want 40 or more below 0.2", tt.name, got.Matched, float64(got.RMS))
		}
	}
}
