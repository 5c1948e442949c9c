package solve

import (
	"cmp"
	"math"
	"slices"

	"holdfast/internal/catalog"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// A match is a plate fitted to the stars of a frame.
type match struct {
	plate plate
	form  form
	pairs []pair
	rms   float64 // along one axis, pixels
	// logOdds is the logarithm of how much rarer than one in as many looks as
	// the search took such a match is by chance.
	logOdds float64
}

// field is the catalogue's stars in and about a frame.
type field struct {
	marks []sky.Direction // from bright to faint
	xi    []float64       // on the plate's plane, degrees
	eta   []float64
	in    int // of them inside the frame
}

// project moves the field onto the plane.
func (f *field) project(t sky.Tangent) {
	for i, d := range f.marks {
		xi, eta := t.Project(d)
		f.xi[i], f.eta[i] = float64(xi), float64(eta)
	}
}

// brightestIn returns about n of the brightest stars of the catalogue inside
// the frame that p describes, and those of like brightness in a narrow border.
func brightestIn(p *pose, half [2]float64, n int) field {
	centre := directionOf(p.z)
	radius := unit.Rad(math.Atan(math.Hypot(half[0], half[1]) * p.scale)).Deg()
	area := 4 * half[0] * half[1] * p.scale * p.scale * (180 / math.Pi) * (180 / math.Pi)
	type entry struct {
		d  sky.Direction
		vt unit.Mag
		in bool
	}
	var best []entry
	var stars []catalog.Star
	for vt := magnitudeOf(float64(n) / area); ; vt += 0.7 {
		stars = catalog.Cone(stars[:0], centre.RA, centre.Dec, radius*1.05, vt)
		best = best[:0]
		inside := 0
		for _, s := range stars {
			d := sky.Direction{RA: s.RA, Dec: s.Dec}
			v := vecOf(d)
			w := v.dot(p.z) * p.scale
			x, y := math.Abs(v.dot(p.x)/w), math.Abs(v.dot(p.y)/w)
			if x > 1.05*half[0] || y > 1.05*half[1] {
				continue
			}
			in := x <= half[0] && y <= half[1]
			if in {
				inside++
			}
			best = append(best, entry{d, s.VT, in})
		}
		if 10*inside >= 7*n || vt > 13 {
			break
		}
	}
	slices.SortStableFunc(best, func(a, b entry) int { return cmp.Compare(a.vt, b.vt) })
	f := field{}
	for _, e := range best {
		if e.in {
			if f.in == n {
				break
			}
			f.in++
		}
		f.marks = append(f.marks, e.d)
	}
	f.xi, f.eta = make([]float64, len(f.marks)), make([]float64, len(f.marks))
	return f
}

// magnitudeOf returns the VT magnitude down to which the catalogue has the
// given number of stars per square degree on the average of the sky.
func magnitudeOf(perDeg2 float64) unit.Mag {
	n := perDeg2 * 41253
	for i := 1; i < len(depth); i++ {
		if n <= depth[i].n {
			a, b := depth[i-1], depth[i]
			return unit.Mag(a.vt + (b.vt-a.vt)*(math.Log(n)-math.Log(a.n))/(math.Log(b.n)-math.Log(a.n)))
		}
	}
	return 15
}

// depth is the number of stars in the catalogue down to a magnitude.
var depth = []struct{ vt, n float64 }{
	{4, 486}, {5, 1500}, {6, 4654}, {7, 14251}, {8, 42000}, {9, 120483}, {10, 328422}, {11, 854781}, {11.5, 1200000}, {12.5, 1872529},
}

// refine fits plates to the frame, starting from a pose, and weighs the match.
// It returns false if the stars do not hold together.
func refine(p *pose, spots []spot, half [2]float64, looks float64) (match, bool) {
	n := min(len(spots), 100)
	f := brightestIn(p, half, 2*n+10)
	if f.in < 4 {
		return match{}, false
	}
	m := match{plate: plateOf(p, math.Hypot(half[0], half[1]))}
	f.project(m.plate.plane)
	first := spots[p.quad[0]]
	tol := func(s spot) float64 {
		d := math.Hypot(s.x-first.x, s.y-first.y)
		return 2*(1+d/p.reach) + 0.005*d
	}
	before := -1
	for pass := range 14 {
		m.pairs = pairUp(m.pairs[:0], &m.plate, spots, &f, tol)
		if len(m.pairs) < 4 {
			return match{}, false
		}
		if !m.choose() {
			return match{}, false
		}
		f.project(m.recentre(&f))
		var cx, cy, rr float64
		for _, q := range m.pairs {
			cx, cy = cx+q.x, cy+q.y
		}
		k := float64(len(m.pairs))
		cx, cy = cx/k, cy/k
		for _, q := range m.pairs {
			rr += (q.x-cx)*(q.x-cx) + (q.y-cy)*(q.y-cy)
		}
		spread := math.Sqrt(rr / k)
		base := min(max(3.5*m.rms, 1), 6)
		if pass < 9 {
			growth := 0.6 - 0.06*float64(pass)
			tol = func(s spot) float64 {
				return base * (1 + growth*math.Hypot(s.x-cx, s.y-cy)/spread)
			}
		} else {
			tol = func(spot) float64 { return base }
			if len(m.pairs) == before {
				break
			}
			before = len(m.pairs)
		}
	}
	m.weigh(spots, &f, half, looks)
	return m, true
}

// choose fits the form that predicts stars left out of the fit best, the
// stiffer one unless the suppler is better by more than the noise of such a
// comparison, one part in the root of the number of stars.
func (m *match) choose() bool {
	best := math.Inf(1)
	chosen := m.plate
	gain := 1 - 1/math.Sqrt(float64(len(m.pairs)))
	for f := turned; f <= bent; f++ {
		p, left, ok := m.plate.fit(m.pairs, f)
		if ok && left < gain*best {
			best, chosen, m.form = left, p, f
		}
	}
	if math.IsInf(best, 1) {
		return false
	}
	m.plate = chosen
	m.rms = m.residual()
	return true
}

// residual returns the root mean square of what the pairs are off along one
// axis, in pixels.
func (m *match) residual() float64 {
	sum := 0.0
	for _, q := range m.pairs {
		xi, eta := m.plate.at(q.x, q.y)
		sum += (xi-q.xi)*(xi-q.xi) + (eta-q.eta)*(eta-q.eta)
	}
	return math.Sqrt(sum/float64(2*len(m.pairs))) / m.plate.scale()
}

// recentre moves the plane to where the centre of the frame points, fits the
// same form there, and returns the new plane.
func (m *match) recentre(f *field) sky.Tangent {
	for range 3 {
		c := m.plate.centre()
		if math.Hypot(m.plate.xi[0], m.plate.eta[0]) < 1e-9 {
			break
		}
		p := m.plate
		p.plane = sky.NewTangent(c)
		for i := range m.pairs {
			q := &m.pairs[i]
			xi, eta := p.plane.Project(f.marks[q.star])
			q.xi, q.eta = float64(xi), float64(eta)
		}
		fitted, _, ok := p.fit(m.pairs, m.form)
		if !ok {
			break
		}
		m.plate = fitted
	}
	return m.plate.plane
}

// pairUp appends the pairs of spots and stars that are nearest to each other
// and no further apart than tol, in pixels, allows.
func pairUp(dst []pair, p *plate, spots []spot, f *field, tol func(spot) float64) []pair {
	scale := p.scale()
	from := len(dst)
	for i, s := range spots {
		xi, eta := p.at(s.x, s.y)
		limit := tol(s) * scale
		best, star := limit*limit, -1
		for j, x := range f.xi {
			if d := x - xi; d < limit && d > -limit {
				if r := d*d + (f.eta[j]-eta)*(f.eta[j]-eta); r < best {
					best, star = r, j
				}
			}
		}
		if star < 0 {
			continue
		}
		q := pair{s.x, s.y, f.xi[star], f.eta[star], i, star}
		taken := slices.IndexFunc(dst[from:], func(o pair) bool { return o.star == star })
		if taken < 0 {
			dst = append(dst, q)
			continue
		}
		o := &dst[from+taken]
		oxi, oeta := p.at(o.x, o.y)
		if best < (oxi-o.xi)*(oxi-o.xi)+(oeta-o.eta)*(oeta-o.eta) {
			*o = q
		}
	}
	return dst
}

// radii are the distances in pixels within which a spot and a star count as
// one when the odds are weighed; the best is taken and paid for.
var radii = []float64{0.35, 0.6, 1, 1.6, 2.5, 4, 6}

// weigh computes the odds against chance; docs/solve.md has the derivation.
func (m *match) weigh(spots []spot, f *field, half [2]float64, looks float64) {
	n := min(len(spots), f.in+f.in/3+8, 100)
	best := math.Inf(-1)
	for g := turned; g <= m.form; g++ {
		p := m.plate
		if g < m.form {
			var ok bool
			if p, _, ok = p.fit(m.pairs, g); !ok {
				continue
			}
		}
		best = max(best, p.against(spots[:n], f, 4*half[0]*half[1], 4, max(4, g.params()-4)))
	}
	m.logOdds = best - math.Log(looks*float64(len(radii)*int(bent+1)))
}

// against returns minus the logarithm of the probability that chance puts so
// many spots onto stars, for one look: fixed spots fit because the plate was
// made from them, and used is how many hits the fit owes to its parameters.
func (p *plate) against(spots []spot, f *field, area float64, fixed, used int) float64 {
	best := math.Inf(-1)
	var room []pair
	moved := make([]spot, len(spots))
	for _, r := range radii {
		within := func(spot) float64 { return r }
		room = pairUp(room[:0], p, spots, f, within)
		hits := len(room)
		chance := float64(f.in) * math.Pi * r * r / area
		v := -logTail(len(spots)-fixed, hits-used, chance)
		if v < best || v < suspicious {
			best = max(best, v)
			continue
		}
		// Where stars and spots crowd together chance has it easier.
		elsewhere := 0
		for _, d := range shifts {
			for i, s := range spots {
				moved[i] = spot{s.x + d[0], s.y + d[1], s.mag}
			}
			room = pairUp(room[:0], p, moved, f, within)
			elsewhere += len(room)
		}
		if c := float64(elsewhere) / float64(len(spots)*len(shifts)); elsewhere >= 4 && c > chance {
			v = -logTail(len(spots)-fixed, hits-used, c)
		}
		best = max(best, v)
	}
	return best
}

// suspicious is what against has to reach to be looked at more closely.
const suspicious = 15

// shifts are displacements in pixels at which true matches are gone and
// crowding is not.
var shifts = [][2]float64{{31, 17}, {-29, 23}, {-19, -37}, {37, -13}, {11, 41}, {-43, -7}, {7, -47}, {53, 29}}

// logTail returns the logarithm of the probability of k or more successes in n
// trials of probability p.
func logTail(n, k int, p float64) float64 {
	if k <= 0 || n <= 0 {
		return 0
	}
	if p >= 1 || k > n {
		return 0
	}
	lp, lq := math.Log(p), math.Log1p(-p)
	ln, _ := math.Lgamma(float64(n + 1))
	sum := math.Inf(-1)
	for i := k; i <= n; i++ {
		a, _ := math.Lgamma(float64(i + 1))
		b, _ := math.Lgamma(float64(n - i + 1))
		t := ln - a - b + float64(i)*lp + float64(n-i)*lq
		if t > sum {
			sum, t = t, sum
		}
		sum += math.Log1p(math.Exp(t - sum))
	}
	return min(sum, 0)
}
