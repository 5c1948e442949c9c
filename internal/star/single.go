package star

import (
	"math"

	"holdfast/internal/frame"
	"holdfast/internal/unit"
)

// ownTail is the signal-to-noise ratio from which a star has an exponent of its
// own, ownShape that from which its place is measured with a window of its own
// shape.
const (
	ownTail  = 100
	ownShape = 40
)

// faintestStar is the least ratio of a star's light to its noise. A star's own
// shape gathers its light better than the smoothing it was found by, so that it
// has about as much as its peak had, threshold or more; a peak that noise has
// made loses by it.
const faintestStar = 5.5

// base returns a first profile of the i-th peak, its neighbours' pixels left
// out.
func (w *worker) base(s *survey, i, half int, major float64) (profile, bool) {
	if p, ok := w.bases[i]; ok {
		return p, p.amp > 0
	}
	c := s.peaks[i]
	st := &w.other
	w.view(s, i).cut(st, s.sky, float64(c.x), float64(c.y), half, s.ceiling)
	w.neighbours(s, i, 5*major, func(j int, d candidate) {
		if d.snr > 0.05*c.snr {
			st.blank(float64(c.x), float64(c.y), float64(d.x), float64(d.y))
		}
	})
	p := s.start(st, c)
	w.fit.gather(st, &p)
	ok := w.fit.fit(&p, false)
	if !ok || math.Hypot(p.x-float64(c.x), p.y-float64(c.y)) > major {
		p.amp = 0
	}
	w.bases[i] = p
	return p, p.amp > 0
}

// view returns the pixels around the i-th peak.
func (w *worker) view(s *survey, i int) *rows {
	if s.kept {
		return &s.found.kept[s.peaks[i].kept]
	}
	return &w.rows
}

// start returns the typical profile laid on the candidate.
func (s *survey) start(st *stamp, c candidate) profile {
	p := s.typical
	p.x, p.y = float64(c.x), float64(c.y)
	cx, cy := int(math.Round(p.x)), int(math.Round(p.y))
	for j := cy - 1; j <= cy+1; j++ {
		for i := cx - 1; i <= cx+1; i++ {
			if v := st.at(i, j); v > p.amp || p.amp == 1 && v == v {
				p.amp = v
			}
		}
	}
	p.amp = math.Max(p.amp, st.noise)
	return p
}

// neighbours calls f with the peaks within reach of the i-th.
func (w *worker) neighbours(s *survey, i int, reach float64, f func(j int, d candidate)) {
	c := s.peaks[i]
	near(s.peaks, c.x, c.y, float32(reach), func(j int, d candidate) {
		dx, dy := float64(d.x-c.x), float64(d.y-c.y)
		if j != i && dx*dx+dy*dy < reach*reach {
			f(j, d)
		}
	})
}

// fragment reports whether the i-th peak is a ripple on a brighter star: on the
// way to it the light does not dip by more than noise makes it.
func (w *worker) fragment(s *survey, i int, reach, noise float64) bool {
	c := s.peaks[i]
	found := false
	r := w.view(s, i)
	w.neighbours(s, i, reach, func(j int, d candidate) {
		if found || d.snr < c.snr || d.snr == c.snr && j > i {
			return
		}
		found = !r.dip(s.sky, c, d, noise)
	})
	return found
}

// dip reports whether the light dips between two peaks, in means of three by
// three pixels.
func (r *rows) dip(sky *background, c, d candidate, noise float64) bool {
	value := func(x, y float64) float64 {
		cx, cy := int(math.Round(x)), int(math.Round(y))
		sum, n := 0.0, 0
		for j := max(cy-1, r.y0); j <= min(cy+1, r.y1-1); j++ {
			for i := max(cx-1, r.x0); i <= min(cx+1, r.x1-1); i++ {
				if v := r.at(i, j); v == v && r.f.Lattice.Holds(i, j) {
					sum += v
					n++
				}
			}
		}
		level, _ := sky.at(x, y)
		return sum/float64(n) - level
	}
	x0, y0, x1, y1 := float64(c.x), float64(c.y), float64(d.x), float64(d.y)
	lower := math.Min(value(x0, y0), value(x1, y1))
	steps := int(math.Hypot(x1-x0, y1-y0)) + 1
	least := lower
	for k := 1; k < steps; k++ {
		t := float64(k) / float64(steps)
		least = math.Min(least, value(x0+t*(x1-x0), y0+t*(y1-y0)))
	}
	return lower-least > noise+0.1*lower
}

// star measures the i-th peak by its profile. It reports whether it is a star.
func (w *worker) star(s *survey, i, half int, major float64) (Star, bool) {
	c := s.peaks[i]
	noise := s.noise(float64(c.x), float64(c.y))
	if w.fragment(s, i, 4*major, noise) {
		return Star{}, false
	}
	var flags Flags
	st := &w.stamp
	r := w.view(s, i)
	r.cut(st, s.sky, float64(c.x), float64(c.y), half, s.ceiling)
	st.noise = noise
	w.neighbours(s, i, 6*major, func(j int, d candidate) {
		away := math.Hypot(float64(d.x-c.x), float64(d.y-c.y))
		if d.snr < 0.02*c.snr || away > 4*major && d.snr < 3*c.snr || w.fragment(s, j, 4*major, noise) {
			return
		}
		p, ok := w.base(s, j, half, major)
		if !ok {
			if away < 2.5*major {
				st.blank(float64(c.x), float64(c.y), float64(d.x), float64(d.y))
				flags |= Blended
			}
			return
		}
		st.subtract(&p)
		if away < 2.5*major && d.snr > 0.05*c.snr || p.at(float64(c.x), float64(c.y)) > 3*noise {
			flags |= Blended
		}
	})

	if v := st.at(int(math.Round(float64(c.x))), int(math.Round(float64(c.y)))); v != v && s.f.Lattice == frame.Full {
		// Its middle is full: the flanks must tell.
		if m := w.flank(s, r, c, s.typical.fwhm()/2.3548, half); m.fitted {
			return w.measured(s, r, m.p, float64(c.snr), true, flags|Saturated)
		}
		r.cut(st, s.sky, float64(c.x), float64(c.y), half, math.Inf(1))
		st.noise = noise
		return w.unfitted(s, r, c, flags)
	}
	p := s.start(st, c)
	free := float64(c.snr) > ownTail
	fitted := w.shape(s, st, &p, free)
	if fitted && math.Hypot(p.x-float64(c.x), p.y-float64(c.y)) > 1.5*major {
		return Star{}, false // it has run to another
	}
	if !fitted {
		r.cut(st, s.sky, float64(c.x), float64(c.y), half, math.Inf(1))
		st.noise = noise
		return w.unfitted(s, r, c, flags)
	}
	if one, two, ok := w.split(s, st, &p); ok {
		w.pixels = append(w.pixels[:0], st.v...)
		st.subtract(&one)
		if second, ok := w.finish(s, r, two, float64(c.snr), false, flags|Blended); ok {
			w.twins = append(w.twins, second)
		}
		copy(st.v, w.pixels)
		st.subtract(&two)
		return w.finish(s, r, one, float64(c.snr), false, flags|Blended)
	}
	return w.measured(s, r, p, float64(c.snr), free, flags)
}

// inside reports whether a place is on a pixel of the frame, or at most half a
// pixel beside one: of a star farther out nothing is known but a wing.
func (s *survey) inside(x, y float64) bool {
	n := float64(s.bin)
	x, y = x*n+(n-1)/2, y*n+(n-1)/2 // in pixels of the frame, as unbin
	return x >= -1 && y >= -1 && x <= float64(s.f.Width)*n && y <= float64(s.f.Height)*n
}

// shape fits the profile p, begun as the typical one, to the stamp.
func (w *worker) shape(s *survey, st *stamp, p *profile, free bool) bool {
	for range 3 {
		before := p.fwhm()
		w.fit.gather(st, p)
		if !w.fit.fit(p, free) || p.fwhm() > 4*s.typical.fwhm() {
			return false
		}
		if math.Abs(p.fwhm()-before) < 0.1*before {
			break
		}
	}
	return true
}

// finish fits the profile p to the stamp and measures the star by it.
func (w *worker) finish(s *survey, r *rows, p profile, snr float64, free bool, flags Flags) (Star, bool) {
	x, y := p.x, p.y
	if !w.shape(s, &w.stamp, &p, free) || math.Hypot(p.x-x, p.y-y) > s.typical.fwhm() {
		return Star{}, false
	}
	return w.measured(s, r, p, snr, free, flags)
}

// measured returns the star that the profile p, fitted to the gathered pixels,
// describes; about is about its ratio of signal to noise. It reports whether it is
// a star.
func (w *worker) measured(s *survey, r *rows, p profile, about float64, free bool, flags Flags) (Star, bool) {
	st := &w.stamp
	noise := st.noise
	window := p
	if about < ownShape {
		window = s.typical
		window.x, window.y, window.amp = p.x, p.y, p.amp
	}
	window, at := w.fit.place(window, noise, s.perADU)
	snr := at.amp / at.sigmaAmp
	if !(snr >= faintestStar) || !s.inside(at.x, at.y) {
		return Star{}, false
	}
	if !free {
		flags |= SharedTail
	}
	out := Star{X: unit.Px(at.x), Y: unit.Px(at.y), XSigma: unit.Px(at.sigmaX), YSigma: unit.Px(at.sigmaY),
		Flux: unit.ADU(window.flux()), SNR: snr, Tail: p.tail}
	out.FluxSigma = out.Flux / unit.ADU(snr)
	out.Major, out.Minor, out.Angle = p.widths()
	out.Ellipticity = 1 - float64(out.Minor/out.Major)
	typicalMajor, typicalMinor, _ := s.typical.widths()
	// Narrower than the frame's stars, beyond what noise can do.
	slack := 1 + 4/snr
	if out.Minor*unit.Px(slack) < 0.65*typicalMinor || out.Minor*unit.Px(slack) < s.narrowest() {
		return Star{}, false
	}
	if float64(out.Minor) > 1.6*float64(typicalMajor)*slack {
		flags |= Extended
	}
	if snr >= 20 && out.Ellipticity > 0.25+3/snr {
		flags |= Trailed
	}
	fitted := p
	p.x, p.y = at.x, at.y
	out.HFD = unit.Px(w.fit.halfFlux(&p, free))
	if !free {
		out.HFD *= unit.Px(s.round)
	}
	out.MomentMajor, out.MomentMinor = st.corrected(&p)
	out.Peak = r.peak(at.x, at.y, st.level)
	out.Flags = flags | s.condition(r, at.x, at.y, float64(out.Major))
	if s.voting && out.Flags&unfit == 0 && snr >= 15 {
		if v, ok := w.fit.vote(&fitted, s.typical.tail, noise, s.perADU); ok {
			w.votes = append(w.votes, v)
		}
	}
	return out, true
}

// unfitted measures a star that no profile fits by its moments.
func (w *worker) unfitted(s *survey, r *rows, c candidate, flags Flags) (Star, bool) {
	st := &w.stamp
	x, y, cov, ok := st.settle(float64(c.x), float64(c.y), s.typical.fwhm()/2.3548)
	if !ok || math.Hypot(x-float64(c.x), y-float64(c.y)) > 1.5*s.typical.fwhm() {
		return Star{}, false
	}
	major, minor, angle := cov.axes()
	b, ok := st.sums(x, y, math.Max(3, 3*float64(major)), s.perADU)
	if !ok || b.flux < 5*b.sigma || !s.inside(x, y) {
		return Star{}, false
	}
	const k = 2.3548200450309493
	typicalMajor, typicalMinor, _ := s.typical.widths()
	if k*minor < 0.65*typicalMinor || k*minor < s.narrowest() {
		return Star{}, false
	}
	condition := s.condition(r, x, y, float64(k*major))
	if condition&Saturated == 0 && (k*major > 2*typicalMajor || minor < major/2) {
		return Star{}, false // a patch, a streak, the glow of the frame's edge
	}
	out := Star{X: unit.Px(x), Y: unit.Px(y), XSigma: unit.Px(b.sigmaX), YSigma: unit.Px(b.sigmaX),
		Flux: unit.ADU(b.flux), FluxSigma: unit.ADU(b.sigma), SNR: b.flux / b.sigma,
		Major: k * major, Minor: k * minor, Angle: angle, Ellipticity: 1 - float64(minor/major), Tail: math.NaN(),
		MomentMajor: k * major, MomentMinor: k * minor, HFD: unit.Px(b.hfd)}
	out.Peak = r.peak(x, y, st.level)
	out.Flags = flags | Unfitted | condition
	return out, true
}

// corrected returns the widths, as FWHM of a Gaussian, of the moments under a
// Gaussian window as wide as the profile, the window's part undone: inverse
// covariances of two Gaussians that are multiplied add.
func (st *stamp) corrected(p *profile) (major, minor unit.Px) {
	k := psfSigma(p)
	_, _, m, light := st.windowed(p.x, p.y, k)
	nan := unit.Px(math.NaN())
	if !(light > 0) {
		return nan, nan
	}
	i, w := m.invert(), k.invert()
	c := moments{i.xx - w.xx, i.xy - w.xy, i.yy - w.yy}.invert()
	if !(c.xx > 0 && c.yy > 0 && c.xx*c.yy > c.xy*c.xy) {
		return nan, nan
	}
	major, minor, _ = c.axes()
	return 2.3548200450309493 * major, 2.3548200450309493 * minor
}

// psfSigma returns the covariance of the Gaussian of the profile's widths.
func psfSigma(p *profile) moments {
	major, minor, angle := p.widths()
	sin, cos := math.Sincos(float64(angle.Rad()))
	a, b := float64(major)/2.3548200450309493, float64(minor)/2.3548200450309493
	a, b = a*a, b*b
	return moments{a*cos*cos + b*sin*sin, (a - b) * sin * cos, a*sin*sin + b*cos*cos}
}

// peak returns the fullest pixel near x, y above the level.
func (r *rows) peak(x, y, level float64) unit.ADU {
	top, _ := r.fullest(x, y, 1)
	return unit.ADU(top - level)
}

// condition returns the flags that the raw pixels and the frame's edges tell of
// a star whose major width is given.
func (s *survey) condition(r *rows, x, y, major float64) Flags {
	var flags Flags
	reach := int(math.Ceil(1.5 * major))
	cx, cy := int(math.Round(x)), int(math.Round(y))
	if cx-reach < 0 || cy-reach < 0 || cx+reach >= s.f.Width || cy+reach >= s.f.Height {
		flags |= Edge
	}
	core := int(math.Ceil(major/2)) + 1
	for j := max(cy-reach, r.y0); j <= min(cy+reach, r.y1-1); j++ {
		for i := max(cx-reach, r.x0); i <= min(cx+reach, r.x1-1); i++ {
			v := r.at(i, j)
			if v >= s.ceiling && max(cx-i, i-cx, cy-j, j-cy) <= core {
				flags |= Saturated
			}
			if v <= 0 {
				flags |= Clipped
			}
		}
	}
	return flags
}

// follow returns the profile that fits a star out of focus best, if there is
// one: what its width is by definition, though it resembles the star the less the
// larger its disc is.
func (w *worker) follow(s *survey, b *blob, snr float64) (profile, bool) {
	c := b.c
	if !(c.xx > 0 && c.yy > 0 && c.xx*c.yy > c.xy*c.xy) {
		return profile{}, false
	}
	p := gaussian(math.Max(b.atHalf, b.centre), b.x, b.y, c)
	p.tail = s.typical.tail
	for range 4 {
		before := p.fwhm()
		w.fit.gather(&w.stamp, &p)
		if !w.fit.fit(&p, snr > ownTail) {
			return p, false
		}
		if math.Abs(p.fwhm()-before) < 0.01*before {
			break
		}
	}
	f := p.fwhm()
	return p, math.Hypot(p.x-b.x, p.y-b.y) < 0.3*b.hfd && f > 0.5*b.hfd && f < 2*b.hfd
}

// blob measures the i-th peak as a star out of focus.
func (w *worker) blob(s *survey, i int) (Star, bool) {
	c := s.peaks[i]
	hfd := s.blur.hfd
	noise := s.noise(float64(c.x), float64(c.y))
	// The two sides of a ring are peaks of their own; the brighter stands for it.
	// Farther away only a dip tells another star.
	const ring = 0.8
	grain := noise / math.Max(1, hfd/6)
	part := func(j int) bool {
		inside := false
		w.neighbours(s, j, ring*hfd, func(k int, e candidate) {
			d := s.peaks[j]
			inside = inside || e.snr > d.snr || e.snr == d.snr && k < j
		})
		return inside || w.fragment(s, j, 2*hfd, grain)
	}
	if part(i) {
		return Star{}, false
	}
	var flags Flags
	st := &w.stamp
	reach := 1.3 * hfd
	r := &w.rows
	r.cut(st, s.sky, float64(c.x), float64(c.y), int(2.8*hfd)+2, math.Inf(1))
	st.noise = noise
	w.neighbours(s, i, 2.5*reach, func(j int, d candidate) {
		away := math.Hypot(float64(d.x-c.x), float64(d.y-c.y))
		if d.snr < 0.03*c.snr || away < ring*hfd || part(j) {
			return
		}
		st.blank(float64(c.x), float64(c.y), float64(d.x), float64(d.y))
		if away < 1.8*hfd {
			flags |= Blended
		}
	})
	b, ok := st.sums(float64(c.x), float64(c.y), reach, s.perADU)
	if !ok || b.flux < 5*b.sigma || !s.inside(b.x, b.y) || math.Hypot(b.x-float64(c.x), b.y-float64(c.y)) > 0.8*hfd || b.hfd < 0.5*hfd {
		return Star{}, false
	}
	nan := math.NaN()
	out := Star{X: unit.Px(b.x), Y: unit.Px(b.y), XSigma: unit.Px(b.sigmaX), YSigma: unit.Px(b.sigmaX),
		Flux: unit.ADU(b.flux), FluxSigma: unit.ADU(b.sigma), SNR: b.flux / b.sigma,
		Major: unit.Px(nan), Minor: unit.Px(nan), Tail: nan, HFD: unit.Px(b.hfd), Hole: b.hole()}
	major, minor, angle := b.c.axes()
	out.MomentMajor, out.MomentMinor, out.Angle = 2.3548200450309493*major, 2.3548200450309493*minor, angle
	out.Ellipticity = 1 - float64(minor/major)
	if p, ok := w.follow(s, &b, float64(c.snr)); ok {
		out.Major, out.Minor, out.Angle = p.widths()
		out.Ellipticity = 1 - float64(out.Minor/out.Major)
		out.Tail = p.tail
	}
	out.Peak = r.peak(b.x, b.y, st.level)
	if b.flat(2 * b.grain) {
		flags |= Defocused
	}
	if b.cut {
		flags |= Edge
	}
	if b.hfd > 1.3*hfd {
		flags |= Extended
	}
	out.Flags = flags | s.condition(r, b.x, b.y, hfd)
	if top, _ := r.fullest(b.x, b.y, int(hfd/2)+1); top >= s.ceiling {
		out.Flags |= Saturated
	}
	return out, true
}
