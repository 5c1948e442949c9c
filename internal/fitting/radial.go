package fitting

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"holdfast/internal/frame"
	"holdfast/internal/num"
	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// Radial is how the light of a frame's stars falls off from their centres: the
// mean round circles, of the good stars together, each star counting by its
// light.
type Radial struct {
	Radius []unit.Px // mean radius of the pixels of a ring, growing
	Light  []float64 // mean light of a pixel there, of a star of unit flux, near zero far out
	Sigma  []float64 // its standard error, by the scatter
	HFD    unit.Px   // half-flux diameter of the stars used
	Stars  int       // how many were used
}

// mostRadial is how many stars make a radial profile: more do not sharpen it,
// since what is left is not noise.
const mostRadial = 16

// spoiled are the flags of a star whose light round its centre is not its own.
const spoiled = star.Saturated | star.Edge | star.Blended | star.Clipped | star.Extended

// goodStars returns up to n stars of the frame fit for focus, bright first:
// unspoiled, and as wide as the frame's stars are.
func goodStars(m *star.Frame, n int) []star.Star {
	var out []star.Star
	for _, s := range m.Stars {
		if s.Flags&spoiled != 0 || s.SNR < 15 || !(math.Abs(float64(s.HFD/m.HFD)-1) < 0.15) {
			continue
		}
		if out = append(out, s); len(out) == n {
			break
		}
	}
	return out
}

// NewRadial reads the light round the frame's good stars, of which m is the
// measurement. The error says that there are none, or that the frame can not be
// read.
func NewRadial(f *frame.Frame, m star.Frame) (*Radial, error) {
	stars := goodStars(&m, mostRadial)
	if len(stars) == 0 {
		return nil, errors.New("fitting: the frame has no star that is bright, whole and alone: its stars' light can not be followed outward")
	}
	var spots []spot
	for _, s := range stars {
		spots = append(spots, spot{float64(s.X), float64(s.Y), float64(s.HFD), 0})
	}
	return radialAt(f, spots, false)
}

// spot is a star whose light is followed outward. Its light is in any unit, 0 if
// it is to be summed: not in a crowd, where the sum is also its neighbours'.
type spot struct{ x, y, hfd, light float64 }

// radialAt reads the light round stars. In a crowd the middle half of the pixels of
// a circle counts instead of four fifths, and circles may be cut by the frame.
func radialAt(f *frame.Frame, stars []spot, crowd bool) (*Radial, error) {
	var hfds []float64
	for _, s := range stars {
		hfds = append(hfds, s.hfd)
	}
	slices.Sort(hfds)
	hfd := stat.Quantile(0.5, stat.Empirical, hfds, nil)
	reach := 1.35*hfd + 5
	width := max(0.5, reach/60)
	n := int(reach / width)
	// A ring of all stars: sums over their pixels, each weighed by the square of
	// its star's light; grain is the part of the variance that grows with the light.
	type circle struct{ light, radius, weight, grain float64 }
	rings := make([]circle, n)
	used := 0
	var grains []float64 // variance of a pixel per light
	var rows []float32
	bins := make([][]float64, n)
	radii := make([][]float64, n)
	for _, s := range stars {
		x, y := s.x, s.y
		y0, y1 := max(int(y-reach), 0), min(int(y+reach)+2, f.Height)
		x0, x1 := max(int(x-reach), 0), min(int(x+reach)+2, f.Width)
		need := reach
		if crowd {
			need = 0.7 * hfd // to the edge of the disc, no more
		}
		if x-need < 0 || y-need < 0 || x+need > float64(f.Width-1) || y+need > float64(f.Height-1) {
			continue
		}
		if size := (y1 - y0) * f.Width; cap(rows) < size {
			rows = make([]float32, size)
		}
		rows = rows[:(y1-y0)*f.Width]
		if err := f.Rows(y0, y1, rows); err != nil {
			return nil, fmt.Errorf("fitting: %w", err)
		}
		for i := range bins {
			bins[i], radii[i] = bins[i][:0], radii[i][:0]
		}
		for j := y0; j < y1; j++ {
			for i := x0; i < x1; i++ {
				v := float64(rows[(j-y0)*f.Width+i])
				r := math.Hypot(float64(i)-x, float64(j)-y)
				if b := int(r / width); b < n && v == v && f.Lattice.Holds(i, j) {
					bins[b] = append(bins[b], v)
					radii[b] = append(radii[b], r)
				}
			}
		}
		var outside []float64
		for b := n - max(n/8, 2); b < n; b++ {
			outside = append(outside, bins[b]...)
		}
		if len(outside) < 8 {
			continue
		}
		slices.Sort(outside)
		level := stat.Quantile(0.5, stat.Empirical, outside, nil)
		means, flux := make([]float64, n), 0.0
		scatter := make([]float64, n)
		for b := range bins {
			if len(bins[b]) == 0 {
				continue
			}
			scatter[b] = aboutLine(radii[b], bins[b])
			means[b] = trimmed(bins[b], crowd) - level
			flux += means[b] * math.Pi * (sq(float64(b+1)) - sq(float64(b))) * width * width
		}
		if s.light > 0 {
			flux = s.light
		}
		if !(flux > 0) {
			continue
		}
		used++
		weight := flux * flux
		sky, bright := aboutLine(nil, outside), slices.Max(means)/4
		for b := range bins {
			if means[b] > bright && len(bins[b]) > 6 {
				grains = append(grains, max(scatter[b]-sky, 0)/means[b])
			}
		}
		for b := range bins {
			if k := len(bins[b]); k > 0 {
				w := weight * float64(k)
				l := means[b] / flux
				rings[b].light += w * l
				rings[b].weight += w
				rings[b].radius += w * stat.Mean(radii[b], nil)
				rings[b].grain += w * max(means[b], 0)
			}
		}
	}
	if used == 0 {
		return nil, errors.New("fitting: every bright star stands too near the edge to follow its light outward")
	}
	out := &Radial{HFD: unit.Px(hfd), Stars: used}
	top := 0.0
	for _, r := range rings {
		if r.weight > 0 {
			top = max(top, r.light/r.weight)
		}
	}
	// The error of a ring: the noise of its pixels as the rings far out show it,
	// that of the stars' own light, and a hundredth of the top for what no symmetric
	// model describes.
	var far []float64
	for _, r := range rings[n-max(n/4, 3):] {
		if r.weight > 0 {
			far = append(far, r.light/r.weight)
		}
	}
	noise, grain := stat.StdDev(far, nil), 0.0
	if len(grains) > 0 {
		slices.Sort(grains)
		grain = stat.Quantile(0.5, stat.Empirical, grains, nil)
	}
	for b, r := range rings {
		if r.weight == 0 {
			continue
		}
		out.Radius = append(out.Radius, unit.Px(r.radius/r.weight))
		out.Light = append(out.Light, r.light/r.weight)
		// Rings far out hold more pixels than those near the centre.
		few := math.Sqrt(0.875 * float64(n) / (float64(b) + 0.5))
		out.Sigma = append(out.Sigma, math.Sqrt(sq(noise*max(few, 0.5))+grain*r.grain/sq(r.weight)+sq(0.01*top)))
	}
	return out, nil
}

// aboutLine returns the variance of y about its regression on x, or about its mean
// if x is nil. NaN for fewer than four.
func aboutLine(x, y []float64) float64 {
	if len(y) < 4 {
		return math.NaN()
	}
	if x == nil {
		return stat.Variance(y, nil)
	}
	a, b := stat.LinearRegression(x, y, nil, false)
	sum := 0.0
	for i := range y {
		sum += sq(y[i] - a - b*x[i])
	}
	return sum / float64(len(y)-2)
}

// trimmed returns the mean of the middle four fifths of v, in a crowd of the
// middle half. It sorts v.
func trimmed(v []float64, crowd bool) float64 {
	slices.Sort(v)
	cut := len(v) / 10
	if crowd {
		cut = len(v) / 4
	}
	return stat.Mean(v[cut:len(v)-cut], nil)
}

func sq(x float64) float64 { return x * x }

// pupil is the disc that a radial profile shows.
type pupil struct {
	disc, discSigma float64 // outer diameter, px
	hole            float64 // its hole over its diameter
	fwhm            float64 // of the star that the disc spreads, pixel included, px
	fwhmSigma       float64
	resolved        bool    // the disc shows: it is not merely a wider star
	sum             float64 // chi squared
	misfit          float64 // what the model leaves, over what the errors allow: reduced chi squared
}

// air is how a star in focus falls off, as an optical transfer function at f
// cycles per pixel.
type air func(fwhm, f float64) float64

// A star in focus lies between these two: air with wings, and a Gaussian.
var airs = []air{
	func(fwhm, f float64) float64 { return psf.Air(unit.Arcsec(fwhm)).OTF(f, 0) },
	func(fwhm, f float64) float64 {
		return psf.Gaussian(psf.Round(unit.Arcsec(fwhm/fwhmPerSigma))).OTF(f, 0)
	},
}

// fwhmPerSigma is 2 sqrt(2 ln 2), the FWHM of a Gaussian over its sigma.
const fwhmPerSigma = 2.3548200450309493

// fit returns the disc with a hole that, spread by a star in focus, makes the
// profile. The hole over the disc is given, or NaN to be found too. airy is the
// wavelength times the focal ratio, px, by which the disc is the image that waves
// make; 0 is geometry's.
//
// A disc shows if no star in focus of any width, with wings or without, does as
// well by 12 of chi squared, and if it is at least 1.2 times as wide as the star.
func (p *Radial) fit(hole, airy float64) (pupil, bool) {
	if len(p.Radius) < 8 {
		return pupil{}, false
	}
	h := newHankel(p)
	best, ok := h.fit(hole, 0, 0, 0)
	star := h.star(0)
	switch {
	case !ok || !(airy > 0):
	case best.disc >= 16*airy:
		// The waves follow from the disc, and the disc from the image they make.
		for range 2 {
			if best, ok = h.fit(hole, airy, best.disc, 0); !ok {
				return best, false
			}
		}
	case star > enough:
		if best, ok = h.near(hole, airy); ok {
			star = min(star, h.star(airy))
		}
	}
	best.resolved = (star-best.sum)/max(best.misfit, 1) > enough && best.disc > 1.2*best.fwhm
	// What no model of air and pupil describes: common practice, no source. A hole
	// that is not known trades against the disc, the more the softer its edge.
	best.discSigma = math.Hypot(best.discSigma, 0.015*best.disc)
	if math.IsNaN(hole) {
		best.discSigma = math.Hypot(best.discSigma, 0.06*min(best.disc, 2.5*best.fwhm))
	}
	return best, ok
}

// enough is by how much of chi squared a disc must be better than a star in focus.
const enough = 12

// hankel draws profiles from transfer functions.
type hankel struct {
	*Radial
	least  float64 // narrower stars in focus can not be told apart
	high   float64 // of the frequencies, cycles per pixel
	df     float64
	bessel []float64 // for each frequency, what each ring takes of it
	model  []float64
	rest   []float64
}

// newHankel prepares for the rings of a profile.
//
// Source: the profile is the Hankel transform of the transfer function,
// I(r) = 2 pi Int T(f) J0(2 pi f r) f df, by Simpson's rule.
func newHankel(p *Radial) *hankel {
	n := len(p.Radius)
	step := float64(p.Radius[n-1]) / float64(n)
	h := &hankel{Radial: p, least: max(1.0, 1.5*step), model: make([]float64, n), rest: make([]float64, n)}
	// Up to where the narrowest star has fallen to 1e-5, finely enough for the
	// widest disc.
	h.high = 1.8 / h.least
	reach := float64(p.Radius[n-1]) + float64(p.HFD)
	steps := 2 * int(4*h.high*reach+20)
	h.df = h.high / float64(steps)
	for k := range steps + 1 {
		f := h.df * float64(k)
		for _, r := range p.Radius {
			h.bessel = append(h.bessel, simpson(k, steps)*h.df/3*2*math.Pi*f*math.J0(2*math.Pi*f*float64(r)))
		}
	}
	return h
}

// draw returns the profile of a star of the given air and width behind a pupil.
// It holds until the next.
func (h *hankel) draw(a air, width float64, pupil func(f float64) float64) []float64 {
	n := len(h.model)
	clear(h.model)
	for k := 0; k*n < len(h.bessel); k++ {
		f := h.df * float64(k)
		t := a(width, f)
		if t < 1e-7 {
			break
		}
		t *= pupil(f)
		for i, b := range h.bessel[k*n : k*n+n] {
			h.model[i] += t * b
		}
	}
	return h.model
}

// leftover fills out with what a profile leaves of the light, weighted, and
// returns its sum of squares. Amplitude and level are linear and found at once.
func (h *hankel) leftover(m, out []float64) float64 {
	var s, sm, smm, sy, smy float64
	for i, v := range m {
		w := 1 / sq(h.Sigma[i])
		s, sm, smm = s+w, sm+w*v, smm+w*v*v
		sy, smy = sy+w*h.Light[i], smy+w*v*h.Light[i]
	}
	det := s*smm - sm*sm
	a, b := (s*smy-sm*sy)/det, (smm*sy-sm*smy)/det
	sum := 0.0
	for i, v := range m {
		out[i] = (h.Light[i] - a*v - b) / h.Sigma[i]
		sum += sq(out[i])
	}
	return sum
}

// star returns the least that a star in focus leaves, behind a telescope of the
// given wavelength times focal ratio.
func (h *hankel) star(airy float64) float64 {
	spread := func(float64) float64 { return 1 }
	if airy > 0 {
		// An aperture whose lambda/D is the given number of pixels.
		k := psf.Airy(wavelengthUsual, unit.MM(float64(wavelengthUsual.MM())*unit.ArcsecPerRad/airy), 0)
		spread = func(f float64) float64 { return k.OTF(f, 0) }
	}
	least := math.Inf(1)
	for _, a := range airs {
		for width := 0.4 * float64(h.HFD); width < 1.3*float64(h.HFD); width *= 1.03 {
			least = min(least, h.leftover(h.draw(a, max(width, h.least), spread), h.rest))
		}
	}
	return least
}

// near is fit where the image changes its form with the distance, up to some two
// waves: discs are tried one after the other.
func (h *hankel) near(hole, airy float64) (pupil, bool) {
	tried := map[float64]pupil{}
	at := func(d float64) float64 {
		k, seen := tried[d]
		if !seen {
			var ok bool
			if k, ok = h.fit(hole, airy, d, d); !ok {
				k.sum = math.Inf(1)
			}
			tried[d] = k
		}
		return k.sum
	}
	const ratio = 1.1
	disc := 0.7 * float64(h.HFD)
	for d := disc; d < 2.2*float64(h.HFD); d *= ratio {
		if at(d) < at(disc) {
			disc = d
		}
	}
	// Narrowed by thirds, and widened to where chi squared has grown by one.
	lo, hi := disc/ratio, disc*ratio
	for range 8 {
		if a, b := lo+(hi-lo)/3, hi-(hi-lo)/3; at(a) <= at(b) {
			hi = b
		} else {
			lo = a
		}
	}
	for d, k := range tried {
		if k.sum < at(disc) {
			disc = d
		}
	}
	best := tried[disc]
	if math.IsInf(best.sum, 1) {
		return best, false
	}
	reach := func(way float64) float64 {
		for part := 0.006; part < 0.5; part *= 1.8 {
			if rise := (at(disc*(1+way*part)) - best.sum) / max(best.misfit, 0.05); rise >= 1 {
				return disc * part / math.Sqrt(rise)
			}
		}
		return disc / 2
	}
	best.discSigma = max(reach(-1), reach(1))
	return best, true
}

// fit finds disc, hole and width with the image that waves make of a disc about as
// wide as given; with airy of 0 it is geometry's. A disc that is held, above 0, is
// not fitted, nor is a hole that is given.
func (h *hankel) fit(hole, airy, about, held float64) (pupil, bool) {
	n, hfd := len(h.Radius), float64(h.HFD)
	var waves *psf.PupilImage
	if airy > 0 {
		most := 2 * hfd
		if held > 0 {
			most = 1.01 * held // and what a derivative looks at
		}
		waves = psf.NewPupilImage(about/(8*airy), hole, h.high*most)
	}
	leftover := func(a air, disc, e, width float64, out []float64) float64 {
		if waves != nil {
			return h.leftover(h.draw(a, width, func(f float64) float64 { return waves.OTF(f*disc, e) }), out)
		}
		d := psf.Disc(unit.Arcsec(disc), e)
		return h.leftover(h.draw(a, width, func(f float64) float64 { return d.OTF(f, 0) }), out)
	}
	shares := []float64{0.15, 0.4, 0.75, 0.98}
	if held > 0 {
		shares = []float64{0.3, 0.7}
	}
	var best pupil
	bestSum := math.Inf(1)
	for _, a := range airs {
		for _, share := range shares {
			width := max(share*hfd, h.least)
			e := hole
			if math.IsNaN(e) {
				e = 0.2
			}
			area := max(hfd*hfd-width*width, 0.02*hfd*hfd) * 2 / (1 + e*e)
			// The unknowns: square of the disc, hole, width.
			x := []float64{area, e, width}
			lower := []float64{0, 0, h.least}
			upper := []float64{sq(2 * hfd), 0.75, 1.2*hfd + 1}
			if !math.IsNaN(hole) {
				lower[1], upper[1] = e, e
			}
			if held > 0 {
				x[0], lower[0], upper[0] = sq(held), sq(held), sq(held)
			}
			base, moved := make([]float64, n), make([]float64, n)
			normal := num.Residuals(n+1, func(x, r, j []float64) {
				sqrt := func(v float64) float64 { return math.Sqrt(max(v, 0)) }
				leftover(a, sqrt(x[0]), x[1], x[2], base)
				copy(r, base)
				for k, step := range [3]float64{1e-4*sq(hfd) + 1e-4*x[0], 1e-3, 1e-3 * x[2]} {
					if lower[k] == upper[k] {
						for i := range n + 1 {
							j[i*3+k] = 0
						}
						continue
					}
					y := [3]float64{x[0], x[1], x[2]}
					if y[k] += step; k == 1 && x[1] > 0.7 {
						y[k] -= 2 * step
						step = -step
					}
					leftover(a, sqrt(y[0]), y[1], y[2], moved)
					for i := range moved {
						j[i*3+k] = (moved[i] - base[i]) / step
					}
					j[n*3+k] = 0
				}
				// A weak belief in small holes keeps the hole of an unresolved
				// disc from wandering.
				r[n] = (x[1] - 0.2) / 0.3
				j[n*3+1] = 1 / 0.3
			})
			res, _ := num.LeastSquares(x, normal, num.Options{MaxIterations: 40, StepTol: 1e-5, Lower: lower, Upper: upper})
			if math.IsNaN(res.SumSq) || res.SumSq >= bestSum {
				continue
			}
			bestSum = res.SumSq
			scale := max(res.SumSq/float64(n-4), 0.05)
			c := slices.Clone(res.JTJ)
			for k := range 3 { // what is held has no error
				if lower[k] == upper[k] || res.Held[k] {
					for i := range 3 {
						c[k*3+i], c[i*3+k] = 0, 0
					}
					c[k*3+k] = 1e30
				}
			}
			if !num.InvertPositive(c, 3) {
				continue
			}
			d := math.Sqrt(max(x[0], 0))
			best = pupil{disc: d, hole: x[1], fwhm: x[2], fwhmSigma: math.Sqrt(c[8] * scale), sum: bestSum, misfit: bestSum / float64(n-4)}
			areaSigma := math.Sqrt(c[0] * scale)
			if d*d > 2*areaSigma {
				best.discSigma = areaSigma / (2 * d)
			} else {
				best.discSigma = math.Sqrt(d*d+areaSigma) - d
			}
		}
	}
	return best, !math.IsInf(bestSum, 1)
}

// simpson is the weight of point i of n+1.
func simpson(i, n int) float64 {
	switch {
	case i == 0 || i == n:
		return 1
	case i%2 == 1:
		return 4
	}
	return 2
}
