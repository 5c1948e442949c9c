package solve

import (
	"fmt"
	"math"
	"strings"

	"holdfast/internal/fits"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// WCS is a plate solution in the terms of the FITS standard: gnomonic
// projection (TAN), with distortion polynomials (TAN-SIP) where A and B are
// not empty. Its methods take and give pixels counted as everywhere in
// holdfast, (0,0) the centre of the first; only RefX and RefY count from 1.
//
// Sources: Calabretta & Greisen 2002, A&A 395, 1077, "Representations of
// celestial coordinates in FITS"; Shupe et al. 2005, ASP Conf. Ser. 347, 491,
// "The SIP convention for representing distortion in FITS image headers".
type WCS struct {
	RefX, RefY   unit.Px       // CRPIX1, CRPIX2: the pixel at the point of contact, counted from 1
	Ref          sky.Direction // CRVAL1, CRVAL2
	CD           [2][2]float64 // CD1_1, CD1_2; CD2_1, CD2_2: degrees to a pixel
	A, B         []Term        // what is added to x and to y before CD
	InvA, InvB   []Term        // AP, BP: what is added after the inverse of CD
	InvErr       unit.Px       // the largest error of InvA and InvB in the frame
	plane        sky.Tangent
	planeIsValid bool
}

// Term is the term C u^P v^Q of a polynomial, u and v in pixels from the
// reference pixel.
type Term struct {
	P, Q int
	C    float64
}

func sum(ts []Term, u, v float64) float64 {
	s := 0.0
	for _, t := range ts {
		s += t.C * power(u, t.P) * power(v, t.Q)
	}
	return s
}

func power(x float64, n int) float64 {
	r := 1.0
	for range n {
		r *= x
	}
	return r
}

// tangent returns the plane at the reference.
func (w *WCS) tangent() sky.Tangent {
	if w.planeIsValid && w.plane.Centre() == w.Ref {
		return w.plane
	}
	return sky.NewTangent(w.Ref)
}

// Sky returns where a pixel points. The distortion holds inside the frame and
// may run away outside.
func (w *WCS) Sky(x, y unit.Px) sky.Direction {
	u, v := float64(x+1-w.RefX), float64(y+1-w.RefY)
	f, g := u+sum(w.A, u, v), v+sum(w.B, u, v)
	return w.tangent().Direction(unit.Deg(w.CD[0][0]*f+w.CD[0][1]*g), unit.Deg(w.CD[1][0]*f+w.CD[1][1]*g))
}

// Pixel returns where a direction falls, by Newton's method on Sky, exact to
// 1e-6 pixel; NaN for a direction 90 degrees or more from the reference, and
// where the distortion can not be inverted.
func (w *WCS) Pixel(d sky.Direction) (x, y unit.Px) {
	nan := unit.Px(math.NaN())
	xi, eta := w.tangent().Project(d)
	det := w.CD[0][0]*w.CD[1][1] - w.CD[0][1]*w.CD[1][0]
	f := (w.CD[1][1]*float64(xi) - w.CD[0][1]*float64(eta)) / det
	g := (w.CD[0][0]*float64(eta) - w.CD[1][0]*float64(xi)) / det
	if !(math.Abs(f) < 1e9 && math.Abs(g) < 1e9) {
		return nan, nan
	}
	u, v := f, g
	if len(w.A) > 0 || len(w.B) > 0 {
		done := false
		for range 50 {
			ru, rv := u+sum(w.A, u, v)-f, v+sum(w.B, u, v)-g
			au, av := slope(w.A, u, v)
			bu, bv := slope(w.B, u, v)
			au, bv = au+1, bv+1
			j := au*bv - av*bu
			du, dv := (bv*ru-av*rv)/j, (au*rv-bu*ru)/j
			u, v = u-du, v-dv
			if math.Hypot(du, dv) < 1e-9*(1+math.Hypot(u, v)) {
				done = true
				break
			}
		}
		if !done {
			return nan, nan
		}
	}
	return unit.Px(u) + w.RefX - 1, unit.Px(v) + w.RefY - 1
}

// slope returns the derivatives of a polynomial.
func slope(ts []Term, u, v float64) (du, dv float64) {
	for _, t := range ts {
		if t.P > 0 {
			du += t.C * float64(t.P) * power(u, t.P-1) * power(v, t.Q)
		}
		if t.Q > 0 {
			dv += t.C * float64(t.Q) * power(u, t.P) * power(v, t.Q-1)
		}
	}
	return du, dv
}

// Scale returns the image scale at the reference pixel, the square root of the
// area of a pixel.
func (w *WCS) Scale() unit.Scale {
	return unit.Scale(3600 * math.Sqrt(math.Abs(w.CD[0][0]*w.CD[1][1]-w.CD[0][1]*w.CD[1][0])))
}

// Rotation returns the position angle of the direction in which y grows, from
// north through east, 0 to 360 degrees, at the reference pixel.
func (w *WCS) Rotation() unit.Deg {
	a := unit.Rad(math.Atan2(w.CD[0][1], w.CD[1][1])).Deg()
	if a < 0 {
		a += 360
	}
	return a
}

// Mirrored reports whether the frame, drawn with x to the right and y up,
// shows the sky as in a mirror: east clockwise from north.
func (w *WCS) Mirrored() bool { return w.CD[0][0]*w.CD[1][1] > w.CD[0][1]*w.CD[1][0] }

// order returns the highest order of a polynomial.
func order(ts ...[]Term) int {
	n := 0
	for _, s := range ts {
		for _, t := range s {
			n = max(n, t.P+t.Q)
		}
	}
	return n
}

// Cards returns the solution as header cards.
func (w *WCS) Cards() ([]fits.Card, error) {
	kind, add := "TAN", ""
	if len(w.A)+len(w.B) > 0 {
		kind, add = "TAN-SIP", " with distortion polynomials"
	}
	var cards []fits.Card
	var failed error
	put := func(key string, value any, comment string) {
		c, err := fits.NewCard(key, value, comment)
		if err != nil && failed == nil {
			failed = fmt.Errorf("solve: %w", err)
		}
		cards = append(cards, c)
	}
	put("WCSAXES", 2, "")
	put("CTYPE1", "RA---"+kind, "gnomonic projection"+add)
	put("CTYPE2", "DEC--"+kind, "gnomonic projection"+add)
	put("CUNIT1", "deg", "")
	put("CUNIT2", "deg", "")
	put("CRVAL1", float64(w.Ref.RA), "right ascension at the reference pixel")
	put("CRVAL2", float64(w.Ref.Dec), "declination at the reference pixel")
	put("CRPIX1", float64(w.RefX), "reference pixel, first pixel is 1")
	put("CRPIX2", float64(w.RefY), "")
	put("CD1_1", w.CD[0][0], "")
	put("CD1_2", w.CD[0][1], "")
	put("CD2_1", w.CD[1][0], "")
	put("CD2_2", w.CD[1][1], "")
	put("RADESYS", "ICRS", "stars at J2000.0")
	for _, s := range []struct {
		key  string
		ts   []Term
		both [][]Term
	}{{"A", w.A, [][]Term{w.A, w.B}}, {"B", w.B, [][]Term{w.A, w.B}}, {"AP", w.InvA, [][]Term{w.InvA, w.InvB}}, {"BP", w.InvB, [][]Term{w.InvA, w.InvB}}} {
		if n := order(s.both...); n > 0 {
			put(s.key+"_ORDER", n, "")
			for _, t := range s.ts {
				put(fmt.Sprintf("%s_%d_%d", s.key, t.P, t.Q), t.C, "")
			}
		}
	}
	return cards, failed
}

// WCSOf returns the plate solution that a header holds. It is an error if the
// header has none, or one that is not gnomonic in equatorial coordinates with
// or without SIP polynomials. An axis order of declination first is refused,
// and so are LONPOLE and LATPOLE other than the standard's defaults.
func WCSOf(h *fits.Header) (*WCS, error) {
	var ctype [2]string
	for i := range ctype {
		s, ok := h.Text(fmt.Sprintf("CTYPE%d", i+1))
		if !ok {
			return nil, fmt.Errorf("solve: the header has no CTYPE%d, so no plate solution", i+1)
		}
		ctype[i] = strings.TrimSpace(s)
	}
	sip := strings.HasSuffix(ctype[0], "-SIP")
	if a, b := strings.TrimSuffix(ctype[0], "-SIP"), strings.TrimSuffix(ctype[1], "-SIP"); a != "RA---TAN" || b != "DEC--TAN" {
		return nil, fmt.Errorf("solve: CTYPE %q and %q, want RA---TAN and DEC--TAN with or without -SIP", ctype[0], ctype[1])
	}
	if v, ok := h.Float("LONPOLE"); ok && v != 180 {
		return nil, fmt.Errorf("solve: LONPOLE %g, want 180 or none", v)
	}
	number := func(key string, dst *float64) error {
		v, ok := h.Float(key)
		if !ok || math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("solve: the header has no number under %s, which its plate solution needs", key)
		}
		*dst = v
		return nil
	}
	var ra, dec, px, py float64
	for _, s := range []struct {
		key string
		dst *float64
	}{{"CRVAL1", &ra}, {"CRVAL2", &dec}, {"CRPIX1", &px}, {"CRPIX2", &py}} {
		if err := number(s.key, s.dst); err != nil {
			return nil, err
		}
	}
	if !(math.Abs(dec) <= 90 && math.Abs(ra) <= 720) {
		return nil, fmt.Errorf("solve: CRVAL %g, %g is no place on the sky", ra, dec)
	}
	w := &WCS{RefX: unit.Px(px), RefY: unit.Px(py), Ref: sky.Direction{RA: unit.Deg(math.Mod(ra+720, 360)), Dec: unit.Deg(dec)}}
	keys := [2][2]string{{"CD1_1", "CD1_2"}, {"CD2_1", "CD2_2"}}
	some := false
	for i := range keys {
		for j, k := range keys[i] {
			v, ok := h.Float(k)
			w.CD[i][j], some = v, some || ok
		}
	}
	if !some {
		var d [2]float64
		for i := range d {
			if err := number(fmt.Sprintf("CDELT%d", i+1), &d[i]); err != nil {
				return nil, err
			}
		}
		pc := [2][2]float64{{1, 0}, {0, 1}}
		if _, ok := h.Card("PC1_1"); !ok {
			if t, ok := h.Float("CROTA2"); ok {
				s, c := math.Sincos(float64(unit.Deg(t).Rad()))
				pc = [2][2]float64{{c, -s * d[1] / d[0]}, {s * d[0] / d[1], c}}
			}
		}
		for i := range pc {
			for j := range pc[i] {
				if v, ok := h.Float(fmt.Sprintf("PC%d_%d", i+1, j+1)); ok {
					pc[i][j] = v
				}
				w.CD[i][j] = d[i] * pc[i][j]
			}
		}
	}
	if det := w.CD[0][0]*w.CD[1][1] - w.CD[0][1]*w.CD[1][0]; !(math.Abs(det) > 1e-20) {
		return nil, fmt.Errorf("solve: the header's CD matrix has no inverse")
	}
	if sip {
		for _, s := range []struct {
			key string
			dst *[]Term
		}{{"A", &w.A}, {"B", &w.B}, {"AP", &w.InvA}, {"BP", &w.InvB}} {
			n, ok := h.Int(s.key + "_ORDER")
			if !ok {
				continue
			}
			if n < 0 || n > 9 {
				return nil, fmt.Errorf("solve: %s_ORDER is %d, want 0 to 9", s.key, n)
			}
			for p := 0; p <= int(n); p++ {
				for q := 0; p+q <= int(n); q++ {
					if c, ok := h.Float(fmt.Sprintf("%s_%d_%d", s.key, p, q)); ok && c != 0 {
						*s.dst = append(*s.dst, Term{p, q, c})
					}
				}
			}
		}
	}
	return w, nil
}

// wcs returns the plate as a WCS, for a frame of the given half width and
// height. The plate's plane must touch where the frame's centre points.
func (p *plate) wcs(width, height int, f form) *WCS {
	w := &WCS{RefX: unit.Px(width+1) / 2, RefY: unit.Px(height+1) / 2, Ref: p.plane.Centre(), plane: p.plane, planeIsValid: true}
	for i, c := range [2][terms]float64{p.xi, p.eta} {
		w.CD[i][0], w.CD[i][1] = c[1]/p.unit, c[2]/p.unit
	}
	if f < barrelled {
		return w
	}
	det := w.CD[0][0]*w.CD[1][1] - w.CD[0][1]*w.CD[1][0]
	for i := 3; i < terms; i++ {
		a, b := powers[i][0], powers[i][1]
		n := math.Pow(p.unit, float64(a+b))
		x, y := p.xi[i]/n, p.eta[i]/n
		if x == 0 && y == 0 {
			continue
		}
		w.A = append(w.A, Term{a, b, (w.CD[1][1]*x - w.CD[0][1]*y) / det})
		w.B = append(w.B, Term{a, b, (w.CD[0][0]*y - w.CD[1][0]*x) / det})
	}
	w.invert(float64(width)/2, float64(height)/2)
	return w
}
