package solve

import (
	"math"
)

// A pose is where a camera without distortion points: the directions on the
// sky of the frame's x axis (turned over in a mirrored view), its y axis and
// its line of sight, and its scale.
type pose struct {
	x, y, z vec
	scale   float64 // radians to a pixel at the centre
	mirror  float64
	quad    [4]uint16 // the spots it rests on
	reach   float64   // pixels from the first of them to the last
}

// sky returns the direction on the sky of a place in the frame.
func (p *pose) sky(s spot) vec {
	a, b := p.mirror*s.x*p.scale, s.y*p.scale
	return vec{
		a*p.x[0] + b*p.y[0] + p.z[0],
		a*p.x[1] + b*p.y[1] + p.z[1],
		a*p.x[2] + b*p.y[2] + p.z[2],
	}.normal()
}

// poseOf returns the pose under which the frame's quad is the catalogue's quad
// ref of layer l, and whether there is one: the four stars must agree and the
// scale must be one that the view stands for.
func (w *view) poseOf(l *layer, q *sought, ref uint32, room *[]near) (pose, bool) {
	index := ref >> tripleBits
	*room = l.neighbours(*room, index)
	v := l.chart.marks[index].vec()
	east, north := basis(v)
	var to, from [3]arm
	for i, k := range triples[ref&(1<<tripleBits-1)] {
		if int(k) >= len(*room) {
			return pose{}, false // the farthest was on the very edge of where they are looked for
		}
		to[i] = onPlane(l.chart.marks[(*room)[k].index].vec(), v, east, north)
	}
	scale := w.scale
	var e, n, u vec
	var re, im float64
	for pass := range 2 {
		u = w.vec(w.spots[q.quad[0]], scale)
		e, n = basis(u)
		for i := range from {
			from[i] = onPlane(w.vec(w.spots[q.quad[i+1]], scale), u, e, n)
		}
		var worst float64
		re, im, worst = similarity(from[:], to[:])
		scale *= math.Hypot(re, im)
		if !(scale > w.lo && scale < w.hi) {
			return pose{}, false
		}
		if pass == 1 && worst > 1.2*q.tol*math.Hypot(to[2].x, to[2].y) {
			return pose{}, false
		}
	}
	f := 1 / math.Hypot(re, im)
	re, im = re*f, im*f
	// The turn that takes u to v, e to e' and n to n'.
	var ex, ny vec
	for i := range ex {
		ex[i] = re*east[i] + im*north[i]
		ny[i] = re*north[i] - im*east[i]
	}
	axis := func(k int) (a vec) {
		for i := range a {
			a[i] = ex[i]*e[k] + ny[i]*n[k] + v[i]*u[k]
		}
		return a
	}
	s, c := w.spots[q.quad[0]], w.spots[q.quad[3]]
	return pose{
		x: axis(0), y: axis(1), z: axis(2), scale: scale, mirror: w.mirror,
		quad: q.quad, reach: math.Hypot(c.x-s.x, c.y-s.y),
	}, true
}

// promising reports whether the spots about the quad's first one stand where
// the chart has stars often enough to be worth a closer look. It adds up the
// logarithm of the odds, spot after spot, that the pose predicts them, and
// stops when they are clear one way or the other.
func (p *pose) promising(w *view, l *layer, room *[]near) bool {
	const (
		share  = 0.5 // of the spots that the catalogue is thought to have
		enough = 9.2 // logarithm of 10,000
		lost   = -3.6
		looks  = 16
	)
	first := w.spots[p.quad[0]]
	miss := math.Log(1 - share)
	sum, seen := 0.0, 0
	for _, j := range w.nearest[p.quad[0]] {
		if j == p.quad[1] || j == p.quad[2] || j == p.quad[3] || w.spots[j].mag > first.mag+0.7 && int(j) > 12 {
			continue
		}
		s := w.spots[j]
		d := math.Hypot(s.x-first.x, s.y-first.y)
		tolPx := 1.5*(1+d/p.reach) + 0.004*d
		angle := tolPx * p.scale
		chance := math.Pi * angle * angle * l.perSr
		if chance > 0.1 {
			break // so far away it says nothing
		}
		*room = l.chart.around((*room)[:0], p.sky(s), angle, math.MaxFloat32)
		if len(*room) > 0 {
			sum += math.Log(share/chance + 1 - share)
		} else {
			sum += miss
		}
		if sum > enough {
			return true
		}
		if seen++; sum < lost || seen == looks {
			break
		}
	}
	return sum > 0.8*enough
}
