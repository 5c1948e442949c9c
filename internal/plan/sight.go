package plan

import (
	"fmt"
	"math"
	"slices"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Tolerance is how far the guide telescope may point away from the imaging
// telescope before it costs this plan anything.
type Tolerance struct {
	Offset unit.Arcmin `json:"tolerance_arcmin"`  // the largest that harms nothing, in any direction; +Inf (null) if none up to farthestSight does
	Limit  ledger.Term `json:"limit"`             // the row that grows most on the way there; "" if nothing does harm
	Edge   unit.Arcmin `json:"star_stays_arcmin"` // the largest at which the planned guide star stays on the guide sensor; NaN where only counts promise one
	Why    string      `json:"why"`
}

const (
	farthestSight unit.Arcmin = 300 // no shoe is as crooked: common practice, no source
	// sightSpoils is the growth of the corner's ellipticity that counts as harm
	// where the goal is missed already.
	sightSpoils = 0.01
)

// SightTolerance returns how far the guide telescope may point from the
// imaging telescope, in any direction, before refraction between guide star and
// target or rotation about the guide star moves the corner's star out of its
// goal at some time of the target's window; where the goal is missed with the
// telescopes parallel, before the ellipticity grows by 0.01. The settings and
// the brightness of the guide star stay as planned. Good to 1 %. It returns
// ErrNoGuide without a guide camera, and for a pick-off, which points beside the
// target on purpose, an infinite tolerance.
func SightTolerance(q Request) (*Tolerance, error) {
	r := q.Rig
	switch r.Guide.Kind {
	case rig.NoGuide:
		return nil, ErrNoGuide
	case rig.Pickoff:
		return &Tolerance{Offset: unit.Arcmin(math.Inf(1)), Edge: unit.Arcmin(math.NaN()), Why: "a pick-off prism looks through the imaging telescope: there is nothing to point"}, nil
	}
	n, err := q.night()
	if err != nil {
		return nil, err
	}
	sub := q.Sub
	if sub == 0 {
		sub = r.Sub.Length.V
	}
	s := (&scene{rig: r, place: n.highest()}).rehold()
	t := &Tolerance{Offset: unit.Arcmin(math.Inf(1)), Edge: unit.Arcmin(math.NaN())}
	if len(s.hold.stars.stars) > 0 {
		t.Edge = s.field.rig.scale().Arcsec(s.hold.stars.stars[0].edge).Arcmin()
	}
	places := []*place{n.places[0], n.places[hours/4], n.highest(), n.places[hours*3/4], n.places[hours-1]}
	// spoilt reports whether the telescopes, so far apart in a direction, miss
	// what they reach parallel, and the ledgers of the worst place.
	parallel := make([]outcome, len(places))
	for i, p := range places {
		parallel[i] = s.at(p).pointing(0, 0).evaluate(sub, steady)
	}
	limit := func(i int) float64 {
		return max(parallel[i].goal.EllipticityCorner, parallel[i].pair.Corner.Ellipticity()+sightSpoils)
	}
	excess := func(off unit.Arcmin, pa unit.Deg, i int) (float64, outcome) {
		o := s.at(places[i]).pointing(off, pa).evaluate(sub, steady)
		return o.pair.Corner.Ellipticity() - limit(i), o
	}
	var worst outcome
	var where int
	for k := range 8 {
		pa := unit.Deg(45 * k)
		for i := range places {
			far := min(t.Offset, farthestSight)
			e, o := excess(far, pa, i)
			if e <= 0 {
				continue
			}
			lo, hi := unit.Arcmin(0), far
			for hi-lo > 0.01*hi {
				mid := (lo + hi) / 2
				if e, m := excess(mid, pa, i); e > 0 {
					hi, o = mid, m
				} else {
					lo = mid
				}
			}
			t.Offset, worst, where = lo, o, i
		}
	}
	if math.IsInf(float64(t.Offset), 1) {
		t.Why = fmt.Sprintf("even %.0f arcmin apart the stars of %s in subs of %s stay as round: it does not matter where the guide telescope points, so long as it finds a star", float64(farthestSight), n.target.Name, sub.Say())
		return t, nil
	}
	grown := func(term ledger.Term) float64 {
		a, _ := worst.corner.Row(term)
		b, _ := parallel[where].corner.Row(term)
		return ledger.Trace(a.Cov) - ledger.Trace(b.Cov)
	}
	t.Limit = slices.MaxFunc([]ledger.Term{ledger.Refraction, ledger.FieldRotation}, func(a, b ledger.Term) int {
		switch ga, gb := grown(a), grown(b); {
		case ga < gb:
			return -1
		case ga > gb:
			return 1
		}
		return 0
	})
	t.Why = fmt.Sprintf("beyond %.0f arcmin apart the corner's stars grow too long in subs of %s, because %s", float64(t.Offset), sub.Say(), abouts[t.Limit].cause)
	return t, nil
}

// pointing returns the scene with the guide telescope pointing a distance from
// the imaging telescope at a position angle, its guide star at the same place on
// the guide sensor and as bright.
func (s *scene) pointing(off unit.Arcmin, pa unit.Deg) *scene {
	if s.hold == nil {
		return s
	}
	sin, cos := math.Sincos(float64(pa.Rad()))
	d := float64(off.Arcsec())
	h := *s.hold
	h.stars.offset = sky.Shift{
		East:  h.stars.offset.East - s.field.offset.East + unit.Arcsec(d*sin),
		North: h.stars.offset.North - s.field.offset.North + unit.Arcsec(d*cos),
	}
	next := *s
	next.hold = &h
	return &next
}

// scale returns the image scale of the guide camera.
func (g geometry) scale() unit.Scale {
	return unit.Scale(g.pixel * g.bin / g.focal / 1000 * unit.ArcsecPerRad)
}
