package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"holdfast/internal/plan"
)

// ReachSVG draws how far a kit reaches as a picture that stands alone: a chart
// over one entry, a grid over two. Every colour is a CSS variable (--paper,
// --ink, --soft, --hair, --mark) with a default, so that a page may dress it.
func ReachSVG(w io.Writer, r *plan.Reach, show string) error {
	var d *drawing
	switch {
	case r.Second == "" && show == ShowResidual:
		d = drawChart(ResidualChart(r))
	case r.Second == "":
		d = drawChart(ReachChart(r))
	default:
		d = drawGrid(r, show)
	}
	return d.flush(w)
}

// ChartSVG draws a chart as a picture that stands alone.
func ChartSVG(w io.Writer, c *Chart) error { return drawChart(c).flush(w) }

// drawing collects the elements of an SVG picture. Lengths are in its own
// user units, a CSS pixel when shown at full size.
type drawing struct {
	b             strings.Builder
	width, height float64
	title, desc   string
}

// style is the dress of a drawing. Presentation attributes on the elements
// repeat its defaults for viewers that know no CSS variables.
const svgStyle = `.hf{font:13px B612,system-ui,sans-serif;font-variant-numeric:tabular-nums}
.hf .paper{fill:var(--sheet,#fbf8f0)}
.hf text{fill:var(--ink,#26221b)}
.hf text.soft{fill:var(--soft,#6d6556)}
.hf text.title{font:600 20px "Source Serif 4",Georgia,serif}
.hf text.say{font:15px "Source Serif 4",Georgia,serif}
.hf .line{fill:none;stroke:var(--ink,#26221b)}
.hf .hair{fill:none;stroke:var(--hair,#c9bfa9)}
.hf .goal{fill:none;stroke:var(--mark,#8a3b12)}
.hf text.limit{fill:var(--mark,#8a3b12)}
.hf .bar{fill:var(--hair,#c9bfa9)}
.hf .frame{fill:none;stroke:var(--ink,#26221b)}
.hf .hatch{stroke:var(--hatch,#26221b)}
.hf .halo{fill:none;stroke:var(--sheet,#fbf8f0)}
@media print{.hf .paper{fill:none}.hf .halo{stroke:#fff}}`

// Defaults for viewers without CSS variables.
const (
	inkDefault   = "#26221b"
	softDefault  = "#6d6556"
	hairDefault  = "#c9bfa9"
	markDefault  = "#8a3b12"
	sheetDefault = "#fbf8f0"
)

// flush writes the drawing.
func (d *drawing) flush(w io.Writer) error {
	var head strings.Builder
	fmt.Fprintf(&head, `<svg xmlns="http://www.w3.org/2000/svg" class="hf" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-label="%s" font-family="B612, sans-serif" font-size="13">`,
		d.width, d.height, d.width, d.height, escape(d.title+". "+d.desc))
	fmt.Fprintf(&head, "\n<title>%s</title>\n<desc>%s</desc>\n<style>%s</style>\n", escape(d.title), escape(d.desc), svgStyle)
	head.WriteString(`<defs>
<pattern id="hf-hatched" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(35)"><path class="hatch" d="M0 0V7" stroke="#26221b" stroke-width="1.1"/></pattern>
<pattern id="hf-crosshatched" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(35)"><path class="hatch" d="M0 0V5M0 0H5" stroke="#26221b" stroke-width="1"/></pattern>
<pattern id="hf-stippled" width="6" height="6" patternUnits="userSpaceOnUse"><path class="hatch" d="M1 2h1.2M4 5h1.2" stroke="#26221b" stroke-width="1.2"/></pattern>
</defs>
`)
	fmt.Fprintf(&head, `<rect class="paper" width="%g" height="%g" fill="%s"/>`+"\n", d.width, d.height, sheetDefault)
	_, err := io.WriteString(w, head.String()+d.b.String()+"</svg>\n")
	return err
}

// text writes text with its baseline at y; class may be "", "soft", "title",
// "say" or "limit", anchor "start", "middle" or "end".
func (d *drawing) text(x, y float64, class, anchor, s string) {
	size, fill, family := 13.0, inkDefault, ""
	switch class {
	case "soft":
		fill = softDefault
	case "limit":
		fill = markDefault
	case "title":
		size, family = 20, ` font-family="Source Serif 4, Georgia, serif" font-weight="600"`
	case "say":
		size, family = 15, ` font-family="Source Serif 4, Georgia, serif"`
	}
	fmt.Fprintf(&d.b, `<text x="%.1f" y="%.1f" text-anchor="%s" fill="%s" font-size="%g"%s%s>%s</text>`+"\n", x, y, anchor, fill, size, family, attr("class", class), escape(s))
}

// path draws a line; class may be "line", "hair", "goal", "frame" or "halo".
func (d *drawing) path(class string, width float64, stroke Stroke, format string, args ...any) {
	colour := map[string]string{"hair": hairDefault, "goal": markDefault, "halo": sheetDefault}[class]
	if colour == "" {
		colour = inkDefault
	}
	dash := ""
	switch stroke {
	case Dashed:
		dash = ` stroke-dasharray="7 4"`
	case Dotted:
		dash = ` stroke-dasharray="1.5 4" stroke-linecap="round"`
	}
	fmt.Fprintf(&d.b, `<path class="%s" fill="none" stroke="%s" stroke-width="%g" stroke-linejoin="round"%s d="%s"/>`+"\n", class, colour, width, dash, fmt.Sprintf(format, args...))
}

// area fills a rectangle; a blank one is only framed.
func (d *drawing) area(f Fill, x, y, w, h float64) {
	fill := map[Fill]string{Blank: "none", Hatched: "url(#hf-hatched)", CrossHatched: "url(#hf-crosshatched)", Stippled: "url(#hf-stippled)"}[f]
	fmt.Fprintf(&d.b, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="%s"/>`+"\n", x, y, w, h, fill)
	d.path("frame", 1, Solid, "M%.1f %.1fh%.1fv%.1fh%.1fz", x, y, w, h, -w)
}

// attr writes an attribute, or nothing.
func attr(name, value string) string {
	if value == "" {
		return ""
	}
	return fmt.Sprintf(` %s="%s"`, name, value)
}

// escape makes text safe inside XML. Characters that XML has no place for
// become spaces.
func escape(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0xfffe || r == 0xffff {
			return ' '
		}
		return r
	}, s)
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}

// The sides of a drawing.
const (
	leftSide  = 64.0
	rightSide = 112.0
	wide      = 760.0
)

// heading writes title, sentence and notes and returns where they end.
func (d *drawing) heading(title, say string, notes []string) float64 {
	d.text(leftSide-44, 34, "title", "start", title)
	y := 58.0
	for _, l := range wrap(say, 84) {
		d.text(leftSide-44, y, "say", "start", l)
		y += 20
	}
	for _, l := range notes {
		d.text(leftSide-44, y, "soft", "start", l)
		y += 18
	}
	return y + 14
}

// drawChart draws a chart.
func drawChart(c *Chart) *drawing {
	d := &drawing{width: wide, title: c.Title, desc: c.Desc}
	y := d.heading(c.Title, c.Desc, c.Notes)
	plot := wide - leftSide - rightSide
	px := func(v float64) float64 { return leftSide + c.X.place(v)*plot }
	ticks := c.X.ticks(9)
	for i, panel := range c.Panels {
		height := 230.0
		if i > 0 {
			height = 110
		}
		y = d.panel(c, panel, y+20, plot, height, px, ticks)
		if i == 0 {
			y = d.strip(c, y+10, px)
		}
	}
	free := 0.0
	for _, v := range ticks {
		text := figure(v)
		x, half := px(v), 4*float64(len(text))
		d.path("line", 1, Solid, "M%.1f %.1fv5", x, y)
		if x-half >= free {
			d.text(x, y+20, "", "middle", text)
			free = x + half + 8
		}
	}
	d.text(leftSide+plot/2, y+42, "soft", "middle", c.X.name())
	d.height = y + 58
	return d
}

// panel draws one panel and returns where it ends.
func (d *drawing) panel(c *Chart, panel Panel, y, plot, height float64, px func(float64) float64, ticks []float64) float64 {
	py := func(v float64) float64 { return y + height*(1-min(max(panel.Y.place(v), 0), 1)) }
	d.text(leftSide-44, y-10, "soft", "start", panel.Y.name())
	for _, v := range ticks {
		d.path("hair", 0.6, Solid, "M%.1f %.1fv%.1f", px(v), y, height)
	}
	for _, v := range panel.Y.ticks(int(height / 44)) {
		if f := panel.Y.place(v); f < 0 || f > 1 {
			continue
		}
		d.path("hair", 0.6, Solid, "M%.1f %.1fh%.1f", leftSide, py(v), plot)
		d.text(leftSide-8, py(v)+4.5, "", "end", figure(v))
	}
	// Names at the right end keep clear of one another and in the order of what
	// they name.
	type label struct {
		at       float64
		class, s string
	}
	var names []label
	name := func(at float64, class, s string) { names = append(names, label{at, class, s}) }
	// Room around the lines first, so that it cuts the grid and nothing else.
	lines := make([]string, len(panel.Series))
	ends := make([]float64, len(panel.Series))
	for i, s := range panel.Series {
		lines[i], ends[i] = trace(s, px, py)
		if lines[i] != "" {
			d.path("halo", 4.5, Solid, "%s", lines[i])
		}
	}
	for _, l := range panel.Limits {
		if f := panel.Y.place(l.At); f < 0 || f > 1 {
			continue
		}
		d.path("goal", 1.3, l.Stroke, "M%.1f %.1fh%.1f", leftSide, py(l.At), plot)
		name(py(l.At), "limit", l.Name)
	}
	for _, m := range c.Marks {
		if f := c.X.place(m.At); f >= 0 && f <= 1 {
			d.path("line", 1.1, Dotted, "M%.1f %.1fv%.1f", px(m.At), y, height)
		}
	}
	for i, s := range panel.Series {
		if lines[i] == "" {
			continue
		}
		d.path("line", 2, s.Stroke, "%s", lines[i])
		if len(panel.Series) > 1 {
			name(ends[i], "", s.Name)
		}
	}
	slices.SortStableFunc(names, func(a, b label) int { return cmp.Compare(a.at, b.at) })
	free := math.Inf(-1)
	for _, n := range names {
		at := max(n.at, free)
		d.text(leftSide+plot+8, at+4.5, n.class, "start", n.s)
		free = at + 15
	}
	d.path("line", 1.2, Solid, "M%.1f %.1fV%.1fh%.1f", leftSide, y, y+height, plot)
	return y + height
}

// trace returns the path of a series and the height at which it ends; an empty
// path where no point is a number.
func trace(s Series, px, py func(float64) float64) (path string, end float64) {
	var b strings.Builder
	pen := "M"
	for i := range s.X {
		x, y := px(s.X[i]), py(s.Y[i])
		if math.IsNaN(x) || math.IsNaN(s.Y[i]) {
			pen = "M"
			continue
		}
		fmt.Fprintf(&b, "%s%.1f %.1f", pen, x, y)
		pen, end = "L", y
	}
	return b.String(), end
}

// strip draws the ranges and returns where they end. Names that do not fit
// above or below their range are left to the text.
func (d *drawing) strip(c *Chart, y float64, px func(float64) float64) float64 {
	const height = 14.0
	for _, m := range c.Marks {
		if f := c.X.place(m.At); f >= 0 && f <= 1 {
			anchor, x := "start", px(m.At)+6
			if f > 0.7 {
				anchor, x = "end", px(m.At)-6
			}
			d.text(x, y-18, "soft", anchor, m.Name)
		}
	}
	named := y + height
	last := ""
	for i, b := range c.Bands {
		x0, x1 := px(b.From), px(b.To)
		if !(x1 > x0) {
			continue
		}
		d.area(b.Fill, x0, y, x1-x0, height)
		if x1-x0 > 7*float64(len(b.Name)) && last != b.Name {
			d.text(x0+3, y+height+16, "", "start", b.Name)
			named, last = max(named, y+height+20), b.Name
		}
		room := x1 - x0
		if i == len(c.Bands)-1 {
			room = wide - x0 - 20 // nothing stands to the right
		}
		for k, l := range wrap(b.Note, max(int(room/6.8), 12)) {
			if b.Note == "" || room < 80 || k > 2 {
				break
			}
			d.text(x0+3, y+height+31+15*float64(k), "soft", "start", l)
			named = max(named, y+height+36+15*float64(k))
		}
	}
	return named + 12
}

// drawGrid draws a reach over two entries.
func drawGrid(r *plan.Reach, show string) *drawing {
	first, second := gridSides(r)
	x, y := Axis{Label: r.Entry, Unit: r.Unit}, Axis{Label: r.Second, Unit: r.SecondUnit}
	d := &drawing{width: wide, title: fmt.Sprintf("How far %s reaches", orThis(r.Rig)), desc: reachSentenceOf(r, show)}
	full := 1.0 // the error that fills a cell
	if best := r.Steadiest(); best != nil && best.Residual() > 0 {
		full = 3 * float64(best.Residual())
	}
	top := d.heading(d.title, d.desc, []string{reachSubject(r) + ", at its best hour"})
	d.text(leftSide-44, top+6, "soft", "start", y.name())
	top += 18
	plot := wide - leftSide - 24
	w, h := plot/float64(len(first)), 30.0
	if len(second) > 14 {
		h = 420 / float64(len(second))
	}
	for j := range second {
		rowY := top + float64(len(second)-1-j)*h
		if h >= 14 || j%2 == 0 {
			d.text(leftSide-8, rowY+h/2+4.5, "", "end", figure(second[j]))
		}
		for i := range first {
			p := r.Points[j*len(first)+i]
			cx, f := leftSide+float64(i)*w, fillOf(p)
			e := math.Max(p.Ellipticity, p.EllipticityCorner)
			if show == ShowResidual {
				e = float64(p.Residual())
				if f = Stippled; !math.IsNaN(e) {
					f = Blank
				}
			}
			d.area(f, cx, rowY, w, h)
			if show == ShowResidual && e > 0 {
				// Filled from below by as much as the error is of three times the least.
				part := h * math.Min(e/full, 1)
				fmt.Fprintf(&d.b, `<rect class="bar" x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="%s"/>`+"\n", cx, rowY+h-part, w, part, hairDefault)
			}
			if w < 36 || h < 20 || math.IsNaN(e) {
				continue
			}
			fmt.Fprintf(&d.b, `<rect class="paper" x="%.1f" y="%.1f" width="32" height="17" rx="2" fill="%s"/>`+"\n", cx+w/2-16, rowY+h/2-8.5, sheetDefault)
			d.text(cx+w/2, rowY+h/2+4.5, "", "middle", fmt.Sprintf("%.2f", e))
		}
	}
	bottom := top + float64(len(second))*h
	free := 0.0
	for i, v := range first {
		at := leftSide + (float64(i)+0.5)*w
		text := figure(v)
		if half := 4 * float64(len(text)); at-half >= free {
			d.text(at, bottom+18, "", "middle", text)
			free = at + half + 8
		}
	}
	d.text(leftSide+plot/2, bottom+40, "soft", "middle", x.name())
	if show == ShowResidual {
		d.area(Stippled, leftSide, bottom+56, 26, 14)
		d.text(leftSide+34, bottom+67, "", "start", fmt.Sprintf("runs away, or no answer; a cell that is full has %.2f arcsec or more, three times the least", full))
		d.height = bottom + 86
		return d
	}
	key := leftSide
	for _, f := range []Fill{Blank, Hatched, CrossHatched, Stippled} {
		d.area(f, key, bottom+56, 26, 14)
		d.text(key+34, bottom+67, "", "start", fillName[f])
		key += 130
	}
	d.height = bottom + 86
	return d
}
