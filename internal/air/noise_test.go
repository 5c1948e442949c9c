package air

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// realised returns the one-sided cross spectrum of series a and b that the
// gains of a process make at a frequency, the two nearest bins of each level
// mixed, and the steps' Nyquist frequency. Interpolation between levels is
// taken as exact.
func realised(p *process, step float64, a, b int, f float64) complex128 {
	sum := complex128(0)
	for l := p.top; l != nil; l, step = l.slower, step*coarser {
		at := f * block * step
		k := int(at)
		if k+1 >= bins {
			continue
		}
		for j, w := range []float64{1 - (at - float64(k)), at - float64(k)} {
			for c := range min(a, b) + 1 {
				if l.gain[a][c] == nil || l.gain[b][c] == nil {
					continue
				}
				sum += complex(w*2*step*block*block, 0) * l.gain[a][c][k+j] * cmplx.Conj(l.gain[b][c][k+j])
			}
		}
	}
	return sum
}

// variance returns the covariance of series a and b that the gains make.
func variance(p *process, a, b int) float64 {
	sum := 0.0
	for l := p.top; l != nil; l = l.slower {
		for k := range bins {
			w := 2.0 * block
			if k == 0 || k == bins-1 {
				w = block
			}
			for c := range min(a, b) + 1 {
				if l.gain[a][c] != nil && l.gain[b][c] != nil {
					sum += w * real(l.gain[a][c][k]*cmplx.Conj(l.gain[b][c][k]))
				}
			}
		}
	}
	return sum
}

// folded is the spectrum of means over steps, by brute force.
func folded(psd func(float64) float64, f, step float64) float64 {
	sum := 0.0
	for m := -200; m <= 200; m++ {
		g := math.Abs(f + float64(m)/step)
		sum += psd(g) * square(sinc(g*step))
	}
	return sum
}

type namedPSD struct {
	name string
	at   func(float64) float64
}

func somePSDs() []namedPSD {
	motion := func(d unit.Metre, v unit.MPS, outer unit.Metre, axis Axis) func(float64) float64 {
		return NewMotion(MotionParams{d, v, under(2, outer), axis}).PSD
	}
	return []namedPSD{
		{"motion, 20 m, mean", motion(0.05, 10, 20, MeanAxis)},
		{"motion, 20 m, across", motion(0.2, 2, 20, Across)},
		{"motion, endless, along", motion(0.05, 10, inf, Along)},
		{"gusts", GroundGust(4).PSD},
		{"Davenport", func(f float64) float64 { return DavenportPSD(8, f) }},
		{"flat to 1 Hz", func(f float64) float64 { return 1 / (1 + square(square(f))) }},
	}
}

// What the filters make, without drawing anything.
func TestColouredSpectrum(t *testing.T) {
	for _, step := range []float64{0.01, 0.05} {
		for _, s := range somePSDs() {
			c := NewColoured(s.at, unit.Second(step), rand.New(rand.NewPCG(1, 1)))
			for _, part := range []struct{ lo, hi, tol float64 }{{2e-5, 3e-4, 0.05}, {3e-4, 0.499 / step, 0.01}} {
				worst, where := 0.0, 0.0
				for f := part.lo; f < part.hi; f *= 1.07 {
					off := real(realised(c.p, step, 0, 0, f))/folded(s.at, f, step) - 1
					if math.Abs(off) > math.Abs(worst) {
						worst, where = off, f
					}
				}
				testkit.Near(t, worst, 0, part.tol, fmt.Sprintf("definition: spectrum folded and averaged by brute force, %s, %g s, worst at %.3g Hz", s.name, step, where))
			}
			sum := overScales(func(f float64) float64 { return s.at(f) * square(sinc(f*step)) }, 1e-6, 0.5/step, 400/step)
			testkit.NearRel(t, variance(c.p, 0, 0), sum, 0.001, "integral of the spectrum times sinc^2, "+s.name)
		}
	}
}

// periodogram returns the mean power per hertz of n points long stretches,
// Hann's window on, averaged over bands of frequency.
type periodogram struct {
	fft   *fourier.FFT
	power []float64
	count int
	step  float64
}

func newPeriodogram(n int, step float64) *periodogram {
	return &periodogram{fourier.NewFFT(n), make([]float64, n/2+1), 0, step}
}

func (p *periodogram) add(x []float64) {
	n := len(x)
	w := make([]float64, n)
	mean := 0.0
	for _, v := range x {
		mean += v / float64(n)
	}
	for i, v := range x {
		w[i] = (v - mean) * (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))) * math.Sqrt(2./3)
	}
	for k, z := range p.fft.Coefficients(nil, w) {
		p.power[k] += square(cmplx.Abs(z)) * 2 * p.step / float64(n)
	}
	p.count++
}

func (p *periodogram) between(lo, hi float64) float64 {
	df := 1 / (p.step * float64(p.fft.Len()))
	sum, n := 0.0, 0
	for k := int(lo/df) + 1; float64(k)*df <= hi; k++ {
		sum += p.power[k]
		n++
	}
	return sum / float64(n) / float64(p.count)
}

// What comes out has the spectrum asked for.
func TestColouredAgainstTime(t *testing.T) {
	const step, n = 0.02, 1 << 13
	stretches := 60
	if testing.Short() {
		stretches = 12
	}
	for i, s := range somePSDs() {
		c := NewColoured(s.at, step, rand.New(rand.NewPCG(7, uint64(i))))
		p := newPeriodogram(n, step)
		x := make([]float64, n)
		for range stretches {
			for j := range x {
				x[j] = float64(c.Next())
			}
			p.add(x)
		}
		for lo := 0.1; lo < 20; lo *= 2 {
			hi := lo * 1.6
			want, m := 0.0, 40
			for j := range m {
				want += folded(s.at, lo+(hi-lo)*(float64(j)+0.5)/float64(m), step) / float64(m)
			}
			// Neighbours of one window share power: 1.9 of them to a number.
			numbers := (hi - lo) * n * step * float64(stretches) / 1.9
			testkit.NearRel(t, p.between(lo, hi), want, 0.01+4/math.Sqrt(numbers), fmt.Sprintf("definition: spectrum of means, %s, %g to %g Hz", s.name, lo, hi))
		}
	}
}

// Slow parts come from levels that run at lower rates; a long record has them.
func TestColouredSlow(t *testing.T) {
	if testing.Short() {
		t.Skip("long simulation")
	}
	const step, gather, n = 0.02, 500, 1 << 10
	for i, s := range somePSDs() {
		c := NewColoured(s.at, step, rand.New(rand.NewPCG(8, uint64(i))))
		p := newPeriodogram(n, step*gather)
		x := make([]float64, n)
		const stretches = 12
		for range stretches {
			for j := range x {
				sum := 0.0
				for range gather {
					sum += float64(c.Next())
				}
				x[j] = sum / gather
			}
			p.add(x)
		}
		for lo := 0.0008; lo < 0.03; lo *= 2 {
			hi := lo * 1.6
			want, m := 0.0, 20
			for j := range m {
				want += folded(s.at, lo+(hi-lo)*(float64(j)+0.5)/float64(m), step*gather) / float64(m)
			}
			numbers := (hi - lo) * n * step * gather * stretches / 1.9
			testkit.NearRel(t, p.between(lo, hi), want, 0.015+4/math.Sqrt(numbers), fmt.Sprintf("definition: spectrum of means, %s, %g to %g Hz", s.name, lo, hi))
		}
	}
}

// The filtered white noise is the same process at a seam as anywhere: the mean
// square step from one number to the next, taken by its place in the block.
func TestColouredSeams(t *testing.T) {
	m := NewMotion(MotionParams{0.2, 2, under(2, 20), MeanAxis})
	c := NewColoured(m.PSD, 0.02, rand.New(rand.NewPCG(4, 4)))
	const blocks, parts = 400, 64
	var squares, seam float64
	var part [parts]float64 // mean square value
	last := float64(c.Next())
	for i := 1; i < blocks*fresh; i++ {
		v := float64(c.Next())
		d := square(v - last)
		squares += d
		if i%fresh == 0 {
			seam += d
		}
		part[i%fresh/(fresh/parts)] += v * v
		last = v
	}
	// 400 squares of normal numbers scatter by sqrt(2/400).
	testkit.NearRel(t, seam/blocks, squares/(blocks*fresh), 4*math.Sqrt(2./blocks), "stationary: the step across a seam is one like any other")
	mean := 0.0
	for _, p := range part {
		mean += p / parts
	}
	testkit.NearRel(t, mean/(blocks*fresh/parts), m.AveragedVariance(0.02), 0.1, "AveragedVariance")
	for i, p := range part {
		testkit.NearRel(t, p, mean, 4*math.Sqrt(2./blocks), fmt.Sprintf("stationary: the variance in part %d of the blocks", i))
	}
}

func TestColouredIsRepeatable(t *testing.T) {
	psd := GroundGust(4).PSD
	first := NewColoured(psd, 0.05, rand.New(rand.NewPCG(5, 6)))
	again := NewColoured(psd, 0.05, rand.New(rand.NewPCG(5, 6)))
	other := NewColoured(psd, 0.05, rand.New(rand.NewPCG(5, 7)))
	same := 0
	for i := range 10000 {
		a, b, c := first.Next(), again.Next(), other.Next()
		if a != b {
			t.Fatalf("number %d: %v and %v from one seed", i, a, b)
		}
		if a == c {
			same++
		}
	}
	if same > 0 {
		t.Errorf("%d numbers alike from two seeds", same)
	}
	if n := testing.AllocsPerRun(20000, func() { first.Next() }); n != 0 {
		t.Errorf("%v allocations a number", n)
	}
}

func TestColouredOutside(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []*Coloured{
		NewColoured(GroundGust(4).PSD, 0, r), NewColoured(GroundGust(4).PSD, unit.Second(math.NaN()), r),
		NewColoured(GroundGust(0).PSD, 1, r), NewColoured(func(float64) float64 { return -1 }, 1, r),
	} {
		if v := c.Next(); !math.IsNaN(float64(v)) {
			t.Errorf("got %v, want NaN", v)
		}
	}
	none := NewColoured(func(float64) float64 { return 0 }, 1, r)
	for range 100 {
		testkit.Near(t, none.Next(), 0, 0, "closed form: no power")
	}
}

func BenchmarkColoured_50Hz(b *testing.B) {
	c := NewColoured(GroundGust(4).PSD, 0.02, rand.New(rand.NewPCG(1, 1)))
	sum := unit.Arcsec(0)
	for b.Loop() {
		sum += c.Next()
	}
	b.ReportMetric(float64(b.N)*0.02/b.Elapsed().Seconds(), "simulated-s/s")
	if math.IsNaN(float64(sum)) {
		b.Fatal(sum)
	}
}

func BenchmarkNewColoured(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	for b.Loop() {
		NewColoured(GroundGust(4).PSD, 0.02, r)
	}
}
