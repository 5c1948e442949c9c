package star

import (
	"math"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// A peak can be two stars: too near each other for two peaks of the smoothed
// picture, or one on the flank of the other. The first are drawn out, the second
// leave light beside the profile that fits the brighter.

// split finds the two stars of the frame's typical shape that the gathered
// pixels are, if the profile p, fitted to them as one star, looks like that. ok
// is false if it does not, or if two stars fit no better than one, or if they
// are less than 0.7 FWHM apart.
func (w *worker) split(s *survey, st *stamp, p *profile) (one, two profile, ok bool) {
	noise := st.noise
	// What is faint, or fits as well as noise allows, tells nothing.
	expected := float64(len(w.fit.v))*noise*noise + s.perADU*p.whole()
	if p.amp < 5*noise || w.fit.left2 < 1.25*expected {
		return one, two, false
	}
	major, minor, angle := p.widths()
	typicalMajor, typicalMinor, _ := s.typical.widths()
	if float64(major) > 1.15*float64(typicalMajor) && float64(minor) < 1.3*float64(typicalMinor) {
		apart := 0.8 * math.Sqrt(float64(major)*float64(major)-float64(typicalMajor)*float64(typicalMajor))
		sin, cos := math.Sincos(float64(angle.Rad()))
		one, two = s.typical, s.typical
		one.amp, one.x, one.y = p.amp, p.x-cos*apart/2, p.y-sin*apart/2
		two.amp, two.x, two.y = p.amp, p.x+cos*apart/2, p.y+sin*apart/2
		if left, ok := w.two(s, p, &one, &two, noise); ok && !w.trail(s, p, apart, left) {
			return one, two, true
		}
	}
	x, y, left := w.beside(st, p, 0.8*s.typical.fwhm())
	own := math.Sqrt(noise*noise + s.perADU*p.at(x, y))
	if left < 3*own || left < (0.02+5*s.misfit)*p.amp {
		return one, two, false
	}
	one, two = s.typical, s.typical
	one.amp, one.x, one.y = p.amp, p.x, p.y
	two.amp, two.x, two.y = left, x, y
	rest, ok := w.two(s, p, &one, &two, noise)
	return one, two, ok && !w.trail(s, p, math.Hypot(x-p.x, y-p.y), rest)
}

// nodes and shares are the places and weights of Gauss and Legendre's rule of six
// points for a mean over -1 to 1.
var nodes, shares = [6]float64{-0.9324695142031521, -0.6612093864662645, -0.2386191860831969, 0.2386191860831969, 0.6612093864662645, 0.9324695142031521},
	[6]float64{0.0856622461895852, 0.1803807865240693, 0.2339569672863455, 0.2339569672863455, 0.1803807865240693, 0.0856622461895852}

// trail reports whether the gathered pixels are as well one star of the typical
// shape, in a width of its own, that was drawn along a straight line: whether
// that leaves hardly more of them than two stars do, apart from each other and
// leaving the sum of squares left. p is the star fitted as one.
func (w *worker) trail(s *survey, p *profile, apart, left float64) bool {
	t := &w.fit
	xx, xy, yy, tail := s.typical.xx, s.typical.xy, s.typical.yy, s.typical.tail
	_, _, angle := p.widths()
	sin, cos := math.Sincos(float64(angle.Rad()))
	half := math.Sqrt(3) / 2 * apart // as long as it is wide about its middle
	x := []float64{p.amp, p.x - t.x0, p.y - t.y0, half * cos, half * sin, 1}
	problem := num.Residuals(len(t.v), func(x, r, j []float64) {
		for k, v := range t.v {
			row := j[6*k:][:6]
			clear(row)
			for i, part := range shares {
				dx, dy := t.dx[k]-x[1]-nodes[i]*x[3], t.dy[k]-x[2]-nodes[i]*x[4]
				q := xx*dx*dx + 2*xy*dx*dy + yy*dy*dy
				m, dq := slope(q*math.Abs(x[5]), tail, 1/tail)
				m, dq = part*m, part*dq*x[0]*math.Abs(x[5])
				gx, gy := -2*dq*(xx*dx+xy*dy), -2*dq*(xy*dx+yy*dy)
				row[0] += m
				row[1] += gx
				row[2] += gy
				row[3] += nodes[i] * gx
				row[4] += nodes[i] * gy
				row[5] += dq * q / x[5]
			}
			r[k] = row[0]*x[0] - v
		}
	})
	res, err := num.LeastSquares(x, problem, num.Options{MaxIterations: 20, StepTol: 1e-2})
	return err == nil && res.SumSq < 1.25*left
}

// beside returns where, at least reach from its centre, the profile leaves most
// light, and how much, in the mean of three by three pixels.
func (w *worker) beside(st *stamp, p *profile, reach float64) (x, y, left float64) {
	t := &w.fit
	left = math.Inf(-1)
	t.spread(p, t.runs)
	for k, v := range t.v {
		px, py := t.dx[k]+t.x0, t.dy[k]+t.y0
		dx, dy := px-p.x, py-p.y
		if dx*dx+dy*dy < reach*reach {
			continue
		}
		if r := v - p.amp*t.m[k]; r > left {
			x, y, left = px, py, r
		}
	}
	sum, n := 0.0, 0
	for j := -1; j <= 1; j++ {
		for i := -1; i <= 1; i++ {
			if v := st.at(int(x)+i, int(y)+j); v == v {
				sum += v - p.at(x+float64(i), y+float64(j))
				n++
			}
		}
	}
	return x, y, sum / float64(max(n, 1))
}

// two fits two profiles at once, their shapes held, and reports whether they
// are two stars and leave clearly less than the one. left is the sum of squares
// that they leave.
func (w *worker) two(s *survey, p, one, two *profile, noise float64) (left float64, ok bool) {
	t := &w.fit
	xx, xy, yy, tail := s.typical.xx, s.typical.xy, s.typical.yy, s.typical.tail
	x := []float64{one.amp, one.x - t.x0, one.y - t.y0, two.amp, two.x - t.x0, two.y - t.y0}
	problem := num.Residuals(len(t.v), func(x, r, j []float64) {
		for k, v := range t.v {
			r[k] = -v
			for h := 0; h < 6; h += 3 {
				dx, dy := t.dx[k]-x[h+1], t.dy[k]-x[h+2]
				m, dq := slope(xx*dx*dx+2*xy*dx*dy+yy*dy*dy, tail, 1/tail)
				r[k] += x[h] * m
				j[k*6+h] = m
				j[k*6+h+1] = -2 * x[h] * dq * (xx*dx + xy*dy)
				j[k*6+h+2] = -2 * x[h] * dq * (xy*dx + yy*dy)
			}
		}
	})
	res, err := num.LeastSquares(x, problem, num.Options{MaxIterations: 40, StepTol: 1e-3})
	if err != nil {
		return 0, false
	}
	if res.SumSq > 0.8*t.left2 || t.left2-res.SumSq < 25*(noise*noise+s.perADU*math.Max(x[3], 0)) {
		return 0, false
	}
	one.amp, one.x, one.y = x[0], x[1]+t.x0, x[2]+t.y0
	two.amp, two.x, two.y = x[3], x[4]+t.x0, x[5]+t.y0
	if one.amp < two.amp {
		*one, *two = *two, *one
	}
	typicalMajor, typicalMinor, _ := s.typical.widths()
	gap := unit.Px(math.Hypot(one.x-two.x, one.y-two.y))
	return res.SumSq, two.amp > 3*noise && gap > 0.7*typicalMinor && gap < 2.5*typicalMajor
}
