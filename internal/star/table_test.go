package star

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// made returns a frame of stars at random.
func made(n int) Frame {
	r := rand.New(rand.NewPCG(2, 9))
	f := Frame{File: "a", Width: 300, Height: 200, Background: 500, Noise: 9.5, Ceiling: 65535, Gain: 1.5}
	for range n {
		w := unit.Px(3 + 0.2*r.Float64())
		s := Star{X: unit.Px(300 * r.Float64()), Y: unit.Px(200 * r.Float64()), XSigma: 0.01, YSigma: 0.02, Flux: 5000, FluxSigma: 30, SNR: 160, Peak: 900,
			Major: w, Minor: w * 0.9, Angle: 30, Ellipticity: 0.1, Tail: 0.3, HFD: w * 1.1}
		if r.IntN(4) == 0 {
			s.Flags = Blended
			s.Tail = math.NaN()
		}
		f.Stars = append(f.Stars, s)
	}
	f.Summarise()
	return f
}

// TestTable: what is written is read back.
func TestTable(t *testing.T) {
	f := made(80)
	var b bytes.Buffer
	if err := WriteTable(&b, &f, [][2]string{{"DATE-OBS", "2027-01-02T03:04:05"}, {"EXPTIME", "30"}}); err != nil {
		t.Fatal(err)
	}
	if !IsTable(b.Bytes()) {
		t.Error("not known for a table")
	}
	got, notes, err := ReadTable("a", &b)
	if err != nil {
		t.Fatal(err)
	}
	if notes["DATE-OBS"] != "2027-01-02T03:04:05" || notes["EXPTIME"] != "30" {
		t.Errorf("notes %v", notes)
	}
	if got.Width != 300 || got.Height != 200 || got.Gain != 1.5 || got.StarsFound != 80 || got.Measured != f.Measured {
		t.Errorf("frame %d by %d, gain %v, %d stars, %d good", got.Width, got.Height, got.Gain, got.StarsFound, got.Measured)
	}
	const src = "what was written"
	testkit.Near(t, got.FWHM, f.FWHM, 1e-3, src)
	testkit.Near(t, got.Ellipticity, f.Ellipticity, 1e-4, src)
	for i := range f.Stars {
		testkit.Near(t, got.Stars[i].X, f.Stars[i].X, 1e-4, src)
		testkit.Near(t, got.Stars[i].Minor, f.Stars[i].Minor, 1e-4, src)
		if got.Stars[i].Flags != f.Stars[i].Flags || math.IsNaN(got.Stars[i].Tail) != math.IsNaN(f.Stars[i].Tail) {
			t.Errorf("star %d: %+v", i, got.Stars[i])
		}
	}
}

// TestTableBroken: what is wrong is named by its line.
func TestTableBroken(t *testing.T) {
	good := tableHead + "\n# width_px = 10\n# height_px = 10\nx,y,flags\n1,2,0\n"
	if _, _, err := ReadTable("a", strings.NewReader(good)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{tableHead, "# stars: 2", "line 1"},
		{"1,2,0", "1,2", "line 5: found 2 columns"},
		{"1,2,0", "1,b,0", "column y"},
		{"1,2,0", "1,2,99999999", "flags"},
		{"# width_px = 10", "# width_px = wide", "line 2"},
		{"# height_px = 10", "", "height_px"},
		{"x,y,flags\n1,2,0\n", "", "want a table"},
		{"x,y,flags", "a,b,c", "names of the columns"},
	} {
		_, _, err := ReadTable("a", strings.NewReader(strings.Replace(good, c.old, c.new, 1)))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q for %q: %v, want %q", c.new, c.old, err, c.want)
		}
	}
}

func FuzzReadTable(f *testing.F) {
	var b bytes.Buffer
	m := made(3)
	if err := WriteTable(&b, &m, [][2]string{{"EXPTIME", "30"}}); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		got, _, err := ReadTable("a", bytes.NewReader(data))
		if err == nil && (got.Width < 1 || got.Height < 1) {
			t.Errorf("a frame of %d by %d", got.Width, got.Height)
		}
	})
}

// TestSameBytes: what is measured does not depend on the workers, nor on chance.
func TestSameBytes(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	img, _ := field(r, 1200, 40, 20000, 700, 5, gauss(3, 0.1, 20)...)
	pixels := make([]uint16, len(img))
	for i, v := range img {
		// The sky rises a little, as from row to row of meshes it does.
		pixels[i] = uint16(float64(v) + 0.02*float64(i/1200))
	}
	f := frame.FromPixels(1200, 1200, pixels)
	var first Frame
	for i, workers := range []int{1, 2, 2, 2, 2, 3, 7} {
		got, err := Measure(f, Options{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = got
		} else if fmt.Sprint(got) != fmt.Sprint(first) {
			t.Errorf("%d workers: background %v, %d stars, %v; one worker: %v, %d, %v", workers, got.Background, got.StarsFound, got.FWHM, first.Background, first.StarsFound, first.FWHM)
		}
	}
}

// TestNoisyCeiling: a well that is full before the noise of reading is added
// shows no two pixels alike; its stars are still known for full, and not for the
// image of a pupil.
func TestNoisyCeiling(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 1))
	const side = 600
	img := make([]float64, side*side)
	k := gauss(4, 0.05, 30)
	stamp := make([]float64, 60*60)
	full := 0
	for cy := range 10 {
		for cx := range 10 {
			flux := 2e4 * math.Pow(10, 3*r.Float64())
			psf.Image(stamp, 60, 60, unit.Px(30+r.Float64()), unit.Px(30+r.Float64()), 1, 0, k...)
			for i, v := range stamp {
				img[(cy*60+i/60)*side+cx*60+i%60] += flux * v
			}
			if flux > 2e6 {
				full++
			}
		}
	}
	pixels := make([]uint16, len(img))
	for i, v := range img {
		v += 500
		pixels[i] = uint16(min(v+math.Sqrt(v)*r.NormFloat64(), 50000) + 300 + 15*r.NormFloat64())
	}
	got, err := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
	if err != nil {
		t.Fatal(err)
	}
	if got.Ceiling > 50400 || got.Flags&Defocused != 0 {
		t.Errorf("ceiling %v, flags %v; want about 50300 and no pupil", got.Ceiling, got.Flags)
	}
	testkit.NearRel(t, float64(got.FWHM), float64(psf.Star(k...).FWHM()), 0.01, "what was drawn")
	marked := 0
	for _, s := range got.Stars {
		if s.Flags&Saturated != 0 {
			marked++
		}
	}
	if marked < full {
		t.Errorf("%d stars are marked as full, want at least %d", marked, full)
	}
}
