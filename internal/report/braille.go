package report

import (
	"math"
	"strings"
)

// canvas draws lines with braille dots, two across and four down in each
// character.
type canvas struct {
	width, height int // in characters
	dots          []byte
	ground        []rune // what stands where there are no dots
}

func newCanvas(width, height int) *canvas {
	c := &canvas{width: width, height: height, dots: make([]byte, width*height), ground: make([]rune, width*height)}
	for i := range c.ground {
		c.ground[i] = ' '
	}
	return c
}

// dotBits are the bits of a braille character, by row and column of its dots:
// the first six are numbered down the columns, the last two lie below them.
//
// Source: The Unicode Standard, chapter 21.1 "Braille".
var dotBits = [4][2]byte{{0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}}

// dot sets the dot at x from the left and y from the top; those outside are
// left out.
func (c *canvas) dot(x, y int) {
	if x < 0 || y < 0 || x >= 2*c.width || y >= 4*c.height {
		return
	}
	c.dots[y/4*c.width+x/2] |= dotBits[y%4][x%2]
}

// rule draws a horizontal line of characters behind the dots, at a height from
// 0 at the bottom to 1 at the top.
func (c *canvas) rule(at float64, r rune) {
	row := c.row(at)
	if row < 0 {
		return
	}
	for x := range c.width {
		c.ground[row*c.width+x] = r
	}
}

// row returns the row of characters at a height, or -1 outside.
func (c *canvas) row(at float64) int {
	if !(at >= 0 && at <= 1) {
		return -1
	}
	return int(math.Round((1-at)*float64(4*c.height-1))) / 4
}

// line draws a line through points whose coordinates run from 0 to 1, left to
// right and bottom to top. Points above the top are drawn on it.
func (c *canvas) line(xs, ys []float64, stroke Stroke) {
	n := 0 // dots so far, for the dashes
	started := false
	var px, py float64
	for i := range xs {
		if math.IsNaN(xs[i]) || math.IsNaN(ys[i]) {
			started = false
			continue
		}
		x, y := xs[i]*float64(2*c.width-1), (1-min(max(ys[i], 0), 1))*float64(4*c.height-1)
		if !started {
			px, py, started = x, y, true
		}
		steps := int(math.Ceil(max(math.Abs(x-px), math.Abs(y-py), 1)))
		for s := range steps + 1 {
			f := float64(s) / float64(steps)
			if s > 0 {
				n++
			}
			if stroke == Dashed && n%6 >= 3 || stroke == Dotted && n%3 != 0 {
				continue
			}
			c.dot(int(math.Round(px+f*(x-px))), int(math.Round(py+f*(y-py))))
		}
		px, py = x, y
	}
}

// lines returns the canvas, a string for each row.
func (c *canvas) lines() []string {
	out := make([]string, c.height)
	for y := range out {
		var b strings.Builder
		for x := range c.width {
			i := y*c.width + x
			if c.dots[i] == 0 {
				b.WriteRune(c.ground[i])
			} else {
				b.WriteRune(0x2800 + rune(c.dots[i]))
			}
		}
		out[y] = b.String()
	}
	return out
}

// axisWidth is the room left of a chart for the figures of its axis, goalWidth
// that to the right for the names of limits.
const (
	axisWidth = 8
	goalWidth = 10
)

// chart draws a chart in characters: its panels, its strip of ranges and its
// marks.
func (p *page) chart(c *Chart, heights ...int) {
	width := p.width - axisWidth - goalWidth - 4
	for i, panel := range c.Panels {
		height := 10
		if i < len(heights) {
			height = heights[i]
		}
		p.panel(c, panel, width, height)
	}
	axis := []rune(strings.Repeat("─", width))
	ticks := c.X.ticks(7)
	labels := []rune(strings.Repeat(" ", width+goalWidth))
	free := 0
	for _, v := range ticks {
		at := column(c.X.place(v), width)
		if at < 0 {
			continue
		}
		axis[at] = '┴'
		text := []rune(figure(v))
		start := max(at-len(text)/2, 0)
		if start < free || start+len(text) > len(labels) {
			continue
		}
		copy(labels[start:], text)
		free = start + len(text) + 1
	}
	margin := strings.Repeat(" ", axisWidth+2)
	p.linef("%s└%s", strings.Repeat(" ", axisWidth+1), string(axis))
	p.linef("%s%s", margin, string(labels))
	if len(c.Bands) > 0 {
		strip := []rune(strings.Repeat(" ", width))
		for _, b := range c.Bands {
			from, to := c.X.place(b.From), c.X.place(b.To)
			for x := range strip {
				if f := (float64(x) + 0.5) / float64(width); f >= from && f <= to {
					strip[x] = bandRune[b.Fill]
				}
			}
		}
		p.linef("%s%s", margin, string(strip))
	}
	for _, m := range c.Marks {
		at := column(c.X.place(m.At), width)
		if at < 0 {
			continue
		}
		text := "▲ " + m.Name
		if at+columns(text) > width+goalWidth {
			text = m.Name + " ▲"
			at -= columns(text) - 1
		}
		p.linef("%s%s%s", margin, strings.Repeat(" ", max(at, 0)), text)
	}
	p.linef("%s%s", margin, lead(c.X.name(), (width+columns(c.X.name()))/2))
}

// bandRune is the stroke of a range's strip.
var bandRune = map[Fill]rune{Blank: '━', Hatched: '╍', CrossHatched: '╳', Stippled: '?'}

// column returns the column of a place from 0 to 1, or -1 outside.
func column(at float64, width int) int {
	if !(at >= -1e-9 && at <= 1+1e-9) {
		return -1
	}
	return int(math.Round(at * float64(width-1)))
}

// panel draws one panel.
func (p *page) panel(c *Chart, panel Panel, width, height int) {
	cv := newCanvas(width, height)
	right := map[int]string{}
	for _, l := range panel.Limits {
		at := panel.Y.place(l.At)
		r := '┄'
		if l.Stroke == Dashed {
			r = '╌'
		}
		cv.rule(at, r)
		if row := cv.row(at); row >= 0 {
			right[row] = l.Name
		}
	}
	for _, s := range panel.Series {
		xs, ys := make([]float64, len(s.X)), make([]float64, len(s.X))
		for i := range s.X {
			xs[i], ys[i] = c.X.place(s.X[i]), panel.Y.place(s.Y[i])
		}
		cv.line(xs, ys, s.Stroke)
	}
	left := map[int]string{}
	for _, v := range panel.Y.ticks(max(height/3, 2)) {
		if row := cv.row(panel.Y.place(v)); row >= 0 {
			left[row] = figure(v)
		}
	}
	p.linef("  %s", panel.Y.name()+seriesKey(panel.Series))
	for y, l := range cv.lines() {
		wall := "│"
		if left[y] != "" {
			wall = "┤"
		}
		p.linef("%s %s%s %s", lead(left[y], axisWidth), wall, l, right[y])
	}
}

// seriesKey names the lines of a panel.
func seriesKey(series []Series) string {
	if len(series) < 2 {
		return ""
	}
	var b strings.Builder
	for _, s := range series {
		b.WriteString("   " + map[Stroke]string{Solid: "⠤⠤⠤⠤", Dashed: "⠤⠄⠠⠤", Dotted: "⠄⠠⠀⠄"}[s.Stroke] + " " + s.Name)
	}
	return b.String()
}
