package proof

import (
	"math"
	"slices"

	"holdfast/internal/ledger"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Star is a star in the words of the JSON contract.
type Star struct {
	Major       unit.Arcsec `json:"fwhm_major_arcsec"`
	Minor       unit.Arcsec `json:"fwhm_minor_arcsec"`
	FWHM        unit.Arcsec `json:"fwhm_arcsec"`
	Ellipticity float64     `json:"ellipticity"`
	PA          unit.Deg    `json:"pa_deg"` // north through east; NaN where the axes are not those of the sky
}

// Row is a row of the measured ledger: one-sigma widths in the mean sub. A row
// that cannot be told has NaN throughout.
type Row struct {
	Term         ledger.Term `json:"term"`
	East         unit.Arcsec `json:"east_arcsec"`
	North        unit.Arcsec `json:"north_arcsec"`
	EastSigma    unit.Arcsec `json:"east_sigma_arcsec"`
	NorthSigma   unit.Arcsec `json:"north_sigma_arcsec"`
	CrossArcsec  float64     `json:"cross_arcsec2"`
	Share        float64     `json:"share"`
	PlannedEast  unit.Arcsec `json:"planned_east_arcsec"`
	PlannedNorth unit.Arcsec `json:"planned_north_arcsec"`
	Why          string      `json:"why"` // how it was told, or why it cannot be
	Entries      []string    `json:"entries"`
	Remedy       string      `json:"remedy"`
}

// Finding is a cause with what speaks for and against it.
type Finding struct {
	Cause       Cause    `json:"cause"`
	Probability float64  `json:"probability"`
	Equivalent  []Cause  `json:"equivalent"` // causes that this evidence cannot tell from it
	For         []string `json:"for"`
	Against     []string `json:"against"`
	NextTest    string   `json:"next_test"`
	Remedy      string   `json:"remedy"`
	Gain        *Gain    `json:"gain"` // nil where it cannot be told
}

// Gain is the mean star once a cause is down to what is ordinary.
type Gain struct {
	FWHM        unit.Arcsec `json:"fwhm_arcsec"`
	Ellipticity float64     `json:"ellipticity"`
	Kept        int         `json:"subs_within_goal"` // of the night's subs
}

// SubSeen is what one sub shows.
type SubSeen struct {
	File       string      `json:"file"`
	Error      string      `json:"error,omitempty"`
	Start      string      `json:"start_utc"`
	Exposure   unit.Second `json:"exposure_s"`
	Star       Star        `json:"star"`
	Corner     Star        `json:"star_corner"`
	East       unit.Arcsec `json:"east_arcsec"` // where its middle points, from the first sub's
	North      unit.Arcsec `json:"north_arcsec"`
	Turn       unit.Deg    `json:"turned_deg"`
	Dimming    unit.Mag    `json:"dimming_mag"`
	GuideEast  unit.Arcsec `json:"guide_rms_ra_arcsec"`
	GuideNorth unit.Arcsec `json:"guide_rms_dec_arcsec"`
	WithinGoal bool        `json:"within_goal"`
	StarsFound int         `json:"stars_found"`
}

// Lesson is a rig entry that the night taught.
type Lesson struct {
	Entry string `json:"entry"`
	Value string `json:"value"`
}

// Result is what a night's subs say.
type Result struct {
	Sentence   string         `json:"sentence"`
	Star       Star           `json:"star"` // of the mean sub, in the middle
	StarCorner Star           `json:"star_corner"`
	Verdict    ledger.Verdict `json:"verdict"`
	Within     int            `json:"subs_within_goal"`
	Judged     int            `json:"subs_judged"`
	Ledger     []Row          `json:"ledger"`
	Causes     []Finding      `json:"causes"` // the likeliest first
	Learned    []Lesson       `json:"learned"`
	Subs       []SubSeen      `json:"subs"`
	Missing    []string       `json:"missing"`   // evidence that would have told more
	Draft      string         `json:"draft_rig"` // "" where there is a rig already
	Chi2       float64        `json:"chi2"`      // of the likeliest explanation, over
	Points     int            `json:"points"`    // so many numbers
	Goal       ledger.Goal    `json:"-"`         // that the subs were judged by

	e    *evidence
	fits []fitted
}

// goalOf returns the goal of a night: the rig's, or the default.
func goalOf(n *Night) ledger.Goal {
	if n.Rig != nil {
		g := &n.Rig.Goal
		return ledger.Goal{Ellipticity: g.Ellipticity.V, EllipticityCorner: g.EllipticityCorner.V, FWHMRatio: g.FWHMRatio.V}
	}
	return ledger.Goal{Ellipticity: 0.10, EllipticityCorner: 0.15, FWHMRatio: 1.15}
}

// excess is how far the night is beyond its goal by elongation alone: 1 is just
// at it. What spoils a quarter of the subs spoils the night.
func (e *evidence) excess(g ledger.Goal) float64 {
	var v []float64
	for i := range e.Subs {
		s := &e.Subs[i]
		if !s.OK {
			continue
		}
		v = append(v, math.Max(elongation(s.Shape.Cov)/g.Ellipticity, elongation(s.Shape.Worst)/g.EllipticityCorner))
	}
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[min(3*len(v)/4, len(v)-1)]
}

// modelled is how far the model's star is beyond the goal: by elongation and by
// width.
func (s *setting) modelled(x *[params]float64, how special, g ledger.Goal) (long, wide float64) {
	m := s.star(x, how)
	base := m.parts["air"].Plus(m.parts["fixed"])
	corner := m.cov
	long = math.Max(elongation(m.cov)/g.Ellipticity, 0)
	// A corner is what the middle is, and what a turning field adds, at worst along
	// the same line.
	_, _, pa := m.cov.Axes()
	corner = corner.Plus(psf.Along(unit.Arcsec(math.Sqrt(math.Max(m.around, 0))), pa))
	long = math.Max(long, elongation(corner)/g.EllipticityCorner)
	wide = (float64(fwhmOf(m.cov)/fwhmOf(base)) - 1) / (g.FWHMRatio - 1)
	// Optics count as given, but not where a corner is a third wider than the middle.
	trace := m.cov.EastArcsec2 + m.cov.NorthArcsec2
	wide = math.Max(wide, (math.Sqrt(math.Max(1+m.growth/trace, 0))-1)/0.33)
	return long, wide
}

// without returns the amounts with the freed ones at their ordinary middles.
func (s *setting) without(f *fitted) [params]float64 {
	x := f.x
	for _, k := range f.free {
		x[k.p] = s.usual[k.p].middle
	}
	return x
}

// weigh fits all hypotheses and returns them with the probabilities of the causes.
//
// The evidence says how likely each hypothesis is. Under each of them the star is
// beyond its goal or not, and a share of what is beyond goes with the cause that
// the hypothesis sets free; what does not, goes with the causes that have their
// ordinary amounts, in proportion to what each of them spoils. A cause that is
// there and spoils nothing is not what is asked for.
func (s *setting) weigh(g ledger.Goal) ([]fitted, map[Cause]float64) {
	var fits []fitted
	for _, h := range s.hypotheses() {
		if h.guided && !s.guided {
			continue
		}
		var from *[params]float64
		if len(fits) > 0 {
			from = &fits[0].x // of none
		}
		fits = append(fits, s.fit(h, from))
	}
	top := math.Inf(-1)
	for i := range fits {
		top = math.Max(top, fits[i].evidence+math.Log(fits[i].prior))
	}
	sum := 0.0
	post := make([]float64, len(fits))
	for i := range fits {
		post[i] = math.Exp(fits[i].evidence + math.Log(fits[i].prior) - top)
		sum += post[i]
	}
	prob := map[Cause]float64{}
	for i := range fits {
		f := &fits[i]
		p := post[i] / sum
		beyond := s.beyond(f, g)
		if f.cause == Transparency {
			dim := math.Min(sq(s.e.DimMost/0.35), 1)
			prob[Transparency] += p * dim
			p *= 1 - dim
		}
		if f.cause == Seeing {
			prob[Seeing] += p * (1 - beyond)
		} else {
			prob[None] += p * (1 - beyond)
		}
		s.lay(f, p*beyond, g, prob)
	}
	return fits, prob
}

// beyond returns how likely the star is beyond its goal under a hypothesis. How
// far is known to a few hundredths in elongation and a tenth or so in width.
func (s *setting) beyond(f *fitted, g ledger.Goal) float64 {
	step := func(x, at, soft float64) float64 { return 1 / (1 + math.Exp(-(x-at)/soft)) }
	_, wide := s.modelled(&f.x, f.how, g)
	return 1 - (1-step(s.e.excess(g), 1.06, 0.025))*(1-step(wide, 1.15, 0.08))
}

// share returns which share of what is beyond the goal goes when some amounts
// are down to their ordinary middles; if deep, well below those that are there
// already.
func (s *setting) share(f *fitted, which []freed, g ledger.Goal, deep bool) float64 {
	x := f.x
	for _, k := range which {
		u := s.usual[k.p]
		switch k.p {
		case pFlexE, pFlexN, pPoleC, pPoleS, pTurn, pGuideE, pGuideN, pGain, pGainDec:
			x[k.p] = u.middle
		default:
			if x[k.p] > u.middle {
				x[k.p] = u.middle
			}
			if deep {
				x[k.p] = math.Min(x[k.p], u.middle-2*u.spread)
			}
		}
	}
	long := s.e.excess(g)
	l0, w0 := s.modelled(&f.x, f.how, g)
	l1, w1 := s.modelled(&x, plain, g)
	// What the model does not explain of the elongation goes as the rest does.
	l1 *= math.Max(long/math.Max(l0, 0.05), 1)
	before, after := math.Max(math.Max(l0, long), w0), math.Max(l1, w1)
	if !(before > after) {
		return 0
	}
	return math.Min((before-after)/math.Max(before-math.Min(1, before), 0.3*before), 1)
}

// lay lays a probability that the star is beyond its goal to the causes, in
// proportion to what each spoils beyond its ordinary amount; where that is
// nothing, to what each spoils at all.
func (s *setting) lay(f *fitted, p float64, g ledger.Goal, prob map[Cause]float64) {
	if p < 1e-9 {
		return
	}
	own := f.cause != None && f.cause != Seeing && f.cause != Transparency
	if own && (f.how != plain || f.cause == Jump) {
		prob[f.cause] += p
		return
	}
	for _, deep := range []bool{!own, true} {
		shares := map[Cause]float64{}
		total := 0.0
		for _, h := range s.hypotheses() {
			switch {
			case h.cause == None || h.cause == Seeing || h.cause == Transparency || h.how != plain || h.guided && !s.guided:
				continue
			case h.cause != f.cause && alike(h.free, f.free):
				continue
			}
			which := h.free
			if h.cause == f.cause {
				which = f.free
			}
			v := s.share(f, which, g, deep)
			total += math.Max(v-shares[h.cause], 0)
			shares[h.cause] = math.Max(v, shares[h.cause])
		}
		if total < 0.05 {
			continue
		}
		for c, v := range shares {
			prob[c] += p * v / total
		}
		return
	}
	if own {
		prob[f.cause] += p
		return
	}
	prob[Unknown] += p
}

// causes lists the causes, the likeliest first.
func (r *Result) causes(fits []fitted, prob map[Cause]float64) {
	for i := range fits {
		c := fits[i].cause
		if !slices.ContainsFunc(r.Causes, func(k Finding) bool { return k.Cause == c }) {
			r.Causes = append(r.Causes, Finding{Cause: c, Probability: prob[c]})
		}
	}
	if prob[Unknown] > 0.01 {
		r.Causes = append(r.Causes, Finding{Cause: Unknown, Probability: prob[Unknown]})
	}
	r.sort()
}

// alike reports whether two hypotheses set the same amounts free: the same
// evidence speaks for both.
func alike(a, b []freed) bool { return len(a) > 0 && len(b) > 0 && a[0].p == b[0].p }
