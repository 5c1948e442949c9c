package solve

import (
	"cmp"
	"math"
	"slices"
)

// A view is a frame as a camera of some scale and parity would have taken it:
// its spots as directions. Only the shapes of quads count in the search, and
// these hardly depend on the scale unless the frame is wide.
type view struct {
	spots   []spot
	mirror  float64 // -1 if x has to be turned over to see the sky as from outside
	scale   float64 // radians to a pixel at the centre
	lo, hi  float64 // scales that this view stands for
	effort  effort
	shapes  []sought
	nearest [][]uint16 // of each spot the others, from near to far
}

// effort says how many quads of a frame are looked up.
type effort struct {
	spots int     // that may stand in the middle, from the brightest
	arms  int     // neighbours of each
	dim   float64 // magnitudes by which a neighbour may be fainter
	layer int     // neighbours in a layer that is made for this search
	more  bool    // the deepest layers of the whole sky are made of more neighbours
	slack float64 // how far shapes may be off for other reasons than the spots' errors
}

// sought is a quad of the frame and how well its shape is known.
type sought struct {
	shape shape
	tol   float64
	quad  [4]uint16 // middle, shortest, middle and longest arm
}

// vec returns the direction of a pixel at a scale.
func (w *view) vec(s spot, scale float64) vec {
	return vec{w.mirror * s.x * scale, s.y * scale, 1}.normal()
}

// sigmaPx is the error of a spot's place along one axis that the search
// reckons with.
const sigmaPx = 0.5

// prepare makes the view's quads when it is first called.
func (w *view) prepare() {
	if w.shapes != nil {
		return
	}
	spots, e := w.spots, w.effort
	w.shapes = []sought{}
	vecs := make([]vec, len(spots))
	for i, s := range spots {
		vecs[i] = w.vec(s, w.scale)
	}
	var arms [maxArms]arm
	var ids [maxArms]uint16
	var length [maxArms]float64
	for i := range min(e.spots, len(spots)) {
		v := vecs[i]
		east, north := basis(v)
		n := 0
		for _, j := range w.nearest[i] {
			if spots[j].mag > spots[i].mag+e.dim {
				continue
			}
			arms[n] = onPlane(vecs[j], v, east, north)
			length[n] = math.Hypot(arms[n].x, arms[n].y)
			ids[n] = j
			if n++; n == e.arms {
				break
			}
		}
		for _, t := range triples[:choices(n)] {
			a, b, c := t[0], t[1], t[2]
			tol := e.slack + 3*sigmaPx*1.3*w.scale/length[c]
			if tol > 0.04 {
				if tol > 0.08 {
					continue
				}
				tol = 0.04
			}
			add := func(a, b, c uint8) {
				w.shapes = append(w.shapes, sought{shapeOf(arms[a], arms[b], arms[c]), tol, [4]uint16{uint16(i), ids[a], ids[b], ids[c]}})
			}
			add(a, b, c)
			// Where two arms are of nearly one length either may be the longer.
			near := tol * length[c]
			ab, bc := length[b]-length[a] < near, length[c]-length[b] < near
			if ab {
				add(b, a, c)
			}
			if bc {
				add(a, c, b)
			}
			if ab && bc {
				add(b, c, a)
				add(c, a, b)
				add(c, b, a)
			}
		}
	}
}

// nearestOf returns for each spot the others from near to far.
func nearestOf(spots []spot) [][]uint16 {
	out := make([][]uint16, len(spots))
	dist := make([]float64, len(spots))
	for i, s := range spots {
		order := make([]uint16, 0, len(spots)-1)
		for j, o := range spots {
			dist[j] = math.Hypot(o.x-s.x, o.y-s.y)
			if j != i {
				order = append(order, uint16(j))
			}
		}
		slices.SortFunc(order, func(a, b uint16) int { return cmp.Compare(dist[a], dist[b]) })
		out[i] = order
	}
	return out
}
