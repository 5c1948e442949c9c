package app

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/catalog"
	"holdfast/internal/fits"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// drawSky writes a frame of the true sky: the catalogue's stars about a place
// as Gaussians, over noise, north up and east to the left in a picture whose
// rows run downward from the top.
func drawSky(t *testing.T, path string, at sky.Direction, scale unit.Scale, cards ...fits.Card) {
	t.Helper()
	const w, h = 1000, 800
	r := rand.New(rand.NewPCG(4, 2))
	img := make([]float64, w*h)
	for i := range img {
		img[i] = 500 + 12*r.NormFloat64()
	}
	plane := sky.NewTangent(at)
	for _, s := range catalog.Cone(nil, at.RA, at.Dec, scale.Arcsec(700).Deg(), 12) {
		xi, eta := plane.Project(sky.Direction{RA: s.RA, Dec: s.Dec})
		x := (w-1)/2.0 - float64(scale.Px(xi.Arcsec()))
		y := (h-1)/2.0 - float64(scale.Px(eta.Arcsec()))
		flux := 3e5 * math.Pow(10, -0.4*(float64(s.VT)-8))
		for j := int(y) - 6; j <= int(y)+7; j++ {
			for i := int(x) - 6; i <= int(x)+7; i++ {
				if i >= 0 && j >= 0 && i < w && j < h {
					dx, dy := float64(i)-x, float64(j)-y
					img[j*w+i] += flux / (2 * math.Pi * 1.44) * math.Exp(-(dx*dx+dy*dy)/(2*1.44))
				}
			}
		}
	}
	pixels := make([]uint16, len(img))
	for i, v := range img {
		pixels[i] = uint16(math.Min(math.Max(v, 0), 65535))
	}
	writeFrame(t, path, w, h, pixels, cards)
}

// writeFrame writes pixels as a FITS file.
func writeFrame(t *testing.T, path string, w, h int, pixels []uint16, cards []fits.Card) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fw, err := fits.NewWriter[uint16](f, []int{w, h}, cards)
	if err != nil {
		t.Fatal(err)
	}
	if err := fw.Write(pixels); err != nil {
		t.Fatal(err)
	}
	if err := fw.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestSolveDrawn measures and solves a drawn frame of the true sky, blind, by
// its header and by a flag, beside a file that is no frame.
func TestSolveDrawn(t *testing.T) {
	dir := t.TempDir()
	at := sky.Direction{RA: 311.3, Dec: 30.7}
	const scale = unit.Scale(5)
	path := filepath.Join(dir, "a.fits")
	ra, err := fits.NewCard("OBJCTRA", "20 45 00", "")
	if err != nil {
		t.Fatal(err)
	}
	dec, err := fits.NewCard("OBJCTDEC", "+31 00 00", "")
	if err != nil {
		t.Fatal(err)
	}
	drawSky(t, path, at, scale, ra, dec)
	if err := os.WriteFile(filepath.Join(dir, "b.fits"), []byte("not a frame"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		opt  SolveOptions
		hint string
	}{
		{"by the header", SolveOptions{}, "OBJCTRA"},
		{"by a flag", SolveOptions{Hint: "20h45m +30d30m 3", Scale: "4.8,5.2", Strict: true}, "given"},
		{"by a name", SolveOptions{Hint: "NGC 6960"}, "given"},
	} {
		got, err := Frames{Files: []string{dir}}.Solve(context.Background(), tt.opt)
		if err != nil || len(got) != 2 {
			t.Fatalf("%s: %d frames, %v", tt.name, len(got), err)
		}
		a := got[0]
		if !a.Solved || a.Hint != tt.hint {
			t.Errorf("%s: solved %v by %q: %s %s", tt.name, a.Solved, a.Hint, a.Why, a.Error)
			continue
		}
		apart := sky.Separation(at, sky.Direction{RA: a.RA, Dec: a.Dec}).Arcsec()
		testkit.Near(t, float64(apart), 0, 1, "what was drawn")
		testkit.NearRel(t, float64(a.Scale), 5, 1e-3, "what was drawn")
		// Rows run downward, so +y points south; east stays to the left: mirrored.
		testkit.Near(t, math.Abs(math.Remainder(float64(a.Rotation)-180, 360)), 0, 0.05, "what was drawn")
		if !a.Mirrored {
			t.Errorf("%s: not mirrored", tt.name)
		}
		if len(a.WCS) < 8 {
			t.Errorf("%s: %d cards of the solution", tt.name, len(a.WCS))
		}
		if got[1].Error == "" || got[1].Solved {
			t.Errorf("%s: a text file is %+v", tt.name, got[1])
		}
	}
	frames, err := Frames{Files: []string{path, filepath.Join(dir, "none.fits")}}.Measure(context.Background())
	if err != nil || len(frames) != 2 || frames[0].StarsFound < 50 || frames[1].Error == "" {
		t.Errorf("%d frames, %v: %+v", len(frames), err, frames)
	}
	// Half a file is told from a whole one.
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	short := filepath.Join(dir, "short.fits")
	if err := os.WriteFile(short, whole[:len(whole)/2], 0o666); err != nil {
		t.Fatal(err)
	}
	frames, err = Frames{Files: []string{short}}.Measure(context.Background())
	if err != nil || !strings.Contains(frames[0].Error, "bytes") {
		t.Errorf("half a file: %q, %v", frames[0].Error, err)
	}
}

// TestSolveReal solves real frames and compares with what a catalogue match by
// hand gave.
func TestSolveReal(t *testing.T) {
	dir := testkit.Frames(t)
	for _, tt := range []struct {
		file   string
		scale  float64
		within float64
	}{
		{"drift_6inch/f000.fits", 5.164, 0.002},
		{"finder/finder.fits", 5.77, 0.005},
		{"lens_piggyback/l20150608_386.fits", 31.7, 0.05},
		{"lens_crop/solved.fits.fz", 10.3, 0.02},
	} {
		got, err := Frames{Files: []string{filepath.Join(dir, filepath.FromSlash(tt.file))}}.Solve(context.Background(), SolveOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if a := got[0]; !a.Solved {
			t.Errorf("%s: %s %s", tt.file, a.Why, a.Error)
		} else {
			testkit.Near(t, float64(a.Scale), tt.scale, tt.within, "measured with a catalogue match by hand")
		}
	}
	for _, file := range []string{"refuse/bias.fits", "refuse/dark.fits"} {
		got, err := Frames{Files: []string{filepath.Join(dir, filepath.FromSlash(file))}}.Solve(context.Background(), SolveOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if a := got[0]; a.Solved || a.Why+a.Error == "" {
			t.Errorf("%s is placed at %v %v (%s)", file, a.RA, a.Dec, a.Why)
		}
	}
}

func TestHints(t *testing.T) {
	d, within, err := parseHint("20h45m38s +30d42m30s 2.5")
	if err != nil || within != 2.5 || math.Abs(float64(d.RA)-311.4083) > 1e-3 {
		t.Errorf("%v, %v, %v", d, within, err)
	}
	if d, within, err = parseHint("M 31"); err != nil || within != defaultWithin || math.Abs(float64(d.Dec)-41.27) > 0.02 {
		t.Errorf("%v, %v, %v", d, within, err)
	}
	if d, within, err = parseHint("311.4 30.7 10"); err != nil || within != 10 || d.RA != 311.4 {
		t.Errorf("%v, %v, %v", d, within, err)
	}
	if _, _, err = parseHint("nowhere at all"); err == nil {
		t.Error("nonsense is taken for a hint")
	}
	for _, tt := range []struct {
		in     string
		lo, hi unit.Scale
		ok     bool
	}{{"1,2", 1, 2, true}, {"", 0, 0, true}, {"2,1", 0, 0, false}, {"x", 0, 0, false}, {"-1,2", 0, 0, false}, {"1,9999", 0, 0, false}} {
		lo, hi, err := parseScale(tt.in)
		if lo != tt.lo || hi != tt.hi || (err == nil) != tt.ok {
			t.Errorf("%q: %v, %v, %v", tt.in, lo, hi, err)
		}
	}
}

// TestRegisteredReal: frames too narrow to solve are laid on the first; the
// star drifts steadily through the night.
func TestRegisteredReal(t *testing.T) {
	dir := filepath.Join(testkit.Frames(t), "night_14inch")
	names := []string{filepath.Join(dir, "n00.fits"), filepath.Join(dir, "n05.fits"), filepath.Join(dir, "n10.fits")}
	got, err := Frames{Files: names}.Solve(t.Context(), SolveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got[0].Solved || got[0].Registered != nil || !strings.Contains(got[0].Why, "degrees wide") {
		t.Errorf("the first frame: %+v", got[0])
	}
	before := unit.Px(0)
	for _, a := range got[1:] {
		l := a.Registered
		if l == nil || l.On != names[0] {
			t.Fatalf("%s is not laid on the first: %q", a.File, a.Why)
		}
		if l.Y < before+3 || l.Y > 25 || math.Abs(float64(l.X)) > 6 || l.RMS > 0.3 {
			t.Errorf("%s lies at %v, %v with %v px rms; the frames drift by about 22 px in y over all thirteen", a.File, l.X, l.Y, l.RMS)
		}
		before = l.Y
	}
}
