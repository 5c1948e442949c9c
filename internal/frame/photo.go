package frame

import (
	"errors"
	"fmt"
	"math"

	"holdfast/internal/fits"
	"holdfast/internal/photo"
	"holdfast/internal/unit"
)

// FromPhoto returns the frame of a picture that an ordinary camera took. Its
// Header holds what the picture says of the exposure, as FITS has it; see
// photoCards. The error says that a colour mosaic has no green to look at.
//
// Of a mosaic the green pixels are used, of three colours the green plane. A
// mosaic that is not declared, as in the TIFFs of capture programs, is known
// from the pixels as with New.
func FromPhoto(m *photo.Image) (*Frame, error) {
	f := &Frame{Width: m.Width, Height: m.Height, Bits: 16, Whole: m.Whole, Ceiling: unit.ADU(math.Inf(1))}
	if m.Width <= 0 || m.Height <= 0 {
		return nil, errors.New("frame: the picture has no pixels")
	}
	var err error
	if f.Header, err = photoHeader(m); err != nil {
		return nil, err
	}
	for _, s := range m.Notes {
		f.note("%s", s)
	}
	colours := m.Planes == 3
	if colours {
		m = m.Plane(1)
		f.note("three colours: the green plane is used")
	}
	if m.Bits == 8 && !m.Float {
		f.Bits = 8
	}
	if !m.Linear && !m.Float && (f.Bits == 8 || colours) {
		f.note("tone curve unknown: brightness and so widths may be distorted")
	}
	if m.White > 0 {
		f.Ceiling = unit.ADU(m.White)
	}
	f.rows = m.Rows
	if m.IsUint16() {
		f.rows16 = m.RowsUint16
	}
	switch m.Mosaic {
	case "", "RGGB", "BGGR", "GRBG", "GBRG":
	default:
		return nil, fmt.Errorf("frame: a colour mosaic of %s: want two green pixels on a diagonal and a red and a blue one", m.Mosaic)
	}
	if !colours {
		if err := f.findLattice(); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// photoHeader returns the header that photoCards makes.
func photoHeader(m *photo.Image) (*fits.Header, error) {
	var w header
	var cards []fits.Card
	for _, c := range photoCards(m) {
		card, err := fits.NewCard(c.key, c.value, c.comment)
		if err != nil {
			return nil, fmt.Errorf("frame: %w", err)
		}
		cards = append(cards, card)
	}
	if _, err := fits.NewWriter[uint8](&w, []int{m.Width, m.Height}, cards); err != nil {
		return nil, fmt.Errorf("frame: %w", err)
	}
	return fits.ParseHeader(w), nil
}

// header is what is written of a file: its header.
type header []byte

// Write implements io.Writer.
func (h *header) Write(p []byte) (int, error) {
	*h = append(*h, p...)
	return len(p), nil
}

type photoCard struct {
	key     string
	value   any
	comment string
}

// photoCards returns what a picture says of the exposure: ROWORDER, and, as
// far as they are known, EXPTIME, DATE-OBS, FOCALLEN, APTDIA, XPIXSZ, YPIXSZ,
// ISOSPEED and BAYERPAT.
// DATE-OBS is UTC; a camera's clock whose offset is not given goes to DATE-LOC,
// which no reader takes for UTC.
//
// Source: FITS 4.0, sections 4.4.2 and 9; for the other keywords common
// practice, no standard.
func photoCards(m *photo.Image) []photoCard {
	var out []photoCard
	add := func(key string, value any, comment string) { out = append(out, photoCard{key, value, comment}) }
	order := "TOP-DOWN"
	if m.BottomUp {
		order = "BOTTOM-UP"
	}
	add("ROWORDER", order, "where the first row lies")
	f := m.Facts
	const stamp = "2006-01-02T15:04:05.999"
	switch {
	case f.Taken.IsZero():
	case f.Zone:
		add("DATE-OBS", f.Taken.Format(stamp), "UTC, start of exposure")
	default:
		add("DATE-LOC", f.Taken.Format(stamp), "the camera's clock")
	}
	if f.Exposure > 0 {
		add("EXPTIME", float64(f.Exposure), "s")
	}
	if f.Focal > 0 {
		add("FOCALLEN", float64(f.Focal), "mm")
		if f.FNumber > 0 {
			add("APTDIA", float64(f.Focal)/f.FNumber, "mm")
		}
	}
	if f.Pixel > 0 {
		add("XPIXSZ", float64(f.Pixel), "um")
		add("YPIXSZ", float64(f.Pixel), "um")
	}
	if f.ISO > 0 {
		add("ISOSPEED", f.ISO, "sensitivity")
	}
	if m.Mosaic != "" {
		add("BAYERPAT", m.Mosaic, "colours of two rows of two pixels")
	}
	return out
}
