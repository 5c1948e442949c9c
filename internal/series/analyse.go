package series

import (
	"fmt"
	"math"
	"slices"

	"holdfast/internal/air"
	"holdfast/internal/loop"
	"holdfast/internal/unit"
)

// fewest is how many exposures with a star a record must have.
const fewest = 20

// study is an analysis under way.
type study struct {
	rec  *Record
	opt  Options
	out  *Drive
	f    *free
	lone []bool
	play play
	told [2]told      // innovations with lines and play
	seen [2][]float64 // un-guided without steps
	deaf bool
}

// Analyse says what a record tells of the drive. The error is that of a record
// with too few exposures.
func Analyse(r *Record, opt Options) (*Drive, error) {
	d := newDrive(r)
	if n := d.Exposures - d.Lost; n < fewest {
		return nil, fmt.Errorf("series: %s: found %d exposures with a star, want at least %d", r.Name, n, fewest)
	}
	if !(d.Cycle > 0) {
		return nil, fmt.Errorf("series: %s: found exposures that do not follow one another in time", r.Name)
	}
	s := &study{rec: r, opt: opt, out: d}
	s.defaults()
	s.free()
	s.periods()
	if s.remark() {
		s.unguide()
		s.periods()
	}
	s.response()
	s.motion()
	s.law()
	s.swing()
	s.settings()
	s.steps()
	s.advise()
	return d, nil
}

// newDrive returns what is not known yet.
func newDrive(r *Record) *Drive {
	nan := math.NaN()
	a := unit.Arcsec(nan)
	d := &Drive{File: r.Name, Start: r.Start, Exposures: len(r.Samples), Lost: r.lost(), Span: r.Span(), Cycle: r.Cycle(), Guided: r.Moves != NoMoves, Axes: "east, north",
		Bend: Bend{nan, nan, nan, nan}, DriftRA: nan, DriftRASigma: nan, DriftDec: nan, DriftDecSigma: nan, RMSRA: a, RMSDec: a, FreeRMSRA: a, FreeRMSDec: a,
		Motion: a, MotionSigma: a, MotionRA: a, MotionDec: a, Seeing: a, SeeingTimes: nan, Backlash: a, BacklashSigma: a, CalibrationAngle: unit.Deg(nan), CalibrationAngleSigma: unit.Deg(nan)}
	if !r.Sky {
		d.Axes = "x, y"
	}
	return d
}

func (s *study) defaults() {
	o := &s.opt
	if o.Exposure == 0 {
		o.Exposure = s.rec.Exposure
		if !(o.Exposure > 0) {
			o.Exposure = s.out.Cycle
			s.note("the exposure of the guide camera is taken as long as its cycle, %s", s.out.Cycle.Say())
		}
	}
	if o.Exposure > s.out.Cycle {
		o.Exposure = s.out.Cycle
	}
	if o.Aperture == 0 {
		o.Aperture = 50
	}
	if o.Wind == 0 {
		o.Wind = 10
	}
	if o.Outer == 0 {
		o.Outer = 20
	}
}

func (s *study) note(format string, args ...any) {
	s.out.Notes = append(s.out.Notes, fmt.Sprintf(format, args...))
}

// name returns the name of an axis in the result.
func (s *study) name(axis int) string { return [2]string{"ra", "dec"}[axis] }

// free un-guides the record.
func (s *study) free() {
	one := [2][2]float64{{1, 0}, {0, 1}}
	s.f = newFree(s.rec, 0)
	switch s.rec.Moves {
	case NoMoves:
		_, s.lone = s.f.mark([2][2]float64{})
		s.rmsOf()
		return
	case Unnamed:
		if !s.infer() {
			_, s.lone = s.f.mark([2][2]float64{})
			s.rmsOf()
			return
		}
	}
	_, s.lone = s.f.mark(one)
	s.rmsOf()
	s.out.Freed = true
	s.unguide()
}

// unguide takes the corrections out.
func (s *study) unguide() {
	if !s.out.Freed {
		return
	}
	s.f.x[0] = minus(s.f.e[0], s.f.sum[0])
	s.play = s.f.findPlay(1)
	s.f.x[1] = minus(s.f.e[1], s.play.answered)
}

// remark looks for jumps anew where the drive's periods are known, which leaves
// less for them to hide in. It reports whether it found any.
func (s *study) remark() bool {
	t := s.f.cycles()
	lines := s.pushes()
	n := len(t)
	marks := slices.Clone(s.f.reset)
	found := 0
	for axis := range 2 {
		if axis == 1 && s.play.reversals > 0 {
			continue // where play is not known to an exposure, its end looks like a jump
		}
		m := tell(t, s.f.x[axis], lines, s.f.reset, predictors)
		if m.k == nil {
			continue
		}
		limit := leap * spread(given(m.surpris))
		for i, v := range m.surpris {
			if math.Abs(v) > limit && !marks[i] {
				marks[i] = true
				found++
				// What follows a wild exposure begins anew, too.
				if i+1 < n && math.Abs(s.f.x[axis][i+1]-s.f.x[axis][i]) > limit && !marks[i+1] {
					marks[i+1] = true
				}
			}
		}
	}
	if found == 0 || found > n/20 {
		return false
	}
	s.f.reset, s.f.piece = marks, nil
	return true
}

func minus(a, b []float64) []float64 {
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] - b[i]
	}
	return out
}

// rmsOf fills the rms of the offsets, jumps included.
func (s *study) rmsOf() {
	for axis, to := range []*unit.Arcsec{&s.out.RMSRA, &s.out.RMSDec} {
		*to = unit.Arcsec(s.about(s.f.e[axis], func(i int) bool { return s.f.at[i] == 0 || slices.Contains(s.rec.Stretches, s.f.at[i]) }))
	}
}

// about returns the rms of a column about its mean in each piece.
func (s *study) about(v []float64, begins func(int) bool) float64 {
	sum, n := 0.0, 0
	for a := 0; a < len(v); {
		b := a + 1
		for b < len(v) && !begins(b) {
			b++
		}
		mean := 0.0
		for _, x := range v[a:b] {
			mean += x / float64(b-a)
		}
		for _, x := range v[a:b] {
			sum += (x - mean) * (x - mean)
		}
		n += b - a
		a = b
	}
	return math.Sqrt(sum / float64(n))
}

// track returns an axis of the un-guided record.
func (s *study) track(axis int) Track {
	tr := Track{Trend: true}
	for i := range s.f.t {
		if i == 0 || s.f.reset[i] {
			tr.Pieces = append(tr.Pieces, i)
		}
		tr.Time = append(tr.Time, unit.Second(s.f.t[i]))
		tr.Offset = append(tr.Offset, unit.Arcsec(s.f.x[axis][i]))
	}
	return tr
}

// periods takes both axes apart.
func (s *study) periods() {
	d := s.out
	d.Lines.RA = Periods(s.track(0), d.Cycle, s.opt.Workers)
	d.Lines.Dec = Periods(s.track(1), d.Cycle, s.opt.Workers)
	lines := [2]*Periodic{d.Lines.RA, d.Lines.Dec}
	d.DriftRA, d.DriftRASigma = lines[0].Drift.ArcsecPerMin, lines[0].Drift.SigmaArcsecPerMin
	d.DriftDec, d.DriftDecSigma = lines[1].Drift.ArcsecPerMin, lines[1].Drift.SigmaArcsecPerMin
	d.Periods = nil
	for axis, p := range lines {
		s.seen[axis] = s.withoutSteps(axis, p)
		free := unit.Arcsec(s.about(s.seen[axis], func(int) bool { return false }))
		if axis == 0 {
			d.FreeRMSRA = free
		} else {
			d.FreeRMSDec = free
		}
		d.Periods = append(d.Periods, s.drives(axis, p)...)
	}
	s.fold()
	s.bend()
}

// bend finds how the drifts change.
func (s *study) bend() {
	d := s.out
	for axis, to := range [][2]*float64{{&d.RAStart, &d.RAEnd}, {&d.DecStart, &d.DecEnd}} {
		var freqs []float64
		for _, p := range [2]*Periodic{d.Lines.RA, d.Lines.Dec}[axis].Sines {
			freqs = append(freqs, 1/float64(p.Period.V))
		}
		c := newComb(s.track(axis))
		cols := c.columns(freqs)
		square := make([]float64, len(c.t))
		for i, t := range c.t {
			square[i] = t * t
		}
		k := c.fit(append(cols, square), len(freqs))
		if k == nil || !c.enough {
			continue
		}
		half := float64(d.Span) / 2
		*to[0], *to[1] = 60*(k.rate-2*k.more[0]*half), 60*(k.rate+2*k.more[0]*half)
	}
}

// withoutSteps returns an axis un-guided, its pieces joined.
func (s *study) withoutSteps(axis int, p *Periodic) []float64 {
	out := slices.Clone(s.f.x[axis])
	k := -1
	for i := range out {
		if i == 0 || s.f.reset[i] {
			k++
		}
		if k < len(p.Steps) {
			out[i] -= float64(p.Steps[k])
		}
	}
	return out
}

// drives returns the periods of an axis as the drive makes them.
func (s *study) drives(axis int, p *Periodic) []Period {
	var out []Period
	span := float64(s.out.Span)
	even := s.even()
	for _, k := range p.Sines {
		t := float64(k.Period.V)
		up := 1.0
		if x := float64(s.opt.Exposure) / t; x < 0.5 {
			up = math.Pi * x / math.Sin(math.Pi*x)
		}
		if s.rec.Moves == NoMoves && s.opt.Gain > 0 {
			l := loop.Linear{Gain: s.opt.Gain, Exposure: s.opt.Exposure, Cycle: s.out.Cycle}
			up /= l.Rejection(1 / t)
		}
		q := Period{Axis: s.name(axis), Period: k.Period.V, PeriodSigma: k.Period.SE, Amplitude: k.Amplitude.V * unit.Arcsec(up), AmplitudeSigma: k.Amplitude.SE * unit.Arcsec(up), Harmonic: 1, Over: k.Over,
			Alias: unit.Second(math.NaN()), Teeth: math.NaN(), phase: k.Phase}
		if even {
			q.Alias = unit.Second(1 / (1/float64(s.out.Cycle) - 1/t))
		}
		out = append(out, q)
	}
	if len(out) == 0 {
		return out
	}
	// The first is the longest of which the strongest is a harmonic.
	base := float64(out[0].Period)
	for n := 2; n <= 3; n++ {
		for _, q := range out[1:] {
			if math.Abs(1/float64(q.Period)-1/(float64(n)*float64(out[0].Period))) < 0.5/span && q.Amplitude > out[0].Amplitude/8 {
				base = float64(n) * float64(out[0].Period)
			}
		}
	}
	for i := range out {
		n := math.Round(base / float64(out[i].Period))
		if n >= 1 && n <= 12 && math.Abs(n/base-1/float64(out[i].Period)) < 0.7/span {
			out[i].Harmonic = int(n)
		}
	}
	if axis == 0 {
		for i := range out {
			q := &out[i]
			teeth := sidereal / float64(q.Period)
			if q.Harmonic == 1 && math.Abs(base-float64(q.Period)) < 0.1 && teeth >= 60 && teeth <= 700 {
				q.Teeth = teeth
			}
		}
	}
	return out
}

// sidereal is the sidereal day in seconds. Source: IAU 1976, IERS Conventions.
const sidereal = 86164.0905

// even reports whether exposures follow one another so evenly that periods
// shorter than two cycles would be seen as longer ones.
func (s *study) even() bool {
	var gaps []float64
	for i := 1; i < len(s.f.t); i++ {
		gaps = append(gaps, math.Abs(s.f.t[i]-s.f.t[i-1]-s.f.cycle))
	}
	return median(gaps) < 0.02*s.f.cycle
}

// folds is into how many parts a turn is folded.
const folds = 24

// fold folds the un-guided right ascension over its first period.
func (s *study) fold() {
	d := s.out
	d.Folded = nil
	at := slices.IndexFunc(d.Periods, func(p Period) bool { return p.Axis == "ra" && p.Harmonic == 1 })
	if at < 0 || d.Lines.RA.Left == nil {
		return
	}
	first := d.Periods[at]
	period := float64(first.Period)
	var own []Period
	for _, p := range d.Periods {
		if n := math.Round(period / float64(p.Period)); p.Axis == "ra" && n >= 1 && math.Abs(n/period-1/float64(p.Period)) < 0.7/float64(d.Span) {
			own = append(own, p)
		}
	}
	var sum, square, count [folds]float64
	for i, t := range s.f.t {
		v := float64(d.Lines.RA.Left[i])
		for _, p := range own {
			v += float64(p.Amplitude) * math.Sin(2*math.Pi*turn(1/float64(p.Period), t)+float64(p.phase))
		}
		k := min(int(turn(1/period, t)*folds), folds-1)
		sum[k] += v
		square[k] += v * v
		count[k]++
	}
	slow := math.Sqrt(slowness(unit.Floats(d.Lines.RA.Left)))
	for k := range folds {
		n := count[k]
		q := Fold{Phase: (float64(k) + 0.5) / folds, Offset: unit.Arcsec(math.NaN()), Sigma: unit.Arcsec(math.NaN())}
		if n > 0 {
			q.Offset = unit.Arcsec(sum[k] / n)
		}
		if n > 1 {
			q.Sigma = unit.Arcsec(slow * math.Sqrt(max(square[k]/n-sum[k]*sum[k]/n/n, 0)/(n-1)))
		}
		d.Folded = append(d.Folded, q)
	}
}

// pushes returns the known parts of an axis as columns: its sines.
func (s *study) pushes() [][]float64 {
	var out [][]float64
	for _, p := range s.out.Periods {
		if len(out) >= 16 {
			break
		}
		x, z := make([]float64, len(s.f.t)), make([]float64, len(s.f.t))
		for i, t := range s.f.t {
			z[i], x[i] = math.Sincos(2 * math.Pi * turn(1/float64(p.Period), t))
		}
		out = append(out, x, z)
	}
	return out
}

// response finds out how the star answers to corrections.
func (s *study) response() {
	if !s.out.Guided {
		return
	}
	t := s.f.cycles()
	lines := s.pushes()
	a := s.out.Answer
	if a == nil {
		a = &Answer{Lag: 1, Used: true}
		s.out.Answer = a
	}
	if s.rec.Moves == Unnamed {
		return
	}
	sums := [][]float64{s.f.sum[0], s.play.answered}
	var m, none, whole [2]told
	for axis := range 2 {
		m[axis] = tell(t, s.f.e[axis], append(slices.Clone(sums), lines...), s.f.reset, predictors)
		none[axis] = tell(t, s.f.e[axis], nil, s.f.reset, predictors)
		whole[axis] = tell(t, minus(s.f.e[axis], sums[axis]), nil, s.f.reset, predictors)
	}
	if m[0].k == nil || m[1].k == nil {
		a.Why = "too few exposures to tell"
		return
	}
	var wide [2][2]float64
	for axis := range 2 {
		for j := range 2 {
			wide[axis][j] = m[axis].ridge(t, s.f.e[axis], append(slices.Clone(sums), lines...), s.f.reset, j)
		}
	}
	a.RARA, a.RADec, a.DecRA, a.DecDec = m[0].k[0], m[0].k[1], m[1].k[0], m[1].k[1]
	a.RARASigma, a.RADecSigma, a.DecRASigma, a.DecDecSigma = wide[0][0], wide[0][1], wide[1][0], wide[1][1]
	a.Why = "asked for in arcsec, and believed"
	// Nothing answers: the offsets are white, and better told without the
	// corrections than with them. A loop of the best gain leaves white offsets,
	// too, and one law then fits as well as the other; but what it followed goes
	// somewhere, while corrections of mere noise wander without aim.
	gain := 0.0
	white := true
	for axis := range 2 {
		if none[axis].n == 0 || whole[axis].n == 0 {
			return
		}
		gain += (whole[axis].sumSq - none[axis].sumSq) / (none[axis].sumSq / float64(none[axis].n))
		white = white && s.white(axis)
	}
	if sent := moved(s.f.c[0]) && moved(s.f.c[1]); sent && white && (gain > 10 || s.aimless(0) && s.aimless(1)) {
		s.deaf = true
		a.Used = false
		a.Why = "the star does not answer: it is where it is, whatever is sent"
		s.f.x = s.f.e
		s.out.Freed = false
		s.play = play{}
		s.periods()
	}
}

// ridge returns the standard error of an answer when the noise is not better
// known than the record tells: how far the answer goes with predictors that do
// as well within one variance, and its own error.
func (f *told) ridge(t, x []float64, pushes [][]float64, reset []bool, j int) float64 {
	se := f.se[j]
	variance := f.sumSq / float64(max(f.n, 1))
	for _, p := range predictors {
		if p.beta > 0 != (f.by.beta > 0) || math.Abs(p.alpha-f.by.alpha) > 0.25 {
			continue
		}
		k := tell(t, x, pushes, reset, []predictor{p})
		if k.k == nil {
			continue
		}
		far := (k.sumSq - f.sumSq) / variance
		if far < 25 {
			// Parabola: one sigma is where the sum grows by one variance.
			se = max(se, math.Abs(k.k[j]-f.k[j])/math.Sqrt(max(far, 1)))
		}
	}
	return se
}

// aimless reports whether the corrections of an axis go no farther in the long
// run than as many independent steps of their size would.
func (s *study) aimless(axis int) bool {
	sum := s.f.sum[axis]
	n := len(sum)
	l := n / 8
	if l < 10 {
		return false
	}
	far, step := 0.0, 0.0
	for i := l; i < n; i++ {
		d := sum[i] - sum[i-l]
		far += d * d / float64(n-l)
	}
	for i := 1; i < n; i++ {
		d := sum[i] - sum[i-1]
		step += d * d / float64(n-1)
	}
	return far < 3*float64(l)*step
}

// white reports whether the offsets of an axis show no memory.
func (s *study) white(axis int) bool {
	e := s.f.e[axis]
	n := len(e)
	mean := 0.0
	for _, v := range e {
		mean += v / float64(n)
	}
	c := make([]float64, n)
	for i, v := range e {
		c[i] = v - mean
	}
	yy := dot(c, c)
	if !(yy > 0) {
		return true
	}
	// Box and Pierce: the sum of squared correlations times n is chi squared.
	const lags = 30
	sum := 0.0
	for k := 1; k <= lags && k < n; k++ {
		r := dot(c[k:], c[:n-k]) / yy
		sum += float64(n) * r * r
	}
	return sum < 70 // chance 5e-5
}

// motion finds the white part of both axes and what seeing it says.
func (s *study) motion() {
	t := s.f.cycles()
	lines := s.pushes()
	d := s.out
	sum := 0.0
	for axis, to := range []*unit.Arcsec{&d.MotionRA, &d.MotionDec} {
		s.told[axis] = tell(t, s.f.x[axis], lines, s.f.reset, predictors)
		m := &s.told[axis]
		if m.k == nil {
			return
		}
		m.fine(t, s.f.x[axis], lines, s.f.reset)
		*to = unit.Arcsec(m.noise())
		sum += m.noise() * m.noise() / 2
	}
	d.Motion = unit.Arcsec(math.Sqrt(sum))
	n := float64(s.told[0].n)
	d.MotionSigma = d.Motion * unit.Arcsec(math.Sqrt(1/(4*n)*(1+2/(1-min(s.told[0].by.alpha, 0.9)))))
	s.seeing()
}

// fine settles alpha between those that were tried.
func (f *told) fine(t, x []float64, pushes [][]float64, reset []bool) {
	step := 1.25
	for range 6 {
		var among []predictor
		for _, k := range []float64{1 / step, step} {
			a := min(f.by.alpha*k, 1)
			share := 0.0
			if f.by.beta > 0 {
				share = f.by.beta / (f.by.alpha * f.by.alpha / (2 - f.by.alpha))
			}
			among = append(among, predictor{a, share * a * a / (2 - a)})
		}
		if k := tell(t, x, pushes, reset, among); k.k != nil && k.sumSq < f.sumSq {
			*f = k
		} else {
			step = math.Sqrt(step)
		}
	}
}

// centroidFloor is the error that a centroid keeps however bright the star, px:
// common practice, no source.
const centroidFloor unit.Px = 0.05

// seeing says what FWHM of the air makes as much motion.
func (s *study) seeing() {
	d, o := s.out, &s.opt
	v := float64(d.Motion) * float64(d.Motion)
	what := "all of the motion to be the air's, so the seeing is at most this"
	if o.Scale > 0 {
		floor := float64(o.Scale.Arcsec(centroidFloor))
		v -= floor * floor
		what = fmt.Sprintf("a centroid good to %.2f px", float64(centroidFloor))
	}
	d.SeeingWhy = fmt.Sprintf("a guide aperture of %.0f mm, wind of %.0f m/s aloft, an outer scale of %.0f m, exposures of %s and %s; air is never so simple, and this is no better than a factor of two", float64(o.Aperture), float64(o.Wind), float64(o.Outer), o.Exposure.Say(), what)
	if !(v > 0) {
		return
	}
	want := math.Sqrt(v)
	lo, hi := 0.1, 30.0
	at := func(fwhm float64) float64 {
		return float64(air.AveragedMotion(o.Aperture.Metre(), air.FromFWHM(unit.Arcsec(fwhm), air.Reference, o.Outer), o.Wind, o.Exposure, air.MeanAxis))
	}
	for range 60 {
		mid := math.Sqrt(lo * hi)
		if m := at(mid); m < want || math.IsNaN(m) && mid < 1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	if m := at(lo); !(math.Abs(m/want-1) < 0.02) {
		return
	}
	d.Seeing, d.SeeingTimes = unit.Arcsec(lo), 2
}
