package solve

import (
	"math"

	"holdfast/internal/num"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// terms is the number of terms of a polynomial of third order in two
// variables; powers are their exponents.
const terms = 10

var powers = [terms][2]int{{0, 0}, {1, 0}, {0, 1}, {2, 0}, {1, 1}, {0, 2}, {3, 0}, {2, 1}, {1, 2}, {0, 3}}

// A plate maps pixels from the centre of the frame to the plane that touches
// the sky at a point: xi and eta, in degrees, are polynomials of third order
// in x/unit and y/unit.
type plate struct {
	plane   sky.Tangent
	unit    float64 // pixels
	xi, eta [terms]float64
}

// monomials returns the terms at a place.
func (p *plate) monomials(x, y float64) (m [terms]float64) {
	x, y = x/p.unit, y/p.unit
	xx, xy, yy := x*x, x*y, y*y
	return [terms]float64{1, x, y, xx, xy, yy, xx * x, xx * y, x * yy, yy * y}
}

// at returns the place on the plane of a pixel.
func (p *plate) at(x, y float64) (xi, eta float64) {
	m := p.monomials(x, y)
	for i, v := range m {
		xi += p.xi[i] * v
		eta += p.eta[i] * v
	}
	return xi, eta
}

// scale returns degrees to a pixel at the centre.
func (p *plate) scale() float64 {
	return math.Sqrt(math.Abs(p.xi[1]*p.eta[2]-p.xi[2]*p.eta[1])) / p.unit
}

// plateOf returns the plate of a pose.
func plateOf(p *pose, unitPx float64) plate {
	c := directionOf(p.z)
	t := plate{plane: sky.NewTangent(c), unit: unitPx}
	east, north := basis(p.z)
	const deg = 180 / math.Pi
	a, b := p.mirror*p.scale*unitPx*deg, p.scale*unitPx*deg
	t.xi[1], t.eta[1] = a*p.x.dot(east), a*p.x.dot(north)
	t.xi[2], t.eta[2] = b*p.y.dot(east), b*p.y.dot(north)
	return t
}

// form is a family of plates, from stiff to supple.
type form int

const (
	turned    form = iota // shift, scale and rotation
	sheared               // any linear map
	barrelled             // and a radial term of third order on either axis
	bent                  // any polynomial of third order
)

// params is the number of numbers that a fit of the form finds.
func (f form) params() int { return [...]int{4, 6, 10, 20}[f] }

// least is the number of stars that the form is fitted to at the least.
func (f form) least() int { return [...]int{3, 6, 14, 28}[f] }

// pair is a spot and where its star lies on the plane, in degrees.
type pair struct {
	x, y, xi, eta float64
	spot, star    int
}

// fit fits the form to the pairs in p's plane and unit. left is the root mean
// square along one axis of what each pair would be off in a fit without it,
// in degrees. It returns false if the pairs do not determine the form.
//
// Source: linear least squares; the residual of a point left out is r/(1-h)
// with h the point's leverage (Cook and Weisberg 1982, Residuals and Influence
// in Regression, section 2.2).
func (p plate) fit(pairs []pair, f form) (fitted plate, left float64, ok bool) {
	if len(pairs) < f.least() {
		return p, 0, false
	}
	out := plate{plane: p.plane, unit: p.unit}
	if f == turned {
		return out.fitTurned(pairs, p.xi[1]*p.eta[2]-p.xi[2]*p.eta[1] < 0)
	}
	k := [...]int{0, 3, 5, terms}[f]
	row := func(q *pair) [terms]float64 {
		m := p.monomials(q.x, q.y)
		if f == barrelled {
			m[3], m[4] = m[6]+m[8], m[7]+m[9]
		}
		return m
	}
	a := make([]float64, k*k)
	var bx, by [terms]float64
	for i := range pairs {
		m := row(&pairs[i])
		for r := range k {
			for c := range k {
				a[r*k+c] += m[r] * m[c]
			}
			bx[r] += m[r] * pairs[i].xi
			by[r] += m[r] * pairs[i].eta
		}
	}
	if !num.InvertPositive(a, k) {
		return p, 0, false
	}
	var cx, cy [terms]float64
	for r := range k {
		for c := range k {
			cx[r] += a[r*k+c] * bx[c]
			cy[r] += a[r*k+c] * by[c]
		}
	}
	for i := range pairs {
		q := &pairs[i]
		m := row(q)
		h, dx, dy := 0.0, -q.xi, -q.eta
		for r := range k {
			dx += cx[r] * m[r]
			dy += cy[r] * m[r]
			for c := range k {
				h += m[r] * a[r*k+c] * m[c]
			}
		}
		if !(h < 0.999) {
			return p, 0, false
		}
		left += (dx*dx + dy*dy) / ((1 - h) * (1 - h))
	}
	if f == barrelled {
		cx[6], cx[8], cx[7], cx[9], cx[3], cx[4] = cx[3], cx[3], cx[4], cx[4], 0, 0
		cy[6], cy[8], cy[7], cy[9], cy[3], cy[4] = cy[3], cy[3], cy[4], cy[4], 0, 0
	}
	out.xi, out.eta = cx, cy
	left = math.Sqrt(left / float64(2*len(pairs)))
	return out, left, left == left && out.scale() > 0
}

// fitTurned fits shift, scale and rotation, after turning over x if the frame
// is not mirrored (east against x).
func (p plate) fitTurned(pairs []pair, flip bool) (plate, float64, bool) {
	sign := 1.0
	if flip {
		sign = -1
	}
	n := float64(len(pairs))
	var mx, my, mu, mv float64
	for _, q := range pairs {
		mx, my, mu, mv = mx+sign*q.x/p.unit, my+q.y/p.unit, mu+q.xi, mv+q.eta
	}
	mx, my, mu, mv = mx/n, my/n, mu/n, mv/n
	var re, im, zz float64
	for _, q := range pairs {
		x, y, u, v := sign*q.x/p.unit-mx, q.y/p.unit-my, q.xi-mu, q.eta-mv
		re += x*u + y*v
		im += x*v - y*u
		zz += x*x + y*y
	}
	if !(zz > 0) {
		return p, 0, false
	}
	re, im = re/zz, im/zz
	p.xi, p.eta = [terms]float64{}, [terms]float64{}
	p.xi[1], p.xi[2], p.eta[1], p.eta[2] = sign*re, -im, sign*im, re
	p.xi[0], p.eta[0] = mu-re*mx+im*my, mv-im*mx-re*my
	var left float64
	for _, q := range pairs {
		x, y := sign*q.x/p.unit-mx, q.y/p.unit-my
		h := 1/n + (x*x+y*y)/zz
		if !(h < 0.999) {
			return p, 0, false
		}
		xi, eta := p.at(q.x, q.y)
		left += ((xi-q.xi)*(xi-q.xi) + (eta-q.eta)*(eta-q.eta)) / ((1 - h) * (1 - h))
	}
	return p, math.Sqrt(left / (2 * n)), p.scale() > 0
}

// centre returns where the centre of the frame points.
func (p plate) centre() sky.Direction {
	return p.plane.Direction(unit.Deg(p.xi[0]), unit.Deg(p.eta[0]))
}
