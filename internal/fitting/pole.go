package fitting

import (
	"fmt"
	"math"
	"slices"

	"holdfast/internal/num"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// The verdicts on a polar axis.
const (
	Aligned    = "aligned"     // as well as the plan asks, or within what was measured
	Misaligned = "misaligned"  // worse than the plan asks
	Measured   = "measured"    // and there is no plan that says how well it must point
	PoleUnsure = "not certain" // the frames do not settle it
)

// Axis is what one way of looking at the frames says of the polar axis. Numbers
// that are not known are NaN.
type Axis struct {
	OffPole       unit.Arcmin `json:"off_pole_arcmin"` // from the celestial pole
	OffPoleSigma  unit.Arcmin `json:"off_pole_sigma_arcmin"`
	Altitude      unit.Arcmin `json:"altitude_arcmin"` // positive too high
	AltitudeSigma unit.Arcmin `json:"altitude_sigma_arcmin"`
	Azimuth       unit.Arcmin `json:"azimuth_arcmin"` // of the bearing, positive east of the pole
	AzimuthSigma  unit.Arcmin `json:"azimuth_sigma_arcmin"`
	AzimuthSky    unit.Arcmin `json:"azimuth_on_sky_arcmin"` // the same as it shows on the sky
	SkySigma      unit.Arcmin `json:"azimuth_on_sky_sigma_arcmin"`

	axis vec
	cov  [2][2]float64 // of altitude and of azimuth on the sky, arcmin^2
}

// Knob is one movement of the mount's base.
type Knob struct {
	Knob      string      `json:"knob"`      // altitude or azimuth
	Direction string      `json:"direction"` // raise, lower, east or west: where the axis must go
	Amount    unit.Arcmin `json:"arcmin"`    // of the knob: on the bearing for azimuth
	OnSky     unit.Arcmin `json:"on_sky_arcmin"`
	Turns     float64     `json:"turns"` // NaN if the knob's pitch is not known
	Do        string      `json:"do"`
}

// PoleFrame is one frame as it entered the fit.
type PoleFrame struct {
	File      string      `json:"file"`
	Used      bool        `json:"used"`
	Why       string      `json:"why"` // it was not
	HourAngle unit.Hour   `json:"hour_angle_h"`
	Dec       unit.Deg    `json:"dec_deg"` // of date, as seen
	Altitude  unit.Deg    `json:"altitude_deg"`
	North     unit.Arcsec `json:"left_north_arcsec"` // what the fit leaves of the centre, along the hour circle
	Turn      unit.Arcmin `json:"left_turn_arcmin"`  // what it leaves of the field's turn
}

// Pole is what frames say of the polar axis of a mount. Numbers that are not
// known are NaN.
type Pole struct {
	Verdict string `json:"verdict"`
	Why     string `json:"why"`
	Way     string `json:"way"` // turned: the axis was turned between; tracking: one field was followed; drift: by figures
	Axis
	AxisAltitude unit.Deg    `json:"axis_altitude_deg"`         // of its end above the horizon
	AxisAzimuth  unit.Deg    `json:"axis_azimuth_deg"`          // north through east
	Refracted    unit.Arcmin `json:"refracted_pole_arcmin"`     // how far above the pole refraction shows it
	OffRefracted unit.Arcmin `json:"off_refracted_pole_arcmin"` // of the axis from there
	DecDrift     float64     `json:"dec_drift_arcsec_min"`      // the fastest that this error makes a star drift

	ByCentre    *Axis       `json:"by_centre"`   // from where the frames point alone; nil if they do not tell
	ByTurn      *Axis       `json:"by_rotation"` // from how the field turns alone
	Agree       *bool       `json:"agree"`       // whether the two do, within three standard errors; nil not told
	Span        unit.Deg    `json:"span_deg"`    // by which the axis turned
	RMSNorth    unit.Arcsec `json:"rms_north_arcsec"`
	RMSTurn     unit.Arcmin `json:"rms_turn_arcmin"`
	FlexurePull float64     `json:"axis_lower_arcmin_per_arcsec_g"` // by which a sag of the telescope makes the axis seem lower

	Knobs   []Knob      `json:"knobs"`
	Shift   PoleShift   `json:"field_shift"`
	Limit   unit.Arcmin `json:"limit_arcmin"` // the strictest of the plan's; NaN without one
	LimitOf string      `json:"limit_why"`
	Matters *bool       `json:"matters"` // nil where that is not known
	Frames  []PoleFrame `json:"frames"`

	held bool
	dec  unit.Deg // of the frames; NaN of drifts
}

// PoleShift is how the field of the last frame moves while the knobs are turned,
// the sign that they were turned the right way.
type PoleShift struct {
	East  unit.Arcmin `json:"east_arcmin"`
	North unit.Arcmin `json:"north_arcmin"`
	RA    unit.Deg    `json:"ra_deg"` // where the middle of the frame then points, had it been taken at the same moment
	Dec   unit.Deg    `json:"dec_deg"`
}

// PoleOptions is what is known beside the frames.
type PoleOptions struct {
	Held       bool        // the star was held in declination between the frames: only the turn of the field tells
	Limit      unit.Arcmin // of the plan; NaN none
	LimitOf    string
	PerTurnAlt unit.Arcmin // by which a turn of the altitude knob moves the axis; 0 not known
	PerTurnAz  unit.Arcmin // the same of the azimuth knob, on the bearing
}

// leastPoleFrames is how many solved frames say where the axis is: two do where
// the turn of the field is good enough, and nothing checks them then.
const leastPoleFrames = 2

// poleSample is a frame as the fit sees it.
type poleSample struct {
	at          attitude
	o           *sky.Observer
	sight, turn float64 // standard errors, radians
	frame       int     // of the list given
}

// FindPole returns the axis about which a mount turned between solved frames:
// taken at several hour angles with the same declination setting, or of one field
// while it was followed. The camera sits on the axis as one rigid body, so that
// every frame's attitude, as the stars are seen through the air, is the first
// one's turned about the axis by an angle of its own; frames of the other side of
// the mount have a first one of their own. Where the telescope points
// and how its camera is turned are both used, weighted by their errors.
//
// The error is that of frames that cannot tell: fewer than two, of different
// cameras, or hardly turned. Against simulated mounts it is within its stated
// errors; three frames over 60 degrees give 0.2 arcmin. A telescope that sags by c
// arcsec per g towards the ground, the same in all directions, looks the same as an
// axis that is lower by c sin(dec) cos(lat): no frames at one declination tell one
// from the other, and FlexurePull says how much it would be.
//
// Source: least squares on the rotations, derived in docs/pole.md.
func FindPole(site sky.Site, frames []SolvedFrame, opt PoleOptions) (*Pole, error) {
	p := newPole(opt)
	var used []poleSample
	mirrored, first := false, ""
	for _, f := range frames {
		k := PoleFrame{File: f.File, HourAngle: unit.Hour(math.NaN()), Dec: unit.Deg(math.NaN()), Altitude: unit.Deg(math.NaN()), North: unit.Arcsec(math.NaN()), Turn: unit.Arcmin(math.NaN())}
		o := site.At(f.Time)
		a, m := attitudeOf(o, f.WCS, f.Width, f.Height)
		place := o.Observed(f.WCS.Sky((f.Width-1)/2, (f.Height-1)/2))
		k.HourAngle, k.Dec, k.Altitude = place.HourAngle, place.Dec, place.Alt
		switch {
		case math.IsNaN(a.sight().length()):
			k.Why = "its time or its solution lies outside what can be computed (1900 to 2100)"
		case place.Alt < 5:
			k.Why = fmt.Sprintf("it stands %.0f degrees up: want 5 or more, lower the air bends too much to compute (are time and site right?)", float64(place.Alt))
		case first != "" && m != mirrored:
			return nil, fmt.Errorf("fitting: %s is mirrored against %s: want frames of one camera, written the same way", f.File, first)
		default:
			sight, turn := f.doubt()
			used = append(used, poleSample{at: a, o: o, sight: float64(sight.Rad()), turn: float64(turn), frame: len(p.Frames)})
			k.Used, p.dec = true, place.Dec
			if first == "" {
				first, mirrored = f.File, m
			}
		}
		p.Frames = append(p.Frames, k)
	}
	if len(used) < leastPoleFrames {
		why := ""
		for _, k := range p.Frames {
			if k.Why != "" {
				why = ": " + k.File + ": " + k.Why
				break
			}
		}
		return nil, fmt.Errorf("fitting: %d frames tell where they point and when; at least %d are needed, three or more are checked against each other%s", len(used), leastPoleFrames, why)
	}
	f := poleFit{samples: used}
	if err := p.fit(&f, site); err != nil {
		return nil, err
	}
	p.Way = "turned"
	if followed(frames) {
		p.Way = "tracking"
	}
	p.describe(site, opt)
	last := used[len(used)-1]
	l := &frames[last.frame]
	p.shift(site.Lat, l.WCS.Sky((l.Width-1)/2, (l.Height-1)/2), last.at.sight())
	return p, nil
}

// followed reports whether all frames show about one field.
func followed(frames []SolvedFrame) bool {
	middle := func(f SolvedFrame) sky.Direction { return f.WCS.Sky((f.Width-1)/2, (f.Height-1)/2) }
	for _, f := range frames {
		side := f.WCS.Scale().Arcsec(max(f.Width, f.Height)).Deg()
		if sky.Separation(middle(f), middle(frames[0])) > max(side, 3) {
			return false
		}
	}
	return true
}

// newPole returns an answer in which nothing is known.
func newPole(opt PoleOptions) *Pole {
	nan := math.NaN()
	return &Pole{held: opt.Held, dec: unit.Deg(nan), FlexurePull: nan, Span: unit.Deg(nan), RMSNorth: unit.Arcsec(nan), RMSTurn: unit.Arcmin(nan),
		Limit: opt.Limit, LimitOf: opt.LimitOf, Shift: PoleShift{unit.Arcmin(nan), unit.Arcmin(nan), unit.Deg(nan), unit.Deg(nan)}}
}

// zenith returns the zenith of a latitude in the hour-angle frame.
func zenith(lat unit.Deg) vec {
	sin, cos := math.Sincos(float64(lat.Rad()))
	return vec{cos, 0, sin}
}

// poleUse is what of the frames a fit looks at.
type poleUse int

const (
	both   poleUse = iota
	centre         // where they point
	turn           // how the field turns
)

// poleFit is the fit of an axis n, an attitude of the first frame and an angle
// for every frame.
type poleFit struct {
	samples []poleSample
	use     poleUse

	axis  vec
	start []attitude // of either side of the mount, the angle of its first frame zero
	side  []int      // of every frame
	angle []unit.Rad

	left  []vec     // what the fit leaves of each frame: towards the hour circle's perpendicular, along it, about the sight
	chi   float64   // weighted sum of squares
	free  int       // degrees of freedom
	cov   []float64 // of the parameters: two of the axis, one or two of the attitude
	param int
	basis [2]vec // of the axis's two: turns of it, in radians
}

// axes returns the directions in which a turn of frame i counts: about west, which
// moves the sight along the hour circle; about north; about the sight.
func (f *poleFit) axes(i int) (west, north, sight vec) {
	sight = f.samples[i].at.sight()
	west = f.axis.cross(sight)
	if west.length() < 1e-9 {
		west = sight.beside()
	}
	west = west.normal()
	return west, sight.cross(west), sight
}

// run fits from a first axis. It reports whether the frames determine it.
func (f *poleFit) run(from vec) bool {
	f.axis = from
	f.angle = make([]unit.Rad, len(f.samples))
	f.start, f.side = []attitude{f.samples[0].at}, make([]int, len(f.samples))
	for i := range f.samples {
		at := f.samples[i].at
		f.angle[i] = at.turnAbout(f.start[0], f.axis)
		// How far the sight went round the axis, and how far the camera was turned: the
		// two differ by half a circle on the other side of the mount.
		a, b := f.start[0].sight(), at.sight()
		round := math.Atan2(f.axis.dot(a.cross(b)), a.dot(b)-f.axis.dot(a)*f.axis.dot(b))
		if math.Cos(round-float64(f.angle[i])) > 0 {
			continue
		}
		if len(f.start) == 1 {
			f.start = append(f.start, at)
		}
		f.side[i], f.angle[i] = 1, at.turnAbout(f.start[1], f.axis)
	}
	for range 60 {
		step, ok := f.iterate()
		if !ok {
			return false
		}
		if step < 1e-12 {
			break
		}
	}
	_, ok := f.iterate()
	if f.axis[2] < 0 {
		f.axis = f.axis.times(-1)
		f.basis[0], f.basis[1] = f.basis[0].times(-1), f.basis[1].times(-1)
	}
	return ok
}

// iterate makes one step of Gauss and Newton and returns its length, radians.
// The angles of the frames are eliminated one by one.
func (f *poleFit) iterate() (float64, bool) {
	n := f.axis
	e := [2]vec{n.beside()}
	e[1] = n.cross(e[0])
	f.basis = e
	// Either side's own turns at right angles to the axis: about west, which is a
	// declination, and about what is at right angles to both, which is the camera's
	// angle in its adapter. A turn about the axis is one of the frames' angles.
	var own []vec
	var ownSide []int
	for side := range f.start {
		w0 := n.cross(f.start[side].sight())
		if w0.length() < 1e-9 {
			w0 = f.start[side].sight().beside()
		}
		w0 = w0.normal()
		if f.use != turn {
			own, ownSide = append(own, w0), append(ownSide, side)
		}
		if f.use != centre {
			own, ownSide = append(own, n.cross(w0)), append(ownSide, side)
		}
	}
	m := 2 + len(own)
	f.param = m
	jtj, jtr := make([]float64, m*m), make([]float64, m)
	type row struct {
		cols   []vec
		left   vec
		weight [3]float64
		axes   [3]vec
	}
	rows := make([]row, len(f.samples))
	f.chi, f.free = 0, -m
	for i := range f.samples {
		s := &f.samples[i]
		model := f.start[f.side[i]].turned(n, f.angle[i])
		r := row{left: s.at.from(model)}
		west, north, sight := f.axes(i)
		r.axes = [3]vec{west, north, sight}
		r.weight = [3]float64{1 / (s.sight * s.sight), 1 / (s.sight * s.sight), 1 / (s.turn * s.turn)}
		switch f.use {
		case centre:
			r.weight[2] = 0
			f.free++
		case turn:
			r.weight[0] = 0
			f.free++
		default:
			f.free += 2
		}
		for _, v := range e {
			r.cols = append(r.cols, v.minus(n.about(v, f.angle[i])))
		}
		for k, v := range own {
			if ownSide[k] != f.side[i] {
				r.cols = append(r.cols, vec{})
				continue
			}
			r.cols = append(r.cols, n.about(v, f.angle[i]))
		}
		// Weighted product of two turns, the frame's own angle taken out.
		inner := func(a, b vec) float64 {
			sum := 0.0
			for k, x := range r.axes {
				sum += r.weight[k] * a.dot(x) * b.dot(x)
			}
			return sum
		}
		nn := inner(n, n)
		product := func(a, b vec) float64 { return inner(a, b) - inner(a, n)*inner(b, n)/nn }
		for a := range m {
			jtr[a] += product(r.cols[a], r.left)
			for b := range m {
				jtj[a*m+b] += product(r.cols[a], r.cols[b])
			}
		}
		f.chi += product(r.left, r.left)
		rows[i] = r
	}
	if f.free < 0 {
		return 0, false
	}
	// Parameters of one size, so that what the frames do not tell shows.
	scale := make([]float64, m)
	for a := range m {
		scale[a] = math.Sqrt(jtj[a*m+a])
		if !(scale[a] > 0) {
			return 0, false
		}
	}
	for a := range m {
		for b := range m {
			jtj[a*m+b] /= scale[a] * scale[b]
		}
		jtj[a*m+a] *= 1 + 1e-13
	}
	if !num.InvertPositive(jtj, m) {
		return 0, false
	}
	for a := range m {
		for b := range m {
			jtj[a*m+b] /= scale[a] * scale[b]
		}
	}
	f.cov = jtj
	step := make([]float64, m)
	for a := range m {
		for b := range m {
			step[a] += jtj[a*m+b] * jtr[b]
		}
	}
	// A step is no longer than a few degrees: far off the problem is not linear.
	size := math.Hypot(step[0], step[1])
	shrink := min(1, 0.1/max(size, 1e-300))
	tilt := e[0].times(step[0] * shrink).plus(e[1].times(step[1] * shrink))
	for side := range f.start {
		kick := vec{}
		for k, v := range own {
			if ownSide[k] == side {
				kick = kick.plus(v.times(step[2+k] * shrink))
			}
		}
		f.start[side] = f.start[side].kicked(kick)
	}
	f.left = f.left[:0]
	for i := range rows {
		r := &rows[i]
		rest := r.left
		for a := range m {
			rest = rest.minus(r.cols[a].times(step[a]))
		}
		nn, up := 0.0, 0.0
		for k, x := range r.axes {
			nn += r.weight[k] * n.dot(x) * n.dot(x)
			up += r.weight[k] * n.dot(x) * rest.dot(x)
		}
		rest = rest.minus(n.times(up / nn))
		f.left = append(f.left, vec{rest.dot(r.axes[0]), rest.dot(r.axes[1]), rest.dot(r.axes[2])})
	}
	if tilt.length() > 0 {
		t := tilt.length()
		f.axis = tilt.times(1/t).about(f.axis, unit.Rad(t)).normal()
		// The first frame keeps its place; the others turn about the new axis.
	}
	for i := range f.samples {
		f.angle[i] = f.best(i, f.samples[i].at)
	}
	return size, true
}

// best returns the angle about the axis that brings the start nearest to an
// attitude, as the fit weighs it.
func (f *poleFit) best(i int, at attitude) unit.Rad {
	angle := at.turnAbout(f.start[f.side[i]], f.axis)
	west, north, sight := f.axes(i)
	s := &f.samples[i]
	weight := [3]float64{1 / (s.sight * s.sight), 1 / (s.sight * s.sight), 1 / (s.turn * s.turn)}
	switch f.use {
	case centre:
		weight[2] = 0
	case turn:
		weight[0] = 0
	}
	for range 3 {
		left := at.from(f.start[f.side[i]].turned(f.axis, angle))
		nn, up := 0.0, 0.0
		for k, x := range [3]vec{west, north, sight} {
			nn += weight[k] * f.axis.dot(x) * f.axis.dot(x)
			up += weight[k] * f.axis.dot(x) * left.dot(x)
		}
		if !(nn > 0) {
			break
		}
		angle += unit.Rad(up / nn)
	}
	return angle
}

// span returns the largest turn between two frames.
func (f *poleFit) span() unit.Deg {
	// The shortest arc about the axis that holds all sights.
	e := f.axis.beside()
	a := make([]float64, len(f.samples))
	for i := range f.samples {
		s := f.samples[i].at.sight()
		a[i] = math.Mod(math.Atan2(f.axis.cross(e).dot(s), e.dot(s))+2*math.Pi, 2*math.Pi)
	}
	slices.Sort(a)
	gap := a[0] + 2*math.Pi - a[len(a)-1]
	for i := 1; i < len(a); i++ {
		gap = max(gap, a[i]-a[i-1])
	}
	return unit.Rad(2*math.Pi - gap).Deg()
}

// said returns what the fit says of the axis, its errors widened where the frames
// agree less well than their own errors promise.
func (f *poleFit) said(site sky.Site) *Axis {
	widen := 1.0
	if f.free > 0 {
		widen = max(1, f.chi/float64(f.free))
	}
	base := sky.Axis(f.axis).Error(site.Lat)
	cos := math.Cos(float64(site.Lat.Rad()))
	// How altitude and azimuth (on the sky) answer to the two parameters.
	const probe = 1e-5
	var j [2][2]float64
	for k, v := range f.basis {
		e := sky.Axis(f.axis.plus(v.cross(f.axis).times(probe)).normal()).Error(site.Lat)
		j[0][k] = float64(e.Alt-base.Alt) / probe
		j[1][k] = float64(e.Az-base.Az) / probe * cos
	}
	a := &Axis{axis: f.axis, OffPole: sky.Axis(f.axis).OffPole(), Altitude: base.Alt, Azimuth: base.Az, AzimuthSky: base.Az * unit.Arcmin(cos)}
	for r := range 2 {
		for c := range 2 {
			for k := range 2 {
				for l := range 2 {
					a.cov[r][c] += widen * j[r][k] * f.cov[k*f.param+l] * j[c][l]
				}
			}
		}
	}
	a.sigmas(cos)
	return a
}

// sigmas fills the standard errors from the covariance.
func (a *Axis) sigmas(cosLat float64) {
	a.AltitudeSigma = unit.Arcmin(math.Sqrt(a.cov[0][0]))
	a.SkySigma = unit.Arcmin(math.Sqrt(a.cov[1][1]))
	a.AzimuthSigma = a.SkySigma / unit.Arcmin(cosLat)
	x, y := float64(a.Altitude), float64(a.AzimuthSky)
	if r := math.Hypot(x, y); r > 0 {
		x, y = x/r, y/r
	}
	a.OffPoleSigma = unit.Arcmin(math.Sqrt(x*x*a.cov[0][0] + 2*x*y*a.cov[0][1] + y*y*a.cov[1][1]))
}

// wide returns the larger of the two standard errors on the sky.
func (a *Axis) wide() float64 {
	mean, diff := (a.cov[0][0]+a.cov[1][1])/2, (a.cov[0][0]-a.cov[1][1])/2
	return math.Sqrt(mean + math.Hypot(diff, a.cov[0][1]))
}

// poleTold is how well the axis must be known to say anything: a standard error of
// half of what it is off, or of this.
const poleTold unit.Arcmin = 3

// fit fills the axis.
func (p *Pole) fit(f *poleFit, site sky.Site) error {
	pole := vec{0, 0, 1}
	n := len(f.samples)
	ways := map[poleUse]*poleFit{}
	for _, use := range []poleUse{both, centre, turn} {
		g := *f
		g.use = use
		if use != both && n < 3 || !g.run(pole) {
			continue
		}
		ways[use] = &g
		a := g.said(site)
		switch use {
		case centre:
			p.ByCentre = a
		case turn:
			p.ByTurn = a
		}
	}
	return p.settle(f, ways, site)
}

// settle chooses among the ways and fills what follows from the fit.
func (p *Pole) settle(f *poleFit, ways map[poleUse]*poleFit, site sky.Site) error {
	n := len(f.samples)
	g := ways[both]
	if p.held {
		g = ways[turn]
		p.ByCentre = nil
		if g == nil {
			return fmt.Errorf("fitting: the star was held in declination, so only the turn of the field tells, and %d frames do not settle it: want three or more, an hour apart or more", n)
		}
	}
	if g == nil {
		return fmt.Errorf("fitting: the %d frames do not settle the axis: want it turned by 20 degrees or more between frames, or one field followed for an hour or more", n)
	}
	p.Axis = *g.said(site)
	p.Span = g.span()
	if a, b := p.ByCentre, p.ByTurn; a != nil && b != nil {
		d := [2]float64{float64(a.Altitude - b.Altitude), float64(a.AzimuthSky - b.AzimuthSky)}
		c := []float64{a.cov[0][0] + b.cov[0][0], a.cov[0][1] + b.cov[0][1], a.cov[1][0] + b.cov[1][0], a.cov[1][1] + b.cov[1][1]}
		if num.InvertPositive(c, 2) {
			// 11.8 is the 99.73 % point of two degrees of freedom.
			agree := d[0]*d[0]*c[0]+2*d[0]*d[1]*c[1]+d[1]*d[1]*c[3] < 11.8
			p.Agree = &agree
		}
	}
	if p.Agree != nil && !*p.Agree {
		// Half of what they differ by is what nobody knows.
		d := [2]float64{float64(p.ByCentre.Altitude-p.ByTurn.Altitude) / 2, float64(p.ByCentre.AzimuthSky-p.ByTurn.AzimuthSky) / 2}
		for a := range 2 {
			for b := range 2 {
				p.cov[a][b] += d[a] * d[b]
			}
		}
		p.sigmas(math.Cos(float64(site.Lat.Rad())))
	}
	var north, turned float64
	for i, s := range g.samples {
		k := &p.Frames[s.frame]
		k.North = unit.Rad(-g.left[i][0]).Arcsec()
		k.Turn = unit.Rad(g.left[i][2]).Arcsec().Arcmin()
		north += float64(k.North) * float64(k.North)
		turned += float64(k.Turn) * float64(k.Turn)
	}
	p.RMSNorth, p.RMSTurn = unit.Arcsec(math.Sqrt(north/float64(n))), unit.Arcmin(math.Sqrt(turned/float64(n)))
	return nil
}

// describe fills what a person reads and does.
func (p *Pole) describe(site sky.Site, opt PoleOptions) {
	lat := site.Lat
	alt := math.Abs(float64(lat)) + float64(p.Altitude.Deg())
	az := float64(p.Azimuth.Deg())
	if lat < 0 {
		az = 180 - az
	}
	p.AxisAltitude, p.AxisAzimuth = unit.Deg(alt), unit.Deg(math.Mod(az+360, 360))
	refracted := vec(sky.RefractedPole(lat, site.Refraction()))
	p.Refracted = refracted.apart(vec{0, 0, 1}).Arcsec().Arcmin()
	p.OffRefracted = refracted.apart(p.axis).Arcsec().Arcmin()
	south := 1.0
	if lat < 0 {
		south = -1 // the end above the horizon is the southern one
	}
	p.FlexurePull = south * math.Sin(float64(p.dec.Rad())) * math.Cos(float64(lat.Rad())) / 60
	p.DecDrift = float64(p.OffPole.Rad()) * sky.EarthRateRad * unit.ArcsecPerRad * 60
	// Two ways that contradict each other settle nothing but, at best, the direction.
	split := p.Agree != nil && !*p.Agree
	unsure := split || p.wide() > max(float64(poleTold), float64(p.OffPole)/2)
	switch {
	case split:
		p.common(lat, opt)
	case !unsure:
		p.knobs(p.Axis, lat, opt)
	}
	off, sigma := float64(p.OffPole), float64(p.OffPoleSigma)
	limit := float64(p.Limit)
	switch {
	case unsure:
		p.Verdict = PoleUnsure
	case !math.IsNaN(limit):
		m := off > limit
		if math.Abs(off-limit) > sigma || !(sigma > 0) {
			p.Matters = &m
		}
		p.Verdict = Aligned
		if m {
			p.Verdict = Misaligned
		}
		if p.Matters == nil {
			p.Verdict = PoleUnsure
		}
	case len(p.Knobs) == 0:
		p.Verdict = Aligned
	default:
		p.Verdict = Measured
	}
	p.Why = p.say(unsure)
	if split {
		p.Why = p.saySplit()
	}
}

// common fills the knobs on whose direction both ways agree, by the smaller of
// their amounts.
func (p *Pole) common(lat unit.Deg, opt PoleOptions) {
	a, b := *p.ByCentre, *p.ByTurn
	least := func(x, y, sx, sy unit.Arcmin) unit.Arcmin {
		switch {
		case x > sx && y > sy:
			return min(x, y)
		case x < -sx && y < -sy:
			return max(x, y)
		}
		return 0
	}
	a.Altitude = least(a.Altitude, b.Altitude, a.AltitudeSigma, b.AltitudeSigma)
	a.AzimuthSky = least(a.AzimuthSky, b.AzimuthSky, a.SkySigma, b.SkySigma)
	a.Azimuth = a.AzimuthSky / unit.Arcmin(math.Cos(float64(lat.Rad())))
	a.AltitudeSigma, a.AzimuthSigma = 0, 0
	p.knobs(a, lat, opt)
}

// saySplit returns the answer where the two ways contradict each other.
func (p *Pole) saySplit() string {
	by := func(a *Axis) string {
		return aside(a.Altitude, a.AltitudeSigma, "too high", "too low") + " and " + aside(a.AzimuthSky, a.SkySigma, "east", "west")
	}
	text := fmt.Sprintf("by where the frames point the axis is %s of the pole, by how the field turns %s; no turn of the axis alone does both: something else moved, the declination axis (a clamp, a correction, a sag) or the camera in its holder",
		by(p.ByCentre), by(p.ByTurn))
	if len(p.Knobs) > 0 {
		text += "; both agree on the direction: turn by the smaller amount and look again"
	}
	return text
}

// aside says how far and to which side.
func aside(v, sigma unit.Arcmin, plus, minus string) string {
	if v < 0 {
		plus = minus
	}
	return PlusMinus(math.Abs(float64(v)), float64(sigma)) + " arcmin " + plus
}

// say returns the answer in a sentence or two.
func (p *Pole) say(unsure bool) string {
	text := fmt.Sprintf("the axis points %s and %s of the pole, %s arcmin from it on the sky",
		aside(p.Altitude, p.AltitudeSigma, "too high", "too low"), aside(p.AzimuthSky, p.SkySigma, "east", "west"), PlusMinus(float64(p.OffPole), float64(p.OffPoleSigma)))
	switch {
	case unsure && p.Way == "drift":
		text += "; that is too uncertain to turn a knob by: measure the drifts for longer, one near the meridian and one low in the east or west"
	case unsure:
		text += fmt.Sprintf("; that is too uncertain to turn a knob by: the frames span %.0f degrees of the axis, want 30 or more, or more stars", float64(p.Span))
	case p.Matters != nil && *p.Matters:
		text += fmt.Sprintf("; this plan bears %.1f arcmin (%s), so it is worth turning", float64(p.Limit), p.LimitOf)
	case p.Matters != nil:
		text += fmt.Sprintf("; this plan bears %.1f arcmin (%s), so the knobs may be left alone", float64(p.Limit), p.LimitOf)
	case !math.IsNaN(float64(p.Limit)):
		text += fmt.Sprintf("; this plan bears %.1f arcmin (%s), too near to call", float64(p.Limit), p.LimitOf)
	case len(p.Knobs) == 0:
		text += ", within what was measured: there is nothing to turn"
	}
	return text
}

// knobs fills what to turn, altitude first, and what the field does then. An
// error that is within its own standard error is left alone.
func (p *Pole) knobs(a Axis, lat unit.Deg, opt PoleOptions) {
	pole := "north"
	left, right := "left", "right" // west and east as one faces the pole
	if lat < 0 {
		pole, left, right = "south", "right", "left"
	}
	turns := func(amount, perTurn unit.Arcmin) (float64, string) {
		if !(perTurn > 0) {
			return math.NaN(), ""
		}
		t := float64(amount / perTurn)
		return t, fmt.Sprintf(", %.2f turn of its knob", t)
	}
	if v := a.Altitude; math.Abs(float64(v)) > float64(a.AltitudeSigma) || math.IsNaN(float64(a.AltitudeSigma)) {
		k := Knob{Knob: "altitude", Direction: "raise", Amount: unit.Arcmin(math.Abs(float64(v)))}
		if v > 0 {
			k.Direction = "lower"
		}
		k.OnSky = k.Amount
		text := ""
		k.Turns, text = turns(k.Amount, opt.PerTurnAlt)
		k.Do = fmt.Sprintf("altitude: %s the polar axis by %.1f arcmin%s", k.Direction, float64(k.Amount), text)
		p.Knobs = append(p.Knobs, k)
	}
	if v := a.Azimuth; math.Abs(float64(v)) > float64(a.AzimuthSigma) || math.IsNaN(float64(a.AzimuthSigma)) {
		k := Knob{Knob: "azimuth", Direction: "east", Amount: unit.Arcmin(math.Abs(float64(v))), OnSky: unit.Arcmin(math.Abs(float64(a.AzimuthSky)))}
		hand := right
		if v > 0 {
			k.Direction, hand = "west", left
		}
		text := ""
		k.Turns, text = turns(k.Amount, opt.PerTurnAz)
		k.Do = fmt.Sprintf("azimuth: turn the mount %s, to the %s as you face %s, by %.1f arcmin on its base (%.1f on the sky)%s", k.Direction, hand, pole, float64(k.Amount), float64(k.OnSky), text)
		p.Knobs = append(p.Knobs, k)
	}
}

// shift fills how the field of the last frame moves while base and wedge are
// turned so that the axis meets the pole.
func (p *Pole) shift(lat unit.Deg, last sky.Direction, at vec) {
	if len(p.Knobs) == 0 {
		return
	}
	pole, up := vec{0, 0, 1}, zenith(lat)
	axis, to := p.axis, at
	if lat < 0 {
		axis = axis.times(-1) // the end above the horizon
	}
	for _, k := range p.Knobs {
		angle := k.Amount.Rad()
		about := up.cross(axis).normal() // a positive turn about it lowers the axis
		if k.Knob == "azimuth" {
			about = up
		}
		// In the hour-angle frame, left-handed as it is, a positive turn about the
		// zenith goes from south through west: west over the north pole is east.
		if k.Direction == "raise" || k.Direction == "west" && lat >= 0 || k.Direction == "east" && lat < 0 {
			angle = -angle
		}
		axis, to = about.about(axis, angle), about.about(to, angle)
	}
	// East and north on the sky there.
	north := pole.minus(at.times(at.dot(pole)))
	if north.length() < 1e-6 {
		return
	}
	north = north.normal()
	west := pole.cross(at).normal()
	to = to.times(1 / to.dot(at))
	p.Shift.East = unit.Rad(-to.dot(west)).Arcsec().Arcmin()
	p.Shift.North = unit.Rad(to.dot(north)).Arcsec().Arcmin()
	d := sky.NewTangent(last).Direction(p.Shift.East.Deg(), p.Shift.North.Deg())
	p.Shift.RA, p.Shift.Dec = d.RA, d.Dec
}

// DecDrift is how fast a star was seen to drift north in a telescope that nothing
// corrected, negative south.
type DecDrift struct {
	HourAngle         unit.Hour
	Dec               unit.Deg
	NorthArcsecPerMin unit.Est[float64]
}

// FindPoleByDrift returns the axis from drifts in declination at two places or
// more, refraction taken out. Nothing is checked where there are only two. The
// error is that of fewer, of places too near to each other in hour angle, or too
// low to compute refraction.
//
// Source: sky.RefractionDrift, solved by least squares.
func FindPoleByDrift(site sky.Site, drifts []DecDrift, opt PoleOptions) (*Pole, error) {
	p := newPole(opt)
	p.Way = "drift"
	if len(drifts) < 2 {
		return nil, fmt.Errorf("fitting: found one drift: want two, one near the meridian, which tells the azimuth, and one some six hours from it, which tells the altitude")
	}
	air := site.Refraction()
	rate := func(axis vec, d DecDrift) float64 {
		return sky.RefractionDrift(sky.Axis(axis), site.Lat, d.HourAngle, d.Dec, air).NorthArcsecPerMin
	}
	// Two parameters: the axis's x and y in the hour-angle frame.
	at := func(x, y float64) vec { return vec{x, y, math.Sqrt(max(1-x*x-y*y, 0))} }
	known := true
	for _, d := range drifts {
		if math.IsNaN(rate(vec{0, 0, 1}, d)) {
			return nil, fmt.Errorf("fitting: a drift at hour angle %.1f h and declination %.0f degrees is below 3 degrees of altitude: want a star that is well up", float64(d.HourAngle), float64(d.Dec))
		}
		known = known && d.NorthArcsecPerMin.SE > 0
	}
	var x, y float64
	var inv []float64
	chi := 0.0
	for range 20 {
		inv = make([]float64, 4)
		var g [2]float64
		chi = 0
		for _, d := range drifts {
			w := 1.0
			if known {
				w = 1 / (d.NorthArcsecPerMin.SE * d.NorthArcsecPerMin.SE)
			}
			const probe = 1e-5
			base := rate(at(x, y), d)
			j := [2]float64{(rate(at(x+probe, y), d) - base) / probe, (rate(at(x, y+probe), d) - base) / probe}
			left := d.NorthArcsecPerMin.V - base
			chi += w * left * left
			for a := range 2 {
				g[a] += w * j[a] * left
				for b := range 2 {
					inv[2*a+b] += w * j[a] * j[b]
				}
			}
		}
		det, trace := inv[0]*inv[3]-inv[1]*inv[2], inv[0]+inv[3]
		if !(det > 1e-3*trace*trace) || !num.InvertPositive(inv, 2) {
			return nil, fmt.Errorf("fitting: the drifts are too near to each other in hour angle to tell altitude from azimuth: want one near the meridian and one some six hours from it")
		}
		x, y = x+inv[0]*g[0]+inv[1]*g[1], y+inv[2]*g[0]+inv[3]*g[1]
		if !(math.Hypot(x, y) < 0.5) {
			return nil, fmt.Errorf("fitting: the drifts make the axis miss the pole by %.0f degrees: are they in arcsec a minute, north positive, with the telescope following the sky?", math.Asin(min(math.Hypot(x, y), 1))*180/math.Pi)
		}
	}
	widen := 1.0
	if free := len(drifts) - 2; free > 0 {
		widen = chi / float64(free)
		if known {
			widen = max(1, widen)
		}
	} else if !known {
		widen = math.NaN()
	}
	// The parameters move the axis along x and y; the fit's turn it there.
	n := at(x, y)
	f := poleFit{axis: n, cov: inv, param: 2, basis: [2]vec{n.cross(vec{1, 0, 0}), n.cross(vec{0, 1, 0})}, free: 1, chi: 1}
	p.Axis = *f.said(site)
	for a := range 2 {
		for b := range 2 {
			p.cov[a][b] *= widen
		}
	}
	p.sigmas(math.Cos(float64(site.Lat.Rad())))
	p.describe(site, opt)
	return p, nil
}
