package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"math"
	"slices"
	"testing"
)

// sheet is a TIFF to be written: what the tests need of the format and no more.
type sheet struct {
	order  binary.AppendByteOrder
	big    bool
	fields []entry
	pieces [][]byte // strips or tiles
}

// entry is one field. Its value is []int, []float64 (written as ratios of
// 1e4ths), string, or *sheet for a directory of its own.
type entry struct {
	tag, typ uint16
	v        any
}

// set replaces or adds a field.
func (s *sheet) set(tag, typ uint16, v any) *sheet {
	s.fields = slices.DeleteFunc(s.fields, func(e entry) bool { return e.tag == tag })
	if v != nil {
		s.fields = append(s.fields, entry{tag, typ, v})
	}
	return s
}

// ints is set for LONG values.
func (s *sheet) ints(tag uint16, v ...int) *sheet { return s.set(tag, 4, v) }

// bytes returns the file.
func (s *sheet) bytes() []byte {
	var b []byte
	if s.big {
		b = append(s.order.AppendUint16(s.order.AppendUint16([]byte(s.mark()), 43), 8), 0, 0)
		b = append(b, make([]byte, 8)...)
	} else {
		b = s.order.AppendUint16([]byte(s.mark()), 42)
		b = append(b, make([]byte, 4)...)
	}
	b, at := s.append(b)
	if s.big {
		copy(b[8:], s.order.AppendUint64(nil, uint64(at)))
	} else {
		copy(b[4:], s.order.AppendUint32(nil, uint32(at)))
	}
	return b
}

func (s *sheet) mark() string {
	if s.order.AppendUint16(nil, 1)[0] == 1 {
		return "II"
	}
	return "MM"
}

// append writes the pieces, the long values and the directory behind b, and
// returns where the directory lies.
func (s *sheet) append(b []byte) ([]byte, int) {
	var offsets, counts []int
	for _, p := range s.pieces {
		offsets, counts = append(offsets, len(b)), append(counts, len(p))
		b = append(b, p...)
		if len(b)%2 == 1 {
			b = append(b, 0)
		}
	}
	if s.pieces != nil {
		off, n := uint16(tagStripOffsets), uint16(tagStripBytes)
		if slices.ContainsFunc(s.fields, func(e entry) bool { return e.tag == tagTileWidth }) {
			off, n = tagTileOffsets, tagTileBytes
		}
		s.ints(off, offsets...).ints(n, counts...)
	}
	slices.SortStableFunc(s.fields, func(a, b entry) int { return int(a.tag) - int(b.tag) })
	var dir []byte
	room := 4
	if s.big {
		room = 8
		dir = s.order.AppendUint64(dir, uint64(len(s.fields)))
	} else {
		dir = s.order.AppendUint16(dir, uint16(len(s.fields)))
	}
	for _, e := range s.fields {
		var v []byte
		n := 0
		switch x := e.v.(type) {
		case []int:
			n = len(x)
			for _, u := range x {
				switch e.typ {
				case 1, 7:
					v = append(v, byte(u))
				case 3:
					v = s.order.AppendUint16(v, uint16(u))
				default:
					v = s.order.AppendUint32(v, uint32(u))
				}
			}
		case []float64:
			n = len(x)
			for _, f := range x {
				v = s.order.AppendUint32(v, uint32(int32(math.Round(f*1e4))))
				v = s.order.AppendUint32(v, 1e4)
			}
		case string:
			n, v = len(x)+1, append([]byte(x), 0)
		case *sheet:
			var at int
			x.order, x.big = s.order, s.big
			b, at = x.append(b)
			n, v = 1, s.order.AppendUint32(nil, uint32(at))
		}
		dir = s.order.AppendUint16(s.order.AppendUint16(dir, e.tag), e.typ)
		if s.big {
			dir = s.order.AppendUint64(dir, uint64(n))
		} else {
			dir = s.order.AppendUint32(dir, uint32(n))
		}
		if len(v) > room {
			at := len(b)
			b = append(b, v...)
			if len(b)%2 == 1 {
				b = append(b, 0)
			}
			if s.big {
				v = s.order.AppendUint64(nil, uint64(at))
			} else {
				v = s.order.AppendUint32(nil, uint32(at))
			}
		}
		dir = append(append(dir, v...), make([]byte, room-len(v))...)
	}
	at := len(b)
	return append(append(b, dir...), make([]byte, room)...), at
}

// newSheet returns a picture of one sample a pixel without its pieces.
func newSheet(w, h, bits, compression, photometric int) *sheet {
	s := &sheet{order: binary.LittleEndian}
	return s.ints(tagWidth, w).ints(tagHeight, h).ints(tagBits, bits).ints(tagCompression, compression).ints(tagPhotometric, photometric)
}

// newDNG is newSheet for a mosaic in a DNG.
func newDNG(w, h, bits, compression int) *sheet {
	return newSheet(w, h, bits, compression, photoCFA).set(tagDNGVersion, 1, []int{1, 4, 0, 0}).
		set(tagCFARepeat, 3, []int{2, 2}).set(tagCFAPattern, 1, []int{0, 1, 1, 2})
}

// patterned returns samples of the pattern, w by h of n planes.
func patterned(w, h, n, bits int) []uint16 {
	v := make([]uint16, 0, w*h*n)
	for y := range h {
		for x := range w {
			for c := range n {
				v = append(v, uint16(pattern(x, y, c)>>(16-bits)))
			}
		}
	}
	return v
}

// packed packs samples of so many bits, rows of n beginning with a byte.
func packed(v []uint16, n, bits int, order binary.AppendByteOrder) []byte {
	var b []byte
	for len(v) > 0 {
		acc, have := uint64(0), 0
		for _, u := range v[:n] {
			switch bits {
			case 8:
				b = append(b, byte(u))
			case 16:
				b = order.AppendUint16(b, u)
			default:
				for acc, have = acc<<bits|uint64(u), have+bits; have >= 8; have -= 8 {
					b = append(b, byte(acc>>(have-8)))
				}
			}
		}
		if have > 0 {
			b = append(b, byte(acc<<(8-have)))
		}
		v = v[n:]
	}
	return b
}

// deflated packs b with zlib.
func deflated(t testing.TB, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w := zlib.NewWriter(&out)
	if _, err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// lzwPacked packs b with TIFF's LZW.
func lzwPacked(b []byte) []byte {
	var out []byte
	acc, have, width := uint32(0), 0, 9
	put := func(code int) {
		acc, have = acc<<width|uint32(code), have+width
		for ; have >= 8; have -= 8 {
			out = append(out, byte(acc>>(have-8)))
		}
	}
	type step struct {
		prefix int
		b      byte
	}
	table, next := map[step]int{}, lzwEnd+1
	put(lzwClear)
	code := -1
	for _, c := range b {
		if code < 0 {
			code = int(c)
			continue
		}
		if longer, ok := table[step{code, c}]; ok {
			code = longer
			continue
		}
		put(code)
		table[step{code, c}] = next
		next++
		code = int(c)
		switch {
		case next == 4094:
			put(lzwClear)
			clear(table)
			next, width = lzwEnd+1, 9
		case next == 1<<width-1+1: // the reader is one entry behind
			width++
		}
	}
	if code >= 0 {
		put(code)
		if next++; next == 1<<width {
			width++
		}
	}
	put(lzwEnd)
	if have > 0 {
		out = append(out, byte(acc<<(8-have)))
	}
	return out
}

// lines says how a lossless JPEG is written.
type lines struct {
	width, parts int // pixels of a line, and samples of a pixel
	precision    int
	predictor    int
	transform    int
	restart      int // lines; 0 for none
	short        bool
}

// lossless packs samples as lossless JPEG (T.81, annex H), the tables either
// all of one short length or of every length.
func (l lines) pack(v []uint16) []byte {
	height := len(v) / (l.width * l.parts)
	b := []byte{0xff, markerSOI, 0xff, markerSOF3, 0, byte(8 + 3*l.parts), byte(l.precision), byte(height >> 8), byte(height), byte(l.width >> 8), byte(l.width), byte(l.parts)}
	for c := range l.parts {
		b = append(b, byte(c+1), 0x11, 0)
	}
	lengths := []int{2, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 16}
	if l.short {
		for i := range lengths {
			lengths[i] = 5
		}
	}
	b = append(b, 0xff, markerDHT, 0, 2+17+17, 0)
	var codes [17]int
	code := 0
	for n := 1; n <= 16; n++ {
		count := 0
		for i, k := range lengths {
			if k == n {
				codes[i] = code
				code++
				count++
			}
		}
		code <<= 1
		b = append(b, byte(count))
	}
	for i := range 17 {
		b = append(b, byte(i))
	}
	if l.restart > 0 {
		n := l.restart * l.width
		b = append(b, 0xff, markerDRI, 0, 4, byte(n>>8), byte(n))
	}
	b = append(b, 0xff, markerSOS, 0, byte(6+2*l.parts), byte(l.parts))
	for c := range l.parts {
		b = append(b, byte(c+1), 0)
	}
	b = append(b, byte(l.predictor), 0, byte(l.transform))
	acc, have := uint64(0), 0
	put := func(bits, n int) {
		acc, have = acc<<n|uint64(bits), have+n
		for ; have >= 8; have -= 8 {
			c := byte(acc >> (have - 8))
			if b = append(b, c); c == 0xff {
				b = append(b, 0)
			}
		}
	}
	line := l.width * l.parts
	at := func(y, i int) int { return int(v[y*line+i]) >> l.transform }
	for y := range height {
		first := y == 0
		if l.restart > 0 && y > 0 && y%l.restart == 0 {
			if have > 0 {
				put(1<<(8-have)-1, 8-have)
			}
			b = append(b, 0xff, byte(markerRST0+(y/l.restart-1)%8))
			first = true
		}
		for i := range line {
			p := 0
			switch {
			case i < l.parts && first:
				p = 1 << (l.precision - l.transform - 1)
			case i < l.parts:
				p = at(y-1, i)
			case first:
				p = at(y, i-l.parts)
			default:
				ra, rb, rc := at(y, i-l.parts), at(y-1, i), at(y-1, i-l.parts)
				p = [...]int{0, ra, rb, rc, ra + rb - rc, ra + (rb-rc)>>1, rb + (ra-rc)>>1, (ra + rb) >> 1}[l.predictor]
			}
			d := int(int16(at(y, i) - p))
			if d == -1<<15 {
				put(codes[16], lengths[16])
				continue
			}
			size := 0
			for m := max(d, -d); m > 0; m >>= 1 {
				size++
			}
			put(codes[size], lengths[size])
			if d < 0 {
				d += 1<<size - 1
			}
			put(d, size)
		}
	}
	if have > 0 {
		put(1<<(8-have)-1, 8-have)
	}
	return append(b, 0xff, markerEOI)
}
