package ledger

import (
	"math"

	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Goal is what counts as a good star.
type Goal struct {
	Ellipticity       float64 // largest 1-b/a at the centre
	EllipticityCorner float64 // largest 1-b/a in the corner
	FWHMRatio         float64 // largest FWHM over the unavoidable star's
}

// Verdict is the judgement of a star against its goal.
type Verdict int

// The verdicts. The zero value is Unknown, so that nothing becomes round by
// being forgotten.
const (
	Unknown Verdict = iota // not measured, or too uncertain to name
	Round                  // the goal is met
	Soft                   // round, but wider than its goal
	Drawn                  // elongated at the centre or in the corner
)

// String returns the verdict's word.
func (v Verdict) String() string {
	switch v {
	case Round:
		return "round"
	case Soft:
		return "soft"
	case Drawn:
		return "drawn"
	}
	return "unknown"
}

// MarshalText writes the verdict's word.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// Pair is the star at the centre and in the corner of the sensor.
type Pair struct{ Centre, Corner psf.Profile }

// Judge returns the verdict on a pair of stars, given the FWHM of the
// unavoidable star. Any number that is NaN makes it Unknown.
func Judge(p Pair, unavoidable unit.Arcsec, g Goal) Verdict {
	e, ec, w := p.Centre.Ellipticity(), p.Corner.Ellipticity(), float64(p.Centre.FWHM()/unavoidable)
	switch {
	case math.IsNaN(e) || math.IsNaN(ec) || math.IsNaN(w):
		return Unknown
	case e > g.Ellipticity || ec > g.EllipticityCorner:
		return Drawn
	case w > g.FWHMRatio:
		return Soft
	}
	return Round
}

// Shortfall says how far a pair of stars is from its goal: first the
// ellipticity beyond the limits (the worse of centre and corner, as a multiple
// of its limit beyond 1), then the width beyond its limit, likewise. Both are
// zero where the goal is met.
type Shortfall struct{ Ellipticity, FWHM float64 }

// Less orders shortfalls: ellipticity first, then FWHM. Differences in
// ellipticity below a hundredth of its limit do not count.
func (s Shortfall) Less(t Shortfall) bool {
	if math.Abs(s.Ellipticity-t.Ellipticity) > 0.01 {
		return s.Ellipticity < t.Ellipticity
	}
	return s.FWHM < t.FWHM
}

// Short returns the shortfall of a pair of stars from a goal.
func Short(p Pair, unavoidable unit.Arcsec, g Goal) Shortfall {
	over := func(v, limit float64) float64 { return math.Max(v/limit-1, 0) }
	return Shortfall{
		Ellipticity: math.Max(over(p.Centre.Ellipticity(), g.Ellipticity), over(p.Corner.Ellipticity(), g.EllipticityCorner)),
		FWHM:        over(float64(p.Centre.FWHM()/unavoidable), g.FWHMRatio),
	}
}

// WeakLink returns the row, among those the owner can change, whose removal
// brings the star nearest its goal, and the pair of stars without it. It
// returns false when no removal helps: the goal is met, or what stands in its
// way cannot be changed.
//
// When the goal is met by ellipticity and by width there is no weak link.
func WeakLink(centre, corner Ledger, g Goal) (Term, Pair, bool) {
	base := centre.Unavoidable().Star().FWHM()
	best := Short(Pair{centre.Star(), corner.Star()}, base, g)
	var link Term
	var without Pair
	if best == (Shortfall{}) {
		return "", Pair{}, false
	}
	for _, t := range Terms {
		c, okC := centre.Row(t)
		k, okK := corner.Row(t)
		if t.Given() || !okC && !okK || Trace(c.Cov)+Trace(k.Cov) == 0 {
			continue
		}
		p := Pair{centre.Without(t).Star(), corner.Without(t).Star()}
		b := base
		if t == Optics { // optics are in the base as well
			b = centre.Unavoidable().Without(Optics).Star().FWHM()
		}
		if s := Short(p, b, g); s.Less(best) {
			best, link, without = s, t, p
		}
	}
	return link, without, link != ""
}
