package proof

import (
	"math"

	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// The amounts of all causes, as the solver moves them: logarithms of sizes, and
// signed rates in units of their ordinary spread.
const (
	pAir     = iota // ln FWHM of the air in the subs, arcsec
	pDisc           // ln diameter of the disc that defocus makes, arcsec
	pBlur           // growth of the star's variance to the corner over its variance
	pFlexE          // drift between the telescopes, arcsec/h
	pFlexN          //
	pWave           // ln amplitude of the drive's slow wave, arcsec
	pGear           // ln rms of the drive's quick errors in RA, arcsec
	pWind           // ln rms that shake leaves on both axes, arcsec
	pNoise          // ln rms of what the guide camera sees alone, arcsec
	pTurn           // turning of the camera, degrees/h
	pPoleC          // arcmin of the axis from the pole that turn the field now
	pPoleS          // arcmin that make declination drift now
	pPivotE         // guide star from the middle, arcmin
	pPivotN         //
	pDim            // ln rms of the light lost, magnitudes
	pPlay           // ln rms that backlash leaves in declination, arcsec
	pKnock          // ln of the move of a knock, arcsec
	pAngle          // ln |angle| of the calibration's error, degrees
	pGain           // ln gain of RA
	pGainDec        // ln gain of declination
	pAber           // ln rms of aberration, arcsec, along one direction all over the field
	pGuideE         // guide star from the target, degrees, as far as refraction tells
	pGuideN         //
	params
)

// ordinary is an amount that any sound rig may have: middle and spread.
type ordinary struct{ middle, spread float64 }

// flags are what a hypothesis has that no amount says.
type special int

const (
	plain        special = iota
	mirrored             // declination is corrected the wrong way, and the series shows what it asked for
	hidden               // corrections are turned, and the series is in the turned axes itself
	hiddenMirror         // declination is corrected the wrong way, and the series is in the axes of the corrections
	stuck                // the guide camera holds what never moves
)

// setting is what the forward model knows beside the amounts.
type setting struct {
	e        *evidence
	lambda   unit.Micron
	aperture unit.MM
	hole     float64 // central obstruction over the aperture
	usual    [params]ordinary
	guided   bool
	profile  map[[3]int]float64
	lifted   bool // site, time and place are known, so refraction can be told
	place    sky.Place
	lat      unit.Deg
	bending  sky.Refraction
	mirror   float64 // how likely the telescope has a mirror that moves
}

// newSetting works out what is ordinary: for any rig, or the one that is given.
func newSetting(e *evidence, n *Night) *setting {
	s := &setting{e: e, lambda: 0.55, aperture: e.Aperture, guided: e.Guide != nil, profile: map[[3]int]float64{}}
	seeing, seeingSpread := math.Log(2.8), 0.27
	if n.Rig != nil {
		s.lambda = n.Rig.Imaging.Wavelength.V
		s.aperture = n.Rig.Imaging.Aperture.V
		if v := n.Rig.Site.Seeing; v.V > 0 {
			seeing = math.Log(float64(v.V))
			seeingSpread = math.Max(0.15, math.Min(0.4, float64(v.SE/v.V)))
		}
	}
	if !(s.aperture > 0) {
		s.aperture = 100
	}
	// Larger telescopes mostly have a mirror in the way: common practice, no source.
	if s.aperture > 130 {
		s.hole = 0.33
	}
	if n.Rig != nil {
		s.hole = n.Rig.Imaging.Obstruction.V
	}
	s.refract(n)
	s.mirror = mirrored0(n, e)
	// Half a critical focus zone, 2 lambda N^2 and thus a disc of 2 lambda/D to
	// either side, is what care reaches.
	defocus := math.Max(2*float64(s.lambda)*1e-3/float64(s.aperture)*unit.ArcsecPerRad, 0.3)
	s.usual = [params]ordinary{
		pAir:     {seeing, seeingSpread},
		pDisc:    {math.Log(defocus), 0.5},
		pBlur:    {0.1, 0.15},
		pFlexE:   {0, 5},
		pFlexN:   {0, 5},
		pWave:    {math.Log(7), 0.6},
		pGear:    {math.Log(0.25), 0.5},
		pWind:    {math.Log(0.12), 0.5},
		pNoise:   {math.Log(0.45), 0.4},
		pTurn:    {0, 0.005},
		pPoleC:   {0, 4},
		pPoleS:   {0, 4},
		pPivotE:  {0, 12},
		pPivotN:  {0, 12},
		pDim:     {math.Log(0.04), 0.5},
		pPlay:    {math.Log(0.08), 0.5},
		pKnock:   {math.Log(0.05), 0.7},
		pAngle:   {math.Log(3), 0.5},
		pGain:    {math.Log(0.5), 0.35},
		pGainDec: {math.Log(0.4), 0.4},
		pAber:    {math.Log(s.spot(n)), 0.5},
		pGuideE:  {0, 0.4},
		pGuideN:  {0, 0.4},
	}
	return s
}

// datum is one number of the evidence: what the model says, what was seen, and
// the error of both together.
type datum struct {
	name             string
	said, seen, sore float64
}

// arcmin/h of drift from an axis one arcmin off: one turn in a sidereal day.
const driftArcsecPerHr = 15.75

// held is what the corrections make of the guide star: covariances of east and
// north, arcsec^2.
type held struct {
	real [2][2]float64 // of the true error
	seen [2][2]float64 // of the measured place
	next [2][2]float64 // of the measured place with that of the exposure before
	slow [2]float64    // variances of means over ten exposures
	calm [2]float64    // variances of the measured place without knocks
	bump [2]float64    // mean square that knocks add in a sub that has one
}

type matrix = [2][2]float64

func times(a, b matrix) matrix {
	return matrix{{a[0][0]*b[0][0] + a[0][1]*b[1][0], a[0][0]*b[0][1] + a[0][1]*b[1][1]}, {a[1][0]*b[0][0] + a[1][1]*b[1][0], a[1][0]*b[0][1] + a[1][1]*b[1][1]}}
}

func plus(a, b matrix) matrix {
	return matrix{{a[0][0] + b[0][0], a[0][1] + b[0][1]}, {a[1][0] + b[1][0], a[1][1] + b[1][1]}}
}

func scaled(a matrix, k float64) matrix {
	return matrix{{k * a[0][0], k * a[0][1]}, {k * a[1][0], k * a[1][1]}}
}

func turnedOver(a matrix) matrix { return matrix{{a[0][0], a[1][0]}, {a[0][1], a[1][1]}} }

// holding works out what corrections leave. The place measured is m = e + n, n
// white; the next error is e' = e - A m + w, w white steps that both axes make.
// Its covariance P solves P = F P F' + n^2 A A' + w^2 with F = 1 - A, summed by
// doubling. What is slow against the loop stays off by what has to be corrected
// in a cycle, A^-1 times it. Source: stationary solution of a linear recursion;
// Franklin, Powell and Workman, Digital Control of Dynamic Systems.
func (s *setting) holding(x *[params]float64, how special) held {
	g := s.e.Guide
	n, step, gear, play := math.Exp(x[pNoise]), math.Exp(x[pWind]), math.Exp(x[pGear]), math.Exp(x[pPlay])
	one := matrix{{1, 0}, {0, 1}}
	if how == stuck {
		white := scaled(one, n*n)
		return held{seen: white, slow: [2]float64{n * n / 10, n * n / 10}, calm: [2]float64{n * n, n * n}}
	}
	limit := func(g float64) float64 { return math.Min(math.Max(g, 0.01), 1.9) }
	gains := [2]float64{limit(math.Exp(x[pGain])), limit(math.Exp(x[pGainDec]))}
	angle := math.Exp(x[pAngle]) * math.Pi / 180
	if g.Tilt < 0 {
		angle = -angle
	}
	sin, cos := math.Sincos(angle)
	turn := matrix{{cos, sin}, {-sin, cos}}
	a := times(matrix{{gains[0], 0}, {0, gains[1]}}, turn)
	if how == hidden {
		a = times(turn, matrix{{gains[0], 0}, {0, gains[1]}})
	}
	f := plus(one, scaled(a, -1))
	// A loop that runs away is held by the limits of its moves: as one that hardly
	// settles.
	if top := math.Sqrt(math.Abs(f[0][0]*f[1][1] - f[0][1]*f[1][0])); top > 0.985 {
		f = scaled(f, 0.985/top)
	}
	quick := plus(scaled(times(a, turnedOver(a)), n*n), scaled(one, step*step))
	p, m := quick, f
	for range 10 {
		p = plus(p, times(times(m, p), turnedOver(m)))
		m = times(m, m)
	}
	// Between the exposure and the next correction both axes walk on: half a step in
	// variance that the stars see and the guide camera does not.
	h := held{real: plus(p, scaled(one, step*step/2))}
	white := scaled(one, n*n)
	h.next = plus(times(f, p), scaled(a, -n*n))
	h.seen = plus(p, white)
	// Means over ten: C0 and twice the nine covariances after it.
	c := h.next
	sum := [2]float64{10 * h.seen[0][0], 10 * h.seen[1][1]}
	for k := 1; k < 10; k++ {
		for i := range 2 {
			sum[i] += 2 * float64(10-k) * c[i][i]
		}
		c = times(f, c)
	}
	for i := range 2 {
		h.slow[i] = math.Max(sum[i], 0) / 100
	}
	add := func(v matrix, memory, slow float64) {
		h.real, h.seen, h.next = plus(h.real, v), plus(h.seen, v), plus(h.next, scaled(v, memory))
		h.slow[0] += slow * v[0][0]
		h.slow[1] += slow * v[1][1]
	}
	// The slow wave.
	period := g.Axis[0].Period
	if !(period > 0) {
		period = 480
	}
	rate := 2 * math.Pi * math.Exp(x[pWave]) * g.Cycle / period
	det := a[0][0]*a[1][1] - a[0][1]*a[1][0]
	off := [2]float64{a[1][1] / det * rate, -a[1][0] / det * rate}
	if far := math.Hypot(off[0], off[1]); far > math.Exp(x[pWave]) {
		off[0], off[1] = off[0]*math.Exp(x[pWave])/far, off[1]*math.Exp(x[pWave])/far
	}
	add(matrix{{off[0] * off[0] / 2, off[0] * off[1] / 2}, {off[0] * off[1] / 2, off[1] * off[1] / 2}}, 1, 1)
	add(matrix{{gear * gear, 0}, {0, 0}}, 0.5, 0.2)
	add(matrix{{0, 0}, {0, play * play}}, 0.95, 0.9)
	if how == mirrored || how == hiddenMirror {
		add(matrix{{0, 0}, {0, 1e4}}, 1, 0.9)
	}
	h.calm = [2]float64{h.seen[0][0], h.seen[1][1]}
	// A knock of k, half its square along each axis, is taken back by a factor 1-g
	// at each exposure: k^2/2 /(g(2-g)) in the sum of squares, in a third of the
	// subs.
	if k := math.Exp(x[pKnock]); k > 0.1 {
		many := math.Max(s.e.Exposure/math.Max(g.Cycle, 0.1), 5)
		var v matrix
		for i := range 2 {
			h.bump[i] = k * k / 2 / (gains[i] * (2 - gains[i])) / many
			v[i][i] = h.bump[i] / 3
		}
		add(v, 1-math.Min(math.Max(gains[0], gains[1]), 1), 0.5)
	}
	if how == hidden {
		// The series is in its own axes; the stars are on the sky.
		h.real = times(times(turnedOver(turn), h.real), turn)
	}
	return h
}

// predict returns what the amounts make the evidence look like.
func (s *setting) predict(x *[params]float64, how special, out []datum) []datum {
	e := s.e
	out = out[:0]
	add := func(name string, said, seen, sore float64) {
		if !math.IsNaN(seen) && !math.IsNaN(said) && sore > 0 {
			out = append(out, datum{name, said, seen, sore})
		}
	}
	m := s.star(x, how)
	if e.Used > 0 {
		tr := e.Cov.EastArcsec2 + e.Cov.NorthArcsec2
		said := m.cov.EastArcsec2 + m.cov.NorthArcsec2
		add("width", math.Log(math.Max(said, 1e-6)), math.Log(tr), 0.03)
		q := (e.Cov.EastArcsec2 - e.Cov.NorthArcsec2) / tr
		u := 2 * e.Cov.CrossArcsec2 / tr
		// Of what makes stars long the model knows the size to a fifth.
		loose := math.Hypot(0.012, 0.2*math.Hypot(m.cov.EastArcsec2-m.cov.NorthArcsec2, 2*m.cov.CrossArcsec2)/math.Max(said, 1e-6))
		if e.OnSky {
			add("long along east", (m.cov.EastArcsec2-m.cov.NorthArcsec2)/said, q, loose)
			add("long along north-east", 2*m.cov.CrossArcsec2/said, u, loose)
		} else {
			add("long", math.Hypot(m.cov.EastArcsec2-m.cov.NorthArcsec2, 2*m.cov.CrossArcsec2)/said, math.Hypot(q, u), loose)
		}
		add("corner", m.growth/said, e.Growth/tr, 0.03)
		add("around", m.around/said, e.Around/tr, math.Hypot(0.004+e.AroundSigma/tr, 0.2*m.around/said))
		// A trail is no Gaussian: of long stars the wings say little.
		add("tail", m.tail, e.Tail, math.Hypot(0.009, 0.15*sq(elongation(e.Cov))))
		add("restless", math.Log(math.Hypot(m.spread, 0.03*tr)), math.Log(math.Hypot(e.Spread, 0.03*tr)), 0.45)
	}
	if !math.IsNaN(e.DriftE) {
		sore := func(v float64) float64 { return math.Hypot(e.DriftSigma+0.3, 0.1*v) }
		add("drift east", m.driftE, e.DriftE, sore(m.driftE))
		add("drift north", m.driftN, e.DriftN, sore(m.driftN))
	}
	add("turning", m.turn, e.TurnRate, math.Hypot(e.TurnSigma+0.0015, 0.1*m.turn))
	add("dimming", x[pDim], math.Log(math.Max(e.DimRMS, 0.01)), 0.3)
	if g := e.Guide; g != nil {
		s.predictGuide(x, how, add)
	}
	return out
}

// predictGuide adds what the series would show.
func (s *setting) predictGuide(x *[params]float64, how special, add func(string, float64, float64, float64)) {
	g := s.e.Guide
	h := s.holding(x, how)
	ln := func(v float64) float64 { return math.Log(math.Max(v, 1e-8)) }
	// The air moves the guide star as it widens stars, to the power 5/6; the wind
	// that carries it and the aperture are not known: a third either way.
	add("air on the guide star", math.Log(0.42)+5.0/6*(x[pAir]-math.Log(2.8)), x[pNoise], 0.4)
	add("guide RA", ln(h.seen[0][0])/2, ln(g.Axis[0].Var)/2, 0.2)
	add("guide dec", ln(h.seen[1][1])/2, ln(g.Axis[1].Var)/2, 0.2)
	add("lag RA", h.next[0][0]/h.seen[0][0], g.Axis[0].Lag1, 0.15)
	add("lag dec", h.next[1][1]/h.seen[1][1], g.Axis[1].Lag1, 0.15)
	add("slow RA", ln(h.slow[0])/2, ln(g.Axis[0].Slow)/2, 0.3)
	add("slow dec", ln(h.slow[1])/2, ln(g.Axis[1].Slow)/2, 0.3)
	if how == stuck {
		// Nothing of the drive is seen: only what chance adds up to.
		add("wave", -1.5, ln(g.Axis[0].Line), 0.7)
	} else {
		add("wave", x[pWave], ln(g.Axis[0].Line), 0.15)
		left := math.Exp(x[pWave]) * s.rejection(g.Axis[0].Period, math.Exp(x[pGain]))
		add("wave left", ln(math.Hypot(left, 0.03)), ln(math.Hypot(g.Axis[0].LineLeft, 0.03)), 0.3)
		add("drift of declination", driftArcsecPerHr*x[pPoleS], g.Axis[1].Drift, math.Hypot(12, 0.2*driftArcsecPerHr*x[pPoleS]))
	}
	// Moves too short to be made are not asked for: a small gain looks smaller.
	faint := func(ln float64) float64 { return 0.4 * math.Max(-1.5-ln, 0) }
	add("gain RA", x[pGain], ln(g.Axis[0].Gain), 0.1+faint(ln(g.Axis[0].Gain)))
	add("gain dec", x[pGainDec], ln(g.Axis[1].Gain), 0.15+faint(ln(g.Axis[1].Gain)))
	jumps := 0.2
	if k := math.Exp(x[pKnock]); k > 0 {
		noise := math.Exp(x[pNoise])
		jumps += float64(len(s.e.Subs)) / 3 / (1 + math.Exp(-(k/noise-9)/2))
	}
	add("jumps", math.Sqrt(jumps+0.3), math.Sqrt(float64(g.Jumps)+0.3), 0.5)
	chase := math.Abs(h.next[0][1]-h.next[1][0]) / 2 / math.Sqrt(math.Max(h.seen[0][0]*h.seen[1][1], 1e-12))
	add("axes that chase", chase, math.Abs(g.Chase), math.Hypot(0.06, 0.3*chase))
	tilt, sense, response := 0.0, 1.0, 1.0
	switch {
	case how == mirrored:
		sense, response = -1, -1
	case how == hiddenMirror:
		response = -1
	case how == plain:
		tilt = math.Exp(x[pAngle])
	}
	add("tilt", tilt, math.Abs(g.Tilt), math.Hypot(4, 0.1*tilt))
	add("sense", sense, g.Sense, 0.3)
	if response < 0 {
		add("response dec", response, g.Axis[1].Response, 0.4)
		add("held dec", 2, math.Log10(math.Abs(g.Axis[1].Mean)+g.Axis[1].Wander+0.1), 0.7)
	} else {
		// Declination in its play answers late.
		add("response dec", response, g.Axis[1].Response, 0.6)
		lag := 0.15 + math.Abs(driftArcsecPerHr*x[pPoleS])*g.Cycle/3600/math.Max(math.Exp(x[pGainDec]), 0.05)
		add("held dec", math.Log10(lag), math.Log10(math.Abs(g.Axis[1].Mean)+g.Axis[1].Wander+0.1), 0.3)
	}
	peaked, uneven := 0.05, 0.25
	for i := range 2 {
		gain := math.Max(math.Min(math.Exp(x[[2]int{pGain, pGainDec}[i]]), 1), 0.05)
		k := math.Exp(x[pKnock])
		many := math.Max(s.e.Exposure/math.Max(g.Cycle, 0.1), 5)
		fourth := 3.0 / 8 * k * k * k * k / (1 - sq(sq(1-gain))) / many
		peaked = math.Max(peaked, math.Log((3*sq(h.calm[i])+fourth/3+2*h.calm[i]*h.bump[i])/sq(h.calm[i]+h.bump[i]/3)/3))
	}
	uneven += math.Log1p((h.bump[0] + h.bump[1]) / (h.calm[0] + h.calm[1]))
	add("peaked", peaked, g.Peaked, 0.5)
	add("uneven", uneven, g.Uneven, 0.4)
}

// rejection returns what a loop leaves of a slow wave of so many seconds.
func (s *setting) rejection(period, gain float64) float64 {
	if math.IsNaN(period) {
		period = 480
	}
	return math.Min(2*math.Pi*s.e.Guide.Cycle/period/math.Max(gain, 0.01), 1)
}

// made is what the amounts make of the stars and the field.
type made struct {
	cov            psf.Cov
	growth, around float64
	tail, spread   float64
	driftE, driftN float64
	turn           float64
	parts          map[string]psf.Cov
}

// star works out the stars.
func (s *setting) star(x *[params]float64, how special) made {
	e := s.e
	var m made
	hours := e.Exposure / 3600
	fwhm, disc := math.Exp(x[pAir]), math.Exp(x[pDisc])
	// Gaussian-equivalent variances: the air's and the disc's, diffraction's, the
	// pixel's.
	air := psf.Round(unit.Arcsec(fwhm / fwhmPerSigma))
	focus := psf.Round(unit.Arcsec(disc / 4 * math.Sqrt(1+s.hole*s.hole))) // of a ring: (R^2 + r^2)/4 an axis
	fixed := psf.Gaussian(psf.Cov{}).Cov()
	aber := math.Exp(x[pAber])
	fixed = fixed.Plus(psf.Round(unit.Arcsec(aber))).Plus(psf.Airy(s.lambda, s.aperture, s.hole).Cov()).Plus(psf.Box(unit.Arcsec(e.Scale), 0).Cov())
	var track psf.Cov
	bump := 0.0
	if s.guided {
		h := s.holding(x, how)
		track = psf.Cov{EastArcsec2: h.real[0][0], NorthArcsec2: h.real[1][1], CrossArcsec2: h.real[0][1]}
		bump = h.bump[0] + h.bump[1]
		if how == stuck {
			// The drive's wave runs through the sub: what a sub of that length holds of
			// it, and the drift of the axis.
			wave := math.Exp(x[pWave])
			z := math.Min(math.Pi*e.Exposure/480, 1)
			track.EastArcsec2 = wave * wave / 2 * z * z
		}
	} else {
		wave, wind, gear, play := math.Exp(x[pWave]), math.Exp(x[pWind]), math.Exp(x[pGear]), math.Exp(x[pPlay])
		track = psf.Cov{EastArcsec2: sq(0.05*wave)/2 + wind*wind + gear*gear, NorthArcsec2: wind*wind + play*play}
	}
	// The field turns about the guide star where the axis does it, about the
	// middle where the camera turns in its adapter.
	cosDec := math.Max(math.Cos(float64(e.Dec.Rad())), 0.1)
	if math.IsNaN(cosDec) {
		cosDec = 1
	}
	pole := x[pPoleC] / 60 * 0.2625 / cosDec // degrees/h
	m.turn = pole + x[pTurn]
	rad := pole * math.Pi / 180
	liftE, liftN := s.lifting(x[pGuideE], x[pGuideN])
	m.driftE = x[pFlexE] + liftE - rad*(x[pPivotN]*60+x[pGuideN]*3600)
	m.driftN = x[pFlexN] + liftN + rad*(x[pPivotE]*60+x[pGuideE]*3600)
	if how == stuck {
		m.driftN += driftArcsecPerHr * x[pPoleS]
		m.driftE += driftArcsecPerHr * x[pPoleC]
	}
	trail := psf.Cov{EastArcsec2: sq(m.driftE*hours) / 12, NorthArcsec2: sq(m.driftN*hours) / 12, CrossArcsec2: m.driftE * m.driftN * hours * hours / 12}
	m.cov = air.Plus(focus).Plus(fixed).Plus(track).Plus(trail)
	swing := sq(m.turn*math.Pi/180*hours*e.Width) / 12
	m.around = swing
	m.growth = swing + x[pBlur]*(m.cov.EastArcsec2+m.cov.NorthArcsec2)
	m.spread = math.Hypot(0.25*(track.EastArcsec2+track.NorthArcsec2), 0.3*(trail.EastArcsec2+trail.NorthArcsec2))
	m.spread = math.Hypot(m.spread, 0.4*bump)
	rest := track.EastArcsec2 + track.NorthArcsec2 + trail.EastArcsec2 + trail.NorthArcsec2 + 2*aber*aber
	m.tail = s.tail(fwhm, disc, math.Sqrt(math.Max(rest, 0)/2))
	m.parts = map[string]psf.Cov{"air": air, "focus": focus, "fixed": fixed, "track": track, "trail": trail}
	return m
}

// tail returns 1/beta of air, a disc and a Gaussian together, diffraction and the
// pixel included, from a table that is filled as it is asked: 4 % apart in the
// air's width.
func (s *setting) tail(fwhm, disc, sigma float64) float64 {
	const apart = 0.04
	w := int(math.Round(math.Log(fwhm) / apart))
	width := unit.Arcsec(math.Exp(apart * float64(w)))
	at := func(i, j int) float64 {
		k := [3]int{w, i, j}
		if v, ok := s.profile[k]; ok {
			return v
		}
		p := psf.Star(psf.Air(width), psf.Airy(s.lambda, s.aperture, s.hole), psf.Box(unit.Arcsec(math.Max(s.e.Scale, 0)), 0),
			psf.Disc(0.1*width*unit.Arcsec(i), s.hole), psf.Gaussian(psf.Round(0.1*width*unit.Arcsec(j))))
		s.profile[k] = p.Tail
		return p.Tail
	}
	a, b := math.Min(disc/fwhm/0.1, 40), math.Min(sigma/fwhm/0.1, 20)
	i, j := int(a), int(b)
	u, v := a-float64(i), b-float64(j)
	return (1-u)*((1-v)*at(i, j)+v*at(i, j+1)) + u*((1-v)*at(i+1, j)+v*at(i+1, j+1))
}

// mirrored0 says how likely it is that a mirror moves the imaging telescope's
// image: by the rig, or by a focal ratio and an aperture such as telescopes with
// a moving mirror have.
func mirrored0(n *Night, e *evidence) float64 {
	if n.Rig != nil {
		if n.Rig.Imaging.Kind == rig.MovingMirror {
			return 1
		}
		return 0.02
	}
	if e.Aperture >= 120 && e.Focal/e.Aperture > 5.5 {
		return 0.7
	}
	return 0.15
}

// refract works out how the field drifts for a guide star away from the target,
// where site and times are known.
func (s *setting) refract(n *Night) {
	var mid *Sub
	for i := range n.Subs {
		if k := &n.Subs[i]; i >= len(n.Subs)/2 && !k.Start.IsZero() && k.Solution != nil && k.Solution.Solved {
			mid = k
			break
		}
	}
	if mid == nil || math.IsNaN(float64(mid.Lat)) || math.IsNaN(float64(mid.Lon)) {
		return
	}
	site, err := sky.NewSite(mid.Lat, mid.Lon, 0)
	if err != nil {
		return
	}
	p := site.At(sky.NewInstant(mid.Start)).Observed(mid.Solution.Centre)
	s.place, s.lat, s.bending = p, mid.Lat, site.Refraction()
	s.lifted = true
}

// lifting returns how the field drifts, arcsec/h, where the guide star lies so
// many degrees east and north of it and refraction lifts the two differently.
func (s *setting) lifting(east, north float64) (e, n float64) {
	if !s.lifted || east == 0 && north == 0 {
		return 0, 0
	}
	m := sky.DifferentialRefraction(s.lat, s.place.HourAngle, s.place.Dec, sky.Shift{East: unit.Arcsec(-3600 * east), North: unit.Arcsec(-3600 * north)}, 3600, s.bending)
	if math.IsNaN(float64(m.East + m.North)) {
		return 0, 0
	}
	// The target moves against the guide star; where the field points drifts the
	// other way.
	return -float64(m.East), -float64(m.North)
}

// spot returns the rms of the optics' own blur on one axis, arcsec: the rig's, or
// a spot of 4 um FWHM (common practice, no source).
func (s *setting) spot(n *Night) float64 {
	size, focal := 4.0, float64(s.e.Focal)
	if n.Rig != nil {
		size, focal = float64(n.Rig.Imaging.Spot.V), float64(n.Rig.Imaging.FocalLength())
	}
	if !(focal > 0) {
		focal = 700
	}
	return math.Max(size/fwhmPerSigma/1000/focal*unit.ArcsecPerRad, 0.05)
}
