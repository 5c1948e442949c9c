// Package plan answers what star a rig will make of a target on a night, why,
// and what to change: the ledger from the rig's entries under the true sky,
// the guide star, the settings of the correction, the longest round sub, how
// well the polar axis must be aligned, and what each change would gain. It also
// answers the narrower questions of the desk: which guide stars there are, how
// the light reaches focus, and how far a kit reaches.
//
// Axes are east and north on the sky at the target. "The best hour" is the
// time in the target's window at which its star is shortest along its long axis.
package plan

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/ledger"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Request is what a plan is asked for.
type Request struct {
	Rig     *rig.Rig
	Target  catalog.Object // the zero Object lets the plan choose a showpiece of the night
	Evening time.Time      // its calendar date is that of the local evening
	Sub     unit.Second    // 0 is the rig's
	Samples int            // rigs drawn for the spread; 0 is DefaultSamples
	Seed    uint64         // of the draws
	Workers int            // goroutines; 0 is 1
}

// DefaultSamples is how many rigs are drawn for the spread: the 10 and 90 per
// cent points are then good to about 4 % in probability.
const DefaultSamples = 96

// ErrNeverUp is wrapped by the error for a target that cannot be taken at all
// in the night asked for.
var ErrNeverUp = errors.New("the target cannot be taken that night")

// Make returns the plan of a request. It returns an error wrapping ErrNeverUp
// where the target is never above the horizon limit in the dark, and the
// context's error where it was cancelled.
func Make(ctx context.Context, q Request) (*Result, error) {
	p, err := q.point(ctx)
	if err != nil {
		return nil, err
	}
	s, now, res, sub := p.scene, p.now, p.res, p.sub
	workers := max(q.Workers, 1)

	sp := s.spread(sub, q, workers, now.verdict())
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	res.StarP10, res.StarP90 = sp.p10, sp.p90
	res.Verdict, res.VerdictShare = sp.verdict, sp.share
	res.Ledger = rowsOf(now.centre, sp.sigma, s.rig)
	res.LedgerCorner = rowsOf(now.corner, sp.sigmaCorner, s.rig)
	link, without, has := ledger.WeakLink(now.centre, now.corner, now.goal)
	if !has && res.Verdict == ledger.Unknown && sp.missing != nil {
		// The star as stated meets its goal; the draws that miss it say which
		// link is in doubt.
		link, _, has = ledger.WeakLink(sp.missing.centre, sp.missing.corner, now.goal)
	}
	if has {
		res.WeakLink = &link
	}

	res.UnguidedSub = s.unguided().longestRound()
	res.LongestRoundSub = res.UnguidedSub
	if s.hold != nil {
		res.LongestRoundSub = s.longestRound()
	}
	res.BestSub, res.BestSubWhy = s.bestSub(res.LongestRoundSub)
	res.PolarLimits = s.polarLimits(sub, p.night)
	res.Gains = s.gains(now, sub, workers)
	res.Reason = reason(res, now, without, has)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return res, nil
}

// MakePoint returns the part of a plan that follows a rig at once, for a hand
// on a slider: the star of the rig as stated, its ledgers, guide star and
// settings at the best hour. The verdict is that of the rig as stated. What takes
// longer is left out: percentiles and sigmas are NaN, there are no limits, gains
// or lengths of subs. Errors are those of Make.
func MakePoint(ctx context.Context, q Request) (*Result, error) {
	p, err := q.point(ctx)
	if err != nil {
		return nil, err
	}
	res, now := p.res, p.now
	none := unit.Arcsec(math.NaN())
	unknown := Star{none, none, none, math.NaN(), unit.Deg(math.NaN()), unit.Px(math.NaN())}
	res.StarP10, res.StarP90 = unknown, unknown
	res.Verdict, res.VerdictShare = now.verdict(), math.NaN()
	res.Ledger = withoutSigmas(rowsOf(now.centre, nil, q.Rig))
	res.LedgerCorner = withoutSigmas(rowsOf(now.corner, nil, q.Rig))
	link, without, has := ledger.WeakLink(now.centre, now.corner, now.goal)
	if has {
		res.WeakLink = &link
	}
	res.UnguidedSub, res.LongestRoundSub, res.BestSub = unit.Second(math.NaN()), unit.Second(math.NaN()), unit.Second(math.NaN())
	res.Reason = reason(res, now, without, has)
	return res, nil
}

// withoutSigmas marks the uncertainties of rows as unknown.
func withoutSigmas(rows []Row) []Row {
	for i := range rows {
		rows[i].EastSigma, rows[i].NorthSigma, rows[i].CrossSigma = unit.Arcsec(math.NaN()), unit.Arcsec(math.NaN()), math.NaN()
	}
	return rows
}

// point is the star of a rig as stated at the best hour, and what it was found
// with.
type point struct {
	night *night
	scene *scene // at the best hour
	now   outcome
	sub   unit.Second
	res   *Result // what is known of it so far
}

// point finds the best hour of a request's night and its star.
func (q Request) point(ctx context.Context) (*point, error) {
	r := q.Rig
	sub := q.Sub
	if sub == 0 {
		sub = r.Sub.Length.V
	}
	n, err := q.night()
	if err != nil {
		return nil, err
	}
	places := n.places
	s := &scene{rig: r, place: n.highest()}
	s = s.rehold()
	if err := s.stable(); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}

	outcomes := make([]outcome, hours)
	each(max(q.Workers, 1), hours, func(i int) { outcomes[i] = s.at(places[i]).evaluate(sub, steady) })
	best, worst := 0, 0
	for i := range outcomes {
		if outcomes[i].longest() < outcomes[best].longest() {
			best = i
		}
		if outcomes[i].longest() > outcomes[worst].longest() {
			worst = i
		}
	}
	s = s.at(places[best]).rehold()
	now := s.evaluate(sub, steady)
	outcomes[best] = now

	scale := s.imageScale()
	res := &Result{
		Rig: r.Name, RigHash: r.Hash(), Sub: sub,
		Target:     n.stated(),
		ImageScale: scale, GuideScale: unit.Scale(math.NaN()),
		Star: newStar(now.pair.Centre, scale), StarCorner: newStar(now.pair.Corner, scale),
		GoalFWHM: unit.Arcsec(now.goal.FWHMRatio) * now.unavoidable, GoalEllipticity: now.goal.Ellipticity, GoalCorner: now.goal.EllipticityCorner,
		Best: s.hour(now, scale), Worst: s.at(places[worst]).hour(outcomes[worst], scale),
		Mean:   mean(outcomes),
		Centre: now.centre, Corner: now.corner,
	}
	for i, o := range outcomes {
		res.Hours = append(res.Hours, s.at(places[i]).hour(o, scale))
	}
	res.Night = n.state(r, places[best])
	res.Night.FieldTurn = s.fieldTurn(n)
	res.NeedsGuiding = s.unguided().evaluate(sub, steady).verdict() != ledger.Round
	if s.hold != nil {
		res.GuideScale = s.hold.view.scale
		res.GuideStar = s.guideStar()
		res.Loop = s.settings(now)
	}
	return &point{night: n, scene: s, now: now, sub: sub, res: res}, nil
}

// longest returns the star's length along its long axis, at the centre or in the
// corner, whichever is longer: what the hours of a night are compared by.
// Ellipticity would prefer the hours of bad air, which hide a trail.
func (o outcome) longest() unit.Arcsec { return max(o.pair.Centre.Major, o.pair.Corner.Major) }

// hour states an outcome with the time and place it belongs to.
func (s *scene) hour(o outcome, scale unit.Scale) Hour {
	p := s.place
	return Hour{
		UTC: p.instant.Time().Round(time.Second), Altitude: p.at.Alt, Azimuth: p.at.Az, HourAngle: p.at.HourAngle, Airmass: p.airmass, Sky: p.sky,
		Star: newStar(o.pair.Centre, scale), StarCorner: newStar(o.pair.Corner, scale),
	}
}

// mean averages outcomes over the window.
func mean(os []outcome) Mean {
	var m Mean
	n := float64(len(os))
	for _, o := range os {
		m.FWHM += o.pair.Centre.FWHM() / unit.Arcsec(n)
		m.Ellipticity += o.pair.Centre.Ellipticity() / n
		m.EllipticityCorner += o.pair.Corner.Ellipticity() / n
	}
	return m
}

// axisOf returns the polar axis of a rig whose error is given as altitude and
// azimuth.
func axisOf(r *rig.Rig) (sky.Axis, bool) {
	if !r.Polar.Altitude.Known() || !r.Polar.Azimuth.Known() {
		return sky.TruePole, false
	}
	return sky.AxisOf(sky.PolarError{Alt: r.Polar.Altitude.V, Az: r.Polar.Azimuth.V}, r.Site.Latitude.V), true
}

// spreadResult is what sampling the rig's uncertainties says.
type spreadResult struct {
	p10, p90           Star
	verdict            ledger.Verdict
	share              float64
	sigma, sigmaCorner map[ledger.Term]scatterOf
	missing            *outcome // the middle one of the draws that miss the goal; nil without any
}

// leastShare is the share of the drawn rigs that must agree with a verdict for
// it to be named.
const leastShare = 0.5

// spread draws rigs from the uncertainties of the entries, with the directions
// that no entry knows, and returns the 10 and 90 per cent points of the star,
// the scatter of each row, and the verdict if enough of the draws share it.
func (s *scene) spread(sub unit.Second, q Request, workers int, nominal ledger.Verdict) spreadResult {
	n := q.Samples
	if n == 0 {
		n = DefaultSamples
	}
	drawn := make([]outcome, n)
	each(workers, n, func(i int) {
		rng := rand.New(rand.NewPCG(q.Seed, uint64(i)))
		sign := func() float64 { return 1 - 2*float64(rng.IntN(2)) }
		l := luck{polar: 2 * math.Pi * rng.Float64(), flexure: sign(), mirror: sign(), drift: sign(), together: true}
		drawn[i] = s.with(s.rig.Sample(rng)).evaluate(sub, l)
	})
	scale := s.imageScale()
	stars := make([]Star, n)
	votes := map[ledger.Verdict]int{}
	for i, o := range drawn {
		stars[i] = newStar(o.pair.Centre, scale)
		votes[o.verdict()]++
	}
	res := spreadResult{p10: percentile(stars, 0.1), p90: percentile(stars, 0.9), verdict: nominal}
	res.share = float64(votes[nominal]) / float64(n)
	if res.share < leastShare {
		res.verdict = ledger.Unknown
	}
	var missed []outcome
	for _, o := range drawn {
		if o.verdict() != ledger.Round {
			missed = append(missed, o)
		}
	}
	if len(missed) > 0 {
		sortBy(missed, func(o outcome) float64 { sh := o.short(); return sh.Ellipticity*100 + sh.FWHM })
		res.missing = &missed[len(missed)/2]
	}
	res.sigma = scatter(drawn, func(o outcome) ledger.Ledger { return o.centre })
	res.sigmaCorner = scatter(drawn, func(o outcome) ledger.Ledger { return o.corner })
	return res
}

// percentile returns the p point of each quantity of the stars by itself.
func percentile(stars []Star, p float64) Star {
	pick := func(get func(Star) float64) float64 {
		v := make([]float64, len(stars))
		for i, s := range stars {
			v[i] = get(s)
		}
		slices.Sort(v)
		x := p * float64(len(v)-1)
		i := int(x)
		if i+1 >= len(v) {
			return v[len(v)-1]
		}
		return v[i] + (x-float64(i))*(v[i+1]-v[i])
	}
	return Star{
		FWHMMajor:   unit.Arcsec(pick(func(s Star) float64 { return float64(s.FWHMMajor) })),
		FWHMMinor:   unit.Arcsec(pick(func(s Star) float64 { return float64(s.FWHMMinor) })),
		FWHM:        unit.Arcsec(pick(func(s Star) float64 { return float64(s.FWHM) })),
		Ellipticity: pick(func(s Star) float64 { return s.Ellipticity }),
		PA:          unit.Deg(math.NaN()), // a direction has no percentile
		FWHMPx:      unit.Px(pick(func(s Star) float64 { return float64(s.FWHMPx) })),
	}
}

// scatterOf is how much a row varies from draw to draw.
type scatterOf struct {
	east, north  unit.Arcsec // of its one-sigma widths
	crossArcsec2 float64     // of its cross term
}

// scatter returns the standard deviation over the draws of each row.
func scatter(drawn []outcome, of func(outcome) ledger.Ledger) map[ledger.Term]scatterOf {
	type sums struct{ e, ee, n, nn, x, xx float64 }
	acc := map[ledger.Term]sums{}
	for _, o := range drawn {
		for _, row := range of(o) {
			e, n := row.RMS()
			x := row.Cov.CrossArcsec2
			a := acc[row.Term]
			a.e, a.ee = a.e+float64(e), a.ee+float64(e)*float64(e)
			a.n, a.nn = a.n+float64(n), a.nn+float64(n)*float64(n)
			a.x, a.xx = a.x+x, a.xx+x*x
			acc[row.Term] = a
		}
	}
	out := map[ledger.Term]scatterOf{}
	k := float64(len(drawn))
	sd := func(x, xx float64) float64 { return math.Sqrt(max(xx/k-x*x/(k*k), 0)) }
	for t, a := range acc {
		out[t] = scatterOf{unit.Arcsec(sd(a.e, a.ee)), unit.Arcsec(sd(a.n, a.nn)), sd(a.x, a.xx)}
	}
	return out
}

// rowsOf states a ledger in the contract's words.
func rowsOf(l ledger.Ledger, sigma map[ledger.Term]scatterOf, r *rig.Rig) []Row {
	total := ledger.Trace(l.Total())
	var out []Row
	for _, row := range l {
		e, n := row.RMS()
		about := abouts[row.Term]
		o := Row{Term: row.Term, East: e, North: n, CrossArcsec: row.Cov.CrossArcsec2, Share: ledger.Trace(row.Cov) / total,
			EastSigma: sigma[row.Term].east, NorthSigma: sigma[row.Term].north, CrossSigma: sigma[row.Term].crossArcsec2, Entries: about.entries(r), Remedy: about.remedy}
		for _, p := range o.Entries {
			if r.IsAssumed(p) {
				o.Assumed = append(o.Assumed, p)
			}
		}
		out = append(out, o)
	}
	return out
}
