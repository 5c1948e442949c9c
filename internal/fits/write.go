package fits

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strconv"
)

// A Pixel is a type an image can be written in. uint16 is stored as signed
// integers with BZERO 32768, as the standard prescribes (FITS 4.0, table 11).
type Pixel interface {
	uint8 | int16 | uint16 | int32 | float32
}

// A Writer writes one image in the primary unit of a new file, pixel after
// pixel, without holding it.
type Writer[T Pixel] struct {
	w    io.Writer
	left int64 // pixels still to come
	size int64 // bytes of data
	buf  []byte
	err  error
}

// Reserved reports whether the Writer itself writes the keyword: those that
// lay the data out or scale them, their checksums, and END. Leave them out
// when cards are carried over from another file.
func Reserved(key string) bool {
	switch normal(key) {
	case "BSCALE", "BZERO", "BLANK", "EXTEND", "END", "CHECKSUM", "DATASUM", "CONTINUE":
		return true
	}
	return isLayout(key)
}

// NewWriter writes the header of an image to w and returns the Writer for its
// pixels: axes holds its width, height and, if there are more than one, its
// planes. The cards follow in their order. The error says which card can not
// be written, or is the error of w.
func NewWriter[T Pixel](w io.Writer, axes []int, cards []Card) (*Writer[T], error) {
	var zero T
	bitpix := map[string]int{"uint8": 8, "int16": 16, "uint16": 16, "int32": 32, "float32": -32}[fmt.Sprintf("%T", zero)]
	pixels := int64(1)
	for _, n := range axes {
		if n < 1 || int64(n) > maxBytes/8/pixels {
			return nil, fmt.Errorf("fits: axes %v to write: want each at least 1 and no more than 2^47 pixels", axes)
		}
		pixels *= int64(n)
	}
	if len(axes) == 0 || len(axes) > 3 {
		return nil, fmt.Errorf("fits: %d axes to write: want width, height and perhaps planes", len(axes))
	}
	var head []byte
	fixed := func(key string, value any, comment string) {
		c, err := NewCard(key, value, comment)
		if err != nil {
			panic(err) // not for these
		}
		head = c.records(head)
	}
	fixed("SIMPLE", true, "FITS 4.0")
	fixed("BITPIX", bitpix, "bits in a pixel, negative for floats")
	fixed("NAXIS", len(axes), "number of axes")
	for i, n := range axes {
		fixed("NAXIS"+strconv.Itoa(i+1), n, [...]string{"width", "height", "planes"}[i])
	}
	if _, ok := any(zero).(uint16); ok {
		fixed("BZERO", 32768, "pixel = stored value + BZERO: unsigned")
		fixed("BSCALE", 1, "")
	}
	for i, c := range cards {
		if c.Kind != Commentary && Reserved(c.Key) {
			return nil, fmt.Errorf("fits: card %d to write: the writer sets %s itself: want it left out", i+1, c.Key)
		}
		if err := c.writable(); err != nil {
			return nil, err
		}
		head = c.records(head)
	}
	head = pad(head, "END")
	for int64(len(head)) < padded(int64(len(head))) {
		head = append(head, ' ')
	}
	if _, err := w.Write(head); err != nil {
		return nil, fmt.Errorf("fits: writing the header: %w", err)
	}
	return &Writer[T]{w: w, left: pixels, size: pixels * int64(abs(bitpix)/8)}, nil
}

// Write writes the next pixels, in the order of the rows, any number at a
// time. It returns an error if there are more than the axes hold, or that of
// the writer below; after one, every further call returns it again.
func (w *Writer[T]) Write(pixels []T) error {
	if w.err != nil {
		return w.err
	}
	if int64(len(pixels)) > w.left {
		w.err = fmt.Errorf("fits: %d pixels to write: want no more than the %d that are left", len(pixels), w.left)
		return w.err
	}
	const chunk = 1 << 15
	for len(pixels) > 0 {
		n := min(len(pixels), chunk)
		w.buf = appendPixels(w.buf[:0], pixels[:n])
		if _, err := w.w.Write(w.buf); err != nil {
			w.err = fmt.Errorf("fits: writing pixels: %w", err)
			return w.err
		}
		w.left -= int64(n)
		pixels = pixels[n:]
	}
	return nil
}

// Close pads the file. It returns an error if pixels are missing. It does not
// close the writer below.
func (w *Writer[T]) Close() error {
	if w.err != nil {
		return w.err
	}
	if w.left > 0 {
		w.err = fmt.Errorf("fits: closing with %d pixels missing: want all that the axes hold", w.left)
		return w.err
	}
	_, err := w.w.Write(make([]byte, padded(w.size)-w.size))
	if err != nil {
		err = fmt.Errorf("fits: writing the padding: %w", err)
	}
	return err
}

// appendPixels appends the pixels in big-endian order.
func appendPixels[T Pixel](dst []byte, pixels []T) []byte {
	switch p := any(pixels).(type) {
	case []uint8:
		return append(dst, p...)
	case []int16:
		for _, v := range p {
			dst = binary.BigEndian.AppendUint16(dst, uint16(v))
		}
	case []uint16:
		for _, v := range p {
			dst = binary.BigEndian.AppendUint16(dst, v^0x8000)
		}
	case []int32:
		for _, v := range p {
			dst = binary.BigEndian.AppendUint32(dst, uint32(v))
		}
	case []float32:
		for _, v := range p {
			dst = binary.BigEndian.AppendUint32(dst, math.Float32bits(v))
		}
	}
	return dst
}
