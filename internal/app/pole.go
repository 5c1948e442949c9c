package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/fitting"
	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// PoleTask is what a person asks of the polar axis, in the words of flags.
type PoleTask struct {
	Task            // its Rig may be empty: then nothing is said of whether it matters
	Frames          // may be empty where there are drifts
	Site   string   // "latitude longitude height"; "" takes the rig's or the headers'
	Drifts []string // "rate, hour angle, declination"
	Held   bool     // the star was held in declination while the frames were taken
	AltPer string   // by which a turn of the altitude knob moves the axis, "1 deg"; "" is not known
	AzPer  string
}

// Pole says where the polar axis of a mount points.
func (t PoleTask) Pole(ctx context.Context) (*Answer[*fitting.Pole], error) {
	if (len(t.Files) == 0) == (len(t.Drifts) == 0) {
		if len(t.Files) > 0 {
			return nil, &UsageError{Flag: "drift", Err: fmt.Errorf("found frames too: want either frames or drifts")}
		}
		return nil, &UsageError{Flag: "drift", Err: fmt.Errorf("found neither frames nor drifts: want three or more frames, or --drift twice")}
	}
	opt := fitting.PoleOptions{Held: t.Held, Limit: unit.Arcmin(math.NaN())}
	for _, k := range []struct {
		flag, text string
		to         *unit.Arcmin
	}{{"altitude-turn", t.AltPer, &opt.PerTurnAlt}, {"azimuth-turn", t.AzPer, &opt.PerTurnAz}} {
		if k.text == "" {
			continue
		}
		q, err := unit.ParseAs(k.text, unit.Angle)
		if err != nil {
			return nil, &UsageError{Flag: k.flag, Err: err}
		}
		v, _, _ := q.In("arcmin")
		if !(v > 0) || v > 21600 {
			return nil, &UsageError{Flag: k.flag, Err: fmt.Errorf("found %q: want the angle by which one turn of the knob moves the axis, such as \"30 arcmin\"", k.text)}
		}
		*k.to = unit.Arcmin(v)
	}
	a := &Answer[*fitting.Pole]{SunApart: unit.Deg(math.NaN())}
	if t.Rig != "" {
		r, err := t.Load()
		if err != nil {
			return nil, err
		}
		if r.Mount.Kind == rig.AltAzimuth {
			return nil, fmt.Errorf("app: %s: mount.kind is %s, which has no polar axis to align", t.Rig, r.Mount.Kind)
		}
		a.Rig = r
	}
	if len(t.Drifts) > 0 {
		return a, t.byDrift(ctx, a, opt)
	}
	names, err := t.Frames.list()
	if err != nil {
		return nil, err
	}
	frames, err := t.Frames.place(ctx, names)
	if err != nil {
		return nil, err
	}
	register(frames, false)
	slices.SortStableFunc(frames, func(a, b placed) int {
		switch {
		case a.Time.Before(b.Time):
			return -1
		case b.Time.Before(a.Time):
			return 1
		}
		return 0
	})
	site, err := siteOf(t.Site, a.Rig, frames, &a.Assumed)
	if err != nil {
		return nil, err
	}
	var solved []fitting.SolvedFrame
	var out []fitting.PoleFrame
	nan := math.NaN()
	why := ""
	for _, f := range frames {
		if f.why != "" {
			out = append(out, fitting.PoleFrame{File: f.File, Why: f.why, HourAngle: unit.Hour(nan), Dec: unit.Deg(nan), Altitude: unit.Deg(nan), North: unit.Arcsec(nan), Turn: unit.Arcmin(nan)})
			if why == "" {
				why = "; " + f.File + ": " + f.why
			}
			continue
		}
		solved = append(solved, f.SolvedFrame)
	}
	if len(solved) > 0 {
		if err := t.bears(ctx, a, solved, &opt); err != nil {
			return nil, err
		}
	}
	p, err := fitting.FindPole(site, solved, opt)
	if err != nil {
		return nil, fmt.Errorf("app: %s%s", plainly(err), why)
	}
	p.Frames = append(p.Frames, out...)
	a.Result = p
	return a, ctx.Err()
}

// bears fills how well the axis must point for the plan of the rig: on the
// target given, the rig's, or the field that was followed.
func (t PoleTask) bears(ctx context.Context, a *Answer[*fitting.Pole], frames []fitting.SolvedFrame, opt *fitting.PoleOptions) error {
	if a.Rig == nil {
		return nil
	}
	if t.Date == "" && len(frames) > 0 {
		t.Date = Tonight(frames[0].Time.Time(), a.Rig.Site.Longitude.V).Format(time.DateOnly)
	}
	s, err := t.Settle()
	if err != nil {
		return err
	}
	a.Assumed = append(a.Assumed, s.Assumed...)
	q := s.Result
	q.Samples = 1
	if q.Target.Name == "" && len(frames) > 0 {
		f := frames[len(frames)-1]
		d := f.WCS.Sky((f.Width-1)/2, (f.Height-1)/2)
		q.Target = catalog.Object{Name: "this field", RA: d.RA, Dec: d.Dec, Kind: catalog.Place}
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "target", Value: "this field", Why: "no --target given: the field of the last frame"})
	}
	res, err := plan.Make(ctx, q)
	if err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "limit", Value: "unknown", Why: plainly(err)})
		return nil
	}
	a.SunApart = res.Night.SunApart
	for _, l := range res.PolarLimits {
		if !(opt.Limit <= l.Arcmin) {
			opt.Limit, opt.LimitOf = l.Arcmin, l.Why
		}
	}
	return nil
}

// byDrift answers from drifts in figures.
func (t PoleTask) byDrift(ctx context.Context, a *Answer[*fitting.Pole], opt fitting.PoleOptions) error {
	var drifts []fitting.DecDrift
	for _, text := range t.Drifts {
		d, err := parseDrift(text)
		if err != nil {
			return &UsageError{Flag: "drift", Err: err}
		}
		drifts = append(drifts, d)
	}
	site, err := siteOf(t.Site, a.Rig, nil, &a.Assumed)
	if err != nil {
		return err
	}
	if err := t.bears(ctx, a, nil, &opt); err != nil {
		return err
	}
	a.Result, err = fitting.FindPoleByDrift(site, drifts, opt)
	return err
}

// parseDrift reads "rate, hour angle, declination".
func parseDrift(text string) (fitting.DecDrift, error) {
	var d fitting.DecDrift
	want := fmt.Errorf("found %q: want drift to the north, hour angle and declination, such as \"0.35 ± 0.05 arcsec/min, -0.2 h, 4 deg\" (south and east of the meridian negative)", text)
	parts := strings.Split(text, ",")
	if len(parts) != 3 {
		return d, want
	}
	rate, err := unit.ParseAs(strings.TrimSpace(parts[0]), unit.AngleRate)
	if err != nil {
		return d, fmt.Errorf("%w: %s", want, plainly(err))
	}
	v, se, _ := rate.In("arcsec/min")
	d.NorthArcsecPerMin = unit.Est[float64]{V: v, SE: se}
	hour, err := unit.ParseAs(strings.TrimSpace(parts[1]), unit.Time)
	if err != nil {
		return d, fmt.Errorf("%w: %s", want, plainly(err))
	}
	h, _, _ := hour.In("h")
	dec, _, ok := angle(strings.TrimSpace(parts[2]))
	if !ok || math.Abs(h) > 12 || math.Abs(float64(dec)) >= 90 {
		return d, want
	}
	d.HourAngle, d.Dec = unit.Hour(h), dec
	return d, nil
}
