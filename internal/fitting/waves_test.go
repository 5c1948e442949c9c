package fitting

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// opened returns a frame of a FITS file.
func opened(t *testing.T, path string) *frame.Frame {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	file, err := fits.Open(path, f, info.Size())
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
	return fr
}

// TestWaves: the distance from focus is right within 5 % on frames drawn from the
// wave front by another program if the hole is given, within 10 % if not.
func TestWaves(t *testing.T) {
	dir := filepath.Join("testdata", "discs")
	f, err := os.Open(filepath.Join(dir, "discs.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 6 {
		t.Fatalf("%d rows, %v; want a title and 5 frames", len(rows), err)
	}
	for _, row := range rows[1:] {
		var v [6]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		defocus, n, hole, pixel := v[0], v[1], v[2], v[3]
		shot, err := Examine(opened(t, filepath.Join(dir, row[0])), star.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, known := range []float64{hole, math.NaN()} {
			k := shot.Sample(Light{FNumber: n, Obstruction: known, Pixel: unit.Micron(pixel)})
			got := FindFocus([]Sample{k}, Light{FNumber: n, Obstruction: hole, Pixel: unit.Micron(pixel), Pitch: 0.75})
			t.Logf("%s, hole %v: %.4f ± %.4f mm of %.4f, disc %.2f px, hole %.2f, misfit %.1f", row[0], known, float64(got.Defocus), float64(got.DefocusSigma), defocus, float64(k.Disc.V), k.Hole, k.Misfit)
			if got.By != byDisc || got.Verdict != OutOfFocus || got.Direction != "unknown" {
				t.Errorf("%s, hole %v: %s by %s, direction %s (%s)", row[0], known, got.Verdict, got.By, got.Direction, got.Why)
			}
			// A hole that is not known trades against a small disc.
			most := 0.05
			if math.IsNaN(known) {
				most = 0.1
			}
			testkit.NearRel(t, float64(got.Defocus), defocus, most, "computed with numpy: Fourier transform of a defocused pupil at three wavelengths, in a Moffat's air")
			testkit.Near(t, float64(got.Defocus), defocus, 3*float64(got.DefocusSigma), "the same, within three standard errors")
		}
	}
}
