package sky

import (
	"fmt"
	"math"
	"time"

	"holdfast/internal/unit"
)

// Altitudes of the Sun's centre, without refraction, at which things begin and
// end. The first allows 34 arcminutes of refraction and 16 of radius.
//
// Source: Explanatory Supplement to the Astronomical Almanac (2013), chapter
// 12.
const (
	Sunset       unit.Deg = -0.833
	Civil        unit.Deg = -6
	Nautical     unit.Deg = -12
	Astronomical unit.Deg = -18
)

// horizonLift is the refraction on the horizon that rise and set allow for.
const horizonLift unit.Deg = 34.0 / 60

// Night is the 24 hours at a site from noon to noon of local mean solar time.
type Night struct {
	Site       Site
	Start, End Instant

	span   *Span
	sun    *course
	sunAlt []float64 // true, in degrees, every scanStep
}

// Window is a stretch of a night. Opens and Closes tell whether something
// happened at its ends, or whether it was cut there by the noon that ends the
// night.
type Window struct {
	Start, End    Instant
	Opens, Closes bool
}

// Length returns how long the window is.
func (w Window) Length() unit.Second { return w.End.Sub(w.Start) }

// NewNight returns the night that begins on the evening of a date, the
// calendar date of the given time in its own location; it runs from the mean
// solar noon nearest to noon on that clock. The error names a site that is not
// on Earth or a date outside 1900 to 2099.
func NewNight(s Site, evening time.Time) (*Night, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	y, m, d := evening.Date()
	if y < 1900 || y > 2099 || (y == 2099 && m == time.December && d > 29) || (y == 1900 && m == time.January && d < 3) {
		return nil, fmt.Errorf("sky: no night for %04d-%02d-%02d: dates from 1900-01-03 to 2099-12-29 are served", y, m, d)
	}
	noon := NewInstant(time.Date(y, m, d, 12, 0, 0, 0, evening.Location()))
	lag := math.Remainder(-float64(s.Lon)/15-(noon.frac-0.5)*24, 24) // hours from clock noon to mean noon
	n := &Night{Site: s, Start: noon.Add(unit.Second(lag * 3600))}
	n.End = n.Start.Add(daySec)
	n.span = NewSpan(s, n.Start, n.End)
	n.sun = n.body(Sun)
	n.sunAlt = n.sample(func(sec float64) float64 {
		alt, _, _ := n.sun.at(sec)
		return float64(degrees(alt))
	})
	return n, nil
}

// At returns the observer at an instant of the night, cheaply; NaN places
// outside it.
func (n *Night) At(t Instant) *Observer { return n.span.At(t) }

// sample returns f every scanStep through the night.
func (n *Night) sample(f func(float64) float64) []float64 {
	out := make([]float64, int(daySec/scanStep)+1)
	for i := range out {
		out[i] = f(float64(i) * scanStep)
	}
	return out
}

// windows returns where f, sampled, is above zero.
func (n *Night) windows(f func(float64) float64, samples []float64) []Window {
	var out []Window
	w := Window{Start: n.Start}
	above := samples[0] >= 0
	for _, c := range crossings(f, samples) {
		t := n.Start.Add(unit.Second(c.sec))
		if c.up {
			w = Window{Start: t, Opens: true}
		} else {
			w.End, w.Closes = t, true
			out = append(out, w)
		}
		above = c.up
	}
	if above {
		w.End = n.End
		out = append(out, w)
	}
	return out
}

// Dark returns the windows in which the Sun's centre is below an altitude (not
// counting refraction): one on most nights, none if it stays above, two if it
// rises and sets again around the middle. Times are good to 1 s; where the Sun
// grazes the limit, to the square root of that in minutes.
func (n *Night) Dark(limit unit.Deg) []Window {
	samples := make([]float64, len(n.sunAlt))
	for i, alt := range n.sunAlt {
		samples[i] = float64(limit) - alt
	}
	return n.windows(func(sec float64) float64 {
		alt, _, _ := n.sun.at(sec)
		return float64(limit - degrees(alt))
	}, samples)
}

// MoonUp returns the windows in which the Moon's upper limb is above a sea
// horizon, with 34 arcminutes of refraction.
func (n *Night) MoonUp() []Window {
	moon := n.body(Moon)
	f := func(sec float64) float64 {
		alt, _, radius := moon.at(sec)
		return float64(degrees(alt+radius) + horizonLift)
	}
	return n.windows(f, n.sample(f))
}

// BodyUp returns the windows in which the centre of a body stands at least at
// an observed altitude.
func (n *Night) BodyUp(b Body, minAlt unit.Deg) []Window { return n.above(n.body(b), minAlt) }

// Up returns the windows in which a direction stands at least at an observed
// altitude. Two if it sets and rises again.
func (n *Night) Up(d Direction, minAlt unit.Deg) []Window { return n.above(n.fixed(d), minAlt) }

// above returns the windows in which c stands at least at an observed
// altitude.
func (n *Night) above(c *course, minAlt unit.Deg) []Window {
	f := func(sec float64) float64 {
		_, lifted, _ := c.at(sec)
		return float64(degrees(lifted) - minAlt)
	}
	return n.windows(f, n.sample(f))
}

// SunCourse is what the Sun does in a night.
type SunCourse int

// The courses of the Sun.
const (
	SetsAndRises SunCourse = iota // at least one of the two happens
	PolarDay                      // never below Sunset
	PolarNight                    // never above Sunset
)

// Twilight is when the light goes and comes. A zero Instant does not happen:
// see Course, and the Dark windows where the Sun comes and goes twice.
type Twilight struct {
	Course                             SunCourse
	Sunset, Sunrise                    Instant
	CivilDusk, CivilDawn               Instant // Sun at -6 degrees
	NauticalDusk, NauticalDawn         Instant // -12
	AstronomicalDusk, AstronomicalDawn Instant // -18
}

// Twilight returns the twilight times, those of the longest dark window of
// each kind.
func (n *Night) Twilight() Twilight {
	var tw Twilight
	ends := func(limit unit.Deg) (dusk, dawn Instant) {
		w := Longest(n.Dark(limit))
		if w.Opens {
			dusk = w.Start
		}
		if w.Closes {
			dawn = w.End
		}
		return dusk, dawn
	}
	tw.Sunset, tw.Sunrise = ends(Sunset)
	tw.CivilDusk, tw.CivilDawn = ends(Civil)
	tw.NauticalDusk, tw.NauticalDawn = ends(Nautical)
	tw.AstronomicalDusk, tw.AstronomicalDawn = ends(Astronomical)
	if tw.Sunset.IsZero() && tw.Sunrise.IsZero() {
		tw.Course = PolarDay
		if n.sunAlt[0] < float64(Sunset) {
			tw.Course = PolarNight
		}
	}
	return tw
}

// Longest returns the longest of the windows, the zero Window if there is
// none.
func Longest(ws []Window) Window {
	var best Window
	for _, w := range ws {
		if w.Length() > best.Length() {
			best = w
		}
	}
	return best
}

// Overlap returns the windows common to two lists, each in order of time.
func Overlap(a, b []Window) []Window {
	var out []Window
	for _, p := range a {
		for _, q := range b {
			w := p
			if w.Start.Before(q.Start) {
				w.Start, w.Opens = q.Start, q.Opens
			}
			if q.End.Before(w.End) {
				w.End, w.Closes = q.End, q.Closes
			}
			if w.Start.Before(w.End) {
				out = append(out, w)
			}
		}
	}
	return out
}
