package draw

import (
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// Ellipse is a star's width and direction on the sky.
type Ellipse struct {
	Major, Minor unit.Arcsec // FWHM
	PA           unit.Deg    // of the long axis, north through east
}

// known reports whether there is something to draw.
func (e Ellipse) known() bool { return e.Major > 0 && e.Minor > 0 && !math.IsNaN(float64(e.PA)) }

// Star is one star on the pixels of its camera, large.
type Star struct {
	Pixels   []float64  // Side*Side, the row of least y first; north along +y, east toward -x
	Side     int        // pixels along a side
	Scale    unit.Scale // of a pixel
	Planned  Ellipse
	Measured Ellipse // drawn dashed beside the planned one; the zero Ellipse is none
	What     string  // whose star: "at the centre"
}

// starSide is the width of a star's drawing in its own units.
const starSide = 400.0

// SVG draws the star: each pixel as dark as it is full (as the power 0.6, so
// that wings show), the ellipse at half of the peak with its axes, the
// directions on the sky and a length to go by.
func (p Star) SVG() string {
	n := p.Side
	cell := starSide / float64(n)
	label := fmt.Sprintf("The star %s on its pixels, %.2f by %.2f arcseconds, long axis at %.0f degrees from north through east", p.What, float64(p.Planned.Major), float64(p.Planned.Minor), float64(p.Planned.PA))
	if p.Measured.known() {
		label += fmt.Sprintf("; measured %.2f by %.2f at %.0f degrees", float64(p.Measured.Major), float64(p.Measured.Minor), float64(p.Measured.PA))
	}
	s := begin(starSide, starSide, "star", label)
	peak := 0.0
	for _, v := range p.Pixels {
		peak = max(peak, v)
	}
	if peak > 0 {
		s.linef(`<g fill="var(--ink)">`)
		for j := range n {
			for i := range n {
				shade := math.Pow(max(p.Pixels[j*n+i], 0)/peak, 0.6)
				if shade < 0.012 {
					continue
				}
				s.linef(`<rect x="%s" y="%s" width="%s" height="%s" fill-opacity="%.3f"/>`, num(float64(i)*cell), num(starSide-float64(j+1)*cell), num(cell), num(cell), 0.92*shade)
			}
		}
		s.linef(`</g>`)
	}
	grid := ""
	for i := range n + 1 {
		x := num(float64(i) * cell)
		grid += "M" + x + " 0V400M0 " + x + "H400"
	}
	s.path("hair", 0.6, `opacity="0.75"`, "%s", grid)
	unitPerArcsec := cell / float64(p.Scale)
	s.ellipse(p.Planned, unitPerArcsec, "")
	if p.Measured.known() {
		s.ellipse(p.Measured, unitPerArcsec, `stroke-dasharray="7 4"`)
	}
	s.arms()
	s.bar(float64(p.Scale)*float64(n)/4, unitPerArcsec)
	return s.end()
}

// ellipse draws an ellipse at half of the peak about the middle, with its axes.
// A line in the sheet's colour keeps it apart from dark pixels.
func (s *sheet) ellipse(e Ellipse, unitPerArcsec float64, more string) {
	if !e.known() {
		return
	}
	a, b := float64(e.Major)/2*unitPerArcsec, float64(e.Minor)/2*unitPerArcsec
	// The long axis is drawn along x; north is up and east left, so that a
	// position angle turns it against the clock from the vertical.
	s.linef(`<g transform="translate(200 200) rotate(%s)" fill="none">`, num(-90-float64(e.PA)))
	s.linef(`<ellipse rx="%s" ry="%s" stroke="var(--sheet)" stroke-width="4.5"/><ellipse rx="%s" ry="%s" stroke="var(--mark)" stroke-width="2.2"%s/>`, num(a), num(b), num(a), num(b), space(more))
	s.path("mark", 1, "", "M%s 0H%sM%s 0H%sM0 %sV%sM0 %sV%s", num(-a-9), num(-a+6), num(a-6), num(a+9), num(-b-9), num(-b+6), num(b-6), num(b+9))
	s.linef(`</g>`)
}

// arms draws the directions of north and east.
func (s *sheet) arms() {
	s.linef(`<rect x="318" y="308" width="74" height="80" fill="var(--sheet)" fill-opacity="0.82"/>`)
	s.path("ink", 1.5, "", "M378 374V336M378 374H342")
	s.text(378, 329, 14, "ink", "middle", `font-weight="700"`, "N")
	s.text(331, 379, 14, "ink", "middle", `font-weight="700"`, "E")
}

// bar draws a length on the sky, the largest round one up to most arcseconds.
func (s *sheet) bar(most, unitPerArcsec float64) {
	l := round(most)
	w := l * unitPerArcsec
	s.linef(`<rect x="8" y="346" width="%s" height="44" fill="var(--sheet)" fill-opacity="0.82"/>`, num(w+22))
	s.path("ink", 1.5, "", "M18 378H%sM18 371v14M%s 371v14", num(18+w), num(18+w))
	s.text(18+w/2, 366, 14, "ink", "middle", `font-weight="700"`, fmt.Sprintf("%g″", l))
}
