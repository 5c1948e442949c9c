package draw

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// sheet collects the elements of a drawing.
type sheet struct {
	b strings.Builder
}

// begin opens a drawing of a size in its own units, with a name for those who
// can not see it.
func begin(width, height float64, class, label string) *sheet {
	s := &sheet{}
	s.linef(`<svg xmlns="http://www.w3.org/2000/svg" class="%s" viewBox="0 0 %s %s" role="img" aria-label="%s">`, class, num(width), num(height), html.EscapeString(label))
	return s
}

// end closes the drawing and returns it.
func (s *sheet) end() string {
	s.b.WriteString("</svg>")
	return s.b.String()
}

func (s *sheet) linef(format string, args ...any) { fmt.Fprintf(&s.b, format+"\n", args...) }

// path strokes a path.
func (s *sheet) path(colour string, width float64, more, format string, args ...any) {
	s.linef(`<path fill="none" stroke="var(--%s)" stroke-width="%s"%s d="%s"/>`, colour, num(width), space(more), fmt.Sprintf(format, args...))
}

// text writes text with its baseline at y; anchor is start, middle or end.
func (s *sheet) text(x, y, size float64, colour, anchor, more, text string) {
	s.linef(`<text x="%s" y="%s" font-size="%s" fill="var(--%s)" text-anchor="%s"%s>%s</text>`, num(x), num(y), num(size), colour, anchor, space(more), html.EscapeString(text))
}

// space puts a space before attributes, where there are any.
func space(more string) string {
	if more == "" {
		return ""
	}
	return " " + more
}

// num writes a coordinate with at most two decimals.
func num(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

// round returns the largest of 1, 2 and 5 times a power of ten that is at most
// v, which must be positive.
func round(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{5, 2} {
		if m*p <= v*(1+1e-9) {
			return m * p
		}
	}
	return p
}
