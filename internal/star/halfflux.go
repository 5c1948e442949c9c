package star

import (
	"math"
	"slices"
)

// enclosed returns the fraction of the profile's light inside a circle of the
// given radius round its centre: the mean along 16 rays over half a turn, or 8
// if it is nearly round, exact to 1e-4 up to an ellipticity of 0.6.
//
// Derived: along a ray on which the form is k r^2, the integral of the profile
// times r up to R is [1 - (1 + tail k R^2)^(1 - 1/tail)] / (2 k (1 - tail)).
func (p *profile) enclosed(radius float64) float64 {
	part, whole := 0.0, 0.0
	inverse := 1 / p.tail
	step := 1
	if mean, d := (p.xx+p.yy)/2, math.Hypot((p.xx-p.yy)/2, p.xy); d < 0.2*mean {
		step = 2
	}
	for i := 0; i < len(raySin); i += step {
		c, s := raySin[i].c, raySin[i].s
		k := p.xx*c*c + 2*p.xy*c*s + p.yy*s*s
		h := k * radius * radius
		outside := 0.0
		if p.tail < 1e-4 {
			outside = expNeg(h)
		} else {
			outside = expNeg(logOf(1+p.tail*h) * (inverse - 1))
		}
		part += (1 - outside) / k
		whole += 1 / k
	}
	return part / whole
}

var raySin = func() (r [16]struct{ c, s float64 }) {
	for i := range r {
		r[i].s, r[i].c = math.Sincos(math.Pi * float64(i) / float64(len(r)))
	}
	return
}()

// halfFlux returns the diameter of the circle round the profile's centre that
// holds half of the light of the profile and of what it leaves of the gathered
// pixels. Without residuals it is the profile's own.
func (t *fitter) halfFlux(p *profile, residuals bool) float64 {
	whole, total := p.whole(), p.flux()
	// The half-light radius of a round profile.
	g, k := math.Max(p.tail, 1e-4), math.Sqrt(p.xx*p.yy-p.xy*p.xy)
	r := math.Sqrt((math.Pow(1-total/whole/2, g/(g-1)) - 1) / (g * k))
	sum := 0.0
	near, reach := 0, 2*r+1 // of the pixels those within reach come first
	if residuals {
		n := len(t.v)
		t.radius, t.left = resizeTo(t.radius, n), resizeTo(t.left, n)
		t.spread(p, t.runs)
		cx, cy := p.x-t.x0, p.y-t.y0
		for k, v := range t.v {
			dx, dy := t.dx[k]-cx, t.dy[k]-cy
			away, left := math.Sqrt(dx*dx+dy*dy), v-p.amp*t.m[k]
			sum += left
			at := near
			if away < reach {
				near++
			} else {
				n--
				at = n
			}
			t.radius[at], t.left[at] = away, left
		}
	}
	half := (total + sum) / 2
	if !(half > 0) {
		return math.NaN()
	}
	beyond := func(radius float64) float64 { // the light inside over half of it
		e := whole * p.enclosed(radius)
		if residuals {
			inside := t.radius
			if radius+0.5 < reach {
				inside = inside[:near]
			}
			for k, r := range inside {
				// The share of the pixel inside, as if the circle's edge were straight.
				if d := radius - r + 0.5; d >= 1 {
					e += t.left[k]
				} else if d > 0 {
					e += d * t.left[k]
				}
			}
		}
		return e - half
	}
	// Newton's method, begun with the radius and the slope of a round profile;
	// where that leaves the bracket, halves of it.
	slope := whole * 2 * k * r * (1 - g) * math.Pow(1+g*k*r*r, -1/g)
	end := 2 * fluxReach * p.fwhm()
	lo, hi := 0.0, end
	for range 40 {
		v := beyond(r)
		if math.Abs(v) < 1e-5*half || hi < end && hi-lo < 1e-4*hi {
			return 2 * r
		}
		if v < 0 {
			lo = r
		} else {
			hi = r
		}
		if r -= v / slope; !(r > lo && r < hi) {
			r = (lo + hi) / 2
		}
	}
	return math.NaN()
}

func resizeTo(v []float64, n int) []float64 {
	if cap(v) < n {
		return make([]float64, n)
	}
	return v[:n]
}

// blob is a star measured without a profile, by the sums of its pixels.
type blob struct {
	x, y        float64
	sigmaX      float64 // error of the place along each axis
	flux, sigma float64
	c           moments
	hfd         float64
	centre      float64 // mean of the innermost pixels, above the sky
	ring        float64 // mean round the circle where that is greatest
	ringRadius  float64
	atHalf      float64 // mean round the circle that holds half of the light
	grain       float64 // error of 0.8 centre - atHalf by noise
	cut         bool    // the aperture is cut off
}

// sums measures the light within reach of x, y, after taking off the median of
// what lies between reach and one and a half times it. perADU is the variance
// each ADU of light adds.
func (s *stamp) sums(x, y, reach, perADU float64) (blob, bool) {
	var b blob
	var sky []float32
	for j := range s.h {
		for i := range s.w {
			r := math.Hypot(float64(s.x0+i)-x, float64(s.y0+j)-y)
			if v := s.v[j*s.w+i]; v == v && r > reach && r < 1.5*reach {
				sky = append(sky, v)
			}
		}
	}
	local := 0.0
	if len(sky) > 20 {
		m, _ := clipped(sky)
		if m == m {
			local = float64(m)
		}
	}
	b.x, b.y = x, y
	type ringed struct{ r, v float64 }
	var pixels []ringed
	for step := range 8 {
		var light, sx, sy, xx, xy, yy float64
		n, blank := 0, 0
		pixels = pixels[:0]
		for j := int(b.y - reach); j <= int(b.y+reach)+1; j++ {
			for i := int(b.x - reach); i <= int(b.x+reach)+1; i++ {
				dx, dy := float64(i)-b.x, float64(j)-b.y
				r := math.Hypot(dx, dy)
				if r > reach {
					continue
				}
				v := s.at(i, j) - local
				if v != v {
					blank++
					continue
				}
				n++
				light += v
				sx += v * dx
				sy += v * dy
				xx += v * dx * dx
				xy += v * dx * dy
				yy += v * dy * dy
				pixels = append(pixels, ringed{r, v})
			}
		}
		if !(light > 0) || n < 5 {
			return b, false
		}
		sx, sy = sx/light, sy/light
		b.flux = light
		b.c = moments{xx/light - sx*sx, xy/light - sx*sy, yy/light - sy*sy}
		b.sigma = math.Sqrt(float64(n)*s.noise*s.noise + light*perADU)
		b.sigmaX = math.Sqrt(s.noise*s.noise*math.Pi*reach*reach*reach*reach/4+light*perADU*math.Max(b.c.xx+b.c.yy, 0)/2) / light
		b.cut = 4*blank > n
		if step == 7 || math.Hypot(sx, sy) < 0.01 {
			break
		}
		b.x += sx
		b.y += sy
		if math.Hypot(b.x-x, b.y-y) > reach {
			return b, false
		}
	}
	slices.SortFunc(pixels, func(p, q ringed) int {
		switch {
		case p.r < q.r:
			return -1
		case p.r > q.r:
			return 1
		}
		return 0
	})
	inside := func(radius float64) float64 {
		e := 0.0
		for _, p := range pixels {
			if p.r > radius+0.5 {
				break
			}
			e += p.v * math.Max(0, math.Min(1, radius-p.r+0.5))
		}
		return e
	}
	lo, hi := 0.0, reach
	for hi-lo > 1e-4*reach {
		mid := (lo + hi) / 2
		if inside(mid) < b.flux/2 {
			lo = mid
		} else {
			hi = mid
		}
	}
	b.hfd = lo + hi
	// The mean round circles a ninth of the diameter thick, at least a pixel.
	thick := math.Max(1, b.hfd/9)
	n := 0
	around := func(r0, r1 float64) float64 {
		sum := 0.0
		n = 0
		for _, p := range pixels {
			if p.r >= r0 && p.r < r1 {
				sum += p.v
				n++
			}
		}
		return sum / float64(n)
	}
	b.centre = around(0, thick)
	b.grain = 0.8 * math.Sqrt((s.noise*s.noise+math.Max(b.centre, 0)*perADU)/float64(n))
	b.ring = math.Inf(-1)
	for r := 0.0; r < reach-thick; r += thick / 2 {
		if m := around(r, r+thick); m > b.ring {
			b.ring, b.ringRadius = m, r+thick/2
		}
	}
	b.atHalf = around(b.hfd/2-thick/2, b.hfd/2+thick/2)
	b.grain = math.Hypot(b.grain, math.Sqrt((s.noise*s.noise+math.Max(b.atHalf, 0)*perADU)/float64(n)))
	return b, true
}

// flat reports whether the blob is the image of a pupil rather than of a point:
// as bright halfway out as in the middle, or brighter, give or take slack in
// units of the light. Any profile with a single top falls to about a half there,
// an even disc is flat from four times the width of the air on, one with a third
// of its diameter dark from two and a half times.
func (b *blob) flat(slack float64) bool { return b.hfd > 5 && b.atHalf+slack > 0.8*b.centre }

// hole returns how much darker the centre is than the ring, 0 to 1.
func (b *blob) hole() float64 {
	if !(b.ring > 0) {
		return 0
	}
	return math.Max(0, math.Min(1, 1-b.centre/b.ring))
}
