package photo

import (
	"encoding/binary"
	"math/rand/v2"
	"sync"
	"testing"
)

// large returns a picture of 24 megapixels in 16 bits: sky of 1000 with a noise
// of 30.
var large = sync.OnceValue(func() []uint16 {
	v := make([]uint16, 6000*4000)
	r := rand.New(rand.NewPCG(3, 4))
	for i := range v {
		v[i] = uint16(1000 + 30*r.NormFloat64())
	}
	return v
})

// largeFile returns it as a TIFF in strips of so many rows, or a DNG.
func largeFile(compression, rows int) []byte {
	const w, h = 6000, 4000
	s := newDNG(w, h, 16, compression).ints(tagRowsPerStrip, rows)
	v := large()
	for y := 0; y < h; y += rows {
		part := v[y*w : min(h, y+rows)*w]
		switch compression {
		case compJPEG:
			s.pieces = append(s.pieces, lines{width: w / 2, parts: 2, precision: 16, predictor: 1}.pack(part))
		case compLZW:
			s.pieces = append(s.pieces, lzwPacked(packed(part, w, 16, binary.LittleEndian)))
		default:
			s.pieces = append(s.pieces, packed(part, w, 16, binary.LittleEndian))
		}
	}
	return s.bytes()
}

// benchmarkRows reads all of it in bands of 256 rows.
func benchmarkRows(b *testing.B, compression, rows int) {
	file := largeFile(compression, rows)
	dst := make([]uint16, 256*6000)
	b.SetBytes(2 * 6000 * 4000)
	b.ReportAllocs()
	for b.Loop() {
		m := mustOpen(b, file)
		for y := 0; y < m.Height; y += 256 {
			end := min(m.Height, y+256)
			if err := m.RowsUint16(y, end, dst[:(end-y)*m.Width]); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkRows_24Mpx_plain(b *testing.B)        { benchmarkRows(b, compNone, 4000) }
func BenchmarkRows_24Mpx_LZW(b *testing.B)          { benchmarkRows(b, compLZW, 16) }
func BenchmarkRows_24Mpx_LZW_oneStrip(b *testing.B) { benchmarkRows(b, compLZW, 4000) }
func BenchmarkRows_24Mpx_losslessJPEG(b *testing.B) { benchmarkRows(b, compJPEG, 256) }
