package report

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"

	"holdfast/internal/frame"
	"holdfast/internal/star"
)

// Dress is how a picture is coloured.
type Dress uint8

// The dresses.
const (
	Paper Dress = iota // ink on paper
	Night              // the red channel alone
)

// A Picture is a frame to be drawn: what was measured of it, and its pixels.
type Picture struct {
	Measured star.Frame
	Pixels   *frame.Frame // averaged by Bin; nil leaves the frame's own picture out
	Bin      int          // pixels of the frame along a side of one of Pixels
	YUp      bool         // the first row stored lies at the bottom
	Why      string       // how that is known, "" if it need not be said
	Dress    Dress
}

// palette is the colours of a dress.
type palette struct{ paper, sheet, ink, soft, hair, mark color.RGBA }

var palettes = [...]palette{
	Paper: {rgb(0xf4efe3), rgb(0xfbf8f0), rgb(0x26221b), rgb(0x6d6556), rgb(0xc9bfa9), rgb(0x8a3b12)},
	Night: {rgb(0x080000), rgb(0x0f0000), rgb(0xff0000), rgb(0xd40000), rgb(0x4a0000), rgb(0xff0000)},
}

func rgb(v uint32) color.RGBA { return color.RGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 255} }

func hex(c color.RGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

// mix returns the colour a fraction t of the way from one to another.
func mix(from, to color.RGBA, t float64) color.RGBA {
	m := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + t*(float64(b)-float64(a)))) }
	return color.RGBA{m(from.R, to.R), m(from.G, to.G), m(from.B, to.B), 255}
}

// The measures of a picture, in its own units.
const (
	pictureWide = 680.0
	pictureSide = 22.0
	panelWide   = pictureWide - 2*pictureSide
	panelHigh   = 860.0 // at most
)

// How many stars are drawn.
const (
	mostGood    = 300
	mostFlagged = 120
)

// fieldStars is how many good stars it takes to speak of a field.
const fieldStars = 20

// mostFlat is the flattest an ellipse is drawn.
const mostFlat = 0.9

// PictureSVG draws a frame as a picture that stands alone: the frame itself
// with its brightest stars as ellipses, the shape of the stars over the field,
// and what was measured. Lengths and flattening are exaggerated by factors that
// the picture states. The same picture gives the same bytes.
func PictureSVG(w io.Writer, p *Picture) error {
	s := &sheet{p: palettes[p.Dress], picture: p}
	m := &p.Measured
	s.field = m.Field(0, 0)
	s.scale = panelWide / float64(max(m.Width, 1))
	if high := s.scale * float64(m.Height); high > panelHigh {
		s.scale *= panelHigh / high
	}
	said := s.field.Sentence(p.YUp)
	if len(m.Stars) == 0 {
		said = upper(cmp.Or(m.Error, "no stars")) + "."
	}
	y := s.heading(said)
	y, err := s.drawFrame(y)
	if err != nil {
		return err
	}
	if s.field.Stars >= fieldStars {
		if y, err = s.drawField(y + 26); err != nil {
			return err
		}
	}
	y = s.figures(y + 26)
	title := shortName(m.File)
	desc := fmt.Sprintf("%d stars, %d of them good. %s", m.StarsFound, s.field.Stars, said)
	var head strings.Builder
	fmt.Fprintf(&head, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %.0f" width="%g" height="%.0f" role="img" aria-label="%s" font-family="B612, system-ui, sans-serif" font-size="15" style="font-variant-numeric:tabular-nums;background:%s;max-width:100%%;height:auto">`+"\n",
		pictureWide, y, pictureWide, y, escape(title+". "+desc), hex(s.p.paper))
	fmt.Fprintf(&head, "<title>%s</title>\n<desc>%s</desc>\n", escape(title), escape(desc))
	fmt.Fprintf(&head, `<rect width="%g" height="%.0f" fill="%s"/>`+"\n", pictureWide, y, hex(s.p.paper))
	_, err = io.WriteString(w, head.String()+s.b.String()+"</svg>\n")
	return err
}

// sheet collects the elements of a picture.
type sheet struct {
	b       strings.Builder
	p       palette
	picture *Picture
	field   star.Field
	scale   float64 // units a pixel
}

func (s *sheet) linef(format string, args ...any) { fmt.Fprintf(&s.b, format+"\n", args...) }

// text writes text with its baseline at y.
func (s *sheet) text(x, y, size float64, c color.RGBA, anchor, more, text string) {
	s.linef(`<text x="%.1f" y="%.1f" font-size="%g" fill="%s" text-anchor="%s"%s>%s</text>`, x, y, size, hex(c), anchor, more, escape(text))
}

const (
	serif = ` font-family="'Source Serif 4', Georgia, serif"`
	bold  = ` font-weight="700"`
)

// stroke draws a path.
func (s *sheet) stroke(c color.RGBA, width float64, more, format string, args ...any) {
	s.linef(`<path fill="none" stroke="%s" stroke-width="%g"%s d="%s"/>`, hex(c), width, more, fmt.Sprintf(format, args...))
}

// ellipse draws an ellipse with its long axis at an angle from +x towards +y of
// the frame.
func (s *sheet) ellipse(c color.RGBA, width float64, more string, x, y, rx, ry, angle float64) {
	if s.picture.YUp {
		angle = -angle
	}
	s.linef(`<ellipse cx="%.1f" cy="%.1f" rx="%.2f" ry="%.2f" transform="rotate(%.1f %.1f %.1f)" fill="none" stroke="%s" stroke-width="%g"%s/>`, x, y, rx, ry, angle, x, y, hex(c), width, more)
}

// heading writes the name and the sentence.
func (s *sheet) heading(said string) float64 {
	m := &s.picture.Measured
	s.text(pictureSide, 46, 28, s.p.ink, "start", serif+` font-weight="600"`, clip(shortName(m.File), 38))
	order := "first row stored on top"
	if s.picture.YUp {
		order = "first row stored at the bottom"
	}
	if s.picture.Why != "" {
		order += " (" + s.picture.Why + ")"
	}
	s.text(pictureSide, 72, 14, s.p.soft, "start", "", fmt.Sprintf("%d × %d px, drawn with the %s", m.Width, m.Height, order))
	y := 106.0
	for _, l := range wrapNumbers(said, 58) {
		s.text(pictureSide, y, 20, s.p.ink, "start", serif, l)
		y += 27
	}
	return y - 6
}

// wrapNumbers is wrap, but keeps a number and its sign of per cent together.
func wrapNumbers(text string, width int) []string {
	const kept = "\u2060"
	lines := wrap(strings.NewReplacer(" %", kept+"%", " ± ", kept+"±"+kept).Replace(text), width)
	for k := range lines {
		lines[k] = strings.ReplaceAll(lines[k], kept, " ")
	}
	return lines
}

// at returns where a place on the frame lies in a panel that begins at the
// given height.
func (s *sheet) at(x, y, top float64) (float64, float64) {
	y += 0.5
	if s.picture.YUp {
		y = float64(s.picture.Measured.Height) - y
	}
	return pictureSide + (x+0.5)*s.scale, top + y*s.scale
}

// drawFrame draws the frame and its stars, and returns where that ends.
func (s *sheet) drawFrame(top float64) (float64, error) {
	m := &s.picture.Measured
	wide, high := float64(m.Width)*s.scale, float64(m.Height)*s.scale
	s.linef(`<rect x="%g" y="%.1f" width="%.1f" height="%.1f" fill="%s"/>`, pictureSide, top, wide, high, hex(s.p.sheet))
	if s.picture.Pixels != nil {
		data, err := s.developed()
		if err != nil {
			return 0, err
		}
		side := float64(s.picture.Bin) * s.scale
		w, h := float64(s.picture.Pixels.Width)*side, float64(s.picture.Pixels.Height)*side
		y := top
		if s.picture.YUp {
			y += high - h // the rows left out are those stored last
		}
		s.linef(`<image x="%g" y="%.2f" width="%.2f" height="%.2f" preserveAspectRatio="none" href="data:image/png;base64,%s"/>`, pictureSide, y, w, h, base64.StdEncoding.EncodeToString(data))
	}
	s.linef(`<svg x="%g" y="%.1f" width="%.1f" height="%.1f" viewBox="%g %.1f %.1f %.1f">`, pictureSide, top, wide, high, pictureSide, top, wide, high)
	longer, flatter, drawn, left := s.stars(top)
	s.linef("</svg>")
	s.stroke(s.p.ink, 1, "", "M%g %.1fh%.1fv%.1fh%.1fz", pictureSide, top, wide, high, -wide)
	y := top + high + 24
	x := pictureSide
	if drawn > 0 {
		s.ellipse(s.p.mark, 1.6, "", x+13, y-5, 12, 7, 20)
		what := "good stars"
		if drawn < s.field.Stars {
			what = fmt.Sprintf("%d brightest of %d good stars", drawn, s.field.Stars)
		}
		s.text(x+34, y, 14, s.p.ink, "start", "", what)
		s.text(x+34, y+19, 14, s.p.soft, "start", "", exaggerated(longer, flatter))
		y += 42
	}
	if left > 0 {
		s.linef(`<rect x="%.1f" y="%.1f" width="13" height="13" fill="none" stroke="%s" stroke-width="1.3" stroke-dasharray="2.5 2"/>`, x+6.5, y-11, hex(s.p.ink))
		s.text(x+34, y, 14, s.p.ink, "start", "", "flagged stars, left out of what is said of the frame")
		y += 22
	}
	s.rule(top+high, wide)
	return y - 10, nil
}

// exaggerated states the factors by which ellipses are drawn larger.
func exaggerated(longer, flatter int) string {
	return fmt.Sprintf("drawn with lengths × %d, flattening × %d", longer, flatter)
}

// rule draws a scale of pixels and the two axes under the right end of a panel.
func (s *sheet) rule(bottom, wide float64) {
	right := pictureSide + wide
	length := niceLength(0.16 * wide / s.scale)
	l := length * s.scale
	y := bottom + 20
	if wide < 420 { // a narrow panel leaves room beside it
		right, y = pictureWide-pictureSide, bottom-40
	}
	x := right - l
	s.stroke(s.p.ink, 1.2, "", "M%.1f %.1fv10M%.1f %.1fh%.1fM%.1f %.1fv10", x, y-5, x, y, l, right, y-5)
	s.text(x+l/2, y+18, 14, s.p.ink, "middle", "", figure(length)+" px")
	// The axes.
	x -= 62
	base, tip := y+12, y-12
	if !s.picture.YUp {
		base, tip = tip, base
	}
	back := 5.0
	if base < tip {
		back = -5
	}
	s.stroke(s.p.ink, 1.2, "", "M%.1f %.1fV%.1fM%.1f %.1fh26m-5 -3.5l5 3.5l-5 3.5M%.1f %.1fl3.5 %.1fM%.1f %.1fl-3.5 %.1f", x, base, tip, x, base, x, tip, back, x, tip, back)
	s.text(x+32, base+4.5, 14, s.p.ink, "start", "", "x")
	s.text(x-7, tip+4.5, 14, s.p.ink, "end", "", "y")
}

// niceLength returns the greatest of 1, 2 and 5 times a power of ten that is
// not above v, at least 1.
func niceLength(v float64) float64 {
	best := 1.0
	for d := 1.0; d <= v; d *= 10 {
		for _, f := range []float64{1, 2, 5} {
			if f*d <= v {
				best = f * d
			}
		}
	}
	return best
}

// stars draws the stars over the frame: by which factors, how many good ones,
// how many flagged.
func (s *sheet) stars(top float64) (longer, flatter, good, left int) {
	m := &s.picture.Measured
	var draw []*star.Star
	var sizes, flats []float64
	for k := range m.Stars {
		st := &m.Stars[k]
		if !st.Good() || st.SNR < 20 || len(draw) == mostGood {
			continue
		}
		major, e := s.shape(st)
		if !(major > 0) || e != e {
			continue
		}
		draw, sizes, flats = append(draw, st), append(sizes, major), append(flats, e)
	}
	typical, flat := quantile(sizes, 0.5), quantile(flats, 0.95)
	// Half of the stars are longer than 17 units, or as long as leaves room
	// where there are many.
	longer = max(int(math.Round(17/(typical*s.scale))), 1)
	flatter = flattening(flat)
	if len(draw) == 0 {
		longer, typical = 1, 10/s.scale
	}
	var squares [][2]float64
	for k := range m.Stars {
		st := &m.Stars[k]
		if st.Good() || left == mostFlagged {
			continue
		}
		left++
		x, y := s.at(float64(st.X), float64(st.Y), top)
		const side = 14
		if slices.ContainsFunc(squares, func(p [2]float64) bool { return math.Hypot(p[0]-x, p[1]-y) < side/2 }) {
			continue // one square for what lies in one place
		}
		squares = append(squares, [2]float64{x, y})
		s.linef(`<rect x="%.1f" y="%.1f" width="%d" height="%d" fill="none" stroke="%s" stroke-width="1.2" stroke-dasharray="2.5 2"/>`, x-side/2, y-side/2, side, side, hex(s.p.ink))
	}
	for _, halo := range []bool{true, false} {
		for _, st := range draw {
			major, e := s.shape(st)
			x, y := s.at(float64(st.X), float64(st.Y), top)
			rx := float64(longer) * min(major, 3*typical) * s.scale / 2
			ry := rx * (1 - min(float64(flatter)*e, mostFlat))
			if halo {
				s.ellipse(s.p.sheet, 3.2, ` stroke-opacity="0.7"`, x, y, rx, ry, float64(st.Angle))
			} else {
				s.ellipse(s.p.mark, 1.5, "", x, y, rx, ry, float64(st.Angle))
			}
		}
	}
	return longer, flatter, len(draw), left
}

// shape returns the length of a star and how much longer than wide it is.
func (s *sheet) shape(st *star.Star) (major, ellipticity float64) {
	if s.field.Soft {
		return float64(st.HFD) / math.Sqrt(1-st.Ellipticity), st.Ellipticity
	}
	return float64(st.Major), st.Ellipticity
}

// flattening returns the factor by which ellipticities are drawn larger, at
// most 5, so that a large one is not yet a line.
func flattening(large float64) int {
	for f := 5; f > 1; f-- {
		if float64(f)*large <= 0.8 {
			return f
		}
	}
	return 1
}

// quantile returns the value below which a fraction of v lies; NaN if there
// are none.
func quantile(v []float64, fraction float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	v = slices.Clone(v)
	slices.Sort(v)
	return v[int(fraction*float64(len(v)-1)+0.5)]
}

// tones is how many tones the frame is drawn in.
const tones = 48

// developed returns the frame's pixels as a PNG: on paper stars are dark, at
// night they shine.
func (s *sheet) developed() ([]byte, error) {
	f := s.picture.Pixels
	pixels := make([]float32, f.Width*f.Height)
	if err := f.Rows(0, f.Height, pixels); err != nil {
		return nil, err
	}
	tone := stretch(pixels)
	img := image.NewPaletted(image.Rect(0, 0, f.Width, f.Height), nil)
	for k := range tones {
		img.Palette = append(img.Palette, mix(s.p.sheet, s.p.ink, float64(k)/(tones-1)))
	}
	for y := range f.Height {
		to := y
		if s.picture.YUp {
			to = f.Height - 1 - y
		}
		for x, v := range pixels[y*f.Width:][:f.Width] {
			img.Pix[to*img.Stride+x] = uint8(math.Round((tones - 1) * tone(v)))
		}
	}
	return encoded(img)
}

func encoded(img image.Image) ([]byte, error) {
	var b bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, img)
	return b.Bytes(), err
}

// stretch returns the tone of a value, from 0 to 1: the inverse hyperbolic
// sine, whose straight part spans the noise of the sky, from two sigma below
// the median of the pixels to their 99.8th percentile, or twenty sigma above if
// that is more. NaN has the tone of the sky.
//
// Source: Lupton, Gunn & Szalay 1999, AJ 118, 1406, "A modified magnitude
// system ..." (the function).
func stretch(pixels []float32) func(v float32) float64 {
	var sample []float64
	step := max(len(pixels)/200000, 1)
	for k := 0; k < len(pixels); k += step {
		if v := float64(pixels[k]); !math.IsNaN(v) && !math.IsInf(v, 0) {
			sample = append(sample, v)
		}
	}
	if len(sample) == 0 {
		return func(float32) float64 { return 0 }
	}
	sky, top := quantile(sample, 0.5), quantile(sample, 0.998)
	// The half below the median holds fewer stars.
	sigma := (sky - quantile(sample, 0.1587))
	if !(sigma > 0) {
		sigma = max((top-sky)/1000, 1e-6*max(math.Abs(sky), 1))
	}
	low, soft := sky-2*sigma, 3*sigma
	high := max(top, sky+20*sigma)
	place := func(v float64) float64 { return math.Asinh((v - sky) / soft) }
	from, span := place(low), place(high)-place(low)
	return func(v float32) float64 {
		x := float64(v)
		if x != x {
			x = sky
		}
		return min(max((place(x)-from)/span, 0), 1)
	}
}

// drawField draws the shape over the field and returns where that ends.
func (s *sheet) drawField(top float64) (float64, error) {
	g := &s.field
	what := "FWHM"
	if g.Soft {
		what = "HFD"
	}
	s.text(pictureSide, top+6, 17, s.p.ink, "start", bold, "Shape over the field")
	s.text(pictureSide+panelWide, top+6, 14, s.p.soft, "end", "", fmt.Sprintf("%s in px, medians of %d good stars", what, g.Stars))
	top += 18
	m := &s.picture.Measured
	wide, high := float64(m.Width)*s.scale, float64(m.Height)*s.scale
	cellWide, cellHigh := wide/float64(g.NX), high/float64(g.NY)
	s.linef(`<rect x="%g" y="%.1f" width="%.1f" height="%.1f" fill="%s"/>`, pictureSide, top, wide, high, hex(s.p.sheet))
	bands, err := s.bands(top, wide, high)
	if err != nil {
		return 0, err
	}
	for i := 1; i < g.NX; i++ {
		s.stroke(s.p.hair, 0.7, "", "M%.1f %.1fv%.1f", pictureSide+float64(i)*cellWide, top, high)
	}
	for j := 1; j < g.NY; j++ {
		s.stroke(s.p.hair, 0.7, "", "M%g %.1fh%.1f", pictureSide, top+float64(j)*cellHigh, wide)
	}
	const label = 20.0 // the height of a number
	room := min(cellWide, cellHigh-label)
	longest, large := 0.0, 0.0
	var sure, flats, sigmas []float64
	for _, c := range g.Cells {
		if e := c.Ellipticity; e == e && c.FWHM == c.FWHM {
			longest = max(longest, float64(c.FWHM)/math.Sqrt(1-e))
			flats = append(flats, e)
			if c.Stars >= 3 {
				sigmas = append(sigmas, float64(c.FWHMSigma))
				sure = append(sure, e)
			}
		}
	}
	if len(sure) == 0 {
		sure = flats
	}
	if large = quantile(sure, 0.95); large != large {
		large = 0
	}
	flatter := flattening(large)
	longer := max(int(min(0.84*room, 92)/(longest*s.scale)), 1)
	decimals := deserved(quantile(sigmas, 0.5), 2)
	axes := false
	few := false
	for _, c := range g.Cells {
		if c.Stars == 0 || c.FWHM != c.FWHM {
			continue
		}
		x, y := s.at(float64(c.X), float64(c.Y), top)
		y -= label / 2
		e := c.Ellipticity
		dash, ink := "", s.p.ink
		if c.Stars < 3 {
			dash, ink, few = ` stroke-dasharray="3 2.5"`, s.p.soft, true
		}
		if e == e {
			rx := float64(longer) * float64(c.FWHM) / math.Sqrt(1-e) * s.scale / 2
			ry := rx * (1 - min(float64(flatter)*e, mostFlat))
			s.ellipse(s.p.mark, 1.8, dash, x, y, rx, ry, float64(c.Angle))
			if c.Stars >= 3 && e > 0.02 && e > 3*c.EllipticitySigma {
				sin, cos := math.Sincos(float64(c.Angle.Rad()))
				if s.picture.YUp {
					sin = -sin
				}
				s.stroke(s.p.mark, 1.1, "", "M%.1f %.1fL%.1f %.1f", x-rx*cos, y-rx*sin, x+rx*cos, y+rx*sin)
				axes = true
			}
		}
		s.text(x, y+cellHigh/2+4, 15, ink, "middle", fmt.Sprintf(` stroke="%s" stroke-width="3" stroke-opacity="0.6" paint-order="stroke"`, hex(s.p.sheet)), fixed(float64(c.FWHM), decimals))
	}
	s.stroke(s.p.ink, 1, "", "M%g %.1fh%.1fv%.1fh%.1fz", pictureSide, top, wide, high, -wide)
	y := top + high + 34
	// Keys: shapes, then tints.
	x := pictureSide
	rx := min(float64(longer)*s.typical()*s.scale/2, 17)
	for _, e := range []float64{0, 0.05, 0.1, 0.2} {
		if float64(flatter)*e > mostFlat {
			continue
		}
		s.ellipse(s.p.mark, 1.6, "", x+rx, y-5, rx, rx*(1-float64(flatter)*e), 0)
		s.text(x+2*rx+6, y, 14, s.p.ink, "start", "", figure(e))
		x += 2*rx + 26 + 8*float64(len(figure(e)))
	}
	s.text(x, y, 14, s.p.soft, "start", "", "1 - b/a")
	y += 30
	if len(bands) > 1 {
		x = pictureSide
		s.text(x, y, 14, s.p.soft, "start", "", what)
		x += 60
		step := min((panelWide-140)/float64(len(bands)-1), 64)
		for k, b := range bands {
			if k > 0 {
				s.linef(`<rect x="%.1f" y="%.1f" width="%.1f" height="13" fill="%s" stroke="%s" stroke-width="0.7"/>`, x+float64(k-1)*step, y-11, step, hex(b.tint), hex(s.p.hair))
			}
			s.text(x+float64(k)*step, y+18, 14, s.p.ink, "middle", "", fixed(b.from, b.decimals))
		}
		s.text(x+float64(len(bands)-1)*step+16, y, 14, s.p.soft, "start", "", "px")
		y += 40
	} else {
		s.text(pictureSide, y, 14, s.p.soft, "start", "", "No tint: widths differ from cell to cell no more than their noise.")
		y += 22
	}
	notes := []string{exaggerated(longer, flatter)}
	if axes {
		notes = append(notes, "a line along an ellipse where its length stands out of the noise by three sigma")
	}
	if few {
		notes = append(notes, "dashed: one or two stars")
	}
	for _, l := range wrap(upper(strings.Join(notes, "; "))+".", 76) {
		s.text(pictureSide, y, 14, s.p.soft, "start", "", l)
		y += 19
	}
	return y - 8, nil
}

// typical returns the width of the frame's stars.
func (s *sheet) typical() float64 {
	if s.field.Soft {
		return float64(s.picture.Measured.HFD)
	}
	return float64(s.picture.Measured.FWHM)
}

// band is a range of widths that has one tint; of the first only where it
// begins counts.
type band struct {
	from     float64
	decimals int
	tint     color.RGBA
}

// bands tints the field by the width of its stars, in steps, and returns the
// values between the steps; none where the cells differ no more than their
// noise. The tint of a place is that of the medians around, by their distance
// and number of stars.
func (s *sheet) bands(top, wide, high float64) ([]band, error) {
	g := &s.field
	var weights, spreads []float64
	sum, n := 0.0, 0.0
	for _, c := range g.Cells {
		if c.FWHM == c.FWHM {
			sum += float64(c.FWHM) * float64(c.Stars)
			n += float64(c.Stars)
			weights = append(weights, float64(c.Stars))
			if c.FWHMSigma > 0 {
				spreads = append(spreads, float64(c.FWHMSigma)*math.Sqrt(float64(c.Stars)))
			}
		}
	}
	spread := quantile(spreads, 0.5)
	if len(weights) < 4 || !(spread > 0) {
		return nil, nil
	}
	chi2 := 0.0
	for _, c := range g.Cells {
		if c.FWHM == c.FWHM {
			d := (float64(c.FWHM) - sum/n) / spread
			chi2 += d * d * float64(c.Stars)
		}
	}
	if cells := float64(len(weights)); chi2 < cells+4*math.Sqrt(2*cells) {
		return nil, nil
	}
	// The surface, on a coarse net.
	const net = 48
	cellWide, cellHigh := float64(g.Width)/float64(g.NX), float64(g.Height)/float64(g.NY)
	var surface [net + 1][net + 1]float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for j := range surface {
		for i := range surface[j] {
			x, y := float64(i)/net*float64(g.Width), float64(j)/net*float64(g.Height)
			v, w := 0.0, 0.0
			for _, c := range g.Cells {
				if c.FWHM != c.FWHM {
					continue
				}
				dx, dy := (x-float64(c.X))/cellWide, (y-float64(c.Y))/cellHigh
				k := float64(c.Stars) * math.Exp(-(dx*dx+dy*dy)/(2*0.8*0.8))
				v += k * float64(c.FWHM)
				w += k
			}
			surface[j][i] = math.NaN()
			if w > 0.2 {
				surface[j][i] = v / w
				lo, hi = min(lo, v/w), max(hi, v/w)
			}
		}
	}
	ticks := Axis{From: lo, To: hi}.ticks(5)
	if len(ticks) < 2 || !(hi-lo > 0.01*lo) {
		return nil, nil
	}
	step := ticks[1] - ticks[0]
	first := math.Floor(lo/step+1e-9) * step
	steps := max(int(math.Ceil((hi-first)/step-1e-9)), 1)
	decimals := max(int(math.Ceil(-math.Log10(step)-1e-9)), 0)
	dark := mix(s.p.sheet, s.p.hair, 0.85)
	if s.picture.Dress == Night {
		dark = mix(s.p.sheet, s.p.ink, 0.28)
	}
	bands := []band{{from: first, decimals: decimals}}
	img := image.NewPaletted(image.Rect(0, 0, int(wide), int(high)), color.Palette{s.p.sheet})
	for k := range steps {
		tint := mix(s.p.sheet, dark, float64(k)/math.Max(float64(steps-1), 1))
		img.Palette = append(img.Palette, tint)
		bands = append(bands, band{first + float64(k+1)*step, decimals, tint})
	}
	for y := range img.Rect.Dy() {
		fy := (float64(y) + 0.5) / high * net
		if s.picture.YUp {
			fy = net - fy
		}
		j := min(max(int(fy), 0), net-1)
		ty := fy - float64(j)
		for x := range img.Rect.Dx() {
			fx := (float64(x) + 0.5) / wide * net
			i := min(int(fx), net-1)
			tx := fx - float64(i)
			v := (1-ty)*((1-tx)*surface[j][i]+tx*surface[j][i+1]) + ty*((1-tx)*surface[j+1][i]+tx*surface[j+1][i+1])
			if v == v {
				img.Pix[y*img.Stride+x] = uint8(1 + min(max(int((v-first)/step), 0), steps-1))
			}
		}
	}
	data, err := encoded(img)
	if err != nil {
		return nil, err
	}
	s.linef(`<image x="%g" y="%.1f" width="%.1f" height="%.1f" preserveAspectRatio="none" href="data:image/png;base64,%s"/>`, pictureSide, top, wide, high, base64.StdEncoding.EncodeToString(data))
	return bands, nil
}

// figures writes what was measured and returns where the picture ends.
func (s *sheet) figures(top float64) float64 {
	m := &s.picture.Measured
	s.text(pictureSide, top+6, 17, s.p.ink, "start", bold, "Measured")
	top += 16
	s.stroke(s.p.ink, 1.2, "", "M%g %.1fh%g", pictureSide, top, panelWide)
	with := func(v, sigma float64, most int) string {
		if v != v {
			return "-"
		}
		if !(sigma > 0) {
			return fixed(v, most)
		}
		d := deserved(sigma, most)
		if sigma*math.Pow(10, float64(d)) < 0.5 {
			return fixed(v, d) // sure to its last digit
		}
		return fixed(v, d) + " ± " + fixed(sigma, d)
	}
	axis := "none stands out"
	if m.Ellipticity > 3*m.EllipticitySigma && m.Ellipticity > 0.005 {
		axis = fixed(float64(m.Angle), 0) + "°"
	}
	gain := "not known"
	if m.Gain > 0 {
		gain = figure(m.Gain) + " e-/ADU"
		if m.GainFrom != "" {
			gain += ", " + m.GainFrom
		}
	}
	rows := [][2]string{
		{"stars found", fmt.Sprint(m.StarsFound)}, {"good ones", fmt.Sprint(s.field.Stars)},
		{"FWHM, px", with(float64(m.FWHM), float64(m.FWHMSigma), 3)}, {"HFD, px", with(float64(m.HFD), float64(m.HFDSigma), 3)},
		{"ellipticity, 1 - b/a", with(m.Ellipticity, m.EllipticitySigma, 3)}, {"long axis, +x to +y", axis},
		{"sky, ADU", fixed(float64(m.Background), 0)}, {"pixel noise, ADU", fixed(float64(m.Noise), 1)},
		{"gain", gain}, {"rejected as no stars", fmt.Sprint(m.Rejected)},
	}
	const column, gap = (panelWide - 32) / 2, 32.0
	y := top
	for k, r := range rows {
		x := pictureSide
		if k%2 == 1 {
			x += column + gap
		} else {
			y += 29
		}
		s.text(x, y-8, 15, s.p.soft, "start", "", r[0])
		s.text(x+column, y-8, 15, s.p.ink, "end", "", r[1])
		s.stroke(s.p.hair, 0.8, "", "M%.1f %.1fh%.1f", x, y, column)
	}
	y += 22
	para := func(label, text string) {
		if text == "" {
			return
		}
		s.text(pictureSide, y, 15, s.p.soft, "start", "", label)
		for _, l := range wrap(text, 58) {
			s.text(pictureSide+122, y, 15, s.p.ink, "start", "", l)
			y += 20
		}
		y += 4
	}
	para("flags", strings.ReplaceAll(strings.Join(m.Flags.Names(), ", "), "_", " "))
	para("stars left out", leftOut(m.Stars))
	para("notes", strings.Join(m.Notes, "; "))
	return y + 8
}

// leftOut counts the flags of the stars that are no good.
func leftOut(stars []star.Star) string {
	counts := map[string]int{}
	for k := range stars {
		if stars[k].Good() {
			continue
		}
		for f := star.Flags(1); f != 0; f <<= 1 {
			if alone := (star.Star{Flags: stars[k].Flags & f}); !alone.Good() {
				counts[f.String()]++
			}
		}
	}
	names := make([]string, 0, len(counts))
	for name := range counts {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(counts[b]-counts[a], strings.Compare(a, b)) })
	for k, name := range names {
		names[k] = fmt.Sprintf("%d %s", counts[name], strings.ReplaceAll(name, "_", " "))
	}
	return strings.Join(names, ", ")
}

// textStars is how many good stars it takes to print a field.
const textStars = 30

// Shapes writes the shape of a frame's stars over the field for a person: for
// each part of the frame the width, and a stroke the way stars are long. It
// writes nothing where there are less than 30 good stars.
func Shapes(w io.Writer, m *star.Frame, yUp bool, s Style) error {
	g := m.Field(0, 0)
	if g.Stars < textStars {
		return nil
	}
	p := newPage(s)
	const cell = 9
	if nx, ny := min(g.NX, (min(p.width, 78)-2)/cell), min(g.NY, 6); nx < g.NX || ny < g.NY {
		g = m.Field(nx, ny)
	}
	way, what := "down", "FWHM"
	if yUp {
		way = "up"
	}
	if g.Soft {
		what = "HFD"
	}
	p.head("Shape over the field", fmt.Sprintf("median %s in px, %d stars, +y %s", what, g.Stars, way))
	for j := range g.NY {
		row := j
		if yUp {
			row = g.NY - 1 - j
		}
		line := ""
		for _, c := range g.Cells[row*g.NX:][:g.NX] {
			line += lead(fixed(float64(c.FWHM), 2), cell-3) + pad(" "+strokes(c, yUp), 3)
		}
		p.linef("%s", line)
	}
	p.para("  ", "· round, ─ ╱ │ ╲ longer that way, twice where 1-b/a is above 0.2")
	for _, l := range wrapNumbers(g.Sentence(yUp), min(p.width, 78)-2) {
		p.linef("  %s", l)
	}
	return p.flush(w)
}

// strokes returns which way the stars of a cell are long.
func strokes(c star.Cell, yUp bool) string {
	switch {
	case c.Stars == 0 || c.Ellipticity != c.Ellipticity:
		return ""
	case c.Ellipticity < 0.05 || c.Ellipticity < 2*c.EllipticitySigma:
		return "·"
	}
	angle := float64(c.Angle)
	if !yUp {
		angle = 180 - angle
	}
	one := string([]rune("─╱│╲")[int(math.Round(angle/45))%4])
	if c.Ellipticity > 0.2 {
		return one + one
	}
	return one
}
