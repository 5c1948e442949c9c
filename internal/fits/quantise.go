package fits

import (
	"math"
	"sync"
)

// ditherCount is the length of the sequence of random numbers that dithering
// uses (FITS 4.0, appendix I).
const ditherCount = 10000

// ditherNumbers returns the sequence: Park & Miller's generator (1988, CACM
// 31, 1192) started at 1, as the standard prescribes, in float32.
var ditherNumbers = sync.OnceValue(func() []float32 {
	out := make([]float32, ditherCount)
	seed := int64(1)
	for i := range out {
		seed = seed * 16807 % math.MaxInt32
		out[i] = float32(float64(seed) / math.MaxInt32)
	}
	return out
})

// ditherZero is the integer that stands for exactly 0.0 under the second kind
// of dither.
const ditherZero = math.MinInt32 + 2

// quantisedBlank is the highest integer that stands for no value if the file
// does not name one. Some programs leave the card ZBLANK out (astropy 5.2
// does, and stores the lowest integer, where the usual one is the next), but
// none uses these numbers for another purpose: quantised values stay clear of
// them (Pence et al. 2010, section 4).
const quantisedBlank = math.MinInt32 + 1

// A quantiser turns the integers of one tile back into floats, in order.
type quantiser struct {
	scale, zero float64
	blank       int64
	named       bool // the file names blank
	dither      int
	seed, next  int // place in the sequence
}

// quantiser returns that of tile n, whose row of the table is given.
func (t *tiling) quantiser(row []byte, n int64) *quantiser {
	q := &quantiser{
		scale:  t.scale.float(row, t.scaleAll),
		zero:   t.zero.float(row, t.zeroAll),
		blank:  quantisedBlank,
		dither: t.dither,
	}
	if t.blankSet {
		q.blank, q.named = t.blankAll, true
	}
	if t.blank.letter != 0 {
		q.blank, q.named = int64(t.blank.float(row, 0)), true
	}
	if q.dither > 0 {
		q.seed = int((n + t.seed - 1) % ditherCount)
		q.next = int(ditherNumbers()[q.seed] * 500)
	}
	return q
}

// floats continues with as many pixels as dst and src hold.
func (q *quantiser) floats(dst []float64, src []int32) {
	random := ditherNumbers()
	for i, v := range src {
		x := float64(v)
		if q.dither > 0 {
			x = x - float64(random[q.next]) + 0.5
			q.next++
			if q.next == ditherCount {
				q.seed = (q.seed + 1) % ditherCount
				q.next = int(random[q.seed] * 500)
			}
		}
		dst[i] = x*q.scale + q.zero
		if q.dither == 2 && v == ditherZero {
			dst[i] = 0
		}
		if int64(v) == q.blank || !q.named && v < quantisedBlank {
			dst[i] = math.NaN()
		}
	}
}
