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
	plain    special = iota
	mirrored         // declination is corrected the wrong way
	stuck            // the guide camera holds what never moves
)

// setting is what the forward model knows beside the amounts.
type setting struct {
	e        *evidence
	lambda   unit.Micron
	aperture unit.MM
	usual    [params]ordinary
	guided   bool
	profile  map[[3]int]float64
	lift     [2][2]float64 // drift of the field, arcsec/h, for a guide star one degree east and one north
	lifted   bool
	mirror   float64 // how likely the telescope has a mirror that moves
}

// newSetting works out what is ordinary: for any rig, or the one that is given.
func newSetting(e *evidence, n *Night) *setting {
	s := &setting{e: e, lambda: 0.55, aperture: e.Aperture, guided: e.Guide != nil, profile: map[[3]int]float64{}}
	seeing, seeingSpread := math.Log(2.8), 0.33
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
		pAber:    {math.Log(0.2), 0.5},
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

// axisState is what a loop makes of one axis.
type axisState struct {
	real float64 // variance of the true error
	seen float64 // variance of the measured place
	lag1 float64 // covariance of neighbours as measured
	slow float64 // variance of means over ten
}

// loopOf returns the variances of an axis under a correction of the given gain
// and no extra delay: noise n and a walk that leaves w, both rms, and what is
// slow against the loop. The recursion e' = (1-g) e - g n + walk gives
// P = (g^2 n^2 + q)/(g(2-g)); Franklin, Powell and Workman.
func loopOf(g, n, w, slow float64) axisState {
	g = math.Min(math.Max(g, 0.02), 1.97)
	noise := g / (2 - g) * n * n
	s := axisState{
		real: noise + w*w + slow,
		seen: noise + n*n + w*w + slow,
		lag1: (1-g)*(noise+w*w) - g*n*n + slow,
	}
	// Ten-means: of white noise under a loop the sum of ten places telescopes to
	// what ten corrections moved, 2 e/g or so; of a walk its correlation time.
	rho := 1 - g
	sum := 10.0
	for k := 1; k < 10; k++ {
		sum += 2 * float64(10-k) * math.Pow(math.Abs(rho), float64(k)) * math.Copysign(1, math.Pow(math.Copysign(1, rho), float64(k)))
	}
	s.slow = (noise+w*w)*math.Max(sum, 0)/100 + slow + 0.004*n*n
	return s
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
	hours := e.Exposure / 3600
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
		add("tail", m.tail, e.Tail, 0.012)
		add("restless", math.Log(math.Hypot(m.spread, 0.03*tr)), math.Log(math.Hypot(e.Spread, 0.03*tr)), 0.45)
	}
	if !math.IsNaN(e.DriftE) && e.OnSky {
		sore := func(v float64) float64 { return math.Hypot(e.DriftSigma+0.3, 0.1*v) }
		add("drift east", m.driftE, e.DriftE, sore(m.driftE))
		add("drift north", m.driftN, e.DriftN, sore(m.driftN))
	}
	add("turning", m.turn, e.TurnRate, math.Hypot(e.TurnSigma+0.0015, 0.1*m.turn))
	add("dimming", x[pDim], math.Log(math.Max(e.DimRMS, 0.01)), 0.3)
	_ = hours
	if g := e.Guide; g != nil {
		s.predictGuide(x, how, add)
	}
	return out
}

// predictGuide adds what the series would show.
func (s *setting) predictGuide(x *[params]float64, how special, add func(string, float64, float64, float64)) {
	g := s.e.Guide
	ra, dec := s.axes(x, how)
	ln := func(v float64) float64 { return math.Log(math.Max(v, 1e-8)) }
	add("guide RA", ln(ra.seen)/2, ln(g.Axis[0].Var)/2, 0.2)
	add("guide dec", ln(dec.seen)/2, ln(g.Axis[1].Var)/2, 0.2)
	add("lag RA", ra.lag1/ra.seen, g.Axis[0].Lag1, 0.15)
	add("lag dec", dec.lag1/dec.seen, g.Axis[1].Lag1, 0.15)
	add("slow RA", ln(ra.slow)/2, ln(g.Axis[0].Slow)/2, 0.3)
	add("slow dec", ln(dec.slow)/2, ln(g.Axis[1].Slow)/2, 0.3)
	if how == stuck {
		// Nothing of the drive is seen: only what chance adds up to.
		add("wave", -1.5, ln(g.Axis[0].Line), 0.7)
	} else {
		add("wave", x[pWave], ln(g.Axis[0].Line), 0.15)
		left := math.Exp(x[pWave]) * s.rejection(g.Axis[0].Period, math.Exp(x[pGain]))
		add("wave left", ln(math.Hypot(left, 0.03)), ln(math.Hypot(g.Axis[0].LineLeft, 0.03)), 0.3)
		add("drift of declination", driftArcsecPerHr*x[pPoleS], g.Axis[1].Drift, math.Hypot(12, 0.2*driftArcsecPerHr*x[pPoleS]))
	}
	add("gain RA", x[pGain], ln(g.Axis[0].Gain), 0.1)
	add("gain dec", x[pGainDec], ln(g.Axis[1].Gain), 0.15)
	jumps := 0.2
	if k := math.Exp(x[pKnock]); k > 0 {
		noise := math.Exp(x[pNoise])
		jumps += float64(len(s.e.Subs)) / 3 / (1 + math.Exp(-(k/noise-6)/1.5))
	}
	add("jumps", math.Sqrt(jumps+0.3), math.Sqrt(float64(g.Jumps)+0.3), 0.5)
	angle := math.Exp(x[pAngle]) * math.Pi / 180
	add("axes that chase", chased(math.Exp(x[pGain]), math.Exp(x[pGainDec]), angle), math.Abs(g.Chase), 0.06)
	if how == mirrored {
		add("response dec", -1, g.Axis[1].Response, 0.3)
		add("held dec", 2, math.Log10(math.Abs(g.Axis[1].Mean)+g.Axis[1].Wander+0.1), 0.7)
	} else {
		add("response dec", 1, g.Axis[1].Response, 0.6)
		add("held dec", -0.8, math.Log10(math.Abs(g.Axis[1].Mean)+g.Axis[1].Wander+0.1), 0.35)
	}
}

// chased returns by how much the axes follow each other where corrections are
// turned by an angle: the antisymmetric part of the covariance of neighbours
// over the variance, for white noise, from the stationary solution of
// e' = (1 - g R) e - g R n.
func chased(gr, gd, angle float64) float64 {
	g := math.Sqrt(math.Max(gr*gd, 1e-6))
	c, sn := math.Cos(angle), math.Sin(angle)
	f := (1-g*c)*(1-g*c) + g*g*sn*sn
	if f > 0.97 {
		f = 0.97
	}
	p := g * g / (1 - f)
	// e and n: covariance of m' with m is F P - g R, antisymmetric part g sin (P+1).
	return g * sn * (p + 1) / (p + 1)
}

// rejection returns what a loop leaves of a slow wave, half an exposure and half
// a cycle of wait included.
func (s *setting) rejection(period, gain float64) float64 {
	if math.IsNaN(period) {
		period = 480
	}
	return math.Min(2*math.Pi*s.e.Guide.Cycle/period/math.Max(gain, 0.05), 1)
}

// axes returns what the loop makes of both axes.
func (s *setting) axes(x *[params]float64, how special) (ra, dec axisState) {
	n, w, gear := math.Exp(x[pNoise]), math.Exp(x[pWind]), math.Exp(x[pGear])
	if how == stuck {
		quiet := axisState{real: 0, seen: n * n, lag1: 0, slow: n * n / 10}
		return quiet, quiet
	}
	gr, gd := math.Exp(x[pGain]), math.Exp(x[pGainDec])
	angle := math.Exp(x[pAngle]) * math.Pi / 180
	left := math.Exp(x[pWave]) * s.rejection(s.e.Guide.Axis[0].Period, gr)
	ra = loopOf(gr, n, math.Hypot(w, gear), left*left/2)
	play := math.Exp(x[pPlay])
	dec = loopOf(gd, n, w, play*play)
	// Turned by an angle, the loop is as near to running away as its eigenvalue
	// is to the unit circle: |1 - g e^(i angle)|.
	if angle > 0.2 {
		g := math.Sqrt(gr * gd)
		f := sq(1-g*math.Cos(angle)) + sq(g*math.Sin(angle))
		swell := math.Max((1-sq(1-g))/(1-math.Min(f, 0.985)), 1)
		noise := g * g * n * n / (1 - math.Min(f, 0.985))
		for _, a := range []*axisState{&ra, &dec} {
			a.real = a.real*swell + noise
			a.seen = a.real + n*n
			a.lag1 = (1-g*math.Cos(angle))*a.real - g*math.Cos(angle)*n*n
		}
	}
	if how == mirrored {
		dec.real, dec.seen, dec.lag1, dec.slow = 1e4, 1e4, 9.9e3, 9e3
	}
	k := math.Exp(x[pKnock])
	if k > 0.3 {
		// A knock is taken back within a few exposures, in a third of the subs.
		took := k * k / 2 * s.e.Guide.Cycle / math.Max(gr, 0.1) / math.Max(s.e.Exposure, 1) / 3
		ra.real, ra.seen, dec.real, dec.seen = ra.real+took, ra.seen+took, dec.real+took, dec.seen+took
	}
	return ra, dec
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
	focus := psf.Round(unit.Arcsec(disc / 4))
	fixed := psf.Gaussian(psf.Cov{}).Cov()
	fixed = fixed.Plus(psf.Airy(s.lambda, s.aperture, 0).Cov()).Plus(psf.Box(unit.Arcsec(e.Scale), 0).Cov())
	var track psf.Cov
	if s.guided {
		ra, dec := s.axes(x, how)
		track = psf.Cov{EastArcsec2: ra.real, NorthArcsec2: dec.real}
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
	m.driftE = x[pFlexE] + s.lift[0][0]*x[pGuideE] + s.lift[0][1]*x[pGuideN] - rad*x[pPivotN]*60
	m.driftN = x[pFlexN] + s.lift[1][0]*x[pGuideE] + s.lift[1][1]*x[pGuideN] + rad*x[pPivotE]*60
	if how == stuck {
		m.driftN += driftArcsecPerHr * x[pPoleS]
		m.driftE += driftArcsecPerHr * x[pPoleC]
	}
	trail := psf.Cov{EastArcsec2: sq(m.driftE*hours) / 12, NorthArcsec2: sq(m.driftN*hours) / 12, CrossArcsec2: m.driftE * m.driftN * hours * hours / 12}
	aber := math.Exp(x[pAber])
	m.cov = air.Plus(focus).Plus(fixed).Plus(track).Plus(trail).Plus(psf.Round(unit.Arcsec(aber)))
	swing := sq(m.turn*math.Pi/180*hours*e.Width) / 12
	m.around = swing
	m.growth = swing + x[pBlur]*(m.cov.EastArcsec2+m.cov.NorthArcsec2)
	m.spread = math.Hypot(0.25*(track.EastArcsec2+track.NorthArcsec2), 0.3*(trail.EastArcsec2+trail.NorthArcsec2))
	if s.guided {
		if k := math.Exp(x[pKnock]); k > 0.3 {
			took := k * k / 2 * e.Guide.Cycle / math.Max(math.Exp(x[pGain]), 0.1) / math.Max(e.Exposure, 1)
			m.spread = math.Hypot(m.spread, 0.5*took)
		}
	}
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
		p := psf.Star(psf.Air(width), psf.Airy(s.lambda, s.aperture, 0), psf.Box(unit.Arcsec(math.Max(s.e.Scale, 0)), 0),
			psf.Disc(0.2*width*unit.Arcsec(i), 0), psf.Gaussian(psf.Round(0.2*width*unit.Arcsec(j))))
		s.profile[k] = p.Tail
		return p.Tail
	}
	a, b := math.Min(disc/fwhm/0.2, 20), math.Min(sigma/fwhm/0.2, 10)
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
	air := site.Refraction()
	for k, d := range []sky.Shift{{East: -3600}, {North: -3600}} {
		const hour unit.Second = 3600
		m := sky.DifferentialRefraction(mid.Lat, p.HourAngle, p.Dec, d, hour, air)
		if math.IsNaN(float64(m.East + m.North)) {
			return
		}
		// The target moves against the guide star; where the field points drifts the
		// other way.
		s.lift[0][k], s.lift[1][k] = -float64(m.East), -float64(m.North)
	}
	s.lifted = true
}
