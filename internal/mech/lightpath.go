package mech

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"holdfast/internal/unit"
)

// LightPath is the way from the rear thread of a guide telescope's focuser to
// the sensor behind it.
type LightPath struct {
	BackFocus  unit.MM   // rear thread to focal plane with the focuser fully in, without glass
	GlassShift unit.MM   // by which filters and windows move the focal plane away
	Travel     unit.MM   // of the focuser
	Pitch      unit.MM   // of the focuser per turn; 0 where it does not turn
	Flange     unit.MM   // of the camera: mounting face to sensor
	Slide      unit.MM   // how far a nosepiece can be drawn out of its barrel; 0 when threaded
	Spacers    []unit.MM // on hand, MaxSpacers at most
}

// MaxSpacers is the most spacers that Stacks tries.
const MaxSpacers = 16

// Stack is a set of spacers that brings the camera to focus.
type Stack struct {
	Spacers    []unit.MM // longest first; empty where none is needed
	Length     unit.MM   // of all of them
	FocuserOut unit.MM   // from fully in
	Turns      float64   // of the focuser from fully in; NaN where it does not turn
	Slide      unit.MM   // how far the nosepiece is drawn out
}

// SpacerNeed is the total length of spacers with which the camera can reach
// focus.
type SpacerNeed struct {
	Min, Max unit.MM // Min is 0 where the focuser reaches focus without any
	Middle   unit.MM // that puts focus in the middle of the focuser's travel (and of the nosepiece's slide)
	TooLong  unit.MM // by which camera and fittings are too long even without a spacer; then no spacer helps, and the others are NaN
}

// need returns the length that spacers, slide and focuser must share.
func (p LightPath) need() unit.MM { return p.BackFocus + p.GlassShift - p.Flange }

// Need returns the lengths of spacer with which the camera can reach focus, or
// by how much it is too deep behind the telescope.
//
// Source: rear thread to sensor = rear thread to focal plane, which comes nearer
// as the focuser goes out.
func (p LightPath) Need() (SpacerNeed, error) {
	if err := p.check(); err != nil {
		return SpacerNeed{}, err
	}
	need := p.need()
	if need < 0 {
		nan := unit.MM(math.NaN())
		return SpacerNeed{nan, nan, nan, -need}, nil
	}
	return SpacerNeed{
		Min:    max(0, need-p.Travel-p.Slide),
		Max:    need,
		Middle: max(0, need-(p.Travel+p.Slide)/2),
	}, nil
}

// Stacks returns every stack of the spacers on hand that brings the camera to
// focus: none is empty and not an error (see Need for what is missing). Of
// stacks of one length only one with the fewest pieces is kept; those of fewest
// pieces come first, and among them those with the focuser nearest to the middle
// of its travel. A nosepiece is drawn out as little as keeps the focuser nearest
// to its middle.
//
// It returns an error for a length that makes no sense or more than MaxSpacers.
//
// Source: as Need.
func (p LightPath) Stacks() ([]Stack, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	spacers := slices.Clone(p.Spacers)
	slices.SortFunc(spacers, func(a, b unit.MM) int { return compare(float64(b), float64(a)) })
	need := p.need()
	best := map[int64]int{} // set of spacers, by its length in micrometres
	for set := range 1 << len(spacers) {
		length := unit.MM(0)
		for i, s := range spacers {
			if set>>i&1 == 1 {
				length += s
			}
		}
		if length > need+1e-9 || length < need-p.Travel-p.Slide-1e-9 {
			continue
		}
		key := int64(math.Round(float64(length) * 1000))
		if have, ok := best[key]; !ok || bits.OnesCount(uint(set)) < bits.OnesCount(uint(have)) {
			best[key] = set
		}
	}
	var out []Stack
	for _, set := range best {
		var s Stack
		for i, l := range spacers {
			if set>>i&1 == 1 {
				s.Spacers = append(s.Spacers, l)
				s.Length += l
			}
		}
		s.Slide = max(0, min(p.Slide, need-s.Length-p.Travel/2))
		s.FocuserOut = max(0, min(p.Travel, need-s.Length-s.Slide))
		s.Turns = math.NaN()
		if p.Pitch > 0 {
			s.Turns = float64(s.FocuserOut / p.Pitch)
		}
		out = append(out, s)
	}
	middle := func(s Stack) float64 { return math.Abs(float64(s.FocuserOut - p.Travel/2)) }
	slices.SortFunc(out, func(a, b Stack) int {
		if c := len(a.Spacers) - len(b.Spacers); c != 0 {
			return c
		}
		if c := compare(middle(a), middle(b)); c != 0 {
			return c
		}
		return compare(float64(a.Length), float64(b.Length))
	})
	return out, nil
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (p LightPath) check() error {
	for _, e := range []struct {
		name string
		v    unit.MM
	}{
		{"back focus", p.BackFocus}, {"shift of the glass", p.GlassShift}, {"focuser travel", p.Travel},
		{"focuser pitch", p.Pitch}, {"camera flange", p.Flange}, {"nosepiece slide", p.Slide},
	} {
		if !(e.v >= 0) || math.IsInf(float64(e.v), 0) {
			return fmt.Errorf("mech: light path: %s is %v mm; want zero or more", e.name, float64(e.v))
		}
	}
	for _, s := range p.Spacers {
		if bad(float64(s)) {
			return fmt.Errorf("mech: light path: a spacer is %v mm; want a positive length", float64(s))
		}
	}
	if len(p.Spacers) > MaxSpacers {
		return fmt.Errorf("mech: light path: %d spacers on hand; %d at most are tried", len(p.Spacers), MaxSpacers)
	}
	return nil
}
