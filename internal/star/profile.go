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
	runs      []run     // those of each row
	core      []run     // those of them near the centre
	x0, y0    float64
	radius    []float64
	left      []float64
	m, dq, dt []float64 // falloff at the pixels, of the profile last looked at
	left2     float64   // sum of the squares that the last fit leaves
}

// run is the pixels of one row: those from to to-1.
type run struct {
	dy       float64
	from, to int
}

// gather takes the pixels of the stamp inside the region of the profile.
func (t *fitter) gather(s *stamp, p *profile) {
	t.dx, t.dy, t.v, t.runs = t.dx[:0], t.dy[:0], t.v[:0], t.runs[:0]
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
		if xa > xb {
			continue
		}
		from := len(t.v)
		for i, v := range s.v[(y-s.y0)*s.w+xa-s.x0:][:xb-xa+1] {
			if v == v {
				t.dx = append(t.dx, float64(xa+i)-t.x0)
				t.dy = append(t.dy, float64(y)-t.y0)
				t.v = append(t.v, float64(v))
			}
		}
		if len(t.v) > from {
			t.runs = append(t.runs, run{float64(y) - t.y0, from, len(t.v)})
		}
	}
	n := len(t.v)
	t.m, t.dq, t.dt = resizeTo(t.m, n), resizeTo(t.dq, n), resizeTo(t.dt, n)
}

// form returns the form of a profile with its centre at cx, cy on the pixels of
// a run.
func (w *run) form(cx, cy, xx, xy, yy float64) form {
	dy := w.dy - cy
	return form{cx, xx, 2 * xy * dy, yy * dy * dy}
}

// inside returns the runs of the gathered pixels where the profile is at least
// a part of its peak.
func (t *fitter) inside(p *profile, part float64) []run {
	q := -math.Log(part)
	if p.tail > 0 {
		q = (math.Pow(part, -p.tail) - 1) / p.tail
	}
	t.core = t.core[:0]
	for _, w := range t.runs {
		f := w.form(p.x-t.x0, p.y-t.y0, p.xx, p.xy, p.yy)
		mid, d := -f.line/(2*f.xx), f.line*f.line/(4*f.xx*f.xx)-(f.level-q)/f.xx
		if !(d >= 0) {
			continue
		}
		d = math.Sqrt(d)
		lo, hi := f.cx+mid-d, f.cx+mid+d
		for w.from < w.to && t.dx[w.from] < lo {
			w.from++
		}
		for w.from < w.to && t.dx[w.to-1] > hi {
			w.to--
		}
		if w.from < w.to {
			t.core = append(t.core, w)
		}
	}
	return t.core
}

// spread sets m and dq to the falloff of the profile at the pixels of the runs.
func (t *fitter) spread(p *profile, runs []run) {
	cx, cy := p.x-t.x0, p.y-t.y0
	for i := range runs {
		w := &runs[i]
		slopes(t.m[w.from:w.to], t.dq[w.from:w.to], t.dx[w.from:w.to], w.form(cx, cy, p.xx, p.xy, p.yy), p.tail)
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
// the tail too.
//
// With u = dq dx and v = dq dy the derivatives are m to the amplitude, -2 amp
// (xx u + xy v) and -2 amp (xy u + yy v) to the centre, amp u dx, 2 amp u dy and
// amp v dy to the form, amp dtail to the tail. Along a row dy is the same for
// all, so that there only the sums with powers of dx are taken.
func (t *fitter) normal(x []float64, tail float64, jtj, jtr []float64) (sumSq float64) {
	n := len(x)
	amp, cx, cy, xx, xy, yy := x[0], x[1], x[2], x[3], x[4], x[5]
	var a [7][7]float64 // of m, u, v, u dx, u dy, v dy, dtail; the upper triangle
	var b [7]float64
	for i := range t.runs {
		w := &t.runs[i]
		dx, m, dq, dt := t.dx[w.from:w.to], t.m[w.from:w.to], t.dq[w.from:w.to], t.dt[w.from:w.to]
		f := w.form(cx, cy, xx, xy, yy)
		if n == 7 {
			falloffs(m, dq, dt, dx, f, tail)
			t.tailSums(w, amp, cx, cy, &a, &b)
		} else {
			slopes(m, dq, dx, f, tail)
		}
		sumSq += t.sums(w, amp, cx, cy, &a, &b)
	}
	turn := func(d *[7]float64) {
		d[1], d[2] = -2*amp*(xx*d[1]+xy*d[2]), -2*amp*(xy*d[1]+yy*d[2])
		d[3] *= amp
		d[4] *= 2 * amp
		d[5] *= amp
		d[6] *= amp
	}
	for i := range a {
		for j := range i {
			a[i][j] = a[j][i]
		}
	}
	for i := range a {
		turn(&a[i])
	}
	turn(&b)
	for j := range n {
		var d [7]float64
		for i := range a {
			d[i] = a[i][j]
		}
		turn(&d)
		copy(jtj[j*n:][:n], d[:])
	}
	copy(jtr, b[:n])
	return sumSq
}

// sums adds the products of all parts but dtail over a run.
func (t *fitter) sums(w *run, amp, cx, cy float64, a *[7][7]float64, b *[7]float64) (sumSq float64) {
	xs, vs, ms, dqs := t.dx[w.from:w.to], t.v[w.from:w.to], t.m[w.from:w.to], t.dq[w.from:w.to]
	xs, vs, ms = xs[:len(dqs)], vs[:len(dqs)], ms[:len(dqs)]
	var mm, m0, m1, m2, mr, r0, r1, r2 float64
	for k, dq := range dqs {
		m, dx := ms[k], xs[k]-cx
		r := amp*m - vs[k]
		u := dq * dx
		ux := u * dx
		sumSq += r * r
		mr += m * r
		r0 += dq * r
		r1 += u * r
		r2 += ux * r
		mm += m * m
		m0 += m * dq
		m1 += m * u
		m2 += m * ux
	}
	var d0, d1, d2, d3, d4 float64
	for k, dq := range dqs {
		dx := xs[k] - cx
		u := dq * dx
		ux := u * dx
		d0 += dq * dq
		d1 += dq * u
		d2 += u * u
		d3 += u * ux
		d4 += ux * ux
	}
	y := w.dy - cy
	yy := y * y
	b[0], b[1], b[2], b[3], b[4], b[5] = b[0]+mr, b[1]+r1, b[2]+y*r0, b[3]+r2, b[4]+y*r1, b[5]+yy*r0
	p := &a[0]
	p[0], p[1], p[2], p[3], p[4], p[5] = p[0]+mm, p[1]+m1, p[2]+y*m0, p[3]+m2, p[4]+y*m1, p[5]+yy*m0
	p = &a[1]
	p[1], p[2], p[3], p[4], p[5] = p[1]+d2, p[2]+y*d1, p[3]+d3, p[4]+y*d2, p[5]+yy*d1
	p = &a[2]
	p[2], p[3], p[4], p[5] = p[2]+yy*d0, p[3]+y*d2, p[4]+yy*d1, p[5]+y*yy*d0
	p = &a[3]
	p[3], p[4], p[5] = p[3]+d4, p[4]+y*d3, p[5]+yy*d2
	p = &a[4]
	p[4], p[5] = p[4]+yy*d2, p[5]+y*yy*d1
	a[5][5] += yy * yy * d0
	return sumSq
}

// tailSums adds the products of dtail with all parts over a run.
func (t *fitter) tailSums(w *run, amp, cx, cy float64, a *[7][7]float64, b *[7]float64) {
	xs, vs, ms, dqs, dts := t.dx[w.from:w.to], t.v[w.from:w.to], t.m[w.from:w.to], t.dq[w.from:w.to], t.dt[w.from:w.to]
	xs, vs, ms, dqs = xs[:len(dts)], vs[:len(dts)], ms[:len(dts)], dqs[:len(dts)]
	var gm, g0, g1, g2, gg, gr float64
	for k, g := range dts {
		m, dx := ms[k], xs[k]-cx
		gd := g * dqs[k]
		gu := gd * dx
		gm += g * m
		g0 += gd
		g1 += gu
		g2 += gu * dx
		gg += g * g
		gr += g * (amp*m - vs[k])
	}
	y := w.dy - cy
	a[0][6] += gm
	a[1][6] += g1
	a[2][6] += y * g0
	a[3][6] += g2
	a[4][6] += y * g1
	a[5][6] += y * y * g0
	a[6][6] += gg
	b[6] += gr
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
