package series

import (
	"cmp"
	"math"
	"slices"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// Sine is a periodic part of a track.
type Sine struct {
	Period    unit.Est[unit.Second]
	Amplitude unit.Est[unit.Arcsec] // half of peak to peak
	Phase     unit.Rad              // of the sine at the record's time zero
	Over      float64               // power over that of the noise about its frequency
}

// Periodic is a track taken apart.
type Periodic struct {
	Drift struct{ ArcsecPerMin, SigmaArcsecPerMin float64 } // where a trend was asked for
	Sines []Sine                                            // the greatest first
	Left  []unit.Arcsec                                     // what is left of each sample
	Steps []unit.Arcsec                                     // mean of each piece, sines apart and the drift brought to the record's middle
	RMS   unit.Arcsec                                       // of what is left
	// The spectrum of the track, drift and pieces apart, and of what is left
	// without the sines.
	Whole, Rest *Spectrum
}

// mostSines is how many periods are looked for; odds, that noise alone makes a
// line of the strength that is asked for, anywhere in the spectrum.
const (
	mostSines = 8
	lineOdds  = 1e-4
)

// mostWork bounds samples times frequencies, half a minute's work: in records of
// a hundred thousand exposures the shortest periods are not looked for.
const mostWork = 4e9

// fewestTurns is how many turns of a period a record must hold.
const fewestTurns = 2

// Periods takes a track apart into pieces, a drift and sines, all fitted
// together, so that neither a drift nor a piece that was moved shams a period,
// nor a period a drift. It looks at periods from twice the cycle, or the
// shortest given, to half the track's length. A sine must stand above the noise
// about its frequency, which is not taken for white. Errors are those of a sine
// in noise as strong as what is left about its frequency; that of the drift
// allows for the noise being slow.
//
// Source: as NewSpectrum; errors from Montgomery and O'Donoghue 1999, Delta
// Scuti Star Newsletter 13, 28: sigma of the amplitude s sqrt(2/N), of the
// frequency sqrt(6/N) s/(pi T A), with s from the local spectrum.
func Periods(tr Track, cycle unit.Second, workers int) *Periodic {
	n := len(tr.Time)
	p := &Periodic{RMS: unit.Arcsec(math.NaN())}
	p.Drift.ArcsecPerMin, p.Drift.SigmaArcsecPerMin = math.NaN(), math.NaN()
	c := newComb(tr)
	if !c.enough || !(cycle > 0) {
		return p
	}
	span := float64(tr.Time[n-1] - tr.Time[0])
	if !(span > 0) {
		return p
	}
	const over = 4
	step := 1 / (over * span)
	top := 0.5 / float64(cycle)
	count := int(min(max((top-1/span)/step, 0), mostWork/float64(n), float64(200+20*n))) + 1
	from := 1 / span
	p.Whole = NewSpectrum(tr, from, step, count, workers)
	rest := p.Whole
	var freqs []float64
	sol := c.solve(freqs)
	var bends []float64 // slow lines that a bent drift explains as well
	// Slow lines change what is seen of slow ones only, nearly: while they are
	// found the fast part need not be computed again.
	slow := max(count/12, min(count, 400))
	for len(freqs) < mostSines && sol != nil {
		f := rest.strongest(span, count, append(slices.Clone(freqs), bends...))
		if f == 0 && len(rest.Share) < count {
			rest = NewSpectrum(Track{tr.Time, arcsecs(sol.left), tr.Pieces, tr.Trend}, from, step, count, workers)
			continue
		}
		if f == 0 {
			break
		}
		if f < 4/span && !c.turns(freqs, f) {
			bends = append(bends, f)
			continue
		}
		next := slices.Clone(freqs)
		next = append(next, f)
		next, s := c.refine(next, span)
		if s == nil {
			break
		}
		freqs, sol = next, s
		upto := count
		if f < rest.Hz(slow) {
			upto = slow
		}
		rest = NewSpectrum(Track{tr.Time, arcsecs(sol.left), tr.Pieces, tr.Trend}, from, step, upto, workers)
	}
	if sol != nil && len(rest.Share) < count {
		rest = NewSpectrum(Track{tr.Time, arcsecs(sol.left), tr.Pieces, tr.Trend}, from, step, count, workers)
	}
	p.Rest = rest
	if sol == nil {
		return p
	}
	p.Left = arcsecs(sol.left)
	p.RMS = unit.Arcsec(math.Sqrt(dot(sol.left, sol.left) / float64(max(n-len(c.from)-2*len(freqs), 1))))
	if tr.Trend {
		slow := slowness(sol.left)
		p.Drift.ArcsecPerMin = 60 * sol.rate
		p.Drift.SigmaArcsecPerMin = 60 * sol.rateSE * float64(p.RMS) * math.Sqrt(slow)
	}
	middle := (float64(tr.Time[0]) + float64(tr.Time[n-1])) / 2
	noise := rest.floor(span)
	for i, f := range freqs {
		level := noise.at(f)
		amp := math.Hypot(sol.a[i], sol.b[i])
		se := level / math.Sqrt2
		// Phase at time zero of a cos + b sin of time about the middle.
		phase := math.Atan2(sol.a[i], sol.b[i]) - 2*math.Pi*turn(f, middle)
		p.Sines = append(p.Sines, Sine{
			Period:    unit.Est[unit.Second]{V: unit.Second(1 / f), SE: unit.Second(math.Sqrt(3) * se / (math.Pi * span * amp) / (f * f))},
			Amplitude: unit.Est[unit.Arcsec]{V: unit.Arcsec(amp), SE: unit.Arcsec(se)},
			Phase:     unit.Rad(math.Remainder(phase, 2*math.Pi)), Over: amp * amp / (level * level),
		})
	}
	slices.SortStableFunc(p.Sines, func(a, b Sine) int { return cmp.Compare(b.Amplitude.V, a.Amplitude.V) })
	p.Steps = make([]unit.Arcsec, len(c.from)-1)
	for k := range p.Steps {
		p.Steps[k] = unit.Arcsec(sol.means[k])
	}
	return p
}

func arcsecs(v []float64) []unit.Arcsec {
	out := make([]unit.Arcsec, len(v))
	for i, x := range v {
		out[i] = unit.Arcsec(x)
	}
	return out
}

// floor is the noise of a spectrum.
type floor struct {
	s    *Spectrum
	span float64
	wide map[int]float64 // by steps of the frequency's logarithm
}

func (s *Spectrum) floor(span float64) *floor { return &floor{s, span, map[int]float64{}} }

// at returns the root of the mean square amplitude of the noise about a
// frequency, from the median of the spectrum: within a factor and within a few
// resolution elements, whichever has more. Noise that rises towards low
// frequency is thus not taken for what is above it.
//
// Source: powers of noise are exponential, of median ln 2.
func (l *floor) at(f float64) float64 {
	s := l.s
	k := int(math.Round(math.Log(f) / 0.05))
	wide, ok := l.wide[k]
	if !ok {
		g := math.Exp(0.05 * float64(k))
		lo, hi := g/1.6, g*1.6
		// At least forty resolution elements, upwards where there are none below.
		hi = max(hi, lo+40/l.span)
		if top := s.Hz(len(s.Amplitude) - 1); hi > top {
			hi = top
			lo = min(lo, hi-40/l.span)
		}
		wide = s.median(f, lo, hi, l.span)
		l.wide[k] = wide
	}
	return max(wide, s.median(f, f-6/l.span, f+6/l.span, l.span))
}

// median returns the level between two frequencies, what is next to f left out.
func (s *Spectrum) median(f, lo, hi, span float64) float64 {
	var v []float64
	for i := max(int((lo-s.FromHz)/s.StepHz), 0); i < len(s.Amplitude) && s.Hz(i) <= hi; i++ {
		a, g := float64(s.Amplitude[i]), s.Hz(i)
		if math.IsNaN(a) || math.Abs(f-g) < 1/span {
			continue
		}
		v = append(v, a*a)
	}
	if len(v) == 0 {
		return 0
	}
	return math.Sqrt(median(v) / math.Ln2)
}

// strongest returns the frequency whose line stands highest above the noise, 0
// if none does so credibly.
func (s *Spectrum) strongest(span float64, count int, lines []float64) (hz float64) {
	trials := max(float64(count), 10)
	need := math.Log(trials / lineOdds)
	fastest := s.Hz(len(s.Amplitude) - 1)
	noise := s.floor(span)
	best := 0.0
	for i := 1; i+1 < len(s.Amplitude); i++ {
		a := float64(s.Amplitude[i])
		f := s.Hz(i)
		if !(a >= float64(s.Amplitude[i-1])) || !(a > float64(s.Amplitude[i+1])) || f < fewestTurns/span || f > fastest {
			continue
		}
		// The noise costs time: first see whether the line is the best in power.
		if a*a <= best {
			continue
		}
		// Beside a line that is known there are only its remains.
		if slices.ContainsFunc(lines, func(l float64) bool { return math.Abs(l-f) < 1/span }) {
			continue
		}
		l := noise.at(f)
		if o := a * a / (l * l); o > need {
			best, hz = a*a, f
		}
	}
	return hz
}

// solution is a joint fit.
type solution struct {
	rate, rateSE float64   // of the drift, arcsec a second; its error for noise of one
	a, b         []float64 // of cosine and sine of time about the middle
	means        []float64 // of the pieces
	more         []float64 // of the columns after the sines
	left         []float64
	sumSq        float64
}

// solve fits sines of given frequencies with the drift.
func (c *comb) solve(freqs []float64) *solution {
	cols := c.columns(freqs)
	return c.fit(cols, len(freqs))
}

// columns returns cosine and sine of each frequency, centred in the pieces and
// free of the drift.
func (c *comb) columns(freqs []float64) [][]float64 {
	var cols [][]float64
	for _, f := range freqs {
		x, z := make([]float64, len(c.t)), make([]float64, len(c.t))
		for i, t := range c.t {
			z[i], x[i] = math.Sincos(2 * math.Pi * turn(f, t))
		}
		cols = append(cols, x, z)
	}
	return cols
}

// project makes a column free of pieces and drift.
func (c *comb) project(v []float64) []float64 {
	v = slices.Clone(v)
	c.centre(v)
	k := dot(c.u, v)
	for i := range v {
		v[i] -= k * c.u[i]
	}
	return v
}

// normal solves least squares of y by columns, nil if they are not independent.
func normal(cols [][]float64, y []float64) ([]float64, []float64) {
	q := len(cols)
	if q == 0 {
		return []float64{}, nil
	}
	a := make([]float64, q*q)
	for i := range q {
		for j := range i + 1 {
			a[i*q+j] = dot(cols[i], cols[j])
			a[j*q+i] = a[i*q+j]
		}
	}
	if !num.InvertPositive(a, q) {
		return nil, nil
	}
	k := make([]float64, q)
	for j := range q {
		b := dot(cols[j], y)
		for i := range q {
			k[i] += a[i*q+j] * b
		}
	}
	return k, a
}

// fit returns the joint fit of the columns.
func (c *comb) fit(cols [][]float64, sines int) *solution {
	clean := make([][]float64, len(cols))
	for i, v := range cols {
		clean[i] = c.project(v)
	}
	k, inverse := normal(clean, c.y)
	if k == nil {
		return nil
	}
	s := &solution{left: slices.Clone(c.y), a: make([]float64, sines), b: make([]float64, sines)}
	for j, v := range clean {
		for i := range v {
			s.left[i] -= k[j] * v[i]
		}
	}
	for i := range sines {
		s.a[i], s.b[i] = k[2*i], k[2*i+1]
	}
	s.more = k[2*sines:]
	s.sumSq = dot(s.left, s.left)
	// The drift's column is projected out of the others, which does not change
	// what they explain but what is the drift's.
	along := make([]float64, len(cols))
	for j, v := range cols {
		v = slices.Clone(v)
		c.centre(v)
		along[j] = dot(c.u, v)
	}
	beta, variance := c.uy, 1.0
	for i := range along {
		beta -= k[i] * along[i]
		for j := range along {
			variance += along[i] * inverse[i*len(along)+j] * along[j]
		}
	}
	s.rate, s.rateSE = beta*c.slope, math.Sqrt(variance)*c.slope
	s.means = make([]float64, len(c.from)-1)
	for p := range s.means {
		a, b := c.from[p], c.from[p+1]
		for i := a; i < b; i++ {
			m := c.raw[i] - s.rate*c.t[i]
			for j := range cols {
				m -= k[j] * cols[j][i]
			}
			s.means[p] += m / float64(b-a)
		}
	}
	return s
}

// refine moves all frequencies to where the joint fit is best, by Gauss and
// Newton's method.
func (c *comb) refine(freqs []float64, span float64) ([]float64, *solution) {
	best := c.solve(freqs)
	if best == nil {
		return freqs, nil
	}
	for range 8 {
		cols := c.columns(freqs)
		all := slices.Clone(cols)
		for i := range freqs {
			d := make([]float64, len(c.t))
			for j, t := range c.t {
				d[j] = 2 * math.Pi * t * (best.b[i]*cols[2*i][j] - best.a[i]*cols[2*i+1][j])
			}
			all = append(all, d)
		}
		for i := range all {
			all[i] = c.project(all[i])
		}
		k, _ := normal(all, c.y)
		if k == nil {
			break
		}
		next := slices.Clone(freqs)
		moved := 0.0
		for i := range next {
			d := min(max(k[2*len(freqs)+i], -0.2/span), 0.2/span)
			next[i] += d
			moved = max(moved, math.Abs(d)*span)
		}
		s := c.solve(next)
		if s == nil || s.sumSq > best.sumSq {
			break
		}
		freqs, best = next, s
		if moved < 1e-6 {
			break
		}
	}
	return freqs, best
}

// turns reports whether a slow sine explains more than a drift that bends: with
// a square and a cube of time beside it, it must keep half of its power.
func (c *comb) turns(freqs []float64, f float64) bool {
	base := c.columns(freqs)
	for power := 2.0; power <= 3; power++ {
		v := make([]float64, len(c.t))
		for i, t := range c.t {
			v[i] = math.Pow(t/c.t[len(c.t)-1], power)
		}
		base = append(base, v)
	}
	without := c.fit(base, len(freqs))
	with := c.fit(append(base, c.columns([]float64{f})...), len(freqs))
	plain, sine := c.solve(freqs), c.solve(append(slices.Clone(freqs), f))
	if without == nil || with == nil || plain == nil || sine == nil {
		return false
	}
	return without.sumSq-with.sumSq > (plain.sumSq-sine.sumSq)/2
}

// slowness returns by how much the variance of a mean of v exceeds that of as
// many independent numbers: 1 + 2 sum of the correlations up to where they are
// first not positive. At least 1. Beyond 64 lags the sum goes in steps of a
// thirty-second of the lag.
func slowness(v []float64) float64 {
	n := len(v)
	yy := dot(v, v)
	if n < 3 || !(yy > 0) {
		return 1
	}
	sum := 1.0
	for k := 1; k < n/4; {
		r := dot(v[k:], v[:n-k]) / yy
		if r <= 0 {
			break
		}
		step := max(1, k/32-1)
		sum += 2 * r * float64(step)
		k += step
	}
	return sum
}
