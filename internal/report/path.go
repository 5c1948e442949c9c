package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/plan"
	"holdfast/internal/unit"
)

// Path writes the light path of a rig for a person.
func Path(w io.Writer, res *plan.Path, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	name := res.Rig
	if name == "" {
		name = "This rig"
	}
	bad := 0
	for _, f := range res.Findings {
		if !f.OK {
			bad++
		}
	}
	p.linef("%s: the light path", p.bold(name))
	p.gap()
	switch {
	case !res.Reaches:
		p.para("", "The guide camera does not reach focus as the rig stands.")
	case bad == 1:
		p.para("", "Everything fits but one thing.")
	case bad > 1:
		p.para("", fmt.Sprintf("%d things need a look.", bad))
	default:
		p.para("", "Everything fits.")
	}
	p.gap()
	for _, f := range res.Findings {
		mark := "ok  "
		if !f.OK {
			mark = p.bold("LOOK")
		}
		p.para("  "+mark+"  "+pad(f.Part, 10)+" ", upper(f.Text)+".")
	}
	if !math.IsNaN(float64(res.NeedMin)) && res.NeedMax > 0 {
		p.head("Spacers", "")
		p.travel(res)
	}
	if o := res.PickOff; o != nil {
		p.head("Pick-off", "")
		p.field("field", fmt.Sprintf("%.1f x %.1f arcmin, %.1f arcmin off the axis", float64(o.FieldWidth), float64(o.FieldHeight), float64(o.OffAxis)))
		p.field("to the sensor", fmt.Sprintf("%.1f mm needed, %.1f mm in the rig", float64(o.GuideNeeds), float64(o.GuideHas)))
		p.field("dimmest", fmt.Sprintf("its darkest corner gets %.0f %% of the light", 100*o.FaintestPart))
	}
	p.assumed(n, func(a Assumed) bool {
		return strings.HasPrefix(a.Entry, "guide.back_focus") || a.Entry == "guide.camera.flange"
	})
	p.notes(n)
	return p.flush(w)
}

// travel draws the spacer lengths that reach focus, and where each stack on
// hand lands in the focuser's travel.
func (p *page) travel(res *plan.Path) {
	p.field("reach focus", fmt.Sprintf("%.1f to %.1f mm in all, best %.1f", max(0, float64(res.NeedMin)), float64(res.NeedMax), float64(res.NeedMiddle)))
	if len(res.Stacks) == 0 {
		return
	}
	const width = 31
	p.linef("  %s%s%s  %s", pad("on hand", 22), lead("mm", 7), lead("turns", 8), pad("in", width-3)+"out")
	for _, s := range res.Stacks {
		at := 0
		if res.TravelTurn > 0 {
			at = int(math.Round(s.Turns / res.TravelTurn * (width - 1)))
		}
		at = min(max(at, 0), width-1)
		line := "├" + strings.Repeat("─", width-2) + "┤"
		marked := []rune(line)
		marked[at] = '●'
		text := lengthList(s.Spacers)
		if s.Slide > 0 {
			text += fmt.Sprintf(", nosepiece out %.1f", float64(s.Slide))
		}
		turns := "-"
		if res.TravelTurn > 0 {
			turns = fmt.Sprintf("%.1f", s.Turns)
		}
		p.linef("  %s%s%s  %s", pad(text, 22), lead(fmt.Sprintf("%.1f", float64(s.Length)), 7), lead(turns, 8), string(marked))
	}
}

// lengthList writes a stack of spacers.
func lengthList(l []unit.MM) string {
	if len(l) == 0 {
		return "no spacer"
	}
	s := make([]string, len(l))
	for i, v := range l {
		s[i] = fmt.Sprintf("%.3g", float64(v))
	}
	return strings.Join(s, " + ")
}
