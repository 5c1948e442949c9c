package photo

import (
	"bytes"
	"compress/zlib"
	"container/list"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"sync"
)

// A number is what pixels are delivered in: uint16 where it holds every pixel,
// otherwise float32.
type number interface{ uint16 | float32 }

// work is what unpacking needs, kept for the next time.
type work struct {
	packed  []byte
	raw     []byte
	samples []uint16
	row     []uint16
	src     bytes.Reader
	zlib    io.ReadCloser
	lzw     lzw
	jpeg    lossless
}

var works = sync.Pool{New: func() any { return new(work) }}

// band delivers rows y0 to y1-1 of plane k.
func band[T number](l *layout, k, y0, y1 int, dst []T) error {
	if !l.tiled && l.compression == compNone {
		return direct(l, k, y0, y1, dst)
	}
	for y := y0; y < y1; {
		row := (y + l.y0) / l.segH
		end := min(y1, (row+1)*l.segH-l.y0)
		for col := l.x0 / l.segW; col <= (l.x0+l.outW-1)/l.segW; col++ {
			seg, err := segment[T](l, k, row*l.across+col)
			if err != nil {
				return err
			}
			from, to := max(col*l.segW, l.x0), min((col+1)*l.segW, l.x0+l.outW)
			for r := y; r < end; r++ {
				at := (r+l.y0-row*l.segH)*l.segW + from - col*l.segW
				copy(dst[(r-y0)*l.outW+from-l.x0:], seg[at:at+to-from])
			}
		}
		y = end
	}
	return nil
}

// chunkBytes is how much is read at a time: little enough to stay in the
// second-level cache until it is decoded.
const chunkBytes = 1 << 17

// direct is band for strips that are not compressed: only the rows asked for
// are read.
func direct[T number](l *layout, k, y0, y1 int, dst []T) error {
	w := works.Get().(*work)
	defer works.Put(w)
	rowBytes := l.rowBytes()
	for y := y0; y < y1; {
		s := (y + l.y0) / l.segH
		line := y + l.y0 - s*l.segH
		n := max(1, int(chunkBytes/rowBytes))
		n = min(n, y1-y, l.segH-line)
		first := k
		if l.planar {
			s, first = s+k*l.down, 0
		}
		w.packed = grow(w.packed, int(rowBytes)*n)
		if err := l.file.read(w.packed, l.offsets[s]+int64(line)*rowBytes, l.segmentName(s)); err != nil {
			return err
		}
		for r := range n {
			convert(l, dst[(y-y0+r)*l.outW:][:l.outW], w.packed[int(rowBytes)*r:][:rowBytes], l.x0*l.samples+first, l.file.order == binary.BigEndian)
		}
		y += n
	}
	return nil
}

// segment returns the samples of plane k in strip or tile s, counted within a
// plane, from the cache or unpacked.
func segment[T number](l *layout, k, s int) ([]T, error) {
	key := s + k*l.across*l.down
	e := l.cache.entry(key)
	e.once.Do(func() {
		var v []T
		if v, e.err = unpack[T](l, k, s); e.err == nil {
			var zero T
			e.v = v
			l.cache.account(e, int64(binary.Size(zero)*len(v)))
		}
	})
	if e.err != nil {
		return nil, e.err
	}
	return e.v.([]T), nil
}

// unpack unpacks plane k of strip or tile s, counted within a plane.
func unpack[T number](l *layout, k, s int) ([]T, error) {
	first := k
	if l.planar {
		s, first = s+k*l.across*l.down, 0
	}
	w := works.Get().(*work)
	defer works.Put(w)
	rows := l.rowsOf(s)
	fail := func(err error) error { return fmt.Errorf("photo: %s: %s: %w", l.file.name, l.segmentName(s), err) }
	w.packed = grow(w.packed, int(l.bytes[s]))
	if err := l.file.read(w.packed, l.offsets[s], l.segmentName(s)); err != nil {
		return nil, err
	}
	if l.compression == compJPEG {
		var err error
		if w.samples, err = w.jpeg.unpack(w.samples, w.packed, l.segW*l.samples*rows); err != nil {
			return nil, fail(err)
		}
		dst := make([]T, l.segW*rows)
		for i := range dst {
			dst[i] = T(w.samples[i*l.samples+first])
		}
		finish(l, dst)
		return dst, nil
	}
	rowBytes := int(l.rowBytes())
	raw := grow(w.raw, rowBytes*rows)
	w.raw = raw
	n, err := 0, error(nil)
	switch l.compression {
	case compNone:
		n = copy(raw, w.packed)
	case compPackBits:
		n = packBits(raw, w.packed)
	case compLZW:
		n, err = w.lzw.unpack(raw, w.packed)
	default:
		n, err = w.inflate(raw)
	}
	if err != nil {
		return nil, fail(err)
	}
	if n < len(raw) {
		return nil, fail(fmt.Errorf("%d bytes unpacked from %d: want %d, so the data are cut or damaged", n, len(w.packed), len(raw)))
	}
	big := l.file.order == binary.BigEndian
	dst := make([]T, l.segW*rows)
	for r := range rows {
		row := raw[r*rowBytes:][:rowBytes]
		switch l.predictor {
		case 2:
			undoDifference(row, l.bits/8, l.samples, big)
		case 3:
			w.packed = grow(w.packed, rowBytes)
			undoFloat(w.packed, row, l.bits/8, l.samples)
			copy(row, w.packed)
		}
		convert(l, dst[r*l.segW:][:l.segW], row, first, big || l.predictor == 3)
	}
	return dst, nil
}

// inflate unpacks zlib data from w.packed and returns how many bytes there
// were, no more than dst holds.
func (w *work) inflate(dst []byte) (int, error) {
	w.src.Reset(w.packed)
	var err error
	if w.zlib == nil {
		w.zlib, err = zlib.NewReader(&w.src)
	} else {
		err = w.zlib.(zlib.Resetter).Reset(&w.src, nil)
	}
	if err != nil {
		w.zlib = nil
		return 0, notEOF(err)
	}
	n, err := io.ReadFull(w.zlib, dst)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return n, nil // told as too few bytes
	}
	return n, err
}

// undoDifference adds up the differences of predictor 2 in a row: samples of
// size bytes, each the difference from the one of the same plane before it
// (TIFF 6.0, section 14).
func undoDifference(row []byte, size, stride int, big bool) {
	switch {
	case size == 1:
		for i := stride; i < len(row); i++ {
			row[i] += row[i-stride]
		}
	case size == 2 && big:
		for i := 2 * stride; i+2 <= len(row); i += 2 {
			binary.BigEndian.PutUint16(row[i:], binary.BigEndian.Uint16(row[i:])+binary.BigEndian.Uint16(row[i-2*stride:]))
		}
	case size == 2:
		for i := 2 * stride; i+2 <= len(row); i += 2 {
			binary.LittleEndian.PutUint16(row[i:], binary.LittleEndian.Uint16(row[i:])+binary.LittleEndian.Uint16(row[i-2*stride:]))
		}
	case big:
		for i := 4 * stride; i+4 <= len(row); i += 4 {
			binary.BigEndian.PutUint32(row[i:], binary.BigEndian.Uint32(row[i:])+binary.BigEndian.Uint32(row[i-4*stride:]))
		}
	default:
		for i := 4 * stride; i+4 <= len(row); i += 4 {
			binary.LittleEndian.PutUint32(row[i:], binary.LittleEndian.Uint32(row[i:])+binary.LittleEndian.Uint32(row[i-4*stride:]))
		}
	}
}

// undoFloat undoes predictor 3: the bytes of a row of floats, all first ones
// before all second ones, as differences. dst is big-endian.
//
// Source: Adobe (2005), "Adobe Photoshop TIFF Technical Note 3".
func undoFloat(dst, row []byte, size, stride int) {
	for i := stride; i < len(row); i++ {
		row[i] += row[i-stride]
	}
	n := len(row) / size
	for k := range size {
		for i, b := range row[k*n : (k+1)*n] {
			dst[i*size+k] = b
		}
	}
}

// convert decodes samples of a row as stored, beginning with sample first, and
// finishes them. dst takes as many as it holds, one of each pixel.
func convert[T number](l *layout, dst []T, row []byte, first int, big bool) {
	step := l.samples
	var order binary.ByteOrder = binary.LittleEndian
	if big {
		order = binary.BigEndian
	}
	switch {
	case l.format == formatUint && l.bits == 8:
		for i, at := 0, first; i < len(dst); i, at = i+1, at+step {
			dst[i] = T(row[at])
		}
	case l.format == formatUint && l.bits == 16 && big:
		for i, at := 0, 2*first; i < len(dst); i, at = i+1, at+2*step {
			dst[i] = T(uint16(row[at])<<8 | uint16(row[at+1]))
		}
	case l.format == formatUint && l.bits == 16:
		for i, at := 0, 2*first; i < len(dst); i, at = i+1, at+2*step {
			dst[i] = T(uint16(row[at+1])<<8 | uint16(row[at]))
		}
	case l.format == formatUint && l.bits < 16:
		bits, mask := l.bits, uint32(1)<<l.bits-1
		for i := range dst {
			// At most three bytes hold the sample, highest bit first.
			at := (first + i*step) * bits
			v := uint32(row[at/8]) << 16
			if at/8+1 < len(row) {
				v |= uint32(row[at/8+1]) << 8
			}
			if at/8+2 < len(row) {
				v |= uint32(row[at/8+2])
			}
			dst[i] = T(v >> (24 - bits - at%8) & mask)
		}
	case l.format == formatUint:
		for i := range dst {
			dst[i] = T(order.Uint32(row[4*(first+i*step):]))
		}
	case l.format == formatInt && l.bits == 8:
		for i := range dst {
			dst[i] = T(int8(row[first+i*step]))
		}
	case l.format == formatInt && l.bits == 16:
		for i := range dst {
			dst[i] = T(int16(order.Uint16(row[2*(first+i*step):])))
		}
	case l.format == formatInt:
		for i := range dst {
			dst[i] = T(int32(order.Uint32(row[4*(first+i*step):])))
		}
	case l.bits == 16:
		for i := range dst {
			dst[i] = T(half(order.Uint16(row[2*(first+i*step):])))
		}
	case l.bits == 32:
		for i := range dst {
			dst[i] = T(math.Float32frombits(order.Uint32(row[4*(first+i*step):])))
		}
	default:
		for i := range dst {
			dst[i] = T(math.Float64frombits(order.Uint64(row[8*(first+i*step):])))
		}
	}
	finish(l, dst)
}

// half returns the value of a floating-point number of 16 bits (IEEE 754-2008,
// binary16).
func half(b uint16) float32 {
	sign := uint32(b&0x8000) << 16
	exponent, fraction := uint32(b>>10&31), uint32(b&1023)
	switch exponent {
	case 0:
		v := float32(fraction) / (1 << 24)
		return math.Float32frombits(math.Float32bits(v) | sign)
	case 31:
		return math.Float32frombits(sign | 0x7f800000 | fraction<<13)
	}
	return math.Float32frombits(sign | (exponent+112)<<23 | fraction<<13)
}

// finish turns black and white round where white is zero, and linearises. A
// value beyond the table is its last (DNG 1.7, LinearizationTable).
func finish[T number](l *layout, dst []T) {
	if l.invert {
		top := float64(uint64(1)<<l.bits - 1)
		for i, v := range dst {
			dst[i] = T(top - float64(v))
		}
	}
	if l.table == nil {
		return
	}
	last := len(l.table) - 1
	for i, v := range dst {
		dst[i] = T(l.table[min(int(v), last)])
	}
}

// grow returns a slice of n elements, buf's memory if it is large enough.
func grow[T any](buf []T, n int) []T {
	if cap(buf) < n {
		return make([]T, n)
	}
	return buf[:n]
}

// cacheBytes is how much of the unpacked strips and tiles is kept: a picture of
// 32 megapixels in 16 bits.
const cacheBytes = 64 << 20

// A cache keeps the strips and tiles used last, each unpacked once by whoever
// needs it first.
type cache struct {
	mu      sync.Mutex
	entries map[int]*list.Element // of *kept
	recent  list.List             // the one used last in front
	bytes   int64
}

// kept is one strip or tile.
type kept struct {
	key   int
	once  sync.Once
	v     any // []uint16 or []float32
	err   error
	bytes int64 // guarded by the cache
}

// entry returns the entry of a key, a new one if it is not kept.
func (c *cache) entry(key int) *kept {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.entries[key]; ok {
		c.recent.MoveToFront(e)
		return e.Value.(*kept)
	}
	if c.entries == nil {
		c.entries = map[int]*list.Element{}
	}
	e := &kept{key: key}
	c.entries[key] = c.recent.PushFront(e)
	return e
}

// account adds the size of an entry and drops those that were not used for
// longest, as long as the others are too many.
func (c *cache) account(e *kept, n int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at, ok := c.entries[e.key]; !ok || at.Value.(*kept) != e {
		return // dropped while it was unpacked
	}
	e.bytes = n
	c.bytes += n
	for c.bytes > cacheBytes && c.recent.Len() > 1 {
		last := c.recent.Back()
		old := last.Value.(*kept)
		c.recent.Remove(last)
		delete(c.entries, old.key)
		c.bytes -= old.bytes
	}
}
