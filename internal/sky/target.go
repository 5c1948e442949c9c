package sky

import (
	"math"

	"holdfast/internal/unit"
)

// TargetNight is one target through one night.
type TargetNight struct {
	SunLimit   unit.Deg // of the dark below: Astronomical or Nautical
	Fallback   bool     // it never gets astronomically dark: Nautical was used
	Dark       []Window // none if it never gets dark even so
	Up         []Window // above the least altitude, noon to noon
	Usable     []Window // dark and up
	Transit    Instant  // upper, the one nearest to the middle of the night
	TransitAlt unit.Deg // observed
	Flip       Instant  // the transit if it falls inside a usable window, else zero
}

// Target returns when a target can be taken: above an observed altitude while
// the Sun is below Astronomical, or below Nautical on nights that get no
// darker.
func (n *Night) Target(d Direction, minAlt unit.Deg) TargetNight {
	t := TargetNight{SunLimit: Astronomical, Up: n.Up(d, minAlt), Transit: n.Transit(d)}
	t.Dark = n.Dark(Astronomical)
	if len(t.Dark) == 0 {
		t.SunLimit, t.Fallback = Nautical, true
		t.Dark = n.Dark(Nautical)
	}
	t.Usable = Overlap(t.Dark, t.Up)
	t.TransitAlt = n.At(t.Transit).Observed(d).Alt
	for _, w := range t.Usable {
		if w.Start.Before(t.Transit) && t.Transit.Before(w.End) {
			t.Flip = t.Transit
		}
	}
	return t
}

// siderealRate is the turn of the Earth in seconds of hour angle per second.
// Source: IERS Conventions (2010), equation 5.15.
const siderealRate = 1.00273781191135448

// Transit returns when a direction crosses the upper meridian, the crossing
// nearest to the middle of the night; good to 0.01 s.
func (n *Night) Transit(d Direction) Instant {
	t := n.Start.Add(daySec / 2)
	for range 3 {
		ha := float64(n.At(t).Topocentric(d).HourAngle)
		t = t.Add(unit.Second(-ha * 3600 / siderealRate))
	}
	return t
}

// FlipTime returns when the mount must change sides if it may track until the
// given hour angle past the meridian (negative for before it): the transit
// moved by that much.
func (t TargetNight) FlipTime(past unit.Hour) Instant {
	if t.Transit.IsZero() || math.IsNaN(float64(past)) {
		return Instant{}
	}
	return t.Transit.Add(unit.Second(float64(past) * 3600 / siderealRate))
}

// Track returns the observed places of a direction at a list of instants, in
// their order. Instants before 1900 or after 2100 give NaN places. A microsecond
// or two each once the list spans less than a day for every ten of them.
func Track(s Site, d Direction, times []Instant) []Place {
	out := make([]Place, len(times))
	if len(times) == 0 {
		return out
	}
	first, last := times[0], times[0]
	for _, t := range times {
		if t.Before(first) {
			first = t
		}
		if last.Before(t) {
			last = t
		}
	}
	days := float64(last.Sub(first)) / daySec
	if days+2 < float64(len(times)) && days < 3650 {
		sp := NewSpan(s, first, last)
		o := new(Observer)
		for i, t := range times {
			sp.observe(o, t)
			out[i] = o.Observed(d)
		}
		return out
	}
	for i, t := range times {
		out[i] = s.At(t).Observed(d)
	}
	return out
}
