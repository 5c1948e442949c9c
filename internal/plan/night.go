package plan

import (
	"fmt"
	"math"
	"slices"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// hours is how many instants of the window are looked at.
const hours = 13

// night is a target's window on one night, looked at from its first to its last
// instant.
type night struct {
	sky     *sky.Night
	target  catalog.Object
	times   sky.TargetNight
	window  sky.Window
	places  []*place
	evening time.Time
}

// night returns the night of a request.
func (q Request) night() (*night, error) {
	r := q.Rig
	site, err := siteOf(r)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	sn, err := sky.NewNight(site, q.Evening)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	n := &night{sky: sn, target: q.Target, evening: q.Evening}
	if n.target.Name == "" {
		n.target = showpiece(sn)
	}
	dir := sky.Direction{RA: n.target.RA, Dec: n.target.Dec}
	n.times = sn.Target(dir, r.Site.Horizon.V)
	n.window = sky.Longest(n.times.Usable)
	if n.window.Length() <= 0 {
		return nil, fmt.Errorf("plan: %s on %s: %s: %w", n.target.Name, q.Evening.Format(time.DateOnly), whyNever(n.times, r.Site.Horizon.V), ErrNeverUp)
	}
	span := sky.NewSpan(site, n.window.Start, n.window.End)
	n.places = make([]*place, hours)
	for i := range n.places {
		n.places[i] = newPlace(r, span, dir, n.window.Start.Add(n.window.Length()*unit.Second(i)/(hours-1)))
	}
	return n, nil
}

// highest returns the place of the window in which the target stands highest.
func (n *night) highest() *place {
	return slices.MinFunc(n.places, func(a, b *place) int {
		switch {
		case a.airmass < b.airmass:
			return -1
		case a.airmass > b.airmass:
			return 1
		}
		return 0
	})
}

// chord returns how far the axis's error turns about the pole, as seen from the
// target, through the window: twice the sine of half the change of hour angle.
func (n *night) chord() float64 {
	turned := float64((n.places[hours-1].at.HourAngle - n.places[0].at.HourAngle).Rad())
	return 2 * math.Abs(math.Sin(turned/2))
}

// stated returns the target in the contract's words.
func (n *night) stated() Target {
	t := n.target
	return Target{Name: t.Name, Kind: t.Kind.String(), RA: t.RA, Dec: t.Dec, Size: t.Size}
}

// state returns the night in the contract's words, the Moon as it stands at the
// best hour.
func (n *night) state(r *rig.Rig, best *place) Night {
	dark := sky.Longest(n.times.Dark)
	out := Night{
		Date: n.evening.Format(time.DateOnly), DarkFrom: clock(dark.Start), DarkTo: clock(dark.End), Twilight: "astronomical",
		From: clock(n.window.Start), To: clock(n.window.End), Transit: clock(n.times.Transit), UTCOffset: r.Site.UTCOffset.V,
	}
	if n.times.Fallback {
		out.Twilight = "nautical"
	}
	flip := n.times.FlipTime(r.Mount.PastMeridian.V)
	if r.Mount.Kind == rig.Equatorial && n.window.Start.Before(flip) && flip.Before(n.window.End) {
		out.Flip = clock(flip)
	}
	o := n.sky.At(best.instant)
	moon := o.See(sky.Moon)
	out.MoonLit, out.MoonAlt = moon.Illuminated, moon.Place.Alt
	out.MoonApart = sky.Separation(moon.Direction, best.target)
	out.SunApart = sky.Separation(o.See(sky.Sun).Direction, best.target)
	return out
}

// clock returns an instant as UTC to the second.
func clock(t sky.Instant) time.Time { return t.Time().Round(time.Second) }

// whyNever says why a target has no window.
func whyNever(tn sky.TargetNight, horizon unit.Deg) string {
	switch {
	case len(tn.Dark) == 0:
		return "it does not get dark"
	case len(tn.Up) == 0:
		return fmt.Sprintf("it never rises above %.0f degrees (highest %.0f)", float64(horizon), float64(tn.TransitAlt))
	}
	return fmt.Sprintf("it is above %.0f degrees only while the Sun is up or near the horizon", float64(horizon))
}

// showpiece returns the bright deep-sky object that stands highest around the
// middle of the night, away from the zenith where mounts have trouble and from a
// Moon that lights up the sky.
func showpiece(n *sky.Night) catalog.Object {
	dark := sky.Longest(n.Dark(sky.Nautical))
	t := dark.Start.Add(dark.Length() / 2)
	if dark.Length() <= 0 {
		t = n.Start.Add(n.End.Sub(n.Start) / 2)
	}
	o := n.At(t)
	moon := o.See(sky.Moon)
	// Up to forty degrees from a full Moon, less from a thinner one.
	clear := unit.Deg(40 * moon.Illuminated)
	var best catalog.Object
	highest := unit.Deg(-90)
	for _, c := range catalog.Showpieces() {
		if sky.Separation(moon.Direction, direction(c.RA, c.Dec)) < clear {
			continue
		}
		p := o.Observed(direction(c.RA, c.Dec))
		// Five degrees lower for each hour off the meridian, so that the window
		// lies around the middle of the night; up to fifteen higher for size.
		size := min(float64(c.Size), 60)
		if !(size > 0) {
			size = 0
		}
		if alt := p.Alt - unit.Deg(5*math.Abs(float64(p.HourAngle))-size/4); alt > highest && p.Alt < 85 {
			highest, best = alt, c
		}
	}
	return best
}

// fieldTurn returns by how much the field turns on the sensor through the
// window: with the parallactic angle on a mount without a polar axis, with the
// polar error on one that has it.
func (s *scene) fieldTurn(n *night) unit.Deg {
	from, to := n.places[0].at, n.places[hours-1].at
	if s.rig.Mount.Kind == rig.AltAzimuth {
		return unit.Deg(math.Abs(math.Remainder(float64(to.Parallactic-from.Parallactic), 360)))
	}
	if axis, ok := axisOf(s.rig); ok {
		return unit.Deg(math.Abs(float64(axis.Rotation(s.place.at.Dec, from.HourAngle, to.HourAngle).Deg())))
	}
	// In the worst direction of the error.
	return s.rig.Polar.Error.V.Deg() * unit.Deg(n.chord()/math.Cos(float64(s.place.at.Dec.Rad())))
}
