package proof

import (
	"math"
	"slices"

	"holdfast/internal/num"
)

// Cause names what may be behind a night's stars. The names are part of the JSON
// contract.
type Cause string

// The causes.
const (
	None           Cause = "none"
	Seeing         Cause = "seeing"
	Transparency   Cause = "transparency"
	Focus          Cause = "focus"
	PeriodicError  Cause = "periodic_error"
	PolarAlignment Cause = "polar_alignment"
	FieldRotation  Cause = "field_rotation"
	Flexure        Cause = "flexure"
	MirrorShift    Cause = "mirror_shift"
	Refraction     Cause = "refraction"
	LoopGain       Cause = "loop_gain"
	Backlash       Cause = "backlash"
	Wind           Cause = "wind"
	Calibration    Cause = "calibration"
	GuideCamera    Cause = "guide_camera"
	Jump           Cause = "jump"
	Optics         Cause = "optics"
	Unknown        Cause = "unknown"
)

// freed is an amount that a hypothesis sets free, and what it then expects.
type freed struct {
	p    int
	mid  float64
	wide float64
}

// hypothesis is one way to explain a night.
type hypothesis struct {
	cause  Cause
	prior  float64
	free   []freed
	how    special
	guided bool // needs a series to be told
}

// hypotheses returns all single ways. The priors say how often each spoils a
// night: common practice, no source.
func (s *setting) hypotheses() []hypothesis {
	u := &s.usual
	up := func(p int, by float64, wide float64) freed { return freed{p, u[p].middle + by, wide} }
	return []hypothesis{
		{cause: None, prior: 3},
		{cause: Seeing, prior: 1, free: []freed{up(pAir, 0.65, 0.3)}},
		{cause: Transparency, prior: 1, free: []freed{up(pDim, 2.5, 1)}},
		{cause: Focus, prior: 1, free: []freed{up(pDisc, 1.3, 0.6)}},
		{cause: PeriodicError, prior: 1, free: []freed{up(pWave, 1.6, 0.8)}},
		{cause: PeriodicError, prior: 0.5, free: []freed{up(pGear, 1.5, 0.6)}},
		{cause: PolarAlignment, prior: 1, free: []freed{{pPoleC, 0, 80}, {pPoleS, 0, 80}}},
		{cause: FieldRotation, prior: 0.5, free: []freed{{pTurn, 0, 1}}},
		{cause: Flexure, prior: 1, free: []freed{{pFlexE, 0, 60}, {pFlexN, 0, 60}}},
		{cause: MirrorShift, prior: 0.7 * s.mirror, free: []freed{{pFlexE, 0, 60}, {pFlexN, 0, 60}}},
		{cause: Refraction, prior: 0.3, free: []freed{{pGuideE, 0, 8}, {pGuideN, 0, 8}}},
		{cause: LoopGain, prior: 0.7, guided: true, free: []freed{{pGain, math.Log(1.5), 0.2}, {pGainDec, math.Log(1.3), 0.4}}},
		{cause: LoopGain, prior: 0.3, guided: true, free: []freed{{pGain, math.Log(0.1), 0.5}, {pGainDec, math.Log(0.1), 0.5}}},
		{cause: Backlash, prior: 1, guided: true, free: []freed{up(pPlay, 2.3, 0.8)}},
		{cause: Wind, prior: 1, free: []freed{up(pWind, 1.8, 0.7)}},
		{cause: Calibration, prior: 0.3, guided: true, free: []freed{{pAngle, math.Log(45), 0.4}}},
		{cause: Calibration, prior: 0.2, guided: true, how: hidden, free: []freed{{pAngle, math.Log(55), 0.3}}},
		{cause: Calibration, prior: 0.25, guided: true, how: mirrored},
		{cause: Calibration, prior: 0.25, guided: true, how: hiddenMirror},
		{cause: GuideCamera, prior: 0.5, guided: true, free: []freed{up(pNoise, 1.1, 0.5)}},
		{cause: GuideCamera, prior: 0.5, guided: true, how: stuck, free: []freed{{pNoise, math.Log(0.15), 0.8}, {pPoleC, 0, 20}, {pPoleS, 0, 20}, {pFlexE, 0, 40}, {pFlexN, 0, 40}}},
		{cause: Jump, prior: 0.7, free: []freed{{pKnock, math.Log(6), 0.9}}},
		{cause: Optics, prior: 0.7, free: []freed{{pBlur, 1, 1}}},
	}
}

// fitted is a hypothesis fitted to a night.
type fitted struct {
	hypothesis
	x        [params]float64
	chi2     float64 // of the evidence
	points   int
	evidence float64 // logarithm
	data     []datum
	cov      []float64
}

// loss is the robust square of a residual: a Cauchy tail from three sigma on
// keeps one odd number from deciding.
func loss(r float64) float64 {
	const c = 9
	return c * math.Log1p(r*r/c)
}

// fit finds the likeliest amounts of a hypothesis and its evidence by Laplace's
// method.
func (s *setting) fit(h hypothesis, from *[params]float64) fitted {
	f := fitted{hypothesis: h, evidence: math.Inf(-1)}
	prior := s.usual
	for _, k := range h.free {
		prior[k.p] = ordinary{k.mid, k.wide}
	}
	starts := [][params]float64{{}}
	for p := range params {
		starts[0][p] = prior[p].middle
	}
	s.begin(&starts[0], h)
	if from != nil {
		x := *from
		s.begin(&x, h)
		starts = append(starts, x)
	}
	for _, x := range starts {
		s.climb(&f, prior, x)
	}
	return f
}

// begin starts amounts where the evidence shows them outright.
func (s *setting) begin(x *[params]float64, h hypothesis) {
	e := s.e
	if g := e.Guide; g != nil {
		set := func(p int, v float64) {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				x[p] = v
			}
		}
		set(pGain, math.Log(math.Max(g.Axis[0].Gain, 0.03)))
		set(pGainDec, math.Log(math.Max(g.Axis[1].Gain, 0.03)))
		if h.how == plain && !math.IsNaN(g.Tilt) && slices.ContainsFunc(h.free, func(k freed) bool { return k.p == pAngle }) {
			set(pAngle, math.Log(math.Max(math.Abs(g.Tilt), 3)))
		}
		if h.how != stuck {
			set(pWave, math.Log(math.Max(g.Axis[0].Line, 0.1)))
		}
	}
	for _, k := range h.free {
		switch {
		case k.p == pFlexE && !math.IsNaN(e.DriftE):
			x[pFlexE], x[pFlexN] = e.DriftE, e.DriftN
		case k.p == pGuideE && s.lifted && e.OnSky && !math.IsNaN(e.DriftE):
			best := math.Inf(1)
			x[pFlexE], x[pFlexN] = 0, 0
			for _, far := range []float64{1, 3, 6, 10, 15} {
				for k := range 16 {
					sin, cos := math.Sincos(2 * math.Pi * float64(k) / 16)
					de, dn := s.lifting(far*sin, far*cos)
					if !math.IsNaN(e.TurnRate) {
						rad := e.TurnRate * math.Pi / 180 * 3600
						de, dn = de-rad*far*cos, dn+rad*far*sin
					}
					if off := math.Hypot(de-e.DriftE, dn-e.DriftN) + far; off < best {
						best, x[pGuideE], x[pGuideN] = off, far*sin, far*cos
					}
				}
			}
		case k.p == pTurn && !math.IsNaN(e.TurnRate):
			x[pTurn] = e.TurnRate
		case k.p == pPoleC && !math.IsNaN(e.TurnRate):
			x[pPoleC] = e.TurnRate * 60 / 0.2625 * math.Max(math.Cos(float64(e.Dec.Rad())), 0.1)
			if math.IsNaN(x[pPoleC]) {
				x[pPoleC] = 0
			}
			if e.Guide != nil && !math.IsNaN(e.Guide.Axis[1].Drift) {
				x[pPoleS] = e.Guide.Axis[1].Drift / driftArcsecPerHr
			}
		}
	}
}

// climb improves one start and keeps it if it is the best.
func (s *setting) climb(f *fitted, prior [params]ordinary, x [params]float64) {
	var data []datum
	cost := func(x *[params]float64) (float64, float64) {
		data = s.predict(x, f.how, data)
		chi := 0.0
		for _, d := range data {
			chi += loss((d.said - d.seen) / d.sore)
		}
		total := chi
		for p := range params {
			total += sq((x[p] - prior[p].middle) / prior[p].spread)
		}
		return total, chi
	}
	residuals := func(x *[params]float64) []float64 {
		data = s.predict(x, f.how, data)
		r := make([]float64, 0, len(data))
		for _, d := range data {
			r = append(r, (d.said-d.seen)/d.sore)
		}
		return r
	}
	damp := 1e-2
	now, chi := cost(&x)
	var h []float64
	normal := func() ([]float64, []float64) {
		r := residuals(&x)
		jac := make([][]float64, params)
		for p := range params {
			y := x
			step := 0.02 * prior[p].spread
			y[p] += step
			r2 := residuals(&y)
			jac[p] = make([]float64, len(r))
			for i := range r {
				if i < len(r2) {
					jac[p][i] = (r2[i] - r[i]) / step
				}
			}
		}
		a, b := make([]float64, params*params), make([]float64, params)
		for i := range r {
			w := 1 / (1 + r[i]*r[i]/9)
			for p := range params {
				b[p] -= w * jac[p][i] * r[i]
				for q := range params {
					a[p*params+q] += w * jac[p][i] * jac[q][i]
				}
			}
		}
		for p := range params {
			v := 1 / sq(prior[p].spread)
			a[p*params+p] += v
			b[p] -= v * (x[p] - prior[p].middle)
		}
		return a, b
	}
	for range 40 {
		a, b := normal()
		improved := false
		for range 8 {
			m := slices.Clone(a)
			for p := range params {
				m[p*params+p] *= 1 + damp
			}
			if !num.InvertPositive(m, params) {
				damp *= 10
				continue
			}
			y := x
			for p := range params {
				d := 0.0
				for q := range params {
					d += m[p*params+q] * b[q]
				}
				y[p] += math.Max(math.Min(d, 3*prior[p].spread), -3*prior[p].spread)
			}
			if next, c := cost(&y); next < now {
				improved = now-next > 1e-3
				x, now, chi = y, next, c
				damp = math.Max(damp/5, 1e-6)
				break
			}
			damp *= 6
		}
		if !improved {
			break
		}
	}
	h, _ = normal()
	// Laplace: -cost/2 - ln det(H)/2 - sum ln spread.
	lndet, ok := logDet(h)
	if !ok {
		return
	}
	ev := -now/2 - lndet/2
	for p := range params {
		ev -= math.Log(prior[p].spread)
	}
	if ev > f.evidence {
		f.evidence, f.x, f.chi2 = ev, x, chi
		f.data = slices.Clone(s.predict(&x, f.how, nil))
		f.points = len(f.data)
		if num.InvertPositive(h, params) {
			f.cov = h
		}
	}
}

// logDet returns the logarithm of the determinant of a positive matrix by
// Cholesky's factorisation.
func logDet(a []float64) (float64, bool) {
	n := params
	l := make([]float64, n*n)
	sum := 0.0
	for i := range n {
		for j := range i + 1 {
			v := a[i*n+j]
			for k := range j {
				v -= l[i*n+k] * l[j*n+k]
			}
			if i == j {
				if !(v > 0) {
					return 0, false
				}
				l[i*n+i] = math.Sqrt(v)
				sum += 2 * math.Log(l[i*n+i])
			} else {
				l[i*n+j] = v / l[j*n+j]
			}
		}
	}
	return sum, true
}
