package app

import (
	"fmt"
	"slices"
	"time"

	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Seek says what bright targets look like on the rig's guide camera in one
// exposure at an instant, both in the words of flags. An empty instant is now
// if it is dark there, otherwise the coming, or the given, evening's dusk.
func (t Task) Seek(exposure, at string) (*Answer[*plan.Seek], error) {
	s, err := t.Settle()
	if err != nil {
		return nil, err
	}
	q, err := unit.ParseAs(exposure, unit.Time)
	if err != nil {
		return nil, &UsageError{Flag: "exposure", Err: err}
	}
	secs, _, _ := q.In("s")
	if !(secs >= 1e-5) || secs > 3600 {
		return nil, &UsageError{Flag: "exposure", Err: fmt.Errorf("found %q: want a time from 10 us to an hour, such as \"0.5 s\"", exposure)}
	}
	a := answer[*plan.Seek](s)
	when, err := t.moment(a, s.Result, at)
	if err != nil {
		return a, err
	}
	if a.Result, err = plan.MakeSeek(s.Result, unit.Second(secs), when); err != nil {
		return a, err
	}
	if at != "" { // the instant says which night it is
		a.Assumed = slices.DeleteFunc(a.Assumed, func(x rig.Assumed) bool { return x.Entry == "date" })
	}
	a.finish()
	return a, nil
}

// moment returns the instant that is asked about.
func (t Task) moment(a *Answer[*plan.Seek], q plan.Request, at string) (time.Time, error) {
	if at != "" {
		for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04"} {
			if when, err := time.Parse(layout, at); err == nil {
				return when.UTC(), nil
			}
		}
		return time.Time{}, &UsageError{Flag: "at", Err: fmt.Errorf("found %q: want a time in UTC, such as 2026-08-14T21:30, or one with its offset, 2026-08-14T23:30:00+02:00", at)}
	}
	r := q.Rig
	site, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		return time.Time{}, err
	}
	if t.Date == "" && site.At(sky.NewInstant(t.Now)).See(sky.Sun).TrueAlt < sky.Nautical {
		a.Assumed = slices.DeleteFunc(a.Assumed, func(x rig.Assumed) bool { return x.Entry == "date" })
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "at", Value: t.Now.UTC().Format("2006-01-02T15:04Z"), Why: "no --at given: now"})
		return t.Now, nil
	}
	n, err := sky.NewNight(site, q.Evening)
	if err != nil {
		return time.Time{}, err
	}
	dark := sky.Longest(n.Dark(sky.Nautical))
	when, why := dark.Start, "no --at given: the end of nautical twilight of that evening"
	if dark.Length() <= 0 {
		when, why = n.Start.Add(n.End.Sub(n.Start)/2), "no --at given, and it does not get dark: the middle of that night"
	}
	a.Assumed = append(a.Assumed, rig.Assumed{Entry: "at", Value: when.Time().Format("2006-01-02T15:04Z"), Why: why})
	return when.Time(), nil
}
