package frame

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/fits"
)

// written returns an image as the codec reads it back.
func written[T uint8 | int16 | uint16 | int32 | float32](t *testing.T, w, h int, pixels []T, cards ...fits.Card) *fits.Image {
	t.Helper()
	var b bytes.Buffer
	fw, err := fits.NewWriter[T](&b, []int{w, h}, cards)
	if err != nil {
		t.Fatal(err)
	}
	if err := fw.Write(pixels); err != nil {
		t.Fatal(err)
	}
	if err := fw.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := fits.Open("drawn.fits", bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	m, err := f.Image()
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func card(t *testing.T, key string, value any) fits.Card {
	t.Helper()
	c, err := fits.NewCard(key, value, "")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestBands: bands of any height hold the same pixels.
func TestBands(t *testing.T) {
	const w, h = 37, 29
	r := rand.New(rand.NewPCG(1, 1))
	pixels := make([]uint16, w*h)
	for i := range pixels {
		pixels[i] = uint16(r.IntN(65536))
	}
	for _, f := range []*Frame{FromPixels(w, h, pixels), mustNew(t, written(t, w, h, pixels))} {
		for _, step := range []int{1, 5, h} {
			for y := 0; y < h; y += step {
				end := min(y+step, h)
				dst := make([]float32, (end-y)*w)
				if err := f.Rows(y, end, dst); err != nil {
					t.Fatal(err)
				}
				small := make([]uint16, (end-y)*w)
				if err := f.RowsUint16(y, end, small); err != nil {
					t.Fatal(err)
				}
				for i := range dst {
					if dst[i] != float32(pixels[y*w+i]) || small[i] != pixels[y*w+i] {
						t.Fatalf("pixel %d of row %d: %v, %v, want %v", i, y, dst[i], small[i], pixels[y*w+i])
					}
				}
			}
		}
	}
}

func mustNew(t *testing.T, m *fits.Image) *Frame {
	t.Helper()
	f, err := New(m)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestHeader: what a header says of gain and ceiling is taken, and a setting of
// an amplifier is not taken for a gain.
func TestHeader(t *testing.T) {
	pixels := make([]uint16, 64*64)
	for _, tt := range []struct {
		cards []fits.Card
		gain  float64
		from  string
		top   float64
	}{
		{nil, 0, "", 65535},
		{[]fits.Card{card(t, "EGAIN", 1.5)}, 1.5, "EGAIN", 65535},
		{[]fits.Card{card(t, "GAIN", 2.0)}, 2, "GAIN", 65535},
		{[]fits.Card{card(t, "GAIN", 139)}, 0, "", 65535},
		{[]fits.Card{card(t, "EGAIN", 0.25), card(t, "GAIN", 139)}, 0.25, "EGAIN", 65535},
		{[]fits.Card{card(t, "SATURATE", 4095.0)}, 0, "", 4095},
	} {
		f := mustNew(t, written(t, 64, 64, pixels, tt.cards...))
		if f.Gain.ElectronPerADU != tt.gain || f.Gain.From != tt.from || float64(f.Ceiling) != tt.top {
			t.Errorf("%v: gain %+v, ceiling %v; want %v from %q, %v", tt.cards, f.Gain, f.Ceiling, tt.gain, tt.from, tt.top)
		}
	}
	f := mustNew(t, written(t, 64, 64, make([]float32, 64*64)))
	if !math.IsInf(float64(f.Ceiling), 1) || f.IsUint16() {
		t.Errorf("floating point: ceiling %v, 16 bits %v", f.Ceiling, f.IsUint16())
	}
	if f := mustNew(t, written(t, 64, 64, make([]uint8, 64*64))); f.Bits != 8 || f.Ceiling != 255 {
		t.Errorf("eight bits: %d bits, ceiling %v", f.Bits, f.Ceiling)
	}
}

// TestMosaic: a colour mosaic is known from its header, and from its pixels
// where the header is silent; a plain frame is not taken for one.
func TestMosaic(t *testing.T) {
	const side = 128
	r := rand.New(rand.NewPCG(2, 2))
	draw := func(rggb [4]float64) []uint16 {
		out := make([]uint16, side*side)
		for y := range side {
			for x := range side {
				out[y*side+x] = uint16(rggb[(y%2)*2+x%2] + 20*r.NormFloat64())
			}
		}
		return out
	}
	declared := mustNew(t, written(t, side, side, draw([4]float64{1000, 1000, 1000, 1000}), card(t, "BAYERPAT", "RGGB")))
	if declared.Lattice == Full {
		t.Error("a declared mosaic is taken for a plain frame")
	}
	silent := mustNew(t, written(t, side, side, draw([4]float64{700, 1200, 1200, 600})))
	if silent.Lattice == Full {
		t.Error("a mosaic that shows in its pixels is not seen")
	}
	if silent.Lattice != declared.Lattice {
		t.Errorf("the green pixels are %v by the header and %v by the pixels", declared.Lattice, silent.Lattice)
	}
	if len(silent.Notes) == 0 || !strings.Contains(strings.Join(silent.Notes, " "), "mosaic") {
		t.Errorf("what was done is not said: %v", silent.Notes)
	}
	if plain := mustNew(t, written(t, side, side, draw([4]float64{1000, 1000, 1000, 1000}))); plain.Lattice != Full {
		t.Errorf("a plain frame is taken for a mosaic: %v", plain.Notes)
	}
}
