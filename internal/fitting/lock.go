package fitting

import (
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// The verdicts on a lock.
const (
	Moved   = "moved"
	Held    = "held"     // it moved the focus less than matters
	NotTold = "not told" // what it moved is within the noise, which is larger than matters
)

// Lock is what locking the focuser did. Numbers that are not known are NaN.
type Lock struct {
	Verdict    string  `json:"verdict"`
	Why        string  `json:"why"`
	Shift      unit.MM `json:"shift_mm"` // by which the focus moved, unsigned
	ShiftSigma unit.MM `json:"shift_sigma_mm"`
	AtMost     unit.MM `json:"at_most_mm"` // it moved by no more than this, at two standard errors
	Turns      float64 `json:"turns"`      // of the focuser that would do the same
	TurnsSigma float64 `json:"turns_sigma"`
	Toward     string  `json:"toward"`    // focus, away, or unknown
	Direction  string  `json:"direction"` // in, out or unknown
}

// lock fills what the lock moved, from the frames before it and those after, and
// makes the answer that of the state after it.
func (s *search) lock(free, locked []Sample) {
	nan := math.NaN()
	k := &Lock{Verdict: NotTold, Shift: unit.MM(nan), ShiftSigma: unit.MM(nan), AtMost: unit.MM(nan), Turns: nan, TurnsSigma: nan, Toward: "unknown", Direction: "unknown"}
	s.Lock = k
	switch {
	case len(locked) == 0:
		k.Why = "what the lock moved cannot be told: no frame taken after it shows stars"
		return
	case len(free) == 0:
		k.Why = "what the lock moved cannot be told: no frame taken before it shows stars"
		return
	}
	here, _ := lastTwo(free)
	before, after := s.together(here), s.together(locked)
	ran, side := s.By == byRun && s.Verdict != TooShallow, s.Direction
	d1, s1, least1, most1, by1 := s.blur(before)
	d2, s2, least2, most2, by2 := s.blur(after)
	if by1 != by2 {
		// One measure for both.
		before.Disc, after.Disc = unit.Est[unit.Px]{}, unit.Est[unit.Px]{}
		d1, s1, least1, most1, by1 = s.blur(before)
		d2, s2, least2, most2, _ = s.blur(after)
	}
	// Whether the light changed at all needs no model; the air may have changed
	// between as much as it does from frame to frame.
	noise := math.Hypot(float64(before.HFD.SE), float64(after.HFD.SE))
	sharp := float64(s.SharpPx)
	air := commonScatter * sharp
	if s.Scatter > 0 {
		air = float64(s.Scatter)
	}
	noise = math.Hypot(noise, air*max(leastSensitive, sharp/max(float64(after.HFD.V), sharp)))
	diff := float64(after.HFD.V - before.HFD.V)
	changed := math.Abs(diff) > 2.5*noise

	// What the two distances have in common cancels: the disc's model, or the width
	// in focus. What is left is the noise of the widths.
	own := func(k Sample, d, most float64) float64 {
		h := float64(k.HFD.V)
		if by1 == byDisc {
			return float64(k.HFD.SE) * float64(k.Disc.V) / h
		}
		perPx := (sharp*s.disc(1.02*h/sharp) - d) / (0.02 * h)
		return min(perPx*math.Hypot(float64(k.HFD.SE), air*min(1, max(sharp/h, leastSensitive))), most)
	}
	common := 0.015 * math.Abs(d2-d1)
	shift, sigma := math.Abs(d2-d1), math.Sqrt(sq(own(before, d1, s1))+sq(own(after, d2, s2))+sq(common))
	atMost := max(most2-least1, most1-least2, 0)
	if by1 == byDisc {
		atMost = shift + 2*sigma
	}
	zone := 0.5 * sharp
	near := d1 < zone
	if near {
		// In focus before: its side is not known, and counts for the error.
		shift, sigma = d2, math.Hypot(s2, d1)
		atMost = d1 + most2
	}
	// The state after the lock is what holds now.
	best, bestSigma, approach, step, why := s.BestPosition, s.BestPositionSigma, s.Approach, s.Step, s.Why
	s.Direction = "unknown"
	s.single(after, len(locked))
	s.BestPosition, s.BestPositionSigma, s.Approach, s.Step = best, bestSigma, approach, step
	if !near && (side == "in" || side == "out") && (ran || s.BestPosition == s.BestPosition) && s.Verdict == OutOfFocus {
		s.Direction = side // far from focus, the lock does not change the side
		s.Why = fmt.Sprintf("%s %s (%s)", s.turn(), side, s.read(after))
	}
	if !s.measurable() {
		switch {
		case changed && diff > 0:
			k.Verdict, k.Toward = Moved, "away"
		case changed:
			k.Verdict, k.Toward = Moved, "focus"
		}
		k.Why = fmt.Sprintf("the stars went from %.2f to %.2f px; without the focal ratio and the pixel that is no distance", float64(before.HFD.V), float64(after.HFD.V))
		return
	}
	mm := s.mmPerPx()
	k.AtMost = unit.MM(atMost * mm)
	zoneMM := float64(s.Zone)
	went := fmt.Sprintf("the stars went from %.2f ± %.2f to %.2f ± %.2f px", float64(before.HFD.V), float64(before.HFD.SE), float64(after.HFD.V), float64(after.HFD.SE))
	switch {
	case changed:
		k.Verdict = Moved
		k.Shift, k.ShiftSigma = unit.MM(shift*mm), unit.MM(sigma*mm)
		if s.Pitch > 0 {
			k.Turns, k.TurnsSigma = shift*mm/float64(s.Pitch), sigma*mm/float64(s.Pitch)
		}
		k.Toward = "focus"
		if diff > 0 {
			k.Toward = "away"
		}
		// Before the lock focus lay to that side of the sensor.
		if !near && (side == "in" || side == "out") {
			k.Direction = side
			if k.Toward == "away" {
				k.Direction = map[string]string{"in": "out", "out": "in"}[side]
			}
		}
		k.Why = fmt.Sprintf("the lock moved the focus by %s mm", PlusMinus(float64(k.Shift), float64(k.ShiftSigma)))
		if s.Pitch > 0 {
			k.Why += fmt.Sprintf(", as %s turns would", PlusMinus(k.Turns, k.TurnsSigma))
		}
		switch {
		case k.Direction != "unknown":
			k.Why += ", " + k.Direction
		case k.Toward == "focus":
			k.Why += ", toward focus"
		default:
			k.Why += ", away from focus"
		}
		k.Why += ": " + went
		if atMost*mm <= zoneMM {
			k.Why += fmt.Sprintf("; within ±%s mm it does not matter", short(zoneMM))
		}
	case s.Verdict == InFocus && near:
		k.Verdict = Held
		k.Why = fmt.Sprintf("the lock held: the stars are as sharp after it as before; %s, and it was no more than %s mm", went, short(atMost*mm))
	case atMost*mm <= zoneMM:
		k.Verdict = Held
		k.Why = fmt.Sprintf("the lock held: it moved the focus by less than %s mm, and ±%s mm does not matter; %s", short(atMost*mm), short(zoneMM), went)
	default:
		k.Why = fmt.Sprintf("what the lock moved cannot be told: %s, within the noise; it was no more than %s mm", went, short(atMost*mm))
	}
	if s.Verdict == InFocus && ran {
		s.Why = why
		s.Verdict = InFocus
	}
}
