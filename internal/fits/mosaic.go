package fits

import "strings"

// A Mosaic is the colour filter pattern of a one-shot-colour sensor as the
// header gives it.
type Mosaic struct {
	Pattern string // the colours of the first two rows of two, such as "RGGB", in capitals
	X, Y    int    // how far the pattern is shifted along a row and across rows
}

// Mosaic returns the colour filter pattern from BAYERPAT (or its spellings
// BAYRPAT, COLORTYP), with the shifts in XBAYROFF and YBAYROFF (or BAYOFFX,
// BAYOFFY); false if there is none or it is not four of R, G and B.
//
// Whether "first row" means the first in the file or the top one is not
// settled among programs; RowOrder tells what the header says of it. Common
// practice, no standard.
func (h *Header) Mosaic() (Mosaic, bool) {
	for _, key := range []string{"BAYERPAT", "BAYRPAT", "COLORTYP"} {
		s, ok := h.Text(key)
		s = strings.ToUpper(strings.TrimSpace(s))
		if !ok || len(s) != 4 || strings.Trim(s, "RGB") != "" {
			continue
		}
		m := Mosaic{Pattern: s}
		for _, p := range []struct {
			to   *int
			keys [2]string
		}{{&m.X, [2]string{"XBAYROFF", "BAYOFFX"}}, {&m.Y, [2]string{"YBAYROFF", "BAYOFFY"}}} {
			for _, key := range p.keys {
				if v, ok := h.Int(key); ok && v >= 0 && v < 1<<20 {
					*p.to = int(v)
					break
				}
			}
		}
		return m, true
	}
	return Mosaic{}, false
}

// RowOrder is where the first row of the file lies in the picture.
type RowOrder uint8

// The row orders.
const (
	RowOrderUnknown RowOrder = iota // the header does not say
	BottomUp                        // the first row is the lowest
	TopDown                         // the first row is the topmost
)

// String returns "unknown", "bottom-up" or "top-down".
func (o RowOrder) String() string {
	return [...]string{"unknown", "bottom-up", "top-down"}[o]
}

// RowOrder returns what the ROWORDER card says. It is a claim of the program
// that wrote the file, not always true of a plate solution in the same header.
func (h *Header) RowOrder() RowOrder {
	s, _ := h.Text("ROWORDER")
	switch strings.ReplaceAll(strings.ToUpper(strings.TrimSpace(s)), "_", "-") {
	case "TOP-DOWN", "TOPDOWN":
		return TopDown
	case "BOTTOM-UP", "BOTTOMUP":
		return BottomUp
	}
	return RowOrderUnknown
}
