package plan

import (
	"math"
	"sync"
	"sync/atomic"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// scene is a rig under one sky at one instant, with the star it holds on to
// and the settings it holds with. A scene is never changed after it is made;
// with, at and rehold return others.
type scene struct {
	rig   *rig.Rig
	place *place
	field *field // guide stars around the target; nil without a guide camera
	hold  *hold  // nil when nothing is corrected
}

// with returns the scene with another rig under the same sky and settings.
func (s *scene) with(r *rig.Rig) *scene {
	next := *s
	next.rig = r
	return &next
}

// at returns the scene at another instant.
func (s *scene) at(p *place) *scene {
	next := *s
	next.place = p
	return &next
}

// luck is what a rig file cannot say and a night decides: the direction of the
// polar error and the sense in which parts move.
type luck struct {
	polar    float64 // hour angle toward which the axis is displaced, radians; NaN for the rms over all
	flexure  float64 // +1 or -1
	mirror   float64 // +1 or -1
	drift    float64 // +1 or -1
	together bool    // add all moves as vectors
}

// steady is the luck of the mean: rms directions, causes independent.
var steady = luck{polar: math.NaN(), flexure: 1, mirror: 1, drift: 1}

// outcome is the star a scene makes, and why.
type outcome struct {
	centre, corner ledger.Ledger
	pair           ledger.Pair
	unavoidable    unit.Arcsec // FWHM of the star without what could be mended
	goal           ledger.Goal
	rmsRA, rmsDec  unit.Arcsec // tracking error left on the sky, air apart
}

// verdict judges the outcome.
func (o outcome) verdict() ledger.Verdict { return ledger.Judge(o.pair, o.unavoidable, o.goal) }

// short returns the outcome's shortfall from its goal.
func (o outcome) short() ledger.Shortfall { return ledger.Short(o.pair, o.unavoidable, o.goal) }

// evaluate returns the star of one sub of the given length.
func (s *scene) evaluate(sub unit.Second, l luck) outcome {
	centre, corner, rmsRA, rmsDec := s.rows(sub, l)
	o := outcome{centre: centre, corner: corner, goal: goal(s.rig), rmsRA: rmsRA, rmsDec: rmsDec}
	if l.together {
		o.pair = ledger.Pair{Centre: centre.Together(), Corner: corner.Together()}
	} else {
		o.pair = ledger.Pair{Centre: centre.Star(), Corner: corner.Star()}
	}
	o.unavoidable = centre.Unavoidable().Star().FWHM()
	return o
}

// goal returns the rig's goal.
func goal(r *rig.Rig) ledger.Goal {
	return ledger.Goal{Ellipticity: r.Goal.Ellipticity.V, EllipticityCorner: r.Goal.EllipticityCorner.V, FWHMRatio: r.Goal.FWHMRatio.V}
}

// each calls f for 0..n-1 on the given number of goroutines and returns when
// all calls have.
func each(workers, n int, f func(int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(max(workers, 1), n) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				f(i)
			}
		})
	}
	wg.Wait()
}
