package loop

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"holdfast/internal/air"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// night is a loop followed in time, steps to a cycle.
type night struct {
	loop     Linear
	steps    int       // in a cycle
	common   []float64 // one a step, moves both telescopes; nil for none
	guide    []float64 // one a step, seen by the guide camera alone; nil for none
	noise    float64   // rms of white measurement noise
	deadBand float64   // half width
	skip     int       // cycles left out at the start
	rng      *rand.Rand
}

// follow returns the mean square of the star's error, its variance within subs
// of the given number of cycles, and the measurement's mean and mean square.
func (n night) follow(cycles, sub int) (meanSquare, within, mean, measured float64) {
	exposed := int(math.Round(float64(n.loop.Exposure/n.loop.Cycle) * float64(n.steps)))
	past := make([]float64, n.loop.Delay+1)
	c, counted, subs := 0.0, 0, 0
	var subSum, subSquares float64
	at := func(s []float64, i int) float64 {
		if s == nil {
			return 0
		}
		return s[i]
	}
	for k := range cycles {
		m, square, sum := 0.0, 0.0, 0.0
		for i := range n.steps {
			j := k*n.steps + i
			e := at(n.common, j) - c
			sum += e
			square += e * e
			if i < exposed {
				m += e + at(n.guide, j)
			}
		}
		m /= float64(exposed)
		if n.noise > 0 {
			m += n.noise * n.rng.NormFloat64()
		}
		if k >= n.skip {
			meanSquare += square / float64(n.steps)
			mean += m
			measured += m * m
			subSum += sum / float64(n.steps)
			subSquares += square / float64(n.steps)
			if counted++; counted%sub == 0 {
				within += subSquares/float64(sub) - subSum*subSum/float64(sub*sub)
				subSum, subSquares = 0, 0
				subs++
			}
		}
		past[k%(n.loop.Delay+1)] = m
		if k >= n.loop.Delay {
			if late := past[(k+1)%(n.loop.Delay+1)]; math.Abs(late) >= n.deadBand {
				c += n.loop.Gain * late
			}
		}
	}
	count := float64(counted)
	return meanSquare / count, within / float64(subs), mean / count, measured / count
}

// drawn returns n samples dt apart of noise with the given spectrum: one sine
// for each multiple of the lowest frequency, of exactly the spectrum's power
// and random phase, so that the power itself does not scatter. The share above
// half the sampling frequency is missing.
func drawn(s Spectrum, n int, dt float64, r *rand.Rand) []float64 {
	coef := make([]complex128, n/2+1)
	df := 1 / (float64(n) * dt)
	for i := 1; i < len(coef); i++ {
		coef[i] = cmplx.Rect(math.Sqrt(s(float64(i)*df)*df/2), 2*math.Pi*r.Float64())
	}
	return fourier.NewFFT(n).Sequence(nil, coef)
}

var loops = []Linear{
	{0.3, 2, 2, 0}, {0.5, 2, 2, 0}, {0.5, 2, 2.5, 0}, {0.8, 1, 2, 0}, {1.4, 1, 1.25, 0},
	{0.3, 2, 2.5, 1}, {0.6, 0.9, 1.5, 1}, {0.3, 1.5, 2, 2},
}

func (l Linear) String() string {
	return fmt.Sprintf("g %g, %g of %g s, delay %d", l.Gain, float64(l.Exposure), float64(l.Cycle), l.Delay)
}

func TestSineAgainstTime(t *testing.T) {
	const steps, cycles = 60, 8000
	for _, l := range loops {
		for _, x := range []float64{0.00412, 0.0271, 0.1131, 0.317, 0.4873, 0.7071, 1.09, 2.236} {
			f := x / float64(l.Cycle)
			wave := make([]float64, steps*cycles)
			for i := range wave {
				wave[i] = math.Sqrt2 * math.Sin(2*math.Pi*x*(float64(i)+0.5)/steps)
			}
			const sub = 150
			length := unit.Second(sub) * l.Cycle
			common, within, _, measured := night{loop: l, steps: steps, skip: 100, common: wave}.follow(cycles, sub)
			injected, injectedWithin, _, measuredGuide := night{loop: l, steps: steps, skip: 100, guide: wave}.follow(cycles, sub)
			src := fmt.Sprintf("followed in time, %v, %g cycles a frame", l, x)
			testkit.NearRel(t, l.ResidualPower(f, whole), common, 0.015, src)
			testkit.NearRel(t, l.InjectedPower(f, whole), injected, 0.015, src)
			testkit.NearRel(t, l.MeasuredPower(f), measured, 0.015, src)
			testkit.NearRel(t, l.MeasuredPower(f), measuredGuide, 0.015, src)
			testkit.NearRel(t, l.ResidualPower(f, length), within, 0.03, src+", within a sub")
			testkit.NearRel(t, l.InjectedPower(f, length), injectedWithin, 0.03, src+", within a sub")
		}
	}
}

func TestRampAgainstTime(t *testing.T) {
	const steps, cycles = 200, 400
	for _, l := range loops {
		ramp := make([]float64, steps*cycles)
		for i := range ramp {
			ramp[i] = 0.3 * float64(l.Cycle) * (float64(i) + 0.5) / steps
		}
		late, _, _, _ := night{loop: l, steps: steps, skip: 100, common: ramp}.follow(cycles, 10)
		r := l.Ramp(0.3)
		src := fmt.Sprintf("followed in time, %v", l)
		testkit.NearRel(t, float64(r.Mean*r.Mean)+r.Sawtooth, late, 0.002, src)
	}
}

func TestNoiseAgainstTime(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for _, l := range loops {
		const sub = 60
		whole, within, _, _ := night{loop: l, steps: 1, noise: 1, rng: r}.follow(300000, sub)
		src := fmt.Sprintf("followed in time, %v", l)
		testkit.NearRel(t, l.NoiseGain(), whole, 0.03, src)
		testkit.NearRel(t, l.InjectedNoise(sub*l.Cycle), within, 0.03, src+", within a sub")
	}
}

// named is a spectrum with its name.
type named struct {
	name string
	at   Spectrum
}

// spectra are the kinds of disturbance that loops meet.
func spectra() []named {
	motion := func(d unit.Metre, v unit.MPS, outer unit.Metre, axis air.Axis) Spectrum {
		return air.NewMotion(air.MotionParams{Aperture: d, Wind: v, Air: air.Turbulence{Fried: 0.05, Outer: outer}, Axis: axis}).PSD
	}
	inf := unit.Metre(math.Inf(1))
	return []named{
		{"air, 20 m", motion(0.05, 10, 20, air.MeanAxis)},
		{"air, 20 m, across", motion(0.05, 10, 20, air.Across)},
		{"air, 20 m, along", motion(0.05, 10, 20, air.Along)},
		{"air, slow", motion(0.2, 1, 20, air.MeanAxis)},
		{"air, endless", motion(0.05, 10, inf, air.MeanAxis)},
		{"gusts", air.GroundGust(4).PSD},
		{"gusts, fast", air.Gust{Wind: 8, Scale: 4}.PSD},
		{"walk", Walk(0.1)},
		{"flat to 3 Hz", func(f float64) float64 { return 1 / (1 + math.Pow(f/3, 4)) }},
	}
}

// dense integrates the loop's powers times the spectrum on a fine grid up to
// 400 cycles a frame.
func dense(l Linear, s Spectrum, sub unit.Second) (residual, injected, measured float64) {
	cycle := float64(l.Cycle)
	add := func(f, df float64) {
		r, i, m := l.response(f, float64(sub))
		power := s(f) * df
		residual, injected, measured = residual+power*r, injected+power*i, measured+power*m
	}
	const n = 400
	edge := 0.02 / cycle // in the cube root, then evenly
	for i := range n {
		u := math.Cbrt(edge) * (float64(i) + 0.5) / n
		add(u*u*u, 3*u*u*math.Cbrt(edge)/n)
	}
	from := edge
	for from < 400/cycle {
		df := 1.0 / 2000 / cycle
		if from > 20/cycle {
			df = 1.0 / 60 / cycle * (1 + 1e-3*math.Sqrt2)
		}
		add(from+df/2, df)
		from += df
	}
	return residual + above(s, from), injected, measured
}

func TestFold(t *testing.T) {
	some := loops
	if testing.Short() {
		some = []Linear{loops[1], loops[2], loops[5]}
	}
	for _, l := range append(some, Linear{0.9, 1, 1, 1}, Linear{1.8, 2, 3, 0}) {
		for _, kind := range spectra() {
			name, s := kind.name, kind.at
			for _, sub := range []unit.Second{300, whole} {
				if name == "walk" && sub == whole {
					continue // a walk has no whole variance to inject
				}
				src := fmt.Sprintf("dense integral, %s, %v, sub %v", name, l, sub)
				residual, injected, measured := dense(l, s, sub)
				testkit.NearRel(t, l.Residual(s, sub), residual, 0.01, src+", residual")
				testkit.NearRel(t, l.Injected(s, sub), injected, 0.01, src+", injected")
				testkit.NearRel(t, l.Measured(s), measured, 0.01, src+", measured")
			}
		}
	}
	for _, got := range []float64{
		(Linear{2, 1, 1, 0}).Residual(Walk(1), 60), (Linear{0.5, 2, 1, 0}).Injected(Walk(1), 60),
		(Linear{0.5, 1, 1, 0}).Residual(Walk(1), 0), (Linear{0.5, 1, 1, -1}).Measured(Walk(1)),
	} {
		if !math.IsNaN(got) {
			t.Errorf("got %v, want NaN", got)
		}
	}
}

// Noise drawn from each spectrum, through a loop in time.
func TestSpectrumAgainstTime(t *testing.T) {
	if testing.Short() {
		t.Skip("long simulation")
	}
	const steps, sub, cycles = 20, 64, 1 << 16
	r := rand.New(rand.NewPCG(11, 5))
	for _, l := range loops {
		for _, kind := range spectra() {
			name, s := kind.name, kind.at
			dt := float64(l.Cycle) / steps
			cut := func(f float64) float64 {
				if f > 0.5/dt {
					return 0
				}
				return s(f)
			}
			series := drawn(s, steps*cycles, dt, r)
			_, residual, _, _ := night{loop: l, steps: steps, skip: 200, common: series}.follow(cycles, sub)
			_, injected, _, measured := night{loop: l, steps: steps, skip: 200, guide: series}.follow(cycles, sub)
			src := fmt.Sprintf("followed in time, %s, %v", name, l)
			length := sub * l.Cycle
			testkit.NearRel(t, l.Residual(cut, length), residual, 0.03, src+", residual")
			if name != "walk" { // its variance within subs scatters too much; TestFold holds it
				testkit.NearRel(t, l.Injected(s, length), injected, 0.03, src+", injected")
			}
			testkit.NearRel(t, l.Measured(s), measured, 0.03, src+", measured")
		}
	}
}

// Air that is correlated from one exposure to the next is not injected by the
// white rule g/(2-g).
func TestInjectedAir(t *testing.T) {
	l := Linear{0.5, 2, 2, 0}
	motion := func(outer unit.Metre, axis air.Axis) *air.Motion {
		return air.NewMotion(air.MotionParams{Aperture: 0.05, Wind: 10, Air: air.Turbulence{Fried: 0.05, Outer: outer}, Axis: axis})
	}
	inf := unit.Metre(math.Inf(1))
	const src = byNumpy + "simulated series of 2-s averages, 10 m/s"
	testkit.Near(t, l.NoiseGain(), 0.33, 0.005, "closed form: g/(2-g)")
	m := motion(20, air.Across)
	testkit.Near(t, l.Injected(m.PSD, whole)/m.AveragedVariance(2), 0.35, 0.005, src+", L0 20 m, across the wind")
	m = motion(inf, air.MeanAxis)
	// The simulated record of 8192 had lost its mean, n^(-1/3) of the variance.
	lost := math.Pow(8192, -1./3)
	testkit.Near(t, l.Measured(m.PSD)/m.AveragedVariance(2)/(1-lost), 0.70, 0.01, src+", what the guide camera sees over the motion without its mean")
	testkit.Near(t, (l.Injected(m.PSD, whole)/m.AveragedVariance(2)-lost)/(1-lost), 0.65, 0.01, src+", without its mean")
}

func BenchmarkFold(b *testing.B) {
	m := air.NewMotion(air.MotionParams{Aperture: 0.05, Wind: 10, Air: air.Turbulence{Fried: 0.05, Outer: 20}})
	for b.Loop() {
		Fold(m.PSD, 2, 2.5, 0, 300)
	}
}

func BenchmarkFoldedResidual(b *testing.B) {
	f := Fold(air.GroundGust(4).PSD, 2, 2.5, 0, 300)
	for b.Loop() {
		f.Residual(0.5)
	}
}

func BenchmarkResidualPower(b *testing.B) {
	l := Linear{0.5, 2, 2.5, 0}
	for b.Loop() {
		l.ResidualPower(1./480, 300)
	}
}
