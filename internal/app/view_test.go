package app

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/testkit"
)

// written writes a frame of numbers as FITS; the row of y = 0 is the first of
// the file.
func written[T uint16 | float32](t *testing.T, width, height int, cards map[string]any, at func(x, y int) T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.fits")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var head []fits.Card
	for k, v := range cards {
		c, err := fits.NewCard(k, v, "")
		if err != nil {
			t.Fatal(err)
		}
		head = append(head, c)
	}
	w, err := fits.NewWriter[T](f, []int{width, height}, head)
	if err != nil {
		t.Fatal(err)
	}
	row := make([]T, width)
	for y := range height {
		for x := range width {
			row[x] = at(x, y)
		}
		if err := w.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// value returns what a pixel of a view stands for.
func (v *View) value(x, y int) float64 {
	return float64(v.From) + float64(v.Step)*float64(v.Pixels[y*v.Width+x])
}

// TestOverview: an overview is the mean of the pixels, the row that is seen on
// top first, whichever way up the file is.
func TestOverview(t *testing.T) {
	const w, h, n = 203, 122, 4
	r := rand.New(rand.NewPCG(1, 2))
	numbers := make([]uint16, w*h)
	for i := range numbers {
		numbers[i] = uint16(1000 + 30*r.NormFloat64() + float64(i/w))
	}
	numbers[50*w+90] = 65535
	at := func(x, y int) uint16 { return numbers[y*w+x] }
	real := func(x, y int) float32 { return float32(at(x, y)) / 65535 }
	for _, tt := range []struct {
		name  string
		path  string
		up    bool
		times float64
	}{
		{"bottom first", written(t, w, h, nil, at), true, 1},
		{"top first", written(t, w, h, map[string]any{"ROWORDER": "TOP-DOWN"}, at), false, 1},
		{"real numbers", written(t, w, h, nil, real), true, 1. / 65535},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v, err := Overview(context.Background(), tt.path, 64)
			if err != nil {
				t.Fatal(err)
			}
			if v.Bin != n || v.Width != w/n || v.Height != h/n || v.FrameWidth != w || v.FrameHeight != h {
				t.Fatalf("found %+v", v)
			}
			for j := range v.Height {
				for i := range v.Width {
					y := j
					if tt.up {
						y = v.Height - 1 - j
					}
					sum := 0.0
					for b := range n {
						for a := range n {
							sum += float64(at(i*n+a, y*n+b))
						}
					}
					if sum > 3e4 {
						continue // brighter than is kept apart
					}
					testkit.Near(t, v.value(i, j), sum/n/n*tt.times, 0.6*float64(v.Step), "mean of its pixels")
				}
			}
			if noise := 30. / n * tt.times; float64(v.Step) > noise/5 {
				t.Errorf("steps of %g do not keep a fifth of the noise of %g apart", float64(v.Step), noise)
			}
		})
	}
}

// TestTile: a tile has the pixels themselves, cut off at the edge of the frame.
func TestTile(t *testing.T) {
	at := func(x, y int) uint16 { return uint16(60*x + y) }
	path := written(t, 700, 600, nil, at)
	v, err := Tile(context.Background(), path, 512, 100)
	if err != nil {
		t.Fatal(err)
	}
	if v.Width != 188 || v.Height != 500 || v.X != 512 || v.Y != 100 || v.Bin != 1 {
		t.Fatalf("found %+v", v)
	}
	for j := range v.Height {
		for i := range v.Width {
			if got, want := v.value(i, j), float64(at(512+i, 599-100-j)); got != want {
				t.Fatalf("pixel %d, %d: got %g, want %g", i, j, got, want)
			}
		}
	}
	if _, err := Tile(context.Background(), path, 700, 0); err == nil {
		t.Error("a tile beside the frame is no error")
	}
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Overview(ended, path, 200); !errors.Is(err, context.Canceled) {
		t.Errorf("who does not wait is told %v", err)
	}
}

// TestMosaicView: of a mosaic only the green pixels show, with nothing of the
// others between them.
func TestMosaicView(t *testing.T) {
	for _, pattern := range []string{"RGGB", "GRBG"} {
		green := func(x, y int) bool { return (x+y)&1 == 1 == (pattern == "RGGB") }
		at := func(x, y int) uint16 {
			switch {
			case green(x, y):
				return uint16(2000 + x + y)
			case y&1 == 0:
				return 500
			}
			return 9000
		}
		path := written(t, 300, 200, map[string]any{"BAYERPAT": pattern}, at)
		near := func(v *View, i, j int, x, y float64) {
			t.Helper()
			testkit.Near(t, v.value(i, j), 2000+x+y, 1.5, fmt.Sprintf("%s: the green light alone, a plane", pattern))
		}
		v, err := Overview(context.Background(), path, 100)
		if err != nil {
			t.Fatal(err)
		}
		if v.Bin != 4 {
			t.Fatalf("bins of %d", v.Bin)
		}
		near(v, 10, 10, 41.5, float64(4*(v.Height-1-10))+1.5)
		if v, err = Tile(context.Background(), path, 20, 30); err != nil {
			t.Fatal(err)
		}
		for _, c := range [][2]int{{0, 0}, {1, 0}, {100, 51}, {101, 51}, {279, 169}} {
			near(v, c[0], c[1], float64(20+c[0]), float64(199-30-c[1]))
		}
	}
}

// TestWithoutValue: pixels without value spoil no mean, and a frame of nothing
// else is black.
func TestWithoutValue(t *testing.T) {
	nan := float32(math.NaN())
	path := written(t, 200, 200, nil, func(x, y int) float32 {
		if x < 100 || (x+y)%3 == 0 {
			return nan
		}
		return 7
	})
	v, err := Overview(context.Background(), path, 64)
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, v.value(40, 20), 7, 1e-6, "the mean of sevens")
	if got := v.Pixels[20*v.Width+3]; got != 0 {
		t.Errorf("where nothing is known stands %d", got)
	}
}
