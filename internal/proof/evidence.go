package proof

import (
	"math"

	"holdfast/internal/psf"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/unit"
)

// subFacts is what one sub shows.
type subFacts struct {
	At       float64 // middle of the exposure, s since the first sub's start; NaN
	Exposure float64
	Shape    shape
	OK       bool // its shape is known
	East     float64
	North    float64 // where its middle points, from the first, arcsec
	Turn     float64 // of the field from the first, degrees from north through east
	Pointed  bool
	Flipped  bool    // other way up than the first
	Dim      float64 // magnitudes lost against the brightest, at equal exposure
	Airmass  float64
	Stars    int
	Sky      float64
}

// evidence is what a night shows.
type evidence struct {
	Subs     []subFacts
	Scale    float64 // arcsec/px
	Width    float64 // half the diagonal, arcsec
	OnSky    bool    // axes are those of the sky
	Exposure float64
	Guide    *guideFacts
	Dec      unit.Deg
	Aperture unit.MM
	Focal    unit.MM

	// The mean star, and its spread from sub to sub.
	Cov, CovSigma psf.Cov
	Corner        psf.Cov
	Growth        float64
	GrowthSigma   float64
	Around        float64
	AroundSigma   float64
	Tail          float64
	BestMinor     float64 // variance
	Spread        float64 // rms from sub to sub of the elongation in arcsec^2
	// Drift of the field within one side of the mount, arcsec/h, and its error.
	DriftE, DriftN, DriftSigma float64
	TurnRate, TurnSigma        float64 // degrees/h
	DimRMS                     float64
	DimMost                    float64
	Used                       int
}

// gather collects the evidence of a night.
func gather(n *Night) *evidence {
	nan := math.NaN()
	e := &evidence{Scale: nan, Dec: unit.Deg(nan), Aperture: unit.MM(nan), Focal: unit.MM(nan), DriftE: nan, DriftN: nan, DriftSigma: nan, TurnRate: nan, TurnSigma: nan, Tail: nan, DimRMS: nan, DimMost: nan}
	if len(n.Subs) == 0 {
		return e
	}
	var plane *sky.Tangent
	turn0 := 0.0
	var exposures []float64
	base := baseOf(n)
	for i := range n.Subs {
		s := &n.Subs[i]
		f := subFacts{At: nan, Exposure: float64(s.Exposure), East: nan, North: nan, Turn: nan, Dim: nan, Airmass: s.Airmass, Stars: s.Frame.StarsFound, Sky: float64(s.Frame.Background)}
		if !s.Start.IsZero() && !n.Subs[0].Start.IsZero() {
			f.At = s.Start.Sub(n.Subs[0].Start).Seconds() + float64(s.Exposure)/2
		}
		v := view{xe: 1, yn: 1}
		switch {
		case s.Solution != nil && s.Solution.Solved:
			cd := s.Solution.WCS.CD
			v = view{3600 * cd[0][0], 3600 * cd[1][0], 3600 * cd[0][1], 3600 * cd[1][1]}
			if plane == nil {
				t := sky.NewTangent(s.Solution.Centre)
				plane = &t
				turn0 = float64(s.Solution.Rotation)
				e.OnSky = true
				e.Dec = s.Solution.Centre.Dec
			}
			xi, eta := plane.Project(s.Solution.Centre)
			f.East, f.North = float64(xi.Arcsec()), float64(eta.Arcsec())
			f.Turn = math.Remainder(float64(s.Solution.Rotation)-turn0, 360)
			if math.Abs(f.Turn) > 90 {
				f.Flipped = true
				f.Turn = math.Remainder(f.Turn-180, 360)
			}
			f.Pointed = true
			e.Scale = float64(s.Solution.Scale)
		case s.Scale > 0:
			v = view{xe: float64(s.Scale), yn: float64(s.Scale)}
			if base != nil {
				v = base.view
			}
			if math.IsNaN(e.Scale) {
				e.Scale = float64(s.Scale)
			}
		}
		if !f.Pointed && base != nil {
			e.laid(&f, base, s)
			if f.Flipped {
				v = view{-v.xe, -v.xn, -v.ye, -v.yn}
			}
		}
		f.Shape, f.OK = shapeOf(&s.Frame, v)
		if e.Width == 0 && s.Frame.Width > 0 {
			e.Width = math.Hypot(float64(s.Frame.Width), float64(s.Frame.Height)) / 2 * math.Sqrt(math.Abs(v.xe*v.yn-v.xn*v.ye))
		}
		if s.Aperture > 0 {
			e.Aperture = s.Aperture
		}
		if s.Focal > 0 {
			e.Focal = s.Focal
		}
		exposures = append(exposures, float64(s.Exposure))
		e.Subs = append(e.Subs, f)
	}
	e.Exposure = median(exposures)
	e.dimming(n)
	e.average()
	e.drifts()
	if n.Series != nil && len(n.Series.Samples) > 30 {
		e.Guide = guideOf(n.Series, spans(n))
	}
	return e
}

// spans returns which samples of the series fall into which sub; one span of all
// where the times are not known.
func spans(n *Night) []spanOf {
	var out []spanOf
	k := n.Series.Samples
	all := []spanOf{{0, len(k)}}
	if n.Series.Start.IsZero() {
		return all
	}
	var gaps []float64
	for i := 1; i < len(k); i++ {
		gaps = append(gaps, float64(k[i].Time-k[i-1].Time))
	}
	cycle := unit.Second(median(gaps)) // exposures across the shutter's opening and closing are left out
	i, found := 0, 0
	for _, s := range n.Subs {
		if s.Start.IsZero() || !(s.Exposure > 0) {
			return all
		}
		from := unit.Second(s.Start.Sub(n.Series.Start).Seconds())
		for i < len(k) && k[i].Time < from+cycle {
			i++
		}
		j := i
		for j < len(k) && k[j].Time < from+s.Exposure-cycle {
			j++
		}
		out = append(out, spanOf{i, j})
		found += j - i
		i = j
	}
	if found < 20 {
		return all
	}
	return out
}

// average takes the mean star of the subs and how it changes.
func (e *evidence) average() {
	k := 0.0
	var tails []float64
	best := math.Inf(1)
	var gs, as []float64
	worst := -1.0
	for i := range e.Subs {
		s := &e.Subs[i]
		if !s.OK {
			continue
		}
		k++
		e.Cov = e.Cov.Plus(s.Shape.Cov)
		gs = append(gs, s.Shape.GrowthArcsec2)
		as = append(as, s.Shape.AroundArcsec2)
		tails = append(tails, s.Shape.Tail)
		if _, b, _ := s.Shape.Cov.Axes(); sq(float64(b)) < best {
			best = sq(float64(b))
		}
		if el := elongation(s.Shape.Worst); el > worst {
			worst = el
		}
		e.Corner = e.Corner.Plus(s.Shape.Worst)
	}
	e.Used = int(k)
	if k == 0 {
		return
	}
	e.Cov, e.Corner = e.Cov.Times(1/k), e.Corner.Times(1/k)
	e.Growth, e.GrowthSigma = centre(gs)
	e.Around, e.AroundSigma = centre(as)
	e.Tail = median(tails)
	e.BestMinor = best
	var q, ee, nn, en float64
	for i := range e.Subs {
		if s := &e.Subs[i]; s.OK {
			c := s.Shape.Cov
			dq, du := c.EastArcsec2-c.NorthArcsec2-(e.Cov.EastArcsec2-e.Cov.NorthArcsec2), 2*(c.CrossArcsec2-e.Cov.CrossArcsec2)
			q += (dq*dq + du*du) / k
			ee += sq(c.EastArcsec2-e.Cov.EastArcsec2) / k
			nn += sq(c.NorthArcsec2-e.Cov.NorthArcsec2) / k
			en += sq(c.CrossArcsec2-e.Cov.CrossArcsec2) / k
		}
	}
	e.Spread = math.Sqrt(q)
	e.CovSigma = psf.Cov{EastArcsec2: math.Sqrt(ee / k), NorthArcsec2: math.Sqrt(nn / k), CrossArcsec2: math.Sqrt(en / k)}
}

// centre returns the median and its error.
func centre(v []float64) (float64, float64) {
	m := median(v)
	var off []float64
	for _, x := range v {
		off = append(off, math.Abs(x-m))
	}
	return m, 1.4826 * 1.25 * median(off) / math.Sqrt(float64(max(len(v), 1)))
}

// drifts fits where the subs point and how the field lies against time, each
// side of the mount with a level of its own.
func (e *evidence) drifts() {
	var t, x, y, r []float64
	var side []int
	for i := range e.Subs {
		s := &e.Subs[i]
		if !s.Pointed || math.IsNaN(s.At) {
			continue
		}
		k := 0
		if s.Flipped {
			k = 1
		}
		t, x, y, r, side = append(t, s.At/3600), append(x, s.East), append(y, s.North), append(r, s.Turn), append(side, k)
	}
	if len(t) < 4 {
		return
	}
	var sx, sy float64
	e.DriftE, sx = slope(t, x, side)
	e.DriftN, sy = slope(t, y, side)
	e.DriftSigma = math.Max(sx, sy)
	e.TurnRate, e.TurnSigma = slope(t, r, side)
}

// slope returns the slope of y over t and its error, groups with levels of their
// own.
func slope(t, y []float64, group []int) (float64, float64) {
	var st, sy, k [2]float64
	for i, g := range group {
		st[g] += t[i]
		sy[g] += y[i]
		k[g]++
	}
	var tt, ty, yy float64
	for i, g := range group {
		dt, dy := t[i]-st[g]/k[g], y[i]-sy[g]/k[g]
		tt += dt * dt
		ty += dt * dy
		yy += dy * dy
	}
	free := float64(len(t) - 2)
	if k[0] > 0 && k[1] > 0 {
		free--
	}
	if tt == 0 || free < 1 {
		return math.NaN(), math.NaN()
	}
	b := ty / tt
	return b, math.Sqrt(math.Max(yy-b*ty, 0) / free / tt)
}

// dimming compares the light of the brightest stars from sub to sub, extinction
// at 0.2 mag an airmass taken off.
func (e *evidence) dimming(n *Night) {
	const extinction = 0.2
	var level []float64
	for i := range n.Subs {
		s := &n.Subs[i]
		// The stars of a field are the same in every sub; the twentieth to sixtieth
		// brightest are neither saturated nor lost.
		var mags []float64
		for k := range s.Frame.Stars {
			if f := float64(s.Frame.Stars[k].Flux); f > 0 {
				mags = append(mags, -2.5*math.Log10(f/math.Max(float64(s.Exposure), 1e-3)))
			}
		}
		m := math.NaN()
		if len(mags) >= 20 {
			m = median(mags[len(mags)/40 : min(len(mags), 60)])
			if !math.IsNaN(s.Airmass) {
				m -= extinction * s.Airmass
			}
		}
		level = append(level, m)
	}
	least := math.Inf(1)
	for _, m := range level {
		if m < least {
			least = m
		}
	}
	var sum, k float64
	most := 0.0
	for i, m := range level {
		d := m - least
		e.Subs[i].Dim = d
		if !math.IsNaN(d) {
			sum += d * d
			k++
			most = math.Max(most, d)
		}
	}
	if k >= 3 {
		e.DimRMS, e.DimMost = math.Sqrt(sum/k), most
	}
}

// based is a sub that others are laid on where their stars do not say where they
// point.
type based struct {
	sub   *Sub
	field solve.Field
	view  view
	onSky bool
}

// baseOf returns what the subs of a night are laid on: the first that points
// somewhere, else the first with stars and a scale; nil if all subs point
// somewhere or none has a scale.
func baseOf(n *Night) *based {
	var b *based
	all := true
	for i := range n.Subs {
		s := &n.Subs[i]
		solved := s.Solution != nil && s.Solution.Solved
		all = all && solved
		switch {
		case solved && (b == nil || !b.onSky):
			cd := s.Solution.WCS.CD
			b = &based{sub: s, view: view{3600 * cd[0][0], 3600 * cd[1][0], 3600 * cd[0][1], 3600 * cd[1][1]}, onSky: true}
		case b == nil && s.Scale > 0 && len(s.Frame.Stars) > 3:
			b = &based{sub: s, view: view{xe: float64(s.Scale), yn: float64(s.Scale)}}
		}
	}
	if all || b == nil {
		return nil
	}
	b.field = fieldOf(b.sub)
	return b
}

// fieldOf returns the brightest stars of a sub.
func fieldOf(s *Sub) solve.Field {
	f := solve.Field{Width: s.Frame.Width, Height: s.Frame.Height}
	for _, st := range s.Frame.Stars[:min(len(s.Frame.Stars), 200)] {
		f.Spots = append(f.Spots, solve.Spot{X: st.X, Y: st.Y, Flux: float64(st.Flux)})
	}
	return f
}

// laid works out where a sub's middle lies on the base.
func (e *evidence) laid(f *subFacts, b *based, s *Sub) {
	if len(s.Frame.Stars) < 3 {
		return
	}
	r := solve.Register(b.field, fieldOf(s))
	if !r.Found {
		return
	}
	w, h := unit.Px(s.Frame.Width-1)/2, unit.Px(s.Frame.Height-1)/2
	x, y := r.At(w, h)
	dx, dy := float64(x-w), float64(y-h)
	f.East, f.North = b.view.xe*dx+b.view.ye*dy, b.view.xn*dx+b.view.yn*dy
	// From x towards y is from north through east or the other way.
	sense := 1.0
	if b.view.xe*b.view.yn-b.view.xn*b.view.ye > 0 {
		sense = -1
	}
	f.Turn = sense * float64(r.Turn)
	if math.Abs(f.Turn) > 90 {
		f.Flipped = true
		f.Turn = math.Remainder(f.Turn-180, 360)
	}
	f.Pointed = true
	e.OnSky = e.OnSky || b.onSky
}
