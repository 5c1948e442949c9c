package photo

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
)

const (
	pngMagic = "\x89PNG\r\n\x1a\n"
	// pngRatio is the most bytes that a byte of Deflate can unpack to
	// (RFC 1951: 258 bytes in two bits).
	pngRatio = 1032
	// maxChunk bounds the chunks that are read here: EXIF facts.
	maxChunk = 1 << 20
)

// pngHead is what the chunks before and around the pixels say.
type pngHead struct {
	width, height int
	depth, colour int
	gamma         uint32 // times 100000; 0 if not said
	exif          []byte
}

// Colour types of a PNG (PNG, section 11.2.2).
const (
	pngGrey      = 0
	pngRGB       = 2
	pngPalette   = 3
	pngGreyAlpha = 4
	pngRGBA      = 6
)

// samples is how many samples of a pixel are stored, by colour type.
var samples = map[int]int{pngGrey: 1, pngRGB: 3, pngPalette: 1, pngGreyAlpha: 2, pngRGBA: 4}

// openPNG unpacks a PNG.
func openPNG(name string, r io.ReaderAt, size int64) (*Image, error) {
	h, err := walkPNG(name, r, size)
	if err != nil {
		return nil, err
	}
	pic, err := png.Decode(bufio.NewReaderSize(io.NewSectionReader(r, 0, size), 1<<16))
	if err != nil {
		return nil, fmt.Errorf("photo: %s: %w: damaged", name, err)
	}
	m := &Image{Kind: PNG, Width: h.width, Height: h.height, Planes: 1, Bits: max(8, h.depth), Whole: true}
	m.White = float64(int(1)<<m.Bits - 1)
	m.Linear = h.gamma == 100000
	if h.colour == pngRGB || h.colour == pngRGBA {
		m.Planes = 3
	}
	if p, ok := pic.(*image.Paletted); ok && !grey(p.Palette) {
		m.Planes = 3
	}
	if h.colour == pngGreyAlpha || h.colour == pngRGBA {
		m.Notes = append(m.Notes, "its transparency is not looked at")
	}
	pix, err := newRaster(pic)
	if err != nil {
		return nil, fmt.Errorf("photo: %s: %w", name, err)
	}
	if at := pic.Bounds(); at.Dx() != h.width || at.Dy() != h.height {
		return nil, fmt.Errorf("photo: %s: %v pixels unpacked: want %d by %d as the header says", name, at, h.width, h.height)
	}
	m.at = func(k int) (func(int, int, []float32) error, func(int, int, []uint16) error) {
		return func(y0, _ int, dst []float32) error { fill(pix, k, m.Width, y0, dst); return nil },
			func(y0, _ int, dst []uint16) error { fill(pix, k, m.Width, y0, dst); return nil }
	}
	m.rows, m.ints = m.at(0)
	if h.exif != nil {
		if err := m.readExif(name, h.exif); err != nil {
			m.Notes = append(m.Notes, fmt.Sprintf("what the file says of the exposure can not be read (%v)", err))
		}
	}
	return m, nil
}

// walkPNG reads the chunks of a PNG, but not the pixels, and holds the size of
// the picture against theirs.
func walkPNG(name string, r io.ReaderAt, size int64) (h pngHead, err error) {
	fail := func(format string, args ...any) (pngHead, error) {
		return h, fmt.Errorf("photo: %s: "+format, append([]any{name}, args...)...)
	}
	data := int64(0) // bytes of IDAT
	for off := int64(len(pngMagic)); ; {
		var head [8]byte
		if n, err := r.ReadAt(head[:], off); n < len(head) {
			return fail("no IEND chunk in %d bytes: truncated or still being written: %w", size, notEOF(err))
		}
		n, kind := int64(binary.BigEndian.Uint32(head[:])), string(head[4:])
		if n > size-off-12 {
			return fail("a chunk %q of %d bytes at byte %d, of a file of %d: truncated, damaged or still being written", kind, n, off, size)
		}
		if off == int64(len(pngMagic)) && (kind != "IHDR" || n != 13) {
			return fail("the first chunk is %q of %d bytes: want IHDR of 13", kind, n)
		}
		var body []byte
		switch kind {
		case "IHDR", "gAMA", "eXIf":
			if n <= maxChunk {
				body = make([]byte, n)
				if got, err := r.ReadAt(body, off+8); int64(got) < n {
					return fail("chunk %q: %w", kind, notEOF(err))
				}
			}
		case "IDAT":
			data += n
		}
		switch {
		case kind == "IHDR" && len(body) == 13:
			w, ht := binary.BigEndian.Uint32(body), binary.BigEndian.Uint32(body[4:])
			if w == 0 || ht == 0 || uint64(w)*uint64(ht) > maxPixels {
				return fail("a picture of %d by %d pixels: want from 1 to %d in all", w, ht, maxPixels)
			}
			h.width, h.height, h.depth, h.colour = int(w), int(ht), int(body[8]), int(body[9])
			if samples[h.colour] == 0 || h.depth < 1 || h.depth > 16 {
				return fail("IHDR says colour type %d with %d bits: want one that PNG has", h.colour, h.depth)
			}
		case kind == "gAMA" && len(body) == 4:
			h.gamma = binary.BigEndian.Uint32(body)
		case kind == "eXIf":
			h.exif = body
		case kind == "IEND":
			rows := int64(h.height)
			row := (int64(h.width)*int64(samples[h.colour])*int64(h.depth) + 7) / 8
			if need := rows * (row + 1); need/pngRatio > data {
				return fail("%d bytes of compressed pixels for %d by %d of them: want at least %d", data, h.width, h.height, need/pngRatio)
			}
			return h, nil
		}
		off += 12 + n
	}
}

// readExif reads facts from an EXIF chunk, which is a TIFF without a picture.
func (m *Image) readExif(name string, b []byte) error {
	t := &tiff{name: name, r: bytesAt(b), size: int64(len(b)), order: binary.LittleEndian}
	if len(b) < 8 {
		return t.errorf("an EXIF chunk of %d bytes: want at least 8", len(b))
	}
	if b[0] == 'M' {
		t.order = binary.BigEndian
	}
	d, _, err := t.openDirectory(int64(t.order.Uint32(b[4:])))
	if err != nil {
		return err
	}
	return m.readFacts(d)
}

// bytesAt is a byte slice as an io.ReaderAt.
type bytesAt []byte

// ReadAt implements io.ReaderAt.
func (b bytesAt) ReadAt(p []byte, off int64) (int, error) {
	if off > int64(len(b)) {
		return 0, io.EOF
	}
	n := copy(p, b[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// grey reports whether a palette has no colours.
func grey(p color.Palette) bool {
	for _, c := range p {
		n := color.NRGBAModel.Convert(c).(color.NRGBA)
		if n.R != n.G || n.G != n.B {
			return false
		}
	}
	return true
}

// A raster is the pixels of an unpacked PNG as they are stored, colours not
// multiplied by their opacity.
type raster struct {
	pix        []byte
	stride     int // bytes of a row
	step, size int // bytes of a pixel, and of a sample
	table      *[256][3]uint16
}

// newRaster returns the pixels of what package png delivers.
func newRaster(pic image.Image) (raster, error) {
	switch p := pic.(type) {
	case *image.Gray:
		return raster{p.Pix, p.Stride, 1, 1, nil}, nil
	case *image.Gray16:
		return raster{p.Pix, p.Stride, 2, 2, nil}, nil
	case *image.RGBA: // without transparency
		return raster{p.Pix, p.Stride, 4, 1, nil}, nil
	case *image.RGBA64: // without transparency
		return raster{p.Pix, p.Stride, 8, 2, nil}, nil
	case *image.NRGBA:
		return raster{p.Pix, p.Stride, 4, 1, nil}, nil
	case *image.NRGBA64:
		return raster{p.Pix, p.Stride, 8, 2, nil}, nil
	case *image.Paletted:
		r := raster{p.Pix, p.Stride, 1, 1, new([256][3]uint16)}
		for i, c := range p.Palette {
			n := color.NRGBAModel.Convert(c).(color.NRGBA)
			r.table[i] = [3]uint16{uint16(n.R), uint16(n.G), uint16(n.B)}
		}
		return r, nil
	}
	return raster{}, errors.New("a PNG whose pixels are laid out in a way that is not known")
}

// fill fills dst with plane k from row y0.
func fill[T number](r raster, k, width, y0 int, dst []T) {
	at := 0
	if r.step > r.size {
		at = k * r.size
	}
	for y := 0; y*width < len(dst); y++ {
		row, out := r.pix[(y0+y)*r.stride:][:width*r.step], dst[y*width:][:width]
		switch {
		case r.table != nil:
			for x, b := range row {
				out[x] = T(r.table[b][k])
			}
		case r.size == 1:
			for x := range out {
				out[x] = T(row[x*r.step+at])
			}
		default:
			for x := range out {
				b := row[x*r.step+at:]
				out[x] = T(uint16(b[0])<<8 | uint16(b[1]))
			}
		}
	}
}
