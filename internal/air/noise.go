package air

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"gonum.org/v1/gonum/dsp/fourier"

	"holdfast/internal/unit"
)

// Coloured is an endless series of Gaussian numbers with a given spectrum, each
// the mean over one step of something that varies in time: image motion, the
// shake of a mount in the wind. Make one with NewColoured. It is stationary
// from the first number on and takes the same room however long it runs, about
// a megabyte.
type Coloured struct {
	p    *process
	last [1]float64
}

// NewColoured returns the series of means over steps of the given length of a
// process with the given one-sided spectrum, in square arcseconds per hertz; a
// share of variance per hertz (Gust.PSD) wants the variance as a factor. The
// series depends on the state of rng at the call alone, which is moved on by
// two numbers.
//
// The spectrum must vary on scales of a fifth of its frequency or more, and its
// integral must be finite. It is asked for at frequencies above 0 only. The
// numbers are NaN if the step is not positive or the spectrum is negative or
// NaN. The series's own spectrum, folding and averaging included, is within 1 %
// of the one asked for from 3e-4 Hz up and within 5 % from 2e-5 Hz; slower power
// is kept, as wander over a day. Its variance is within 0.1 %.
//
// Method: white noise through the filter whose gain is the root of the
// spectrum, block by block (overlap-save); below 1/64 of the sampling
// frequency through the same filter at an eighth of the rate, and so on.
// Filtered white noise is stationary whatever the filter: blocks have no seams.
func NewColoured(psd func(fHz float64) (arcsec2PerHz float64), step unit.Second, rng *rand.Rand) *Coloured {
	return &Coloured{p: newProcess(1, float64(step), func(f float64, s []complex128) {
		s[0] = complex(psd(f), 0)
	}, rng)}
}

// Next returns the mean over the next step. It does not allocate.
func (c *Coloured) Next() unit.Arcsec {
	c.p.next(c.last[:])
	return unit.Arcsec(c.last[0])
}

// The filters of a process. Each level runs at an eighth of the rate of the one
// above it and hands over to it between handLow and handHigh, in cycles per
// sample of the level above. Its samples are then at least eight to a cycle, so
// that a polynomial through eight of them errs by 1.5e-4 of the amplitude at
// most; and the kernel of the level above, which knows no slower waves, has
// died away within half of its taps, which are four cycles of handLow.
const (
	taps     = 2048     // of a kernel
	block    = 2 * taps // samples filtered at once; half of them are new
	bins     = block/2 + 1
	fresh    = block - taps
	coarser  = 8
	points   = 8 // that interpolate
	handLow  = 1. / 256
	handHigh = 1. / 64
	slowest  = 86400 // s; the last level's kernel is at least as long
	foldings = 4     // images on either side that are folded into the base band
)

// process is a number of jointly stationary Gaussian series with given spectra
// and cross spectra, each sample the mean over a step.
type process struct{ top *level }

// level is what a process has between two frequencies, and all that is slower.
type level struct {
	fft      *fourier.FFT
	rng      *rand.Rand
	gain     [][][]complex128 // of each series for each white one up to its own number; nil for none
	white    [][]float64
	spectrum [][]complex128
	mixed    []complex128
	filtered []float64
	out      [][]float64
	at       int

	slower  *level // nil for the last
	phase   int
	recent  [][points]float64 // the latest of slower, one a series
	sampled []float64
}

// newProcess returns n series. cross fills the Hermitian matrix, by rows, of
// one-sided cross spectra before averaging, at a frequency above 0; element
// (a, b) is the mean of the transform of a times the conjugate of b's. The
// lower triangle is used.
func newProcess(n int, step float64, cross func(fHz float64, s []complex128), rng *rand.Rand) *process {
	own := rand.New(rand.NewPCG(rng.Uint64(), rng.Uint64()))
	if !(step > 0) || math.IsInf(step, 1) {
		step, cross = 1, func(_ float64, s []complex128) {
			for i := range s {
				s[i] = complex(math.NaN(), 0)
			}
		}
	}
	fft := fourier.NewFFT(block)
	steps := []float64{step}
	for steps[len(steps)-1]*taps < slowest {
		steps = append(steps, steps[len(steps)-1]*coarser)
	}
	var slower *level
	for i := len(steps) - 1; i >= 0; i-- {
		slower = newLevel(n, i, steps, cross, fft, own, slower)
	}
	return &process{slower}
}

// share returns the share of the power at a frequency that level i has.
func share(fHz float64, i int, steps []float64) float64 {
	s := 1.0
	if i > 0 {
		s = 1 - rise(fHz*steps[i-1])
	}
	if i < len(steps)-1 {
		s *= rise(fHz * steps[i])
	}
	return s
}

// rise goes from 0 at handLow to 1 at handHigh; the roots of it and of 1 - rise
// have two continuous derivatives, so that kernels die away fast.
func rise(cycles float64) float64 {
	u := math.Log(cycles/handLow) / math.Log(handHigh/handLow)
	if u <= 0 {
		return 0
	}
	if u >= 1 {
		return 1
	}
	s := math.Sin(math.Pi / 2 * u * u * u * (10 + u*(6*u-15)))
	return s * s
}

func newLevel(n, i int, steps []float64, cross func(float64, []complex128), fft *fourier.FFT, rng *rand.Rand, slower *level) *level {
	l := &level{
		fft: fft, rng: rng, slower: slower,
		gain:     make([][][]complex128, n),
		white:    make([][]float64, n),
		spectrum: make([][]complex128, n),
		mixed:    make([]complex128, bins),
		filtered: make([]float64, block),
		out:      make([][]float64, n),
		at:       fresh,
		recent:   make([][points]float64, n),
		sampled:  make([]float64, n),
	}
	for a := range n {
		l.white[a] = make([]float64, block)
		for j := range l.white[a] {
			l.white[a][j] = rng.NormFloat64()
		}
		l.spectrum[a] = make([]complex128, bins)
		l.out[a] = make([]float64, fresh)
	}
	l.design(n, i, steps, cross)
	if slower != nil {
		for range points {
			l.pull()
		}
	}
	return l
}

// design sets the gains of level i of the process.
func (l *level) design(n, i int, steps []float64, cross func(float64, []complex128)) {
	step := steps[i]
	df := 1 / (block * step)
	for a := range n {
		l.gain[a] = make([][]complex128, a+1)
		for c := range l.gain[a] {
			l.gain[a][c] = make([]complex128, bins)
		}
	}
	s, image := make([]complex128, n*n), make([]complex128, n*n)
	// add adds the power of level i at a frequency, seen through the averaging.
	add := func(f, weight float64) {
		w := weight * share(math.Abs(f), i, steps) * square(sinc(f*steps[0]))
		if w == 0 {
			return
		}
		cross(math.Abs(f), image)
		for j, v := range image {
			if f < 0 {
				v = cmplx.Conj(v)
			}
			s[j] += complex(w, 0) * v
		}
	}
	power := make([]float64, n)
	for k := range bins {
		clear(s)
		f := float64(k) * df
		if i == len(steps)-1 && k < 8 {
			// Spectra may rise without limit towards 0: the mean over the bin.
			from, to := math.Max(float64(k)-0.5, 0), float64(k)+0.5
			a, b := math.Cbrt(from), math.Cbrt(to)
			for j, g := range gaussX {
				u := a + (b-a)*g
				add(u*u*u*df, gaussW[j]*(b-a)*3*u*u/(to-from))
			}
		} else if k > 0 {
			add(f, 1)
		}
		if i == 0 {
			for m := 1; m <= foldings; m++ {
				add(f+float64(m)/step, 1)
				add(f-float64(m)/step, 1)
			}
		}
		weight := df
		if k == 0 || k == bins-1 { // one side of the bin; and these must be real
			weight /= 2
			for j, v := range s {
				s[j] = complex(real(v), 0)
			}
		}
		for a := range n {
			power[a] += weight * real(s[a*n+a])
		}
		factor(s, n)
		for a := range n {
			for c := range a + 1 {
				l.gain[a][c][k] = s[a*n+c] * complex(math.Sqrt(0.5/step), 0)
			}
		}
	}
	l.shorten(power)
}

// factor replaces the lower triangle of a Hermitian matrix, not negative, by
// that of its Cholesky factor; rows that depend on others get a zero pivot.
func factor(s []complex128, n int) {
	for c := range n {
		pivot := real(s[c*n+c])
		whole := pivot
		for k := range c {
			pivot -= square(cmplx.Abs(s[c*n+k]))
		}
		if pivot <= 1e-12*whole && whole >= 0 {
			for a := c; a < n; a++ {
				s[a*n+c] = 0
			}
			continue
		}
		root := math.Sqrt(pivot)
		s[c*n+c] = complex(root, 0)
		for a := c + 1; a < n; a++ {
			v := s[a*n+c]
			for k := range c {
				v -= s[a*n+k] * cmplx.Conj(s[c*n+k])
			}
			s[a*n+c] = v / complex(root, 0)
		}
	}
}

// shorten makes the kernels of the gains fit into taps, delayed by half of
// them, and gives each series its power; it leaves the gains with the factor
// that the inverse transform wants.
func (l *level) shorten(power []float64) {
	kernel, cut := make([]float64, block), make([]float64, block)
	for a, row := range l.gain {
		got := 0.0
		for c, g := range row {
			l.fft.Sequence(kernel, g)
			clear(cut)
			energy := 0.0
			for j := range taps {
				t := j - taps/2
				v := kernel[(t+block)%block] / block
				if out := math.Abs(float64(t)) / (taps / 2); out > 0.75 {
					v *= square(math.Cos(math.Pi / 2 * (out - 0.75) / 0.25))
				}
				cut[j] = v
				energy += v * v
			}
			if energy == 0 {
				row[c] = nil
				continue
			}
			got += energy
			l.fft.Coefficients(g, cut)
		}
		scale := complex(math.Sqrt(power[a]/got)/block, 0)
		for _, g := range row {
			for k := range g {
				g[k] *= scale
			}
		}
	}
}

func square(x float64) float64 { return x * x }

// lagrange holds the weights of points samples that surround the middle one of
// their gaps, at eighths of that gap.
var lagrange = func() (w [coarser][points]float64) {
	for i := range w {
		x := points/2 - 1 + float64(i)/coarser
		for j := range w[i] {
			w[i][j] = 1
			for k := range points {
				if k != j {
					w[i][j] *= (x - float64(k)) / float64(j-k)
				}
			}
		}
	}
	return w
}()

// pull takes a sample of the slower level.
func (l *level) pull() {
	l.slower.next(l.sampled)
	for a, v := range l.sampled {
		copy(l.recent[a][:], l.recent[a][1:])
		l.recent[a][points-1] = v
	}
}

// refill makes the next samples.
func (l *level) refill() {
	for c, w := range l.white {
		copy(w, w[fresh:])
		for i := taps; i < block; i++ {
			w[i] = l.rng.NormFloat64()
		}
		l.fft.Coefficients(l.spectrum[c], w)
	}
	for a, row := range l.gain {
		clear(l.mixed)
		for c, g := range row {
			w := l.spectrum[c]
			for k, v := range g {
				l.mixed[k] += v * w[k]
			}
		}
		l.fft.Sequence(l.filtered, l.mixed)
		copy(l.out[a], l.filtered[taps:])
	}
	if l.slower != nil {
		for i := range fresh {
			if l.phase == 0 {
				l.pull()
			}
			w := &lagrange[l.phase]
			for a := range l.out {
				r, sum := &l.recent[a], 0.0
				for j, v := range w {
					sum += v * r[j]
				}
				l.out[a][i] += sum
			}
			l.phase = (l.phase + 1) % coarser
		}
	}
	l.at = 0
}

// next fills dst with the next sample of each series.
func (l *level) next(dst []float64) {
	if l.at == fresh {
		l.refill()
	}
	for a, out := range l.out {
		dst[a] = out[l.at]
	}
	l.at++
}

// next fills dst with the next sample of each series.
func (p *process) next(dst []float64) { p.top.next(dst) }
