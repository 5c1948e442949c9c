package fitting

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/num"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// The verdicts on flexure.
const (
	Bends       = "bends"       // the telescopes move against each other
	Firm        = "firm"        // no movement beyond what the frames can tell
	FlexUnknown = "not certain" // the frames do not settle it
)

// FlexPair is what one pair of frames, or one frame beside a guide star that was
// held, says: where the guide telescope points, seen from the imaging telescope.
type FlexPair struct {
	Imaging   string      `json:"imaging"`
	Guide     string      `json:"guide"` // "" if a guide star was held
	Used      bool        `json:"used"`
	Why       string      `json:"why"` // it was not
	HourAngle unit.Hour   `json:"hour_angle_h"`
	Dec       unit.Deg    `json:"dec_deg"`
	Altitude  unit.Deg    `json:"altitude_deg"`
	Flipped   bool        `json:"flipped"`  // against the first
	X         unit.Arcsec `json:"x_arcsec"` // of the guide telescope, along the imaging camera's axes, from the mean of all
	Y         unit.Arcsec `json:"y_arcsec"`
	LeftX     unit.Arcsec `json:"left_x_arcsec"` // what the fit leaves
	LeftY     unit.Arcsec `json:"left_y_arcsec"`
}

// FlexDrift is how fast the telescopes move against each other on a target.
type FlexDrift struct {
	HourAngle     unit.Hour   `json:"hour_angle_h"`
	Altitude      unit.Deg    `json:"altitude_deg"`
	Flipped       bool        `json:"flipped"` // as the frames were there
	DriftArcsecHr float64     `json:"drift_arcsec_h"`
	DriftSigma    float64     `json:"drift_sigma_arcsec_h"`
	LongestRound  unit.Second `json:"longest_round_sub_s"`
	RoundAtWorst  unit.Second `json:"longest_round_sub_at_two_sigma_s"`
}

// FlexJoint is what pressing one joint did.
type FlexJoint struct {
	Joint       string      `json:"joint"`
	Moved       unit.Arcsec `json:"moved_arcsec"` // while it was pressed
	MovedSigma  unit.Arcsec `json:"moved_sigma_arcsec"`
	Stayed      unit.Arcsec `json:"stayed_arcsec"` // of that after it was let go; NaN without a frame from then
	StayedSigma unit.Arcsec `json:"stayed_sigma_arcsec"`
	Says        string      `json:"says"`
}

// Flex is how a guide telescope and an imaging telescope move against each other.
// Numbers that are not known are NaN.
type Flex struct {
	Verdict string `json:"verdict"`
	Why     string `json:"why"`
	Way     string `json:"way"` // pairs, run or pressed

	Lateral      float64     `json:"compliance_lateral_arcsec_g"` // per g across the tube, the guide telescope sinking more for positive
	LateralSigma float64     `json:"compliance_lateral_sigma_arcsec_g"`
	Axial        float64     `json:"compliance_axial_arcsec_g"` // per g along the tube, its size
	AxialSigma   float64     `json:"compliance_axial_sigma_arcsec_g"`
	Creep        float64     `json:"creep_arcsec_h"` // that gravity does not explain: slip, heat
	CreepSigma   float64     `json:"creep_sigma_arcsec_h"`
	Uneven       *FlexMatrix `json:"compliance_matrix"` // nil if one number serves all directions

	Drift      float64     `json:"drift_arcsec_h"` // as measured through frames of one field; NaN of others
	DriftSigma float64     `json:"drift_sigma_arcsec_h"`
	DriftAngle unit.Deg    `json:"drift_pa_deg"` // position angle in which stars move on the imaging camera
	Turn       float64     `json:"field_turn_arcmin_h"`
	RMS        unit.Arcsec `json:"rms_left_arcsec"` // of the fit, along one axis
	FWHM       unit.Arcsec `json:"fwhm_arcsec"`     // of the imaging stars, for the length of a sub

	Target  string      `json:"target"`
	OnIt    []FlexDrift `json:"on_target"`
	Longest unit.Second `json:"longest_round_sub_s"` // on the target at its worst hour; NaN not known
	Sub     unit.Second `json:"sub_s"`               // that is planned; NaN without a plan
	Matters *bool       `json:"matters"`             // whether such a sub is drawn; nil where that is not known

	Pairs  []FlexPair  `json:"pairs"`
	Joints []FlexJoint `json:"joints"`

	Learned []FlexEntry `json:"learned"` // entries of the rig file, to adopt
}

// FlexMatrix is a compliance that differs between directions, along the imaging
// camera's axes.
type FlexMatrix struct {
	XX float64 `json:"xx_arcsec_g"`
	XY float64 `json:"xy_arcsec_g"` // the movement along x of one g along y
	YX float64 `json:"yx_arcsec_g"`
	YY float64 `json:"yy_arcsec_g"`
}

// FlexOptions is what is known beside the frames.
type FlexOptions struct {
	Target      string        // a name for it
	At          sky.Direction // of the target; the field of the last frame if Target is ""
	Ellipticity float64       // up to which a star is round; 0 means 0.10
	FWHM        unit.Arcsec   // of the imaging stars; 0 or NaN takes that of the frames
	Sub         unit.Second   // that is planned; 0 none
	AltAzimuth  bool          // the mount has no polar axis
}

// roundTo is the ellipticity up to which a star is round: common practice.
const roundTo = 0.10

// flexSample is a pair as the fit sees it.
type flexSample struct {
	at      attitude // of the imaging camera
	t       float64  // hours since the first
	o       [2]float64
	g       vec // gravity along the camera's axes, g
	sigma   float64
	pair    int
	h       unit.Hour
	d       unit.Deg
	tangent [2][2]float64 // x and y of the camera on east and north
}

// FindFlex returns how the telescopes move against each other from pairs of solved
// frames, the second of each from the guide telescope. Pairs over the sky tell
// what gravity does: across the tube, along it, and what it does not explain. Two
// sides of the mount tell these apart; from one side the answer is as uncertain as
// it then is. Frames of a pair need not be of one time if the mount held its
// guide star between. Refraction is computed, never fitted, and a field that turns
// moves nothing here: the guide telescope is looked at in the imaging camera's own
// axes.
//
// Source: small bending is proportional to the load (Timoshenko 1955, Strength of
// materials); least squares with weak priors, derived in docs/flex.md.
func FindFlex(site sky.Site, imaging, guide []SolvedFrame, opt FlexOptions) (*Flex, error) {
	if len(imaging) != len(guide) {
		panic("fitting: FindFlex: pairs of unequal length")
	}
	f := newFlex("pairs")
	var s []flexSample
	for i := range imaging {
		m, g := &imaging[i], &guide[i]
		o := site.At(m.Time)
		aim := seenAt(o, g.WCS.Sky((g.Width-1)/2, (g.Height-1)/2))
		a, _ := m.doubt()
		b, _ := g.doubt()
		s = f.add(s, site, m, g.File, o, aim, math.Hypot(float64(a), float64(b)), imaging[0].Time)
	}
	return f, f.fit(site, imaging, s, opt)
}

// FindFlexHeld returns the same from frames of the imaging camera alone, taken
// while the guide telescope held a star at a place of the sky.
func FindFlexHeld(site sky.Site, imaging []SolvedFrame, star sky.Direction, opt FlexOptions) (*Flex, error) {
	f := newFlex("run")
	var s []flexSample
	for i := range imaging {
		m := &imaging[i]
		o := site.At(m.Time)
		a, turn := m.doubt()
		aim := seenAt(o, star)
		at, _ := attitudeOf(o, m.WCS, m.Width, m.Height)
		// How the camera is turned counts by the star's distance.
		arm := float64(turn) * float64(at.sight().apart(aim).Arcsec())
		s = f.add(s, site, m, "", o, aim, math.Hypot(float64(a), arm), imaging[0].Time)
	}
	return f, f.fit(site, imaging, s, opt)
}

// newFlex returns an answer in which nothing is known.
func newFlex(way string) *Flex {
	nan := math.NaN()
	return &Flex{Way: way, Verdict: FlexUnknown, Lateral: nan, LateralSigma: nan, Axial: nan, AxialSigma: nan, Creep: nan, CreepSigma: nan, Drift: nan, DriftSigma: nan,
		DriftAngle: unit.Deg(nan), Turn: nan, RMS: unit.Arcsec(nan), FWHM: unit.Arcsec(nan), Longest: unit.Second(nan), Sub: unit.Second(nan)}
}

// add takes one frame and the direction in which the guide telescope looks.
func (f *Flex) add(s []flexSample, site sky.Site, m *SolvedFrame, guide string, o *sky.Observer, aim vec, sigma float64, first sky.Instant) []flexSample {
	nan := unit.Arcsec(math.NaN())
	p := FlexPair{Imaging: m.File, Guide: guide, X: nan, Y: nan, LeftX: nan, LeftY: nan}
	at, _ := attitudeOf(o, m.WCS, m.Width, m.Height)
	place := o.Observed(m.WCS.Sky((m.Width-1)/2, (m.Height-1)/2))
	p.HourAngle, p.Dec, p.Altitude = place.HourAngle, place.Dec, place.Alt
	k := flexSample{at: at, t: float64(m.Time.Sub(first)) / 3600, g: at.in(zenith(site.Lat).times(-1)), sigma: sigma, pair: len(f.Pairs), h: place.HourAngle, d: place.Dec}
	c := at.in(aim)
	switch {
	case math.IsNaN(c.length()) || math.IsNaN(k.g.length()):
		p.Why = "its time or its solution lies outside what can be computed (1900 to 2100)"
	case !(c[2] > 0.5):
		p.Why = fmt.Sprintf("the two telescopes point %.0f degrees apart: are these frames of one pair?", math.Acos(max(-1, min(1, c[2])))*180/math.Pi)
	case place.Alt < 5:
		p.Why = fmt.Sprintf("it stands %.0f degrees up: want 5 or more (are time and site right?)", float64(place.Alt))
	default:
		p.Used = true
		k.o = [2]float64{c[0] / c[2] * unit.ArcsecPerRad, c[1] / c[2] * unit.ArcsecPerRad}
		north := vec{0, 0, 1}.minus(at.sight().times(at.sight()[2])).normal()
		east := at.sight().cross(vec{0, 0, 1}).normal()
		k.tangent = [2][2]float64{{at[0].dot(east), at[0].dot(north)}, {at[1].dot(east), at[1].dot(north)}}
		s = append(s, k)
	}
	f.Pairs = append(f.Pairs, p)
	return s
}

// What is taken to be likely before any frame is seen, as standard deviations. They
// are wide: they only keep what the frames do not tell from running away. Common
// practice, no source.
const (
	likelyCompliance = 200.0 // arcsec per g
	likelyCreep      = 10.0  // arcsec an hour
)

// The parameters of the fit. After them, where one number does not serve all
// directions, the three that a compliance has besides.
const (
	offX = iota
	offY
	across
	alongX
	alongY
	creepX
	creepY
	flexParams
)

// columns returns how the offset along x and y answers to the parameters.
func (k *flexSample) columns(m int, t float64) (x, y []float64) {
	return flexColumns(m, k.g, t)
}

// flexColumns returns the same for any gravity (or its rate) and time (or one).
func flexColumns(m int, g vec, t float64) (x, y []float64) {
	x, y = make([]float64, m), make([]float64, m)
	x[offX], y[offY] = 1, 1
	x[across], y[across] = g[0], g[1]
	x[alongX], y[alongY] = g[2], g[2]
	x[creepX], y[creepY] = t, t
	if m > flexParams {
		x[flexParams], y[flexParams] = g[0], -g[1]
		x[flexParams+1], y[flexParams+1] = g[1], g[0]
		x[flexParams+2], y[flexParams+2] = -g[1], g[0]
	}
	return x, y
}

// flexFit is the outcome of one fit.
type flexFit struct {
	m         int
	p, cov    []float64
	chi, free float64
	left      [][2]float64
	mid       float64 // of the time, hours
}

// fitFlex fits m parameters.
func fitFlex(s []flexSample, m int) (flexFit, bool) {
	f := flexFit{m: m, cov: make([]float64, m*m), p: make([]float64, m)}
	for i := range s {
		f.mid += s[i].t / float64(len(s))
	}
	prior := make([]float64, m)
	for j := range m {
		switch j {
		case offX, offY:
			prior[j] = 0 // nothing is known
		case creepX, creepY:
			prior[j] = 1 / (likelyCreep * likelyCreep)
		default:
			prior[j] = 1 / (likelyCompliance * likelyCompliance)
		}
		f.cov[j*m+j] = prior[j]
	}
	// Offsets are degrees from zero; the mean is taken out for the arithmetic.
	var mean [2]float64
	for i := range s {
		for k := range 2 {
			mean[k] += s[i].o[k] / float64(len(s))
		}
	}
	rhs := make([]float64, m)
	for i := range s {
		w := 1 / (s[i].sigma * s[i].sigma)
		x, y := s[i].columns(m, s[i].t-f.mid)
		for a := range m {
			rhs[a] += w * (x[a]*(s[i].o[0]-mean[0]) + y[a]*(s[i].o[1]-mean[1]))
			for b := range m {
				f.cov[a*m+b] += w * (x[a]*x[b] + y[a]*y[b])
			}
		}
	}
	if !num.InvertPositive(f.cov, m) {
		return f, false
	}
	for a := range m {
		for b := range m {
			f.p[a] += f.cov[a*m+b] * rhs[b]
		}
	}
	f.free = 2*float64(len(s)) - 2
	for j := across; j < m; j++ {
		f.free -= 1 - f.cov[j*m+j]*prior[j] // how much of it the frames told
	}
	for i := range s {
		x, y := s[i].columns(m, s[i].t-f.mid)
		left := [2]float64{s[i].o[0] - mean[0], s[i].o[1] - mean[1]}
		for a := range m {
			left[0] -= x[a] * f.p[a]
			left[1] -= y[a] * f.p[a]
		}
		f.left = append(f.left, left)
		f.chi += (left[0]*left[0] + left[1]*left[1]) / (s[i].sigma * s[i].sigma)
	}
	if f.free > 1 {
		widen := max(1, f.chi/f.free)
		for i := range f.cov {
			f.cov[i] *= widen
		}
	}
	return f, true
}

// sigma returns the standard error of a parameter.
func (f *flexFit) sigma(j int) float64 { return math.Sqrt(f.cov[j*f.m+j]) }

// size returns the length of a pair of parameters and its standard error, the
// bias that noise gives a length taken out.
func (f *flexFit) size(j int) (v, se float64) {
	x, y := f.p[j], f.p[j+1]
	cxx, cxy, cyy := f.cov[j*f.m+j], f.cov[j*f.m+j+1], f.cov[(j+1)*f.m+j+1]
	r := math.Hypot(x, y)
	if r*r < cxx+cyy {
		return math.Sqrt(max(r*r-(cxx+cyy)/2, 0)), math.Sqrt((cxx + cyy) / 2)
	}
	return r, math.Sqrt(x*x*cxx+2*x*y*cxy+y*y*cyy) / r
}

// fit fills the answer.
func (f *Flex) fit(site sky.Site, frames []SolvedFrame, s []flexSample, opt FlexOptions) error {
	if len(s) < 2 {
		why := ""
		for _, p := range f.Pairs {
			if p.Why != "" {
				why = ": " + p.Imaging + ": " + p.Why
				break
			}
		}
		return fmt.Errorf("fitting: %d pairs tell how the telescopes point against each other; want two or more, an hour apart or at different places of the sky%s", len(s), why)
	}
	fit, ok := fitFlex(s, flexParams)
	if !ok {
		return fmt.Errorf("fitting: the offsets of %d pairs cannot be fitted: are there two frames of one moment only?", len(s))
	}
	// Where one compliance for all directions does not fit, it has four numbers.
	if fit.free > 4 && fit.chi > 2*fit.free+10 {
		if u, ok := fitFlex(s, flexParams+3); ok && u.chi < fit.chi/2 {
			fit = u
			c, p := u.p[across], u.p[flexParams:]
			f.Uneven = &FlexMatrix{XX: c + p[0], XY: p[1] - p[2], YX: p[1] + p[2], YY: c - p[0]}
		}
	}
	var mean [2]float64
	for i := range s {
		mean[0] += s[i].o[0] / float64(len(s))
		mean[1] += s[i].o[1] / float64(len(s))
	}
	sum := 0.0
	for i := range s {
		p := &f.Pairs[s[i].pair]
		p.X, p.Y = unit.Arcsec(s[i].o[0]-mean[0]), unit.Arcsec(s[i].o[1]-mean[1])
		p.LeftX, p.LeftY = unit.Arcsec(fit.left[i][0]), unit.Arcsec(fit.left[i][1])
		p.Flipped = s[i].tangent[0][0]*s[0].tangent[0][0]+s[i].tangent[0][1]*s[0].tangent[0][1] < 0
		sum += fit.left[i][0]*fit.left[i][0] + fit.left[i][1]*fit.left[i][1]
	}
	f.RMS = unit.Arcsec(math.Sqrt(sum / float64(2*len(s))))
	told := func(v, se, likely float64) (float64, float64) {
		if !(se < likely/4) {
			return math.NaN(), math.NaN() // the frames said nothing of it
		}
		return v, se
	}
	f.Lateral, f.LateralSigma = told(fit.p[across], fit.sigma(across), likelyCompliance)
	v, se := fit.size(alongX)
	f.Axial, f.AxialSigma = told(v, se, likelyCompliance)
	v, se = fit.size(creepX)
	f.Creep, f.CreepSigma = told(v, se, likelyCreep)
	f.FWHM = opt.FWHM
	if !(f.FWHM > 0) {
		f.FWHM = unit.Arcsec(math.NaN())
		var w []float64
		for _, m := range frames {
			if m.FWHM > 0 {
				w = append(w, float64(m.FWHM))
			}
		}
		if len(w) > 0 {
			slices.Sort(w)
			f.FWHM = unit.Arcsec(w[len(w)/2])
		}
	}
	f.measured(s)
	f.onTarget(site, frames, s, &fit, opt)
	f.say()
	if stated := s[0].sigma; f.Way == "run" && float64(f.RMS) > 4*stated && f.RMS > 1 {
		f.Why += fmt.Sprintf("; the frames scatter by %.1f arcsec about the fit, as dithered ones do: take the run without dithering, or give the guide frames", float64(f.RMS))
	}
	f.learn()
	return nil
}

// measured fills the drift through frames of one field, those of the side of the
// mount that has more of them.
func (f *Flex) measured(s []flexSample) {
	var sides [2][]flexSample
	for i := range s {
		// The same right ascension: hour angle and time go together.
		gone := math.Remainder(float64(s[i].h-s[0].h)-1.0027379*(s[i].t-s[0].t), 24)
		if math.Abs(float64(s[i].d-s[0].d)) > 3 || math.Abs(gone) > 0.2 {
			return
		}
		side := 0
		if f.Pairs[s[i].pair].Flipped {
			side = 1
		}
		sides[side] = append(sides[side], s[i])
	}
	if s = sides[0]; len(sides[1]) > len(s) {
		s = sides[1]
	}
	if len(s) < 2 {
		return
	}
	var mt float64
	for i := range s {
		mt += s[i].t / float64(len(s))
	}
	var tt float64
	var r, m [2]float64
	for i := range s {
		d := s[i].t - mt
		tt += d * d
		for k := range 2 {
			r[k] += d * s[i].o[k]
			m[k] += s[i].o[k] / float64(len(s))
		}
	}
	if !(tt > 0) {
		return
	}
	r[0], r[1] = r[0]/tt, r[1]/tt
	left, sigma := 0.0, 0.0
	for i := range s {
		sigma += s[i].sigma * s[i].sigma / float64(len(s))
		for k := range 2 {
			v := s[i].o[k] - m[k] - r[k]*(s[i].t-mt)
			left += v * v
		}
	}
	if n := 2*len(s) - 4; n > 0 {
		sigma = max(sigma, left/float64(n))
	}
	f.Drift, f.DriftSigma = math.Hypot(r[0], r[1]), math.Sqrt(sigma/tt)
	// On the sky, as the camera sat in the middle.
	t := s[len(s)/2].tangent
	e, n := r[0]*t[0][0]+r[1]*t[1][0], r[0]*t[0][1]+r[1]*t[1][1]
	f.DriftAngle = unit.Deg(math.Mod(math.Atan2(e, n)*180/math.Pi+360, 360))
	a, b := &s[0], &s[len(s)-1]
	if h := b.t - a.t; h > 0 {
		// The camera's angle to the hour circle on the sky.
		angle := func(k *flexSample) float64 { return math.Atan2(k.tangent[1][0], k.tangent[1][1]) }
		f.Turn = math.Remainder(angle(b)-angle(a), 2*math.Pi) * 180 / math.Pi * 60 / h
	}
}

// lowestUp is the altitude from which a target is looked at.
const lowestUp unit.Deg = 25

// onTarget fills the drift on a target at hours through its night.
func (f *Flex) onTarget(site sky.Site, frames []SolvedFrame, s []flexSample, fit *flexFit, opt FlexOptions) {
	last := &s[len(s)-1]
	d := last.d
	f.Target = "this field"
	hours := []unit.Hour{-5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5}
	if opt.Target != "" {
		f.Target = opt.Target
		d = site.At(frames[0].Time).Observed(opt.At).Dec
	} else {
		hours = append(hours, last.h)
		slices.Sort(hours)
	}
	limit := opt.Ellipticity
	if !(limit > 0 && limit < 1) {
		limit = roundTo
	}
	f.Longest = unit.Second(math.Inf(1))
	for _, h := range hours {
		alt, _ := sky.AltAz(site.Lat, h, d)
		if alt < lowestUp {
			continue
		}
		k := nearest(s, h)
		rate := k.gravityRate(site.Lat, h, d, opt.AltAzimuth)
		x, y := flexColumns(fit.m, rate, 1)
		x[offX], y[offY] = 0, 0
		var v [2]float64
		var c [3]float64
		for a := range fit.m {
			v[0] += x[a] * fit.p[a]
			v[1] += y[a] * fit.p[a]
			for b := range fit.m {
				q := fit.cov[a*fit.m+b]
				c[0] += x[a] * q * x[b]
				c[1] += x[a] * q * y[b]
				c[2] += y[a] * q * y[b]
			}
		}
		o := FlexDrift{HourAngle: h, Altitude: alt, Flipped: f.Pairs[k.pair].Flipped, DriftArcsecHr: math.Hypot(v[0], v[1])}
		if o.DriftArcsecHr > 0 {
			o.DriftSigma = math.Sqrt(max(v[0]*v[0]*c[0]+2*v[0]*v[1]*c[1]+v[1]*v[1]*c[2], 0)) / o.DriftArcsecHr
		}
		if o.DriftArcsecHr < o.DriftSigma {
			o.DriftSigma = math.Sqrt((c[0] + c[2]) / 2)
		}
		o.LongestRound = roundFor(f.FWHM, o.DriftArcsecHr, limit)
		o.RoundAtWorst = roundFor(f.FWHM, o.DriftArcsecHr+2*o.DriftSigma, limit)
		if o.LongestRound < f.Longest || math.IsNaN(float64(o.LongestRound)) {
			f.Longest = o.LongestRound
		}
		f.OnIt = append(f.OnIt, o)
	}
	if len(f.OnIt) == 0 {
		f.Longest = unit.Second(math.NaN())
	}
	if opt.Sub > 0 {
		f.Sub = opt.Sub
	}
}

// nearest returns the sample taken nearest to an hour angle.
func nearest(s []flexSample, h unit.Hour) *flexSample {
	best := &s[0]
	for i := range s {
		if math.Abs(float64(s[i].h-h)) < math.Abs(float64(best.h-h)) {
			best = &s[i]
		}
	}
	return best
}

// gravityRate returns how fast gravity changes along the camera's axes on a target,
// g an hour, the camera sitting as in this sample: by its angle to the hour circle,
// or to the vertical on a mount without a polar axis.
func (k *flexSample) gravityRate(lat unit.Deg, h unit.Hour, d unit.Deg, altAz bool) vec {
	if !altAz {
		r := sky.GravityRate(lat, h, d)
		t := k.tangent
		return vec{t[0][0]*r.EastPerHour + t[0][1]*r.NorthPerHour, t[1][0]*r.EastPerHour + t[1][1]*r.NorthPerHour, r.AxisPerHour}
	}
	// Across the tube there is cos(altitude) along one direction of the camera.
	along := -sky.GravityRate(lat, h, d).AxisPerHour // of sin(altitude)
	alt, _ := sky.AltAz(lat, h, d)
	down := math.Hypot(k.g[0], k.g[1])
	if !(down > 0) {
		return vec{0, 0, -along}
	}
	side := -along * math.Tan(float64(alt.Rad())) // of cos(altitude)
	return vec{k.g[0] / down * side, k.g[1] / down * side, -along}
}

// roundFor returns how long a sub may be for a star of a width to keep within an
// ellipticity under an even drift; infinite without drift.
//
// Source: an even trail of length L has the variance L^2/12, added to that of a
// Gaussian star along one axis: L = FWHM sqrt(12/(8 ln 2)) sqrt(1/(1-e)^2 - 1).
func roundFor(fwhm unit.Arcsec, driftArcsecHr, ellipticity float64) unit.Second {
	trail := float64(fwhm) * math.Sqrt(12/(8*math.Ln2)) * math.Sqrt(1/((1-ellipticity)*(1-ellipticity))-1)
	return unit.Second(trail / driftArcsecHr * 3600)
}

// say fills verdict and sentence.
func (f *Flex) say() {
	worst := FlexDrift{DriftArcsecHr: math.NaN()}
	for _, o := range f.OnIt {
		if !(o.DriftArcsecHr <= worst.DriftArcsecHr) {
			worst = o
		}
	}
	v, se, where := f.Drift, f.DriftSigma, "on this field"
	if math.IsNaN(v) {
		v, se, where = worst.DriftArcsecHr, worst.DriftSigma, fmt.Sprintf("on %s at hour angle %+.0f h", f.Target, float64(worst.HourAngle))
	}
	switch {
	case math.IsNaN(v):
		f.Why = "the frames do not tell how the telescopes move against each other: want pairs at three or more places of the sky, some of them after a flip"
		return
	case v > 3*se:
		f.Verdict = Bends
		f.Why = fmt.Sprintf("the telescopes move against each other by %s arcsec an hour %s", PlusMinus(v, se), where)
	case v+2*se < flexFirm:
		f.Verdict = Firm
		f.Why = fmt.Sprintf("the telescopes hold together: they move by no more than %s arcsec an hour %s", short(v+2*se), where)
	default:
		f.Why = fmt.Sprintf("the frames do not settle it: the telescopes move by no more than %s arcsec an hour %s", short(v+2*se), where)
	}
	long := float64(f.Longest)
	if f.Sub > 0 && f.Verdict != FlexUnknown && !math.IsNaN(long) {
		m := f.Sub > f.Longest
		f.Matters = &m
	}
	switch {
	case f.Matters != nil && *f.Matters:
		f.Why += fmt.Sprintf("; that draws the %s subs that are planned: they stay round for %s (%s at its worst hour)", f.Sub.Say(), f.Longest.Say(), f.Target)
	case f.Matters != nil:
		f.Why += fmt.Sprintf("; the %s subs that are planned stay round", f.Sub.Say())
	case long > 0 && !math.IsInf(long, 0) && f.Verdict == Bends:
		f.Why += fmt.Sprintf("; subs of this camera stay round for up to %s (%s at its worst hour)", f.Longest.Say(), f.Target)
	}
}

// flexFirm is the drift under which telescopes count as held together, arcsec an
// hour: rings on a plate do as well. Common practice, no source.
const flexFirm = 2.0

// Press is what frames say of one joint that was pressed: where the field lay
// before, while it was pressed, and after.
type Press struct {
	Joint         string
	During, After unit.Est[unit.Arcsec] // movement since before; After NaN without a frame
}

// FindFlexPressed ranks joints by how far the telescopes moved when each was
// pressed, and says which did not spring back.
func FindFlexPressed(presses []Press) (*Flex, error) {
	f := newFlex("pressed")
	if len(presses) == 0 {
		return nil, fmt.Errorf("fitting: no joint was pressed: want NAME=before,during,after for one or more")
	}
	for _, p := range presses {
		j := FlexJoint{Joint: p.Joint, Moved: p.During.V, MovedSigma: p.During.SE, Stayed: p.After.V, StayedSigma: p.After.SE}
		moved := float64(j.Moved) > 3*float64(j.MovedSigma)
		switch {
		case !moved:
			j.Says = fmt.Sprintf("firm: less than %s arcsec", short(float64(j.Moved)+2*float64(j.MovedSigma)))
		case math.IsNaN(float64(j.Stayed)):
			j.Says = "gives; whether it springs back was not looked at"
		case float64(j.Stayed) > 3*float64(j.StayedSigma):
			j.Says = fmt.Sprintf("gives and stays: it slips by %s arcsec", PlusMinus(float64(j.Stayed), float64(j.StayedSigma)))
		default:
			j.Says = "gives and springs back"
		}
		f.Joints = append(f.Joints, j)
	}
	slices.SortStableFunc(f.Joints, func(a, b FlexJoint) int { return cmp.Compare(b.Moved, a.Moved) })
	first := f.Joints[0]
	if !(float64(first.Moved) > 3*float64(first.MovedSigma)) {
		f.Verdict = Firm
		f.Why = fmt.Sprintf("no joint gave: the one that moved most, %s, moved by %s arcsec", first.Joint, PlusMinus(float64(first.Moved), float64(first.MovedSigma)))
		return f, nil
	}
	f.Verdict = Bends
	f.Why = fmt.Sprintf("mend %s first: pressed, it moved the telescopes by %s arcsec", first.Joint, PlusMinus(float64(first.Moved), float64(first.MovedSigma)))
	if len(f.Joints) > 1 {
		f.Why += fmt.Sprintf(", the next, %s, by %s", f.Joints[1].Joint, PlusMinus(float64(f.Joints[1].Moved), float64(f.Joints[1].MovedSigma)))
	}
	if float64(first.Stayed) > 3*float64(first.StayedSigma) {
		f.Why += "; it did not spring back, so something there slips"
	}
	return f, nil
}

// FlexEntry is an entry of the rig file that the frames taught.
type FlexEntry struct {
	Entry string `json:"entry"`
	Value string `json:"value"`
}

// learn fills what a rig file would say of the flexure found, where it is known
// well enough to be adopted.
func (f *Flex) learn() {
	if !(math.Abs(f.Lateral) > 2*f.LateralSigma) {
		return
	}
	f.Learned = append(f.Learned, FlexEntry{"flexure.compliance", unit.Format(math.Abs(f.Lateral), f.LateralSigma, unit.Compliance, "arcsec/g")})
	if f.Axial == f.Axial {
		f.Learned = append(f.Learned, FlexEntry{"flexure.axial", unit.Format(f.Axial, f.AxialSigma, unit.Compliance, "arcsec/g")})
	}
}
