package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func mustOpen(t testing.TB, b []byte) *Image {
	t.Helper()
	m, err := openBytes("made", b)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func patternBits(bits int) func(x, y, c int) float64 {
	return func(x, y, c int) float64 { return float64(pattern(x, y, c) >> (16 - bits)) }
}

// TestPacked: samples of every width that TIFF packs, in strips and tiles, with
// and without what compresses bytes.
func TestPacked(t *testing.T) {
	const w, h = 21, 13
	for _, bits := range []int{9, 10, 11, 12, 13, 14, 15} {
		raw := packed(patterned(w, h, 1, bits), w, bits, nil)
		for _, comp := range []int{compNone, compLZW, compDeflate, compDeflateOld} {
			s := newSheet(w, h, bits, comp, photoCFA)
			b := raw
			switch comp {
			case compLZW:
				b = lzwPacked(raw)
			case compDeflate, compDeflateOld:
				b = deflated(t, raw)
			}
			s.pieces = [][]byte{b}
			m := mustOpen(t, s.bytes())
			if m.Bits != bits || m.White != math.Exp2(float64(bits))-1 || m.Mosaic != "" {
				t.Errorf("%d bits: got %d, white %v, mosaic %q", bits, m.Bits, m.White, m.Mosaic)
			}
			same(t, m, w, h, patternBits(bits))
		}
		// Colours in tiles: three samples side by side.
		s := newSheet(w, h, bits, compNone, photoRGB).ints(tagSamples, 3).ints(tagBits, bits, bits, bits).ints(tagTileWidth, 16).ints(tagTileHeight, 16)
		for range 2 {
			s.pieces = append(s.pieces, nil)
		}
		for k := range 2 {
			var v []uint16
			for y := range 16 {
				for x := range 16 {
					for c := range 3 {
						v = append(v, uint16(pattern(16*k+x, y, c)>>(16-bits)))
					}
				}
			}
			s.pieces[k] = packed(v, 48, bits, nil)
		}
		same(t, mustOpen(t, s.bytes()), w, h, patternBits(bits))
	}
}

// TestHorizontalDifferences: predictor 2 for three samples, both orders of
// bytes, 16 and 8 bits, written here.
func TestHorizontalDifferences(t *testing.T) {
	const w, h = 9, 5
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		for _, bits := range []int{8, 16} {
			v := patterned(w, h, 3, bits)
			for y := range h {
				row := v[y*3*w:][:3*w]
				for i := len(row) - 1; i >= 3; i-- {
					row[i] -= row[i-3]
				}
			}
			s := newSheet(w, h, bits, compDeflate, photoRGB).ints(tagSamples, 3).ints(tagBits, bits, bits, bits).ints(tagPredictor, 2)
			s.order = order
			s.pieces = [][]byte{deflated(t, packed(v, 3*w, bits, order))}
			same(t, mustOpen(t, s.bytes()), w, h, patternBits(bits))
		}
	}
}

// TestLossless packs the pattern in every way that lossless JPEG has and reads
// it from a DNG of tiles.
func TestLossless(t *testing.T) {
	const w, h = 24, 17
	n := 0
	for predictor := 1; predictor <= 7; predictor++ {
		for _, l := range []lines{
			{width: 16, parts: 1, precision: 16},
			{width: 8, parts: 2, precision: 16, short: true},
			{width: 4, parts: 4, precision: 14, restart: 3},
			{width: 16, parts: 1, precision: 12, restart: 1},
			{width: 32, parts: 1, precision: 16, short: true},
			{width: 16, parts: 1, precision: 16, transform: 3},
			{width: 16, parts: 1, precision: 2},
		} {
			l.predictor = predictor
			s := newDNG(w, h, l.precision, compJPEG).ints(tagTileWidth, 16).ints(tagTileHeight, 16)
			if l.precision < 8 {
				s.ints(tagBits, 8)
			}
			for k := range 4 {
				var v []uint16
				for y := range 16 {
					for x := range 16 {
						v = append(v, uint16(pattern(k%2*16+x, k/2*16+y, 0)>>(16-l.precision)))
					}
				}
				s.pieces = append(s.pieces, l.pack(v))
			}
			same(t, mustOpen(t, s.bytes()), w, h, func(x, y, _ int) float64 {
				return float64(pattern(x, y, 0) >> (16 - l.precision + l.transform) << l.transform)
			})
			n++
		}
	}
	if n != 49 {
		t.Errorf("%d ways", n)
	}
}

// TestFarDifference: the difference of half the range, which has no bits of its
// own, and its neighbours.
func TestFarDifference(t *testing.T) {
	v := []uint16{0, 32768, 0, 32767, 65535, 32767, 65535, 0, 1, 32769, 0, 65535}
	for predictor := 1; predictor <= 7; predictor++ {
		got, err := new(lossless).unpack(nil, lines{width: 4, parts: 1, precision: 16, predictor: predictor}.pack(v), len(v))
		if err != nil || !slices.Equal(got, v) {
			t.Errorf("predictor %d: got %v, %v", predictor, got, err)
		}
	}
}

// TestDNG: what DNG says of the values and of the part that saw light.
func TestDNG(t *testing.T) {
	const w, h = 20, 12
	plain := func(bits int) *sheet {
		s := newDNG(w, h, bits, compNone)
		s.pieces = [][]byte{packed(patterned(w, h, 1, bits), w, bits, s.order)}
		return s
	}
	at := func(x, y int) float64 { return float64(pattern(x, y, 0) >> 4) }
	t.Run("levels", func(t *testing.T) {
		m := mustOpen(t, plain(12).ints(tagWhiteLevel, 3800).ints(tagBlackLevel, 256).bytes())
		if m.White != 3800 || m.Black != 256 || !m.IsUint16() || !m.Whole || !m.Linear {
			t.Errorf("got white %v, black %v, %+v", m.White, m.Black, m)
		}
		same(t, m, w, h, func(x, y, _ int) float64 { return at(x, y) })
	})
	t.Run("area", func(t *testing.T) {
		for _, comp := range []int{compNone, compDeflate} {
			s := plain(12).ints(tagActiveArea, 3, 5, 11, 18).ints(tagCompression, comp).ints(tagRowsPerStrip, 5)
			raw := s.pieces[0]
			s.pieces = nil
			for len(raw) > 0 {
				n := min(5*w*12/8, len(raw))
				b := raw[:n]
				if comp == compDeflate {
					b = deflated(t, b)
				}
				s.pieces, raw = append(s.pieces, b), raw[n:]
			}
			m := mustOpen(t, s.bytes())
			if m.Mosaic != "RGGB" {
				t.Errorf("got mosaic %q, want that of the area", m.Mosaic)
			}
			same(t, m, 13, 8, func(x, y, _ int) float64 { return at(x+5, y+3) })
		}
	})
	t.Run("black", func(t *testing.T) {
		down, across := make([]float64, h), make([]float64, w)
		for i := range down {
			down[i] = float64(i) / 4
		}
		for i := range across {
			across[i] = -float64(i) / 2
		}
		repeat := []float64{256, 258.5, 257, 256.25}
		m := mustOpen(t, plain(12).ints(tagBlackRepeat, 2, 2).set(tagBlackLevel, 5, repeat).
			set(tagBlackDeltaH, 10, across).set(tagBlackDeltaV, 10, down).bytes())
		if m.Black != 256 || m.IsUint16() || m.Whole || m.White != 4095-2.5-float64(h-1)/4 || len(m.Notes) != 1 {
			t.Errorf("got white %v, black %v, IsUint16 %v, whole %v, notes %q", m.White, m.Black, m.IsUint16(), m.Whole, m.Notes)
		}
		same(t, m, w, h, func(x, y, _ int) float64 {
			return at(x, y) - (repeat[y%2*2+x%2] - 256) - down[y] - across[x]
		})
	})
	t.Run("table", func(t *testing.T) {
		table := make([]int, 3000)
		for i := range table {
			table[i] = i * i / 200
		}
		m := mustOpen(t, plain(12).set(tagLinearization, 3, table).bytes())
		if m.White != float64(table[2999]) || !m.IsUint16() {
			t.Errorf("got white %v, want the end of the table", m.White)
		}
		same(t, m, w, h, func(x, y, _ int) float64 { return float64(table[min(int(at(x, y)), 2999)]) })
	})
	t.Run("linear", func(t *testing.T) {
		s := newSheet(w, h, 16, compNone, photoLinearRaw).set(tagDNGVersion, 1, []int{1, 4, 0, 0}).ints(tagSamples, 3).
			ints(tagBits, 16, 16, 16).set(tagBlackLevel, 4, []int{100, 110, 105}).ints(tagWhiteLevel, 60000, 50000, 55000)
		s.pieces = [][]byte{packed(patterned(w, h, 3, 16), 3*w, 16, s.order)}
		m := mustOpen(t, s.bytes())
		if m.Black != 100 || m.White != 49990 || m.Planes != 3 || !m.Whole {
			t.Errorf("got white %v, black %v, %d planes", m.White, m.Black, m.Planes)
		}
		same(t, m, w, h, func(x, y, c int) float64 { return float64(pattern(x, y, c)) - []float64{0, 10, 5}[c] })
	})
	t.Run("below", func(t *testing.T) {
		// As cameras write it: the first directory a preview, the mosaic and a
		// larger preview below it, facts in a directory of their own.
		raw := plain(12).set(tagDNGVersion, 1, nil)
		s := newSheet(4, 4, 8, compNone, photoRGB).ints(tagSubfileType, 1).ints(tagSamples, 3).ints(tagBits, 8, 8, 8).
			set(tagDNGVersion, 1, []int{1, 4, 0, 0}).set(tagSubIFDs, 4, raw)
		s.pieces = [][]byte{make([]byte, 48)}
		s.set(tagExif, 4, (&sheet{}).set(tagExposure, 5, []float64{30}).set(tagTaken, 2, "2023:11:30 22:05:59").set(tagFocal, 5, []float64{135}).
			set(tagISO, 3, []int{65535}).set(tagISOSpeed, 4, []int{102400}).set(tagFNumber, 5, []float64{0}))
		m := mustOpen(t, s.bytes())
		same(t, m, w, h, func(x, y, _ int) float64 { return at(x, y) })
		const src = "what was written"
		testkit.Near(t, m.Facts.Exposure, 30, 0, src)
		testkit.Near(t, m.Facts.Focal, 135, 0, src)
		testkit.Near(t, m.Facts.ISO, 102400, 0, src)
		testkit.Near(t, m.Facts.FNumber, 0, 0, src)
		if got := m.Facts.Taken.Format("2006-01-02T15:04:05"); got != "2023-11-30T22:05:59" || m.Facts.Zone {
			t.Errorf("taken %v, zone %v", got, m.Facts.Zone)
		}
	})
}

// TestMosaics: the letters of a pattern, and what is no mosaic.
func TestMosaics(t *testing.T) {
	for _, tt := range []struct {
		pattern []int
		want    string
	}{{[]int{2, 1, 1, 0}, "BGGR"}, {[]int{1, 0, 2, 1}, "GRBG"}, {[]int{1, 1, 1, 1}, ""}, {[]int{0, 1, 6, 2}, "RGWB"}} {
		s := newDNG(4, 2, 8, compNone).set(tagCFAPattern, 1, tt.pattern)
		s.pieces = [][]byte{make([]byte, 8)}
		if m := mustOpen(t, s.bytes()); m.Mosaic != tt.want {
			t.Errorf("%v: got %q, want %q", tt.pattern, m.Mosaic, tt.want)
		}
	}
}

// TestPNG: what package png writes comes back, with a palette as well, and a
// gamma of 1 is taken for linear.
func TestPNG(t *testing.T) {
	const w, h = 12, 9
	encode := func(pic image.Image) []byte {
		var b bytes.Buffer
		if err := png.Encode(&b, pic); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	deep := image.NewNRGBA64(image.Rect(0, 0, w, h))
	grey := image.NewGray16(deep.Rect)
	pal := image.NewPaletted(deep.Rect, nil)
	for i := range 200 {
		pal.Palette = append(pal.Palette, color.NRGBA{uint8(i), uint8(200 - i), uint8(i * 7), 255})
	}
	for y := range h {
		for x := range w {
			deep.SetNRGBA64(x, y, color.NRGBA64{uint16(pattern(x, y, 0)), uint16(pattern(x, y, 1)), uint16(pattern(x, y, 2)), uint16(1 + 65534*(x%2))})
			grey.SetGray16(x, y, color.Gray16{Y: uint16(pattern(x, y, 0))})
			pal.SetColorIndex(x, y, uint8(pattern(x, y, 0)%200))
		}
	}
	same(t, mustOpen(t, encode(deep)), w, h, func(x, y, c int) float64 { return float64(pattern(x, y, c)) })
	m := mustOpen(t, encode(pal))
	if m.Planes != 3 || m.Bits != 8 {
		t.Errorf("palette: %d planes of %d bits", m.Planes, m.Bits)
	}
	same(t, m, w, h, func(x, y, c int) float64 {
		i := pattern(x, y, 0) % 200
		return float64([]uint8{uint8(i), uint8(200 - i), uint8(i * 7)}[c])
	})
	plain := encode(grey)
	for _, tt := range []struct {
		gamma  uint32
		linear bool
	}{{100000, true}, {45455, false}} {
		with := withChunk(plain, "gAMA", binary.BigEndian.AppendUint32(nil, tt.gamma))
		m := mustOpen(t, with)
		if m.Linear != tt.linear {
			t.Errorf("gamma %d: linear %v, want %v", tt.gamma, m.Linear, tt.linear)
		}
		same(t, m, w, h, patternBits(16))
	}
	if mustOpen(t, plain).Linear {
		t.Error("a PNG without gamma is taken for linear")
	}
}

// withChunk puts a chunk behind the header of a PNG.
func withChunk(b []byte, kind string, body []byte) []byte {
	const head = 8 + 12 + 13
	c := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	c = append(append(c, kind...), body...)
	c = binary.BigEndian.AppendUint32(c, crc(c[4:]))
	return slices.Concat(b[:head], c, b[head:])
}

// crc is the check sum of PNG (PNG, annex D).
func crc(b []byte) uint32 {
	c := ^uint32(0)
	for _, v := range b {
		c ^= uint32(v)
		for range 8 {
			c = c>>1 ^ 0xedb88320*(c&1)
		}
	}
	return ^c
}

// TestRefused: what can not be read or measured is told, with what would do.
func TestRefused(t *testing.T) {
	plain := func() *sheet {
		s := newSheet(8, 6, 16, compNone, photoBlackIsZero)
		s.pieces = [][]byte{make([]byte, 96)}
		return s
	}
	loop := plain().bytes()
	next := len(loop) - 4
	copy(loop[next:], loop[4:8]) // the next directory is the first
	if _, err := openBytes("loop", loop); err != nil {
		t.Errorf("a directory that is its own successor: %v", err)
	}
	cfa6 := newDNG(8, 6, 16, compNone).set(tagCFARepeat, 3, []int{6, 6})
	cfa6.pieces = [][]byte{make([]byte, 96)}
	small := newSheet(4, 4, 8, compNone, photoBlackIsZero).ints(tagSubfileType, 1)
	small.pieces = [][]byte{make([]byte, 16)}
	whole := plain().bytes()
	var pic bytes.Buffer
	if err := png.Encode(&pic, image.NewGray16(image.Rect(0, 0, 30, 30))); err != nil {
		t.Fatal(err)
	}
	bomb := bytes.Clone(pic.Bytes())
	binary.BigEndian.PutUint32(bomb[16:], 16000)
	binary.BigEndian.PutUint32(bomb[20:], 16000)
	vast := bytes.Clone(bomb)
	binary.BigEndian.PutUint32(vast[20:], 1<<30)
	for _, tt := range []struct {
		name string
		b    []byte
		want []string
	}{
		{"empty", nil, []string{"want a TIFF"}},
		{"text", []byte("This is not a frame."), []string{"This is ", "want a TIFF"}},
		{"jpeg", []byte("\xff\xd8\xff\xe0\x00\x10JFIF\x00"), []string{"JPEG", "8 bits", "tone curve", "DNG", "16-bit TIFF", "FITS"}},
		{"boxed raw", []byte("\x00\x00\x00\x18ftypcrx \x00\x00\x00\x01"), []string{"maker", "DNG"}},
		{"heif", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"), []string{"heic", "for looking at", "DNG"}},
		{"odd number", []byte("IIU\x00\x08\x00\x00\x00"), []string{"maker", "DNG"}},
		{"webp", []byte("RIFF\x00\x00\x00\x00WEBPVP8 "), []string{"for looking at"}},
		{"header only", []byte("II*\x00\x08\x00\x00\x00"), []string{"directory", "byte 8", "truncated"}},
		{"no directory", []byte("II*\x00\x00\x00\x00\x00"), []string{"no directory"}},
		{"cut directory", whole[:len(whole)-30], []string{"truncated"}},
		{"directory behind the end", slices.Concat([]byte("II*\x00"), whole[4:8]), []string{"truncated"}},
		{"palette", plain().ints(tagPhotometric, 3).bytes(), []string{"tag 262", "palette"}},
		{"YCbCr", plain().ints(tagPhotometric, 6).bytes(), []string{"tag 262", "YCbCr"}},
		{"CMYK", plain().ints(tagPhotometric, 5).bytes(), []string{"tag 262", "is 5"}},
		{"zstandard", plain().ints(tagCompression, 50000).bytes(), []string{"tag 259", "50000", "Deflate"}},
		{"maker's compression", plain().ints(tagCompression, 32767).ints(tagPhotometric, photoCFA).bytes(), []string{"maker", "32767", "DNG"}},
		{"old JPEG", plain().ints(tagCompression, 6).bytes(), []string{"JPEG", "DNG"}},
		{"lossy DNG", plain().ints(tagCompression, 34892).set(tagDNGVersion, 1, []int{1, 4, 0, 0}).bytes(), []string{"with loss"}},
		{"JPEG XL", plain().ints(tagCompression, 52546).set(tagDNGVersion, 1, []int{1, 7, 0, 0}).bytes(), []string{"JPEG XL"}},
		{"bilevel", plain().ints(tagBits, 1).bytes(), []string{"tag 258", "is 1"}},
		{"mixed bits", plain().ints(tagSamples, 2).ints(tagBits, 16, 8).bytes(), []string{"tag 258", "same"}},
		{"complex", plain().ints(tagSampleFormat, 5).bytes(), []string{"tag 339", "is 5"}},
		{"bits reversed", plain().ints(tagFillOrder, 2).bytes(), []string{"tag 266"}},
		{"no width", plain().set(tagWidth, 4, nil).bytes(), []string{"ImageWidth"}},
		{"no pixels", plain().ints(tagWidth, 0).bytes(), []string{"tag 256", "is 0"}},
		{"vast", plain().ints(tagWidth, 1<<20).ints(tagHeight, 1<<20).bytes(), []string{"1048576", "no more than 268435456"}},
		{"more than the file", plain().ints(tagHeight, 1000).bytes(), []string{"strip 0", "96 bytes"}},
		{"strip outside", plain().ints(tagRowsPerStrip, 3).bytes(), []string{"tag 273", "list of 1", "2"}},
		{"RGB of one sample", plain().ints(tagPhotometric, photoRGB).bytes(), []string{"tag 277", "at least 3"}},
		{"small only", small.bytes(), []string{"none of them", "NewSubfileType 0"}},
		{"6 by 6", cfa6.bytes(), []string{"tag 33421", "[6 6]", "16-bit TIFF"}},
		{"area outside", newDNGWith(tagActiveArea, 0, 0, 7, 8).bytes(), []string{"tag 50829", "[0 0 7 8]"}},
		{"white 0", newDNGWith(tagWhiteLevel, 0).bytes(), []string{"tag 50717"}},
		{"one black for four", newDNGWith(tagBlackLevel, 7).ints(tagBlackRepeat, 2, 2).bytes(), []string{"tag 50714", "list of 1", "4, for 2 by 2"}},
		{"black nowhere", newDNGWith(tagBlackLevel, 7).set(tagBlackDeltaV, 10, []float64{1, 2}).bytes(), []string{"tag 50716", "list of 2", "6"}},
		{"table too high", newDNGWith(tagLinearization, 7, 70000).bytes(), []string{"tag 50712", "70000"}},
		{"interleaved", newDNGWith(tagRowInterleave, 2).bytes(), []string{"tag 50975"}},
		{"container", packedWide(), []string{"strip 0", "12 bits", "packed"}},
		{"PNG cut", pic.Bytes()[:pic.Len()-5], []string{"truncated"}},
		{"PNG bomb", bomb, []string{"16000 by 16000", "at least"}},
		{"PNG vast", vast, []string{"1073741824"}},
		{"PNG damaged", func() []byte { b := bytes.Clone(pic.Bytes()); b[50] ^= 64; return b }(), []string{"damaged"}},
	} {
		m, err := openBytes("frame.x", tt.b)
		if err == nil {
			err = m.Rows(0, m.Height, make([]float32, m.Width*m.Height))
		}
		if err == nil {
			t.Errorf("%s: no error", tt.name)
			continue
		}
		for _, w := range append(tt.want, "photo: frame.x: ") {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: got %q, want %q in it", tt.name, err, w)
			}
		}
	}
}

// newDNGWith returns a small DNG with one more tag.
func newDNGWith(tag uint16, v ...int) *sheet {
	s := newDNG(8, 6, 16, compNone).ints(tag, v...)
	s.pieces = [][]byte{make([]byte, 96)}
	return s
}

// packedWide returns a file whose samples of 12 bits lie in 16 each.
func packedWide() []byte {
	s := newSheet(8, 6, 12, compNone, photoBlackIsZero)
	s.pieces = [][]byte{make([]byte, 96)}
	return s.bytes()
}

// TestDamagedPieces: what is wrong inside a strip is told with it.
func TestDamagedPieces(t *testing.T) {
	const w, h = 40, 30
	raw := packed(patterned(w, h, 1, 16), w, 16, binary.LittleEndian)
	lossless := lines{width: w, parts: 1, precision: 16, predictor: 1}.pack(patterned(w, h, 1, 16))
	for _, tt := range []struct {
		name string
		comp int
		b    []byte
		want string
	}{
		{"Deflate cut", compDeflate, deflated(t, raw)[:800], "want 2400"},
		{"Deflate of nothing", compDeflate, []byte("\x00\x00\x00\x00\x00\x00\x00"), "zlib"},
		{"LZW cut", compLZW, lzwPacked(raw)[:1000], "want 2400"},
		{"LZW nonsense", compLZW, bytes.Repeat([]byte{0x7f, 0xfe}, 600), "code"},
		{"LZW of old", compLZW, append([]byte{0, 1}, lzwPacked(raw)...), "1992"},
		{"PackBits cut", compPackBits, raw[:300], "want 2400"},
		{"JPEG cut", compJPEG, lossless[:len(lossless)/2], "cut or damaged"},
		{"JPEG of another size", compJPEG, lines{width: 8, parts: 1, precision: 16, predictor: 1}.pack(patterned(8, 8, 1, 16)), "1200 samples"},
		{"JPEG without header", compJPEG, raw, "want a JPEG stream"},
		{"JPEG lossy", compJPEG, func() []byte { b := bytes.Clone(lossless); b[3] = 0xc0; return b }(), "with loss"},
		{"JPEG predictor", compJPEG, lines{width: w, parts: 1, precision: 16, predictor: 0, restart: h}.pack(make([]uint16, w*h)), "predictor 0"},
	} {
		s := newDNG(w, h, 16, tt.comp)
		s.pieces = [][]byte{tt.b}
		m, err := openBytes("frame.dng", s.bytes())
		if err == nil {
			err = m.Rows(0, h, make([]float32, w*h))
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "photo: frame.dng: strip 0: ") {
			t.Errorf("%s: got %v, want %q with the strip", tt.name, err, tt.want)
		}
	}
}

func TestSniff(t *testing.T) {
	dng := newDNGWith(tagWhiteLevel, 100).bytes()
	for _, tt := range []struct {
		head string
		want Kind
	}{
		{"", None}, {"SIMPLE  =                    T", None}, {"\x1f\x8b\x08", None}, {"BM", None}, {"II", None},
		{"II*\x00", TIFF}, {"MM\x00*\x00\x00\x00\x08", TIFF}, {"MM\x00+\x00\x08\x00\x00", TIFF}, {string(dng), DNG},
		{"\x89PNG\r\n\x1a\n", PNG}, {"\xff\xd8\xff\xdb", JPEG}, {"MMOR\x00\x00\x00\x08", Raw}, {"GIF89a", Other},
		{"II*\x00\xff\xff\xff\xff0123456789", TIFF}, {"MM\x00+\x00\x08\x00\x00\xff\xff\xff\xff\xff\xff\xff\xff", TIFF},
	} {
		if got := Sniff([]byte(tt.head)); got != tt.want {
			t.Errorf("%q: got %v, want %v", tt.head[:min(12, len(tt.head))], got, tt.want)
		}
	}
}

// TestTogether reads one picture from many goroutines, in tiles that do not all
// stay in the cache at once.
func TestTogether(t *testing.T) {
	const w, h = 64, 48
	s := newSheet(w, h, 16, compDeflate, photoBlackIsZero).ints(tagRowsPerStrip, 1)
	v := patterned(w, h, 1, 16)
	for y := range h {
		s.pieces = append(s.pieces, deflated(t, packed(v[y*w:][:w], w, 16, s.order)))
	}
	m := mustOpen(t, s.bytes())
	var wait sync.WaitGroup
	for g := range 8 {
		wait.Go(func() {
			dst := make([]float32, 7*w)
			for y := g; y+7 <= h; y += 3 {
				if err := m.Rows(y, y+7, dst); err != nil {
					t.Error(err)
					return
				}
				for i, got := range dst {
					if want := float32(v[y*w+i]); got != want {
						t.Errorf("row %d: got %v, want %v", y+i/w, got, want)
						return
					}
				}
			}
		})
	}
	wait.Wait()
}

// TestCache: what was used last stays, what does not fit goes, and the sizes
// add up.
func TestCache(t *testing.T) {
	var c cache
	for k := range 10 {
		e := c.entry(k)
		c.account(e, cacheBytes/4)
		c.entry(0)
	}
	if c.bytes != cacheBytes || len(c.entries) != 4 || c.recent.Len() != 4 {
		t.Errorf("got %d bytes in %d entries, want %d in 4", c.bytes, len(c.entries), cacheBytes)
	}
	for _, k := range []int{0, 7, 8, 9} {
		if _, ok := c.entries[k]; !ok {
			t.Errorf("entry %d is gone", k)
		}
	}
	e := c.entry(99)
	c.account(e, 3*cacheBytes)
	if len(c.entries) != 1 || c.bytes != 3*cacheBytes {
		t.Errorf("got %d bytes in %d entries, want the last one alone", c.bytes, len(c.entries))
	}
}

func TestHalf(t *testing.T) {
	const src = "IEEE 754-2008, binary16"
	for _, tt := range []struct {
		bits uint16
		want float64
	}{{0x3c00, 1}, {0xc000, -2}, {0x7bff, 65504}, {0x0001, 1.0 / (1 << 24)}, {0x0400, 1.0 / (1 << 14)}, {0x3555, 0.333251953125}, {0x8000, 0}} {
		testkit.Near(t, float64(half(tt.bits)), tt.want, 0, src)
	}
	if !math.IsInf(float64(half(0x7c00)), 1) || !math.IsNaN(float64(half(0x7e00))) {
		t.Error("infinity or NaN is lost")
	}
}

// TestPitch: pixels from the resolution in the focal plane.
func TestPitch(t *testing.T) {
	for _, tt := range []struct{ resolution, code, want float64 }{
		{25400 / 4.3, 2, 4.3}, {10000 / 3.76, 3, 3.76}, {1000 / 2.4, 4, 2.4}, {25400 / 5.9, 0, 5.9}, {1, 2, 0}, {0, 2, 0}, {5000, 9, 0},
	} {
		testkit.Near(t, pitch(tt.resolution, tt.code), unit.Micron(tt.want), 1e-9, "definition; 25.4 mm in an inch")
	}
}

// cut is a file that ends before its size says so.
type cut struct{ b []byte }

func (c cut) ReadAt(p []byte, off int64) (int, error) {
	if off >= int64(len(c.b)) {
		return 0, io.EOF
	}
	n := copy(p, c.b[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// TestShrunk: a file that shrinks while it is read is an error and no picture.
func TestShrunk(t *testing.T) {
	for _, b := range seeds(t) {
		for _, n := range []int{0, 3, 9, len(b) / 3, len(b) - 1} {
			m, err := Open("shrunk", cut{b[:min(n, len(b))]}, int64(len(b)))
			if err == nil {
				err = m.Rows(0, m.Height, make([]float32, m.Width*m.Height))
			}
			if err == nil && n < len(b)/3 {
				t.Errorf("%d bytes of %d read without error", n, len(b))
			}
			if err != nil && strings.HasSuffix(err.Error(), ": EOF") {
				t.Errorf("the end of the file is told as %v", err)
			}
		}
	}
}

func ExampleSniff() {
	fmt.Println(Sniff([]byte("\x89PNG\r\n\x1a\n")), Sniff([]byte("SIMPLE  =                    T")))
	// Output: PNG none
}
