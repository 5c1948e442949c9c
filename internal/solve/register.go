package solve

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/unit"
)

// Field is the stars of one frame.
type Field struct {
	Spots         []Spot // in any order if every Flux is known, else from bright to faint
	Width, Height int    // pixels
}

// Registration is how one frame lies on another, or why that can not be said.
// Where Found is false only Why and Odds mean anything.
type Registration struct {
	Found bool
	Why   string // why not, for a person; "" if found
	// A pixel x, y of the second frame lies on the pixel
	// X + XX x + XY y, Y + YX x + YY y of the first.
	X, Y           unit.Px
	XX, XY, YX, YY float64
	Scale          float64  // pixels of the first frame to one of the second
	Turn           unit.Deg // of the second frame's x axis, from the first one's x towards its y, -180 to 180
	Mirrored       bool     // one of the frames shows the other as in a mirror
	Matched        int      // stars
	RMS            unit.Px  // of their distances along one axis, in the first frame
	Odds           float64  // against chance, at most 1e300
}

// At returns the place in the first frame of a pixel of the second.
func (r *Registration) At(x, y unit.Px) (unit.Px, unit.Px) {
	u, v := float64(x), float64(y)
	return r.X + unit.Px(r.XX*u+r.XY*v), r.Y + unit.Px(r.YX*u+r.YY*v)
}

// Register returns how frame b lies on frame a, two frames of one part of the
// sky, however narrow. It tries shifts first, upright and turned by half a
// circle as after a meridian flip, with which three stars in common can
// suffice; then any rotation, scale and parity, which takes about seven. The
// result is a linear map, a similarity unless the stars show it is more than
// that; distortion between the frames is not fitted.
//
// Dead pixels stand still while stars move: where both "nothing moved" and
// some other shift are believable, the other shift is taken.
func Register(a, b Field) Registration {
	nan := unit.Px(math.NaN())
	out := Registration{X: nan, Y: nan, RMS: nan, Turn: unit.Deg(math.NaN()), Scale: math.NaN()}
	first, second := usable(a.Spots, a.Width, a.Height), usable(b.Spots, b.Width, b.Height)
	if n := min(len(first), len(second)); n < 3 {
		out.Why = fmt.Sprintf("too few stars: %d and %d, at least 3 are needed in each frame", len(first), len(second))
		return out
	}
	g := newPairing(first[:min(len(first), registered)], second[:min(len(second), registered)], a)
	if !g.shifts() {
		g.quads()
	}
	if out.Odds = oddsOf(g.best.logOdds); out.Odds < Accept {
		out.Why = fmt.Sprintf("no pattern that the %d and %d stars have in common at odds better than %.1g to 1; at least %.0e to 1 are needed", len(first), len(second), out.Odds, Accept)
		return out
	}
	m := &g.best
	p := &m.plate
	out.Found = true
	out.XX, out.XY, out.YX, out.YY = p.xi[1]/p.unit, p.xi[2]/p.unit, p.eta[1]/p.unit, p.eta[2]/p.unit
	// The plate counts from the centres of the frames.
	cx, cy := float64(b.Width-1)/2, float64(b.Height-1)/2
	out.X = unit.Px(p.xi[0] + float64(a.Width-1)/2 - out.XX*cx - out.XY*cy)
	out.Y = unit.Px(p.eta[0] + float64(a.Height-1)/2 - out.YX*cx - out.YY*cy)
	det := out.XX*out.YY - out.XY*out.YX
	out.Scale, out.Mirrored = math.Sqrt(math.Abs(det)), det < 0
	out.Turn = unit.Rad(math.Atan2(out.YX, out.XX)).Deg()
	out.Matched = len(m.pairs)
	out.RMS = unit.Px(m.rms * out.Scale)
	return out
}

// registered is the number of the brightest stars of either frame that are
// compared.
const registered = 60

// pairing is the state of one registration.
type pairing struct {
	stars []spot // of the first frame, by x
	spots []spot // of the second
	field field  // the first frame's stars as a catalogue
	frame Field  // the first frame
	looks float64
	best  match
}

func newPairing(stars, spots []spot, frame Field) *pairing {
	g := &pairing{stars: slices.Clone(stars), spots: spots, frame: frame}
	g.best.logOdds = math.Inf(-1)
	slices.SortStableFunc(g.stars, func(a, b spot) int { return cmp.Compare(a.x, b.x) })
	for _, s := range g.stars {
		g.field.xi, g.field.eta = append(g.field.xi, s.x), append(g.field.eta, s.y)
	}
	g.field.in = len(stars)
	return g
}

// plate returns a linear plate.
func (g *pairing) plate(x, y, xx, xy, yx, yy float64) plate {
	p := plate{unit: math.Hypot(float64(g.frame.Width), float64(g.frame.Height)) / 2}
	p.xi = [terms]float64{x, xx * p.unit, xy * p.unit}
	p.eta = [terms]float64{y, yx * p.unit, yy * p.unit}
	return p
}

// near reports whether the first frame has a star within tol of a place.
func (g *pairing) near(x, y, tol float64) bool {
	i, _ := slices.BinarySearchFunc(g.stars, x-tol, func(s spot, v float64) int { return cmp.Compare(s.x, v) })
	for ; i < len(g.stars) && g.stars[i].x <= x+tol; i++ {
		if dx, dy := g.stars[i].x-x, g.stars[i].y-y; dx*dx+dy*dy <= tol*tol {
			return true
		}
	}
	return false
}

// shifts tries every shift that lays one star on another.
func (g *pairing) shifts() bool {
	const tol = 2.5
	type shift struct {
		turn, x, y float64
		hits       int
	}
	var all []shift
	for _, turn := range []float64{1, -1} {
		for _, s := range g.stars {
			for _, q := range g.spots {
				h := shift{turn, s.x - turn*q.x, s.y - turn*q.y, 0}
				for _, o := range g.spots {
					if g.near(turn*o.x+h.x, turn*o.y+h.y, tol) {
						h.hits++
					}
				}
				if h.hits >= 3 {
					all = append(all, h)
				}
			}
		}
	}
	g.looks += float64(2 * len(g.stars) * len(g.spots))
	slices.SortStableFunc(all, func(a, b shift) int { return cmp.Compare(b.hits, a.hits) })
	var tried []shift
	var still *match // the match in which nothing moved
	for _, h := range all {
		if slices.ContainsFunc(tried, func(o shift) bool { return o.turn == h.turn && math.Hypot(o.x-h.x, o.y-h.y) < 2*tol }) {
			continue
		}
		if tried = append(tried, h); len(tried) > 20 {
			break
		}
		m, ok := g.refine(g.plate(h.x, h.y, h.turn, 0, 0, h.turn), tol, 1)
		if !ok {
			continue
		}
		if h.turn == 1 && math.Hypot(m.plate.xi[0], m.plate.eta[0]) < 0.5 {
			still = &m
		} else if m.logOdds > g.best.logOdds {
			g.best = m
		}
	}
	if still != nil && g.best.logOdds < math.Log(Accept) {
		g.best = *still
	}
	return g.best.logOdds >= math.Log(Accept)
}

// quads tries every similarity that lays a quad on one of nearly its shape.
func (g *pairing) quads() {
	e := effort{spots: registered, arms: 7, dim: 1, slack: 0.003}
	const perPx = 1e-7 // radians: a plane as flat as single views take it
	a := &view{spots: g.stars, nearest: nearestOf(g.stars), mirror: 1, scale: perPx, effort: e}
	a.prepare()
	t := new(quads)
	for i := range a.shapes {
		t.add(a.shapes[i].shape, uint32(i))
	}
	tab := newTable(t)
	var refs []uint32
	for _, mirror := range []float64{1, -1} {
		b := &view{spots: g.spots, nearest: nearestOf(g.spots), mirror: mirror, scale: perPx, effort: e}
		b.prepare()
		for i := range b.shapes {
			q := &b.shapes[i]
			refs = tab.find(refs[:0], q.shape, q.tol)
			for _, ref := range refs {
				o := &a.shapes[ref]
				var pairs [4]pair
				for k := range pairs {
					s, d := g.spots[q.quad[k]], g.stars[o.quad[k]]
					pairs[k] = pair{x: s.x, y: s.y, xi: d.x, eta: d.y}
				}
				p, left, ok := g.plate(0, 0, mirror, 0, 0, 1).fit(pairs[:], turned)
				if !ok || left > 6*sigmaPx*max(1, p.scale()) || p.scale() < 0.02 || p.scale() > 50 {
					continue
				}
				g.looks++
				hits := 0
				for _, s := range g.spots {
					if x, y := p.at(s.x, s.y); g.near(x, y, 4*max(1, p.scale())) {
						hits++
					}
				}
				if hits < 6 {
					continue
				}
				if m, ok := g.refine(p, 4, 4); ok && m.logOdds > g.best.logOdds {
					g.best = m
					if g.best.logOdds >= math.Log(Accept) {
						return
					}
				}
			}
		}
	}
}

// refine fits the map to the stars it matches and weighs the match. fixed is
// the number of stars that the first guess was made of.
func (g *pairing) refine(p plate, tolPx float64, fixed int) (match, bool) {
	m := match{plate: p}
	guess := p
	tol := tolPx
	for range 6 {
		limit := tol
		m.pairs = pairUp(m.pairs[:0], &m.plate, g.spots, &g.field, func(spot) float64 { return limit })
		if len(m.pairs) < 2 {
			return m, false
		}
		fitted, left, ok := m.plate.fit(m.pairs, turned)
		if !ok {
			// Two stars leave a shift.
			break
		}
		m.form = turned
		gain := 1 - 1/math.Sqrt(float64(len(m.pairs)))
		if s, l, ok := m.plate.fit(m.pairs, sheared); ok && l < gain*left {
			fitted, m.form = s, sheared
		}
		if fixed == 1 {
			// A shift alone will do unless the stars show that it does not.
			if s, l := guess.shifted(m.pairs); left >= gain*l {
				fitted = s
			}
		}
		m.plate = fitted
		m.rms = m.residual()
		tol = min(max(3.5*m.rms, 1), tolPx)
	}
	if len(m.pairs) < 3 {
		return m, false
	}
	// Spots that fall outside the first frame could not have hit.
	w, h := float64(g.frame.Width), float64(g.frame.Height)
	var inside []spot
	for _, s := range g.spots {
		if x, y := m.plate.at(s.x, s.y); math.Abs(x) <= w/2 && math.Abs(y) <= h/2 {
			inside = append(inside, s)
		}
	}
	used := max(fixed, m.form.params()/2)
	area := w * h / (m.plate.scale() * m.plate.scale()) // in pixels of the second
	m.logOdds = m.plate.against(inside, &g.field, area, fixed, used)
	if fixed == 1 {
		guess, _ = guess.shifted(m.pairs)
		m.logOdds = max(m.logOdds, guess.against(inside, &g.field, area, 1, 1))
	}
	m.logOdds -= math.Log(g.looks * float64(2*len(radii)))
	return m, true
}

// shifted returns the plate shifted to the middle of the pairs, and the root
// mean square along one axis of what each would be off without it.
func (p plate) shifted(pairs []pair) (plate, float64) {
	n := float64(len(pairs))
	var dx, dy, left float64
	for _, q := range pairs {
		x, y := p.at(q.x, q.y)
		dx, dy = dx+q.xi-x, dy+q.eta-y
	}
	p.xi[0] += dx / n
	p.eta[0] += dy / n
	for _, q := range pairs {
		x, y := p.at(q.x, q.y)
		left += (q.xi-x)*(q.xi-x) + (q.eta-y)*(q.eta-y)
	}
	return p, math.Sqrt(left/(2*n)) * n / (n - 1)
}
