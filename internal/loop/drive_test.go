package loop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/mech"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestDrivePulses(t *testing.T) {
	d := NewDrive(DriveParams{RateArcsecPerS: 7.5})
	testkit.Near(t, d.Step(0.1, 0.04), 0.3, 1e-12, "closed form: rate times time")
	testkit.Near(t, d.Step(0.1, -0.1), -0.75, 1e-12, "closed form: rate times time")
	testkit.Near(t, d.Position(), -0.45, 1e-12, "sum")
	d = NewDrive(DriveParams{RateArcsecPerS: 30, TurningArcsecPerS: 15, MaxArcsecPerS: 20})
	testkit.Near(t, d.Step(1, 1), 5, 1e-12, "closed form: 20 in place of 45, less 15")
	testkit.Near(t, d.Step(1, -1), -30, 1e-12, "closed form: back at 15 less 15")
	for _, bad := range []DriveParams{{RateArcsecPerS: -1}, {Play: -1}, {Slide: 1}, {Stick: 1, Slide: 2}, {Play: unit.Arcsec(math.NaN())}} {
		if d := NewDrive(bad); !math.IsNaN(float64(d.Position())) {
			t.Errorf("%+v: got %v, want NaN", bad, d.Position())
		}
	}
	d = NewDrive(DriveParams{RateArcsecPerS: 7.5, Play: 3, Stick: 1, Slide: 0.5})
	if n := testing.AllocsPerRun(1000, func() { d.Step(0.1, 0.05) }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

// A reversal loses the play, and takes as long as mech says.
func TestDrivePlay(t *testing.T) {
	const rate, play = 0.5, 30
	d := NewDrive(DriveParams{RateArcsecPerS: rate * mech.SiderealArcsecPerS, Play: play})
	d.Step(10, 10) // on the flank
	at := d.Position()
	const step = 0.001
	n := 0
	for d.Position() == at && n < 1e5 {
		d.Step(step, -step)
		n++
	}
	testkit.Near(t, unit.Second(float64(n)*step), mech.BacklashTime(play, rate), 2*step, "mech.BacklashTime")
}

// Friction without a difference between stick and slide is play.
func TestDriveFrictionAsPlay(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	a := NewDrive(DriveParams{RateArcsecPerS: 7.5, Play: 1, Stick: 0.7, Slide: 0.7})
	b := NewDrive(DriveParams{RateArcsecPerS: 7.5, Play: 2.4})
	at, axis := 0.0, 0.0
	for range 5000 {
		run := unit.Second(0.2 * (2*r.Float64() - 1))
		a.Step(0.2, run)
		b.Step(0.2, run)
		at += 7.5 * float64(run)
		axis = math.Min(math.Max(axis, at-1.2), at+1.2)
		testkit.Near(t, a.Position(), b.Position(), 1e-9, "closed form: play wider by twice the strain")
		testkit.Near(t, float64(b.Position()), axis, 1e-9, "closed form: the axis stays within half the play of the motor")
	}
}

// Small corrections add up until the axis breaks away, and it hops.
func TestDriveStickSlip(t *testing.T) {
	d := NewDrive(DriveParams{RateArcsecPerS: 1, Stick: 2.05, Slide: 0.5})
	var hops []float64
	var after []int
	n := 0
	for range 200 {
		n++
		if moved := d.Step(0.1, 0.1); moved != 0 {
			hops = append(hops, float64(moved))
			after = append(after, n)
			n = 0
		}
		d.Step(0.1, 0) // rest
	}
	testkit.Near(t, hops[0], 1.6, 1e-9, "closed form: breaks away at 2.1, slides to 0.5")
	if after[0] != 21 || after[1] != 16 {
		t.Errorf("broke away after %v corrections, want 21, then 16", after)
	}
	// Without rests it breaks away once and follows.
	d = NewDrive(DriveParams{RateArcsecPerS: 1, Stick: 2.05, Slide: 0.5})
	for range 40 {
		d.Step(0.1, 0.1)
	}
	testkit.Near(t, d.Position(), 4-0.5, 1e-9, "closed form: the motor's way less the strain of sliding")
	before := d.Position()
	n = 0
	for d.Position() == before {
		d.Step(0.1, -0.1)
		n++
	}
	testkit.Near(t, float64(n)*0.1, 0.5+2.05, 0.1, "closed form: a reversal costs Slide + Stick")
}

// An axis that turns all the time neither crosses its play nor sticks.
func TestDriveTurning(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 3))
	free := NewDrive(DriveParams{RateArcsecPerS: 7.5})
	worn := NewDrive(DriveParams{RateArcsecPerS: 7.5, TurningArcsecPerS: mech.SiderealArcsecPerS, Play: 40, Stick: 5, Slide: 2})
	south := NewDrive(DriveParams{RateArcsecPerS: 7.5, TurningArcsecPerS: -mech.SiderealArcsecPerS, Play: 40, Stick: 5, Slide: 2})
	for range 5000 {
		run := unit.Second(0.2 * (2*r.Float64() - 1))
		free.Step(0.2, run)
		worn.Step(0.2, run)
		south.Step(0.2, run)
		testkit.Near(t, worn.Position(), free.Position(), 1e-9, "closed form: never reverses")
		testkit.Near(t, south.Position(), free.Position(), 1e-9, "closed form: never reverses")
	}
}

// walking returns a disturbance that drifts and walks by steps a cycle.
func walking(cycles int, drift, walk float64, r *rand.Rand) []float64 {
	values := make([]float64, cycles+1)
	for i := range values[1:] {
		values[i+1] = values[i] + drift + walk*r.NormFloat64()
	}
	return values
}

// Play in the declination drive costs what the loop followed by other means says,
// and Backlash: nothing for noise and drift, much for what turns back.
func TestServoBacklash(t *testing.T) {
	cycles := 240000
	if testing.Short() {
		cycles = 60000
	}
	for i, tt := range []struct {
		gain, play, drift, walk float64
		costs                   bool
	}{
		{0.5, 10, 0, 0, false}, {0.5, 10, 0.1, 0, false}, {0.3, 3, 0.03, 0, false},
		{0.5, 3, 0, 0.3, true}, {0.5, 10, 0, 0.3, true}, {0.3, 10, 0, 0.1, true}, {0.8, 30, 0.01, 0.3, true},
	} {
		r := rand.New(rand.NewPCG(5, uint64(i)))
		g := timed(Linear{tt.gain, 0.5, 1, 0}, 2)
		g.drives[1].Play = unit.Arcsec(tt.play)
		g.common[1] = held(walking(cycles, tt.drift, tt.walk, r), 1)
		g.noise, g.rng = 1, r
		axes, _ := g.run(cycles)
		got := variance(axes[1].each, 500) - 1
		src := fmt.Sprintf("%+v", tt)
		want := played(tt.gain, tt.play, tt.drift, tt.walk, cycles, r)
		without := noiseGain(tt.gain, 0) * (1 + tt.walk*tt.walk/(tt.gain*tt.gain))
		testkit.NearRel(t, got, want, 0.1, "the same loop followed by other means, "+src)
		testkit.NearRel(t, got, without+Backlash{unit.Arcsec(tt.play), tt.gain, 1, unit.Arcsec(tt.walk), unit.Arcsec(tt.drift), 0}.Variance(), 0.35, "Backlash, "+src)
		if costs := got > 1.2*without; costs != tt.costs {
			t.Errorf("%s: variance %g, without play %g", src, got, without)
		}
	}
}

// Friction: the axis follows a drift by hops, with noise and without; the linear
// model knows nothing of it.
func TestServoStickSlip(t *testing.T) {
	for _, tt := range []struct{ gain, drift, hop, noise float64 }{
		{0.3, 0.01, 1, 0}, {0.5, 0.02, 1, 0}, {0.5, 0.05, 2, 0}, {0.8, 0.01, 2, 0},
		{0.3, 0.01, 1, 0.2}, {0.5, 0.02, 1, 0.2}, {0.5, 0.05, 2, 0.2}, {0.8, 0.01, 2, 0.2},
	} {
		run := func(stick, slide unit.Arcsec) float64 {
			g := timed(Linear{tt.gain, 0.5, 1, 0}, 2)
			g.drives[1].Stick, g.drives[1].Slide = stick, slide
			g.common[1] = func(t unit.Second) float64 { return tt.drift * float64(t) }
			g.noise, g.rng = tt.noise, rand.New(rand.NewPCG(5, 1))
			axes, _ := g.run(40000)
			return variance(axes[1].each, 2000) - tt.noise*tt.noise
		}
		src := fmt.Sprintf("stated in Servo: 0.15 to 0.45 hops squared, %+v", tt)
		hops := run(unit.Arcsec(tt.hop+0.5), 0.5) - run(0, 0)
		testkit.Near(t, hops/(tt.hop*tt.hop), 0.3, 0.15, src)
		free := noiseGain(tt.gain, 0) * tt.noise * tt.noise
		testkit.Near(t, run(0, 0), free, 0.1*free+1e-12, "NoiseGain: without friction")
	}
}

func TestWaves(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for _, h := range []float64{0, 0.3, 0.5} {
		lines := PeriodicError(20, 480, h)
		mean, square := 0.0, 0.0
		const nights = 400
		for range nights {
			w := NewWaves(lines, r)
			lo, hi, power := 0.0, 0.0, 0.0
			for s := range 480 {
				v := float64(w.At(unit.Second(s)))
				lo, hi = math.Min(lo, v), math.Max(hi, v)
				power += v * v / 480
			}
			want := 0.0
			for _, l := range lines {
				want += l.MeanSquareArcsec2
			}
			testkit.NearRel(t, power, want, 1e-6, "definition: lines keep their mean square")
			mean += (hi - lo) / nights
			square += (hi - lo) * (hi - lo) / nights
		}
		testkit.NearRel(t, mean, 20, 0.04, "PeriodicError: the mean over phases")
		if h > 0 {
			testkit.Near(t, math.Sqrt(square-mean*mean)/mean, 0.04, 0.01, "stated in NewWaves: scatter over phases")
		}
	}
	e := mech.FromPeakToPeak(20, 480)
	w := Waves{{Sine(e.Amplitude, e.Period), math.Pi / 2}}
	testkit.Near(t, w.At(0), 10, 1e-12, "mech.FromPeakToPeak: half of peak to peak")
	testkit.Near(t, w.At(240), -10, 1e-12, "mech.FromPeakToPeak: half a period later")
	testkit.NearRel(t, unit.Arcsec(math.Sqrt(w[0].Line.MeanSquareArcsec2)), e.RMS(), 1e-12, "mech.PeriodicError.RMS")
	slope := (w.At(120.001) - w.At(119.999)) / 0.002
	testkit.NearRel(t, float64(-slope), e.PeakRate(), 1e-6, "mech.PeriodicError.PeakRate")
}
