package solve

import (
	"context"
	"fmt"
	"math"

	"holdfast/internal/catalog"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Narrowest and Widest bound the fields that are searched, measured along the
// longer side of the frame.
const (
	Narrowest unit.Deg = 0.4
	Widest    unit.Deg = 30
)

// Accept is the odds against chance from which a match is believed.
const Accept = 1e6

// Request is a frame's stars and what is known of where they are.
type Request struct {
	Spots         []Spot // in any order if every Flux is known, else from bright to faint
	Width, Height int    // of the frame, pixels

	// Hint is about where the frame's centre points, nil if that is not known,
	// and Within how far it may be off; 0 means 5 degrees.
	Hint   *sky.Direction
	Within unit.Deg
	// ScaleMin and ScaleMax bound the image scale; 0 means not known.
	ScaleMin, ScaleMax unit.Scale
	// Previous is the solution of a frame by the same camera a short time ago,
	// or nil. It is tried before the hint: any place within two frames' width
	// of it, its parity, and its scale to 2 percent.
	Previous *Solution
	// Strict keeps the search to the hint. Otherwise the whole sky follows
	// when neither Previous nor Hint leads to a match.
	Strict bool
}

// Solution is where a frame points, or why that can not be said. Where Solved
// is false only Why, Odds, Width and Height mean anything.
type Solution struct {
	Solved        bool
	Why           string        // why not, for a person; "" if solved
	Centre        sky.Direction // of the frame
	Scale         unit.Scale    // at the centre
	Rotation      unit.Deg      // position angle of the direction in which y grows, at the centre, 0 to 360
	Mirrored      bool          // drawn with x to the right and y up the frame shows east clockwise from north
	Matched       int           // stars of the catalogue
	RMS           unit.Arcsec   // of their distances along one axis
	Odds          float64       // against chance, at most 1e300; of a refused frame those of the best match, 0 if none came near
	WCS           *WCS
	Width, Height int
}

// search is the state of one call of Solve.
type search struct {
	ctx     context.Context
	req     Request
	spots   []spot
	nearest [][]uint16
	half    [2]float64 // pixels
	corner  float64    // pixels
	lo, hi  float64    // scale, radians to a pixel
	looks   float64
	best    float64 // logarithm of the odds
	hint    *vec
	within  float64 // cosine
	stretch float64 // cosine with room for the error of a pose
	found   match
	room    []near
	refs    []uint32
}

// Solve returns where the frame points. The Solution says why not if the stars
// do not settle it; the error is for a Request that makes no sense and for a
// context that ends, which it looks at a few thousand times a second.
//
// A search without a hint builds the tables of the sky that it comes to, which
// takes up to seconds and stays in memory; docs/solve.md has the figures.
//
// Fields between Narrowest and Widest are found. Distortion is fitted up to
// third order; in the middle of the frame it must leave quads of stars similar
// to within a percent or so.
func Solve(ctx context.Context, req Request) (Solution, error) {
	s, err := newSearch(ctx, req)
	if err != nil {
		return Solution{}, err
	}
	out := Solution{Width: req.Width, Height: req.Height}
	if len(s.spots) < least {
		out.Why = fmt.Sprintf("too few stars in the frame: %d, at least %d are needed", len(s.spots), least)
		return out, nil
	}
	ok, err := s.run()
	if err != nil {
		return Solution{}, err
	}
	if !ok {
		out.Odds = oddsOf(s.best)
		out.Why = s.why()
		return out, nil
	}
	s.found.report(&out)
	return out, nil
}

// least is the number of stars without which no match reaches Accept.
const least = 5

func newSearch(ctx context.Context, req Request) (*search, error) {
	if req.Width < 1 || req.Height < 1 || req.Width > 1<<20 || req.Height > 1<<20 {
		return nil, fmt.Errorf("solve: a frame of %d by %d pixels, want 1 to 1048576", req.Width, req.Height)
	}
	for _, v := range []float64{float64(req.ScaleMin), float64(req.ScaleMax), float64(req.Within)} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("solve: scale from %v to %v arcsec a pixel within %v degrees, want finite numbers, 0 for not known", req.ScaleMin, req.ScaleMax, req.Within)
		}
	}
	if req.ScaleMax > 0 && req.ScaleMin > req.ScaleMax {
		return nil, fmt.Errorf("solve: scale from %v to %v arcsec a pixel: the lower bound exceeds the upper", req.ScaleMin, req.ScaleMax)
	}
	if h := req.Hint; h != nil && !(math.Abs(float64(h.Dec)) <= 90 && math.Abs(float64(h.RA)) <= 360) {
		return nil, fmt.Errorf("solve: hint at RA %v, Dec %v degrees is no place on the sky", h.RA, h.Dec)
	}
	s := &search{ctx: ctx, req: req, spots: usable(req.Spots, req.Width, req.Height), best: math.Inf(-1)}
	s.half = [2]float64{float64(req.Width) / 2, float64(req.Height) / 2}
	s.corner = math.Hypot(s.half[0], s.half[1])
	s.nearest = nearestOf(s.spots)
	return s, nil
}

// bounds sets the range of scales, with a margin for what bounds mean to
// people and a fit's own error.
func (s *search) bounds(lo, hi unit.Scale) {
	long := max(s.half[0], s.half[1])
	s.lo = 0.9 * math.Tan(float64(Narrowest.Rad())/2) / long
	s.hi = 1.1 * math.Tan(float64(Widest.Rad())/2) / long
	if lo > 0 {
		s.lo = max(s.lo, 0.99*float64(lo)/unit.ArcsecPerRad)
	}
	if hi > 0 {
		s.hi = min(s.hi, 1.01*float64(hi)/unit.ArcsecPerRad)
	}
}

// run looks where the request says.
func (s *search) run() (bool, error) {
	if p := s.req.Previous; p != nil && p.Solved {
		s.bounds(0.98*p.Scale, 1.02*p.Scale)
		mirror := -1.0
		if p.Mirrored {
			mirror = 1
		}
		diagonal := unit.Rad(2 * math.Atan(s.corner*float64(p.Scale)/unit.ArcsecPerRad)).Deg()
		if ok, err := s.around(p.Centre, 2*diagonal, []float64{mirror}); ok || err != nil {
			return ok, err
		}
	}
	s.bounds(s.req.ScaleMin, s.req.ScaleMax)
	both := []float64{-1, 1}
	if s.req.Hint != nil {
		within := s.req.Within
		if within == 0 {
			within = 5
		}
		if ok, err := s.around(*s.req.Hint, within, both); ok || err != nil {
			return ok, err
		}
		if s.req.Strict {
			return false, nil
		}
	}
	return s.everywhere(both)
}

// rounds are the efforts of one search after the other.
var rounds = []effort{
	{spots: 40, arms: 6, dim: 0.5, layer: 5, slack: 0.002},
	{spots: 60, arms: 8, dim: 1, layer: 7, more: true, slack: 0.006},
	{spots: 25, arms: 8, dim: 3, layer: 8, more: true, slack: 0.012},
}

// around searches the sky about a place.
func (s *search) around(d sky.Direction, within unit.Deg, parities []float64) (bool, error) {
	if !(s.lo < s.hi) {
		return false, nil
	}
	v := vecOf(d)
	s.hint = &v
	s.within = math.Cos(float64(min(within*1.001, 180).Rad()))
	s.stretch = math.Cos(min(float64(within.Rad())+0.1*math.Atan(s.corner*s.hi), math.Pi))
	return s.rounds(parities, func(i int, e effort) []*layer {
		if l := layerAround(i, d, within, float64(s.diagonal(s.hi)), e.layer); l != nil {
			return []*layer{l}
		}
		return nil
	})
}

// everywhere searches the whole sky.
func (s *search) everywhere(parities []float64) (bool, error) {
	if !(s.lo < s.hi) {
		return false, nil
	}
	s.hint = nil
	return s.rounds(parities, func(i int, e effort) []*layer {
		if !e.more {
			return []*layer{wholeSky(i)}
		}
		if l := moreOfWholeSky(i); l != nil {
			return []*layer{l, wholeSky(i)}
		}
		return []*layer{wholeSky(i)}
	})
}

// rounds looks the frame up in every layer that may hold it, with growing
// effort.
func (s *search) rounds(parities []float64, layersOf func(i int, e effort) []*layer) (bool, error) {
	for _, e := range rounds {
		views := s.views(e, parities)
		for i := range rungs {
			var ls []*layer
			small, large := span(i)
			for _, w := range views {
				// Where the sky is sparse or crowded a layer serves wider or narrower frames.
				if i+1 < len(rungs) && 0.7*small > float64(s.diagonal(w.hi)) || 1.4*large < float64(s.diagonal(w.lo)) {
					continue
				}
				if ls == nil {
					if ls = layersOf(i, e); ls == nil {
						break
					}
				}
				for _, l := range ls {
					if ok, err := s.look(l, w); ok || err != nil {
						return ok, err
					}
				}
			}
		}
	}
	return false, nil
}

// diagonal returns the angle across the frame at a scale.
func (s *search) diagonal(scale float64) unit.Deg {
	return unit.Rad(2 * math.Atan(s.corner*scale)).Deg()
}

// flat is half the diagonal, in degrees, up to which a frame's quads are taken
// as if the sky were flat, and stride how much wider frames differ from one
// view to the next. On the tangent plane an angle a from the centre stretches
// shapes by 1/cos a: 0.6 percent at flat, and at most 1.1 percent between the
// views at the corner of the widest field.
const (
	flat   = 6.5
	stride = 3.0
)

// views returns the frame as cameras of the scales in question take it.
func (s *search) views(e effort, parities []float64) []*view {
	tan := func(deg float64) float64 { return math.Tan(deg*math.Pi/180) / s.corner }
	var vs []*view
	for _, m := range parities {
		if s.lo < tan(flat) {
			vs = append(vs, &view{spots: s.spots, nearest: s.nearest, mirror: m, scale: 1e-4 / s.corner, lo: s.lo, hi: min(s.hi, tan(flat)), effort: e})
		}
		for from := flat; from < 26; from += stride {
			lo, hi := max(s.lo, tan(from)), min(s.hi, tan(from+stride))
			if lo < hi {
				vs = append(vs, &view{spots: s.spots, nearest: s.nearest, mirror: m, scale: (lo + hi) / 2, lo: lo * 0.99, hi: hi * 1.01, effort: e})
			}
		}
	}
	return vs
}

// look looks a view up in a layer.
func (s *search) look(l *layer, w *view) (bool, error) {
	w.prepare()
	for b := range l.belts {
		t := l.table(b)
		for i := range w.shapes {
			if i%64 == 0 {
				if err := s.ctx.Err(); err != nil {
					return false, fmt.Errorf("solve: stopped: %w", err)
				}
			}
			q := &w.shapes[i]
			s.refs = t.find(s.refs[:0], q.shape, q.tol)
			for _, ref := range s.refs {
				if s.try(l, w, q, ref) {
					return true, nil
				}
			}
		}
	}
	return false, nil
}

// try follows one agreement of quads to its end.
func (s *search) try(l *layer, w *view, q *sought, ref uint32) bool {
	p, ok := w.poseOf(l, q, ref, &s.room)
	if !ok || s.hint != nil && p.z.dot(*s.hint) < s.stretch {
		return false
	}
	s.looks++
	if !p.promising(w, l, &s.room) {
		return false
	}
	m, ok := refine(&p, s.spots, s.half, s.looks)
	if !ok {
		return false
	}
	c := vecOf(m.plate.centre())
	scale := m.plate.scale() * math.Pi / 180
	if s.hint != nil && c.dot(*s.hint) < s.within || scale < s.lo || scale > s.hi {
		return false
	}
	s.best = max(s.best, m.logOdds)
	if m.logOdds < math.Log(Accept) {
		return false
	}
	s.found = m
	return true
}

// oddsOf returns the odds of their logarithm.
func oddsOf(log float64) float64 { return math.Exp(min(log, 690)) }

// report fills in what a match says.
func (m *match) report(out *Solution) {
	w := m.plate.wcs(out.Width, out.Height, m.form)
	out.Solved = true
	out.Centre, out.Scale, out.Rotation, out.Mirrored = w.Ref, w.Scale(), w.Rotation(), w.Mirrored()
	out.Matched = len(m.pairs)
	out.RMS = out.Scale.Arcsec(unit.Px(m.residual()))
	out.Odds = oddsOf(m.logOdds)
	out.WCS = w
}

// why says why there is no solution.
func (s *search) why() string {
	long := 2 * max(s.half[0], s.half[1])
	if hi := s.req.ScaleMax; hi > 0 && s.lo >= s.hi && hi.Arcsec(unit.Px(long)).Deg() < Widest {
		n := s.expected(hi)
		return fmt.Sprintf("too few catalogue stars in a field this small: at most %.2g degrees wide, where the catalogue has about %.1f stars; fields from %v degrees on are searched", float64(hi.Arcsec(unit.Px(long)).Deg()), n, float64(Narrowest))
	}
	if s.lo >= s.hi {
		return fmt.Sprintf("the scale given makes the field wider than %v degrees, which is not searched", float64(Widest))
	}
	if hi := s.req.ScaleMax; hi > 0 {
		if n := s.expected(hi); n < least {
			return fmt.Sprintf("too few catalogue stars in a field this small: about %.1f, at least %d are needed", n, least)
		}
	}
	where := "in the whole sky"
	if s.hint != nil {
		where = "near the place given"
	}
	odds := "chance"
	if s.best > 0 {
		odds = fmt.Sprintf("%.1g to 1", oddsOf(s.best))
	}
	text := fmt.Sprintf("no match %s at odds better than %s from %d stars; at least %.0e to 1 are needed", where, odds, len(s.spots), Accept)
	if lo, hi := s.req.ScaleMin, s.req.ScaleMax; lo > 0 && hi > 0 {
		scale := unit.Scale(math.Sqrt(float64(lo) * float64(hi)))
		if n := s.expected(scale); n < 3*least {
			text += fmt.Sprintf("; the field is about %.2g degrees wide, where the catalogue has some %.0f stars, which is few", float64(scale.Arcsec(unit.Px(long)).Deg()), n)
		}
	}
	if s.req.ScaleMin == 0 {
		text += fmt.Sprintf(" (should the field be narrower than %v degrees, it holds too few catalogue stars)", float64(Narrowest))
	}
	return text
}

// expected returns how many stars the catalogue has in a frame of a scale at
// the place of the hint, or on the average of the sky.
func (s *search) expected(scale unit.Scale) float64 {
	a, b := float64(scale.Arcsec(unit.Px(2*s.half[0])).Deg()), float64(scale.Arcsec(unit.Px(2*s.half[1])).Deg())
	perDeg2 := float64(catalog.Count()) / 41253
	if d := s.req.Hint; d != nil {
		const radius = 1
		perDeg2 = float64(len(catalog.Cone(nil, d.RA, d.Dec, radius, 99))) / (math.Pi * radius * radius)
	}
	return perDeg2 * a * b
}
