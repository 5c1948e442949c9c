package app

import (
	"context"
	"fmt"
	"math"

	"holdfast/internal/catalog"
	"holdfast/internal/fitting"
	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
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
	var poses [2]fitting.Pose
	for i, name := range []string{t.Imaging, t.Guide} {
		got, err := Frames{Files: []string{name}, Workers: t.Workers}.Solve(ctx, SolveOptions{})
		if err != nil {
			return nil, err
		}
		if len(got) != 1 {
			return nil, fmt.Errorf("app: %s: found %d frames: want one", name, len(got))
		}
		if poses[i], err = poseOf(got[0]); err != nil {
			return nil, err
		}
	}
	a := &Answer[*fitting.Sight]{SunApart: unit.Deg(math.NaN())}
	opt := fitting.SightOptions{Parallactic: unit.Deg(math.NaN()), Tolerance: unit.Arcmin(math.NaN())}
	if t.Rig != "" {
		if err := t.beside(a, poses[0].Centre, travel, &opt); err != nil {
			return nil, err
		}
	}
	s, err := fitting.SightSolved(poses[0], poses[1], opt)
	if err != nil {
		return nil, err
	}
	a.Result = s
	return a, ctx.Err()
}

// poseOf returns the pose of a solved frame.
func poseOf(s solve.Answer) (fitting.Pose, error) {
	switch {
	case s.Error != "":
		return fitting.Pose{}, fmt.Errorf("app: %s: %s", s.File, s.Error)
	case !s.Solved:
		return fitting.Pose{}, fmt.Errorf("app: %s: it cannot be said where it points: %s", s.File, s.Why)
	}
	return fitting.Pose{Centre: sky.Direction{RA: s.RA, Dec: s.Dec}, Scale: s.Scale, Rotation: s.Rotation, Mirrored: s.Mirrored, RMS: s.RMS}, nil
}

// beside adds what the rig knows: its bracket, and what this plan bears.
func (t SightTask) beside(a *Answer[*fitting.Sight], at sky.Direction, travel unit.MM, opt *fitting.SightOptions) error {
	r, err := t.Load()
	if err != nil {
		return err
	}
	a.Rig = r
	night := &Answer[plan.Request]{Rig: r}
	evening, err := t.evening(night)
	if err != nil {
		return err
	}
	a.Assumed = append(a.Assumed, night.Assumed...)
	q := plan.Request{Rig: r, Evening: evening, Target: catalog.Object{Name: "this field", RA: at.RA, Dec: at.Dec, Kind: catalog.Place}}
	tol, err := plan.SightTolerance(q)
	if err != nil {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "tolerance", Value: "unknown", Why: plainly(err)})
	} else {
		opt.Tolerance, opt.TolerantOf = tol.Offset, tol.Why
	}
	up, from := fitting.RidesUp(r.Mount.Kind, t.Tube != "east", unit.Deg(math.NaN())), ""
	if math.IsNaN(float64(up)) {
		return nil // without the time of the frames nothing is known of the bracket's up
	}
	if r.Mount.Kind == rig.Equatorial {
		from = "tube " + t.Tube + " of the pier"
		if t.Tube == "" {
			from = "tube west of the pier"
			a.Assumed = append(a.Assumed, rig.Assumed{Entry: "tube", Value: "west", Why: "side of the pier not given: a target east of the meridian is taken with the tube in the west"})
		}
	}
	b, err := fitting.NewBracket(r, up, from, travel)
	if err != nil {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "bracket", Value: "none", Why: plainly(err)})
		return nil
	}
	opt.Bracket = b
	return nil
}
