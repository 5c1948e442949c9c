package app

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/catalog"
	"holdfast/internal/fits"
	"holdfast/internal/fitting"
	"holdfast/internal/optics"
	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// SightTask is what a person asks of a pair of frames, one from each telescope.
type SightTask struct {
	Task           // its Rig may be empty: then nothing is said of screws, nor whether it matters
	Imaging, Guide string
	Tube           string // side of the pier the tube is on, "east" or "west"; "" takes west
	Travel         string // what the screws of a ring have left either way; "" takes fitting.ScrewTravel
}

// Sight solves both frames and says how far apart the telescopes point.
func (t SightTask) Sight(ctx context.Context) (*Answer[*fitting.Sight], error) {
	if t.Tube != "" && t.Tube != "east" && t.Tube != "west" {
		return nil, &UsageError{Flag: "tube", Err: fmt.Errorf("found %q: want east or west, the side of the pier the tube is on", t.Tube)}
	}
	travel := fitting.ScrewTravel
	if t.Travel != "" {
		q, err := unit.ParseAs(t.Travel, unit.Length)
		if err != nil {
			return nil, &UsageError{Flag: "travel", Err: err}
		}
		v, _, _ := q.In("mm")
		if !(v > 0) {
			return nil, &UsageError{Flag: "travel", Err: fmt.Errorf("found %q: want a length above zero", t.Travel)}
		}
		travel = unit.MM(v)
	}
	var views [2]view
	for i, name := range []string{t.Imaging, t.Guide} {
		v, err := viewOf(ctx, name, t.Workers)
		if err != nil {
			return nil, err
		}
		views[i] = v
	}
	a := &Answer[*fitting.Sight]{SunApart: unit.Deg(math.NaN())}
	if t.Rig != "" {
		r, err := t.Load()
		if err != nil {
			return nil, err
		}
		a.Rig = r
	}
	opt := fitting.SightOptions{Parallactic: unit.Deg(math.NaN()), Tolerance: unit.Arcmin(math.NaN())}
	both := views[0].pose != nil && views[1].pose != nil
	var spots [2]fitting.Spotted
	if !both {
		for i := range views {
			s, err := views[i].spotted(a.Rig, i == 0)
			if err != nil {
				return nil, err
			}
			spots[i] = s
		}
	}
	// Where the telescopes point decides what is borne and where up is.
	at, known := sky.Direction{}, false
	for _, v := range views {
		if v.pose != nil && !known {
			at, known = v.pose.Centre, true
		}
	}
	for _, v := range views {
		if d, _, ok := headerPointing(v.header); ok && !known {
			at, known = d, true
		}
	}
	if a.Rig != nil {
		if err := t.beside(a, at, known, views[0].header, travel, &opt); err != nil {
			return nil, err
		}
	}
	var err error
	if both {
		a.Result, err = fitting.SightSolved(*views[0].pose, *views[1].pose, opt)
	} else {
		a.Result, err = fitting.SightOnTarget(spots[0], spots[1], opt)
	}
	if err != nil {
		return nil, err
	}
	return a, ctx.Err()
}

// view is one frame of a pair: where it points, or else the bright target it
// holds.
type view struct {
	name          string
	header        *fits.Header
	width, height int
	pose          *fitting.Pose // nil if it was not solved
	why           string        // it was not
	bright        *fitting.Bright
	dark          string // why there is no target
}

// viewOf looks at a frame.
func viewOf(ctx context.Context, name string, workers int) (view, error) {
	v := view{name: name}
	fr, err := open(name)
	if err != nil {
		return v, fmt.Errorf("app: %s: %s", name, refused(name, err).Error)
	}
	defer fr.close()
	v.header, v.width, v.height = fr.Header, fr.Width, fr.Height
	m, err := star.Measure(fr.Frame, star.Options{Workers: workers})
	if err != nil {
		return v, fmt.Errorf("app: %s: %s", name, refused(name, err).Error)
	}
	m.File = name
	got, err := (&wanderer{}).solve(ctx, name, &m, fr.Header)
	if err != nil {
		return v, err
	}
	if got.Solved {
		v.pose = &fitting.Pose{Centre: sky.Direction{RA: got.RA, Dec: got.Dec}, Scale: got.Scale, Rotation: got.Rotation, Mirrored: got.Mirrored, RMS: got.RMS}
	} else if v.why = got.Why; got.Error != "" {
		v.why = got.Error
	}
	// A star that the measurement knows is placed better than a patch.
	if len(m.Stars) > 0 {
		stars := slices.Clone(m.Stars)
		slices.SortFunc(stars, func(a, b star.Star) int { return cmp.Compare(b.Flux, a.Flux) })
		if s := stars[0]; len(stars) == 1 || s.Flux > 3*stars[1].Flux {
			v.bright = &fitting.Bright{X: s.X, Y: s.Y, Size: unit.Px(math.Max(float64(s.HFD), 1))}
			return v, nil
		}
	}
	b, err := fitting.FindBright(fr.Frame)
	if err != nil {
		v.dark = plainly(err)
		return v, nil
	}
	v.bright = &b
	return v, nil
}

// spotted returns the bright target of a view for a sight on it. What the frame
// does not tell comes from the rig.
func (v *view) spotted(r *rig.Rig, imaging bool) (fitting.Spotted, error) {
	why := ""
	if v.pose == nil {
		why = fmt.Sprintf("it cannot be said where it points: %s; and ", v.why)
	}
	s := fitting.Spotted{Width: unit.Px(v.width), Height: unit.Px(v.height), Rotation: unit.Unknown[unit.Deg]()}
	if v.bright == nil {
		return s, fmt.Errorf("app: %s: %sno bright target stands out: %s: put one bright star or the Moon on both frames, or expose until both can be solved", v.name, why, v.dark)
	}
	s.X, s.Y = v.bright.X, v.bright.Y
	if v.bright.Cut {
		s.Doubt = v.bright.Size / 2
	}
	if v.pose != nil {
		s.Scale, s.Rotation, s.Mirrored = v.pose.Scale, unit.Exact(v.pose.Rotation), v.pose.Mirrored
		return s, nil
	}
	if v.header != nil {
		s.Mirrored = v.header.RowOrder() == fits.TopDown
	}
	if r != nil {
		entry, camera, focal := "guide.camera.angle", &r.Guide.Camera, r.Guide.Focal.V
		if imaging {
			entry, camera, focal = "imaging.camera.angle", &r.Imaging.Camera, r.Imaging.FocalLength()
		}
		s.Scale = optics.Scale(camera.BinnedPixel(), focal)
		given := !slices.ContainsFunc(r.Assumed(), func(x rig.Assumed) bool { return x.Entry == entry })
		if given {
			s.Rotation = camera.Angle
		}
	}
	if sc, ok := headerScale(v.header); ok && r == nil {
		s.Scale = sc
	}
	if !(s.Scale > 0) {
		return s, fmt.Errorf("app: %s: %sits image scale is not known: give --rig, or frames whose header has pixel and focal length", v.name, why)
	}
	return s, nil
}

// beside adds what the rig knows: its bracket, and what this plan bears at a
// place in the sky, if that is known.
func (t SightTask) beside(a *Answer[*fitting.Sight], at sky.Direction, known bool, header *fits.Header, travel unit.MM, opt *fitting.SightOptions) error {
	r := a.Rig
	night := &Answer[plan.Request]{Rig: r}
	evening, err := t.evening(night)
	if err != nil {
		return err
	}
	a.Assumed = append(a.Assumed, night.Assumed...)
	if known {
		q := plan.Request{Rig: r, Evening: evening, Target: catalog.Object{Name: "this field", RA: at.RA, Dec: at.Dec, Kind: catalog.Place}}
		tol, err := plan.SightTolerance(q)
		if err != nil {
			a.Assumed = append(a.Assumed, rig.Assumed{Entry: "tolerance", Value: "unknown", Why: plainly(err)})
		} else {
			opt.Tolerance, opt.TolerantOf = tol.Offset, tol.Why
		}
		if opt.Parallactic, err = parallactic(r, at, header); err != nil {
			return err
		}
	}
	up, from := fitting.RidesUp(r.Mount.Kind, t.Tube != "east", opt.Parallactic), ""
	if math.IsNaN(float64(up)) {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "bracket", Value: "none", Why: "without a polar axis its up is the zenith's direction, which needs the frames' time (DATE-OBS) and place"})
		return nil
	}
	switch r.Mount.Kind {
	case rig.Equatorial:
		from = "tube " + t.Tube + " of the pier"
		if t.Tube == "" {
			from = "tube west of the pier"
			a.Assumed = append(a.Assumed, rig.Assumed{Entry: "tube", Value: "west", Why: "side of the pier not given: a target east of the meridian is taken with the tube in the west"})
		}
	case rig.AltAzimuth:
		from = "towards the zenith at the frame's time"
	}
	b, err := fitting.NewBracket(r, up, from, travel)
	if err != nil {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "bracket", Value: "none", Why: plainly(err)})
		return nil
	}
	opt.Bracket = b
	return nil
}

// parallactic returns the position angle of the zenith at a place in the sky
// when a frame was taken, NaN if its header does not tell when.
func parallactic(r *rig.Rig, at sky.Direction, h *fits.Header) (unit.Deg, error) {
	nan := unit.Deg(math.NaN())
	if h == nil {
		return nan, nil
	}
	m, ok := h.Start()
	if !ok || m.Fine > 60 {
		return nan, nil
	}
	site, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		return nan, err
	}
	return site.At(sky.NewInstant(m.Time)).Observed(at).Parallactic, nil
}
