package series

import (
	"math"

	"holdfast/internal/unit"
)

// free is a record as it would have been without corrections, on the samples in
// which the star was found.
type free struct {
	at    []int        // their numbers in the record
	t     []float64    // seconds
	e     [2][]float64 // measured, arcsec
	c     [2][]float64 // correction after each, as it stands in the record; 0 for none
	sum   [2][]float64 // all corrections that acted before each
	x     [2][]float64 // un-guided, arcsec
	reset []bool       // nothing before tells of this one
	cycle float64
	piece []int // of each sample, once asked for
}

// newFree takes the samples of a record. lag is 0 where a correction acts before
// the next row, 1 where before its own, -1 where one row later.
func newFree(r *Record, lag int) *free {
	f := &free{cycle: float64(r.Cycle())}
	n := len(r.Samples)
	move := func(i, axis int) float64 {
		if i < 0 || i >= n || r.Moves == NoMoves {
			return 0
		}
		v := float64(r.Samples[i].MoveRA)
		if axis == 1 {
			v = float64(r.Samples[i].MoveDec)
		}
		if math.IsNaN(v) {
			return 0
		}
		return v
	}
	var sum [2]float64
	next, fresh := 0, true
	for i, s := range r.Samples {
		if next < len(r.Stretches) && r.Stretches[next] == i {
			fresh = true
			next++
		}
		for axis := range 2 {
			sum[axis] += move(i-1+lag, axis)
		}
		if !s.Found() {
			continue
		}
		f.at = append(f.at, i)
		f.t = append(f.t, float64(s.Time))
		for axis, v := range []unit.Arcsec{s.RA, s.Dec} {
			f.e[axis] = append(f.e[axis], float64(v))
			f.c[axis] = append(f.c[axis], move(i, axis))
			f.sum[axis] = append(f.sum[axis], sum[axis])
		}
		f.reset = append(f.reset, fresh)
		fresh = false
	}
	f.x[0], f.x[1] = f.e[0], f.e[1]
	return f
}

// cycles returns the times in cycles.
func (f *free) cycles() []float64 {
	out := make([]float64, len(f.t))
	for i, t := range f.t {
		out[i] = t / f.cycle
	}
	return out
}

// leap is how many standard deviations a sample must lie outside of what its
// neighbour allows to be taken for a jump.
const leap = 4.5

// mark finds jumps: samples that no answer to the correction before them, from
// none to the whole of what was asked for, explains. k turns corrections into
// arcsec. It returns their numbers and marks them; a sample that jumps and
// jumps back is marked lone.
func (f *free) mark(k [2][2]float64) (jumps []int, lone []bool) {
	n := len(f.t)
	out := [2][]float64{make([]float64, n), make([]float64, n)}
	for axis := range 2 {
		whole := make([]float64, 0, n)
		for i := 1; i < n; i++ {
			if f.reset[i] {
				continue
			}
			d := f.e[axis][i] - f.e[axis][i-1]
			push := k[axis][0]*(f.sum[0][i]-f.sum[0][i-1]) + k[axis][1]*(f.sum[1][i]-f.sum[1][i-1])
			lo, hi := min(0, push), max(0, push)
			out[axis][i] = max(d-hi, lo-d, 0)
			whole = append(whole, d-push)
		}
		limit := leap * spread(whole)
		for i := range out[axis] {
			if !(out[axis][i] > limit) || limit == 0 {
				out[axis][i] = 0
			}
		}
	}
	marks := append([]bool(nil), f.reset...)
	for i := range n {
		if !f.reset[i] && (out[0][i] > 0 || out[1][i] > 0) {
			marks[i] = true
			jumps = append(jumps, i)
		}
	}
	if len(jumps) > n/10 {
		return nil, make([]bool, n) // that is no jump but the way of this record
	}
	lone = make([]bool, n)
	for i := range n {
		lone[i] = marks[i] && (i+1 == n || marks[i+1])
	}
	f.reset = marks
	return jumps, lone
}

// given returns a copy of the numbers that are.
func given(v []float64) []float64 {
	var out []float64
	for _, x := range v {
		if !math.IsNaN(x) {
			out = append(out, x)
		}
	}
	return out
}

// moved reports whether a number is not zero.
func moved(v []float64) bool {
	for _, x := range v {
		if x != 0 {
			return true
		}
	}
	return false
}
