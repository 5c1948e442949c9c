package series

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// table reads a file of numbers.
func table(t testing.TB, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, len(rows))
	for i, row := range rows {
		for _, c := range row {
			v, err := strconv.ParseFloat(c, 64)
			if err != nil {
				t.Fatal(err)
			}
			out[i] = append(out[i], v)
		}
	}
	return out
}

func TestSpectrumReference(t *testing.T) {
	var tr Track
	piece := 0.0
	pieces := []int{0}
	for i, row := range table(t, "testdata/ref/track.csv") {
		tr.Time = append(tr.Time, unit.Second(row[0]))
		tr.Offset = append(tr.Offset, unit.Arcsec(row[1]))
		if row[2] != piece {
			piece = row[2]
			pieces = append(pieces, i)
		}
	}
	want := table(t, "testdata/ref/spectrum.csv")
	from, step := want[0][0], 0.00037
	plain := NewSpectrum(tr, from, step, len(want), 2)
	tr.Pieces, tr.Trend = pieces, true
	full := NewSpectrum(tr, from, step, len(want), 1)
	for i, w := range want {
		testkit.Near(t, plain.Share[i], w[1], 1e-8, fmt.Sprintf("astropy LombScargle, floating mean, method chi2, at %g Hz", w[0]))
		testkit.Near(t, float64(plain.Amplitude[i]), w[2], 1e-7, "amplitude of the same, model_parameters")
		testkit.Near(t, full.Share[i], w[3], 1e-8, fmt.Sprintf("computed with numpy.linalg.lstsq: a mean for each piece, a drift and a sine at %g Hz", w[0]))
		testkit.Near(t, float64(full.Amplitude[i]), w[4], 1e-7, "amplitude of the same")
	}
}

// A spectrum is the same however many workers share it, and a part of it is
// that part of the whole.
func TestSpectrumParts(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var tr Track
	for i := range 700 {
		tr.Time = append(tr.Time, unit.Second(float64(i)*2+rng.Float64()))
		tr.Offset = append(tr.Offset, unit.Arcsec(rng.NormFloat64()))
	}
	a := NewSpectrum(tr, 0.001, 1e-4, 3000, 1)
	b := NewSpectrum(tr, 0.001, 1e-4, 3000, 3)
	c := NewSpectrum(tr, 0.001+1500e-4, 1e-4, 1500, 2)
	for i := range a.Share {
		if a.Share[i] != b.Share[i] {
			t.Fatalf("%d: %v with one worker, %v with three", i, a.Share[i], b.Share[i])
		}
		if i >= 1500 {
			testkit.Near(t, c.Share[i-1500], a.Share[i], 1e-11, "the same frequency from another start")
		}
	}
	if s := NewSpectrum(Track{Time: tr.Time[:3], Offset: tr.Offset[:3]}, 0.01, 0.01, 4, 1); !math.IsNaN(s.Share[0]) {
		t.Errorf("got %v of three samples, want NaN", s.Share[0])
	}
}

func BenchmarkSpectrum_20000samples_50000frequencies(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 6))
	var tr Track
	for i := range 20000 {
		tr.Time = append(tr.Time, unit.Second(float64(i)*2+rng.Float64()))
		tr.Offset = append(tr.Offset, unit.Arcsec(rng.NormFloat64()))
	}
	for b.Loop() {
		NewSpectrum(tr, 1e-5, 5e-6, 50000, 2)
	}
}
