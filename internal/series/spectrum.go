package series

import (
	"math"
	"sync"

	"holdfast/internal/unit"
)

// Track is one axis of a record in time, in pieces between which the star was
// moved by an unknown amount.
type Track struct {
	Time   []unit.Second
	Offset []unit.Arcsec
	Pieces []int // indices of first samples, the first of all 0; nil is one piece
	Trend  bool  // a steady drift, the same in all pieces, is to be told apart
}

// Spectrum is what sines of many frequencies explain of a track.
type Spectrum struct {
	FromHz, StepHz float64
	Share          []float64     // of the variance within pieces and about the drift that the sine of each frequency takes away, 0 to 1
	Amplitude      []unit.Arcsec // of that sine
}

// Hz returns the frequency of an index.
func (s *Spectrum) Hz(i int) float64 { return s.FromHz + float64(i)*s.StepHz }

// NewSpectrum returns the least-squares spectrum of a track at n frequencies
// from fromHz on, stepHz apart: at each a sine, a mean for each piece and, if
// asked for, one drift are fitted together. Samples may lie anywhere in time.
// Exact but for rounding (1e-9 of the variance); no sample is moved to a grid. It
// takes n times the number of samples, some 5 ns each on one processor, shared
// by workers goroutines (below 1 is 2). Without at least four samples more
// than pieces, or without variance, everything is NaN. It panics if the columns
// differ in length.
//
// Source: Zechmeister and Kuerster 2009, Astron. Astrophys. 496, 577 (floating
// mean), here with a mean for each piece and a drift, which are projected out
// of sine and data alike (Frisch and Waugh 1933, Econometrica 1, 387).
func NewSpectrum(tr Track, fromHz, stepHz float64, n, workers int) *Spectrum {
	if len(tr.Time) != len(tr.Offset) {
		panic("series: NewSpectrum: columns of unequal length")
	}
	s := &Spectrum{FromHz: fromHz, StepHz: stepHz, Share: make([]float64, n), Amplitude: make([]unit.Arcsec, n)}
	c := newComb(tr)
	if workers < 1 {
		workers = 2
	}
	next := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			w := &comber{comb: c}
			for k := range next {
				w.block(s, k, min(k+blockHz, n))
			}
		})
	}
	for k := 0; k < n; k += blockHz {
		next <- k
	}
	close(next)
	wg.Wait()
	return s
}

// comb is a track prepared: offsets and times free of their pieces' means.
type comb struct {
	t, y, u []float64 // time about its middle; offset; drift's column, zero if none
	from    []int     // pieces, with the end
	raw     []float64 // offsets as they came
	yy      float64
	uy      float64 // of the offsets along the drift's column
	slope   float64 // of the drift's column, a second
	enough  bool
}

func newComb(tr Track) *comb {
	n := len(tr.Time)
	c := &comb{t: make([]float64, n), y: make([]float64, n), u: make([]float64, n)}
	c.from = append(c.from, tr.Pieces...)
	if len(c.from) == 0 {
		c.from = []int{0}
	}
	c.from = append(c.from, n)
	c.enough = n >= len(c.from)+3
	if n == 0 {
		return c
	}
	middle := (float64(tr.Time[0]) + float64(tr.Time[n-1])) / 2
	for i := range n {
		c.t[i], c.y[i] = float64(tr.Time[i])-middle, float64(tr.Offset[i])
		if tr.Trend {
			c.u[i] = c.t[i]
		}
	}
	c.raw = append(c.raw, c.y...)
	c.centre(c.y)
	c.centre(c.u)
	uu := dot(c.u, c.u)
	if uu > 0 {
		k := 1 / math.Sqrt(uu)
		for i := range c.u {
			c.u[i] *= k
		}
		c.slope = k
		c.uy = dot(c.u, c.y)
		for i := range c.y {
			c.y[i] -= c.uy * c.u[i]
		}
	}
	c.yy = dot(c.y, c.y)
	return c
}

// centre takes the mean of each piece off a column.
func (c *comb) centre(v []float64) {
	for p := 0; p+1 < len(c.from); p++ {
		piece := v[c.from[p]:c.from[p+1]]
		sum := 0.0
		for _, x := range piece {
			sum += x
		}
		sum /= float64(max(len(piece), 1))
		for i := range piece {
			piece[i] -= sum
		}
	}
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

// blockHz is the number of frequencies that are taken together, each block from
// exact phases on; tile that of samples, few enough to stay close at hand.
const (
	blockHz = 1024
	tile    = 256
)

// sums are what a frequency needs of all samples.
type sums struct{ yc, ys, cc, cs, uc, us, mc, ms, mcs, sc, sn float64 }

// comber is what one goroutine needs.
type comber struct {
	*comb
	c, s   [tile]float64 // cosine and sine at the present frequency
	rc, rs [tile]float64 // by which they turn from one frequency to the next
	sums   [blockHz]sums
}

// block fills the frequencies from lo to hi.
func (w *comber) block(s *Spectrum, lo, hi int) {
	w.sums = [blockHz]sums{}
	all := w.sums[:hi-lo]
	f := s.Hz(lo)
	for p := 0; p+1 < len(w.from); p++ {
		a, b := w.from[p], w.from[p+1]
		for from := a; from < b; from += tile {
			to := min(from+tile, b)
			for i, t := range w.t[from:to] {
				w.s[i], w.c[i] = math.Sincos(2 * math.Pi * turn(f, t))
				w.rs[i], w.rc[i] = math.Sincos(2 * math.Pi * turn(s.StepHz, t))
			}
			for k := range all {
				w.sweep(&all[k], w.y[from:to], w.u[from:to])
			}
		}
		if b > a {
			m := 1 / float64(b-a)
			for k := range all {
				q := &all[k]
				q.mc += q.sc * q.sc * m
				q.ms += q.sn * q.sn * m
				q.mcs += q.sc * q.sn * m
				q.sc, q.sn = 0, 0
			}
		}
	}
	n := float64(len(w.t))
	for k := range all {
		q := &all[k]
		cc := q.cc - q.mc - q.uc*q.uc
		ss := n - q.cc - q.ms - q.us*q.us // cos^2 + sin^2 is 1 at every sample
		cs := q.cs - q.mcs - q.uc*q.us
		det := cc*ss - cs*cs
		if !w.enough || !(w.yy > 0) || !(det > 1e-9*n) {
			s.Share[lo+k], s.Amplitude[lo+k] = math.NaN(), unit.Arcsec(math.NaN())
			continue
		}
		a, b := (q.yc*ss-q.ys*cs)/det, (q.ys*cc-q.yc*cs)/det
		s.Share[lo+k] = (a*q.yc + b*q.ys) / w.yy
		s.Amplitude[lo+k] = unit.Arcsec(math.Hypot(a, b))
	}
}

// sweep adds a tile at the present frequency and turns the phases to the next.
func (w *comber) sweep(q *sums, y, u []float64) {
	n := len(y)
	if n > tile || len(u) != n {
		return
	}
	c, s, rc, rs := w.c[:n], w.s[:n], w.rc[:n], w.rs[:n]
	var yc, ys, cc, cs, uc, us, sc, sn float64
	for i := range y {
		x, z := c[i], s[i]
		yc += y[i] * x
		ys += y[i] * z
		uc += u[i] * x
		us += u[i] * z
		sc += x
		sn += z
		cc += x * x
		cs += x * z
		c[i], s[i] = x*rc[i]-z*rs[i], x*rs[i]+z*rc[i]
	}
	q.yc += yc
	q.ys += ys
	q.uc += uc
	q.us += us
	q.sc += sc
	q.sn += sn
	q.cc += cc
	q.cs += cs
}

// turn returns f t without whole turns, which keeps long phases exact.
func turn(f, t float64) float64 { x := f * t; return x - math.Floor(x) }
