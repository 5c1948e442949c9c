package rehearsal

import (
	"context"
	"math"
	"math/rand/v2"

	"holdfast/internal/air"
	"holdfast/internal/detector"
	"holdfast/internal/loop"
	"holdfast/internal/mech"
	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Shot is one sub as it was taken.
type Shot struct {
	Number  int         // from 0
	Begin   unit.Second // of the exposure, since the night's start
	Length  unit.Second
	Flipped bool // the tube is on the other side than at the start

	// The path of the target's image, sampled evenly, in arcsec: what the mount
	// and its corrections make of it, and what the air adds.
	East, North       []unit.Arcsec
	AirEast, AirNorth []unit.Arcsec
	// How the field differs from the first one seen, sampled evenly: a place p
	// from the target is at p + M p. The first are those at the shutter's opening.
	Field []Linear

	Defocus   unit.Micron    // of the imaging sensor
	Air       air.Turbulence // along the line of sight
	Quick     psf.Cov        // of the air's motion that is quicker than the path's steps
	Airmass   float64
	HourAngle unit.Hour
	Altitude  unit.Deg
	Azimuth   unit.Deg
	Sky       unit.SurfaceMag
	Dimming   unit.Mag // by cloud or dew, in the mean
	Lost      float64  // share of the guide exposures without a star
}

// Linear is how a field differs from another, pure numbers: a place east e and
// north n of the target moves by EE e + EN n east and NE e + NN n north.
type Linear struct{ EE, EN, NE, NN float64 }

// Sample is what the guide camera measured in one exposure.
type Sample struct {
	Time            unit.Second // middle of the exposure, since the night's start
	East, North     unit.Arcsec // of the held stars' mean from where it is held
	RunRA, RunDec   unit.Second // of the corrections made since the sample before, signed
	AxisRA, AxisDec unit.Arcsec // by how much they were meant to move the star, on the sky
	SNR             float64     // of the brightest star
	Found           bool
}

// Listener is told what happens in the night as it happens; either may be nil.
type Listener struct {
	Shot   func(*Shot) error
	Sample func(Sample) error
	Guide  func(*GuideShot) error // the first whole exposure of the guide camera in each sub
}

// GuideShot is one exposure of the guide camera, with what its image does.
type GuideShot struct {
	Number      int           // of the sub it was taken in
	Begin       unit.Second   // since the night's start
	East, North []unit.Arcsec // path of the guide telescope's image, the air of the held star included
	Field       Linear        // as in Shot
	Flipped     bool
	Air         air.Turbulence
	Airmass     float64
	Sky         unit.SurfaceMag
	Quick       psf.Cov // of the air's motion that is quicker than the path's steps
	Dimming     unit.Mag
}

// step is the time between samples of a path, at most.
const longestStep unit.Second = 0.05

// stepOf returns the step: an exposure of the guide camera holds ten or more,
// and a sub a hundred.
func stepOf(n *Night) unit.Second {
	step := min(longestStep, n.Sub/100)
	if n.Held != nil {
		step = min(step, n.Held.Interval/10)
	}
	return step
}

// player is a night under way.
type player struct {
	n    *Night
	r    *rig.Rig
	t    trouble // what the faults add up to
	rng  *rand.Rand
	step unit.Second
	now  unit.Second

	span  *sky.Span
	axis  vec
	track *track

	waves   [2]loop.Waves // of the two axes
	wind    [2]*air.Coloured
	air     *air.Series
	shifts  []air.Shift
	quick   [2]psf.Cov // of the air's motion within a step at the zenith, of both telescopes
	airmass float64    // the series was made for
	servo   *loop.Servo
	ra, dec *loop.Drive
	aimed   [2]float64 // where the star is to be held, arcsec
	jumped  [2]float64 // the pointing was pushed by, arcsec
	lock    lock
	luck    luck
	cleared unit.Second // when the focus was last set
	focus   unit.Micron // what that left

	seen   [2]float64 // sum over the exposure under way
	looks  int
	began  unit.Second
	runs   [2]float64   // corrections since the last sample, seconds
	guide  *GuideShot   // the exposure that is kept, nil for none
	lately [][2]float64 // the last measurements, arcsec from where the star is held
}

// lock is where things stood when the star was last taken hold of.
type lock struct {
	stars [][2]float64
	bend  [2]float64
	swung float64
	at    unit.Second
}

// luck is what no rig file says.
type luck struct{ flexure, mirror, rate float64 }

// Play plays the night and tells the listener of it. Shots are handed over in
// order; their samples may be kept.
func Play(ctx context.Context, n *Night, to Listener) error {
	if err := n.check(); err != nil {
		return err
	}
	p, err := newPlayer(n)
	if err != nil {
		return err
	}
	if err := p.run(ctx, to, firstSettle, nil); err != nil {
		return err
	}
	for i := range n.Subs {
		if err := ctx.Err(); err != nil {
			return err
		}
		if p.mustFlip() {
			p.flip()
			if err := p.run(ctx, to, firstSettle, nil); err != nil {
				return err
			}
			if err := p.wait(ctx, to); err != nil {
				return err
			}
		}
		p.refocus()
		s := &Shot{Number: i, Begin: p.now, Length: n.Sub, Flipped: p.track.side < 0}
		if err := p.run(ctx, to, n.Sub, s); err != nil {
			return err
		}
		if to.Shot != nil {
			if err := to.Shot(s); err != nil {
				return err
			}
		}
		p.dither()
		if err := p.run(ctx, to, n.pause(), nil); err != nil {
			return err
		}
		if err := p.wait(ctx, to); err != nil {
			return err
		}
	}
	return nil
}

// wait lets time pass until the star is held again, or for longestWait.
func (p *player) wait(ctx context.Context, to Listener) error {
	if p.servo == nil {
		return nil
	}
	cycle := p.n.Held.Interval + p.r.Loop.Readout.V
	for waited := unit.Second(0); waited < longestWait && !p.calm(); waited += cycle {
		if err := p.run(ctx, to, cycle, nil); err != nil {
			return err
		}
	}
	return nil
}

// longestWait is how long a star is waited for after a dither: common practice,
// no source.
const longestWait unit.Second = 120

// calm reports whether the star is held: the mean of the last eight measurements
// is within a third of a pixel of the imaging camera, or within what their
// scatter allows to say.
func (p *player) calm() bool {
	const n = 8
	if len(p.lately) < n {
		return false
	}
	last := p.lately[len(p.lately)-n:]
	near := float64(optics.Scale(p.r.Imaging.Camera.BinnedPixel(), p.r.Imaging.FocalLength()).Arcsec(1)) / 3
	for axis := range 2 {
		sum, square := 0.0, 0.0
		for _, v := range last {
			sum += v[axis] / n
			square += v[axis] * v[axis] / n
		}
		scatter := math.Sqrt(max(square-sum*sum, 0) / n)
		if math.Abs(sum) > max(near, 2*scatter) {
			return false
		}
	}
	return true
}

// newPlayer sets a night up.
func newPlayer(n *Night) (*player, error) {
	r := n.Rig
	n = farther(n)
	p := &player{n: n, r: r, rng: newRand(n.Seed), step: stepOf(n)}
	sign := func() float64 { return float64(1 - 2*p.rng.IntN(2)) }
	p.luck = luck{sign(), sign(), sign()}
	if n.Exact {
		p.luck = luck{1, 1, 1}
	}
	toward := unit.Rad(2 * math.Pi * p.rng.Float64())
	p.t = troubleOf(n)
	p.r = p.t.rig
	r = p.r
	site, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		return nil, err
	}
	site.Temp = r.Site.Temperature.V
	p.span = sky.NewSpan(site, n.Start.Add(-60), n.Start.Add(longestNight+3600))
	p.axis = axisOf(r, toward)
	cosDec := p.cosDec()
	lines := append(loop.PeriodicError(r.Mount.PeriodicError.V*unit.Arcsec(cosDec), r.Mount.Period.V, r.Mount.SecondHarmonic.V),
		loop.Sine(r.Mount.GearLine.V*unit.Arcsec(cosDec), r.Mount.GearPeriod.V))
	p.waves[0] = loop.NewWaves(lines, p.rng)
	if r.Mount.Kind == rig.AltAzimuth {
		p.waves[1] = loop.NewWaves(lines, p.rng)
	}
	if rms := float64(r.Mount.ShakeArcsec.V) * math.Pow(float64(r.Site.Wind.V)/5, 2); rms > 0 {
		g := air.GroundGust(r.Site.Wind.V)
		psd := func(fHz float64) float64 { return rms * rms * g.PSD(fHz) }
		for i := range p.wind {
			p.wind[i] = air.NewColoured(psd, p.step, p.rng)
		}
	}
	p.ra = loop.NewDrive(loop.DriveParams{RateArcsecPerS: r.Mount.GuideRate.V * mech.SiderealArcsecPerS, TurningArcsecPerS: mech.SiderealArcsecPerS})
	second := loop.DriveParams{RateArcsecPerS: r.Mount.GuideRate.V * mech.SiderealArcsecPerS, Play: r.Mount.Backlash.V}
	if r.Mount.Kind == rig.AltAzimuth {
		second.TurningArcsecPerS = mech.SiderealArcsecPerS // it never rests
	}
	p.dec = loop.NewDrive(second)
	p.newTrack(1)
	p.breathe()
	p.refocus()
	p.hold()
	return p, nil
}

// newTrack aims the mount anew, from now on.
func (p *player) newTrack(side float64) {
	start := p.n.Start.Add(p.now)
	a := newAim(p.r.Mount.Kind, p.span, p.r.Site.Latitude.V, sky.Direction{RA: p.n.Target.RA, Dec: p.n.Target.Dec}, start, p.axis, p.luck.rate*p.r.Mount.RateErrorPPM.V)
	end := p.n.length() + 3600
	p.track = newTrack(p.n, a, p.n.Start, p.now, end, side)
}

// layers is where the air that moves images lies.
func (p *player) layers() []air.Layer {
	r := p.r
	ground := r.Site.GroundShare.V
	return []air.Layer{
		{Share: ground, Wind: r.Site.WindAloft.V, Toward: unit.Deg(360 * p.rng.Float64())},
		{Distance: 5000, Share: 1 - ground, Wind: r.Site.WindAloft.V, Toward: unit.Deg(360 * p.rng.Float64())},
	}
}

// breathe starts the air of the present airmass; every star of the guide
// telescope and the imaging telescope has a beam of its own.
func (p *player) breathe() {
	a, _, _ := p.track.at(p.now)
	p.airmass = a.airmass
	r := p.r
	beams := []air.Beam{{Aperture: r.Imaging.Aperture.V.Metre()}}
	if p.n.Held != nil {
		d := besides(r)
		for _, s := range a.stars {
			beams = append(beams, air.Beam{Aperture: r.Guide.Aperture.V.Metre(), X: d, OffsetX: unit.Arcsec(s[0]), OffsetY: unit.Arcsec(s[1])})
		}
	}
	layers := p.layers()
	p.air = air.NewSeries(air.SeriesParams{Air: turbulence(r), Layers: layers, Beams: beams, Step: p.step}, p.rng)
	p.quick = [2]psf.Cov{quickOf(turbulence(r), layers, r.Imaging.Aperture.V.Metre(), p.step), quickOf(turbulence(r), layers, r.Guide.Aperture.V.Metre(), p.step)}
	p.shifts = make([]air.Shift, len(beams))
}

// quickOf returns the covariance of the image motion that averages out within a
// step: along the wind there is more of it than across.
func quickOf(t air.Turbulence, layers []air.Layer, aperture unit.Metre, step unit.Second) psf.Cov {
	var c psf.Cov
	all := math.Pow(float64(air.ImageMotion(aperture, t)), 2)
	if math.IsNaN(all) {
		return c
	}
	for _, l := range layers {
		along := all - math.Pow(float64(air.AveragedMotion(aperture, t, l.Wind, step, air.Along)), 2)
		across := all - math.Pow(float64(air.AveragedMotion(aperture, t, l.Wind, step, air.Across)), 2)
		sin, cos := math.Sincos(float64(l.Toward.Rad()))
		c = c.Plus(psf.Cov{
			EastArcsec2:  l.Share * (along*cos*cos + across*sin*sin),
			NorthArcsec2: l.Share * (along*sin*sin + across*cos*cos),
			CrossArcsec2: l.Share * (along - across) * sin * cos,
		})
	}
	return c
}

// turbulence returns the air at the zenith that delivers the rig's seeing.
func turbulence(r *rig.Rig) air.Turbulence {
	return air.FromFWHM(r.Site.Seeing.V, air.Reference, r.Site.OuterScale.V)
}

// hold takes hold of the guide stars where they now stand.
func (p *player) hold() {
	p.aimed = [2]float64{}
	h := p.n.Held
	if h == nil {
		return
	}
	r := p.r
	a, _, _ := p.track.at(p.now)
	p.lock = lock{stars: a.stars, swung: p.swung(p.now), at: p.now}
	p.lock.bend[0], p.lock.bend[1] = bend(r, a.down, p.track.side, p.luck.flexure)
	dec := h.GainDec
	if r.Mount.Kind == rig.Tracker {
		dec = 0
	}
	cal := p.t.calibration
	cal.Compensated = true
	cal.Mirrored = cal.Mirrored && (p.track.side < 0 || p.t.mirroredAlways)
	at := p.n.Target.Dec
	if r.Mount.Kind == rig.AltAzimuth {
		at = 0
	}
	p.servo = loop.NewServo(loop.ServoParams{
		Exposure: h.Interval, Readout: r.Loop.Readout.V, Cycle: h.Interval + r.Loop.Readout.V, Delay: h.Delay,
		RA: loop.ServoAxis{Gain: h.GainRA * p.t.gain, DeadBand: h.DeadBand}, Dec: loop.ServoAxis{Gain: dec * p.t.gain, DeadBand: h.DeadBand},
		GuideRate: r.Mount.GuideRate.V, MinPulse: r.Loop.MinPulse.V, MaxPulse: r.Loop.MaxPulse.V,
		Declination: at, Calibration: cal,
	}, p.step)
	p.seen, p.looks, p.runs = [2]float64{}, 0, [2]float64{}
	p.takeUp()
}

// takeUp runs the declination drive onto the flank from which it will follow the
// star's drift, as a careful person does before the first sub.
func (p *player) takeUp() {
	play := p.r.Mount.Backlash.V
	if play == 0 || p.r.Mount.GuideRate.V == 0 || p.r.Mount.Kind == rig.AltAzimuth {
		return
	}
	a := p.track.nodes[0]
	b := p.track.nodes[min(len(p.track.nodes)-1, int(600/nodeEvery))]
	run := float64(play) / (p.r.Mount.GuideRate.V * mech.SiderealArcsecPerS)
	before := p.dec.Position()
	p.dec.Step(unit.Second(run), unit.Second(math.Copysign(run, b.north-a.north)))
	p.jumped[1] += float64(p.dec.Position() - before)
}

// mustFlip reports whether the mount has to change sides before the next sub.
func (p *player) mustFlip() bool {
	if p.r.Mount.Kind != rig.Equatorial || p.track.side < 0 {
		return false
	}
	a, _, _ := p.track.at(p.now)
	end := a.ha + unit.Hour(float64(p.n.Sub)/3600)
	return a.ha > -6 && end > p.r.Mount.PastMeridian.V && a.ha < 6
}

// flip turns the mount over, aims and takes hold again. A target that began
// beyond the limit was taken from the other side to begin with.
func (p *player) flip() {
	if p.now > firstSettle+1 {
		p.now += flipTime
	}
	p.newTrack(-1)
	// The slew ends on the target, whatever was corrected before.
	p.jumped[0] = float64(p.ra.Position())*p.cosDec() - float64(p.waves[0].At(p.now))
	p.jumped[1] = float64(p.dec.Position()) - float64(p.waves[1].At(p.now))
	p.hold()
}

// cosDec returns how much shorter an angle about the polar axis is on the sky.
func (p *player) cosDec() float64 {
	if p.r.Mount.Kind == rig.AltAzimuth {
		return 1
	}
	return math.Cos(float64(p.n.Target.Dec.Rad()))
}

// flipTime is what a flip takes: common practice, no source.
const flipTime unit.Second = 180

// refocus sets the focus if it is time to.
func (p *player) refocus() {
	every := p.r.Sub.RefocusEvery.V
	if p.now > 0 && (every <= 0 || p.now-p.cleared < every) {
		return
	}
	p.cleared = p.now
	draw := p.rng.NormFloat64()
	if p.n.Exact {
		draw = math.Copysign(1, draw)
	}
	p.focus = p.r.Imaging.FocusError.V * unit.Micron(draw)
}

// defocus returns how far the imaging sensor is from focus.
func (p *player) defocus() unit.Micron {
	im := &p.r.Imaging
	cooled := unit.Celsius(p.r.Site.CoolingKPerHr.V * float64(p.now-p.cleared) / 3600)
	material := mech.Aluminium6061
	switch im.Tube {
	case rig.Steel:
		material = mech.Steel
	case rig.Carbon:
		material = mech.CarbonTube
	}
	lever := 1.0
	n := float64(im.Focal.V / im.Aperture.V)
	// A secondary mirror that magnifies m times moves the focus m^2+1 times as far
	// as itself: the primary is taken as f/2 where it moves to focus, f/3 where
	// not (common practice, no source).
	switch im.Kind {
	case rig.MovingMirror:
		lever += n * n / 4
	case rig.FixedMirror:
		lever += n * n / 9
	}
	lever *= im.Reducer.V * im.Reducer.V
	return p.focus + material.Expansion(im.TubeLength.V, -cooled)*unit.Micron(lever) + p.t.defocus
}

// dither moves the mount a little, as a slew that takes up its own play, and the
// place where the star is held with it; what the slew misses is left to the
// corrections.
func (p *player) dither() {
	d := float64(p.r.Sub.Dither.V)
	if d == 0 {
		return
	}
	scale := optics.Scale(p.r.Imaging.Camera.BinnedPixel(), p.r.Imaging.FocalLength())
	d = float64(scale.Arcsec(unit.Px(d)))
	p.lately = p.lately[:0]
	for i := range p.aimed {
		next := d * p.rng.NormFloat64()
		const missed = 0.03
		p.jumped[i] += (next - p.aimed[i]) * (1 + missed*p.rng.NormFloat64())
		p.aimed[i] = next
	}
	if p.servo != nil {
		p.servo.Aim(unit.Arcsec(p.aimed[0]), unit.Arcsec(p.aimed[1]))
	}
}

// run lets a time pass, with the shutter open if there is a shot.
func (p *player) run(ctx context.Context, to Listener, lasting unit.Second, s *Shot) error {
	steps := int(math.Round(float64(lasting / p.step)))
	end := p.now + unit.Second(steps)*p.step
	if s != nil {
		p.open(s, steps)
		p.guide = nil
		if to.Guide != nil && p.servo != nil {
			p.guide = &GuideShot{Number: s.Number, Flipped: s.Flipped, Quick: p.quick[1].Times(s.Airmass), Air: s.Air, Airmass: s.Airmass, Sky: s.Sky, Dimming: s.Dimming}
		}
	}
	var lost, looked int
	cosDec := p.cosDec()
	for i := range steps {
		if i%4096 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		mid := p.now + p.step/2
		a, b, w := p.track.at(mid)
		p.air.Next(p.shifts)
		swell := math.Sqrt(between(a.airmass, b.airmass, w)) // motion grows as its variance does, with the airmass
		east, north := between(a.east, b.east, w), between(a.north, b.north, w)
		east += float64(p.waves[0].At(mid)) + p.jumped[0]
		north += float64(p.waves[1].At(mid)) + p.jumped[1]
		for j, c := range p.wind {
			if c == nil {
				continue
			}
			if j == 0 {
				east += float64(c.Next())
			} else {
				north += float64(c.Next())
			}
		}
		je, jn := p.t.push(mid, p.step)
		p.jumped[0] += je
		p.jumped[1] += jn
		east -= float64(p.ra.Position()) * cosDec
		north -= float64(p.dec.Position())
		if p.servo != nil {
			tick := p.servo.Next()
			if tick.Exposing {
				if p.looks == 0 {
					p.began = p.now
				}
				p.look(east, north, swell, a, b, w)
			}
			if tick.Ended && p.guide != nil && len(p.guide.East) > 0 {
				if err := to.Guide(p.guide); err != nil {
					return err
				}
				p.guide = nil
			}
			if tick.Ended {
				found, err := p.measure(to, a.airmass)
				if err != nil {
					return err
				}
				looked++
				if !found {
					lost++
				}
			}
			p.runs[0] += float64(tick.RA)
			p.runs[1] += float64(tick.Dec)
			p.ra.Step(p.step, tick.RA)
			p.dec.Step(p.step, tick.Dec)
		}
		if s != nil {
			me, mn := p.mirror(mid, a)
			s.East[i], s.North[i] = unit.Arcsec(east+me), unit.Arcsec(north+mn)
			s.AirEast[i], s.AirNorth[i] = p.shifts[0].X*unit.Arcsec(swell), p.shifts[0].Y*unit.Arcsec(swell)
			if i%fieldEvery == 0 {
				turn := p.swung(mid)
				s.Field[i/fieldEvery] = Linear{between(a.m[0], b.m[0], w), between(a.m[1], b.m[1], w) + turn, between(a.m[2], b.m[2], w) - turn, between(a.m[3], b.m[3], w)}
			}
		}
		p.now += p.step
	}
	p.now = end
	if s != nil && looked > 0 {
		s.Lost = float64(lost) / float64(looked)
	}
	return nil
}

// swung returns by how much the field has turned because the axis was moved
// beside its steady pace, by corrections and by its own error: who moves the
// polar axis by an angle turns the instrument by its share along the line of
// sight. From north through east, radians.
func (p *player) swung(t unit.Second) float64 {
	if p.r.Mount.Kind == rig.AltAzimuth {
		return 0
	}
	sin, cos := math.Sincos(float64(p.n.Target.Dec.Rad()))
	if cos < 0.01 {
		return 0
	}
	return (float64(p.ra.Position()) - float64(p.waves[0].At(t))/cos) * sin / unit.ArcsecPerRad
}

// fieldEvery is how many samples of a path share one of the field.
const fieldEvery = 64

// open fills in what is known of a shot when the shutter opens.
func (p *player) open(s *Shot, steps int) {
	s.East, s.North = make([]unit.Arcsec, steps), make([]unit.Arcsec, steps)
	s.AirEast, s.AirNorth = make([]unit.Arcsec, steps), make([]unit.Arcsec, steps)
	s.Field = make([]Linear, (steps+fieldEvery-1)/fieldEvery)
	a, _, _ := p.track.at(p.now + s.Length/2)
	s.Airmass, s.HourAngle, s.Altitude, s.Azimuth, s.Sky = a.airmass, a.ha, a.alt, a.az, a.brightness
	s.Air = turbulence(p.r).At(a.airmass)
	s.Quick = p.quick[0].Times(a.airmass)
	s.Defocus = p.defocus()
	s.Dimming = p.t.dimmed(p.now + s.Length/2)
}

// mirror returns how far the main mirror has moved the imaging telescope's
// image, or in a pick-off that of both, where it is left to the loop.
func (p *player) mirror(t unit.Second, a *node) (east, north float64) {
	rate := p.r.Imaging.MirrorShiftArcsecPerHr.V
	if rate == 0 || p.r.Guide.Kind == rig.Pickoff && p.n.Held != nil {
		return 0, 0
	}
	e, n := p.sag()
	return p.luck.mirror * rate * float64(t) / 3600 * e, p.luck.mirror * rate * float64(t) / 3600 * n
}

// sag returns the direction in which gravity turns in the instrument, over the
// night.
func (p *player) sag() (east, north float64) {
	k := p.track
	first, last := k.nodes[0], k.nodes[len(k.nodes)-1]
	e, n := last.down[0]-first.down[0], last.down[1]-first.down[1]
	if d := math.Hypot(e, n); d > 0 {
		return e / d, n / d
	}
	return 0, 1
}

// look adds a step of the guide camera's exposure.
func (p *player) look(east, north, swell float64, a, b *node, w float64) {
	r := p.r
	var down [3]float64
	for j := range down {
		down[j] = between(a.down[j], b.down[j], w)
	}
	be, bn := 0.0, 0.0
	if d := r.Flexure.DriftArcsecPerHr; d.Known() {
		e, n := p.sag()
		hours := float64(p.now-p.lock.at) / 3600
		be, bn = p.luck.flexure*d.V*hours*e, p.luck.flexure*d.V*hours*n
	} else {
		be, bn = bend(r, down, p.track.side, p.luck.flexure)
		be -= p.lock.bend[0]
		bn -= p.lock.bend[1]
	}
	se, sn := 0.0, 0.0
	turn := p.swung(p.now) - p.lock.swung
	for j := range a.stars {
		se += turn * a.stars[j][1]
		sn -= turn * a.stars[j][0]
		se += between(a.stars[j][0], b.stars[j][0], w) - p.lock.stars[j][0] + swell*float64(p.shifts[j+1].X)
		sn += between(a.stars[j][1], b.stars[j][1], w) - p.lock.stars[j][1] + swell*float64(p.shifts[j+1].Y)
	}
	k := 1 / float64(max(len(a.stars), 1))
	if g := p.guide; g != nil && (p.looks == 0 || len(g.East) > 0) {
		if p.looks == 0 {
			g.Begin = p.now
			g.Field = Linear{a.m[0], a.m[1], a.m[2], a.m[3]}
		}
		g.East = append(g.East, unit.Arcsec(east+be+swell*float64(p.shifts[1].X)))
		g.North = append(g.North, unit.Arcsec(north+bn+swell*float64(p.shifts[1].Y)))
	}
	p.seen[0] += east + be + k*se
	p.seen[1] += north + bn + k*sn
	p.looks++
}

// measure ends an exposure of the guide camera.
func (p *player) measure(to Listener, airmass float64) (found bool, err error) {
	x, y := p.seen[0]/float64(p.looks), p.seen[1]/float64(p.looks)
	p.seen, p.looks = [2]float64{}, 0
	sigma, snr := p.noise(airmass)
	found = snr >= leastSNR
	if p.t.stuck {
		x, y = p.aimed[0], p.aimed[1] // a hot pixel never moves
	}
	x += sigma * p.rng.NormFloat64()
	y += sigma * p.rng.NormFloat64()
	p.servo.Measure(unit.Arcsec(x), unit.Arcsec(y), found)
	if found && len(p.lately) < 4096 {
		p.lately = append(p.lately, [2]float64{x - p.aimed[0], y - p.aimed[1]})
	}
	if to.Sample != nil {
		cosDec := p.cosDec()
		rate := p.r.Mount.GuideRate.V * mech.SiderealArcsecPerS
		s := Sample{Time: (p.began + p.now + p.step) / 2, East: unit.Arcsec(x - p.aimed[0]), North: unit.Arcsec(y - p.aimed[1]), SNR: snr, Found: found,
			RunRA: unit.Second(p.runs[0]), RunDec: unit.Second(p.runs[1]), AxisRA: unit.Arcsec(-rate * p.runs[0] * cosDec), AxisDec: unit.Arcsec(-rate * p.runs[1])}
		if err := to.Sample(s); err != nil {
			return found, err
		}
	}
	p.runs = [2]float64{}
	return found, nil
}

// leastSNR is that of a guide star still found: common practice, no source.
const leastSNR = 5

// noise returns the error of the held place in one exposure, one axis, in
// arcsec, and the signal-to-noise ratio of the brightest star.
func (p *player) noise(airmass float64) (sigma, snr float64) {
	r := p.r
	g := &r.Guide
	scale := optics.Scale(g.Camera.BinnedPixel(), g.Focal.V)
	light := detector.Collector{Aperture: g.Aperture.V, Obstruction: g.Obstruction.V, Transmission: g.Transmission.V, ZeroPointElectronPerSCm2: g.Camera.ZeroPointElectronPerSCm2.V}
	bare := p.guideWidth(airmass)
	bin := g.Camera.Bin.V
	ground := light.Sky(p.brightness(), scale) + g.Camera.DarkElectronPerS.V*bin*bin
	t := float64(p.n.Held.Interval)
	if bare != p.t.coarseOf {
		p.t.coarse, p.t.coarseOf = 1, bare
		if bare < 2.5 {
			p.t.coarse = detector.Undersampling(max(bare, 0.45))
		}
	}
	variance := 0.0
	dim := detector.Extinction(r.Site.Extinction.V, airmass) + p.t.dimmed(p.now)
	for _, s := range p.n.Held.Stars {
		spot := detector.Spot{Star: unit.Electron(light.Star(s.VT+dim) * t), FWHM: bare, Background: unit.Electron(ground * t), ReadNoise: g.Camera.ReadNoise.V}
		snr = max(snr, spot.SNR())
		c := float64(scale.Arcsec(detector.WithFloor(spot.Centroid()*unit.Px(p.t.coarse), g.CentroidFloor.V)))
		variance += c * c
	}
	k := float64(max(len(p.n.Held.Stars), 1))
	return math.Sqrt(variance) / k, snr
}

// brightness returns the sky's about the target.
func (p *player) brightness() unit.SurfaceMag {
	a, _, _ := p.track.at(p.now)
	return a.brightness
}

// guideWidth returns the FWHM of a star on the guide camera before its pixels
// average it.
func (p *player) guideWidth(airmass float64) unit.Px {
	if p.t.width > 0 && math.Abs(airmass-p.t.widthAt) < 0.03 {
		return p.t.width
	}
	g := &p.r.Guide
	scale := optics.Scale(g.Camera.BinnedPixel(), g.Focal.V)
	n := float64(g.Focal.V / g.Aperture.V)
	width := psf.Star(
		psf.Air(turbulence(p.r).At(airmass).FWHM(p.r.Imaging.Wavelength.V)),
		psf.Airy(p.r.Imaging.Wavelength.V, g.Aperture.V, g.Obstruction.V),
		psf.Gaussian(psf.Round(optics.ShiftAngle(g.Spot.V, g.Focal.V)/fwhmPerSigma)),
		psf.Defocus(optics.ShiftAngle(optics.Blur(g.Defocus.V+p.t.guideDefocus, n), g.Focal.V), p.r.Imaging.Wavelength.V, g.Aperture.V, g.Obstruction.V),
	).FWHM()
	p.t.width, p.t.widthAt = scale.Px(width), airmass
	return p.t.width
}

// fwhmPerSigma is 2 sqrt(2 ln 2), the FWHM of a Gaussian over its sigma.
const fwhmPerSigma = 2.3548200450309493

// newRand returns the randomness of a night's seed.
func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x6e69676874)) }
