package draw

import (
	"fmt"
	"html"
	"math"
	"time"
)

// Sub is one sub of a night as its strip shows it.
type Sub struct {
	Name        string
	Start       time.Time // the zero time where that is not known: subs then stand side by side
	FWHM        float64   // of its mean star; NaN draws a gap
	Ellipticity float64
	PA          float64 // degrees, of the long axis; NaN draws a circle
	Within      bool    // its goal
}

// Night is a night of subs, drawn as a strip: each sub's star as a small
// ellipse, how far out of round it is, and how wide, against time.
type Night struct {
	Subs            []Sub
	Unit            string  // of the widths: "″" or "px"
	GoalEllipticity float64 // NaN draws none
	GoalFWHM        float64
}

// The measures of a strip, in its own units.
const (
	stripWide = 760.0
	stripLeft = 64.0
	trackHigh = 92.0
)

// exaggerate is by how much a strip's ellipses are flatter than the stars.
const exaggerate = 2.0

// SVG draws the strip.
func (n Night) SVG() string {
	within := 0
	for _, s := range n.Subs {
		if s.Within {
			within++
		}
	}
	s := begin(stripWide, 2*trackHigh+120, "strip", fmt.Sprintf("%d subs through the night, %d within their goal: the star of each, how far out of round it is and how wide", len(n.Subs), within))
	if len(n.Subs) == 0 {
		return s.end()
	}
	x := n.places()
	// The stars.
	s.text(stripLeft-10, 34, 12, "soft", "end", "", "star")
	r := math.Min(13, (stripWide-stripLeft)/float64(len(n.Subs))/2*0.85)
	median := n.median()
	for i, sub := range n.Subs {
		if math.IsNaN(sub.FWHM) {
			s.path("hair", 1.2, "", "M%s 24l8 8m0 -8l-8 8", num(x[i]-4))
			continue
		}
		size := r * math.Min(1.3, math.Max(0.5, sub.FWHM/median))
		flat := 1 - math.Min(exaggerate*sub.Ellipticity, 0.9)
		pa := sub.PA
		if math.IsNaN(pa) {
			pa, flat = 0, 1
		}
		fill := "none"
		if !sub.Within {
			fill = "var(--mark)"
		}
		s.linef(`<ellipse cx="%s" cy="28" rx="%s" ry="%s" transform="rotate(%s %s 28)" fill="%s" stroke="var(--ink)" stroke-width="1.2"><title>%s</title></ellipse>`,
			num(x[i]), num(size), num(size*flat), num(-90-pa), num(x[i]), fill, html.EscapeString(sub.Name))
	}
	n.track(s, x, 60, "out of round", func(b Sub) float64 { return b.Ellipticity }, n.GoalEllipticity)
	n.track(s, x, 60+trackHigh+22, "width "+n.Unit, func(b Sub) float64 { return b.FWHM }, n.GoalFWHM)
	// Time.
	y := 2*trackHigh + 108
	if first, last := n.Subs[0].Start, n.Subs[len(n.Subs)-1].Start; !first.IsZero() && last.After(first) {
		s.text(x[0], y, 12, "soft", "start", "", first.UTC().Format("15:04")+" UTC")
		s.text(x[len(x)-1], y, 12, "soft", "end", "", last.UTC().Format("15:04"))
	} else {
		s.text(x[0], y, 12, "soft", "start", "", "first sub")
		s.text(x[len(x)-1], y, 12, "soft", "end", "", "last")
	}
	s.text(stripWide-8, 12, 11.5, "soft", "end", "", fmt.Sprintf("ellipses are drawn %g times as flat; filled is beyond its goal", exaggerate))
	return s.end()
}

// places returns where each sub stands.
func (n Night) places() []float64 {
	x := make([]float64, len(n.Subs))
	left, right := stripLeft+14, stripWide-22
	first, last := n.Subs[0].Start, n.Subs[len(n.Subs)-1].Start
	for i, s := range n.Subs {
		t := 0.5
		switch {
		case !first.IsZero() && last.After(first) && !s.Start.IsZero():
			t = s.Start.Sub(first).Seconds() / last.Sub(first).Seconds()
		case len(n.Subs) > 1:
			t = float64(i) / float64(len(n.Subs)-1)
		}
		x[i] = left + t*(right-left)
	}
	return x
}

// median returns the middle width.
func (n Night) median() float64 {
	sum, k := 0.0, 0
	for _, s := range n.Subs {
		if !math.IsNaN(s.FWHM) {
			sum, k = sum+math.Log(s.FWHM), k+1
		}
	}
	return math.Exp(sum / math.Max(float64(k), 1))
}

// track draws one quantity against time, from zero.
func (n Night) track(s *sheet, x []float64, top float64, name string, of func(Sub) float64, goal float64) {
	most := 0.0
	for _, b := range n.Subs {
		if v := of(b); v > most {
			most = v
		}
	}
	if goal > most {
		most = goal
	}
	if !(most > 0) {
		most = 1
	}
	most *= 1.12
	y := func(v float64) float64 { return top + trackHigh*(1-v/most) }
	s.path("ink", 1, "", "M%s %sH%s", num(stripLeft), num(top+trackHigh), num(stripWide-8))
	step := round(most / 2)
	for v := step; v < most; v += step {
		s.path("hair", 0.8, "", "M%s %sH%s", num(stripLeft), num(y(v)), num(stripWide-8))
		s.text(stripLeft-8, y(v)+4, 11.5, "soft", "end", "", fmt.Sprintf("%.3g", v))
	}
	s.text(stripLeft-8, top+trackHigh+4, 11.5, "soft", "end", "", "0")
	s.text(stripLeft, top-5, 12, "ink", "start", `font-weight="700"`, name)
	if !math.IsNaN(goal) && goal > 0 {
		s.path("mark", 1.6, `stroke-dasharray="6 4"`, "M%s %sH%s", num(stripLeft), num(y(goal)), num(stripWide-8))
		s.text(stripWide-8, y(goal)-5, 11.5, "mark", "end", "", fmt.Sprintf("goal %.3g", goal))
	}
	line, pen := "", "M"
	for i, b := range n.Subs {
		v := of(b)
		if math.IsNaN(v) {
			pen = "M"
			continue
		}
		line += pen + num(x[i]) + " " + num(y(v))
		pen = "L"
	}
	s.path("ink", 1.4, "", "%s", line)
	for i, b := range n.Subs {
		if v := of(b); !math.IsNaN(v) {
			s.linef(`<circle cx="%s" cy="%s" r="2.6" fill="var(--ink)"/>`, num(x[i]), num(y(v)))
		}
	}
}
