package synth

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// table reads a file of testdata/ref: the first column of each line and the
// rest as numbers.
func table(t *testing.T, name string) (field []string, numbers [][]float64) {
	t.Helper()
	f, err := os.Open("testdata/ref/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines[1:] {
		row := make([]float64, len(l)-1)
		for i := range row {
			if row[i], err = strconv.ParseFloat(l[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		field, numbers = append(field, l[0]), append(numbers, row)
	}
	return field, numbers
}

// TestReference: pixel by pixel the frames are those that another program
// sums up directly, within 0.5 % of the peak where stars are interpolated in
// the usual cells, within 0.1 % where the cells are small. The field turns and
// shears so much that a star of its middle and one of its corner differ by
// more than their width.
func TestReference(t *testing.T) {
	stars := []Star{{30.3, 22.8, 10000, 0}, {64, 25.5, 20000, 1}, {27.75, 57.1, 15000, 2}, {66.6, 54.4, 30000, 3}}
	for _, tt := range []struct {
		name   string
		field  Field
		pivot  [2]unit.Arcsec
		cells  [2]int
		within float64   // of the peak
		share  []float64 // of each kernel
		kernel []psf.Kernel
	}{
		{"winged", Field{Angle: 33}, [2]unit.Arcsec{10, -20}, [2]int{}, 0.005, []float64{0.30, 0.35, 0.2, 0.1, 0.05},
			[]psf.Kernel{psf.Gaussian(psf.Round(1)), psf.Gaussian(psf.Round(1.4)), psf.Gaussian(psf.Round(2)), psf.Gaussian(psf.Round(3)), psf.Gaussian(psf.Round(4.5))}},
		{"long", Field{Angle: 200, Mirrored: true}, [2]unit.Arcsec{-15, 5}, [2]int{}, 0.005, []float64{1},
			[]psf.Kernel{psf.Gaussian(psf.Along(2.2, 35).Plus(psf.Along(1.5, 125)))}},
		{"long", Field{Angle: 200, Mirrored: true}, [2]unit.Arcsec{-15, 5}, [2]int{18, 14}, 0.001, []float64{1},
			[]psf.Kernel{psf.Gaussian(psf.Along(2.2, 35).Plus(psf.Along(1.5, 125)))}},
	} {
		if testing.Short() && tt.cells != [2]int{} {
			continue // takes seconds
		}
		f := tt.field
		f.Width, f.Height, f.Scale, f.Centre = 96, 80, 1.3, sky.Direction{RA: 10, Dec: 20}
		p := Path{PivotEast: tt.pivot[0], PivotNorth: tt.pivot[1]}
		names, steps := table(t, "path.csv")
		for i, s := range steps {
			if names[i] == tt.name {
				p.East, p.North = append(p.East, unit.Arcsec(s[1])), append(p.North, unit.Arcsec(s[2]))
				p.Linear = append(p.Linear, Linear{EE: s[3], EN: s[4], NE: s[5], NN: s[6]})
			}
		}
		got := make([]float64, f.Width*f.Height)
		for k, kernel := range tt.kernel {
			// A sum of Gaussians is the sum of their frames.
			im := expose(t, f, Optics{Kernels: []psf.Kernel{kernel}, CellsX: tt.cells[0], CellsY: tt.cells[1]}, p)
			d := drawing(t, im, Exposure{Stars: stars, Sensor: good, Length: 1})
			for i, v := range d.Mean(Region{0, 0, f.Width, f.Height}) {
				got[i] += tt.share[k] * v
			}
		}
		names, pixels := table(t, "frame.csv")
		peak, n := 0.0, 0
		for i, v := range pixels {
			if names[i] == tt.name {
				peak = max(peak, v[2])
				n++
			}
		}
		if n < 700 {
			t.Fatalf("%s: only %d pixels to compare", tt.name, n)
		}
		worst := 0.0
		for i, v := range pixels {
			if names[i] != tt.name {
				continue
			}
			x, y := int(v[0]), int(v[1])
			d := got[y*f.Width+x] - v[2]
			worst = max(worst, math.Abs(d))
			if math.Abs(d) > tt.within*peak {
				t.Fatalf("%s: pixel %d, %d holds %.2f, want %.2f within %.1f %% of the peak %.0f (direct summation by testdata/ref/frame.py)", tt.name, x, y, got[y*f.Width+x], v[2], 100*tt.within, peak)
			}
		}
		t.Logf("%s: %d pixels, worst %.3f %% of the peak", tt.name, n, 100*worst/peak)
	}
}
