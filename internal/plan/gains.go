package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// change is one thing a person could do to the rig or the settings.
type change struct {
	text    string
	answers ledger.Term // the row it is aimed at; tried only where that row is there
	set     []setting   // rig entries it changes
	sub     unit.Second // a new sub length; 0 leaves it
	rehold  bool        // the correction has to be chosen anew
}

// setting is a rig entry and its new value, in the unit of its field.
type setting struct {
	path  string
	value float64
	text  string // for entries that are not numbers
}

// changes lists what could be done about a rig's star, in no order. Whether a
// change helps is computed, not claimed.
func changes(r *rig.Rig, sub unit.Second) []change {
	half := func(path string) []setting {
		v, _, _, _ := r.Get(path)
		return []setting{{path: path, value: v / 2}}
	}
	cs := []change{
		{text: fmt.Sprintf("expose %s instead of %s a sub", (sub / 2).Say(), sub.Say()), sub: sub / 2},
		{text: "refocus twice as often", answers: ledger.Focus, set: half("sub.refocus_every")},
		{text: "focus to half the error", answers: ledger.Focus, set: half("imaging.focus_error")},
		{text: "halve the optics' own blur (collimation, spacing)", answers: ledger.Optics,
			set: append(half("imaging.spot"), half("imaging.spot_corner")...)},
		{text: "shelter the telescope: half the wind", answers: ledger.Wind, set: half("site.wind"), rehold: true},
	}
	if r.Mount.Kind != rig.AltAzimuth {
		polar := setting{path: "polar.error", value: 1}
		cs = append(cs, change{text: "align the polar axis to 1 arcmin", answers: ledger.FieldRotation, set: []setting{polar}},
			change{text: "align the polar axis to 1 arcmin", answers: ledger.Drift, set: []setting{polar}})
	}
	if r.Imaging.Kind == rig.MovingMirror {
		cs = append(cs, change{text: "hold the main mirror still (lock it, or an external focuser)", answers: ledger.MirrorShift,
			set: []setting{{path: "imaging.mirror_shift", value: 0}}})
	}
	if r.Guide.Kind == rig.NoGuide {
		cs = append(cs, change{text: "halve the drive's periodic error (train or correct it)", answers: ledger.Tracking, set: half("mount.periodic_error")})
		return append(cs, change{text: "add a guide telescope beside the imaging telescope", answers: ledger.Tracking,
			set: []setting{{path: "guide.kind", text: string(rig.Piggyback)}}, rehold: true})
	}
	cs = append(cs,
		change{text: "halve the drive's periodic error (train or correct it)", answers: ledger.Tracking, set: half("mount.periodic_error"), rehold: true},
		change{text: "take up the declination backlash", answers: ledger.Backlash, set: half("mount.backlash")},
	)
	if r.Loop.Stars.V < 4 {
		cs = append(cs, change{text: "hold on to four stars at once", answers: ledger.CorrectionNoise,
			set: []setting{{path: "loop.stars", value: 4}}, rehold: true})
	}
	if r.Loop.Interval.Known() || r.Loop.GainRA.Known() || r.Loop.GainDec.Known() || r.Loop.DeadBand.Known() {
		nan := math.NaN()
		cs = append(cs, change{text: "use the interval, gains and dead band of this plan", answers: ledger.CorrectionNoise, rehold: true,
			set: []setting{{path: "loop.interval", value: nan}, {path: "loop.gain_ra", value: nan}, {path: "loop.gain_dec", value: nan}, {path: "loop.dead_band", value: nan}}})
	}
	if r.Guide.Kind == rig.Piggyback {
		if r.Imaging.Kind != rig.Lens {
			cs = append(cs, change{text: "guide through a pick-off prism instead of a telescope beside", answers: ledger.Flexure,
				set: []setting{{path: "guide.kind", text: string(rig.Pickoff)}}, rehold: true},
				change{text: "guide through a pick-off prism instead of a telescope beside", answers: ledger.MirrorShift,
					set: []setting{{path: "guide.kind", text: string(rig.Pickoff)}}, rehold: true})
		}
		if r.Guide.Shoe.Kind != rig.RingsOnPlate {
			cs = append(cs, change{text: "hold the guide telescope in two rings on a plate", answers: ledger.Flexure,
				set: []setting{{path: "guide.shoe.kind", text: string(rig.RingsOnPlate)}}})
		}
		cs = append(cs, change{text: "halve the flexure (stiffer holder, camera nose, cables tied)", answers: ledger.Flexure, set: half("flexure.compliance")},
			change{text: "double the guide telescope's focal length", answers: ledger.CorrectionNoise,
				set: []setting{{path: "guide.focal", value: 2 * float64(r.Guide.Focal.V)}, {path: "guide.aperture", value: 1.4 * float64(r.Guide.Aperture.V)}}, rehold: true})
	}
	return cs
}

// apply returns the rig after a change, or false where an entry refuses its
// new value.
func (c change) apply(r *rig.Rig) (*rig.Rig, bool) {
	for _, s := range c.set {
		var next *rig.Rig
		var err error
		if s.text != "" {
			next, err = r.With(s.path, s.text)
		} else {
			next, err = r.WithFloat(s.path, s.value)
		}
		if err != nil {
			return nil, false
		}
		r = next
	}
	return r, true
}

// sets names the entries a change touches.
func (c change) sets() string {
	var paths []string
	for _, s := range c.set {
		paths = append(paths, s.path)
	}
	if c.sub > 0 {
		paths = append(paths, "sub.length")
	}
	return strings.Join(paths, ", ")
}

// gains recomputes the star after every change that aims at a row the ledger
// has, keeps those that bring it nearer its goal or make it visibly tighter,
// and sorts them, the best first.
func (s *scene) gains(now outcome, sub unit.Second, workers int) []Gain {
	type tried struct {
		gain  Gain
		short ledger.Shortfall
		fwhm  unit.Arcsec
	}
	var todo []change
	for _, c := range changes(s.rig, sub) {
		row, _ := now.centre.Row(c.answers)
		corner, _ := now.corner.Row(c.answers)
		if c.answers == "" || ledger.Trace(row.Cov)+ledger.Trace(corner.Cov) > 0 {
			todo = append(todo, c)
		}
	}
	results := make([]*tried, len(todo))
	each(workers, len(todo), func(i int) {
		c := todo[i]
		r, ok := c.apply(s.rig)
		if !ok {
			return
		}
		length := sub
		if c.sub > 0 {
			length = c.sub
		}
		next := s.with(r)
		if c.rehold {
			next = next.rehold()
		}
		o := next.evaluate(length, steady)
		short, before := o.short(), now.short()
		// A tenth of a hundredth in ellipticity and half a per cent in width are
		// the least worth telling.
		better := short.Less(before) && (before.Ellipticity-short.Ellipticity > 0.01 || before.FWHM-short.FWHM > 0.005)
		rounder := worse(now.pair)-worse(o.pair) > 0.002
		tighter := o.pair.Centre.FWHM() < now.pair.Centre.FWHM()*0.995
		if !better && !(short == before && (rounder || tighter)) {
			return
		}
		results[i] = &tried{short: short, fwhm: o.pair.Centre.FWHM(), gain: Gain{
			Change: c.text, FWHM: o.pair.Centre.FWHM(), Ellipticity: o.pair.Centre.Ellipticity(),
			EllipticityCorner: o.pair.Corner.Ellipticity(), Verdict: o.verdict(), Sets: c.sets(),
		}}
	})
	var kept []tried
	for _, r := range results {
		if r != nil && !slices.ContainsFunc(kept, func(k tried) bool { return k.gain.Change == r.gain.Change }) {
			kept = append(kept, *r)
		}
	}
	slices.SortStableFunc(kept, func(a, b tried) int {
		switch {
		case a.short.Less(b.short):
			return -1
		case b.short.Less(a.short):
			return 1
		case a.fwhm < b.fwhm:
			return -1
		case a.fwhm > b.fwhm:
			return 1
		}
		return 0
	})
	out := make([]Gain, len(kept))
	for i, k := range kept {
		out[i] = k.gain
	}
	return out
}

// worse returns the larger ellipticity of a pair.
func worse(p ledger.Pair) float64 { return max(p.Centre.Ellipticity(), p.Corner.Ellipticity()) }
