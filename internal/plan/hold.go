package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/loop"
	"holdfast/internal/mech"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// ErrNoGuide is returned for what needs a guide camera when the rig has none.
var ErrNoGuide = errors.New("plan: the rig has no guide camera (guide.kind is none)")

// hold is how the correction holds the star: what it looks at and how it is
// set.
type hold struct {
	view            guideView
	stars           held
	interval, cycle unit.Second
	gainRA, gainDec float64     // as set
	deadBand        unit.Arcsec // half width
	delay           int
}

// variance returns the variance of one axis of the measured place in one
// exposure, in arcsec^2, with the centroid floor of the given rig instead of
// that of the rig the hold was chosen for.
func (h *hold) variance(r *rig.Rig) float64 {
	n := float64(max(len(h.stars.stars), 1))
	was, is := float64(h.view.scale.Arcsec(h.view.floor)), float64(h.view.scale.Arcsec(r.Guide.CentroidFloor.V))
	return max(h.stars.variance+(is*is-was*was)/n, 0)
}

// unguided returns the scene with nothing corrected.
func (s *scene) unguided() *scene {
	next := *s
	next.hold = nil
	return &next
}

// rehold returns the scene with the guide camera looked at anew and the
// correction set anew: from the rig where it says, else for the least smear.
func (s *scene) rehold() *scene {
	next := *s
	r := s.rig
	if r.Guide.Kind == rig.NoGuide {
		next.field, next.hold = nil, nil
		return &next
	}
	if s.field == nil || s.field.rig != guideGeometry(r) {
		next.field = fieldOf(r, s.place.target)
	}
	next.hold = next.choose()
	return &next
}

// The settings the plan chooses among; others are asked for by name
// (loop.interval and the like). Geared mounts do not follow corrections much
// faster than one a second, strain-wave and direct drives do: common practice,
// no source.
const (
	shortestGeared unit.Second = 1
	shortestDirect unit.Second = 0.5
	longestGuide   unit.Second = 8
	leastGain                  = 0.1
	// A gain that stands a correction that comes a frame late: the loop then
	// still damps, where it would ring at 0.8 and break away at 1.
	mostGain = 0.7
)

// shortestGuide returns the shortest exposure that the plan chooses for a
// drive.
func shortestGuide(d rig.Drive) unit.Second {
	if d == rig.StrainWave || d == rig.Direct {
		return shortestDirect
	}
	return shortestGeared
}

// settlingGain returns the gain that makes up nine tenths of a dither within
// the time allowed to settle: below it the correction, however quiet, comes too
// late.
//
// Derived: each cycle leaves 1-g of an offset.
func settlingGain(r *rig.Rig, cycle unit.Second) float64 {
	if r.Sub.Dither.V == 0 || r.Sub.Settle.V <= 0 {
		return leastGain
	}
	return min(1-math.Pow(0.1, float64(cycle/r.Sub.Settle.V)), mostGain)
}

// choose returns the hold of the scene's rig: its stars, and the settings that
// smear the star least where the rig leaves them open.
func (s *scene) choose() *hold {
	r, p := s.rig, s.place
	n := max(int(r.Loop.Stars.V), 1)
	h := &hold{view: viewOf(r, p), delay: int(r.Loop.Delay.V)}
	limits := loop.Limits{MinExposure: shortestGuide(r.Mount.Drive), MaxExposure: longestGuide, Overhead: r.Loop.Readout.V,
		MinGain: leastGain, MaxGain: mostGain, Delay: h.delay, Sub: r.Sub.Length.V}
	if t := r.Loop.Interval; t.Known() {
		limits.MinExposure, limits.MaxExposure = t.V, t.V
	}
	// The star's place is measured worse in short exposures; which stars are
	// held is settled at two seconds.
	h.stars = s.field.hold(h.view, n, 2)
	gusts := shake(r)
	h.interval, h.cycle = 2, 2+r.Loop.Readout.V
	next := *s
	next.hold = h
	ra, dec := next.loads(turbulence(r).At(p.airmass), steady, gusts)
	noise := func(t unit.Second) float64 { return s.field.hold(h.view, n, t).variance }
	ra.Noise, dec.Noise = noise, noise
	axes := []loop.Disturbance{ra, dec}
	if !correctsDec(r) {
		axes = axes[:1]
	}
	// A dead band may spare a little motion where noise is large; up to a
	// measured pixel it is tried.
	if d := r.Loop.DeadBand; d.Known() {
		limits.MinDeadBand, limits.MaxDeadBand = d.V, d.V
	} else {
		limits.MaxDeadBand = h.view.scale.Arcsec(0.5)
	}
	set := loop.Optimise(limits, axes...)
	h.interval, h.deadBand = set.Exposure, set.DeadBand
	h.cycle = h.interval + r.Loop.Readout.V
	least := settlingGain(r, h.cycle)
	if most := 0.9 * loop.StabilityLimit(h.delay, 0); least > most {
		least = most
	}
	h.gainRA = max(set.Axes[0].Gain, least)
	if len(set.Axes) > 1 {
		h.gainDec = max(set.Axes[1].Gain, least)
	}
	if g := r.Loop.GainRA; g.Known() {
		h.gainRA = g.V
	}
	if g := r.Loop.GainDec; g.Known() && correctsDec(r) {
		h.gainDec = g.V
	}
	h.stars = s.field.hold(h.view, n, h.interval)
	h.cycle += next.correcting()
	return h
}

// correcting returns how long the corrections of a cycle take in the mean, the
// longer of the two axes': the next exposure waits for them.
func (s *scene) correcting() unit.Second {
	h := s.hold
	ra, dec := s.loads(turbulence(s.rig).At(s.place.airmass), steady, shake(s.rig))
	rate := s.rig.Mount.GuideRate.V * mech.SiderealArcsecPerS
	taking := func(gain float64, d loop.Disturbance, perS float64) unit.Second {
		if !(gain > 0) || !(perS > 0) {
			return 0
		}
		// The mean size of a Gaussian is sqrt(2/pi) of its rms; the offsets sum up
		// to what moves steadily.
		a := s.linear(gain).Outcome(d, h.deadBand, s.rig.Sub.Length.V)
		mean := gain*float64(a.Measured)*math.Sqrt(2/math.Pi) + math.Abs(d.DriftArcsecPerS)*float64(h.cycle)
		return min(unit.Second(mean/perS), h.interval)
	}
	cos := 1.0
	if s.rig.Mount.Kind != rig.AltAzimuth {
		cos = math.Max(math.Cos(float64(s.place.at.Dec.Rad())), 0.1)
	}
	t := taking(h.gainRA, ra, rate*cos)
	if correctsDec(s.rig) {
		t = max(t, taking(h.gainDec, dec, rate))
	}
	if math.IsNaN(float64(t)) {
		return 0
	}
	return t
}

// geometry is what of a rig decides which stars its guide camera sees.
type geometry struct {
	kind                    rig.GuideKind
	focal, pixel, bin, w, h float64
	east, north, angle      float64
	prism                   rig.Prism
}

// guideGeometry returns the geometry of a rig.
func guideGeometry(r *rig.Rig) geometry {
	g := &r.Guide
	return geometry{g.Kind, float64(g.Focal.V), float64(g.Camera.Pixel.V), g.Camera.Bin.V, float64(g.Camera.Width.V), float64(g.Camera.Height.V),
		float64(g.OffsetEast.V), float64(g.OffsetNorth.V), float64(g.Camera.Angle.V), g.Prism}
}

// ErrUnstable is wrapped by the error for settings with which the correction
// would run away.
var ErrUnstable = errors.New("the correction would not be stable")

// stable returns an error for a gain at which the loop runs away.
func (s *scene) stable() error {
	if s.hold == nil {
		return nil
	}
	limit := loop.StabilityLimit(s.hold.delay, 0)
	for _, g := range []struct {
		entry string
		gain  float64
	}{{"loop.gain_ra", s.hold.gainRA}, {"loop.gain_dec", s.hold.gainDec}} {
		if g.gain >= limit {
			return fmt.Errorf("plan: %s is %.3g with %d frames of delay: %w; it must stay below %.2f, and well below to be calm", g.entry, g.gain, s.hold.delay, ErrUnstable, limit)
		}
	}
	return nil
}

// guideStar states the star held.
func (s *scene) guideStar() *GuideStar {
	h := s.hold
	g := &GuideStar{
		Source: "catalogue", RA: unit.Deg(math.NaN()), Dec: unit.Deg(math.NaN()), VT: h.stars.vt, FWHMPx: h.view.fwhm,
		SNR: h.view.spot(h.stars.vt, h.interval).SNR(), Centroid: unit.Arcsec(math.Sqrt(h.stars.variance)),
		Exposure: h.interval, Stars: max(len(h.stars.stars), 1), Probability: h.stars.chance, Advice: h.view.advice(s.rig),
	}
	if len(h.stars.stars) == 0 {
		g.Source = "counts"
		return g
	}
	best := h.stars.stars[0].star
	g.RA, g.Dec = best.RA, best.Dec
	return g
}

// settings states the correction.
func (s *scene) settings(o outcome) *Settings {
	h := s.hold
	return &Settings{Interval: h.interval, Cycle: h.cycle, GainRA: h.gainRA, GainDec: h.gainDec, DeadBand: h.deadBand,
		RMSRA: o.rmsRA, RMSDec: o.rmsDec}
}

// scene returns the scene of a request at its target's highest point in the
// window, with the sub and the target's name.
func (q Request) scene() (*scene, unit.Second, string, error) {
	sub := q.Sub
	if sub == 0 {
		sub = q.Rig.Sub.Length.V
	}
	n, err := q.night()
	if err != nil {
		return nil, 0, "", err
	}
	s := &scene{rig: q.Rig, place: n.highest()}
	return s.rehold(), sub, n.target.Name, nil
}

// sortBy sorts a list by a key, smallest first, keeping the order of equals.
func sortBy[T any](list []T, key func(T) float64) {
	slices.SortStableFunc(list, func(a, b T) int {
		switch ka, kb := key(a), key(b); {
		case ka < kb:
			return -1
		case ka > kb:
			return 1
		}
		return 0
	})
}
