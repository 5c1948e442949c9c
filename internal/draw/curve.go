package draw

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// CurvePoint is a measured point of a curve.
type CurvePoint struct {
	X, Y, Sigma float64 // Sigma is of Y; NaN or Inf draws none, nor a point where X or Y is
	Hollow      bool    // told apart from the others
	Name        string
}

// Curve is a quantity against another, measured: a focus run, a drive's error
// over a turn of its worm.
type Curve struct {
	What         string // for those who can not see it
	Across, Up   string // names of the axes with their units
	Points       []CurvePoint
	FromZero     bool    // the upward axis begins at zero
	Zone         float64 // half-width of a band about Best; NaN or 0 draws none
	Best         float64 // NaN draws none
	BestName     string
	Line         bool // joins the points in their order
	PointsByName bool // the axis across names the points
}

// The measures of a curve, in its own units.
const (
	curveWide = 560.0
	curveHigh = 256.0
	curveLeft = 58.0
	curveFoot = 48.0
	curveTop  = 28.0
)

// SVG draws the curve.
func (c Curve) SVG() string {
	s := begin(curveWide, curveHigh, "curve", c.What)
	c.Points = slices.DeleteFunc(slices.Clone(c.Points), func(p CurvePoint) bool { return !finite(p.X) || !finite(p.Y) })
	if len(c.Points) == 0 {
		return s.end()
	}
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, p := range c.Points {
		x0, x1 = math.Min(x0, p.X), math.Max(x1, p.X)
		e := p.Sigma
		if !finite(e) {
			e = 0
		}
		y0, y1 = math.Min(y0, p.Y-e), math.Max(y1, p.Y+e)
	}
	if !math.IsNaN(c.Best) {
		x0, x1 = math.Min(x0, c.Best), math.Max(x1, c.Best)
	}
	if c.FromZero {
		y0 = math.Min(y0, 0)
	}
	dx, dy := x1-x0, y1-y0
	if !(dx > 0) {
		dx = 1
	}
	if !(dy > 0) {
		dy = math.Max(math.Abs(y1), 1)
	}
	x0, x1 = x0-0.06*dx, x1+0.06*dx
	if !c.FromZero {
		y0 -= 0.1 * dy
	}
	y1 += 0.1 * dy
	right, foot := curveWide-14, curveHigh-curveFoot
	x := func(v float64) float64 { return curveLeft + (right-curveLeft)*(v-x0)/(x1-x0) }
	y := func(v float64) float64 { return foot - (foot-curveTop)*(v-y0)/(y1-y0) }
	if !math.IsNaN(c.Best) {
		if c.Zone > 0 {
			s.hatch("zone-hatch", 6)
			from, to := math.Max(x(c.Best-c.Zone), curveLeft), math.Min(x(c.Best+c.Zone), right)
			s.linef(`<rect x="%s" y="%s" width="%s" height="%s" fill="url(#zone-hatch)" fill-opacity="0.4"/>`, num(from), num(curveTop), num(math.Max(to-from, 2)), num(foot-curveTop))
		}
		s.path("mark", 2.2, "", "M%s %sV%s", num(x(c.Best)), num(curveTop), num(foot))
	}
	s.path("ink", 1.2, "", "M%s %sV%sH%s", num(curveLeft), num(curveTop), num(foot), num(right))
	step := round((y1 - y0) / 2.5)
	for v := math.Ceil(y0/step) * step; v <= y1; v += step {
		s.path("hair", 0.8, "", "M%s %sH%s", num(curveLeft), num(y(v)), num(right))
		s.text(curveLeft-8, y(v)+4, 12, "soft", "end", "", tick(v, step))
	}
	s.text(curveLeft, 17, 13, "soft", "start", "", c.Up)
	s.text(right, curveHigh-5, 13, "soft", "end", "", c.Across)
	if !c.PointsByName {
		step = round((x1 - x0) / 3.5)
		for v := math.Ceil(x0/step) * step; v <= x1; v += step {
			s.path("ink", 1, "", "M%s %sv5", num(x(v)), num(foot))
			s.text(x(v), foot+19, 12, "soft", "middle", "", tick(v, step))
		}
	}
	if c.Line {
		line := ""
		for i, p := range c.Points {
			pen := "L"
			if i == 0 {
				pen = "M"
			}
			line += pen + num(x(p.X)) + " " + num(y(p.Y))
		}
		s.path("ink", 1.4, "", "%s", line)
	}
	if finite(c.Best) {
		s.text(math.Min(math.Max(x(c.Best), curveLeft+80), right-80), curveTop+16, 14, "ink", "middle", `font-weight="700" `+halo, c.BestName)
	}
	for i, p := range c.Points {
		if p.Sigma > 0 && finite(p.Sigma) {
			s.path("ink", 1.2, "", "M%s %sV%s", num(x(p.X)), num(y(p.Y-p.Sigma)), num(y(p.Y+p.Sigma)))
		}
		fill := "var(--ink)"
		if p.Hollow {
			fill = "var(--sheet)"
		}
		s.linef(`<circle cx="%s" cy="%s" r="4" fill="%s" stroke="var(--ink)" stroke-width="1.6"/>`, num(x(p.X)), num(y(p.Y)), fill)
		if c.PointsByName && (len(c.Points) <= 8 || i%((len(c.Points)+7)/8) == 0) {
			s.text(x(p.X), foot+19, 12, "soft", "middle", "", p.Name)
		}
	}
	return s.end()
}

// finite reports whether a number can be drawn.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// tick writes a value of an axis whose ticks are a step apart.
func tick(v, step float64) string {
	if math.Abs(v) < step/1e6 {
		v = 0
	}
	d := int(math.Max(0, -math.Floor(math.Log10(step)+1e-9)))
	return strings.Replace(fmt.Sprintf("%.*f", d, v), "-", "−", 1)
}
