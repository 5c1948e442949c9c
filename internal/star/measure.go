package star

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Options steers Measure; the zero value asks for the defaults.
type Options struct {
	// Workers is how many goroutines share the work. 0 means 2.
	Workers int
	// GainElectronPerADU wins over the header's. 0 means the header's.
	GainElectronPerADU float64
	// MaxStars bounds how many stars are measured, the brightest. 0 means
	// 50,000.
	MaxStars int
}

// Measure finds and measures the stars of the frame. File is left empty. A
// frame without stars is no error of Measure: Error in the result says why
// there are none. The error is that of reading the frame.
//
// The result does not depend on the number of workers. Memory is some 400 bytes
// a star and five megabytes plus a few times 256 rows of the frame a worker.
func Measure(f *frame.Frame, opt Options) (Frame, error) {
	if opt.Workers <= 0 {
		opt.Workers = 2
	}
	if opt.MaxStars <= 0 {
		opt.MaxStars = 50000
	}
	out := Frame{Width: f.Width, Height: f.Height, Notes: slices.Clone(f.Notes), Ceiling: f.Ceiling, Summary: unknown()}
	if f.Width < 16 || f.Height < 16 {
		out.Background, out.Noise, out.Gain = unit.ADU(math.NaN()), unit.ADU(math.NaN()), math.NaN()
		out.Error = fmt.Sprintf("star: the frame is %d by %d pixels: want at least 16 by 16", f.Width, f.Height)
		return out, nil
	}
	sky, err := estimate(f, opt.Workers)
	if err != nil {
		return out, err
	}
	level, noise := sky.median()
	out.Background, out.Noise = unit.ADU(level), unit.ADU(noise)
	gain := gainOf(f, opt, level, noise)
	out.Gain, out.GainFrom = gain.ElectronPerADU, gain.From
	if gain.ElectronPerADU == 0 {
		out.Gain = math.NaN()
	}
	if f.Bits == 8 {
		out.Flags |= EightBit
	}
	if sky.zero > 0.01 {
		out.Flags |= ClippedSky
	}
	if f.Lattice != frame.Full {
		out.Flags |= Mosaic
	}
	if !(noise > 0) {
		out.Error = fmt.Sprintf("star: no noise: at least half of the pixels of the frame hold %.6g: want a frame of the sky", level)
		return out, nil
	}
	found, err := find(f, sky, opt.Workers)
	if err != nil {
		return out, err
	}
	s := survey{found: found, opt: opt, ceiling: math.Min(float64(f.Ceiling), found.ceiling())}
	if gain.ElectronPerADU > 0 {
		s.perADU = 1 / gain.ElectronPerADU
	}
	if err := s.run(f); err != nil {
		return out, err
	}
	out.Stars, out.Rejected, out.Error = s.stars, s.rejected+found.hot, s.why
	out.StarsFound = len(out.Stars)
	out.Ceiling = unit.ADU(s.ceiling)
	if out.Rejected > 2*out.StarsFound && out.Rejected > 20 {
		out.Flags |= HotPixels
	}
	out.summarise(s.tailSigma)
	out.doubt()
	return out, nil
}

// doubt takes back what was found where nearly everything that stands out of
// the noise is no star, and the rest are too few to know a star by or of all
// sizes: hot pixels of a dark frame, patches of cloud.
func (f *Frame) doubt() {
	const few, many, most = 3, 6, 4
	if f.StarsFound == 0 {
		return
	}
	wide, full := 0, 0
	for k := range f.Stars {
		switch flags := f.Stars[k].Flags; {
		case flags&(Extended|Unfitted) != 0:
			wide++
		case flags&Saturated != 0 && f.Stars[k].SNR > 100:
			full++ // one bright star alone, among hot pixels
		}
	}
	if full > 0 && full >= wide {
		return
	}
	others := f.Rejected + wide
	if f.Measured < few && others < many*f.StarsFound || f.Measured >= few && (others < most*f.Measured || f.spread() < 0.25) {
		return
	}
	f.Error = fmt.Sprintf("star: no stars: of %d things that stand out of the noise %d are hot pixels, cosmic rays or patches, and the rest are too few, or too unlike each other, to know a star by", f.Rejected+f.StarsFound, others)
	f.Stars, f.StarsFound, f.Measured, f.Summary = nil, 0, 0, unknown()
	f.Rejected = others
	f.Flags &^= FewStars | Trailed | Defocused
}

// spread returns the scatter of the good stars' half-flux diameters over their
// median.
func (f *Frame) spread() float64 {
	var v []float64
	for _, k := range f.good(8) {
		if h := float64(f.Stars[k].HFD); h == h {
			v = append(v, h)
		}
	}
	m := median(v)
	return scatter(v, m) / m
}

// gainOf returns the gain to be used. One read from a header is believed only
// if it does not make the sky quieter than the light of the sky can be: the
// variance in electrons is at most three times all of the background (clouds
// are uneven) and that of a read noise of 30 electrons.
func gainOf(f *frame.Frame, opt Options, level, noise float64) frame.Gain {
	if opt.GainElectronPerADU > 0 {
		return frame.Gain{ElectronPerADU: opt.GainElectronPerADU, From: "given"}
	}
	g := f.Gain
	if g.ElectronPerADU*g.ElectronPerADU*noise*noise > 3*g.ElectronPerADU*math.Max(level, 0)+900 {
		return frame.Gain{}
	}
	return g
}

// survey is the measuring of one frame once its peaks are found.
type survey struct {
	f       *frame.Frame
	found   *finding
	opt     Options
	ceiling float64
	perADU  float64 // variance per ADU of light

	level     int         // the scale in use
	bin       int         // pixels of the frame averaged to one of f
	sky       *background // of f
	quiet     *background // of f: the noise of its pixels
	peaks     []candidate // of the scale, in pixels of f, sorted by y
	typical   profile     // of the frame's stars, at the origin
	tailSigma float64     // error of its exponent
	round     float64     // half-flux diameter of the stars' images over that of their profiles, in the median
	misfit    float64     // what the profile leaves of them, over its peak, in the median
	blur      blob        // of the frame's stars, if they are out of focus
	soft      bool        // they are
	voting    bool        // the stars are asked for the exponent, see vote
	votes     []vote      // what they say
	kept      bool        // the pixels around each peak were kept when it was found
	stars     []Star
	rejected  int
	why       string
}

// run chooses the scale and measures the stars on it. Finer scales come first;
// one is left for the next if its peaks are the more significant there, or if
// nothing on it is a star.
func (s *survey) run(f *frame.Frame) error {
	whole := *s
	tried := 0
	for l := range levels {
		n := len(s.found.at(l))
		if n == 0 || s.found.coarser(l) {
			continue
		}
		tried += n
		*s = whole
		if err := s.choose(f, l); err != nil {
			return err
		}
		ok, err := s.shape()
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		if err := s.measure(); err != nil {
			return err
		}
		for tries := 0; tries < 3 && s.voting && s.share(); tries++ {
			if err := s.measure(); err != nil {
				return err
			}
		}
		s.unbin()
		if s.believable() {
			return nil
		}
	}
	s.rejected, s.stars = s.rejected+len(s.stars), nil
	switch {
	case tried == 0 && s.found.hot == 0:
		s.why = "star: no stars: nothing stands out of the noise of the sky"
	case tried == 0:
		s.why = fmt.Sprintf("star: no stars: nothing but %d hot pixels stands out of the noise of the sky", s.found.hot)
	default:
		s.why = fmt.Sprintf("star: no stars: %d hot pixels, and %d patches of light that are unlike each other and unlike stars", s.found.hot, tried)
	}
	return nil
}

// believable reports whether there is a star among what was measured: one that
// the frame's edge, a neighbour or its own shape do not make doubtful.
func (s *survey) believable() bool {
	return slices.ContainsFunc(s.stars, func(t Star) bool { return t.Flags&(unfit&^Saturated) == 0 && t.SNR >= 8 })
}

// choose makes scale l the one in use. From the third on the frame is binned so
// that its stars are a few pixels wide.
func (s *survey) choose(f *frame.Frame, l int) error {
	s.f, s.bin, s.level = f, 1, min(l, 1)
	s.sky, s.quiet, s.peaks = s.found.sky[l], s.found.sky[0], s.found.at(l)
	if len(s.peaks) > s.opt.MaxStars {
		bright := slices.Clone(s.peaks)
		slices.SortStableFunc(bright, func(a, b candidate) int { return cmp.Compare(b.snr, a.snr) })
		limit := bright[s.opt.MaxStars].snr
		s.peaks = slices.DeleteFunc(slices.Clone(s.peaks), func(c candidate) bool { return c.snr <= limit })
	}
	if l < mapLevel {
		return nil
	}
	s.bin = 1 << (l - 1)
	var err error
	if s.f, err = f.Binned(s.bin); err != nil {
		return err
	}
	n := float64(s.bin)
	s.perADU /= n * n
	s.sky, s.quiet = s.sky.binned(n, 1), s.quiet.binned(n, n)
	if f.Lattice != frame.Full {
		s.quiet = s.quiet.binned(1, math.Sqrt2/2)
	}
	s.peaks = slices.Clone(s.peaks)
	for i := range s.peaks {
		c := &s.peaks[i]
		c.x, c.y = (c.x-float32(n-1)/2)/float32(n), (c.y-float32(n-1)/2)/float32(n)
	}
	return nil
}

// unbin brings the stars from pixels of s.f to those of the frame.
func (s *survey) unbin() {
	n := float64(s.bin)
	k := unit.Px(n)
	for i := range s.stars {
		t := &s.stars[i]
		for _, v := range []*unit.Px{&t.X, &t.Y, &t.XSigma, &t.YSigma, &t.Major, &t.Minor, &t.MomentMajor, &t.MomentMinor, &t.HFD} {
			*v = unit.Px(float64(*v) * n)
		}
		t.X += (k - 1) / 2
		t.Y += (k - 1) / 2
		t.Flux = unit.ADU(float64(t.Flux) * n * n)
		t.FluxSigma = unit.ADU(float64(t.FluxSigma) * n * n)
	}
}

// coarser reports whether most of the brightest peaks of scale l are parts of
// more significant peaks of the next. Flat tops, which are of any size, take no
// part.
func (found *finding) coarser(l int) bool {
	bright := slices.DeleteFunc(slices.Clone(found.at(l)), func(c candidate) bool { return c.flat })
	slices.SortStableFunc(bright, func(a, b candidate) int { return cmp.Compare(b.snr, a.snr) })
	bright = bright[:min(len(bright), 60)]
	reach := float32(int(3) << (l + 1))
	part := 0
	for _, c := range bright {
		best := float32(0)
		near(found.at(l+1), c.x, c.y, reach, func(_ int, d candidate) { best = max(best, d.snr) })
		if best > 1.15*c.snr {
			part++
		}
	}
	return 2*part > len(bright)
}

// near calls f with the candidates, sorted by y, whose x and y are within reach.
func near(peaks []candidate, x, y, reach float32, f func(i int, c candidate)) {
	i, j := 0, len(peaks)
	for i < j {
		if m := (i + j) / 2; peaks[m].y < y-reach {
			i = m + 1
		} else {
			j = m
		}
	}
	for ; i < len(peaks) && peaks[i].y <= y+reach; i++ {
		if d := peaks[i].x - x; d <= reach && d >= -reach {
			f(i, peaks[i])
		}
	}
}

// sample is one bright star that shape looks at.
type sample struct {
	c      candidate
	p      profile
	b      blob
	snr    float64
	misfit float64
	round  float64 // half-flux diameter of the image over that of the profile
	top    float64 // value of the fullest pixel
	equal  int     // pixels that hold it
	fitted bool
	summed bool
}

// shape measures what the frame's stars look like from some 32 bright ones
// that stand alone. It reports whether there is a star among them.
func (s *survey) shape() (bool, error) {
	order := make([]int, len(s.peaks))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(s.peaks[b].snr, s.peaks[a].snr) })
	sigma := smoothSigma * float64(int(1)<<s.level)
	alone := func(i int) bool {
		c, ok := s.peaks[i], true
		reach := float32(7 * sigma)
		near(s.peaks, c.x, c.y, reach, func(j int, d candidate) {
			away := math.Hypot(float64(d.x-c.x), float64(d.y-c.y))
			same := away < 4*sigma && math.Abs(float64(d.snr/c.snr)-1) < 0.02 // on one flat top
			if j != i && !same && away < float64(reach) && d.snr > 0.1*c.snr && d.snr > 20 {
				ok = false
			}
		})
		return ok
	}
	var samples []sample
	const want, batch = 32, 40
	for tries := 0; len(order) > 0 && tries < 6; tries++ {
		var pick []int
		for len(order) > 0 && len(pick) < batch {
			if alone(order[0]) {
				pick = append(pick, order[0])
			}
			order = order[1:]
		}
		got := make([]sample, len(pick))
		err := parallel(s.opt.Workers, len(pick), func() func(int) error {
			var w worker
			return func(k int) (err error) {
				got[k], err = w.sample(s, s.peaks[pick[k]], sigma)
				return err
			}
		})
		if err != nil {
			return false, err
		}
		samples = append(samples, got...)
		s.findCeiling(samples)
		good := 0
		for k := range samples {
			if s.sound(&samples[k]) {
				good++
			}
		}
		if good >= want {
			break
		}
	}
	// If all the bright stars are full, their flanks must do.
	full := slices.Clone(samples)
	samples = slices.DeleteFunc(samples, func(m sample) bool { return !s.sound(&m) })
	if len(samples) == 0 {
		var w worker
		for _, m := range full {
			if m.top < s.ceiling {
				continue
			}
			half := int(12*sigma) + 2
			if err := w.rows.load(s.f, int(m.c.y)-half, int(m.c.y)+half+1); err != nil {
				return false, err
			}
			if m := w.flank(s, &w.rows, m.c, sigma, half); m.fitted && m.misfit < 0.15 && s.width(&m) {
				samples = append(samples, m)
			}
		}
		s.soft = false
		return s.commonProfile(samples), nil
	}
	soft := 0
	for k := range samples {
		if samples[k].pupil() {
			soft++
		}
	}
	s.soft = 2*soft > len(samples)
	if s.soft {
		s.typical = profile{}
		pupils := slices.DeleteFunc(slices.Clone(samples), func(m sample) bool { return !m.pupil() })
		s.commonProfile(pupils) // its tail is that of the faint ones
		return s.commonBlur(samples), nil
	}
	return s.commonProfile(samples), nil
}

// pupil reports whether the sample is the image of a pupil: flat, and followed
// by no profile as far as noise lets one see that.
func (m *sample) pupil() bool {
	followed := m.fitted && m.snr > 50 && m.misfit < noFollow
	return m.summed && m.b.flat(0) && !followed
}

// noFollow is the misfit from which a profile does not follow a star: an even disc
// of three times the width of the air leaves as much, one with a third of its
// diameter dark of two and a quarter times, air alone 0.003.
const noFollow = 0.05

// sound reports whether the sample tells what the frame's stars look like.
func (s *survey) sound(m *sample) bool {
	if m.top >= s.ceiling || !(m.snr >= 8) {
		return false
	}
	if m.pupil() {
		return !m.b.cut
	}
	if !m.fitted || m.misfit > 0.15 {
		return false
	}
	return s.width(m)
}

// width reports whether the sample's widths can be a star's on the scale in use.
func (s *survey) width(m *sample) bool {
	major, minor, _ := m.p.widths()
	return minor > s.narrowest() && major < widest*unit.Px(int(1)<<s.level)
}

// widest is the greatest FWHM of a star on the finest scale, three times what
// the scale smooths by; wider stars belong to a coarser one.
const widest unit.Px = 3 * 2.3548 * smoothSigma

// narrowest returns the least FWHM of a star: less light than this beside the
// brightest pixel comes through no lens, but from a hot pixel or a particle. Of a
// mosaic the nearest pixels are farther away and have passed the test of top.
func (s *survey) narrowest() unit.Px {
	if s.f.Lattice != frame.Full {
		return 0.8
	}
	return 1.1
}

// findCeiling lowers the ceiling to the value at which two stars or more are
// flat, or one in more than three pixels.
func (s *survey) findCeiling(samples []sample) {
	flat := map[float64]int{}
	for _, m := range samples {
		if m.top >= s.ceiling || m.equal < 2 {
			continue
		}
		if m.equal > 3 {
			flat[m.top]++
		}
		flat[m.top]++
	}
	for top, n := range flat {
		if n > 1 {
			s.ceiling = math.Min(s.ceiling, top)
		}
	}
	// A full well that is read out with noise makes no two pixels alike: then tops
	// crowd within a few percent of the highest, however much light the stars hold.
	// Only what stands far above the sky can be full.
	highest, height := math.Inf(-1), 0.0
	stands := func(m *sample) (above float64, ok bool) {
		x, y := float64(m.c.x), float64(m.c.y)
		level, _ := s.sky.at(x, y)
		above = m.top - level
		return above, m.summed && m.top < s.ceiling && above > 50*s.noise(x, y)
	}
	for k := range samples {
		if above, ok := stands(&samples[k]); ok && samples[k].top > highest {
			highest, height = samples[k].top, above
		}
	}
	least := highest - (1-crowded)*height
	var crowd []float64
	for k := range samples {
		if _, ok := stands(&samples[k]); ok && samples[k].top > least {
			crowd = append(crowd, samples[k].b.flux)
		}
	}
	if len(crowd) >= 3 && slices.Max(crowd) > 2*slices.Min(crowd) {
		s.ceiling = math.Min(s.ceiling, least)
	}
}

// crowded is the share of the highest top, above the sky, beyond which tops of
// stars of unlike light show a ceiling.
const crowded = 0.97

// commonProfile sets the typical profile: the median of squared widths and of
// the exponent of those samples that are alike. It reports whether there are
// any.
func (s *survey) commonProfile(samples []sample) bool {
	samples = slices.DeleteFunc(slices.Clone(samples), func(m sample) bool { return !m.fitted })
	if len(samples) == 0 {
		return false
	}
	get := func(f func(m *sample) float64) float64 {
		v := make([]float64, 0, len(samples))
		for k := range samples {
			v = append(v, f(&samples[k]))
		}
		return median(v)
	}
	squared := func(m *sample) moments {
		k := 4 * psf.HalfMaximum(m.p.tail) / (m.p.xx*m.p.yy - m.p.xy*m.p.xy)
		return moments{k * m.p.yy, -k * m.p.xy, k * m.p.xx}
	}
	c := moments{get(func(m *sample) float64 { return squared(m).xx }), get(func(m *sample) float64 { return squared(m).xy }), get(func(m *sample) float64 { return squared(m).yy })}
	if c.xy*c.xy >= c.xx*c.yy {
		c.xy = 0
	}
	// The bright ones know the exponent better.
	s.round = 1
	var all, bright, round []float64
	for k := range samples {
		all = append(all, samples[k].p.tail)
		if samples[k].snr > ownTail {
			bright, round = append(bright, samples[k].p.tail), append(round, samples[k].round)
		}
	}
	if len(bright) >= 5 {
		all, s.round = bright, median(round)
	}
	tail := median(all)
	// Those below may stand at the bound of 0; those above tell the scatter.
	above := all[len(all)/2:]
	s.tailSigma = 1.2533 * scatter(above, tail) / math.Sqrt(float64(len(all)))
	s.voting = len(bright) < 5 || tailNarrows*s.tailSigma > agreed
	s.misfit = get(func(m *sample) float64 { return m.misfit })
	inverse := c.invert()
	k := 4 * psf.HalfMaximum(tail)
	s.typical = profile{1, 0, 0, k * inverse.xx, k * inverse.xy, k * inverse.yy, tail}
	return s.typical.valid()
}

// commonBlur sets the typical star out of focus. It reports whether the samples
// are alike: at least three, half of them within a fifth of the median diameter.
func (s *survey) commonBlur(samples []sample) bool {
	var v []float64
	for k := range samples {
		if samples[k].summed {
			v = append(v, samples[k].b.hfd)
		}
	}
	if len(v) < 2 {
		return false
	}
	m := median(v)
	alike := 0
	for _, h := range v {
		if math.Abs(h-m) < 0.2*m {
			alike++
		}
	}
	s.blur = blob{hfd: m}
	return alike >= 2 && 2*alike >= len(v)
}

// median returns the middle of v, which it reorders so that the greater half
// comes last; NaN if there is none. NaN are left out.
func median(v []float64) float64 {
	v = slices.DeleteFunc(v, math.IsNaN)
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	upper := quickselect(v, n/2)
	if n%2 == 1 {
		return upper
	}
	return (slices.Max(v[:n/2]) + upper) / 2
}

// scatter returns the standard deviation of v about m as the median deviation
// tells it.
func scatter(v []float64, m float64) float64 {
	d := make([]float64, len(v))
	for i := range v {
		d[i] = math.Abs(v[i] - m)
	}
	return 1.4826 * median(d)
}

// worker is one goroutine's room.
type worker struct {
	rows  rows
	stamp stamp
	other stamp
	fit   fitter
	bases map[int]profile

	pixels []float32 // of the stamp, before a star is taken off
	twins  []Star    // second stars of peaks that are two
	votes  []vote    // of the stars so far
}

// sample measures the candidate freely, in the pixels kept around it if the
// star is small enough for them.
func (w *worker) sample(s *survey, c candidate, sigma float64) (sample, error) {
	if s.level == 0 && s.bin == 1 && len(s.found.kept) > 0 {
		m := w.sampleIn(s, &s.found.kept[c.kept], c, sigma, keepHalf)
		if major, _, _ := m.p.widths(); m.fitted && m.summed && 3.2*float64(major) < keepHalf {
			return m, nil
		}
	}
	half := int(12*sigma) + 2
	if err := w.rows.load(s.f, int(c.y)-half, int(c.y)+half+1); err != nil {
		return sample{}, err
	}
	return w.sampleIn(s, &w.rows, c, sigma, half), nil
}

// sampleIn measures the candidate in the pixels of r up to half around it.
func (w *worker) sampleIn(s *survey, r *rows, c candidate, sigma float64, half int) (m sample) {
	m.c = c
	st := &w.stamp
	r.cut(st, s.sky, float64(c.x), float64(c.y), half, math.Inf(1))
	st.noise = s.noise(float64(c.x), float64(c.y))
	x, y, cov, ok := st.settle(float64(c.x), float64(c.y), sigma)
	if !ok {
		return m
	}
	m.top, m.equal = r.fullest(x, y, int(math.Ceil(math.Sqrt(cov.xx+cov.yy)))+1)
	if m.top < st.level+50*st.noise {
		m.equal = 0 // no star is full and no brighter than that
	}
	major, _, _ := cov.axes()
	if b, ok := st.sums(x, y, math.Max(3, 3*float64(major)), s.perADU); ok {
		m.b, m.summed = b, true
		m.snr = b.flux / b.sigma
	}
	if 2.3548*major > 1.5*widest*unit.Px(int(1)<<s.level) {
		return m // no profile of it is a star's, see width
	}
	w.free(s, &m, x, y, cov)
	return m
}

// flank measures the candidate by the pixels of r, up to half around it, that
// are not full.
func (w *worker) flank(s *survey, r *rows, c candidate, sigma float64, half int) (m sample) {
	m.c = c
	st := &w.stamp
	r.cut(st, s.sky, float64(c.x), float64(c.y), half, math.Inf(1))
	x, y, cov, ok := st.settle(float64(c.x), float64(c.y), sigma)
	if !ok {
		return m
	}
	r.cut(st, s.sky, float64(c.x), float64(c.y), half, s.ceiling)
	st.noise = s.noise(float64(c.x), float64(c.y))
	w.free(s, &m, x, y, cov)
	return m
}

// free fits a profile of its own to the stamp, beginning with a Gaussian of the
// covariance at x, y.
func (w *worker) free(s *survey, m *sample, x, y float64, cov moments) {
	st := &w.stamp
	major, _, _ := cov.axes()
	peak := st.at(int(math.Round(x)), int(math.Round(y)))
	if !(peak > 0) {
		peak = float64(m.c.snr) * st.noise
	}
	p := gaussian(peak, x, y, cov)
	p.tail = 0.1
	for range 4 {
		before := p.fwhm()
		w.fit.gather(st, &p)
		if !w.fit.fit(&p, true) {
			return
		}
		if math.Abs(p.fwhm()-before) < 0.03*before {
			break
		}
	}
	m.fitted = math.Hypot(p.x-x, p.y-y) <= float64(major)
	_, at := w.fit.place(p, st.noise, s.perADU)
	m.p, m.snr = p, at.amp/at.sigmaAmp
	m.misfit = w.fit.misfit(&p, st.noise, s.perADU)
	m.round = w.fit.halfFlux(&p, true) / w.fit.halfFlux(&p, false)
}

// noise returns the noise of a pixel at x, y, that of a correlated background
// raised to what it does to a star.
func (s *survey) noise(x, y float64) float64 {
	_, noise := s.quiet.at(x, y)
	return noise * s.quiet.smooth
}

// fullest returns the value of the fullest pixel near x, y and how many hold
// that value.
func (r *rows) fullest(x, y float64, half int) (top float64, equal int) {
	top = math.Inf(-1)
	cx, cy := int(math.Round(x)), int(math.Round(y))
	for j := max(cy-half, r.y0); j <= min(cy+half, r.y1-1); j++ {
		for i := max(cx-half, r.x0); i <= min(cx+half, r.x1-1); i++ {
			v := r.at(i, j)
			switch {
			case !r.f.Lattice.Holds(i, j):
			case v > top:
				top, equal = v, 1
			case v == top:
				equal++
			}
		}
	}
	return top, equal
}

// measure measures every peak.
func (s *survey) measure() error {
	major := unit.Px(s.blur.hfd)
	if !s.soft {
		major, _, _ = s.typical.widths()
	}
	half := int(math.Ceil(2.5*1.2*float64(major))) + 1
	s.kept = s.level == 0 && s.bin == 1 && len(s.found.kept) > 0 && half <= keepHalf && 4*major+2 <= keepHalf
	margin := half + int(math.Ceil(5*float64(major))) + 2
	// Enough bands to keep all workers busy to the end, rows enough that the
	// margins do not count.
	bandRows := max(192, min(512, s.f.Height/24))
	bands := (s.f.Height + bandRows - 1) / bandRows
	type part struct {
		stars    []Star
		votes    []vote
		rejected int
	}
	parts := make([]part, bands)
	err := parallel(s.opt.Workers, bands, func() func(int) error {
		var w worker
		return func(k int) error {
			y0, y1 := k*bandRows, min((k+1)*bandRows, s.f.Height)
			var mine []int
			lo, hi := float32(y0)-0.5, float32(y1)-0.5
			if k == 0 {
				lo = -1e9
			}
			if y1 == s.f.Height {
				hi = 1e9
			}
			first, _ := slices.BinarySearchFunc(s.peaks, lo, func(c candidate, t float32) int { return cmp.Compare(c.y, t) })
			for i := first; i < len(s.peaks) && s.peaks[i].y < hi; i++ {
				mine = append(mine, i)
			}
			if len(mine) == 0 {
				return nil
			}
			if !s.kept {
				if err := w.rows.load(s.f, int(s.peaks[mine[0]].y)-margin, int(s.peaks[mine[len(mine)-1]].y)+margin+1); err != nil {
					return err
				}
			}
			w.bases = map[int]profile{}
			for _, i := range mine {
				var st Star
				var is bool
				if s.soft {
					st, is = w.blob(s, i)
				} else {
					st, is = w.star(s, i, half, float64(major))
				}
				if is {
					parts[k].stars = append(parts[k].stars, st)
				} else {
					parts[k].rejected++
				}
			}
			parts[k].stars = append(parts[k].stars, w.twins...)
			w.twins = w.twins[:0]
			parts[k].votes = append(parts[k].votes, w.votes...)
			w.votes = w.votes[:0]
			return nil
		}
	})
	if err != nil {
		return err
	}
	s.stars, s.votes, s.rejected = nil, nil, 0
	for _, p := range parts {
		s.stars = append(s.stars, p.stars...)
		s.votes = append(s.votes, p.votes...)
		s.rejected += p.rejected
	}
	s.unique(float64(major))
	s.stars = ordered(s.stars, func(a, b *Star) int { return cmp.Compare(b.Flux, a.Flux) })
	return nil
}

// ordered returns the stars in order, those that are equal as they were. It
// moves each but once: a star is large.
func ordered(stars []Star, compare func(a, b *Star) int) []Star {
	order := make([]*Star, len(stars))
	for i := range stars {
		order[i] = &stars[i]
	}
	slices.SortStableFunc(order, compare)
	out := make([]Star, len(stars))
	for i, p := range order {
		out[i] = *p
	}
	return out
}

// unique drops the fainter of two stars that ended in one place.
func (s *survey) unique(fwhm float64) {
	s.stars = ordered(s.stars, func(a, b *Star) int { return cmp.Compare(a.Y, b.Y) })
	drop := make([]bool, len(s.stars))
	for i := range s.stars {
		for j := i + 1; j < len(s.stars) && float64(s.stars[j].Y-s.stars[i].Y) < 0.6*fwhm; j++ {
			a, b := &s.stars[i], &s.stars[j]
			if math.Hypot(float64(a.X-b.X), float64(a.Y-b.Y)) < 0.6*fwhm {
				if a.SNR < b.SNR {
					drop[i] = true
				} else {
					drop[j] = true
				}
			}
		}
	}
	k := 0
	for i, st := range s.stars {
		if !drop[i] {
			s.stars[k] = st
			k++
		}
	}
	s.stars = s.stars[:k]
}
