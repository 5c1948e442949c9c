package draw

import (
	"encoding/xml"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// sound fails where a drawing is no XML, has a colour or a style of its own, or
// lacks one of the texts.
func sound(t *testing.T, svg string, texts ...string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader("<div>" + svg + "</div>"))
	ids := map[string]bool{}
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not XML: %v: %s", err, svg)
		}
		if e, ok := tok.(xml.StartElement); ok {
			for _, a := range e.Attr {
				switch n := a.Name.Local; {
				case n == "id" && ids[a.Value]:
					t.Errorf("two things have the id %s", a.Value)
				case n == "id":
					ids[a.Value] = true
				case n == "style" || strings.HasPrefix(n, "on"):
					t.Errorf("<%s> has the attribute %s", e.Name.Local, n)
				case (n == "fill" || n == "stroke") && a.Value != "none" && !strings.HasPrefix(a.Value, "var(--") && !strings.HasPrefix(a.Value, "url(#"):
					t.Errorf("<%s> has the colour %s", e.Name.Local, a.Value)
				}
			}
		}
	}
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
		t.Errorf("a number is none: %s", svg)
	}
	for _, want := range texts {
		if !strings.Contains(svg, want) {
			t.Errorf("no %q in %s", want, svg)
		}
	}
}

// marked returns the ends of the first marked line of a drawing.
func marked(t *testing.T, svg string) (x0, y0, x1, y1 float64) {
	t.Helper()
	m := regexp.MustCompile(`var\(--mark\)" stroke-width="2.4" d="M([0-9.]+) ([0-9.]+)L([0-9.]+) ([0-9.]+)`).FindStringSubmatch(svg)
	if m == nil {
		t.Fatalf("no marked line in %s", svg)
	}
	var v [4]float64
	for i := range v {
		v[i], _ = strconv.ParseFloat(m[i+1], 64) // the pattern holds numbers
	}
	return v[0], v[1], v[2], v[3]
}

// TestScrews: a screw goes towards the tube where it turns in, and away where it
// turns out; one that stays is named without a turn.
func TestScrews(t *testing.T) {
	for _, tt := range []struct {
		turns float64
		in    bool
	}{{0.31, true}, {-0.31, false}} {
		svg := Screws{{Name: "F1", Angle: 90, Turns: tt.turns, Order: 1}, {Name: "F2", Angle: 210}, {Rear: true, Name: "R1", Angle: 90, Turns: 0.001, Order: 2}}.SVG()
		x0, y0, x1, y1 := marked(t, svg)
		cx, cy := ringX, ringY
		if inward := math.Hypot(x1-cx, y1-cy) < math.Hypot(x0-cx, y0-cy); inward != tt.in {
			t.Errorf("%v turns: the arrow goes inward: %v", tt.turns, inward)
		}
		if !(y0 < cy && y1 < cy) {
			t.Errorf("the screw on top is drawn below the middle")
		}
		word := "0.31 turn in"
		if !tt.in {
			word = "0.31 turn out"
		}
		sound(t, svg, "1. F1", word, ">F2<", ">R1<", "front ring, from behind", "2: R1, leave it")
	}
}

// TestFocuser: the way is drawn where it is known, and said.
func TestFocuser(t *testing.T) {
	nan := math.NaN()
	sound(t, Focuser{Turns: 3.24, Distance: 2.4, Direction: "in"}.SVG(), "3.2 turns in", "var(--mark)")
	sound(t, Focuser{Turns: 0.324, Distance: 2.4, Direction: "out"}.SVG(), "0.32 turns out", "var(--mark)")
	for _, svg := range []string{Focuser{Turns: nan, Distance: 5.353, Direction: "unknown"}.SVG(), Focuser{Turns: 1, Direction: "in", There: true}.SVG()} {
		sound(t, svg)
		if strings.Contains(svg, "var(--mark)") {
			t.Errorf("a way is marked that is not known, or not to be gone: %s", svg)
		}
	}
	sound(t, Focuser{Turns: nan, Distance: 5.353, Direction: "unknown"}.SVG(), "5.35 mm, in or out")
}

// TestKnobs: east is on the right of a north pole above, on the left of a south
// pole; a knob that stays has no arrow.
func TestKnobs(t *testing.T) {
	nan := math.NaN()
	svg := Knobs{Latitude: 47, Altitude: KnobTurn{Way: "raise", By: 4.24, Turns: 0.14}, Azimuth: KnobTurn{Way: "east", By: 7.1, Turns: nan}}.SVG()
	sound(t, svg, "raise by 4.2′, 0.14 turn", "east by 7.1′", `x="296" y="197" font-size="15" fill="var(--ink)" text-anchor="middle" font-weight="700">E<`, "to N")
	if n := strings.Count(svg, "var(--mark)"); n != 4 {
		t.Errorf("%d marked strokes, want two arrows of two", n)
	}
	svg = Knobs{Latitude: -35, Altitude: KnobTurn{Turns: nan}, Azimuth: KnobTurn{Way: "east", By: 7.1, Turns: nan}}.SVG()
	sound(t, svg, "leave it", `x="44" y="197" font-size="15" fill="var(--ink)" text-anchor="middle" font-weight="700">E<`, "to S")
	m := regexp.MustCompile(`var\(--mark\)" stroke-width="4" d="M([0-9.]+) [0-9.]+A[0-9. ]+ 0 0 (\d) ([0-9.]+)`).FindStringSubmatch(svg)
	if m == nil {
		t.Fatalf("no arrow: %s", svg)
	}
	from, _ := strconv.ParseFloat(m[1], 64)
	to, _ := strconv.ParseFloat(m[3], 64)
	if !(to < from) || m[2] != "0" {
		t.Errorf("east of a south pole is drawn from %v to %v, sweep %s: want it to the left", from, to, m[2])
	}
}

// TestCurve: points and their best stand where they belong, also with one point
// or none.
func TestCurve(t *testing.T) {
	nan := math.NaN()
	c := Curve{What: "a run", Across: "turns", Up: "px", FromZero: true, Best: 1, BestName: "best 1.0 ± 0.1", Zone: 0.2}
	for i, y := range []float64{6, 3, 2.5, 3, 6} {
		c.Points = append(c.Points, CurvePoint{X: float64(i) / 2, Y: y, Sigma: 0.1})
	}
	svg := c.SVG()
	sound(t, svg, "best 1.0 ± 0.1", "url(#zone-hatch)", `aria-label="a run"`)
	var lowest, at float64
	for _, m := range regexp.MustCompile(`<circle cx="([0-9.]+)" cy="([0-9.]+)"`).FindAllStringSubmatch(svg, -1) {
		x, _ := strconv.ParseFloat(m[1], 64)
		if y, _ := strconv.ParseFloat(m[2], 64); y > lowest {
			lowest, at = y, x
		}
	}
	m := regexp.MustCompile(`stroke-width="2.2" d="M([0-9.]+) `).FindStringSubmatch(svg)
	if m == nil {
		t.Fatalf("no best: %s", svg)
	}
	if best, _ := strconv.ParseFloat(m[1], 64); math.Abs(best-at) > 0.01 {
		t.Errorf("the best is drawn at %v, the narrowest frame at %v", best, at)
	}
	sound(t, Curve{What: "none", Best: nan}.SVG())
	wild := Curve{What: "wild", Best: nan, Points: []CurvePoint{{X: 0, Y: 1, Sigma: math.Inf(1)}, {X: 1, Y: 2, Sigma: 0.1}, {X: nan, Y: 3}, {X: 2, Y: math.Inf(-1)}}}.SVG()
	sound(t, wild, ">1.0<", ">2.0<")
	if n := strings.Count(wild, "<circle"); n != 2 {
		t.Errorf("%d points, want the two that can be drawn", n)
	}
	sound(t, Curve{What: "one", Best: nan, Points: []CurvePoint{{X: 3, Y: 0, Sigma: nan, Name: "a<b"}}, PointsByName: true, Line: true}.SVG(), "a&lt;b")
}
