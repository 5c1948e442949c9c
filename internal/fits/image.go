package fits

import (
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
)

// An Image is one plane of an image in a file: Plane picks another. Its
// methods may be called from several goroutines at once.
type Image struct {
	Header *Header // the unit's header; of a compressed image, that of the table that holds it
	Width  int     // pixels in a row
	Height int     // rows
	Planes int     // planes: 1, or as many as the third and further axes hold
	Bitpix int     // how the file stores a pixel: 8, 16, 32, 64 integer, -32, -64 float

	hdu     *HDU
	plane   int
	scaling scaling
	tiles   *tiling // nil if the image is not compressed
	pool    *sync.Pool
}

// work is what one call of Rows needs, kept for the next.
type work struct {
	raw   []byte
	strip strip
}

// rawChunk is how many bytes are read at a time: few enough to stay in the
// second-level cache until they are decoded.
const rawChunk = 1 << 17

// HDU returns the unit that holds the image.
func (m *Image) HDU() *HDU { return m.hdu }

// Sample returns the type that holds the pixel values exactly.
func (m *Image) Sample() Sample { return m.scaling.sample }

// Compression returns ZCMPTYPE of a tile-compressed image, "" for a plain one.
func (m *Image) Compression() string {
	if m.tiles == nil {
		return ""
	}
	return m.tiles.method
}

// Plane returns the image of plane k, counted from 0. It panics if there is no
// such plane.
func (m *Image) Plane(k int) *Image {
	if k < 0 || k >= m.Planes {
		panic(fmt.Sprintf("fits: plane %d of an image of %d", k, m.Planes))
	}
	p := *m
	p.plane = k
	return &p
}

// newImage returns the image of the unit with the given axes, the fastest
// first, and the axes as they are used: axes of length 1 are dropped as long
// as more than two are left.
func (u *HDU) newImage(axes []int64, bitpix int) (*Image, error) {
	m := &Image{Header: u.Header, Bitpix: bitpix, hdu: u, Width: 1, Height: 1, Planes: 1}
	m.pool = &sync.Pool{New: func() any { return new(work) }}
	planes := int64(1)
	for i, n := range axes {
		switch i {
		case 0:
			m.Width = int(n)
		case 1:
			m.Height = int(n)
		default:
			planes *= n
		}
		if n > math.MaxInt32 || planes > math.MaxInt32 {
			return nil, fmt.Errorf("fits: %s: HDU %d: axes %v: want no axis longer than %d", u.file.name, u.index, axes, math.MaxInt32)
		}
	}
	m.Planes = int(planes)
	var err error
	m.scaling, err = u.Header.scaling(bitpix)
	return m, err
}

// squeeze returns which of the axes are used: all of two, and of more those
// longer than 1, with as many of the others, from the first, as make two.
func squeeze(axes []int64) []int {
	var used []int
	long := 0
	for _, n := range axes {
		if n != 1 {
			long++
		}
	}
	spare := max(0, 2-long)
	if len(axes) <= 2 {
		spare = len(axes)
	}
	for i, n := range axes {
		if n != 1 {
			used = append(used, i)
		} else if spare > 0 {
			used = append(used, i)
			spare--
		}
	}
	return used
}

// pick returns the elements of v at the places.
func pick(v []int64, places []int) []int64 {
	out := make([]int64, len(places))
	for i, p := range places {
		out[i] = v[p]
	}
	return out
}

// plainImage returns the image of a unit that is not compressed.
func (u *HDU) plainImage() (*Image, error) {
	return u.newImage(pick(u.lay.axes, squeeze(u.lay.axes)), u.lay.bitpix)
}

// check panics if the band is not inside the image or n is not its size.
func (m *Image) check(y0, y1, n int) {
	if y0 < 0 || y1 < y0 || y1 > m.Height {
		panic(fmt.Sprintf("fits: rows %d to %d of an image of %d", y0, y1, m.Height))
	}
	if n != (y1-y0)*m.Width {
		panic(fmt.Sprintf("fits: a buffer of %d pixels for %d rows of %d", n, y1-y0, m.Width))
	}
}

// Rows decodes rows y0 to y1-1 into dst, row after row: physical values,
// rounded to float32, NaN for blank pixels. dst must hold exactly
// (y1-y0)*Width pixels; it is the only thing that grows with the band, except
// that a compressed image is unpacked by whole tiles. Bands that share a tile
// are fastest read in order by one goroutine, which unpacks it once. After an error dst holds
// whatever was decoded before it. Rows panics if the band leaves the image or
// dst has another length.
func (m *Image) Rows(y0, y1 int, dst []float32) error {
	m.check(y0, y1, len(dst))
	return rows(m, y0, y1, dst)
}

// RowsFloat64 is Rows in float64, for images whose 32 or 64 bits count: exact
// for everything but 64-bit integers beyond 2^53.
func (m *Image) RowsFloat64(y0, y1 int, dst []float64) error {
	m.check(y0, y1, len(dst))
	return rows(m, y0, y1, dst)
}

// IsUint16 reports whether uint16 holds every pixel of the image, so that
// RowsUint16 works: unsigned integers of 8 or 16 bits without BLANK.
func (m *Image) IsUint16() bool {
	return (m.scaling.sample == Uint16 || m.scaling.sample == Uint8) && !m.scaling.blanks
}

// RowsUint16 is Rows for images that uint16 holds exactly: half the memory,
// no rounding. It returns an error if IsUint16 is false.
func (m *Image) RowsUint16(y0, y1 int, dst []uint16) error {
	m.check(y0, y1, len(dst))
	if !m.IsUint16() {
		return fmt.Errorf("fits: %s: HDU %d: the pixels are %v (BITPIX %d): want unsigned integers of 16 bits for uint16 rows", m.hdu.file.name, m.hdu.index, m.scaling.sample, m.Bitpix)
	}
	w := m.pool.Get().(*work)
	defer m.pool.Put(w)
	if m.tiles != nil {
		for y := y0; y < y1; y++ {
			row, err := m.tileRow(w, y)
			if err != nil {
				return err
			}
			out := dst[(y-y0)*m.Width:][:m.Width]
			zero := int32(m.scaling.zero)
			for i, v := range row.ints {
				out[i] = uint16(v + zero)
			}
		}
		return nil
	}
	return m.readRaw(w, y0, y1, func(at int, src []byte) {
		if m.Bitpix == 16 {
			uint16s(dst[at:at+len(src)/2], src)
			return
		}
		out := dst[at : at+len(src)]
		for i, b := range src {
			out[i] = uint16(b)
		}
	})
}

// rows is Rows for either float.
func rows[T float](m *Image, y0, y1 int, dst []T) error {
	w := m.pool.Get().(*work)
	defer m.pool.Put(w)
	if m.tiles != nil {
		for y := y0; y < y1; y++ {
			row, err := m.tileRow(w, y)
			if err != nil {
				return err
			}
			out := dst[(y-y0)*m.Width:][:m.Width]
			if row.ints != nil {
				ints(out, row.ints, &m.scaling)
				continue
			}
			for i, v := range row.floats {
				out[i] = T(v)
			}
		}
		return nil
	}
	size := abs(m.Bitpix) / 8
	return m.readRaw(w, y0, y1, func(at int, src []byte) {
		decodeRaw(dst[at:at+len(src)/size], src, &m.scaling)
	})
}

// readRaw hands the stored bytes of the rows to use in pieces, with the place
// of each piece's first pixel in the band.
func (m *Image) readRaw(w *work, y0, y1 int, use func(at int, src []byte)) error {
	size := int64(abs(m.Bitpix) / 8)
	rowBytes := size * int64(m.Width)
	off := m.hdu.data + (int64(m.plane)*int64(m.Height)+int64(y0))*rowBytes
	left := int64(y1-y0) * rowBytes
	for at := 0; left > 0; {
		n := int(min(left, rawChunk))
		w.raw = grow(w.raw, n)
		if err := m.read(w.raw, off); err != nil {
			return err
		}
		use(at, w.raw)
		at += n / int(size)
		off += int64(n)
		left -= int64(n)
	}
	return nil
}

// read fills p from the file at off.
func (m *Image) read(p []byte, off int64) error {
	f := m.hdu.file
	n, err := f.src.ReadAt(p, off)
	if n == len(p) {
		return nil
	}
	if isEOF(err) {
		return &ShortError{Name: f.name, HDU: m.hdu.index, Have: off + int64(n), Want: off + int64(len(p))}
	}
	return f.readError(m.hdu.index, err)
}

// isEOF reports whether err says that the input ended.
func isEOF(err error) bool { return err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF) }

// grow returns a slice of n elements, buf's memory if it is large enough.
func grow[T any](buf []T, n int) []T {
	if cap(buf) < n {
		return make([]T, n)
	}
	return buf[:n]
}
