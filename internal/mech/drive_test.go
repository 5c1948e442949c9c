package mech

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestRates(t *testing.T) {
	// The sidereal day follows the moving equinox, the Earth's rotation rate the
	// stars: they differ by 1e-7.
	testkit.NearRel(t, float64(SiderealArcsecPerS), 15.041067, 2e-7, "IERS: 7.292115e-5 rad/s")
	testkit.NearRel(t, float64(SiderealArcsecPerS), 15*1.00273790935, 1e-9, "IAU 1982: sidereal over mean solar time")
	testkit.NearRel(t, TurnRate(SiderealDay), SiderealArcsecPerS, 1e-12, "definition")
	testkit.Near(t, TurnRate(86400), 15, 1e-12, "closed form: mean solar day")
	testkit.NearRel(t, TurnRate(1436.46*60), 15.037, 4e-6, "King 1931: about 1436.46 min a turn, computed with numpy")
}

func TestWorm(t *testing.T) {
	for _, tt := range []struct {
		teeth  float64
		period unit.Second
	}{{180, 478.689}, {144, 598.362}, {360, 239.345}, {130, 662.801}, {435, 198.078}} {
		testkit.NearRel(t, WormPeriod(tt.teeth), tt.period, 3e-6, "computed with numpy: 86164.0905/teeth")
		testkit.NearRel(t, WormTeeth(tt.period), tt.teeth, 3e-6, "the inverse")
	}
	testkit.Near(t, Microstep(200, 16, 3, 180), 0.75, 1e-12, "computed with numpy: 1296000/(200 x 16 x 3 x 180)")
	testkit.NearRel(t, SiderealArcsecPerS/float64(Microstep(200, 16, 3, 180)), 20.0548, 3e-6, "computed with numpy: microsteps per second")
	if got := WormPeriod(0); !math.IsNaN(float64(got)) {
		t.Errorf("a wheel without teeth: %v, want NaN", got)
	}
}

func TestPeriodicError(t *testing.T) {
	for _, tt := range []struct {
		e     PeriodicError
		rate  float64
		quick float64
	}{
		{PeriodicError{10, 478.689}, 0.131258, 7.61857},
		{PeriodicError{20, 598.362}, 0.210013, 4.76161},
		{PeriodicError{5, 239.345}, 0.131258, 7.61859},
	} {
		testkit.NearRel(t, tt.e.PeakRate(), tt.rate, 5e-6, "computed with numpy: 2 pi A/P")
		testkit.NearRel(t, 1/tt.e.PeakRate(), tt.quick, 5e-6, "computed with numpy: seconds to drift an arcsecond")
		testkit.NearRel(t, float64(tt.e.Limit(1)), tt.quick, 2e-3, "limit: tolerance over peak rate")
		testkit.NearRel(t, tt.e.Worst(tt.e.Limit(1)), 1, 1e-12, "Worst undoes Limit")
	}
	testkit.NearRel(t, FromPeakToPeak(20, 480).RMS(), 7.07107, 1e-6, "computed with numpy: p-p/(2 sqrt 2)")
	e := PeriodicError{10, 478.689}
	testkit.NearRel(t, e.Worst(60), 7.67354, 5e-6, "computed with numpy: 2A sin(pi T/P)")
	testkit.Near(t, e.Worst(400), 20, 1e-12, "closed form: half a period and more")
	if got := e.Limit(20); !math.IsInf(float64(got), 1) {
		t.Errorf("a tolerance of the whole error: limit %v, want +Inf", got)
	}
	for _, T := range []float64{0.5, 30, 200, 478.689, 2000} {
		// Straight simulation: many starts, many moments.
		const starts, moments = 400, 400
		sum, worst := 0.0, 0.0
		for i := range starts {
			m, q := 0.0, 0.0
			at := func(t float64) float64 { return 10 * math.Sin(2*math.Pi*(t/478.689+float64(i)/starts)) }
			for j := range moments {
				x := at((float64(j) + 0.5) / moments * T)
				m += x
				q += x * x
			}
			m /= moments
			sum += q/moments - m*m
			worst = max(worst, math.Abs(at(T)-at(0)))
		}
		testkit.NearRel(t, float64(e.Within(unit.Second(T))), math.Sqrt(sum/starts), 2e-3, "simulation over all phases")
		if T < 239 {
			testkit.NearRel(t, float64(e.Worst(unit.Second(T))), worst, 1e-3, "simulation over all phases")
		}
	}
	testkit.NearRel(t, e.Within(1.4), unit.Arcsec(1.4*10*2*math.Pi/478.689/math.Sqrt(24)), 1e-4, "limit: a straight trail, rms rate times T/sqrt 12")
	testkit.NearRel(t, e.Within(1.53), e.Within(1.52)*1.53/1.52, 1e-4, "the two branches join")
	for _, got := range []float64{PeriodicError{10, 0}.PeakRate(), float64(PeriodicError{-1, 10}.Worst(1)), float64(e.Worst(-1)), float64(e.Within(-1)), float64(e.Limit(-1))} {
		if !math.IsNaN(got) {
			t.Errorf("outside its domain = %v, want NaN", got)
		}
	}
}

func TestPulse(t *testing.T) {
	testkit.NearRel(t, PulseArc(0.1, 0.5), 0.752053, 2e-6, "computed with numpy: 0.1 x 0.5 x 15.041067")
	for _, tt := range []struct {
		dec  unit.Deg
		want unit.Arcsec
	}{{0, 0.752053}, {40, 0.576106}, {60, 0.376027}, {75, 0.194646}, {-60, 0.376027}} {
		testkit.NearRel(t, PulseSky(0.1, 0.5, tt.dec), tt.want, 3e-6, "computed with numpy: times cos d")
	}
	for _, tt := range []struct{ rate, want float64 }{{0.25, 3.76027}, {0.5, 7.52053}, {0.9, 13.537}, {1, 15.0411}} {
		testkit.NearRel(t, float64(PulseArc(1, tt.rate)), tt.want, 4e-6, "computed with numpy: arcsec/s")
	}
	testkit.NearRel(t, PulseLength(1, 0.5, 0), 0.132969, 4e-6, "computed with numpy: ms per arcsec")
	testkit.NearRel(t, PulseLength(1, 0.5, 60), 0.265939, 4e-6, "computed with numpy: ms per arcsec")
	testkit.NearRel(t, BacklashTime(30, 0.5), 3.98908, 3e-6, "computed with numpy: 30/(0.5 x 15.041067)")
	testkit.NearRel(t, CrossingTime(3600, 0), 239.345, 3e-6, "computed with numpy: a degree at the equator")
	testkit.NearRel(t, CrossingTime(3600, 60), 2*239.345, 3e-6, "closed form: cos 60")
	testkit.NearRel(t, CalibrationTime(20, 4.834, 0.5, 0), 12.8555, 3e-6, "computed with numpy: 20 px of 4.834 arcsec")
	testkit.NearRel(t, CalibrationFactor(0, 60), 0.5, 1e-12, "closed form: cos 60")
	testkit.NearRel(t, CalibrationFactor(60, 0), 2, 1e-12, "closed form: 1/cos 60")
	if got := PulseLength(1, 0.5, 90); !math.IsInf(float64(got), 1) {
		t.Errorf("at the pole no pulse moves a star: %v, want +Inf", got)
	}
	for _, got := range []float64{float64(PulseArc(1, 0)), float64(PulseSky(1, 0.5, 91)), CalibrationFactor(90, 0), float64(PulseLength(1, -1, 0))} {
		if !math.IsNaN(got) {
			t.Errorf("outside its domain = %v, want NaN", got)
		}
	}
}

func TestBalance(t *testing.T) {
	nm := Torque(2, 100)
	testkit.NearRel(t, nm, 1.962, 1e-9, "closed form: 2 kg x 9.81 x 0.1 m")
	testkit.NearRel(t, WormForce(nm, 45), 43.6, 1e-9, "computed with numpy: 1.962/0.045")
	testkit.NearRel(t, CounterweightArm(8, 150, 5), 240, 1e-12, "closed form: equal torques")
	testkit.NearRel(t, Torque(5, CounterweightArm(8, 150, 5)), Torque(8, 150), 1e-12, "the torques cancel")
	testkit.NearRel(t, PayloadFraction(7.5, 15), PayloadShare, 1e-12, "common practice, no source: half of the rating")
	if got := PayloadFraction(7, 0); !math.IsNaN(got) {
		t.Errorf("no rating: %v, want NaN", got)
	}
}
