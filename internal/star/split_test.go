package star

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/testkit"
)

// spot adds a Gaussian, integrated over the pixels, to a square picture.
func spot(img []float64, side int, x, y, fwhm, flux float64) {
	s := fwhm / 2.3548200450309493
	part := func(i int, c float64) float64 {
		d := (float64(i) - c) / (s * math.Sqrt2)
		h := 0.5 / (s * math.Sqrt2)
		return (math.Erf(d+h) - math.Erf(d-h)) / 2
	}
	var along [26]float64
	x0, y0 := int(x)-12, int(y)-12
	for i := range along {
		along[i] = part(x0+i, x)
	}
	for j := range along {
		across := flux * part(y0+j, y)
		for i, v := range along {
			img[(y0+j)*side+x0+i] += across * v
		}
	}
}

// TestPairs: two stars as near as 1.3 of their widths come out as two, in their
// places and with their light, and single stars as one.
func TestPairs(t *testing.T) {
	const side, cell, fwhm, sky = 1024, 64, 3.0, 300.0
	for _, tt := range []struct{ apart, ratio, tol float64 }{{4, 1, 0.1}, {4, 0.5, 0.15}, {5, 0.4, 0.1}, {7, 0.2, 0.1}} {
		r := rand.New(rand.NewPCG(21, uint64(10*tt.apart)))
		img := make([]float64, side*side)
		var truth []drawn
		draw := func(x, y, flux float64) {
			spot(img, side, x, y, fwhm, flux)
			truth = append(truth, drawn{x, y, flux})
		}
		for cy := 0; cy < side; cy += cell {
			for cx := 0; cx < side; cx += cell {
				x, y := float64(cx)+32+r.Float64(), float64(cy)+32+r.Float64()
				flux := 20000 * math.Pow(6, r.Float64())
				draw(x, y, flux)
				if (cx/cell+2*cy/cell)%5 == 0 {
					sin, cos := math.Sincos(6.28 * r.Float64())
					draw(x+tt.apart*cos, y+tt.apart*sin, flux*tt.ratio)
				}
			}
		}
		pixels := make([]uint16, len(img))
		for i, v := range img {
			v += sky
			pixels[i] = uint16(math.Round(v + math.Sqrt(v+9)*r.NormFloat64()))
		}
		got, err := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
		if err != nil {
			t.Fatal(err)
		}
		missed, sum, light := 0, 0.0, 0.0
		for _, d := range truth {
			st, ok := nearest(got.Stars, d)
			if !ok {
				missed++
				continue
			}
			sum += math.Pow(float64(st.X)-d.x, 2)
			light += math.Abs(float64(st.Flux)/d.flux - 1)
		}
		n := float64(len(truth))
		if missed > 2 || len(got.Stars) > len(truth)+1 {
			t.Errorf("%v px apart, 1 : %v: %d of %d stars missed, %d found", tt.apart, tt.ratio, missed, len(truth), len(got.Stars))
		}
		testkit.Near(t, math.Sqrt(sum/n), 0, tt.tol, "the places drawn")
		testkit.Near(t, light/n, 0, 0.05, "the light drawn")
	}
}

// TestTrailsAreNoPairs: stars drawn along lines of unlike length and direction,
// most of them short, are not taken for two each.
func TestTrailsAreNoPairs(t *testing.T) {
	const side, cell, steps = 1024, 64, 40
	for _, longest := range []float64{5, 7, 9} {
		r := rand.New(rand.NewPCG(22, uint64(longest)))
		img := make([]float64, side*side)
		n := 0
		for cy := 0; cy < side; cy += cell {
			for cx := 0; cx < side; cx += cell {
				x, y := float64(cx)+31+r.Float64(), float64(cy)+31+r.Float64()
				sin, cos := math.Sincos(math.Pi * r.Float64())
				length, flux := longest*math.Pow(r.Float64(), 3), 40000*math.Pow(5, r.Float64())
				for k := range steps {
					d := length * ((float64(k)+0.5)/steps - 0.5)
					spot(img, side, x+d*cos, y+d*sin, 3, flux/steps)
				}
				n++
			}
		}
		pixels := make([]uint16, len(img))
		for i, v := range img {
			v += 300
			pixels[i] = uint16(math.Round(v + math.Sqrt(v+9)*r.NormFloat64()))
		}
		got, err := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
		if err != nil {
			t.Fatal(err)
		}
		pairs := 0
		for _, s := range got.Stars {
			if s.Flags&Blended != 0 {
				pairs++
			}
		}
		if got.StarsFound < n-2 || got.StarsFound > n || pairs > 2 {
			t.Errorf("trails of up to %v px: %d stars found of %d, %d of them taken for parts of pairs", longest, got.StarsFound, n, pairs)
		}
	}
}
