// Package frame delivers the picture that a camera took in bands of rows, and
// says what must be known to measure on it: which pixels saw the same colour,
// at what value a pixel is full, what an ADU is worth in electrons.
//
// A pixel is x, y with (0, 0) the first one stored, x along a row; rows are in
// the order of the file, whichever way up that is. Values are in ADU. A pixel
// without value is NaN.
//
// The sensor of a one-shot-colour camera sees a different colour in each of
// two by two pixels. Such a frame is not interpolated: its Lattice says which
// pixels lie under a green filter, half of them in a chequered pattern, and
// the others are not looked at. Of a picture with three planes of colour the
// second, green, is delivered. Notes says what was done.
package frame

import (
	"errors"
	"fmt"
	"math"

	"holdfast/internal/fits"
	"holdfast/internal/unit"
)

// A Frame is a picture in bands of rows. Its methods may be called from
// several goroutines at once.
type Frame struct {
	Width, Height int
	Header        *fits.Header // nil if the picture came without
	Lattice       Lattice      // which pixels saw one colour
	Bits          int          // 8 if no pixel can hold more than 256 values, otherwise 16 or more
	Whole         bool         // every value is a whole number
	Ceiling       unit.ADU     // no pixel can hold more; +Inf if not known
	Gain          Gain         // zero if not known
	Notes         []string     // what a person should know of how the picture is read

	rows   func(y0, y1 int, dst []float32) error
	rows16 func(y0, y1 int, dst []uint16) error // nil if uint16 does not hold every pixel
}

// Gain is what one ADU is worth.
type Gain struct {
	ElectronPerADU float64 // 0 if not known
	From           string  // the card it was read from, or "given"
}

// New returns the frame of the image. The error says that the image has no
// pixels, or why its mosaic can not be looked into.
//
// A mosaic is known from the header (see fits.Header.Mosaic, and FILTER if it
// holds a pattern) or, if the header is silent, from the pixels: their means
// in the four places of two by two differ as a mosaic makes them differ.
func New(m *fits.Image) (*Frame, error) {
	f := &Frame{Width: m.Width, Height: m.Height, Header: m.Header, Bits: 16, Ceiling: unit.ADU(math.Inf(1))}
	if m.Width <= 0 || m.Height <= 0 {
		return nil, errors.New("frame: the image has no pixels")
	}
	if m.Planes == 3 {
		m = m.Plane(1)
		f.note("three colours: the second plane, taken for green, is used")
	} else if m.Planes > 1 {
		f.note("%d planes: the first is used", m.Planes)
	}
	f.rows = m.Rows
	if m.IsUint16() {
		f.rows16 = m.RowsUint16
	}
	switch s := m.Sample(); s {
	case fits.Uint8, fits.Int8:
		f.Bits, f.Whole = 8, true
	case fits.Int16, fits.Uint16, fits.Int32, fits.Uint32, fits.Int64, fits.Uint64:
		f.Whole = true
	}
	switch m.Sample() {
	case fits.Uint8:
		f.Ceiling = math.MaxUint8
	case fits.Uint16:
		f.Ceiling = math.MaxUint16
	case fits.Int16:
		f.Ceiling = math.MaxInt16
	}
	for _, key := range []string{"SATURATE", "SATLEVEL"} {
		if v, ok := m.Header.Float(key); ok && v > 0 {
			f.Ceiling = min(f.Ceiling, unit.ADU(v))
			break
		}
	}
	f.Gain = headerGain(m.Header)
	if m.Planes != 3 {
		if err := f.findLattice(); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// FromPixels returns a frame of the given pixels, width times height of them
// row after row, which it keeps without copying. It panics if their number is
// another.
func FromPixels[T uint16 | float32](width, height int, pixels []T) *Frame {
	if len(pixels) != width*height || width <= 0 {
		panic(fmt.Sprintf("frame: %d pixels for %d by %d", len(pixels), width, height))
	}
	f := &Frame{Width: width, Height: height, Bits: 16, Ceiling: unit.ADU(math.Inf(1))}
	if p, ok := any(pixels).([]uint16); ok {
		f.Whole, f.Ceiling = true, math.MaxUint16
		f.rows16 = func(y0, y1 int, dst []uint16) error {
			copy(dst, p[y0*width:y1*width])
			return nil
		}
	}
	f.rows = func(y0, y1 int, dst []float32) error {
		for i, v := range pixels[y0*width : y1*width] {
			dst[i] = float32(v)
		}
		return nil
	}
	return f
}

// Rows decodes rows y0 to y1-1 into dst, row after row. It panics if the rows
// are not in the frame or dst is not (y1-y0)*Width long.
func (f *Frame) Rows(y0, y1 int, dst []float32) error {
	f.check(y0, y1, len(dst))
	return f.rows(y0, y1, dst)
}

// IsUint16 reports whether RowsUint16 works: every pixel is a whole number
// from 0 to 65535.
func (f *Frame) IsUint16() bool { return f.rows16 != nil }

// RowsUint16 is Rows in half the memory. It panics also if IsUint16 is false.
func (f *Frame) RowsUint16(y0, y1 int, dst []uint16) error {
	f.check(y0, y1, len(dst))
	if f.rows16 == nil {
		panic("frame: RowsUint16 of a frame that uint16 does not hold")
	}
	return f.rows16(y0, y1, dst)
}

func (f *Frame) check(y0, y1, n int) {
	if y0 < 0 || y1 < y0 || y1 > f.Height || n != (y1-y0)*f.Width {
		panic(fmt.Sprintf("frame: rows %d to %d into %d pixels, of a frame of %d by %d", y0, y1, n, f.Width, f.Height))
	}
}

func (f *Frame) note(format string, args ...any) {
	f.Notes = append(f.Notes, fmt.Sprintf(format, args...))
}

// headerGain reads the gain. EGAIN is electrons per ADU by habit; GAIN is that
// by an older habit and the setting of an amplifier by a newer one, so it is
// believed only up to 20, which leaves the settings of most cameras out.
//
// Common practice, no standard.
func headerGain(h *fits.Header) Gain {
	if v, ok := h.Float("EGAIN"); ok && v > 0 {
		return Gain{v, "EGAIN"}
	}
	if v, ok := h.Float("GAIN"); ok && v > 0 && v <= 20 {
		return Gain{v, "GAIN"}
	}
	return Gain{}
}
