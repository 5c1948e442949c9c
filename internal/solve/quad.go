package solve

import (
	"math"
)

// A quad is a star and three neighbours, its arms. Divided by the longest arm
// as a complex number, the other two no longer know where the star is, how
// long an arm is and how the quad is turned; in a mirrored frame they become
// their conjugates. The star in the middle is told from its neighbours by
// being the faintest of the four, so that every star of the catalogue gives
// quads as large as the stars brighter than itself are far apart: a bright
// star large ones, a faint star small ones, each with its neighbours in the
// same list of stars.
//
// Sources: the invariance of side ratios under a similarity, Groth 1986, AJ
// 91, 1244, "A pattern-matching algorithm for two-dimensional coordinate
// lists"; Valdes et al. 1995, PASP 107, 1119, "FOCAS automatic catalog
// matching algorithms". The star-centred code, the rule of the brighter
// neighbours and the table are our own.

// maxArms is the largest number of neighbours of which quads are made.
const maxArms = 10

// triples lists the choices of three out of maxArms in such an order that the
// choices out of the first k come first, C(k, 3) of them.
var triples = func() [][3]uint8 {
	var t [][3]uint8
	for k := uint8(2); k < maxArms; k++ {
		for j := uint8(1); j < k; j++ {
			for i := uint8(0); i < j; i++ {
				t = append(t, [3]uint8{i, j, k})
			}
		}
	}
	return t
}()

// choices returns the number of ways to choose three of k.
func choices(k int) int { return k * (k - 1) * (k - 2) / 6 }

// arm is the place of a neighbour as seen from the star in the middle, on a
// plane.
type arm struct{ x, y float64 }

// shape is the code of a quad: the middle and the shortest arm divided by the
// longest, as complex numbers within the unit circle.
type shape struct{ re1, im1, re2, im2 float64 }

// shapeOf returns the shape of three arms, c the longest.
func shapeOf(a, b, c arm) shape {
	n := 1 / (c.x*c.x + c.y*c.y)
	cx, cy := c.x*n, c.y*n
	return shape{
		b.x*cx + b.y*cy, b.y*cx - b.x*cy,
		a.x*cx + a.y*cy, a.y*cx - a.x*cy,
	}
}

// A table finds the quads of nearly the same shape. Each of the four numbers
// of a shape is cut to levels; the upper bits of three of them choose a box,
// the rest are kept with the quad.
type table struct {
	start []uint32 // the first quad of each box
	code  []uint32 // what the box does not say of the shape
	ref   []uint32 // star and triple
}

const (
	levels = 2048            // of each number between -1 and 1
	step   = 2.0 / levels    // width of a level
	fine   = 5               // bits of the first number that the box does not say
	fine2  = 6               // the same of the third
	wide   = levels >> fine  // boxes along the first and second number
	wide2  = levels >> fine2 // boxes along the third
	boxes  = wide * wide * wide2

	tripleBits = 7 // a ref is a star's index and, in these bits, a triple
)

// quads are the quads of part of the sky on their way into a table. The code
// holds the third number in full, so pane is the rest of the box.
type quads struct {
	pane      []uint16
	code, ref []uint32
}

// grow makes room for n quads.
func (q *quads) grow(n int) {
	q.pane, q.code, q.ref = make([]uint16, 0, n), make([]uint32, 0, n), make([]uint32, 0, n)
}

// box returns the box of a quad.
func box(pane uint16, code uint32) uint32 {
	return uint32(pane)*wide2 + code>>(11+fine2)&(wide2-1)
}

// level returns the level of a number between -1 and 1.
func level(v float64) uint32 { return uint32(min(max((v+1)*(levels/2), 0), levels-1)) }

// add appends a quad.
func (q *quads) add(s shape, ref uint32) {
	a, b, c, d := level(s.re1), level(s.im1), level(s.re2), level(s.im2)
	q.pane = append(q.pane, uint16(a>>fine*wide+b>>fine))
	q.code = append(q.code, a&(1<<fine-1)<<27|b&(1<<fine-1)<<22|c<<11|d)
	q.ref = append(q.ref, ref)
}

// newTable sorts the quads into a table.
func newTable(parts ...*quads) *table {
	n := 0
	for _, q := range parts {
		n += len(q.code)
	}
	t := &table{start: make([]uint32, boxes+1), code: make([]uint32, n), ref: make([]uint32, n)}
	// Each of a few workers sees to a range of the boxes.
	each := func(do func(lo, hi uint32)) {
		if n < 1<<18 {
			do(0, boxes)
			return
		}
		share(boxes, func(lo, hi int) { do(uint32(lo), uint32(hi)) })
	}
	each(func(lo, hi uint32) {
		for _, q := range parts {
			for i, c := range q.code {
				if b := box(q.pane[i], c); b >= lo && b < hi {
					t.start[b+1]++
				}
			}
		}
	})
	for b := range boxes {
		t.start[b+1] += t.start[b]
	}
	// Fill each box from its end; start then points at the first again.
	each(func(lo, hi uint32) {
		for _, q := range parts {
			for i, c := range q.code {
				if b := box(q.pane[i], c); b >= lo && b < hi {
					t.start[b+1]--
					k := t.start[b+1]
					t.code[k], t.ref[k] = c, q.ref[i]
				}
			}
		}
	})
	copy(t.start, t.start[1:])
	t.start[boxes] = uint32(n)
	return t
}

// find appends the refs of the quads of which no number differs from that of
// s by more than tol, give or take a level.
func (t *table) find(dst []uint32, s shape, tol float64) []uint32 {
	a0, a1 := level(s.re1-tol), level(s.re1+tol)
	b0, b1 := level(s.im1-tol), level(s.im1+tol)
	c0, c1 := level(s.re2-tol), level(s.re2+tol)
	d0, d1 := level(s.im2-tol), level(s.im2+tol)
	for a := a0 >> fine; a <= a1>>fine; a++ {
		for b := b0 >> fine; b <= b1>>fine; b++ {
			row := (a*wide + b) * wide2
			i, end := t.start[row+c0>>fine2], t.start[row+c1>>fine2+1]
			for ; i < end; i++ {
				k := t.code[i]
				if c := k >> 11 & (levels - 1); c < c0 || c > c1 {
					continue
				}
				if d := k & (levels - 1); d < d0 || d > d1 {
					continue
				}
				if v := a<<fine | k>>27; v < a0 || v > a1 {
					continue
				}
				if v := b<<fine | k>>22&(1<<fine-1); v < b0 || v > b1 {
					continue
				}
				dst = append(dst, t.ref[i])
			}
		}
	}
	return dst
}

// similarity returns the complex factor (re, im) that turns the arms from
// into the arms to best, and the largest distance left. With to = f from:
// f = sum conj(from) to / sum |from|^2.
func similarity(from, to []arm) (re, im, worst float64) {
	var n float64
	for i, p := range from {
		q := to[i]
		re += p.x*q.x + p.y*q.y
		im += p.x*q.y - p.y*q.x
		n += p.x*p.x + p.y*p.y
	}
	re, im = re/n, im/n
	for i, p := range from {
		q := to[i]
		worst = max(worst, math.Hypot(q.x-re*p.x+im*p.y, q.y-re*p.y-im*p.x))
	}
	return re, im, worst
}
