package loop

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

const byNumpy = "computed with numpy/scipy: "

var whole = unit.Second(math.Inf(1))

// frames is a loop whose cycle is one second, all of it exposure.
func frames(gain float64, delay int) Linear { return Linear{gain, 1, 1, delay} }

func TestStabilityLimit(t *testing.T) {
	for delay, want := range []float64{2, 1, 0.618034, 0.445042} {
		testkit.Near(t, StabilityLimit(delay, 0), want, 1e-6, byNumpy+"root modulus reaches 1")
	}
	testkit.Near(t, StabilityLimit(0, 30), 2*math.Cos(math.Pi/6), 1e-12, "closed form: 2 cos(angle)")
	testkit.Near(t, StabilityLimit(0, -60), 1, 1e-12, "closed form: 2 cos(angle)")
	testkit.Near(t, StabilityLimit(1, 95), 0, 0, "closed form: corrections go backwards")
	// Two axes with turned corrections stay bounded just below and grow just above.
	for delay := range 4 {
		for _, angle := range []float64{0, 0.4, 1.1} {
			limit := StabilityLimit(delay, unit.Rad(angle).Deg())
			for _, f := range []float64{0.97, 1.03} {
				past := make([]complex128, delay+1)
				e := complex(1, 0)
				for n := range 4000 {
					past[n%(delay+1)] = e
					e -= complex(f*limit, 0) * cmplx.Exp(complex(0, angle)) * past[(n+1)%(delay+1)]
					if n < delay {
						e = 1
					}
				}
				if grew := !(cmplx.Abs(e) < 1); grew != (f > 1) {
					t.Errorf("delay %d, angle %g rad, %g of the limit: error after 4000 cycles %g", delay, angle, f, cmplx.Abs(e))
				}
			}
		}
	}
	if got := StabilityLimit(-1, 0); !math.IsNaN(got) {
		t.Errorf("negative delay: got %v, want NaN", got)
	}
}

func TestNoiseGain(t *testing.T) {
	for _, tt := range []struct {
		gain  float64
		delay int
		want  float64
	}{
		{0.3, 0, 0.176471}, {0.5, 0, 0.333333}, {0.7, 0, 0.538462}, {1, 0, 1},
		{0.3, 1, 0.242236}, {0.5, 1, 0.6}, {0.7, 1, 1.46914},
	} {
		testkit.NearRel(t, frames(tt.gain, tt.delay).NoiseGain(), tt.want, 1e-5, byNumpy+"closed forms for no and one frame of delay, and simulation")
	}
	testkit.NearRel(t, 1+frames(0.5, 0).NoiseGain(), 1.33333, 1e-5, byNumpy+"white motion seen by the guide camera, 2/(2-g); simulation 1.33252")
	for delay := range 6 {
		for _, part := range []float64{0.1, 0.5, 0.8, 0.95} {
			g := part * StabilityLimit(delay, 0)
			// Sum of the squared answer to one unit of noise.
			c := make([]float64, delay+1)
			sum, now := 0.0, g
			for n := range 20000 {
				c[n%(delay+1)] = now
				sum += now * now
				if n >= delay {
					now -= g * c[(n+1)%(delay+1)]
				}
			}
			testkit.NearRel(t, frames(g, delay).NoiseGain(), sum, 1e-6, "squared impulse response, summed here")
		}
	}
	for _, got := range []float64{frames(2, 0).NoiseGain(), frames(1, 1).NoiseGain(), frames(-0.1, 0).NoiseGain()} {
		if !math.IsNaN(got) {
			t.Errorf("not stable: got %v, want NaN", got)
		}
	}
}

func TestRejection(t *testing.T) {
	testkit.NearRel(t, frames(0.5, 0).Rejection(1./120), 0.104422, 1e-5, byNumpy+"|S|, period 120 frames; simulation 0.104387")
	testkit.NearRel(t, frames(0.5, 1).Rejection(1./120), 0.104995, 1e-5, byNumpy+"|S|, period 120 frames; simulation 0.10496")
	testkit.NearRel(t, frames(0.3, 0).Rejection(1./60), 0.334928, 1e-5, byNumpy+"|S|, period 60 frames; simulation 0.334819")
	testkit.NearRel(t, frames(0.5, 0).Rejection(1./120), 0.10472, 0.004, "closed form for low frequency: 2 pi/(g P)")
	for _, tt := range []struct {
		gain  float64
		delay int
		want  float64
	}{{0.3, 0, 0.0883009}, {0.5, 0, 0.115027}, {0.7, 0, 0.137384}, {0.3, 1, 0.0514449}, {0.5, 1, 0.0674866}, {0.7, 1, 0.0812503}} {
		l := frames(tt.gain, tt.delay)
		testkit.NearRel(t, l.CrossingHz(), tt.want, 1e-5, byNumpy+"|S| = 1")
		testkit.Near(t, l.Rejection(l.CrossingHz()), 1, 1e-9, "definition")
		if tt.delay == 0 {
			testkit.NearRel(t, l.CrossingHz(), math.Acos(1-tt.gain/2)/(2*math.Pi), 1e-9, "closed form: cos w = 1 - g/2")
		}
	}
	for gain, want := range map[float64]float64{0.3: 1.52741, 0.5: 2.19737, 0.7: 3.74439} {
		_, peak := frames(gain, 1).Peak()
		testkit.NearRel(t, peak, want, 1e-5, byNumpy+"greatest |S| of 4000 frequencies")
	}
	f, peak := frames(0.5, 0).Peak()
	testkit.NearRel(t, f, 0.5, 1e-4, "closed form: without delay the peak is at half the sampling frequency")
	testkit.NearRel(t, peak, 2/1.5, 1e-6, "closed form: 2/(2-g)")
}

func TestRamp(t *testing.T) {
	for delay := range 2 {
		testkit.Near(t, frames(0.4, delay).Ramp(0.1).Measured, 0.25, 1e-12, byNumpy+"v/g, simulation")
	}
	l := Linear{0.5, 2, 2.5, 0}
	rate := 2 * math.Pi / 480
	testkit.NearRel(t, l.Ramp(rate).Last, 0.0850848, 1e-5, byNumpy+"worst instant of a sine of 480 s; fine simulation 0.084654")
	if got := (Linear{2.1, 1, 1, 0}).Ramp(1).Mean; !math.IsNaN(float64(got)) {
		t.Errorf("not stable: got %v, want NaN", got)
	}
}

func TestWrongSign(t *testing.T) {
	testkit.Near(t, WrongSignGrowth(0.5, 0), 1.5, 1e-12, "closed form: 1 + g")
	testkit.Near(t, WrongSignGrowth(0.5, 1), (1+math.Sqrt(3))/2, 1e-9, "closed form: z^2 - z = g")
}

func TestGains(t *testing.T) {
	for _, tt := range []struct {
		ratio    float64
		delay    int
		gain     float64
		variance float64
	}{
		{0.01, 0, 0.0951249, 0}, {0.1, 0, 0.270156, 0.370156}, {1, 0, 0.618034, 0}, {10, 0, 0.91608, 0},
		{0.01, 1, 0.0873684, 0.115202}, {0.1, 1, 0.217365, 0.475207}, {1, 1, 0.384812, 2.81613},
	} {
		gain, variance := GainForWalk(tt.ratio, tt.delay)
		testkit.NearRel(t, gain, tt.gain, 1e-4, byNumpy+"minimised error variance")
		if tt.delay == 0 {
			r := tt.ratio
			testkit.NearRel(t, gain, (math.Sqrt(r*r+4*r)-r)/2, 1e-6, "closed form: steady Kalman gain")
		}
		if tt.variance != 0 {
			testkit.NearRel(t, variance, tt.variance, 1e-5, byNumpy+"(q+g^2 r)/(g(2-g)); summed impulse response with delay")
		}
	}
	for v, want := range map[float64]float64{0.03: 0.145725, 0.1: 0.306139, 0.3: 0.569064, 1: 1} {
		testkit.NearRel(t, GainForRamp(v, 0), want, 1e-4, byNumpy+"minimised (v/g)^2 + g/(2-g)")
	}
	for _, g := range []float64{first(GainForWalk(0, 0)), first(GainForWalk(1, -1)), GainForRamp(0.1, -1)} {
		if !math.IsNaN(g) {
			t.Errorf("got %v, want NaN", g)
		}
	}
}

func first(a, _ float64) float64 { return a }

// The error budget of a 50 mm f/3.2 guide telescope on a 714 mm refractor.
func TestBudget(t *testing.T) {
	const src = byNumpy + "end-to-end budget"
	testkit.NearRel(t, math.Sqrt(0.25*0.25+0.6*0.6+0.15*0.15+0.3*0.3), 0.731437, 1e-5, byNumpy+"root of the sum of squares")
	l := Linear{0.5, 1, 1.5, 0}
	rate := 3 * 60. / 3600 * math.Pi / 180 * 206264.806 * 7.2921159e-5 // 3 arcmin of polar error
	b := l.Budget(0.536817, 10, 478.689, rate)
	testkit.NearRel(t, b.Injected, 0.309932, 1e-5, src)
	testkit.NearRel(t, b.Periodic, 0.278441, 1e-5, src+", mid-exposure")
	testkit.NearRel(t, b.Last, 0.371254, 1e-5, src+", end of cycle")
	testkit.NearRel(t, rate, 0.0131258, 1e-5, src+", declination drift")
	testkit.NearRel(t, b.Lag, 0.0393774, 1e-5, src)
	ra, dec := math.Hypot(float64(b.Injected), float64(b.Last)), float64(b.Injected)
	testkit.NearRel(t, ra, 0.483619, 1e-5, src)
	testkit.NearRel(t, math.Hypot(ra, dec), 0.574408, 1e-5, src)
	const perSigma, perPixel = 2.354820045, 206.264806 * 3.76 / 714
	air := 2.5 / perSigma
	major := perSigma * math.Sqrt(air*air+ra*ra+1./36/12)
	minor := perSigma * math.Hypot(air, dec)
	testkit.NearRel(t, major, 2.74951, 1e-5, src)
	testkit.NearRel(t, minor, 2.60435, 1e-5, src)
	testkit.NearRel(t, 1-minor/major, 0.0527922, 1e-4, src)
	testkit.NearRel(t, major/perPixel, 2.53128, 1e-5, src)
	testkit.NearRel(t, minor/perPixel, 2.39765, 1e-5, src)
	for rms, want := range map[float64]float64{0.5: 2.76338, 0.8: 3.13031, 1.2: 3.77292} {
		testkit.NearRel(t, math.Hypot(2.5, 2.3548*rms), want, 1e-5, byNumpy+"2.5 arcsec with that rms an axis")
	}
	// The centroid's share: 0.05 px of 4.834 arcsec and the air's motion.
	testkit.NearRel(t, math.Hypot(0.246355, 0.476951), 0.536817, 1e-5, src+", noise from its parts")
}

// A strain-wave drive: 20 arcsec of amplitude (not peak to peak) in 430 s.
func TestStrainWave(t *testing.T) {
	for _, tt := range []struct {
		gain, cycle, want float64
	}{{0.5, 2.5, 1.0}, {0.6, 0.7, 0.24}} {
		l := Linear{tt.gain, unit.Second(tt.cycle), unit.Second(tt.cycle), 0}
		line := Sine(20, 430)
		src := "common practice, no source: rms at mid-exposure left of 20 arcsec amplitude"
		got := math.Sqrt(line.MeanSquareArcsec2) * l.Rejection(line.FrequencyHz)
		testkit.NearRel(t, got, tt.want, 0.04, src)
		testkit.NearRel(t, float64(l.Budget(0, 20, 430, 0).Periodic), got, 0.01, "low-frequency limit of the same")
		// Over all time, without readout, the sawtooth comes on top.
		lag := 2 * math.Pi * 20 / 430 * tt.cycle
		want := lag * lag / 2 * (1/tt.gain/tt.gain + 1./12)
		testkit.NearRel(t, line.MeanSquareArcsec2*l.ResidualPower(line.FrequencyHz, whole), want, 0.01, "derived: lag and sawtooth of the slope")
	}
}

func TestPeriodicError(t *testing.T) {
	lines := PeriodicError(20, 480, 0)
	testkit.NearRel(t, math.Sqrt(lines[0].MeanSquareArcsec2), 7.07107, 1e-6, byNumpy+"rms of 20 arcsec peak to peak")
	testkit.NearRel(t, lines[0].FrequencyHz, 1./480, 1e-12, "definition")
	r := rand.New(rand.NewPCG(7, 7))
	for _, h := range []float64{0.1, 0.3, 0.5} {
		mean := 0.0
		const phases = 400
		for range phases {
			phase := 2 * math.Pi * r.Float64()
			lo, hi := 0.0, 0.0
			for i := range 400 {
				a := 2 * math.Pi * float64(i) / 400
				v := math.Sin(a) + h*math.Sin(2*a+phase)
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
			mean += (hi - lo) / phases
		}
		lines := PeriodicError(20, 480, h)
		amplitude := math.Sqrt(2 * lines[0].MeanSquareArcsec2)
		testkit.NearRel(t, amplitude*mean, 20, 0.04, "mean peak to peak over the harmonic's phase, drawn here")
		testkit.NearRel(t, lines[1].MeanSquareArcsec2/lines[0].MeanSquareArcsec2, h*h, 1e-9, "definition")
		testkit.NearRel(t, lines[1].FrequencyHz, 2./480, 1e-12, "definition")
	}
}
