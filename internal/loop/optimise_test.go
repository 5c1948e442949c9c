package loop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/air"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// worm and still are the axes of a common mount in a breeze: a guide telescope
// of 50 mm, air of 2 arcsec with an outer scale of 20 m.
func worm() Disturbance {
	d := still()
	d.Lines = append(PeriodicError(20, 480, 0.3), Sine(1, 27))
	return d
}

func still() Disturbance {
	gust := air.GroundGust(3)
	return Disturbance{
		Wind: func(f float64) float64 { return 0.04 * gust.PSD(f) },
		Air:  air.NewMotion(air.MotionParams{Aperture: 0.05, Wind: 10, Air: air.Turbulence{Fried: 0.05, Outer: 20}}).PSD,
		Noise: func(exposure unit.Second) float64 {
			return 0.01 + 0.02/float64(exposure)
		},
		DriftArcsecPerS: 0.01,
	}
}

var open = Limits{
	MinExposure: 0.5, MaxExposure: 8, Overhead: 0.4,
	MinGain: 0.05, MaxGain: 1, Sub: 300,
}

// Everything at once, through a loop in time.
func TestOutcomeAgainstTime(t *testing.T) {
	if testing.Short() {
		t.Skip("long simulation")
	}
	const steps, sub, cycles = 50, 120, 1 << 14
	r := rand.New(rand.NewPCG(31, 8))
	d := worm()
	for _, l := range []Linear{{0.5, 2, 2.5, 0}, {0.7, 1.2, 1.5, 0}, {0.4, 2, 2.5, 1}} {
		dt := float64(l.Cycle) / steps
		common := drawn(d.Wind, steps*cycles, dt, r)
		for i := range common {
			time := (float64(i) + 0.5) * dt
			common[i] += d.DriftArcsecPerS * time
			for k, line := range d.Lines {
				common[i] += math.Sqrt(2*line.MeanSquareArcsec2) * math.Sin(2*math.Pi*line.FrequencyHz*time+float64(k))
			}
		}
		guide := drawn(d.Air, steps*cycles, dt, r)
		for _, band := range []float64{0, 0.3} {
			_, within, mean, measured := night{
				loop: l, steps: steps, skip: 200, common: common, guide: guide,
				noise: math.Sqrt(d.Noise(l.Exposure)), deadBand: band, rng: r,
			}.follow(cycles, sub)
			got := l.Outcome(d, unit.Arcsec(band), sub*l.Cycle)
			src := fmt.Sprintf("followed in time, %v, band %g", l, band)
			tol := 0.03
			if band > 0 {
				tol = 0.06
			}
			testkit.NearRel(t, got.Smear.Total(), within, tol, src+", smear")
			testkit.NearRel(t, float64(got.Measured*got.Measured), measured-mean*mean, tol, src+", measured")
		}
	}
}

func TestOptimiseAgainstGrid(t *testing.T) {
	for _, delay := range []int{0, 1} {
		limits := open
		limits.Delay = delay
		got := Optimise(limits, worm(), still())
		least := math.Inf(1)
		for i := range 25 {
			e := unit.Second(0.5 * math.Pow(16, float64(i)/24))
			total := 0.0
			for _, d := range []Disturbance{worm(), still()} {
				c := newCase(d, e, e+limits.Overhead, delay, limits.Sub)
				best := math.Inf(1)
				for g := 0.05; g < 0.9*StabilityLimit(delay, 0) && g <= 1; g += 0.01 {
					best = math.Min(best, c.outcome(g, 0).Smear.Total())
				}
				total += best
			}
			least = math.Min(least, total)
		}
		testkit.NearRel(t, got.Total(), least, 0.005, "best of a grid of 25 exposures and all gains to 0.01")
		for i, d := range []Disturbance{worm(), still()} {
			a := got.Axes[i]
			l := Linear{a.Gain, got.Exposure, got.Exposure + limits.Overhead, delay}
			testkit.NearRel(t, l.Outcome(d, 0, limits.Sub).Smear.Total(), a.Smear.Total(), 1e-9, "the same settings tried alone")
		}
		if got.Axes[0].Gain <= got.Axes[1].Gain {
			t.Errorf("delay %d: gains %v: the axis with periodic error needs the higher", delay, got.Axes)
		}
	}
}

func TestOptimiseLimits(t *testing.T) {
	fast := Optimise(open, Disturbance{Lines: []Line{Sine(10, 480)}})
	testkit.Near(t, fast.Exposure, open.MinExposure, 0.05, "closed form: without noise the shortest exposure")
	quiet := open
	quiet.MinExposure = quiet.MaxExposure
	slow := Optimise(quiet, Disturbance{Noise: func(unit.Second) float64 { return 1 }})
	testkit.Near(t, slow.Axes[0].Gain, open.MinGain, 0.01, "closed form: without a disturbance the least gain")
	testkit.Near(t, slow.Exposure, quiet.MaxExposure, 1e-9, "limits: a fixed exposure")
	// A walk sampled with noise: the star's variance at the exposures is the
	// classical one, when exposures are short against the cycle.
	const walk, noise = 0.3, 0.4
	brief := Limits{MinExposure: 0.001, MaxExposure: 0.001, Overhead: 0.999, MinGain: 0.01, MaxGain: 1.8, Sub: 1e7}
	got := Optimise(brief, Disturbance{WalkArcsecPerRootS: walk, Noise: func(unit.Second) float64 { return noise * noise }})
	gain, variance := GainForWalk(walk*walk/(noise*noise), 0)
	testkit.Near(t, got.Axes[0].Gain, gain, 0.02, "steady Kalman gain")
	// Between samples the walk adds the mean of what it gathers, half a step.
	testkit.NearRel(t, got.Total(), variance*noise*noise+walk*walk/2, 0.02, "closed form: walk and noise, between samples too")
	banded := open
	banded.MaxDeadBand = 1
	if with, without := Optimise(banded, still()), Optimise(open, still()); with.Total() > without.Total()*1.001 {
		t.Errorf("with a dead band allowed %v, without %v", with.Total(), without.Total())
	}
	banded.MinDeadBand = 1
	forced := Optimise(banded, worm(), still())
	testkit.Near(t, forced.DeadBand, 1, 0, "limits: a fixed dead band")
	if forced.Axes[0].Smear.SwitchArcsec2 <= 0 || forced.Total() <= Optimise(open, worm(), still()).Total() {
		t.Errorf("a dead band far above the noise costs nothing: %+v", forced)
	}
	play := still()
	play.WalkArcsecPerRootS, play.Backlash = 0.05, 20
	free := play
	free.Backlash = 0
	if with, without := Optimise(open, play), Optimise(open, free); with.Axes[0].Smear.BacklashArcsec2 <= 0 || with.Total() <= without.Total() {
		t.Errorf("play costs nothing: %+v", with)
	}
	impossible := open
	impossible.Overhead = -1
	if got := Optimise(impossible, still()).Total(); !math.IsNaN(got) {
		t.Errorf("a cycle shorter than its exposure: got %v, want NaN", got)
	}
}

func BenchmarkOptimise_2axes(b *testing.B) {
	ra, dec := worm(), still()
	limits := open
	limits.MaxDeadBand = 0.5
	for b.Loop() {
		Optimise(limits, ra, dec)
	}
}

func BenchmarkOutcome(b *testing.B) {
	d := worm()
	for b.Loop() {
		(Linear{0.5, 2, 2.4, 0}).Outcome(d, 0, 300)
	}
}
