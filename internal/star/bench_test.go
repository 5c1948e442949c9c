package star

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
)

// speckled draws n Gaussian stars of FWHM 3 px and flux 1,500 to 400,000 over a
// sky of 800 ADU with noise of 28.
func speckled(width, height, n int) *frame.Frame {
	r := rand.New(rand.NewPCG(7, 7))
	light := make([]float32, width*height)
	const sigma = 3 / 2.3548200450309493
	for range n {
		x, y := 20+r.Float64()*float64(width-40), 20+r.Float64()*float64(height-40)
		flux := 1500 * math.Pow(400000.0/1500, r.Float64())
		for j := int(y) - 8; j <= int(y)+8; j++ {
			for i := int(x) - 8; i <= int(x)+8; i++ {
				d := (math.Pow(float64(i)-x, 2) + math.Pow(float64(j)-y, 2)) / (2 * sigma * sigma)
				light[j*width+i] += float32(flux * math.Exp(-d) / (2 * math.Pi * sigma * sigma))
			}
		}
	}
	pixels := make([]uint16, len(light))
	for i, v := range light {
		pixels[i] = uint16(800.5 + v + float32(math.Sqrt(809+float64(v))*r.NormFloat64()))
	}
	return frame.FromPixels(width, height, pixels)
}

func BenchmarkMeasure_6000x4000_3000stars(b *testing.B) {
	f := speckled(6000, 4000, 3000)
	b.SetBytes(6000 * 4000 * 2)
	b.ReportAllocs()
	for b.Loop() {
		if m, err := Measure(f, Options{GainElectronPerADU: 1}); err != nil || m.StarsFound < 2900 {
			b.Fatal(m.StarsFound, err)
		}
	}
}

func BenchmarkFind_6000x4000_3000stars(b *testing.B) {
	f := speckled(6000, 4000, 3000)
	b.SetBytes(6000 * 4000 * 2)
	for b.Loop() {
		sky, err := estimate(f, 2)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := find(f, sky, 2); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFit_190pixels(b *testing.B) {
	f := speckled(256, 256, 1)
	var s survey
	var r rows
	if err := r.load(f, 0, 256); err != nil {
		b.Fatal(err)
	}
	sky, err := estimate(f, 1)
	if err != nil {
		b.Fatal(err)
	}
	found, err := find(f, sky, 1)
	if err != nil || len(found.peaks[0]) != 1 {
		b.Fatal(err, len(found.peaks[0]))
	}
	s.typical = drawnProfile(3.3, 3, 20, 0.05)
	c := found.peaks[0][0]
	var st stamp
	r.cut(&st, sky, float64(c.x), float64(c.y), 12, math.Inf(1))
	var t fitter
	for b.Loop() {
		p := s.start(&st, c)
		t.gather(&st, &p)
		if !t.fit(&p, true) {
			b.Fatal("no fit")
		}
	}
}
