package loop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/air"
	"holdfast/internal/mech"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// guided is a night followed step by step with a servo and two drives, right
// ascension first.
type guided struct {
	servo  ServoParams
	drives [2]DriveParams // rates are filled in
	steps  int            // in a cycle
	step   unit.Second
	common [2]func(t unit.Second) float64 // moves both telescopes; nil for none
	guide  [2]func() float64              // mean over a step, seen by the guide camera alone; nil for none
	noise  float64                        // rms of white measurement noise an axis
	rng    *rand.Rand
	seen   func(n int) bool // whether exposure n finds a star; nil for always
	aim    func(n int) (x, y unit.Arcsec)
	skip   int // exposures left out at the start
	sub    int // exposures in a sub
}

// outcome is what came of one axis.
type outcome struct {
	meanSquare float64   // of the star's error
	within     float64   // variance within subs
	mean       float64   // of the star's error
	measured   float64   // mean square of the measurement
	each       []float64 // measurements
}

// run follows a number of exposures and returns the outcomes and the mean time
// from one exposure to the next.
func (g guided) run(exposures int) (axes [2]outcome, cycle float64) {
	s := NewServo(g.servo, g.step)
	rate := g.servo.GuideRate * mech.SiderealArcsecPerS
	var d [2]*Drive
	for i := range d {
		g.drives[i].RateArcsecPerS = rate
		d[i] = NewDrive(g.drives[i])
	}
	cosDec := [2]float64{math.Cos(float64(g.servo.Declination.Rad())), 1}
	var seen, sum, square, subSum, subSquare [2]float64
	sub := max(g.sub, 1)
	steps, counted, exposed, inSub, n, subs := 0, 0, 0, 0, 0, 0
	counting := false // from the first step of an exposure on
	for i := 0; n < exposures; i++ {
		if n > 0 && math.Abs(axes[0].each[n-1])+math.Abs(axes[1].each[n-1]) > 1e4 {
			break // it has run away
		}
		tick := s.Next()
		run := [2]unit.Second{tick.RA, tick.Dec}
		at := unit.Second(float64(i)+0.5) * g.step
		if tick.Exposing {
			exposed++
			if exposed == 1 && n >= g.skip {
				counting = true
				if (n-g.skip)%sub == 0 && inSub > 0 {
					for a := range axes {
						m := subSum[a] / float64(inSub)
						axes[a].within += subSquare[a]/float64(inSub) - m*m
						subSum[a], subSquare[a] = 0, 0
					}
					inSub = 0
					subs++
				}
			}
		}
		for a := range d {
			before := float64(d[a].Position())
			d[a].Step(g.step, run[a])
			e := -(before + float64(d[a].Position())) / 2 * cosDec[a]
			if g.common[a] != nil {
				e += g.common[a](at)
			}
			if counting {
				sum[a] += e
				square[a] += e * e
				subSum[a] += e
				subSquare[a] += e * e
			}
			if g.guide[a] != nil {
				e += g.guide[a]()
			}
			if tick.Exposing {
				seen[a] += e
			}
		}
		if counting {
			counted++
			inSub++
		}
		steps++
		if tick.Ended {
			var m [2]unit.Arcsec
			for a := range m {
				m[a] = unit.Arcsec(seen[a] / float64(exposed))
				if g.noise > 0 {
					m[a] += unit.Arcsec(g.noise * g.rng.NormFloat64())
				}
				if n >= g.skip {
					axes[a].measured += float64(m[a]) * float64(m[a]) / float64(exposures-g.skip)
				}
				axes[a].each = append(axes[a].each, float64(m[a]))
			}
			if g.aim != nil {
				s.Aim(g.aim(n))
			}
			s.Measure(m[0], m[1], g.seen == nil || g.seen(n))
			seen, exposed = [2]float64{}, 0
			n++
		}
	}
	for a := range axes {
		axes[a].meanSquare = square[a] / float64(counted)
		axes[a].mean = sum[a] / float64(counted)
		axes[a].within /= float64(max(subs, 1))
	}
	return axes, float64(steps) * float64(g.step) / float64(exposures)
}

// timed returns a servo for the linear loop: its exposure, the rest of the cycle
// as readout but for one step, in which corrections are done, so fast they are.
func timed(l Linear, steps int) guided {
	step := l.Cycle / unit.Second(steps)
	return guided{
		servo: ServoParams{
			Exposure: l.Exposure, Readout: l.Cycle - l.Exposure - step, Cycle: l.Cycle, Delay: l.Delay,
			RA: ServoAxis{Gain: l.Gain}, Dec: ServoAxis{Gain: l.Gain}, GuideRate: 1e4,
		},
		step: step, steps: steps,
	}
}

func TestServoTiming(t *testing.T) {
	s := NewServo(ServoParams{
		Exposure: 1, Readout: 0.3, RA: ServoAxis{Gain: 0.5}, Dec: ServoAxis{Gain: 1}, GuideRate: 0.5,
	}, 0.1)
	measure := []struct{ x, y unit.Arcsec }{{3, -1.5}, {0, 0}, {0, 0.1}}
	type span struct {
		exposing, idle, moving int
		ra, dec                unit.Second
	}
	var got []span
	now := span{}
	for n := 0; n < len(measure); {
		tick := s.Next()
		switch {
		case tick.Exposing:
			if now.idle > 0 || now.moving > 0 {
				got = append(got, now)
				now = span{}
				n++
				if n == len(measure) {
					break
				}
			}
			now.exposing++
			if tick.Ended {
				s.Measure(measure[n].x, measure[n].y, true)
			}
		case tick.RA == 0 && tick.Dec == 0:
			now.idle++
		default:
			now.moving++
			now.ra += tick.RA
			now.dec += tick.Dec
		}
	}
	want := []span{
		{10, 3, 2, mech.PulseLength(1.5, 0.5, 0), mech.PulseLength(-1.5, 0.5, 0)},
		{10, 3, 0, 0, 0},
		{10, 3, 1, 0, mech.PulseLength(0.1, 0.5, 0)},
	}
	for i, w := range want {
		g := got[i]
		testkit.Near(t, g.ra, w.ra, 1e-12, "mech.PulseLength")
		testkit.Near(t, g.dec, w.dec, 1e-12, "mech.PulseLength")
		if g.exposing != w.exposing || g.idle != w.idle || g.moving != w.moving {
			t.Errorf("cycle %d: got %d steps of exposure, %d idle, %d moving, want %d, %d, %d", i, g.exposing, g.idle, g.moving, w.exposing, w.idle, w.moving)
		}
	}
	if n := testing.AllocsPerRun(1000, func() { s.Next() }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

// Each kind of disturbance by itself against the linear model.
func TestServoAgainstLinear(t *testing.T) {
	intervals := []float64{0.5, 2, 8}
	fractions := []float64{0.1, 0.3, 0.5, 0.7, 0.9}
	cycles := 40000
	if testing.Short() {
		intervals, fractions, cycles = []float64{2}, []float64{0.1, 0.5, 0.9}, 6000
	}
	seed := uint64(0)
	for _, interval := range intervals {
		for delay := range 3 {
			for _, fraction := range fractions {
				l := Linear{fraction * StabilityLimit(delay, 0), unit.Second(0.8 * interval), unit.Second(interval), delay}
				t.Run(l.String(), func(t *testing.T) {
					seed++
					r := rand.New(rand.NewPCG(seed, 17))
					tol := 0.03
					if testing.Short() { // what a short run leaves open
						tol += 1.5 * math.Sqrt(1/(l.Gain*(1-fraction))/float64(cycles))
					}
					const sub = 50
					length := sub * l.Cycle
					rms := func(kind string, got, want float64, tol float64) {
						t.Helper()
						testkit.NearRel(t, math.Sqrt(got), math.Sqrt(want), tol, "Linear, "+kind)
					}
					g := timed(l, 20)
					if fraction > 0.8 {
						g = timed(l, 40) // the star spends a step between swings
					}
					g.skip, g.sub, g.rng = 200, sub, r

					g.noise = 1
					axes, _ := g.run(cycles)
					both := func(f func(o outcome) float64) float64 { return (f(axes[0]) + f(axes[1])) / 2 }
					meanSquare := func(o outcome) float64 { return o.meanSquare }
					within := func(o outcome) float64 { return o.within }
					measured := func(o outcome) float64 { return o.measured }
					rms("centroid noise", both(meanSquare), l.NoiseGain(), tol)
					rms("centroid noise within subs", both(within), l.InjectedNoise(length), tol)
					rms("centroid noise as measured", both(measured), 1+l.NoiseGain(), tol)

					g.noise = 0
					motion := air.NewMotion(air.MotionParams{Aperture: 0.05, Wind: 8, Air: air.Turbulence{Fried: 0.06, Outer: 20}})
					for a := range g.guide {
						c := air.NewColoured(motion.PSD, g.step, r)
						g.guide[a] = func() float64 { return float64(c.Next()) }
					}
					axes, _ = g.run(cycles)
					rms("air", both(within), l.Injected(motion.PSD, length), tol)
					rms("air as measured", both(measured), l.Measured(motion.PSD), tol)
					g.guide = [2]func() float64{}

					gust := func(f float64) float64 { return 0.25 * air.GroundGust(4).PSD(f) }
					for a := range g.common {
						c := air.NewColoured(gust, g.step, r)
						g.common[a] = func(unit.Second) float64 { return float64(c.Next()) }
					}
					axes, _ = g.run(cycles)
					rms("gusts", both(within), l.Residual(averaged(gust, g.step), length), tol)

					// Lines and drift are followed without chance.
					g = timed(l, 60)
					g.skip, g.sub = 300, sub
					lines := PeriodicError(20, 479, 0.3)
					lines = append(lines, Sine(1, 23.7))
					worm, strain := NewWaves(lines, r), NewWaves(append(PeriodicError(40, 430, 0.4), Sine(2, 61)), r)
					g.common[0] = func(t unit.Second) float64 { return float64(worm.At(t)) }
					g.common[1] = func(t unit.Second) float64 { return float64(strain.At(t)) + 0.02*float64(t) }
					axes, _ = g.run(300 + int(479*430*3/479/interval/sub)*sub*7)
					for a, waves := range []Waves{worm, strain} {
						want := 0.0
						for _, w := range waves {
							want += w.Line.MeanSquareArcsec2 * l.ResidualPower(w.Line.FrequencyHz, length)
						}
						if a == 1 {
							want += l.Ramp(0.02).Sawtooth
						}
						rms(fmt.Sprintf("lines, axis %d", a), axes[a].within, want, 0.03)
					}
				})
			}
		}
	}
}

// averaged is a spectrum as means over steps have it, without what is folded.
func averaged(s Spectrum, step unit.Second) Spectrum {
	return func(f float64) float64 {
		w := sinc(f * float64(step))
		return s(f) * w * w
	}
}

// held gives a disturbance that keeps its value through each cycle.
func held(values []float64, cycle unit.Second) func(unit.Second) float64 {
	return func(t unit.Second) float64 { return values[min(int(t/cycle), len(values)-1)] }
}

func constant(v float64) func(unit.Second) float64 { return func(unit.Second) float64 { return v } }

// variance returns that of the numbers from n on.
func variance(x []float64, n int) float64 {
	sum, square := 0.0, 0.0
	for _, v := range x[n:] {
		sum, square = sum+v, square+v*v
	}
	m := float64(len(x) - n)
	return square/m - sum*sum/m/m
}

// A loop is stable up to its limit in time too, with the axes as calibrated and
// with turned ones.
func TestServoStability(t *testing.T) {
	for delay, want := range []float64{2, 1, 0.618034, 0.445042} {
		testkit.Near(t, StabilityLimit(delay, 0), want, 1e-6, byNumpy+"root modulus reaches 1")
		for _, angle := range []unit.Deg{0, 25, -60, 95} {
			limit := StabilityLimit(delay, angle)
			for _, part := range []float64{0.97, 1.03} {
				gain := part * limit
				if limit == 0 {
					gain = 0.1
				}
				g := timed(Linear{gain, 0.75, 1, delay}, 4)
				g.servo.Calibration.Angle = angle
				g.common[0] = constant(1)
				axes, _ := g.run(3000)
				last := len(axes[0].each) - 1
				end := math.Hypot(axes[0].each[last], axes[1].each[last])
				if grew := !(end < 1); grew != (part > 1 || limit == 0) {
					t.Errorf("delay %d, angle %v, gain %g of limit %g: %g of the offset after %d cycles", delay, angle, gain, limit, end, last+1)
				}
			}
		}
	}
}

func TestServoNoiseGain(t *testing.T) {
	cycles := 400000
	if testing.Short() {
		cycles = 40000
	}
	for _, tt := range []struct {
		gain  float64
		delay int
		want  float64
	}{
		{0.3, 0, 0.176471}, {0.5, 0, 0.333333}, {0.7, 0, 0.538462},
		{0.3, 1, 0.242236}, {0.5, 1, 0.6}, {0.7, 1, 1.46914},
	} {
		g := timed(Linear{tt.gain, 0.5, 1, tt.delay}, 2)
		g.noise, g.rng = 1, rand.New(rand.NewPCG(8, 1))
		axes, _ := g.run(cycles)
		got := (variance(axes[0].each, 100)+variance(axes[1].each, 100))/2 - 1
		testkit.NearRel(t, got, tt.want, 8/math.Sqrt(tt.gain*float64(cycles)), fmt.Sprintf("%sclosed form, gain %g, delay %d", byNumpy, tt.gain, tt.delay))
	}
}

// The gain of least error, found by trying, for walks and for ramps.
func TestServoBestGain(t *testing.T) {
	cycles := 60000
	if testing.Short() {
		cycles = 12000
	}
	try := func(delay int, values []float64, gain float64) float64 {
		g := timed(Linear{gain, 0.5, 1, delay}, 2)
		g.noise, g.rng = 1, rand.New(rand.NewPCG(8, 3)) // the same noise for all gains
		g.common[0] = held(values, 1)
		axes, _ := g.run(cycles)
		square := 0.0
		for _, m := range axes[0].each[200:] {
			square += m * m / float64(cycles-200)
		}
		return square - 1
	}
	values := make([]float64, cycles+1)
	for _, tt := range []struct {
		ratio    float64
		delay    int
		gain     float64
		variance float64
	}{{0.1, 0, 0.270156, 0.370156}, {1, 0, 0.618034, 1.618034}, {0.1, 1, 0.217365, 0.475207}, {1, 1, 0.384812, 2.81613}} {
		r := rand.New(rand.NewPCG(2, 9))
		for i := range values[1:] {
			values[i+1] = values[i] + math.Sqrt(tt.ratio)*r.NormFloat64()
		}
		got := goldenSection(func(g float64) float64 { return try(tt.delay, values, g) }, 0.05, 0.95*StabilityLimit(tt.delay, 0), 14)
		src := fmt.Sprintf("%sminimised error variance, walk %g, delay %d", byNumpy, tt.ratio, tt.delay)
		testkit.NearRel(t, got, tt.gain, 0.08, src)
		testkit.NearRel(t, try(tt.delay, values, tt.gain), tt.variance, 12/math.Sqrt(tt.gain*float64(cycles)), src)
	}
	for _, tt := range []struct{ drift, gain float64 }{{0.03, 0.145725}, {0.1, 0.306139}, {0.3, 0.569064}} {
		for i := range values {
			values[i] = tt.drift * float64(i)
		}
		got := goldenSection(func(g float64) float64 { return try(0, values, g) }, 0.05, 1.9, 14)
		testkit.NearRel(t, got, tt.gain, 0.08, fmt.Sprintf("%sminimised (v/g)^2 + g/(2-g), v %g", byNumpy, tt.drift))
	}
}

func TestServoWrongSign(t *testing.T) {
	for delay := range 3 {
		g := timed(Linear{0.4, 0.5, 1, delay}, 2)
		g.servo.Calibration.Mirrored = true
		g.common = [2]func(unit.Second) float64{constant(1e-9), constant(1e-9)}
		axes, _ := g.run(60)
		got := axes[1].each[59] / axes[1].each[58]
		testkit.NearRel(t, got, WrongSignGrowth(0.4, delay), 1e-6, "WrongSignGrowth, declination")
		if !(math.Abs(axes[0].each[59]) < 1e-12) {
			t.Errorf("right ascension is off by %g arcsec after 60 cycles", axes[0].each[59])
		}
	}
	g := timed(Linear{0.4, 0.5, 1, 0}, 2)
	g.servo.Calibration.Angle = 180
	g.common = [2]func(unit.Second) float64{constant(1), constant(1)}
	axes, _ := g.run(20)
	for a, o := range axes {
		testkit.NearRel(t, o.each[19]/o.each[18], 1.4, 1e-9, fmt.Sprintf("closed form: 1 + g, axis %d, camera upside down", a))
	}
}

// A calibration made at another declination changes the gain in right
// ascension alone.
func TestServoDeclination(t *testing.T) {
	for _, tt := range []struct {
		from, to    unit.Deg
		compensated bool
		factor      float64
	}{{0, 60, false, 0.5}, {0, 60, true, 1}, {60, 0, false, 2}, {40, 40, false, 1}, {-50, 50, false, 1}, {30, 70, false, mech.CalibrationFactor(30, 70)}} {
		g := timed(Linear{0.4, 0.5, 1, 0}, 2)
		g.servo.Declination = tt.to
		g.servo.Calibration = Calibration{Declination: tt.from, Compensated: tt.compensated}
		g.common = [2]func(unit.Second) float64{constant(1), constant(1)}
		axes, _ := g.run(4)
		testkit.NearRel(t, 1-axes[0].each[3]/axes[0].each[2], 0.4*tt.factor, 1e-9, fmt.Sprintf("mech.CalibrationFactor, %+v", tt))
		testkit.NearRel(t, 1-axes[1].each[3]/axes[1].each[2], 0.4, 1e-9, "declination has no such factor")
	}
}

// A least length of corrections is a dead band.
func TestServoMinPulse(t *testing.T) {
	run := func(spoil func(p *ServoParams)) []float64 {
		g := timed(Linear{0.5, 0.5, 1, 0}, 2)
		g.servo.GuideRate = 0.5
		g.step = 0.5
		spoil(&g.servo)
		g.noise, g.rng = 1, rand.New(rand.NewPCG(8, 4))
		g.common[0] = func(t unit.Second) float64 { return 0.1 * float64(t) }
		axes, _ := g.run(20000)
		return axes[0].each
	}
	const least = 0.1 // s
	got := run(func(p *ServoParams) { p.MinPulse = least })
	half := unit.Arcsec(least * 0.5 * mech.SiderealArcsecPerS / 0.5)
	want := run(func(p *ServoParams) { p.RA.DeadBand, p.Dec.DeadBand = half, half })
	none := run(func(p *ServoParams) {})
	for i := range got {
		testkit.Near(t, got[i], want[i], 1e-9, "closed form: dead band of the least correction over the gain")
	}
	l := Linear{0.5, 0.5, 1, 0}
	b := l.DeadBand(half, 0.1, func(g float64) float64 { return 1 + noiseGain(g, 0) })
	testkit.NearRel(t, variance(got, 200), float64(b.RMS*b.RMS), 0.06, "DeadBand")
	mean := func(x []float64) (m float64) {
		for _, v := range x[200:] {
			m += v / float64(len(x)-200)
		}
		return m
	}
	testkit.NearRel(t, mean(none), float64(l.Ramp(0.1).Measured), 0.1, "Ramp")
	testkit.NearRel(t, mean(got), float64(b.Offset), 0.06, "DeadBand")
	if mean(got) < 1.5*mean(none) {
		t.Error("a least correction of 0.1 s makes no difference")
	}
}

// A longest length makes the loop weaker, and a drift run away.
func TestServoMaxPulse(t *testing.T) {
	const gain = 0.6
	rms := gain * math.Sqrt(1+noiseGain(gain, 0)) // of a correction
	for _, tt := range []struct{ limit, want, tol float64 }{{3, 1, 0.015}, {1, 0.7, 0.03}} {
		g := timed(Linear{gain, 0.5, 1, 0}, 2)
		g.servo.MaxPulse = unit.Second(tt.limit * rms / (g.servo.GuideRate * mech.SiderealArcsecPerS))
		g.noise, g.rng = 1, rand.New(rand.NewPCG(8, 5))
		axes, _ := g.run(60000)
		got := (variance(axes[0].each, 200)+variance(axes[1].each, 200))/2 - 1
		testkit.Near(t, got/noiseGain(gain, 0), tt.want, tt.tol, fmt.Sprintf("stated in Servo: cut at %g sigma", tt.limit))
	}
	g := timed(Linear{gain, 0.5, 1, 0}, 2)
	g.servo.MaxPulse = unit.Second(0.4 / (g.servo.GuideRate * mech.SiderealArcsecPerS))
	g.common[0] = func(t unit.Second) float64 { return 0.5 * float64(t) }
	g.common[1] = func(t unit.Second) float64 { return 0.3 * float64(t) }
	axes, _ := g.run(1000)
	testkit.NearRel(t, axes[0].each[999]-axes[0].each[499], 500*(0.5-0.4), 1e-6, "closed form: drift less the longest correction")
	testkit.NearRel(t, axes[1].each[999], 0.3/gain, 1e-3, "Ramp")
}

// Corrections at a real rate take time; Linear holds while that is short.
func TestServoSlowCorrections(t *testing.T) {
	cycles := 20000
	if testing.Short() {
		cycles = 5000
	}
	for _, tt := range []struct{ rate, share, tol float64 }{{1, 0.03, 0.015}, {0.5, 0.05, 0.015}, {0.25, 0.09, 0.035}} {
		if testing.Short() {
			tt.tol += 0.02
		}
		g := timed(Linear{0.5, 1.5, 2, 0}, 100)
		g.servo.Cycle, g.servo.Readout, g.servo.GuideRate = 0, 0.5, tt.rate
		g.noise, g.rng, g.skip, g.sub = 1, rand.New(rand.NewPCG(8, 6)), 100, 50
		worm := NewWaves([]Line{Sine(10, 300)}, g.rng)
		g.common[0] = func(t unit.Second) float64 { return float64(worm.At(t)) }
		axes, cycle := g.run(cycles)
		testkit.Near(t, (cycle-2)/cycle, tt.share, 0.01, "stated in Servo: share of the cycle")
		l := Linear{0.5, 1.5, unit.Second(cycle), 0}
		noise := l.InjectedNoise(50 * l.Cycle)
		src := fmt.Sprintf("Linear with the mean cycle, rate %g", tt.rate)
		testkit.NearRel(t, math.Sqrt(axes[0].within), math.Sqrt(noise+50*l.ResidualPower(1./300, 50*l.Cycle)), tt.tol, src)
		testkit.NearRel(t, math.Sqrt(axes[1].within), math.Sqrt(noise), tt.tol, src+", noise alone")
	}
}

// Without a star nothing is corrected; afterwards all at once.
func TestServoLostStar(t *testing.T) {
	g := timed(Linear{0.5, 0.5, 1, 1}, 2)
	g.common[0] = func(t unit.Second) float64 { return 0.2 * float64(t) }
	g.seen = func(n int) bool { return n < 40 || n >= 60 }
	axes, _ := g.run(100)
	e := axes[0].each
	testkit.NearRel(t, e[39], 0.2/0.5, 1e-6, "Ramp: v/g")
	for n := 42; n <= 60; n++ { // the last measurement is used at the end of frame 40
		testkit.NearRel(t, e[n]-e[n-1], 0.2, 1e-9, "closed form: the drift alone")
	}
	testkit.Near(t, e[99], 0.2/0.5, 1e-6, "Ramp: v/g")
	s := NewServo(ServoParams{Exposure: 1, GuideRate: 0.5}, 1)
	for n, found := range []bool{true, false, false, true, false} {
		if !s.Next().Ended {
			t.Fatal("an exposure of one step does not end with it")
		}
		want := []int{0, 0, 1, 2, 0}[n] // up to the frame before
		if got := s.Lost(); got != want {
			t.Errorf("frame %d: %d lost in a row, want %d", n, got, want)
		}
		s.Measure(1, 1, found)
	}
}

// A dither: what is left of the way shrinks by 1 - g a cycle.
func TestServoDither(t *testing.T) {
	g := timed(Linear{0.4, 0.5, 1, 0}, 2)
	g.aim = func(n int) (x, y unit.Arcsec) {
		if n >= 10 {
			return 3, -2
		}
		return 0, 0
	}
	axes, _ := g.run(40)
	for n := 10; n < 40; n++ {
		left := math.Pow(0.6, float64(n-10))
		testkit.Near(t, axes[0].each[n], 3*(1-left), 1e-9, "closed form: (1-g)^n is left")
		testkit.Near(t, axes[1].each[n], -2*(1-left), 1e-9, "closed form: (1-g)^n is left")
	}
}
