package fits

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

const (
	benchWidth  = 9576
	benchHeight = 6388
)

// benchFile writes a frame of 61 megapixels: a sky with read noise.
func benchFile(b *testing.B) string {
	path := filepath.Join(b.TempDir(), "frame.fits")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	w, err := NewWriter[uint16](f, []int{benchWidth, benchHeight}, nil)
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	row := make([]uint16, benchWidth)
	for range benchHeight {
		for i := range row {
			row[i] = uint16(1500 + 15*rng.NormFloat64())
		}
		if err := w.Write(row); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return path
}

// benchImage opens the image of a file.
func benchImage(b *testing.B, path string) *Image {
	f, err := open(b, path)
	if err != nil {
		b.Fatal(err)
	}
	m, err := f.Image()
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(2 * benchWidth * benchHeight)
	b.ReportAllocs()
	b.ResetTimer()
	return m
}

func BenchmarkRowsUint16_61MP_bands64(b *testing.B) {
	m := benchImage(b, benchFile(b))
	buf := make([]uint16, 64*benchWidth)
	for b.Loop() {
		for y := 0; y < benchHeight; y += 64 {
			y1 := min(y+64, benchHeight)
			if err := m.RowsUint16(y, y1, buf[:(y1-y)*benchWidth]); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkRowsUint16_61MP_whole(b *testing.B) {
	m := benchImage(b, benchFile(b))
	buf := make([]uint16, benchWidth*benchHeight)
	for b.Loop() {
		if err := m.RowsUint16(0, benchHeight, buf); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRows_61MP_bands64(b *testing.B) {
	m := benchImage(b, benchFile(b))
	buf := make([]float32, 64*benchWidth)
	for b.Loop() {
		for y := 0; y < benchHeight; y += 64 {
			y1 := min(y+64, benchHeight)
			if err := m.Rows(y, y1, buf[:(y1-y)*benchWidth]); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// benchPacked compresses the frame with fpack, or skips.
func benchPacked(b *testing.B, flags ...string) string {
	path := benchFile(b)
	out := path + ".fz"
	if err := exec.Command("fpack", append(flags, "-O", out, path)...).Run(); err != nil {
		b.Skip("there is no fpack to compress the frame: ", err)
	}
	return out
}

func BenchmarkRowsUint16_61MP_rice(b *testing.B) {
	m := benchImage(b, benchPacked(b, "-r"))
	buf := make([]uint16, 64*benchWidth)
	for b.Loop() {
		for y := 0; y < benchHeight; y += 64 {
			y1 := min(y+64, benchHeight)
			if err := m.RowsUint16(y, y1, buf[:(y1-y)*benchWidth]); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkRowsUint16_61MP_hcompress(b *testing.B) {
	m := benchImage(b, benchPacked(b, "-h"))
	buf := make([]uint16, 64*benchWidth)
	for b.Loop() {
		for y := 0; y < benchHeight; y += 64 {
			y1 := min(y+64, benchHeight)
			if err := m.RowsUint16(y, y1, buf[:(y1-y)*benchWidth]); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkWrite_61MP_uint16(b *testing.B) {
	row := make([]uint16, benchWidth)
	b.SetBytes(2 * benchWidth * benchHeight)
	for b.Loop() {
		w, err := NewWriter[uint16](discard{}, []int{benchWidth, benchHeight}, nil)
		if err != nil {
			b.Fatal(err)
		}
		for range benchHeight {
			if err := w.Write(row); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
}

// discard is a writer that keeps nothing.
type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }
