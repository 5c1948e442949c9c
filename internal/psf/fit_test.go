package psf

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/num"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestFitImage: the profile of a drawn star is that of its causes, wherever
// its centre falls and however the axes are turned.
func TestFitImage(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	stars := [][]Kernel{
		{Air(2), Box(0.6, 20)},
		{Gaussian(Round(1)), Box(0.6, 20)},
		{Air(2), Trail(3, 50), Box(0.6, 20)},
		{Air(1.5), Airy(0.55, 100, 0.35), Sine(1, 110), Box(0.6, 20)},
		{Air(2), Disc(4, 0.4), Box(0.6, 20)},
		{ShortAir(3, 0.9, 0.55, 80), Airy(0.55, 80, 0), Gaussian(Along(0.8, 160)), Box(1.2, 20)},
	}
	for i, kernels := range stars {
		want := Star(kernels...)
		angle := unit.Deg(360 * r.Float64())
		const n, scale = 256, 0.12
		cx, cy := unit.Px(n/2+20*r.Float64()), unit.Px(n/2-15*r.Float64())
		image := Image(nil, n, n, cx, cy, scale, angle, kernels...)
		got, x, y, err := FitImage(image, n, n, scale, angle)
		if err != nil {
			t.Fatalf("star %d: %v", i, err)
		}
		const src = "Star of the same causes, through its transfer function"
		testkit.NearRel(t, got.Major, want.Major, 0.002, src)
		testkit.NearRel(t, got.Minor, want.Minor, 0.002, src)
		testkit.Near(t, got.Ellipticity(), want.Ellipticity(), 0.001, src)
		testkit.Near(t, got.Tail, want.Tail, 0.005, src)
		inside := 0.0 // of the star's light; its wings reach beyond the image
		for _, v := range image {
			inside += v
		}
		testkit.NearRel(t, got.Peak*inside, want.Peak, 0.002, src)
		testkit.Near(t, x, cx, 0.01, "where it was drawn")
		testkit.Near(t, y, cy, 0.01, "where it was drawn")
		if want.Ellipticity() > 0.02 {
			testkit.Near(t, unit.Deg(math.Remainder(float64(got.PA-want.PA), 180)), 0, 0.2, src)
		}
		if t.Failed() {
			t.Fatalf("star %d: got %+v, want %+v", i, got, want)
		}
	}
}

func TestFitImageErrors(t *testing.T) {
	if _, _, _, err := FitImage(make([]float64, 64), 8, 8, 1, 0); err == nil {
		t.Error("an image without light has a profile")
	}
	one := make([]float64, 64)
	one[27] = 1
	if _, _, _, err := FitImage(one, 8, 8, 1, 0); err == nil {
		t.Error("a single pixel has a profile")
	}
	slope := make([]float64, 64)
	for i := range slope {
		slope[i] = float64(i%8) + 1
	}
	if p, _, _, err := FitImage(slope, 8, 8, 1, 0); err != nil && !errors.Is(err, num.ErrNoConverge) {
		t.Errorf("a slope of light: %v, %+v", err, p)
	}
}

func BenchmarkFitImage_air_trail(b *testing.B) {
	image := Image(nil, 256, 256, 128, 128, 0.12, 0, Air(2), Trail(3, 50), Box(0.6, 20))
	for b.Loop() {
		if _, _, _, err := FitImage(image, 256, 256, 0.12, 0); err != nil {
			b.Fatal(err)
		}
	}
}
