package report

import (
	"fmt"
	"math"
	"strconv"
)

// Chart is what a chart shows, whatever draws it: panels above one another
// that share the horizontal axis, and a strip of ranges. Things are told apart
// by stroke and hatch, never by colour alone.
type Chart struct {
	Title  string
	Desc   string // the chart in a sentence, for those who cannot see it
	X      Axis
	Panels []Panel
	Bands  []Band  // ranges of X, in order
	Marks  []Limit // values of X to point out
	Notes  []string
}

// Axis is one axis. On a logarithmic one From is above zero.
type Axis struct {
	Label    string
	Unit     string
	From, To float64
	Log      bool
}

// Panel is one quantity against the horizontal axis.
type Panel struct {
	Y      Axis
	Series []Series
	Limits []Limit // values of Y
}

// Series is one line. A point that is not a number interrupts it.
type Series struct {
	Name   string
	Stroke Stroke
	X, Y   []float64
}

// Limit is one value of an axis with its name.
type Limit struct {
	Name   string
	At     float64
	Stroke Stroke
}

// Band is a range of the horizontal axis.
type Band struct {
	Name     string
	Note     string
	From, To float64
	Fill     Fill
}

// Stroke is how a line is drawn.
type Stroke uint8

// The strokes.
const (
	Solid Stroke = iota
	Dashed
	Dotted
)

// Fill is how an area is filled.
type Fill uint8

// The fills, from light to heavy.
const (
	Blank Fill = iota
	Hatched
	CrossHatched
	Stippled
)

// place returns where a value lies along an axis: 0 at From, 1 at To, NaN for
// what the axis cannot show.
func (a Axis) place(v float64) float64 {
	if a.Log {
		if v <= 0 {
			return math.NaN()
		}
		return math.Log(v/a.From) / math.Log(a.To/a.From)
	}
	return (v - a.From) / (a.To - a.From)
}

// between returns the middle of two values of an axis.
func (a Axis) between(v, w float64) float64 {
	if a.Log {
		return math.Sqrt(v * w)
	}
	return (v + w) / 2
}

// ticks returns round values within the axis, about n of them and at least
// two where the axis has any length.
func (a Axis) ticks(n int) []float64 {
	if a.Log && a.To/a.From > 8 {
		for _, steps := range [][]float64{{1, 2, 5}, {1, 3}, {1}} {
			var out []float64
			for e := math.Floor(math.Log10(a.From)); e <= math.Ceil(math.Log10(a.To)); e++ {
				for _, s := range steps {
					if v := s * math.Pow(10, e); v >= a.From*0.999 && v <= a.To*1.001 {
						out = append(out, v)
					}
				}
			}
			if len(out) <= n+1 {
				return out
			}
		}
	}
	span := a.To - a.From
	if !(span > 0) {
		return nil
	}
	// The step whose count comes nearest to n.
	decade := math.Pow(10, math.Floor(math.Log10(span/float64(n))))
	step := decade
	for _, f := range []float64{2, 5, 10} {
		if math.Abs(math.Log(span/(decade*f*float64(n)))) < math.Abs(math.Log(span/(step*float64(n)))) {
			step = decade * f
		}
	}
	var out []float64
	for i := math.Ceil(a.From/step - 1e-9); i*step <= a.To+step*1e-9; i++ {
		out = append(out, i*step)
	}
	return out
}

// figure writes a value of an axis without more digits than the eye reads off
// a chart.
func figure(v float64) string {
	if v == 0 {
		return "0"
	}
	if a := math.Abs(v); a >= 1000 && a < 1e7 {
		step := math.Pow(10, math.Floor(math.Log10(a))-2)
		return strconv.FormatFloat(math.Round(v/step)*step, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'g', 3, 64)
}

// with writes a value and its unit.
func (a Axis) with(v float64) string {
	if a.Unit == "" {
		return figure(v)
	}
	return fmt.Sprintf("%s %s", figure(v), a.Unit)
}

// name is the axis's label with its unit.
func (a Axis) name() string {
	if a.Unit == "" {
		return a.Label
	}
	return a.Label + ", " + a.Unit
}
