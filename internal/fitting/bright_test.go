package fitting

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// night returns a frame of noise.
func night(r *rand.Rand, w, h int) []float32 {
	img := make([]float32, w*h)
	for i := range img {
		img[i] = float32(500 + 8*r.NormFloat64())
	}
	return img
}

// disc adds an even patch with a hole.
func disc(img []float32, w int, x, y, radius, hole, height float64) {
	for i := range img {
		if d := math.Hypot(float64(i%w)-x, float64(i/w)-y); d <= radius && d >= hole*radius {
			img[i] += float32(height)
		}
	}
}

// TestFindBright: stars, donuts and a Moon are found where they were drawn, at
// any size; two of a kind are not told apart, nothing is nothing.
func TestFindBright(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	const src = "where it was drawn"
	for _, c := range []struct{ radius, hole, height float64 }{{3, 0, 40000}, {12, 0, 20000}, {40, 0.35, 800}, {150, 0, 5000}, {150, 0.4, 300}} {
		img := night(r, 900, 700)
		disc(img, 900, 500.3, 220.8, c.radius, c.hole, c.height)
		disc(img, 900, 100, 600, c.radius/3, 0, c.height) // a lesser one
		got, err := FindBright(frame.FromPixels(900, 700, img))
		if err != nil {
			t.Errorf("radius %v: %v", c.radius, err)
			continue
		}
		testkit.Near(t, got.X, 500.3, 1.5, src)
		testkit.Near(t, got.Y, 220.8, 1.5, src)
		if got.Cut {
			t.Errorf("radius %v: said to be cut", c.radius)
		}
	}
	img := night(r, 400, 300)
	if _, err := FindBright(frame.FromPixels(400, 300, img)); err == nil || !strings.Contains(err.Error(), "outshines") {
		t.Errorf("noise alone: %v", err)
	}
	disc(img, 400, 100, 100, 8, 0, 9000)
	disc(img, 400, 300, 200, 7, 0, 9000)
	if _, err := FindBright(frame.FromPixels(400, 300, img)); err == nil || !strings.Contains(err.Error(), "2 bright things") {
		t.Errorf("two of a kind: %v", err)
	}
	img = night(r, 400, 300)
	disc(img, 400, 5, 100, 30, 0, 9000)
	if got, err := FindBright(frame.FromPixels(400, 300, img)); err != nil || !got.Cut {
		t.Errorf("at the edge: %+v, %v; want it cut", got, err)
	}
	for _, n := range []int{1, 4} {
		if _, err := FindBright(frame.FromPixels(n, n, make([]float32, n*n))); err == nil {
			t.Errorf("a frame of %d pixels shows a target", n*n)
		}
	}
	for i := range img {
		img[i] = float32(math.NaN())
	}
	if _, err := FindBright(frame.FromPixels(400, 300, img)); err == nil {
		t.Error("a frame without values shows a target")
	}
}

// TestSpottedDoubt: the doubt of the target's place is carried.
func TestSpottedDoubt(t *testing.T) {
	s := Spotted{X: 100, Y: 100, Width: 201, Height: 201, Scale: 2, Rotation: unit.Exact[unit.Deg](0), Doubt: 30}
	_, sigma := s.offset()
	testkit.Near(t, sigma, 60, 1e-9, "30 px of 2 arcsec")
}
