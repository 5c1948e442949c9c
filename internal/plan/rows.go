package plan

import (
	"math"
	"slices"

	"holdfast/internal/air"
	"holdfast/internal/ledger"
	"holdfast/internal/loop"
	"holdfast/internal/mech"
	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// rows returns the ledgers at the centre and in the worst corner of a sub, and
// the tracking error left on the sky per axis, air apart.
func (s *scene) rows(sub unit.Second, l luck) (centre, corner ledger.Ledger, rmsRA, rmsDec unit.Arcsec) {
	along := turbulence(s.rig).At(s.place.airmass)
	centre = s.opticalRows(along)
	corner = slices.Clone(centre)
	corner[2] = ledger.Row{Term: ledger.Optics}.Spread(blur(s.rig.Imaging.SpotCorner.V, s.rig.Imaging.FocalLength()))
	held := s.motionRows(along, sub, l)
	for _, r := range held {
		rmsRA += unit.Arcsec(r.Cov.EastArcsec2)
		rmsDec += unit.Arcsec(r.Cov.NorthArcsec2)
	}
	rmsRA, rmsDec = unit.Arcsec(math.Sqrt(float64(rmsRA))), unit.Arcsec(math.Sqrt(float64(rmsDec)))
	here := sky.Shift{}
	there := s.worstCorner()
	for _, at := range []struct {
		l     *ledger.Ledger
		point sky.Shift
	}{{&centre, here}, {&corner, there}} {
		*at.l = append(*at.l, held...)
		*at.l = append(*at.l, s.leverRows(sub, l, at.point)...)
	}
	return centre, corner, rmsRA, rmsDec
}

// opticalRows returns what the air, the optics and the sensor make of a star
// that stands still at the centre, through the air along the line of sight:
// seeing, diffraction, optics, pixels and focus.
func (s *scene) opticalRows(along air.Turbulence) ledger.Ledger {
	r := s.rig
	im := &r.Imaging
	focal := im.FocalLength()
	scale := optics.Scale(im.Camera.BinnedPixel(), focal)
	disc := optics.ShiftAngle(optics.Blur(s.focusError(), im.FNumber()), focal)
	return ledger.Ledger{
		ledger.Row{Term: ledger.Seeing}.Spread(psf.Air(along.FWHM(im.Wavelength.V))),
		ledger.Row{Term: ledger.Diffraction}.Spread(psf.Airy(im.Wavelength.V, im.Aperture.V, im.Obstruction.V)),
		ledger.Row{Term: ledger.Optics}.Spread(blur(im.Spot.V, focal)),
		ledger.Row{Term: ledger.Pixels}.Spread(psf.Box(scale.Arcsec(1), im.Camera.Angle.V)),
		ledger.Row{Term: ledger.Focus}.Spread(psf.Disc(disc, im.Obstruction.V)),
	}
}

// focusError returns the rms distance of the imaging sensor from best focus:
// what focusing leaves, and the growth of the tube between two focusings. A
// telescope whose secondary mirror magnifies m times moves its focus by m^2+1
// times the change of the mirrors' distance.
func (s *scene) focusError() unit.Micron {
	r := s.rig
	im := &r.Imaging
	cooled := unit.Celsius(r.Site.CoolingKPerHr.V * float64(r.Sub.RefocusEvery.V) / 3600)
	growth := math.Abs(float64(material(im.Tube).Expansion(im.TubeLength.V, cooled))) * focusLever(im)
	growth *= sq(im.Reducer.V) // a reducer shortens distances along the axis by the square of its factor
	// Spread evenly from none to all of the growth, its rms is growth/sqrt 3.
	return unit.Micron(math.Hypot(float64(im.FocusError.V), growth/math.Sqrt(3)))
}

// focusLever returns how far the focal plane moves for each unit by which the
// tube grows. The primary of a compound telescope is taken as f/2 where it
// moves to focus and f/3 where it is fixed: common practice, no source.
//
// Source: derivative of the two-mirror focal equation, m^2+1.
func focusLever(im *rig.Imaging) float64 {
	n := float64(im.Focal.V / im.Aperture.V)
	switch im.Kind {
	case rig.MovingMirror:
		return 1 + n*n/4
	case rig.FixedMirror:
		return 1 + n*n/9
	}
	return 1
}

// motionRows returns what moves the whole field alike and the loop fights:
// tracking, correction noise, wind, backlash.
func (s *scene) motionRows(along air.Turbulence, sub unit.Second, l luck) ledger.Ledger {
	r := s.rig
	tracking := ledger.Row{Term: ledger.Tracking}
	noise := ledger.Row{Term: ledger.CorrectionNoise}
	wind := ledger.Row{Term: ledger.Wind}
	backlash := ledger.Row{Term: ledger.Backlash}
	gusts := shake(r)

	h := s.hold
	if h == nil {
		for _, line := range driveLines(r, s.place) {
			tracking = s.freeLine(tracking, line, sub)
		}
		if gusts != nil {
			v := loop.Fold(gusts, 1, 1, 0, sub).Residual(0)
			wind = wind.Spread(psf.Gaussian(psf.Cov{EastArcsec2: v, NorthArcsec2: v}))
		}
		return ledger.Ledger{tracking, noise, wind, backlash}
	}

	raLoad, decLoad := s.loads(along, l, gusts)
	ra, dec := s.free(raLoad, sub), s.free(decLoad, sub)
	holdsRA, holdsDec := s.holds()
	if holdsRA {
		ra = s.linear(h.gainRA).Outcome(raLoad, h.deadBand, sub).Smear
	}
	if holdsDec {
		axis := s.linear(h.gainDec).Outcome(decLoad, h.deadBand, sub)
		dec = axis.Smear
		dec.BacklashArcsec2 = s.backlash(decLoad, axis.Measured, sub)
	}
	axes := func(row ledger.Row, east, north float64) ledger.Row {
		return row.Spread(psf.Gaussian(psf.Cov{EastArcsec2: east, NorthArcsec2: north}))
	}
	return ledger.Ledger{
		axes(tracking, ra.TrackingArcsec2+ra.SawtoothArcsec2, dec.TrackingArcsec2+dec.SawtoothArcsec2),
		axes(noise, ra.NoiseArcsec2+ra.AirArcsec2+ra.SwitchArcsec2, dec.NoiseArcsec2+dec.AirArcsec2+dec.SwitchArcsec2),
		axes(wind, ra.WindArcsec2, dec.WindArcsec2),
		axes(backlash, 0, dec.BacklashArcsec2),
	}
}

// holds reports which axes are corrected: none without a guide camera, and
// neither one without a motor nor one whose gain is zero.
func (s *scene) holds() (ra, dec bool) {
	if s.hold == nil {
		return false, false
	}
	return s.hold.gainRA > 0, s.hold.gainDec > 0 && correctsDec(s.rig)
}

// free returns what a sub sees of an axis that nothing corrects, drift apart.
func (s *scene) free(d loop.Disturbance, sub unit.Second) loop.Smear {
	var v loop.Smear
	for _, line := range d.Lines {
		v.TrackingArcsec2 += line.MeanSquareArcsec2 * loop.Linear{Exposure: 1, Cycle: 1}.ResidualPower(line.FrequencyHz, sub)
	}
	if d.Wind != nil {
		v.WindArcsec2 = loop.Fold(d.Wind, 1, 1, 0, sub).Residual(0)
	}
	return v
}

// linear returns the loop of one axis with a gain.
func (s *scene) linear(gain float64) loop.Linear {
	return loop.Linear{Gain: gain, Exposure: s.hold.interval, Cycle: s.hold.cycle, Delay: s.hold.delay}
}

// backlash returns the variance that play in the declination drive adds. Only
// what turns back makes the loop cross the gap: the slow part of the wind, taken
// as the random walk that has its power at slowHz. A steady drift, of polar
// error or refraction, keeps the drive on one flank; and a mount without polar
// axis, whose drives never rest, stays on its flanks.
func (s *scene) backlash(load loop.Disturbance, measured unit.Arcsec, sub unit.Second) (arcsec2 float64) {
	const slowHz = 0.02
	if load.Wind == nil || s.rig.Mount.Kind == rig.AltAzimuth {
		return 0
	}
	walk := math.Sqrt(2*load.Wind(slowHz)) * math.Pi * slowHz // arcsec per root second, inverse of loop.Walk
	cycle := float64(s.hold.cycle)
	return loop.Backlash{
		Play: s.rig.Mount.Backlash.V, Gain: s.hold.gainDec, NoiseRMS: measured,
		WalkPerCycle: unit.Arcsec(walk * math.Sqrt(cycle)), DriftPerCycle: unit.Arcsec(load.DriftArcsecPerS * cycle),
		SubCycles: float64(sub) / cycle,
	}.Variance()
}

// loads returns what the loop has to bear in right ascension and in
// declination; on a mount without a polar axis the drive's errors are in both.
func (s *scene) loads(along air.Turbulence, l luck, gusts loop.Spectrum) (ra, dec loop.Disturbance) {
	r := s.rig
	variance := s.hold.variance(r)
	noise := func(unit.Second) float64 { return variance }
	drift := s.driftRate(l)
	motion := airSpectrum(r, along, len(s.hold.stars.stars))
	lines := driveLines(r, s.place)
	ra = loop.Disturbance{Lines: lines, Wind: gusts, Air: motion, Noise: noise, DriftArcsecPerS: drift.EastArcsecPerMin / 60}
	dec = loop.Disturbance{Wind: gusts, Air: motion, Noise: noise, DriftArcsecPerS: drift.NorthArcsecPerMin / 60}
	if r.Mount.Kind == rig.AltAzimuth {
		dec.Lines = lines
	}
	return ra, dec
}

// correctsDec reports whether the mount can be corrected in declination.
func correctsDec(r *rig.Rig) bool { return r.Mount.Kind != rig.Tracker }

// freeLine adds a line that nothing corrects, as a sub sees it: a sinusoid
// where the sub holds half a period or more, else the trail that a short piece
// of it is on average.
func (s *scene) freeLine(row ledger.Row, line loop.Line, sub unit.Second) ledger.Row {
	v := line.MeanSquareArcsec2 * loop.Linear{Exposure: 1, Cycle: 1}.ResidualPower(line.FrequencyHz, sub)
	draw := func(pa unit.Deg) psf.Kernel {
		if line.FrequencyHz*float64(sub) >= 0.5 {
			return psf.Sine(unit.Arcsec(math.Sqrt(2*v)), pa)
		}
		return psf.Trail(unit.Arcsec(math.Sqrt(12*v)), pa)
	}
	row = row.Spread(draw(90))
	if s.rig.Mount.Kind == rig.AltAzimuth {
		row = row.Spread(draw(0))
	}
	return row
}

// driveLines returns the periodic errors of the drive as they show on the sky
// at a place: the fundamental, its second harmonic and the gear line.
func driveLines(r *rig.Rig, p *place) []loop.Line {
	m := &r.Mount
	cos := 1.0
	if m.Kind != rig.AltAzimuth {
		cos = math.Cos(float64(p.at.Dec.Rad()))
	}
	lines := append(loop.PeriodicError(m.PeriodicError.V, m.Period.V, m.SecondHarmonic.V), loop.Sine(m.GearLine.V, m.GearPeriod.V))
	kept := lines[:0]
	for _, line := range lines {
		if line.MeanSquareArcsec2 *= cos * cos; line.MeanSquareArcsec2 > 0 {
			kept = append(kept, line)
		}
	}
	return kept
}

// shake returns the spectrum of the wind's shake of one axis, nil without any.
// The rms grows with the square of the wind, as pressure does; the spectrum is
// that of gusts.
func shake(r *rig.Rig) loop.Spectrum {
	rms := float64(r.Mount.ShakeArcsec.V) * sq(float64(r.Site.Wind.V)/5)
	if rms == 0 {
		return nil
	}
	g := air.GroundGust(r.Site.Wind.V)
	return func(fHz float64) float64 { return rms * rms * g.PSD(fHz) }
}

// airSpectrum returns the spectrum of the image motion of a number of guide
// stars along one axis: each star sees its own high air, all see the same air
// near the ground.
func airSpectrum(r *rig.Rig, along air.Turbulence, stars int) loop.Spectrum {
	m := air.NewMotion(air.MotionParams{Aperture: r.Guide.Aperture.V.Metre(), Wind: r.Site.WindAloft.V, Air: along})
	ground := r.Site.GroundShare.V
	share := ground + (1-ground)/float64(max(stars, 1))
	return func(fHz float64) float64 { return share * m.PSD(fHz) }
}

// leverRows returns what depends on the place in the field or on the offset
// from the guide star: flexure, mirror shift, field rotation, refraction and
// uncorrected drift, at a point given from the centre.
func (s *scene) leverRows(sub unit.Second, l luck, point sky.Shift) ledger.Ledger {
	r, p := s.rig, s.place
	hours := float64(sub) / 3600
	flexure := ledger.Row{Term: ledger.Flexure}
	mirror := ledger.Row{Term: ledger.MirrorShift}
	rotation := ledger.Row{Term: ledger.FieldRotation}
	refraction := ledger.Row{Term: ledger.Refraction}
	drift := ledger.Row{Term: ledger.Drift}

	load := s.load()
	along := math.Hypot(load.EastPerHour, load.NorthPerHour)
	toward := func(rateArcsecPerHr, sign float64) ledger.Move {
		if along == 0 {
			return ledger.Move{North: unit.Arcsec(sign * rateArcsecPerHr * hours)}
		}
		k := sign * rateArcsecPerHr * hours / along
		return ledger.Move{East: unit.Arcsec(k * load.EastPerHour), North: unit.Arcsec(k * load.NorthPerHour)}
	}
	if s.hold != nil {
		if d := r.Flexure.DriftArcsecPerHr; d.Known() {
			flexure = flexure.Trail(toward(d.V, l.flexure))
		} else {
			side, axial := r.Flexure.ComplianceArcsecPerG.V, r.Flexure.AxialArcsecPerG.V
			flexure = flexure.Trail(ledger.Move{
				East:  unit.Arcsec(l.flexure * side * load.EastPerHour * hours),
				North: unit.Arcsec(l.flexure * (side*load.NorthPerHour + axial*load.AxisPerHour) * hours),
			})
		}
	}
	if r.Guide.Kind != rig.Pickoff || s.hold == nil {
		// A pick-off sees the mirror's image move and has it corrected.
		mirror = mirror.Trail(toward(r.Imaging.MirrorShiftArcsecPerHr.V, l.mirror))
	}

	pivot := sky.Shift{}
	if s.hold != nil {
		pivot = s.hold.stars.offset
	}
	armE, armN := float64(point.East-pivot.East), float64(point.North-pivot.North)
	d := s.driftRate(l)
	angle := unit.Arcsec(d.RotationArcsecPerMin * float64(sub) / 60)
	if r.Mount.Kind == rig.AltAzimuth {
		angle += p.turned(sub)
	}
	turn := float64(angle.Rad())
	rotation = rotation.Trail(ledger.Move{East: unit.Arcsec(turn * armN), North: unit.Arcsec(-turn * armE)})

	if s.hold != nil {
		// From the middle of the sub, half before and half after.
		early := p.at.HourAngle - unit.Hour(hours/2)
		m := sky.DifferentialRefraction(p.lat, early, p.at.Dec, sky.Shift{East: unit.Arcsec(armE), North: unit.Arcsec(armN)}, sub, p.refracted)
		if !math.IsNaN(float64(m.East)) {
			refraction = refraction.Trail(ledger.Move{East: m.East, North: m.North})
		}
	}

	min := float64(sub) / 60
	free := ledger.Move{}
	holdsRA, holdsDec := s.holds()
	if !holdsRA {
		free.East = unit.Arcsec(d.EastArcsecPerMin * min)
	}
	if !holdsDec {
		free.North = unit.Arcsec(d.NorthArcsecPerMin * min)
	}
	drift = drift.Trail(free)
	return ledger.Ledger{flexure, mirror, rotation, refraction, drift}
}

// load returns how gravity changes across and along the telescope in an hour of
// tracking, resolved on the sky.
func (s *scene) load() sky.GravityPerHour {
	p := s.place
	if s.rig.Mount.Kind != rig.AltAzimuth {
		return p.gravity
	}
	// The tube tips about a level axis: gravity across it is cos(alt), towards
	// the ground, and along it -sin(alt), whose rate the equatorial frame gives.
	alt := float64(p.at.Alt.Rad())
	altRate := -p.gravity.AxisPerHour / math.Cos(alt)
	down := -math.Sin(alt) * altRate
	sin, cos := math.Sincos(float64(p.at.Parallactic.Rad()))
	return sky.GravityPerHour{EastPerHour: -down * sin, NorthPerHour: -down * cos, AxisPerHour: p.gravity.AxisPerHour}
}

// driftRate returns how the target drifts in the telescope when nothing
// corrects, and how the field turns when it is held: polar error, refraction,
// and the error of the tracking rate.
func (s *scene) driftRate(l luck) sky.Drift {
	r, p := s.rig, s.place
	d := p.king
	if r.Mount.Kind == rig.AltAzimuth {
		d = sky.Drift{} // its pointing model follows refraction
	} else if axis, ok := axisOf(r); ok {
		polar := axis.Drift(p.at.HourAngle, p.at.Dec)
		d.EastArcsecPerMin += polar.EastArcsecPerMin
		d.NorthArcsecPerMin += polar.NorthArcsecPerMin
		d.RotationArcsecPerMin += polar.RotationArcsecPerMin
	} else {
		// First order in the error, towards an hour angle that luck knows or as
		// the rms over all.
		rate := float64(r.Polar.Error.V.Arcsec()) * sky.EarthRateRad * 60
		sin, cos := math.Sqrt(0.5), math.Sqrt(0.5)
		if !math.IsNaN(l.polar) {
			sin, cos = math.Sincos(float64(p.at.HourAngle.Rad()) - l.polar)
		}
		sinDec, cosDec := math.Sincos(float64(p.at.Dec.Rad()))
		d.NorthArcsecPerMin -= rate * sin
		d.EastArcsecPerMin -= rate * sinDec * cos
		// The field's rotation per arcsecond of error is an angle: the drift over
		// a radian.
		d.RotationArcsecPerMin += rate * cos / cosDec
	}
	d.EastArcsecPerMin += l.drift * r.Mount.RateErrorPPM.V * 1e-6 * 15.041067 * 60 * math.Cos(float64(p.at.Dec.Rad()))
	return d
}

// worstCorner returns the corner of the imaging sensor that lies farthest from
// the guide star, from the centre.
func (s *scene) worstCorner() sky.Shift {
	c := &s.rig.Imaging.Camera
	scale := optics.Scale(c.Pixel.V, s.rig.Imaging.FocalLength())
	w, h := float64(scale.Arcsec(c.Width.V))/2, float64(scale.Arcsec(c.Height.V))/2
	sin, cos := math.Sincos(float64(c.Angle.V.Rad()))
	var pivot sky.Shift
	if s.hold != nil {
		pivot = s.hold.stars.offset
	}
	var worst sky.Shift
	far := -1.0
	for _, k := range [4][2]float64{{1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
		x, y := k[0]*w, k[1]*h
		e, n := -x*cos+y*sin, x*sin+y*cos
		if d := math.Hypot(e-float64(pivot.East), n-float64(pivot.North)); d > far {
			far, worst = d, sky.Shift{East: unit.Arcsec(e), North: unit.Arcsec(n)}
		}
	}
	return worst
}

// arm returns the distance of the worst corner from the guide star.
func (s *scene) arm() unit.Arcsec {
	c := s.worstCorner()
	if s.hold != nil {
		c.East -= s.hold.stars.offset.East
		c.North -= s.hold.stars.offset.North
	}
	return unit.Arcsec(math.Hypot(float64(c.East), float64(c.North)))
}

// material returns what the tube is made of.
func material(t rig.TubeMaterial) mech.Material {
	switch t {
	case rig.Steel:
		return mech.Steel
	case rig.Carbon:
		return mech.CarbonTube
	}
	return mech.Aluminium6061
}

// sq returns x squared.
func sq(x float64) float64 { return x * x }
