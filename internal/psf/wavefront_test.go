package psf

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"sync"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// arcsecondOverD is an aperture on which 0.55 um spread to one arcsecond.
const arcsecondOverD = unit.MM(0.55e-3 * unit.ArcsecPerRad)

// TestPupilImage: far from focus the image is geometry's, in focus it is
// diffraction's, and between it is what the integral over the two pupils gives.
func TestPupilImage(t *testing.T) {
	for _, e := range []float64{0, 0.2, 0.35, 0.5} {
		far := NewPupilImage(1e5, e, 12)
		all := NewPupilImage(1e5, math.NaN(), 12)
		kernel := Defocus(8e5, 0.55, arcsecondOverD, e)
		for _, q := range []float64{0, 0.3, 0.77, 1.3, 2.9, 6.2, 11.3} {
			want := Disc(1, e).OTF(q, 0)
			const src = "geometry: the transform of a disc with a hole, closed form"
			testkit.Near(t, far.OTF(q, e), want, 1e-4, src)
			testkit.Near(t, all.OTF(q, e), want, 3e-4, "the same between tabulated holes")
			testkit.Near(t, kernel.OTF(q/8e5, 0), want, 1e-4, src)
		}
		// With hardly any waves q is small up to where the discs part.
		const waves = 1e-4
		kernel = Defocus(8*waves, 0.55, arcsecondOverD, e)
		for _, nu := range []float64{0.05, 0.2, 0.45, 0.7, 0.93} {
			testkit.Near(t, otfOf(8*waves*nu, waves, e), Airy(0.55, arcsecondOverD, e).OTF(nu, 0), 1e-6, "O'Neill 1956: the transfer function of an annular aperture, closed form")
			testkit.Near(t, kernel.OTF(nu, 0), 1, 1e-6, "no defocus, no blur")
		}
		if testing.Short() && (e == 0 || e == 0.5) {
			continue
		}
		for _, waves := range []float64{0.7, 2, 9} {
			for _, q := range []float64{0.4, 1.1, 2.3, 4.4, 11, 13.6} {
				if q > 7.5*waves {
					continue
				}
				testkit.Near(t, otfOf(q, waves, e), overlapBySum(q, waves, e), 1e-3, "the sum over a grid of the pupil")
			}
		}
	}
}

// otfOf returns the transfer function in one colour.
func otfOf(q, waves, e float64) float64 {
	whole, _ := overlapOuter(q, waves)
	taken, _ := overlapInner(q, waves, e)
	return (whole - taken) / (math.Pi * (1 - e*e))
}

// overlapBySum returns the transfer function by summing over the pupil.
func overlapBySum(q, waves, e float64) float64 {
	const n = 1500
	s := q / (4 * waves)
	phase := func(x, y float64) (float64, bool) {
		r := x*x + y*y
		return 2 * math.Pi * waves * r, r <= 1 && r >= e*e
	}
	sum, area := 0.0, 0.0
	for i := range n {
		x := 2*(float64(i)+0.5)/n - 1
		for j := range n {
			y := 2*(float64(j)+0.5)/n - 1
			if _, in := phase(x, y); in {
				area++
			}
			a, inA := phase(x-s/2, y)
			b, inB := phase(x+s/2, y)
			if inA && inB {
				sum += math.Cos(a - b)
			}
		}
	}
	return sum / area
}

// TestWaves: the light at points of the image is what the amplitude over the
// pupil adds up to. Airy and Defocus together differ from white light by the
// colour of the diffraction they start from.
func TestWaves(t *testing.T) {
	f, err := os.Open("testdata/ref/waves.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 1+6*3*2*9 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		var v [5]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		waves, hole, sigma, x, want := v[0], v[1], v[2], v[3], v[4]
		if testing.Short() && (hole == 0.2 || waves != 0.5 && waves != 5) {
			continue
		}
		const src = "computed with numpy and scipy by testdata/ref/waves.py: the amplitude over the pupil"
		level := max(want, 4/(math.Pi*(1-hole*hole))) // at least that of the bare disc
		end := 8 * waves / colours[0]
		if sigma == 0 {
			if waves > 2 {
				continue // takes its time
			}
			got := 0.0
			for _, c := range colours {
				got += light(8*waves/c, x, func(q float64) float64 { return otfOf(q, waves/c, hole) }) / float64(len(colours))
			}
			testkit.Near(t, got, want, 6e-4*level, src)
			continue
		}
		end = min(end, 10) // beyond, the Gaussian leaves nothing
		gauss := func(q float64) float64 { return math.Exp(-2 * math.Pi * math.Pi * sigma * sigma * q * q) }
		for _, known := range []float64{hole, math.NaN()} {
			image := NewPupilImage(waves, known, end)
			tol := 2e-3
			if math.IsNaN(known) {
				tol = 4e-3
			}
			testkit.Near(t, light(end, x, func(q float64) float64 { return image.OTF(q, hole) * gauss(q) }), want, tol*level, src)
		}
		// The diameter of the geometric image is 8 waves times lambda/D.
		d := 8 * waves
		airy, blur := Airy(0.55, arcsecondOverD, hole), Defocus(unit.Arcsec(d), 0.55, arcsecondOverD, hole)
		testkit.Near(t, light(min(d, 10), x, func(q float64) float64 { return airy.OTF(q/d, 0) * blur.OTF(q/d, 0) * gauss(q) }), want, 0.03*level, src)
	}
}

// light returns the intensity at x from the transfer function up to end.
func light(end, x float64, otf func(q float64) float64) float64 {
	node, weight := legendre(8, 1)
	panels := 8 + int(3*end*max(x, 1))
	h, sum := end/float64(panels), 0.0
	for p := range panels {
		for i, n := range node {
			q := (float64(p) + n) * h
			sum += weight[i] * h * q * otf(q) * math.J0(2*math.Pi*q*x)
		}
	}
	return 2 * math.Pi * sum
}

// TestDefocus: the variance is geometry's however near the focus is, the bound of
// 1 holds, and what is out of range is NaN.
func TestDefocus(t *testing.T) {
	for _, d := range []float64{0.3, 2, 7, 60} {
		for _, e := range []float64{0, 0.3} {
			k := Defocus(unit.Arcsec(d), 0.55, arcsecondOverD, e)
			f := 1e-4 / max(d, 1)
			curvature := 2 * (1 - k.waves.mean(f*d)) / (4 * math.Pi * math.Pi * f * f)
			testkit.NearRel(t, curvature, d*d*(1+e*e)/16, 1e-3, "second moment of a uniform ring: the mean square slope of the wave front")
			testkit.NearRel(t, k.Cov().EastArcsec2, d*d*(1+e*e)/16, 1e-12, "second moment of a uniform ring")
			for f := 0.0; f < 1.2; f += 0.003 {
				if v := k.OTF(f, 0); !(math.Abs(v) <= 1+1e-9) || f >= 1 && v != 0 {
					t.Fatalf("d %v hole %v: OTF %v at %v", d, e, v, f)
				}
			}
		}
	}
	for _, k := range []Kernel{Defocus(1, 0, 100, 0), Defocus(1, 0.5, -1, 0), Defocus(1, 0.5, 100, 1), Defocus(-1, 0.5, 100, 0), Defocus(unit.Arcsec(math.NaN()), 0.5, 100, 0)} {
		if v := k.OTF(0.1, 0); !math.IsNaN(v) {
			t.Errorf("%+v: OTF %v, want NaN", k, v)
		}
	}
	if k := Defocus(0, 0.55, 100, 0.3); k.OTF(1, 1) != 1 {
		t.Error("no defocus spreads something")
	}
	// From several goroutines at once the table is the same.
	k := Defocus(9, 0.55, arcsecondOverD, 0.3)
	var wait sync.WaitGroup
	got := make([]float64, 8)
	for i := range got {
		wait.Go(func() {
			for f := 0.0; f < 1; f += 0.01 {
				got[i] += k.OTF(f, 0)
			}
		})
	}
	wait.Wait()
	for _, v := range got {
		testkit.Near(t, v, got[0], 0, "the same table for all")
	}
}

func BenchmarkStar_defocused(b *testing.B) {
	for b.Loop() {
		Star(Air(2.5), Airy(0.55, 80, 0), Box(1.5, 0), Defocus(1.2, 0.55, 80, 0))
	}
}

func BenchmarkStar_disc(b *testing.B) {
	for b.Loop() {
		Star(Air(2.5), Airy(0.55, 80, 0), Box(1.5, 0), Disc(1.2, 0))
	}
}
