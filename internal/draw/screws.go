package draw

import (
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// Screw is a screw of a ring and what is to be done with it.
type Screw struct {
	Rear  bool
	Name  string   // such as F1
	Angle unit.Deg // from the right towards the top, seen from behind
	Turns float64  // in is positive; less than a hundredth is left alone
	Order int      // in which it is turned, from 1; 0 is not turned
}

// Screws are those of the two rings of a guide telescope, seen from behind.
type Screws []Screw

// leastTurn is the smallest turn that is drawn as one.
const leastTurn = 0.01

// The measures of the rings, in their own units.
const (
	ringsWide = 340.0
	ringsHigh = 372.0
	ringTube  = 50.0 // radius of the guide telescope's tube
	ringIn    = 84.0 // of the ring's inner edge
	ringOut   = 100.0
	ringX     = ringsWide / 2
	ringY     = 178.0
)

// SVG draws the rings, a drawing each, so that they stand side by side or one
// under the other. A screw to be turned is thick, with an arrow the way it goes
// and its turns; a screw that stays is thin.
func (r Screws) SVG() string { return r.ring(false, "front") + r.ring(true, "rear") }

// ring draws one ring.
func (r Screws) ring(rear bool, name string) string {
	label := "The " + name + " ring from behind."
	for n := 1; n <= len(r); n++ {
		for _, w := range r {
			if w.Order == n && w.Rear == rear {
				label += fmt.Sprintf(" %d: %s, %s.", n, w.Name, w.says())
			}
		}
	}
	s := begin(ringsWide, ringsHigh, "ring", label)
	s.hatch("tube-"+name, 8)
	for _, radius := range []float64{ringIn, ringOut} {
		s.linef(`<circle cx="%s" cy="%s" r="%s" fill="none" stroke="var(--ink)" stroke-width="1.3"/>`, num(ringX), num(ringY), num(radius))
	}
	s.linef(`<circle cx="%s" cy="%s" r="%s" fill="url(#tube-%s)" fill-opacity="0.3" stroke="var(--ink)" stroke-width="1.6"/>`, num(ringX), num(ringY), num(ringTube), name)
	s.text(ringX, ringsHigh-8, 14, "soft", "middle", "", name+" ring, from behind")
	for _, w := range r {
		if w.Rear == rear {
			w.draw(s)
		}
	}
	return s.end()
}

// halo keeps lines behind a text from crossing it.
const halo = `stroke="var(--sheet)" stroke-width="5" paint-order="stroke"`

// says is the turn in words.
func (w Screw) says() string {
	if math.Abs(w.Turns) < leastTurn || w.Order == 0 {
		return "leave it"
	}
	way := "in"
	if w.Turns < 0 {
		way = "out"
	}
	return fmt.Sprintf("%.2f turn %s", math.Abs(w.Turns), way)
}

// draw draws one screw with what is to be done.
func (w Screw) draw(s *sheet) {
	const cx = ringX
	sin, cos := math.Sincos(float64(w.Angle.Rad()))
	// along goes outward from the tube, across to its left.
	at := func(along, across float64) string {
		return num(cx+along*cos-across*sin) + " " + num(ringY-along*sin-across*cos)
	}
	turned := w.Order > 0 && math.Abs(w.Turns) >= leastTurn
	colour, shank, head := "ink", 2.0, 5.0
	if turned {
		colour, shank, head = "mark", 5, 12
	}
	s.path(colour, shank, "", "M%sL%s", at(ringTube+1, 0), at(112, 0))
	s.path(colour, head, "", "M%sL%s", at(112, 0), at(120, 0))
	// What is said stands beyond the head, above it or below.
	tx, ty := cx+124*cos, ringY-120*sin+26
	if sin > 0.3 {
		ty = ringY - 120*sin - 34
	}
	if !turned {
		s.text(cx+137*cos, ringY-137*sin+5, 13, "soft", "middle", "", w.Name)
		return
	}
	from, to := 104.0, 62.0
	if w.Turns < 0 {
		from, to = to, from
	}
	tip := math.Copysign(9, to-from)
	s.path("mark", 2.4, "", "M%sL%sM%sL%sL%s", at(from, 15), at(to, 15), at(to-tip, 9), at(to, 15), at(to-tip, 21))
	s.text(tx, ty, 17, "ink", "middle", `font-weight="700" `+halo, fmt.Sprintf("%d. %s", w.Order, w.Name))
	s.text(tx, ty+19, 14, "ink", "middle", halo, w.says())
}
