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

// weigh fits all hypotheses and returns them with their probabilities.
func (s *setting) weigh(g ledger.Goal) ([]fitted, []float64) {
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
	logs := make([]float64, len(fits))
	top := math.Inf(-1)
	for i := range fits {
		logs[i] = fits[i].evidence + math.Log(fits[i].prior) + math.Log(s.matter(&fits[i], g))
		top = math.Max(top, logs[i])
	}
	sum := 0.0
	for i := range logs {
		logs[i] = math.Exp(logs[i] - top)
		sum += logs[i]
	}
	for i := range logs {
		logs[i] /= sum
	}
	return fits, logs
}

// matter is the share of what is beyond the goal that goes with a cause: a cause
// that is there and spoils nothing is not what is asked for. How far the night is
// beyond its goal is known to a few hundredths in elongation and a tenth or so in
// width, so the step is not sharp.
func (s *setting) matter(f *fitted, g ledger.Goal) float64 {
	const least = 0.01
	long := s.e.excess(g)
	step := func(x, soft float64) float64 { return 1 / (1 + math.Exp(-(x-1)/soft)) }
	l0, w0 := s.modelled(&f.x, f.how, g)
	beyond := 1 - (1-step(long-0.08, 0.03))*(1-step(w0-0.12, 0.08))
	switch f.cause {
	case None:
		return math.Max(least/3, 1-beyond)
	case Seeing:
		return math.Max(least, 1-beyond)
	case Transparency:
		return math.Min(math.Max(least, sq(s.e.DimMost/0.35)), 1)
	}
	if f.how != plain {
		return math.Max(least, beyond)
	}
	if f.cause == Jump {
		return math.Max(least, beyond)
	}
	x := s.without(f)
	l1, w1 := s.modelled(&x, plain, g)
	// What the model does not explain of the elongation stays.
	rest := math.Max(long/math.Max(l0, 0.05), 1)
	before, after := math.Max(math.Max(l0, long), w0), math.Max(math.Min(l1*rest, l1+long), w1)
	if !(before > after) {
		return least
	}
	goal := math.Min(1, before)
	share := math.Min((before-after)/math.Max(before-goal, 0.3*before), 1)
	return math.Max(least, beyond*share)
}

// causes adds the hypotheses of a cause up.
func (r *Result) causes(fits []fitted, prob []float64) {
	at := map[Cause]int{}
	for i := range fits {
		k, ok := at[fits[i].cause]
		if !ok {
			k = len(r.Causes)
			at[fits[i].cause] = k
			r.Causes = append(r.Causes, Finding{Cause: fits[i].cause})
		}
		r.Causes[k].Probability += prob[i]
	}
	r.sort()
}
