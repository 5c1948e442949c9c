package series

import (
	"math"
	"slices"
)

// played puts into dst where an axis with play stands that a motor moves to the
// places x: it follows only while the motor pushes a flank. start is where the
// axis stands in its play, from -1 at one flank to 1 at the other.
func played(dst, x []float64, width, start float64) {
	if len(x) == 0 {
		return
	}
	half := width / 2
	y := x[0] + start*half
	for i, v := range x {
		y = min(max(y, v-half), v+half)
		dst[i] = y
	}
}

// play is what a record says of the play of one axis.
type play struct {
	width, sigma float64 // arcsec; sigma is NaN where the record gives only a least width
	odds         float64 // how much less of the variance is left than without, as a likelihood's logarithm
	reversals    int     // of the corrections
	answered     []float64
}

// starts are the places in its play where an axis may begin a piece.
var starts = func() (out []float64) {
	for i := -8; i <= 8; i++ {
		out = append(out, float64(i)/8)
	}
	return out
}()

// straight is how straight an axis runs once the answer to its corrections is
// taken out, for a play of a given width.
type straight struct {
	width, sumSq, rate float64
	answered, left     []float64
}

// straighten takes the answer of an axis with play out of it. The axis may begin
// each piece anywhere in its play; the place is taken that leaves it the
// straightest about a drift that is the same for all pieces.
func (f *free) straighten(axis int, width, rate float64, only bool) straight {
	n := len(f.t)
	out := straight{width: width, rate: rate, answered: make([]float64, n), left: make([]float64, n)}
	try := make([]float64, n)
	passes := 4
	if only {
		passes = 1
	}
	for range passes {
		out.sumSq = 0
		var tt, tx float64
		for a := 0; a < n; {
			b := a + 1
			for b < n && !f.reset[b] {
				b++
			}
			m := float64(b - a)
			best := math.Inf(1)
			for _, s := range starts {
				if width == 0 && s != 0 {
					continue
				}
				played(try[a:b], f.sum[axis][a:b], width, s)
				mean, square := 0.0, 0.0
				for i := a; i < b; i++ {
					v := f.e[axis][i] - try[i] - out.rate*(f.t[i]-f.t[a])
					mean += v
					square += v * v
				}
				if v := square - mean*mean/m; v < best {
					best = v
					copy(out.answered[a:b], try[a:b])
				}
			}
			var mt, mx float64
			for i := a; i < b; i++ {
				mt += f.t[i] / m
				mx += (f.e[axis][i] - out.answered[i]) / m
			}
			for i := a; i < b; i++ {
				dt, dx := f.t[i]-mt, f.e[axis][i]-out.answered[i]-mx
				tt += dt * dt
				tx += dt * dx
				out.left[i] = dx - out.rate*dt
			}
			out.sumSq += max(best, 0)
			a = b
		}
		if only || tt == 0 {
			break
		}
		next := tx / tt
		if math.Abs(next-out.rate)*(f.t[n-1]-f.t[0]) < 1e-3*math.Sqrt(out.sumSq/float64(n)) {
			break
		}
		out.rate = next
	}
	return out
}

// leastOdds is the logarithm of the likelihood by which play must be better than
// none.
const leastOdds = 8

// findPlay looks for the play with which the axis, the answer to its corrections
// taken out, runs the straightest: what is left of it then is drift and noise,
// while corrections that were sent into the play, taken for the axis's motion,
// would make it wander as far as the play is wide.
func (f *free) findPlay(axis int) play {
	out := play{sigma: math.NaN()}
	last, widest := 0.0, 0.0
	var lo, hi float64
	for i := range f.t {
		v := f.sum[axis][i]
		if f.reset[i] {
			lo, hi = v, v
		}
		lo, hi = min(lo, v), max(hi, v)
		widest = max(widest, hi-lo)
		if c := f.c[axis][i]; c != 0 {
			if last*c < 0 {
				out.reversals++
			}
			last = c
		}
	}
	none := f.straighten(axis, 0, 0, false)
	out.answered = none.answered
	if widest == 0 || out.reversals < 2 {
		return out
	}
	best := none
	at := func(width float64) straight {
		k := f.straighten(axis, width, best.rate, false)
		if o := f.straighten(axis, width, 0, false); o.sumSq < k.sumSq {
			k = o
		}
		return k
	}
	// A play so wide that no correction crosses it leaves the axis as straight as
	// the loop held it, which says nothing; the true one is a valley before that.
	var tried []straight
	for w := widest / 80; w < widest; w *= 1.05 {
		tried = append(tried, at(w))
	}
	n := float64(len(f.t))
	valley := -1
	for i := range tried {
		if i == 0 || i+1 == len(tried) || tried[i].sumSq > tried[i-1].sumSq || tried[i].sumSq > tried[i+1].sumSq {
			continue
		}
		ridge := 0.0
		for _, k := range tried[i:] {
			ridge = max(ridge, k.sumSq)
		}
		slow := slowness(tried[i].left)
		if n/slow/2*math.Log(min(ridge, none.sumSq)/tried[i].sumSq) > leastOdds && (valley < 0 || tried[i].sumSq < tried[valley].sumSq) {
			valley = i
		}
	}
	if valley < 0 {
		return out
	}
	best = tried[valley]
	for _, step := range []float64{0.04, 0.02, 0.01, 0.004} {
		for _, d := range []float64{-1, 1} {
			for range 4 {
				k := f.straighten(axis, best.width*(1+d*step), best.rate, false)
				if k.sumSq >= best.sumSq {
					break
				}
				best = k
			}
		}
	}
	slow := slowness(best.left)
	out.width, out.answered = best.width, best.answered
	out.odds = n / slow / 2 * math.Log(none.sumSq/best.sumSq)
	// One sigma is where the sum has grown by the variance of one independent
	// sample.
	grown := best.sumSq * (1 + slow/n)
	var ends []float64
	for _, d := range []float64{-1, 1} {
		lo, hi := 0.0, 0.0
		for step := 0.002; step < 1; step *= 1.4 {
			hi = step
			if f.straighten(axis, best.width*(1+d*step), best.rate, false).sumSq > grown {
				break
			}
			lo = step
		}
		for range 6 {
			mid := (lo + hi) / 2
			if f.straighten(axis, best.width*(1+d*mid), best.rate, false).sumSq > grown {
				hi = mid
			} else {
				lo = mid
			}
		}
		ends = append(ends, hi*best.width)
	}
	out.sigma = slices.Max(ends)
	return out
}
