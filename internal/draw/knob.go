package draw

import (
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// Focuser is a focuser and which way it must go.
type Focuser struct {
	Turns     float64 // NaN without a thread that is known
	Distance  unit.MM // NaN not known
	Direction string  // in, out or unknown
	There     bool    // nothing to turn
}

// SVG draws the focuser from the side, the sky to the left, and the way the
// camera must go.
func (f Focuser) SVG() string {
	amount := ""
	switch {
	case f.There:
		amount = "stay"
	case !math.IsNaN(f.Turns):
		amount = fmt.Sprintf("%.*f turns", decimals(f.Turns), f.Turns)
	case !math.IsNaN(float64(f.Distance)):
		amount = fmt.Sprintf("%.2f mm", float64(f.Distance))
	}
	way := map[string]string{"in": "in", "out": "out"}[f.Direction]
	label := "The focuser from the side: " + amount
	switch {
	case f.There:
		label = "The focuser from the side: it is in focus"
	case way != "":
		label += ", " + way
	default:
		label += ", which way is not known"
	}
	s := begin(420, 214, "focuser", label)
	s.path("soft", 0.8, `stroke-dasharray="14 4 3 4"`, "M8 120H412")
	s.path("ink", 1.6, "", "M8 70H214V170H8") // the tube
	s.hatch("draw-hatch", 7)
	s.linef(`<rect x="214" y="84" width="92" height="72" fill="url(#draw-hatch)" fill-opacity="0.35" stroke="var(--ink)" stroke-width="1.6"/>`)
	s.linef(`<rect x="306" y="78" width="64" height="84" fill="var(--sheet)" stroke="var(--ink)" stroke-width="1.6"/>`)
	s.path("ink", 3.4, "", "M322 92V148")
	s.linef(`<circle cx="186" cy="176" r="15" fill="var(--sheet)" stroke="var(--ink)" stroke-width="1.8"/><circle cx="186" cy="176" r="3.5" fill="var(--ink)"/>`)
	s.text(14, 62, 15, "soft", "start", "", "to the sky")
	s.text(338, 182, 15, "soft", "middle", "", "camera")
	in, out := "M316 46H226m13 -9l-13 9l13 9", "M226 46H316m-13 -9l13 9l-13 9"
	switch {
	case f.There:
		s.path("ink", 2.4, "", "M253 46l12 12l24 -26")
	case way == "in":
		s.path("mark", 4, "", "%s", in)
	case way == "out":
		s.path("mark", 4, "", "%s", out)
	default:
		s.path("ink", 1.8, `stroke-dasharray="6 5"`, "M226 46H316")
		s.path("ink", 1.8, "", "M239 37l-13 9l13 9M303 37l13 9l-13 9")
	}
	if way != "" && !f.There {
		amount += " " + way
	} else if !f.There {
		amount += ", in or out"
	}
	s.text(271, 24, 17, "ink", "middle", `font-weight="700"`, amount)
	return s.end()
}

// decimals returns how many decimals a turn deserves.
func decimals(v float64) int {
	if math.Abs(v) < 1 {
		return 2
	}
	return 1
}

// KnobTurn is a movement of one knob of a mount's base.
type KnobTurn struct {
	Way   string      // raise, lower, east or west; "" leaves the knob alone
	By    unit.Arcmin // by which the axis goes
	Turns float64     // of the knob; NaN not known
}

// says is the movement in words.
func (k KnobTurn) says(none string) string {
	if k.Way == "" {
		return none
	}
	text := fmt.Sprintf("%s by %.1f′", k.Way, float64(k.By))
	if !math.IsNaN(k.Turns) {
		text += fmt.Sprintf(", %.2f turn", k.Turns)
	}
	return text
}

// Knobs are the two knobs under a polar axis and the way the axis must go.
type Knobs struct {
	Altitude, Azimuth KnobTurn
	Latitude          unit.Deg // south negative
}

// SVG draws the mount twice: from the side, with the pole on the left, and from
// above, with the pole up.
func (k Knobs) SVG() string { return k.side() + k.above() }

// pole returns the letters of the pole that the axis points at, and of what lies
// right and left of it.
func (k Knobs) pole() (pole, right, left string) {
	if k.Latitude < 0 {
		return "S", "W", "E"
	}
	return "N", "E", "W"
}

// The measures of a mount's drawings.
const (
	knobWide = 340.0
	knobHigh = 290.0
)

// around returns places about a point, by the angle from the left, upwards.
func around(px, py float64) func(deg, r float64) (x, y float64) {
	return func(deg, r float64) (x, y float64) {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		return px - r*cos, py - r*sin
	}
}

// side draws the mount from the side.
func (k Knobs) side() string {
	s := begin(knobWide, knobHigh, "knob", "The polar axis from the side. Altitude knob: "+k.Altitude.says("leave it"))
	alt := math.Abs(float64(k.Latitude))
	if !(alt > 3 && alt < 87) {
		alt = 45
	}
	const px, py, long = 232.0, 206.0, 146.0
	at := around(px, py)
	s.path("ink", 1.6, "", "M30 232H310M%s 232V%sM%s 232V%s", num(px-16), num(py), num(px+16), num(py))
	x, y := at(alt, long)
	bx, by := at(alt+180, 46)
	s.path("ink", 9, "", "M%s %sL%s %s", num(bx), num(math.Min(by, 228)), num(x), num(y))
	fx, fy := at(alt, long+44)
	s.path("soft", 0.9, `stroke-dasharray="14 4 3 4"`, "M%s %sL%s %s", num(px), num(py), num(fx), num(fy))
	s.linef(`<circle cx="%s" cy="%s" r="6" fill="var(--sheet)" stroke="var(--ink)" stroke-width="1.8"/>`, num(px), num(py))
	if d := map[string]float64{"raise": 1, "lower": -1}[k.Altitude.Way]; d != 0 {
		s.arc(at, alt+3*d, alt+19*d, long+18)
	}
	pole, _, _ := k.pole()
	s.text(30, 226, 14, "soft", "start", "", "to "+pole)
	s.text(170, 258, 14, "soft", "middle", "", "altitude knob, from the side")
	s.text(170, 281, 17, "ink", "middle", `font-weight="700"`, k.Altitude.says("leave it"))
	return s.end()
}

// above draws the mount from above.
func (k Knobs) above() string {
	s := begin(knobWide, knobHigh, "knob", "The polar axis from above. Azimuth knob: "+k.Azimuth.says("leave it"))
	const px, py, long = 170.0, 192.0, 120.0
	s.linef(`<circle cx="%s" cy="%s" r="40" fill="none" stroke="var(--ink)" stroke-width="1.6"/>`, num(px), num(py))
	s.path("ink", 9, "", "M%s %sV%s", num(px), num(py), num(py-long))
	s.path("soft", 0.9, `stroke-dasharray="14 4 3 4"`, "M%s %sV22", num(px), num(py-long))
	s.linef(`<circle cx="%s" cy="%s" r="6" fill="var(--sheet)" stroke="var(--ink)" stroke-width="1.8"/>`, num(px), num(py))
	pole, right, left := k.pole()
	s.text(px, 16, 15, "ink", "middle", `font-weight="700"`, pole)
	s.text(px-126, py+5, 15, "ink", "middle", `font-weight="700"`, left)
	s.text(px+126, py+5, 15, "ink", "middle", `font-weight="700"`, right)
	if d := map[string]float64{right: 1, left: -1}[letter(k.Azimuth.Way)]; d != 0 {
		s.arc(around(px, py), 90+4*d, 90+28*d, long+12)
	}
	s.text(px, 258, 14, "soft", "middle", "", "azimuth knob, from above")
	s.text(px, 281, 17, "ink", "middle", `font-weight="700"`, k.Azimuth.says("leave it"))
	return s.end()
}

// letter is a direction's on a drawing.
func letter(way string) string { return map[string]string{"east": "E", "west": "W"}[way] }

// arc draws a marked arrow about a point from one angle to another.
func (s *sheet) arc(at func(deg, r float64) (x, y float64), from, to, r float64) {
	sweep := 1
	if to < from {
		sweep = 0
	}
	ax, ay := at(from, r)
	bx, by := at(to, r)
	s.path("mark", 4, "", "M%s %sA%s %s 0 0 %d %s %s", num(ax), num(ay), num(r), num(r), sweep, num(bx), num(by))
	back := to - math.Copysign(6, to-from)
	lx, ly := at(back, r-10)
	ux, uy := at(back, r+10)
	s.path("mark", 4, "", "M%s %sL%s %sL%s %s", num(lx), num(ly), num(bx), num(by), num(ux), num(uy))
}
