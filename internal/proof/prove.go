package proof

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"holdfast/internal/ledger"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Prove says what a night's stars were like and why. It always returns a result;
// what cannot be told says so.
func Prove(n *Night) *Result {
	e := gather(n)
	r := &Result{e: e, Verdict: ledger.Unknown}
	goal := goalOf(n)
	r.Goal = goal
	r.stars(n, goal)
	if e.Used == 0 {
		r.missing(n)
		r.Ledger = emptyLedger()
		r.Sentence = r.sentence()
		return r
	}
	s := newSetting(e, n)
	fits, prob := s.weigh(goal)
	r.fits = fits
	r.findings(s, goal, fits, prob)
	// Where nothing is wrong the star may still have its likeliest explanation.
	best := &fits[0]
	for i := range fits {
		f := &fits[i]
		of := r.Causes[0].Cause == None || r.Causes[0].Cause == Unknown || f.cause == r.Causes[0].Cause
		if of && (best.cause != r.Causes[0].Cause && f.cause == r.Causes[0].Cause || f.evidence+math.Log(f.prior) > best.evidence+math.Log(best.prior)) {
			best = f
		}
	}
	r.Chi2, r.Points = best.chi2, best.points
	r.verdict(s, best, goal)
	r.ledger(s, best)
	r.learn(s, best, n)
	r.missing(n)
	r.Sentence = r.sentence()
	return r
}

// starOf returns a covariance as a star.
func starOf(c psf.Cov, onSky bool) Star {
	p := profileOf(c)
	s := Star{Major: p.Major, Minor: p.Minor, FWHM: p.FWHM(), Ellipticity: p.Ellipticity(), PA: p.PA}
	if !onSky {
		s.PA = unit.Deg(math.NaN())
	}
	return s
}

// stars states the stars of the night and of each sub.
func (r *Result) stars(n *Night, g ledger.Goal) {
	e := r.e
	nan := psf.Cov{EastArcsec2: math.NaN(), NorthArcsec2: math.NaN(), CrossArcsec2: math.NaN()}
	r.Star, r.StarCorner = starOf(nan, false), starOf(nan, false)
	if e.Used > 0 {
		r.Star, r.StarCorner = starOf(e.Cov, e.OnSky), starOf(e.Corner, e.OnSky)
	}
	for i := range e.Subs {
		s, in := &e.Subs[i], &n.Subs[i]
		k := SubSeen{File: in.Frame.File, Error: in.Frame.Error, Exposure: in.Exposure, Star: starOf(nan, false), Corner: starOf(nan, false),
			East: unit.Arcsec(s.East), North: unit.Arcsec(s.North), Turn: unit.Deg(s.Turn), Dimming: unit.Mag(s.Dim), GuideEast: unit.Arcsec(math.NaN()), GuideNorth: unit.Arcsec(math.NaN()), StarsFound: s.Stars}
		if !in.Start.IsZero() {
			k.Start = in.Start.Format("2006-01-02T15:04:05Z")
		}
		if s.OK {
			k.Star, k.Corner = starOf(s.Shape.Cov, e.OnSky), starOf(s.Shape.Worst, e.OnSky)
			r.Judged++
			if k.Star.Ellipticity <= g.Ellipticity && k.Corner.Ellipticity <= g.EllipticityCorner {
				k.WithinGoal = true
				r.Within++
			}
		}
		if h := e.Guide; h != nil && len(h.Axis[0].PerSub) == len(e.Subs) {
			k.GuideEast, k.GuideNorth = unit.Arcsec(math.Sqrt(h.Axis[0].PerSub[i])), unit.Arcsec(math.Sqrt(h.Axis[1].PerSub[i]))
		}
		r.Subs = append(r.Subs, k)
	}
}

// badly is the chi-square to a number from which an explanation does not hold:
// the numbers are some twenty, their errors stated with room, and tails cut.
const badly = 2.5

// findings ranks the causes and says why.
func (r *Result) findings(s *setting, g ledger.Goal, fits []fitted, prob map[Cause]float64) {
	r.causes(fits, prob)
	best := func(c Cause) *fitted {
		var b *fitted
		for i := range fits {
			if fits[i].cause == c && (b == nil || fits[i].evidence > b.evidence) {
				b = &fits[i]
			}
		}
		return b
	}
	top := &fits[0]
	for i := range fits {
		if fits[i].chi2 < top.chi2 {
			top = &fits[i]
		}
	}
	if top.points > 0 && top.chi2 > badly*float64(top.points) {
		// No way the night is known to go wrong looks like this.
		p := 1 - math.Exp(-(top.chi2/float64(top.points)-badly)/2)
		for i := range r.Causes {
			r.Causes[i].Probability *= 1 - p
		}
		if i := slices.IndexFunc(r.Causes, func(k Finding) bool { return k.Cause == Unknown }); i >= 0 {
			r.Causes[i].Probability += p
		} else {
			r.Causes = append(r.Causes, Finding{Cause: Unknown, Probability: p})
		}
		r.sort()
	}
	for i := range r.Causes {
		k := &r.Causes[i]
		k.Remedy, k.NextTest = wordsOf[k.Cause].remedy, wordsOf[k.Cause].test
		own := best(k.Cause)
		if own == nil {
			continue
		}
		rival := best(None)
		if k.Cause == None {
			rival = nil
			for j := range fits {
				if fits[j].cause != None && (rival == nil || fits[j].evidence > rival.evidence) {
					rival = &fits[j]
				}
			}
		}
		if rival != nil {
			r.argue(k, own, rival)
		}
		k.Equivalent = r.equivalents(k.Cause)
		if k.Cause != None && k.Cause != Seeing && k.Probability > 0.01 {
			k.Gain = r.gain(s, own, g)
		}
	}
}

// sort puts the likeliest cause first.
func (r *Result) sort() {
	slices.SortStableFunc(r.Causes, func(a, b Finding) int {
		switch {
		case a.Probability > b.Probability:
			return -1
		case a.Probability < b.Probability:
			return 1
		}
		return 0
	})
}

// equivalents returns the causes that this evidence cannot tell from one.
func (r *Result) equivalents(c Cause) []Cause {
	if r.e.Guide == nil {
		// What the corrections did is not known: an error they left and one they made
		// look alike.
		switch c {
		case PeriodicError:
			return []Cause{LoopGain, Calibration, GuideCamera}
		case Wind:
			return []Cause{LoopGain, GuideCamera, Backlash}
		}
	}
	between := []Cause{Flexure, MirrorShift, Refraction}
	if slices.Contains(between, c) {
		var out []Cause
		for _, k := range r.Causes {
			if k.Cause != c && slices.Contains(between, k.Cause) && k.Probability > 0.005*r.of(c) {
				out = append(out, k.Cause)
			}
		}
		return out
	}
	return nil
}

// of returns the probability of a cause.
func (r *Result) of(c Cause) float64 {
	for i := range r.Causes {
		if r.Causes[i].Cause == c {
			return r.Causes[i].Probability
		}
	}
	return 0
}

// gain returns the mean star without a cause.
func (r *Result) gain(s *setting, f *fitted, g ledger.Goal) *Gain {
	with := s.star(&f.x, f.how)
	x := s.without(f)
	then := s.star(&x, plain)
	less := with.cov.Plus(then.cov.Times(-1))
	out := &Gain{}
	c := positive(r.e.Cov.Plus(less.Times(-1)))
	out.FWHM, out.Ellipticity = fwhmOf(c), elongation(c)
	for i := range r.e.Subs {
		if sub := &r.e.Subs[i]; sub.OK {
			if elongation(positive(sub.Shape.Cov.Plus(less.Times(-1)))) <= g.Ellipticity && elongation(positive(sub.Shape.Worst.Plus(less.Times(-1)))) <= g.EllipticityCorner {
				out.Kept++
			}
		}
	}
	if math.IsNaN(float64(out.FWHM)) {
		return nil
	}
	return out
}

// positive returns a covariance with variances along its axes of a tenth of the
// larger at least.
func positive(c psf.Cov) psf.Cov {
	half, diff := (c.EastArcsec2+c.NorthArcsec2)/2, math.Hypot((c.EastArcsec2-c.NorthArcsec2)/2, c.CrossArcsec2)
	if half-diff < 0.1*(half+diff) && diff > 0 {
		k := 0.8 * half / diff
		d, e := (c.EastArcsec2-c.NorthArcsec2)/2*k, c.CrossArcsec2*k
		return psf.Cov{EastArcsec2: half + d, NorthArcsec2: half - d, CrossArcsec2: e}
	}
	return c
}

// verdict judges the mean star. That it is soft is said only where a cause that
// widens it is likelier than none.
func (r *Result) verdict(s *setting, f *fitted, g ledger.Goal) {
	long := r.e.excess(g)
	_, wide := s.modelled(&f.x, f.how, g)
	switch {
	case math.IsNaN(long):
	case long > 1:
		r.Verdict = ledger.Drawn
	case wide > 1 && f.cause != None && f.cause != Seeing:
		r.Verdict = ledger.Soft
	default:
		r.Verdict = ledger.Round
	}
	if r.Verdict == ledger.Round {
		return
	}
	if r.Verdict == ledger.Soft {
		for i := range r.Subs {
			r.Subs[i].WithinGoal = false
		}
		r.Within = 0
	}
}

// emptyLedger returns a ledger of which nothing is known.
func emptyLedger() []Row {
	nan := unit.Arcsec(math.NaN())
	var out []Row
	for _, t := range ledger.Terms {
		out = append(out, Row{Term: t, East: nan, North: nan, EastSigma: nan, NorthSigma: nan, CrossArcsec: math.NaN(), Share: math.NaN(), PlannedEast: nan, PlannedNorth: nan, Why: "not told by this evidence"})
	}
	return out
}

// ledger states the measured ledger under an explanation.
func (r *Result) ledger(s *setting, f *fitted) {
	r.Ledger = emptyLedger()
	m := s.star(&f.x, f.how)
	total := r.e.Cov.EastArcsec2 + r.e.Cov.NorthArcsec2
	set := func(t ledger.Term, c psf.Cov, part float64, why string) {
		for i := range r.Ledger {
			row := &r.Ledger[i]
			if row.Term != t {
				continue
			}
			row.East, row.North = unit.Arcsec(math.Sqrt(math.Max(c.EastArcsec2, 0))), unit.Arcsec(math.Sqrt(math.Max(c.NorthArcsec2, 0)))
			row.EastSigma, row.NorthSigma = row.East*unit.Arcsec(part), row.North*unit.Arcsec(part)
			row.CrossArcsec = c.CrossArcsec2
			row.Share = (c.EastArcsec2 + c.NorthArcsec2) / total
			row.Why = why
		}
	}
	part := func(p int) float64 { // of a size known by its logarithm
		if f.cov == nil {
			return math.NaN()
		}
		return math.Sqrt(f.cov[p*params+p])
	}
	set(ledger.Seeing, m.parts["air"], part(pAir), "from the minor axis and the wings")
	set(ledger.Diffraction, psf.Airy(s.lambda, s.aperture, s.hole).Cov(), 0.1, "from the aperture")
	if r.e.Scale > 0 {
		set(ledger.Pixels, psf.Box(unit.Arcsec(r.e.Scale), 0).Cov(), 0, "from the scale")
	}
	set(ledger.Optics, psf.Round(unit.Arcsec(math.Exp(f.x[pAber]))), part(pAber), "as such optics have, hardly told")
	set(ledger.Focus, m.parts["focus"], part(pDisc), "from the wings")
	if m.around > 0 && !math.IsNaN(r.e.TurnRate) {
		set(ledger.FieldRotation, psf.Round(unit.Arcsec(math.Sqrt(m.around/2))), 0.2, "in the corner, from how the field turns")
	}
	if !math.IsNaN(r.e.DriftE) {
		hours := r.e.Exposure / 3600
		t := ledger.Flexure
		switch f.cause {
		case MirrorShift:
			t = ledger.MirrorShift
		case Refraction:
			t = ledger.Refraction
		}
		d := math.Hypot(r.e.DriftE, r.e.DriftN)
		set(t, m.parts["trail"], math.Min(r.e.DriftSigma/math.Max(d, 1e-9), 9), fmt.Sprintf("from the drift: %.2f arcsec in each sub", d*hours))
	}
	if g := r.e.Guide; g != nil {
		n := math.Exp(f.x[pNoise])
		gr, gd := math.Exp(f.x[pGain]), math.Exp(f.x[pGainDec])
		noise := func(g float64) float64 { g = math.Min(math.Max(g, 0.02), 1.97); return g / (2 - g) * n * n }
		left := 0.0
		if f.how == plain {
			left = sq(math.Exp(f.x[pWave])*s.rejection(g.Axis[0].Period, gr)) / 2
		}
		set(ledger.Tracking, psf.Cov{EastArcsec2: left + math.Exp(2*f.x[pGear])}, part(pGear), "from the series")
		set(ledger.CorrectionNoise, psf.Cov{EastArcsec2: noise(gr), NorthArcsec2: noise(gd)}, part(pNoise), "from the series")
		set(ledger.Wind, psf.Round(unit.Arcsec(math.Exp(f.x[pWind]))), part(pWind), "from the series, both axes alike")
		set(ledger.Backlash, psf.Cov{NorthArcsec2: math.Exp(2 * f.x[pPlay])}, part(pPlay), "from the series, slow declination")
	}
}

// learn offers what the night taught as rig entries, and a draft rig where there
// is none.
func (r *Result) learn(s *setting, f *fitted, n *Night) {
	add := func(entry, format string, args ...any) {
		r.Learned = append(r.Learned, Lesson{entry, fmt.Sprintf(format, args...)})
	}
	e := r.e
	spread := func(p int) float64 {
		if f.cov == nil {
			return 0.3
		}
		return math.Sqrt(f.cov[p*params+p])
	}
	x := 1.0
	for i := range e.Subs {
		if a := e.Subs[i].Airmass; a >= 1 {
			x = a
		}
	}
	zenith := math.Exp(f.x[pAir]) * math.Pow(x, -0.6) * math.Pow(float64(s.lambda)/0.5, 0.2)
	add("site.seeing", "%.2g ± %.1g arcsec", zenith, math.Max(zenith*spread(pAir), 0.1))
	if g := e.Guide; g != nil && !math.IsNaN(g.Axis[0].Line) && f.how != stuck {
		cosDec := math.Max(math.Cos(float64(e.Dec.Rad())), 0.1)
		if math.IsNaN(cosDec) {
			cosDec = 1
		}
		add("mount.periodic_error", "%.3g arcsec", 2*g.Axis[0].Line/cosDec)
		if span := nightLength(e); g.Axis[0].Period < span {
			add("mount.period", "%.0f s", g.Axis[0].Period)
		}
	}
	if !math.IsNaN(e.DriftE) && e.OnSky && math.Hypot(e.DriftE, e.DriftN) > 3*e.DriftSigma && (f.cause == Flexure || f.cause == None) {
		add("flexure.drift", "%.2g ± %.1g arcsec/h", math.Hypot(e.DriftE, e.DriftN), math.Max(e.DriftSigma, 0.1))
	}
	if f.cov != nil {
		off := math.Hypot(f.x[pPoleC], f.x[pPoleS])
		if sigma := math.Max(spread(pPoleC), spread(pPoleS)); off > 4*sigma && off > 8 {
			add("polar.error", "%.3g ± %.1g arcmin", off, sigma)
		}
	}
	if n.Rig == nil {
		r.Draft = draft(n, r)
	}
}

// nightLength returns how long the subs last, s.
func nightLength(e *evidence) float64 {
	if len(e.Subs) == 0 {
		return 0
	}
	return e.Subs[len(e.Subs)-1].At
}

// draft writes a rig file from what headers and stars say.
func draft(n *Night, r *Result) string {
	var b strings.Builder
	tables := map[string][]string{}
	order := []string{"site", "sub", "imaging", "imaging.camera", "guide", "mount", "polar", "flexure"}
	put := func(entry, value string) {
		i := strings.LastIndex(entry, ".")
		tables[entry[:i]] = append(tables[entry[:i]], fmt.Sprintf("%s = %q", entry[i+1:], value))
	}
	var first *Sub
	for i := range n.Subs {
		if n.Subs[i].Frame.Width > 0 {
			first = &n.Subs[i]
			break
		}
	}
	if first != nil {
		if first.Exposure > 0 {
			put("sub.length", fmt.Sprintf("%g s", float64(first.Exposure)))
		}
		if first.Aperture > 0 {
			put("imaging.aperture", fmt.Sprintf("%g mm", float64(first.Aperture)))
		}
		focal := float64(first.Focal)
		if r.e.Scale > 0 && first.Pixel > 0 {
			// The solution knows better than the header.
			focal = float64(first.Pixel) / r.e.Scale * unit.ArcsecPerRad / 1000
		}
		if focal > 0 {
			put("imaging.focal", fmt.Sprintf("%.4g mm", focal))
		}
		if first.Pixel > 0 {
			put("imaging.camera.pixel", fmt.Sprintf("%g um", float64(first.Pixel)))
		}
		put("imaging.camera.width", fmt.Sprintf("%d px", first.Frame.Width))
		put("imaging.camera.height", fmt.Sprintf("%d px", first.Frame.Height))
	}
	for _, l := range r.Learned {
		put(l.Entry, l.Value)
	}
	b.WriteString("# A draft from one night's subs. Look through it, add what it cannot know, and plan.\n")
	for _, t := range order {
		if len(tables[t]) == 0 {
			continue
		}
		fmt.Fprintf(&b, "\n[%s]\n", t)
		for _, l := range tables[t] {
			b.WriteString(l + "\n")
		}
	}
	return b.String()
}

// missing says which evidence would have told more.
func (r *Result) missing(n *Night) {
	e := r.e
	if n.Series == nil {
		r.Missing = append(r.Missing, "no series of the guide camera: what corrections did cannot be told")
	}
	if !e.OnSky {
		r.Missing = append(r.Missing, "no sub was solved: directions are those of the sensor, not of the sky")
	}
	if len(e.Subs) < 4 {
		r.Missing = append(r.Missing, fmt.Sprintf("only %d subs: drift between them cannot be told", len(e.Subs)))
	} else if math.IsNaN(e.Subs[0].At) {
		r.Missing = append(r.Missing, "no times in the headers: drift cannot be told")
	}
	if !(e.Scale > 0) {
		r.Missing = append(r.Missing, "no scale: widths are in pixels where arcsec are said")
	}
}
