package star

import (
	"math"

	"holdfast/internal/num"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// profile is a Moffat profile in pixels: amp times psf.Falloff of
// xx dx^2 + 2 xy dx dy + yy dy^2.
type profile struct {
	amp, x, y  float64
	xx, xy, yy float64
	tail       float64
}

// gaussian returns the profile of the given centre and covariance.
func gaussian(amp, x, y float64, c moments) profile {
	d := 2 * (c.xx*c.yy - c.xy*c.xy)
	return profile{amp, x, y, c.yy / d, -c.xy / d, c.xx / d, 0}
}

// q returns the form at dx, dy from the centre.
func (p *profile) q(dx, dy float64) float64 { return p.xx*dx*dx + 2*p.xy*dx*dy + p.yy*dy*dy }

// at returns the profile at a place.
func (p *profile) at(x, y float64) float64 {
	m, _ := slope(p.q(x-p.x, y-p.y), p.tail, 1/p.tail)
	return p.amp * m
}

// valid reports whether the profile is one: positive, with two widths.
func (p *profile) valid() bool {
	return p.amp > 0 && p.xx > 0 && p.yy > 0 && p.xx*p.yy > p.xy*p.xy
}

// widths returns the two full widths at half maximum and the angle of the
// major one from +x towards +y, 0 to below 180.
func (p *profile) widths() (major, minor unit.Px, angle unit.Deg) {
	det := p.xx*p.yy - p.xy*p.xy
	k := 4 * psf.HalfMaximum(p.tail) / det
	return moments{k * p.yy, -k * p.xy, k * p.xx}.axes()
}

// fwhm returns the geometric mean of the widths.
func (p *profile) fwhm() float64 {
	return 2 * math.Sqrt(psf.HalfMaximum(p.tail)/math.Sqrt(p.xx*p.yy-p.xy*p.xy))
}

// flux returns the light of the profile inside a circle of four times its FWHM
// in radius: all of it but for the widest tails, whose light does not end.
func (p *profile) flux() float64 { return p.whole() * p.enclosed(fluxReach*p.fwhm()) }

// whole returns the light of the whole profile. Moffat's converges for a tail
// below 1.
func (p *profile) whole() float64 {
	return p.amp * math.Pi / (math.Sqrt(p.xx*p.yy-p.xy*p.xy) * (1 - p.tail))
}

// fluxReach is how far the light of a star is counted, in FWHM.
const fluxReach = 4

// moments is a symmetric tensor of two axes: second moments, or squared widths.
type moments struct{ xx, xy, yy float64 }

// axes returns the square roots of the tensor along its axes and the angle of
// the major one.
func (c moments) axes() (major, minor unit.Px, angle unit.Deg) {
	mean, d := (c.xx+c.yy)/2, math.Hypot((c.xx-c.yy)/2, c.xy)
	a := math.Atan2(2*c.xy, c.xx-c.yy) / 2 * 180 / math.Pi
	if a < 0 {
		a += 180
	}
	if a >= 180 {
		a -= 180
	}
	return unit.Px(math.Sqrt(mean + d)), unit.Px(math.Sqrt(mean - d)), unit.Deg(a)
}

// invert returns the inverse tensor.
func (c moments) invert() moments {
	d := c.xx*c.yy - c.xy*c.xy
	return moments{c.yy / d, -c.xy / d, c.xx / d}
}

// regionQ is how far the fit reaches, in units of the form at half maximum:
// 2.5 FWHM, five times the radius at half maximum.
const regionQ = 25

// fitter fits profiles; it keeps its room from one star to the next.
type fitter struct {
	dx, dy, v []float64 // pixels of the region, from its origin
	x0, y0    float64
	radius    []float64
	left      []float64
	shared    *sheet  // of the tail that is not fitted
	left2     float64 // sum of the squares that the last fit leaves
}

// gather takes the pixels of the stamp inside the region of the profile.
func (t *fitter) gather(s *stamp, p *profile) {
	t.dx, t.dy, t.v = t.dx[:0], t.dy[:0], t.v[:0]
	t.x0, t.y0 = math.Round(p.x), math.Round(p.y)
	end := regionQ * psf.HalfMaximum(p.tail)
	det := p.xx*p.yy - p.xy*p.xy
	reachY := math.Sqrt(end * p.xx / det)
	ya, yb := max(s.y0, int(math.Ceil(p.y-reachY))), min(s.y0+s.h-1, int(math.Floor(p.y+reachY)))
	for y := ya; y <= yb; y++ {
		dy := float64(y) - p.y
		// xx dx^2 + 2 xy dy dx + yy dy^2 = end
		b := p.xy * dy / p.xx
		d := b*b - (p.yy*dy*dy-end)/p.xx
		if d < 0 {
			continue
		}
		d = math.Sqrt(d)
		xa, xb := max(s.x0, int(math.Ceil(p.x-b-d))), min(s.x0+s.w-1, int(math.Floor(p.x-b+d)))
		for x := xa; x <= xb; x++ {
			if v := s.v[(y-s.y0)*s.w+x-s.x0]; v == v {
				t.dx = append(t.dx, float64(x)-t.x0)
				t.dy = append(t.dy, float64(y)-t.y0)
				t.v = append(t.v, float64(v))
			}
		}
	}
}

// fit changes p into the profile that fits the gathered pixels best, all of
// them counting alike. The tail is fitted if free. It reports whether there is
// such a profile.
func (t *fitter) fit(p *profile, free bool) bool {
	n := 6
	if free {
		n = 7
	}
	if len(t.v) < n+1 {
		return false
	}
	size := 1 / math.Sqrt(math.Sqrt(p.xx*p.yy-p.xy*p.xy))
	x := [7]float64{p.amp, p.x - t.x0, p.y - t.y0, p.xx, p.xy, p.yy, p.tail}
	inf := math.Inf(1)
	lower := [7]float64{-inf, x[1] - 3*size, x[2] - 3*size, 1e-8, -inf, 1e-8, 0}
	upper := [7]float64{inf, x[1] + 3*size, x[2] + 3*size, 8, inf, 8, psf.MaxTail}
	tail := p.tail
	var gradient [7]float64 // at the best place so far
	least := math.Inf(1)
	normal := func(x, jtj, jtr []float64) float64 {
		if !(x[3]*x[5] > x[4]*x[4]) {
			return math.NaN()
		}
		g := tail
		if free {
			g = x[6]
		}
		sum := t.normal(x, g, jtj, jtr)
		if sum < least {
			least = sum
			copy(gradient[:], jtr)
		}
		return sum
	}
	// The last step is taken without another look: it is less than a hundredth,
	// and what it leaves, of the second order, less than a thousandth of that.
	res, err := num.LeastSquares(x[:n], normal, num.Options{MaxIterations: 40, StepTol: 1e-2, Lower: lower[:n], Upper: upper[:n]})
	if err != nil {
		return false
	}
	t.left2 = res.SumSq
	last(x[:n], res, gradient[:n], lower[:n], upper[:n])
	*p = profile{x[0], x[1] + t.x0, x[2] + t.y0, x[3], x[4], x[5], tail}
	if free {
		p.tail = x[6]
	}
	return p.valid()
}

// last changes x by the step of Gauss and Newton from where LeastSquares ended,
// within the bounds; parameters that a bound holds stay.
func last(x []float64, res num.Result, gradient, lower, upper []float64) {
	n := len(x)
	a := res.JTJ
	for i, held := range res.Held {
		if held || a[i*n+i] == 0 {
			for j := range n {
				a[i*n+j], a[j*n+i] = 0, 0
			}
			a[i*n+i], gradient[i] = 1, 0
		}
	}
	if !num.InvertPositive(a, n) {
		return
	}
	for i := range x {
		for j, g := range gradient {
			x[i] -= a[i*n+j] * g
		}
		x[i] = math.Max(lower[i], math.Min(upper[i], x[i]))
	}
}

// normal adds up the normal equations of six parameters, or of seven if x holds
// the tail too. In the loop stand the derivatives' parts that differ from pixel
// to pixel; what they have in common comes after it.
func (t *fitter) normal(x []float64, tail float64, jtj, jtr []float64) (sumSq float64) {
	var a [28]float64 // lower triangle
	var b [7]float64
	if len(x) == 7 {
		sumSq = t.sumOwn(x, tail, &a, &b)
	} else {
		sumSq = t.sumShared(x, tail, &a, &b)
	}
	n := len(x)
	amp, xx, xy, yy := x[0], x[3], x[4], x[5]
	at := func(p, q int) float64 {
		if p < q {
			p, q = q, p
		}
		return a[p*(p+1)/2+q]
	}
	// Each derivative is a sum of at most two parts.
	type part struct {
		i int
		k float64
	}
	parts := [7][2]part{
		{{0, 1}, {0, 0}},
		{{1, -2 * amp * xx}, {2, -2 * amp * xy}},
		{{1, -2 * amp * xy}, {2, -2 * amp * yy}},
		{{3, amp}, {3, 0}},
		{{4, 2 * amp}, {4, 0}},
		{{5, amp}, {5, 0}},
		{{6, amp}, {6, 0}},
	}
	for p := range n {
		for _, c := range parts[p] {
			if c.k == 0 {
				continue
			}
			jtr[p] += c.k * b[c.i]
			for q := range p + 1 {
				for _, d := range parts[q] {
					if d.k != 0 {
						jtj[p*n+q] += c.k * d.k * at(c.i, d.i)
					}
				}
			}
		}
	}
	return sumSq
}

// sheet returns the tabulated slope of a tail that is not fitted.
func (t *fitter) sheet(tail float64) *sheet {
	if t.shared == nil || t.shared.tail != tail {
		t.shared = newSheet(tail, 1.5*regionQ*psf.HalfMaximum(tail))
	}
	return t.shared
}

// falling returns the slope of a tail: the tabulated one if it is that.
func (t *fitter) falling(tail float64) *sheet {
	if t.shared != nil && t.shared.tail == tail {
		return t.shared
	}
	return &sheet{tail: tail, inverse: 1 / tail}
}

// sumOwn adds up the products of the parts for a profile whose tail is fitted.
func (t *fitter) sumOwn(x []float64, tail float64, a *[28]float64, b *[7]float64) (sumSq float64) {
	amp, cx, cy, xx, xy, yy, inverse := x[0], x[1], x[2], x[3], 2*x[4], x[5], 1/tail
	dxs, dys := t.dx[:len(t.v)], t.dy[:len(t.v)]
	var b0, a00 float64
	var b1, a10, a11 float64
	var b2, a20, a21, a22 float64
	var b3, a30, a31, a32, a33 float64
	var b4, a40, a41, a42, a43, a44 float64
	var b5, a50, a51, a52, a53, a54, a55 float64
	var b6, a60, a61, a62, a63, a64, a65, a66 float64
	for k, value := range t.v {
		dx, dy := dxs[k]-cx, dys[k]-cy
		m, dq, g := falloff(xx*dx*dx+xy*dx*dy+yy*dy*dy, tail, inverse)
		u, v := dq*dx, dq*dy
		ux, uy, vy := u*dx, u*dy, v*dy
		r := amp*m - value
		sumSq += r * r
		b0 += m * r
		a00 += m * m
		b1 += u * r
		a10 += u * m
		a11 += u * u
		b2 += v * r
		a20 += v * m
		a21 += v * u
		a22 += v * v
		b3 += ux * r
		a30 += ux * m
		a31 += ux * u
		a32 += ux * v
		a33 += ux * ux
		b4 += uy * r
		a40 += uy * m
		a41 += uy * u
		a42 += uy * v
		a43 += uy * ux
		a44 += uy * uy
		b5 += vy * r
		a50 += vy * m
		a51 += vy * u
		a52 += vy * v
		a53 += vy * ux
		a54 += vy * uy
		a55 += vy * vy
		b6 += g * r
		a60 += g * m
		a61 += g * u
		a62 += g * v
		a63 += g * ux
		a64 += g * uy
		a65 += g * vy
		a66 += g * g
	}
	*a = [28]float64{a00, a10, a11, a20, a21, a22, a30, a31, a32, a33, a40, a41, a42, a43, a44, a50, a51, a52, a53, a54, a55, a60, a61, a62, a63, a64, a65, a66}
	*b = [7]float64{b0, b1, b2, b3, b4, b5, b6}
	return sumSq
}

// sumShared is sumOwn with the tail held.
func (t *fitter) sumShared(x []float64, tail float64, a *[28]float64, b *[7]float64) (sumSq float64) {
	amp, cx, cy, xx, xy, yy := x[0], x[1], x[2], x[3], 2*x[4], x[5]
	shared := t.sheet(tail)
	dxs, dys := t.dx[:len(t.v)], t.dy[:len(t.v)]
	var b0, a00 float64
	var b1, a10, a11 float64
	var b2, a20, a21, a22 float64
	var b3, a30, a31, a32, a33 float64
	var b4, a40, a41, a42, a43, a44 float64
	var b5, a50, a51, a52, a53, a54, a55 float64
	for k, value := range t.v {
		dx, dy := dxs[k]-cx, dys[k]-cy
		m, dq := shared.at(xx*dx*dx + xy*dx*dy + yy*dy*dy)
		u, v := dq*dx, dq*dy
		ux, uy, vy := u*dx, u*dy, v*dy
		r := amp*m - value
		sumSq += r * r
		b0 += m * r
		a00 += m * m
		b1 += u * r
		a10 += u * m
		a11 += u * u
		b2 += v * r
		a20 += v * m
		a21 += v * u
		a22 += v * v
		b3 += ux * r
		a30 += ux * m
		a31 += ux * u
		a32 += ux * v
		a33 += ux * ux
		b4 += uy * r
		a40 += uy * m
		a41 += uy * u
		a42 += uy * v
		a43 += uy * ux
		a44 += uy * uy
		b5 += vy * r
		a50 += vy * m
		a51 += vy * u
		a52 += vy * v
		a53 += vy * ux
		a54 += vy * uy
		a55 += vy * vy
	}
	*a = [28]float64{a00, a10, a11, a20, a21, a22, a30, a31, a32, a33, a40, a41, a42, a43, a44, a50, a51, a52, a53, a54, a55}
	*b = [7]float64{b0, b1, b2, b3, b4, b5}
	return sumSq
}

// misfit returns the rms of what the profile leaves of the gathered pixels
// inside its half maximum twice over, noise taken out, over its peak.
func (t *fitter) misfit(p *profile, noise, perADU float64) float64 {
	end := 4 * psf.HalfMaximum(p.tail)
	sum, n := 0.0, 0
	for k, v := range t.v {
		q := p.q(t.dx[k]+t.x0-p.x, t.dy[k]+t.y0-p.y)
		if q > end {
			continue
		}
		m, _ := slope(q, p.tail, 1/p.tail)
		r := v - p.amp*m
		sum += r*r - noise*noise - p.amp*m*perADU
		n++
	}
	if n == 0 || sum <= 0 {
		return 0
	}
	return math.Sqrt(sum/float64(n)) / p.amp
}
