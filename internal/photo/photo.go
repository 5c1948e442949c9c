// Package photo reads the pictures of ordinary cameras: TIFF, DNG and PNG, and
// nothing that has lost what a star is measured by. JPEG and the raw formats of
// single makers are refused with what to do instead.
//
// Pixels come in bands of rows, in the caller's buffers, as they are stored: no
// colour is mixed, no curve applied, no black level taken off. There are two
// exceptions, both DNG's own: a table of linearisation is applied, and where
// the black level differs from pixel to pixel the difference is. Rows count
// from 0 in the order of the file, whichever way up the camera was held.
//
// Nothing is allocated because a header says so: what is declared is held
// against the size of the file and the most that its compression can do.
//
// Sources: Aldus (1992), "TIFF Revision 6.0"; Adobe (2023), "Digital Negative
// (DNG) Specification", version 1.7; ITU-T T.81 (1992), annex H; W3C (2003),
// "Portable Network Graphics (PNG) Specification", second edition; CIPA DC-008
// (2012), "Exchangeable image file format for digital still cameras".
package photo

import (
	"fmt"
	"io"
	"time"

	"holdfast/internal/unit"
)

// An Image is one plane of a picture: Plane picks another. Its methods may be
// called from several goroutines at once.
type Image struct {
	Kind   Kind
	Width  int // pixels in a row
	Height int // rows
	Planes int // 1, or 3 for red, green and blue; further samples of a pixel are not looked at

	Bits   int     // bits in which a sample is stored; 8 for a PNG of fewer
	Float  bool    // samples are floating-point numbers
	Signed bool    // samples are signed integers
	Whole  bool    // every value is a whole number
	Linear bool    // values are known to grow in proportion to the light
	White  float64 // no pixel can hold more; 0 if neither the file nor its type of number says so
	Black  float64 // value of a pixel without light, the least of those that DNG gives; 0 if it gives none

	// BottomUp says that the first row is the lowest, of which TIFF has a tag
	// (Orientation 4). Pictures turned or mirrored otherwise are left as they
	// are stored.
	BottomUp bool

	// Mosaic is the colours of the first two rows of two pixels, such as
	// "RGGB", in letters of RGBCMYW; "" if the picture is no colour mosaic.
	Mosaic string
	Facts  Facts
	Notes  []string // what a person should know of how the picture is read

	// at returns the readers of plane k; ints is nil if uint16 does not hold
	// every pixel.
	at   func(k int) (floats func(y0, y1 int, dst []float32) error, ints func(y0, y1 int, dst []uint16) error)
	rows func(y0, y1 int, dst []float32) error
	ints func(y0, y1 int, dst []uint16) error
}

// Facts is what a picture says of how it was taken, in the terms of EXIF. Zero
// is not known.
type Facts struct {
	Exposure unit.Second
	Taken    time.Time // when the exposure began; the camera's clock in time.UTC if Zone is false
	Zone     bool      // the offset from UTC is given, and Taken is UTC
	ISO      float64   // sensitivity
	Focal    unit.MM   // of the lens that the camera believes to be mounted
	FNumber  float64
	Pixel    unit.Micron // pitch of the pixels
}

// maxPixels bounds a picture: the largest sensors have some 150 megapixels.
const maxPixels = 1 << 28

// Open reads what lies around the pixels of the picture r of the given size in
// bytes; name goes into messages. The error says why the picture is refused and
// what would do. r must stay open while the Image is used, except for a PNG,
// which is unpacked here.
func Open(name string, r io.ReaderAt, size int64) (*Image, error) {
	head := make([]byte, min(size, SniffLen))
	if n, err := r.ReadAt(head, 0); n < len(head) {
		return nil, fmt.Errorf("photo: %s: %d bytes read of %d: %w", name, n, len(head), notEOF(err))
	}
	switch Sniff(head) {
	case PNG:
		return openPNG(name, r, size)
	case TIFF, DNG:
		return openTIFF(name, r, size)
	case None:
		return nil, fmt.Errorf("photo: %s: begins with %q: want a TIFF, a DNG or a PNG", name, head[:min(8, len(head))])
	}
	return nil, refusal(name, head)
}

// Plane returns the image of plane k, counted from 0. It panics if there is no
// such plane.
func (m *Image) Plane(k int) *Image {
	if k < 0 || k >= m.Planes {
		panic(fmt.Sprintf("photo: plane %d of a picture of %d", k, m.Planes))
	}
	p := *m
	p.rows, p.ints = m.at(k)
	return &p
}

// Rows decodes rows y0 to y1-1 into dst, row after row, rounded to float32.
// Compressed pictures are unpacked by whole strips or tiles, of which some 64
// megabytes are kept for the next call. After an error dst holds whatever was
// decoded before it. Rows panics if the band leaves the picture or dst is not
// (y1-y0)*Width long.
func (m *Image) Rows(y0, y1 int, dst []float32) error {
	m.check(y0, y1, len(dst))
	return m.rows(y0, y1, dst)
}

// IsUint16 reports whether RowsUint16 works: every pixel is a whole number from
// 0 to 65535.
func (m *Image) IsUint16() bool { return m.ints != nil }

// RowsUint16 is Rows in half the memory. It panics also if IsUint16 is false.
func (m *Image) RowsUint16(y0, y1 int, dst []uint16) error {
	m.check(y0, y1, len(dst))
	if m.ints == nil {
		panic("photo: RowsUint16 of a picture that uint16 does not hold")
	}
	return m.ints(y0, y1, dst)
}

func (m *Image) check(y0, y1, n int) {
	if y0 < 0 || y1 < y0 || y1 > m.Height || n != (y1-y0)*m.Width {
		panic(fmt.Sprintf("photo: rows %d to %d into %d pixels, of a picture of %d by %d", y0, y1, n, m.Width, m.Height))
	}
}

// notEOF keeps the end of a file from being taken for the end of all there is.
func notEOF(err error) error {
	if err == io.EOF || err == nil {
		return io.ErrUnexpectedEOF
	}
	return err
}
