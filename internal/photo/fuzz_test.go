package photo

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/metrics"
	"strings"
	"testing"
)

// allocated returns the bytes allocated on the heap so far.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// exhaust opens a picture and reads all of every plane. It fails the test on an
// error without a name, on a panic, and if more memory was taken than a file of
// that size justifies: 20 kB a byte, four times what a byte of LZW unpacks to.
func exhaust(t testing.TB, b []byte) error {
	before := allocated()
	Sniff(b)
	m, err := openBytes("fuzzed", b)
	if err == nil {
		err = readAll(m)
	}
	if got, limit := allocated()-before, uint64(8<<20+20<<10*len(b)); got > limit {
		t.Errorf("%d bytes allocated for a file of %d, want at most %d", got, len(b), limit)
	}
	if err != nil && !strings.HasPrefix(err.Error(), "photo: fuzzed: ") {
		t.Errorf("got error %q, want the package and the file named first", err)
	}
	return err
}

// readAll reads every plane in bands, as far as the first error.
func readAll(m *Image) error {
	rows := max(1, min(m.Height, 1<<16/m.Width))
	if m.Width > 1<<22 {
		return nil
	}
	dst := make([]float32, rows*m.Width)
	ints := make([]uint16, rows*m.Width)
	for c := range m.Planes {
		p := m.Plane(c)
		for y := 0; y < min(m.Height, 40*rows); y += rows {
			n := min(rows, m.Height-y)
			if err := p.Rows(y, y+n, dst[:n*m.Width]); err != nil {
				return err
			}
			if p.IsUint16() {
				if err := p.RowsUint16(y, y+n, ints[:n*m.Width]); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// seeds are small pictures of every kind: those of other programs, and made
// here what those do not write.
func seeds(t testing.TB) [][]byte {
	files, err := filepath.Glob("testdata/ref/*_*.*")
	if err != nil {
		t.Fatal(err)
	}
	var out [][]byte
	for _, name := range files {
		if filepath.Ext(name) == ".py" {
			continue
		}
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, b)
	}
	const w, h = 16, 8
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		for _, big := range []bool{false, true} {
			for _, bits := range []int{8, 10, 12, 14, 16} {
				s := newDNG(w, h, bits, compNone)
				s.order, s.big = order, big
				s.ints(tagActiveArea, 1, 1, h, w).ints(tagBlackRepeat, 2, 2).set(tagBlackLevel, 5, []float64{10, 11, 12, 13.5}).ints(tagWhiteLevel, 200).
					set(tagBlackDeltaV, 10, make([]float64, h-1)).set(tagLinearization, 3, []int{0, 1, 5, 9, 100}).
					set(tagExif, 4, (&sheet{}).set(tagExposure, 5, []float64{30}).set(tagTaken, 2, "2023:11:30 22:05:59"))
				s.pieces = [][]byte{packed(patterned(w, h, 1, bits), w, bits, order)}
				out = append(out, s.bytes())
			}
		}
		for _, l := range []lines{{width: 8, parts: 2, precision: 16, predictor: 1}, {width: 16, parts: 1, precision: 16, predictor: 4, restart: 2, short: true}} {
			s := newDNG(w, h, 16, compJPEG)
			s.order = order
			s.pieces = [][]byte{l.pack(patterned(w, h, 1, 16))}
			out = append(out, s.bytes())
		}
	}
	preview := newSheet(4, 4, 8, compNone, photoRGB).ints(tagSubfileType, 1).ints(tagSamples, 3).ints(tagBits, 8, 8, 8).set(tagDNGVersion, 1, []int{1, 4, 0, 0})
	preview.pieces = [][]byte{make([]byte, 48)}
	raw := newDNG(w, h, 16, compLZW).ints(tagPredictor, 2)
	raw.pieces = [][]byte{lzwPacked(make([]byte, 2*w*h))}
	return append(out, preview.set(tagSubIFDs, 4, raw).bytes(), []byte("\xff\xd8\xff\xe0\x00\x10JFIF\x00"), []byte("\x00\x00\x00\x18ftypheic"))
}

// mutate damages a file as disks, transfers and programs do.
func mutate(rng *rand.Rand, b []byte) []byte {
	b = bytes.Clone(b)
	words := []uint32{0, 1, 2, 3, 8, 255, 65535, 1 << 16, 1 << 20, 1<<31 - 1, 1 << 31, 1<<32 - 1, 32773, 34892, 0x10001}
	for range 1 + rng.IntN(3) {
		switch at := rng.IntN(len(b)); rng.IntN(6) {
		case 0: // a bit
			b[at] ^= 1 << rng.IntN(8)
		case 1: // the end
			b = b[:1+at]
		case 2, 3: // a number
			if at &^= 1; at+4 <= len(b) {
				binary.LittleEndian.PutUint32(b[at:], words[rng.IntN(len(words))])
			}
		case 4:
			if at &^= 1; at+4 <= len(b) {
				binary.BigEndian.PutUint32(b[at:], words[rng.IntN(len(words))])
			}
		case 5: // a piece elsewhere
			copy(b[at:], b[rng.IntN(len(b)):])
		}
	}
	return b
}

// TestMutated damages pictures and reads them: no panic, no memory that the
// file does not justify, every error with a name. 5,000 in the short form.
func TestMutated(t *testing.T) {
	files := seeds(t)
	if len(files) < 80 {
		t.Fatalf("got %d seeds, want at least 80", len(files))
	}
	n := 60000
	if testing.Short() {
		n = 5000
	}
	const seed = 17
	rng := rand.New(rand.NewPCG(seed, 0))
	errs := 0
	for i := range n {
		b := mutate(rng, files[i%len(files)])
		func() {
			defer func() {
				if r := recover(); r != nil {
					t.Errorf("seed %d, file %d: panic: %v", seed, i, r)
				}
			}()
			if exhaust(t, b) != nil {
				errs++
			}
		}()
	}
	t.Logf("%d files, %d with an error", n, errs)
	if errs < n/10 || errs > n*9/10 {
		t.Errorf("got %d errors in %d files, want some of each", errs, n)
	}
}

func FuzzOpen(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) { exhaust(t, b) })
}

func FuzzLossless(f *testing.F) {
	for predictor := 1; predictor <= 7; predictor++ {
		f.Add(lines{width: 8, parts: 2, precision: 16, predictor: predictor}.pack(patterned(16, 8, 1, 16)), uint16(128))
		f.Add(lines{width: 16, parts: 1, precision: 12, predictor: predictor, restart: 2, short: true}.pack(patterned(16, 8, 1, 12)), uint16(128))
	}
	f.Fuzz(func(t *testing.T, b []byte, n uint16) {
		var z lossless
		for range 2 { // fresh and used
			if v, err := z.unpack(nil, b, int(n)); err == nil && len(v) != int(n) {
				t.Fatalf("got %d samples, want %d", len(v), n)
			}
		}
	})
}

// FuzzLZW packs what it is given and wants it back, and unpacks it as if it
// were packed.
func FuzzLZW(f *testing.F) {
	f.Add(packed(patterned(20, 20, 1, 16), 20, 16, binary.LittleEndian))
	f.Add(make([]byte, 9000))
	f.Add([]byte("\x80\x0b\x60\x50\x22\x0c\x0c\x85\x01"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var z lzw
		if len(b) > 1<<16 {
			return
		}
		got := make([]byte, len(b))
		n, err := z.unpack(got, lzwPacked(b))
		if err != nil || n != len(b) || !bytes.Equal(got, b) {
			t.Fatalf("%d bytes come back as %d, %v", len(b), n, err)
		}
		dst := make([]byte, 3*len(b))
		if n, err := z.unpack(dst, b); n > len(dst) {
			t.Fatalf("got %d bytes, %v", n, err)
		}
		packBits(dst, b)
	})
}
