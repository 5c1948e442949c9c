package loop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestDeadZone(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for _, tt := range []struct{ mean, sigma, d float64 }{{0, 1, 0.5}, {0, 1, 1.5}, {0.7, 1, 1}, {1.5, 0.4, 1}, {0.3, 2, 5}} {
		const n = 1000000
		var sum, square, along float64
		for range n {
			x := r.NormFloat64()
			m := tt.mean + tt.sigma*x
			if math.Abs(m) < tt.d {
				continue
			}
			sum, square, along = sum+m, square+m*m, along+m*x
		}
		mean, gain := sum/n, along/n/tt.sigma
		left := square/n - mean*mean - gain*gain*tt.sigma*tt.sigma
		gotMean, gotGain, gotLeft := deadZone(tt.mean, tt.sigma, tt.d)
		src := fmt.Sprintf("a million normal numbers, %+v", tt)
		testkit.Near(t, gotMean, mean, 0.006*tt.sigma, src)
		testkit.Near(t, gotGain, gain, 0.012, src)
		testkit.Near(t, gotLeft, left, 0.03*tt.sigma*tt.sigma, src)
	}
	a := 0.8
	_, gain, _ := deadZone(0, 1, a)
	testkit.NearRel(t, gain, math.Erfc(a/math.Sqrt2)+math.Sqrt(2/math.Pi)*a*math.Exp(-a*a/2), 1e-12, "closed form without a mean")
}

func TestDeadBand(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 2))
	n := 200000
	if testing.Short() {
		n = 60000
	}
	walk := make([]float64, n)
	for _, l := range []Linear{{0.3, 1, 1, 0}, {0.6, 1, 1, 0}, {0.9, 1, 1, 0}, {0.4, 1, 1, 1}} {
		for _, d := range []float64{0, 0.5, 1, 2, 3} {
			for _, drift := range []float64{0, 0.05, 0.2} {
				for _, step := range []float64{0, 0.2} {
					at := 0.0
					for i := range walk {
						at += drift + step*r.NormFloat64()
						walk[i] = at
					}
					meanSquare, _, mean, measured := night{loop: l, steps: 1, skip: 500, common: walk, noise: 1, deadBand: d, rng: r}.follow(n, 10)
					got := l.DeadBand(unit.Arcsec(d), drift, func(g float64) float64 {
						return 1 + noiseGain(g, l.Delay)*(1+step*step/(g*g))
					})
					star := noiseGain(got.Gain, l.Delay) * (1 + step*step/(got.Gain*got.Gain) + got.NoiseArcsec2)
					src := fmt.Sprintf("followed in time, %v, band %g, drift %g, walk %g, noise 1", l, d, drift, step)
					tol := 0.075 // 6 % and what 60000 cycles leave open
					if d > 2 {
						tol = 0.25
					}
					testkit.NearRel(t, star, meanSquare-mean*mean, tol, src+", star")
					testkit.Near(t, float64(got.Offset), mean, 0.06*mean+0.09, src+", offset")
					variance := float64(got.RMS * got.RMS)
					testkit.NearRel(t, variance, measured-mean*mean, math.Max(tol/2, 0.075), src+", measurement")
				}
			}
		}
	}
}

func TestDeadBandLimits(t *testing.T) {
	l := Linear{0.5, 1, 1, 0}
	noise := func(g float64) float64 { return 1 + noiseGain(g, 0) }
	none, narrow := l.DeadBand(0, 0.1, noise), l.DeadBand(0.01, 0.1, noise)
	testkit.NearRel(t, narrow.Gain, none.Gain, 1e-3, "closed form: a narrow band changes nothing")
	testkit.NearRel(t, narrow.Offset, none.Offset, 1e-3, "closed form: a narrow band changes nothing")
	testkit.NearRel(t, none.Offset, l.Ramp(0.1).Measured, 1e-9, "closed form: v Cycle/g")
	testkit.NearRel(t, l.DeadBand(1, -0.1, noise).Offset, -l.DeadBand(1, 0.1, noise).Offset, 1e-9, "symmetry")
	if got := (Linear{2, 1, 1, 0}).DeadBand(1, 0, noise).Gain; !math.IsNaN(got) {
		t.Errorf("not stable: got %v, want NaN", got)
	}
}

func BenchmarkDeadBand(b *testing.B) {
	l := Linear{0.5, 1, 1, 0}
	for b.Loop() {
		l.DeadBand(1, 0.1, func(g float64) float64 { return 1 + noiseGain(g, 0) })
	}
}
