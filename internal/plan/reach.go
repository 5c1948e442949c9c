package plan

import (
	"context"
	"errors"
	"fmt"
	"math"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// Axis is one entry of the rig and the values it is to take, in the unit of its
// field.
type Axis struct {
	Entry  string
	Values []float64
}

// DefaultReach returns the imaging focal lengths over which a kit is tried when
// nothing else is asked for: 50 mm to 4 m, each a fifth longer than the last.
func DefaultReach() Axis {
	a := Axis{Entry: "imaging.focal"}
	for f := 50.0; f < 4200; f *= 1.2 {
		a.Values = append(a.Values, math.Round(f))
	}
	return a
}

// ReachPoint is the star at one value of the entry, or of both.
type ReachPoint struct {
	Value             float64        `json:"value"`
	Second            float64        `json:"second_value"` // null with one entry
	FWHM              unit.Arcsec    `json:"fwhm_arcsec"`
	FWHMPx            unit.Px        `json:"fwhm_px"`
	Ellipticity       float64        `json:"ellipticity"`
	EllipticityCorner float64        `json:"ellipticity_corner"`
	Verdict           ledger.Verdict `json:"verdict"`
	Limit             *ledger.Term   `json:"limit"`             // the weak link, or else the largest row that can be changed
	ScaleRatio        float64        `json:"guide_scale_ratio"` // guide over image scale; null without a guide camera
	RMSRA             unit.Arcsec    `json:"rms_ra_arcsec"`     // tracking error left on the sky, air apart
	RMSDec            unit.Arcsec    `json:"rms_dec_arcsec"`
	Unstable          bool           `json:"unstable"`        // a gain with which the correction would run away
	Error             string         `json:"error,omitempty"` // why there is no star here
}

// Reach is how a kit's star changes with one or two entries.
type Reach struct {
	Rig         string       `json:"rig"`
	Target      string       `json:"target"`
	Entry       string       `json:"entry"`
	Unit        string       `json:"unit"`
	Second      string       `json:"second_entry,omitempty"`
	SecondUnit  string       `json:"second_unit,omitempty"`
	Now         float64      `json:"value_now"`
	Sub         unit.Second  `json:"sub_s"`
	Goal        float64      `json:"goal_ellipticity"`
	GoalCorner  float64      `json:"goal_ellipticity_corner"`
	Points      []ReachPoint `json:"points"`
	RoundTo     float64      `json:"round_to"` // the largest value up to which the star stays round, from the rig's own on; null if it is not round there
	Stops       string       `json:"stops"`    // what stops it there
	HoldsOthers bool         `json:"holds_other_entries"`
}

// MakeReach evaluates the star at the best hour of the plan's night for every
// value of one entry, or of two. Other entries stay as given; defaults that
// depend on the changed entry follow it. Values that an entry refuses are
// reported at their point.
func MakeReach(ctx context.Context, q Request, first Axis, second *Axis) (*Reach, error) {
	s, sub, name, err := q.scene()
	if err != nil {
		return nil, err
	}
	now, _, unitName, ok := q.Rig.Get(first.Entry)
	if !ok {
		return nil, fmt.Errorf("plan: %s is not an entry with a number", first.Entry)
	}
	g := goal(q.Rig)
	out := &Reach{Rig: q.Rig.Name, Target: name, Entry: first.Entry, Unit: unitName, Now: now, Sub: sub,
		Goal: g.Ellipticity, GoalCorner: g.EllipticityCorner, HoldsOthers: true, RoundTo: math.NaN()}
	seconds := []float64{math.NaN()}
	if second != nil {
		_, _, u, ok := q.Rig.Get(second.Entry)
		if !ok {
			return nil, fmt.Errorf("plan: %s is not an entry with a number", second.Entry)
		}
		out.Second, out.SecondUnit, seconds = second.Entry, u, second.Values
	}
	out.Points = make([]ReachPoint, len(first.Values)*len(seconds))
	each(q.Workers, len(out.Points), func(i int) {
		if ctx.Err() != nil {
			return
		}
		a, b := first.Values[i%len(first.Values)], seconds[i/len(first.Values)]
		pt := ReachPoint{Value: a, Second: b}
		r, err := q.Rig.WithFloat(first.Entry, a)
		if err == nil && second != nil {
			r, err = r.WithFloat(second.Entry, b)
		}
		if err == nil {
			length := sub
			if first.Entry == "sub.length" || second != nil && second.Entry == "sub.length" {
				length = r.Sub.Length.V
			}
			err = s.reachPoint(&pt, r, length)
		}
		if err != nil {
			pt.Error = err.Error()
			nan := math.NaN()
			pt.FWHM, pt.FWHMPx, pt.Ellipticity, pt.EllipticityCorner, pt.ScaleRatio = unit.Arcsec(nan), unit.Px(nan), nan, nan, nan
			pt.RMSRA, pt.RMSDec, pt.Unstable = unit.Arcsec(nan), unit.Arcsec(nan), errors.Is(err, ErrUnstable)
		}
		out.Points[i] = pt
	})
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if second == nil {
		out.limits()
	}
	return out, nil
}

// reachPoint fills a point with the star of a rig.
func (s *scene) reachPoint(pt *ReachPoint, r *rig.Rig, sub unit.Second) error {
	next := s.with(r)
	next.field = fieldOf(r, s.place.target)
	next = next.rehold()
	if err := next.stable(); err != nil {
		return err
	}
	o := next.evaluate(sub, steady)
	pt.RMSRA, pt.RMSDec = o.rmsRA, o.rmsDec
	star := newStar(o.pair.Centre, next.imageScale())
	if math.IsNaN(star.Ellipticity) {
		return errors.New("no star can be computed here")
	}
	pt.FWHM, pt.FWHMPx, pt.Ellipticity, pt.EllipticityCorner = star.FWHM, star.FWHMPx, star.Ellipticity, o.pair.Corner.Ellipticity()
	pt.Verdict = o.verdict()
	pt.ScaleRatio = math.NaN()
	if next.hold != nil {
		pt.ScaleRatio = float64(next.hold.view.scale / next.imageScale())
	}
	if link, _, ok := ledger.WeakLink(o.centre, o.corner, o.goal); ok {
		pt.Limit = &link
	} else if t, ok := largest(o.centre); ok {
		pt.Limit = &t
	}
	return nil
}

// largest returns the largest row that the owner can change.
func largest(l ledger.Ledger) (ledger.Term, bool) {
	var term ledger.Term
	most := 0.0
	for _, row := range l {
		if t := ledger.Trace(row.Cov); !row.Term.Given() && t > most {
			term, most = row.Term, t
		}
	}
	return term, most > 0
}

// Residual returns the tracking error left on the sky of both axes together.
func (p *ReachPoint) Residual() unit.Arcsec {
	return unit.Arcsec(math.Hypot(float64(p.RMSRA), float64(p.RMSDec)))
}

// Steadiest returns the point with the least residual, nil if none has one.
func (r *Reach) Steadiest() *ReachPoint {
	var best *ReachPoint
	for i := range r.Points {
		if p := &r.Points[i]; p.Residual() >= 0 && (best == nil || p.Residual() < best.Residual()) {
			best = p
		}
	}
	return best
}

// limits finds how far from the rig's own value the star stays round.
func (r *Reach) limits() {
	round := func(p ReachPoint) bool {
		return p.Error == "" && (p.Verdict == ledger.Round || p.Verdict == ledger.Soft)
	}
	started := false
	for _, p := range r.Points {
		if !started && p.Value < r.Now*0.95 {
			continue
		}
		started = true
		if !round(p) {
			if p.Limit != nil {
				r.Stops = string(*p.Limit)
			} else {
				r.Stops = p.Error
			}
			return
		}
		r.RoundTo = p.Value
	}
}
