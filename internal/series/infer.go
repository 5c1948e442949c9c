package series

import (
	"math"
	"slices"
)

// leastFit is how many standard errors an answer to corrections must stand above
// nothing before a record is un-guided by it.
const leastFit = 8

// infer finds out what corrections of unknown unit, sign, axis and row mean, and
// turns them into arcseconds. It reports whether they fit.
//
// Each axis of the star is explained by its own past and the sums of both
// columns; the row from which a correction shows is the one that explains best.
// Then the drive's periods are found in what that leaves, and the answer anew
// beside them.
func (s *study) infer() bool {
	type guess struct {
		lag   int
		f     *free
		m     [2]told
		sumSq float64
	}
	best := guess{sumSq: math.Inf(1)}
	for _, lag := range []int{0, 1, -1} {
		g := guess{lag: lag, f: newFree(s.rec, lag)}
		if !moved(g.f.c[0]) && !moved(g.f.c[1]) {
			s.out.Answer = &Answer{Why: "every correction is zero"}
			return false
		}
		t := g.f.cycles()
		// A rough answer from differences is enough to tell jumps from answers.
		g.m = g.f.tell(t, nil, []predictor{{1, 0}})
		if g.m[0].k == nil || g.m[1].k == nil {
			continue
		}
		g.f.mark(matrix(&g.m))
		g.m = g.f.tell(t, nil, predictors)
		if g.m[0].k == nil || g.m[1].k == nil {
			continue
		}
		// In units of what is left without corrections, so that both axes count.
		for axis := range 2 {
			plain := tell(t, g.f.e[axis], nil, g.f.reset, predictors)
			g.sumSq += g.m[axis].sumSq / plain.sumSq
		}
		if g.sumSq < best.sumSq {
			best = g
		}
	}
	a := &Answer{}
	s.out.Answer = a
	if best.f == nil {
		a.Why = "too few exposures to tell what the corrections mean"
		return false
	}
	f, m := best.f, best.m
	t := f.cycles()
	var lines [][]float64
	for range 2 {
		s.f = f
		for axis := range 2 {
			f.x[axis] = slices.Clone(f.e[axis])
			for i := range f.x[axis] {
				f.x[axis][i] -= zero(m[axis].k[0])*f.sum[0][i] + zero(m[axis].k[1])*f.sum[1][i]
			}
		}
		s.periods()
		lines = s.pushes()
		if next := f.tell(t, lines, predictors); next[0].k != nil && next[1].k != nil {
			m = next
		}
	}
	var wide [2][2]float64
	for axis := range 2 {
		for j := range 2 {
			wide[axis][j] = m[axis].ridge(t, f.e[axis], append([][]float64{f.sum[0], f.sum[1]}, lines...), f.reset, j)
		}
	}
	k := matrix(&m)
	a.RARA, a.RADec, a.DecRA, a.DecDec = m[0].k[0], m[0].k[1], m[1].k[0], m[1].k[1]
	a.RARASigma, a.RADecSigma, a.DecRASigma, a.DecDecSigma = wide[0][0], wide[0][1], wide[1][0], wide[1][1]
	a.Lag = 1 - best.lag
	// Each column that was ever used must move the star.
	for j := range 2 {
		if !moved(f.c[j]) {
			continue
		}
		fit := math.Hypot(zero(m[0].k[j]/wide[0][j]), zero(m[1].k[j]/wide[1][j]))
		if !(fit > leastFit) {
			a.Why = "the star's motion does not fit the corrections of " + s.out.AxisName(j) + " well enough to take them out again"
			s.out.Periods, s.out.Folded = nil, nil
			return false
		}
	}
	a.Used = true
	a.Why = "found by how the star moved after each"
	// From here on corrections are what they do.
	turned := func(c [2][]float64) [2][]float64 {
		out := [2][]float64{make([]float64, len(t)), make([]float64, len(t))}
		for axis := range 2 {
			for i := range t {
				out[axis][i] = k[axis][0]*c[0][i] + k[axis][1]*c[1][i]
			}
		}
		return out
	}
	f.c, f.sum = turned(f.c), turned(f.sum)
	for i := range f.reset {
		f.reset[i] = i == 0 || slices.Contains(s.rec.Stretches, f.at[i])
	}
	s.out.Periods, s.out.Folded = nil, nil
	return true
}

// tell explains both axes by both columns and known lines.
func (f *free) tell(t []float64, lines [][]float64, among []predictor) (m [2]told) {
	for axis := range 2 {
		m[axis] = tell(t, f.e[axis], append([][]float64{f.sum[0], f.sum[1]}, lines...), f.reset, among)
	}
	return m
}

// matrix returns the answers of both axes to both columns, 0 for none.
func matrix(m *[2]told) (k [2][2]float64) {
	for axis := range 2 {
		for j := range 2 {
			k[axis][j] = zero(m[axis].k[j])
		}
	}
	return k
}

// zero returns v, or 0 for what is not known.
func zero(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}
