package loop

import (
	"math"

	"holdfast/internal/unit"
)

// Disturbance is what one axis has to bear. A nil spectrum or noise is none.
type Disturbance struct {
	Lines              []Line                                       // periodic, common to both telescopes
	Wind               Spectrum                                     // common to both
	Air                Spectrum                                     // seen by the guide camera alone, not averaged over exposures
	Noise              func(exposure unit.Second) (arcsec2 float64) // centroid variance of one exposure
	DriftArcsecPerS    float64
	WalkArcsecPerRootS float64     // random wander common to both: grows as the root of time
	Backlash           unit.Arcsec // play of the axis; 0 for an axis that never reverses
}

// Limits is what the settings must keep. Equal lower and upper limits fix a
// setting.
type Limits struct {
	MinExposure, MaxExposure unit.Second
	Overhead                 unit.Second // of a cycle beside the exposure: readout, pulses
	MinGain, MaxGain         float64     // also kept below 0.9 of the stability limit
	MinDeadBand, MaxDeadBand unit.Arcsec // half width
	Delay                    int
	Sub                      unit.Second // of the imaging camera
}

// Smear is the variance within a sub along one axis by its causes.
type Smear struct {
	TrackingArcsec2 float64 // lines left
	WindArcsec2     float64 // wind and walk left
	NoiseArcsec2    float64 // centroid noise injected
	AirArcsec2      float64 // air injected
	SawtoothArcsec2 float64 // drift between corrections
	SwitchArcsec2   float64 // the dead band's switching
	BacklashArcsec2 float64 // gaps crossed
}

// Total returns the sum.
func (s Smear) Total() (arcsec2 float64) {
	return s.TrackingArcsec2 + s.WindArcsec2 + s.NoiseArcsec2 + s.AirArcsec2 +
		s.SawtoothArcsec2 + s.SwitchArcsec2 + s.BacklashArcsec2
}

// Axis is one axis of a loop with its outcome.
type Axis struct {
	Gain     float64
	Smear    Smear
	Lag      unit.Arcsec // mean error behind the drift; does not smear
	Measured unit.Arcsec // rms of what the guide camera sees about its mean
}

// Settings are those of a loop: one exposure and dead band, a gain for each
// axis.
type Settings struct {
	Exposure unit.Second
	DeadBand unit.Arcsec
	Axes     []Axis
}

// Total returns the sum of the axes' smear.
func (s Settings) Total() (arcsec2 float64) {
	for _, a := range s.Axes {
		arcsec2 += a.Smear.Total()
	}
	return arcsec2
}

// Outcome returns what a loop with a dead band of the given half width makes of
// the disturbance in subs of the given length. All fields are NaN but the gain
// when the loop is not stable.
func (l Linear) Outcome(d Disturbance, deadBand unit.Arcsec, sub unit.Second) Axis {
	c := newCase(d, l.Exposure, l.Cycle, l.Delay, sub)
	return c.outcome(l.Gain, deadBand)
}

// exposureCase is a disturbance prepared for one exposure, to try gains.
type exposureCase struct {
	d         Disturbance
	loop      Linear
	sub       unit.Second
	wind, air *Folded // nil for none
	noise     float64
	white     *foldedNoise
	guideRMS  unit.Arcsec // centroid noise and averaged air
}

func newCase(d Disturbance, exposure, cycle unit.Second, delay int, sub unit.Second) exposureCase {
	c := exposureCase{d: d, loop: Linear{0, exposure, cycle, delay}, sub: sub, white: foldNoise(delay, float64(sub/cycle))}
	switch common := d.Wind; {
	case d.WalkArcsecPerRootS != 0 && common != nil:
		walk := Walk(d.WalkArcsecPerRootS)
		c.wind = Fold(func(f float64) float64 { return common(f) + walk(f) }, exposure, cycle, delay, sub)
	case d.WalkArcsecPerRootS != 0:
		c.wind = Fold(Walk(d.WalkArcsecPerRootS), exposure, cycle, delay, sub)
	case common != nil:
		c.wind = Fold(common, exposure, cycle, delay, sub)
	}
	seen := 0.0
	if d.Air != nil {
		c.air = Fold(d.Air, exposure, cycle, delay, sub)
		seen = c.air.Measured(0)
	}
	if d.Noise != nil {
		c.noise = d.Noise(exposure)
		seen += c.noise
	}
	c.guideRMS = unit.Arcsec(math.Sqrt(seen))
	return c
}

// measured returns the variance of the measurement without a dead band.
func (c *exposureCase) measured(gain float64) float64 {
	l := c.loop
	l.Gain = gain
	v := c.noise * (1 + noiseGain(gain, l.Delay))
	for _, line := range c.d.Lines {
		v += line.MeanSquareArcsec2 * l.MeasuredPower(line.FrequencyHz)
	}
	if c.wind != nil {
		v += c.wind.Measured(gain)
	}
	if c.air != nil {
		v += c.air.Measured(gain)
	}
	return v
}

// smear returns what smears the star for a gain, a dead band's equivalent
// gain if there is one, and the band's own noise.
func (c *exposureCase) smear(gain, bandNoise float64) Smear {
	l := c.loop
	l.Gain = gain
	var s Smear
	for _, line := range c.d.Lines {
		s.TrackingArcsec2 += line.MeanSquareArcsec2 * l.ResidualPower(line.FrequencyHz, c.sub)
	}
	if c.wind != nil {
		s.WindArcsec2 = c.wind.Residual(gain)
	}
	if c.air != nil {
		s.AirArcsec2 = c.air.Injected(gain)
	}
	passed := c.white.injected(gain)
	s.NoiseArcsec2 = c.noise * passed
	s.SwitchArcsec2 = bandNoise * passed
	cycle := float64(l.Cycle)
	s.SawtoothArcsec2 = l.Ramp(c.d.DriftArcsecPerS).Sawtooth
	s.BacklashArcsec2 = Backlash{
		Play:          c.d.Backlash,
		Gain:          gain,
		NoiseRMS:      c.guideRMS,
		WalkPerCycle:  unit.Arcsec(c.d.WalkArcsecPerRootS * math.Sqrt(cycle)),
		DriftPerCycle: unit.Arcsec(c.d.DriftArcsecPerS * cycle),
	}.Variance()
	return s
}

// band returns the equivalent of the loop with the dead band.
func (c *exposureCase) band(gain float64, deadBand unit.Arcsec) Band {
	l := c.loop
	l.Gain = gain
	return l.DeadBand(deadBand, c.d.DriftArcsecPerS, c.measured)
}

// total returns the whole smear.
func (c *exposureCase) total(gain float64, deadBand unit.Arcsec) float64 {
	if deadBand == 0 {
		return c.smear(gain, 0).Total()
	}
	b := c.band(gain, deadBand)
	return c.smear(b.Gain, b.NoiseArcsec2).Total()
}

// outcome returns the axis for a gain and dead band.
func (c *exposureCase) outcome(gain float64, deadBand unit.Arcsec) Axis {
	b := c.band(gain, deadBand)
	between := unit.Arcsec(c.d.DriftArcsecPerS * float64(c.loop.Cycle-c.loop.Exposure) / 2)
	return Axis{Gain: gain, Smear: c.smear(b.Gain, b.NoiseArcsec2), Lag: b.Offset + between, Measured: b.RMS}
}

// best returns the axis with the gain that smears least.
func (c *exposureCase) best(lo, hi float64, deadBand unit.Arcsec) Axis {
	if lo >= hi {
		return c.outcome(hi, deadBand)
	}
	cost := func(g float64) float64 { return c.total(g, deadBand) }
	const coarse = 6
	at, least := 0, math.Inf(1)
	for i := range coarse + 1 {
		if v := cost(lo + (hi-lo)*float64(i)/coarse); v < least {
			at, least = i, v
		}
	}
	from := lo + (hi-lo)*math.Max(float64(at)-1, 0)/coarse
	to := lo + (hi-lo)*math.Min(float64(at)+1, coarse)/coarse
	return c.outcome(goldenSection(cost, from, to, 9), deadBand)
}

// Optimise returns the settings within the limits that smear the star least,
// by the sum over the axes, with what is left. The exposure is common to the
// axes and is found without a dead band, to 5 %; gains to 0.01; the dead band,
// last, to a sixth of its range. A field of the result is NaN where the limits
// allow no stable loop; no axis gives no settings.
//
// A dead band helps rarely: without delay it injects as much as it spares.
func Optimise(limits Limits, axes ...Disturbance) Settings {
	hi := math.Min(limits.MaxGain, 0.9*StabilityLimit(limits.Delay, 0))
	lo := math.Min(limits.MinGain, hi)
	prepare := func(exposure unit.Second) []exposureCase {
		cases := make([]exposureCase, len(axes))
		for i, d := range axes {
			cases[i] = newCase(d, exposure, exposure+limits.Overhead, limits.Delay, limits.Sub)
		}
		return cases
	}
	settle := func(cases []exposureCase, exposure unit.Second, deadBand unit.Arcsec) Settings {
		s := Settings{Exposure: exposure, DeadBand: deadBand, Axes: make([]Axis, len(axes))}
		for i := range cases {
			s.Axes[i] = cases[i].best(lo, hi, deadBand)
		}
		return s
	}
	cost := func(lnExposure float64) float64 {
		e := unit.Second(math.Exp(lnExposure))
		return settle(prepare(e), e, 0).Total()
	}
	exposure := limits.MaxExposure
	if limits.MinExposure < limits.MaxExposure {
		from, to := math.Log(float64(limits.MinExposure)), math.Log(float64(limits.MaxExposure))
		const coarse = 5
		at, least := 0, math.Inf(1)
		for i := range coarse + 1 {
			if v := cost(from + (to-from)*float64(i)/coarse); v < least {
				at, least = i, v
			}
		}
		step := (to - from) / coarse
		a, b := math.Max(from, from+step*float64(at-1)), math.Min(to, from+step*float64(at+1))
		exposure = unit.Second(math.Exp(goldenSection(cost, a, b, 6)))
	}
	cases := prepare(exposure)
	best := settle(cases, exposure, limits.MinDeadBand)
	const bands = 6
	for i := 1; i <= bands && limits.MaxDeadBand > limits.MinDeadBand; i++ {
		d := limits.MinDeadBand + (limits.MaxDeadBand-limits.MinDeadBand)*unit.Arcsec(i)/bands
		trial := 0.0
		for j := range cases {
			trial += cases[j].total(best.Axes[j].Gain, d)
		}
		if trial < 0.99*best.Total() {
			best = settle(cases, exposure, d)
		}
	}
	return best
}
