package plan

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"holdfast/internal/rig"
)

// TestOddRigs plans rigs with entries anywhere in their ranges: nothing may
// panic, and a plan is either a star with numbers or an error that says why.
func TestOddRigs(t *testing.T) {
	n := 400
	if testing.Short() {
		n = 40
	}
	r := rand.New(rand.NewPCG(20, 26))
	entries := rig.Entries()
	bases := []*rig.Rig{rig.Default(), example(t, "larkspur.toml"), example(t, "fourteen-pickoff.toml"), example(t, "tracker.toml"), example(t, "altaz.toml"), example(t, "strainwave.toml")}
	target := target(t, "M 27")
	planned := 0
	for i := range n {
		odd := bases[r.IntN(len(bases))]
		var changed []any
		for range 1 + r.IntN(6) {
			e := entries[r.IntN(len(entries))]
			var next *rig.Rig
			var err error
			switch e.Kind {
			case rig.Number:
				lo, hi := e.Min, e.Max
				v := lo + r.Float64()*(hi-lo)
				if lo > 0 {
					v = lo * math.Pow(hi/lo, r.Float64())
				}
				switch r.IntN(4) { // the ends of a range are where formulas break
				case 0:
					v = lo
				case 1:
					v = hi
				}
				if e.Whole {
					v = math.Round(v)
				}
				next, err = odd.WithFloat(e.Path, v)
				changed = append(changed, e.Path, v)
			case rig.Word:
				if len(e.Choices) == 0 {
					continue
				}
				w := e.Choices[r.IntN(len(e.Choices))]
				next, err = odd.With(e.Path, w)
				changed = append(changed, e.Path, w)
			default:
				continue
			}
			if err == nil {
				odd = next
			}
		}
		q := Request{Rig: odd, Target: target, Evening: time.Date(2026, time.Month(1+r.IntN(12)), 1+r.IntN(28), 0, 0, 0, 0, time.UTC), Workers: 2, Samples: 4}
		if r.IntN(3) > 0 {
			q.Target.Name = "" // let it choose
		}
		res, err := Make(context.Background(), q)
		if err != nil {
			if !errors.Is(err, ErrNeverUp) && !errors.Is(err, ErrUnstable) {
				t.Errorf("rig %d, %v: %v", i, changed, err)
			}
			continue
		}
		planned++
		for name, v := range map[string]float64{
			"fwhm": float64(res.Star.FWHM), "ellipticity": res.Star.Ellipticity, "corner": res.StarCorner.Ellipticity,
			"goal": float64(res.GoalFWHM), "best sub": float64(res.BestSub), "p90": float64(res.StarP90.FWHM), "longest": float64(res.LongestRoundSub),
		} {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				t.Errorf("rig %d, %v: %s is %v (%s)", i, changed, name, v, res.Reason)
			}
		}
		for _, row := range res.Ledger {
			if math.IsNaN(float64(row.East)) || math.IsNaN(float64(row.North)) {
				t.Errorf("rig %d, %v: %s is %v, %v", i, changed, row.Term, row.East, row.North)
			}
		}
		if res.Loop != nil && (math.IsNaN(res.Loop.GainRA) || math.IsNaN(res.Loop.GainDec) || res.Loop.Interval <= 0) {
			t.Errorf("rig %d, %v: settings %+v", i, changed, *res.Loop)
		}
		if g := res.GuideStar; g != nil && (math.IsNaN(float64(g.Centroid)) || math.IsNaN(g.SNR)) {
			t.Errorf("rig %d, %v: guide star %+v", i, changed, *g)
		}
	}
	if planned < n/4 {
		t.Errorf("only %d of %d odd rigs were planned", planned, n)
	}
}
