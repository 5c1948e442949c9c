package air

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// oneLayer is a layer seen by a 50 and a 200 mm telescope some way apart along
// x.
func oneLayer(apart unit.Metre, wind unit.MPS, toward unit.Deg, outer unit.Metre, step unit.Second) SeriesParams {
	return SeriesParams{
		Air:    under(2, outer),
		Layers: []Layer{{0, 1, wind, toward}},
		Beams:  []Beam{{Aperture: 0.05}, {Aperture: 0.2, X: apart}},
		Step:   step,
	}
}

// averaged returns the covariances that the gains of a layer's process make of
// means over n steps of series a, and of b delayed by late steps against a.
func averaged(p *process, step float64, a, b, n int, late float64) float64 {
	sum := 0.0
	first := step
	for l := p.top; l != nil; l, step = l.slower, step*coarser {
		for k := range bins {
			f := float64(k) / (block * step)
			w := 2.0 * block
			if k == 0 || k == bins-1 {
				w = block
			}
			// Mean over n steps of the fastest level, and the delay.
			d := 1.0
			if x := math.Sin(math.Pi * f * first); x != 0 {
				d = math.Sin(math.Pi*f*first*float64(n)) / (float64(n) * x)
			}
			s, c := math.Sincos(2 * math.Pi * f * first * late)
			for j := range min(a, b) + 1 {
				if l.gain[a][j] != nil && l.gain[b][j] != nil {
					sum += w * d * d * real(complex(c, s)*l.gain[a][j][k]*cmplx.Conj(l.gain[b][j][k]))
				}
			}
		}
	}
	return sum
}

// designed returns the correlation of the means over n steps of two beams in
// the first layer and the ratio of their rms, both over both axes, and the rms
// of the first, from the gains alone.
func designed(s *Series, step float64, n, first, second int) (correlation, ratio, rms float64) {
	l := s.layers[0]
	late := float64(len(l.late[2*second]) - len(l.late[2*first]))
	var v1, v2, c float64
	for axis := range 2 {
		v1 += averaged(l.p, step, 2*first+axis, 2*first+axis, n, 0)
		v2 += averaged(l.p, step, 2*second+axis, 2*second+axis, n, 0)
		c += averaged(l.p, step, 2*first+axis, 2*second+axis, n, late)
	}
	return c / math.Sqrt(v1*v2), math.Sqrt(v1 / v2), math.Sqrt(v1 / 2)
}

// What the filters make of pairs, without drawing anything.
func TestSeriesPairs(t *testing.T) {
	for i, tt := range []struct {
		apart    unit.Metre
		wind     unit.MPS
		toward   unit.Deg
		outer    unit.Metre
		step     unit.Second
		averaged int
	}{
		{0.3, 3, 45, 20, 0.02, 50}, {0.3, 5, 45, 20, 0.02, 100}, {0.3, 1, 45, 20, 0.02, 1},
		{2, 5, 45, 20, 0.02, 100}, {17, 10, 45, 20, 0.02, 100}, {87, 10, 45, 20, 0.02, 100},
		{0.3, 3, 0, 20, 0.02, 50}, {0.3, 3, 90, 20, 0.02, 50}, {0.3, 10, 0, 20, 0.05, 1},
		{0.3, 10, 90, 20, 0.05, 1}, {2, 10, 0, 20, 0.05, 4}, {2, 10, 90, 20, 0.05, 40},
		{0.5, 8, 30, inf, 0.02, 100}, {0.15, 2, 120, 50, 0.01, 30}, {5, 10, -60, 100, 0.02, 400},
	} {
		if testing.Short() && i%3 != 0 {
			continue
		}
		s := NewSeries(oneLayer(tt.apart, tt.wind, tt.toward, tt.outer, tt.step), rand.New(rand.NewPCG(1, 1)))
		correlation, ratio, rms := designed(s, float64(tt.step), tt.averaged, 0, 1)
		exposure := tt.step * unit.Second(tt.averaged)
		blown := unit.Metre(float64(tt.wind) * float64(exposure))
		want, wantRatio := Pair{0.05, 0.2, tt.apart, tt.outer}.Correlation(blown, tt.toward)
		src := fmt.Sprintf("Pair.Correlation, %+v", tt)
		testkit.Near(t, correlation, want, 0.01, src)
		testkit.NearRel(t, ratio, wantRatio, 0.01, src)
		testkit.NearRel(t, unit.Arcsec(rms), AveragedMotion(0.05, under(2, tt.outer), tt.wind, exposure, MeanAxis), 0.01, "AveragedMotion, "+src)
	}
	for _, tt := range []struct {
		apart    unit.Metre
		wind     unit.MPS
		step     unit.Second
		averaged int
		want     float64
	}{
		{0.3, 0.1, 0.01, 1, 0.32416}, {0.3, 3, 0.02, 50, 0.766963}, {0.3, 5, 0.02, 100, 0.801458},
		{2, 5, 0.02, 100, 0.254224}, {17, 10, 0.02, 100, -0.0171608},
	} {
		s := NewSeries(oneLayer(tt.apart, tt.wind, 45, 20, tt.step), rand.New(rand.NewPCG(1, 1)))
		got, _, _ := designed(s, float64(tt.step), tt.averaged, 0, 1)
		testkit.Near(t, got, tt.want, 0.01, fmt.Sprintf("%spolar integration, 50 and 200 mm, %+v", byNumpy, tt))
	}
}

// Each axis has the spectrum of Motion for its direction to the wind.
func TestSeriesSpectrum(t *testing.T) {
	const step = 0.02
	s := NewSeries(oneLayer(0.3, 4, 0, 20, step), rand.New(rand.NewPCG(1, 1)))
	for i, d := range []unit.Metre{0.05, 0.2} {
		for j, axis := range []Axis{Along, Across} {
			m := NewMotion(MotionParams{d, 4, under(2, 20), axis})
			for f := 1e-4; f < 24; f *= 1.1 {
				got := real(realised(s.layers[0].p, step, 2*i+j, 2*i+j, f))
				testkit.NearRel(t, got, folded(m.PSD, f, step), 0.01, fmt.Sprintf("Motion.PSD averaged and folded, D %v axis %d %g Hz", d, axis, f))
			}
		}
	}
	// Fast sampling shows the slopes and the knee between them.
	const fast = 1. / 4096
	s = NewSeries(SeriesParams{under(2, inf), []Layer{{0, 1, 10, 0}}, []Beam{{Aperture: 0.1}}, fast}, rand.New(rand.NewPCG(1, 1)))
	psd := func(f float64) float64 {
		return real(realised(s.layers[0].p, fast, 0, 0, f)+realised(s.layers[0].p, fast, 1, 1, f)) / 2 / square(sinc(f*fast))
	}
	fit := func(lo, hi float64) float64 {
		const n = 120
		var sx, sy, sxx, sxy float64
		for i := range n {
			x := math.Log(lo) + float64(i)*math.Log(hi/lo)/(n-1)
			y := math.Log(psd(math.Exp(x)))
			sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
		}
		return (n*sxy - sx*sy) / (n*sxx - sx*sx)
	}
	testkit.Near(t, fit(1e-3, 1e-2), -2./3, 0.005, "Conan, Rousset and Madec (1995)")
	testkit.Near(t, fit(150, 900), -11./3, 0.06, "Conan, Rousset and Madec (1995), over six ripples of the pupil's edge")
	low, high := psd(0.005)*math.Pow(0.005, 2./3), 0.0
	const n = 600 // six ripples, 1.5 to 7.5 V/D
	for i := range n {
		f := 150 + float64(i)
		high += psd(f) * math.Pow(f, 11./3) / n
	}
	testkit.NearRel(t, math.Pow(high/low, 1./3)*0.1/10, 0.242185, 0.01, byNumpy+"where the asymptotes meet, in V/D")
}

// follow draws a series and returns covariances of means over n steps:
// elements x and y of beam 0, x and y of beam 1, and so on.
func follow(s *Series, beams, n, exposures int) [][]float64 {
	dst := make([]Shift, beams)
	c := make([][]float64, 2*beams)
	for i := range c {
		c[i] = make([]float64, 2*beams)
	}
	for range exposures {
		mean := make([]float64, 2*beams)
		for range n {
			s.Next(dst)
			for i, d := range dst {
				mean[2*i] += float64(d.X) / float64(n)
				mean[2*i+1] += float64(d.Y) / float64(n)
			}
		}
		for i, a := range mean {
			for j, b := range mean {
				c[i][j] += a * b / float64(exposures)
			}
		}
	}
	return c
}

// What comes out, after averaging over exposures, has the variance of
// AveragedMotion along each axis and the correlation of Pair.
func TestSeriesAgainstTime(t *testing.T) {
	exposures := 40000
	cases := []struct {
		apart  unit.Metre
		wind   unit.MPS
		toward unit.Deg
		n      int
	}{{0.3, 3, 45, 50}, {0.3, 5, 45, 100}, {0.3, 10, 0, 4}, {2, 10, 90, 40}}
	tol := 0.03
	if testing.Short() {
		exposures, cases, tol = 4000, cases[:1], 0.08
	}
	for _, tt := range cases {
		const step = 0.02
		s := NewSeries(oneLayer(tt.apart, tt.wind, tt.toward, 20, step), rand.New(rand.NewPCG(3, 9)))
		c := follow(s, 2, tt.n, exposures)
		exposure := unit.Second(step * float64(tt.n))
		src := fmt.Sprintf("%+v", tt)
		for i, d := range []unit.Metre{0.05, 0.2} {
			along, across := AveragedMotion(d, under(2, 20), tt.wind, exposure, Along), AveragedMotion(d, under(2, 20), tt.wind, exposure, Across)
			sin, cos := math.Sincos(float64(tt.toward.Rad()))
			x, y := math.Hypot(float64(along)*cos, float64(across)*sin), math.Hypot(float64(along)*sin, float64(across)*cos)
			testkit.NearRel(t, math.Sqrt(c[2*i][2*i]), x, tol, "AveragedMotion, x, "+src)
			testkit.NearRel(t, math.Sqrt(c[2*i+1][2*i+1]), y, tol, "AveragedMotion, y, "+src)
			skew := (float64(along)*float64(along) - float64(across)*float64(across)) * sin * cos
			testkit.Near(t, c[2*i][2*i+1], skew, tol*x*y, "turned to the axes, "+src)
		}
		want, _ := Pair{0.05, 0.2, tt.apart, 20}.Correlation(unit.Metre(float64(tt.wind)*float64(exposure)), tt.toward)
		got := (c[0][2] + c[1][3]) / math.Sqrt((c[0][0]+c[1][1])*(c[2][2]+c[3][3]))
		testkit.Near(t, got, want, 1.5*tol, "Pair.Correlation, "+src)
	}
}

// The air reaches the beam downwind later.
func TestSeriesDelay(t *testing.T) {
	const step, apart, wind = 0.02, 4.13, 5 // 0.826 s, not a whole number of steps
	s := NewSeries(SeriesParams{under(2, 20), []Layer{{0, 1, wind, 30}},
		[]Beam{{Aperture: 0.1}, {Aperture: 0.1, X: apart * 0.8660254, Y: apart / 2}}, step}, rand.New(rand.NewPCG(1, 8)))
	const n = 40000
	up, down := make([]Shift, n), make([]Shift, n)
	dst := make([]Shift, 2)
	for i := range n {
		s.Next(dst)
		up[i], down[i] = dst[0], dst[1]
	}
	best, at := 0.0, 0
	for lag := -80; lag <= 80; lag++ {
		sum, squares := 0.0, 0.0
		for i := 100; i < n-100; i++ {
			a, b := up[i-lag], down[i]
			sum += float64(a.X)*float64(b.X) + float64(a.Y)*float64(b.Y)
			squares += float64(a.X)*float64(a.X) + float64(a.Y)*float64(a.Y)
		}
		if r := sum / squares; r > best {
			best, at = r, lag
		}
	}
	testkit.Near(t, float64(at)*step, apart/wind, step, "frozen air: the distance over the wind")
	m := NewMotion(MotionParams{0.1, wind, under(2, 20), MeanAxis})
	off := math.Abs(apart/wind - float64(at)*step)
	testkit.Near(t, best, m.LagCorrelation(step, unit.Second(off)), 0.005, "frozen air: the same motion, late; LagCorrelation of what is left of a step")
}

// The ground's air moves all beams of a telescope alike; high air moves stars
// apart on their own.
func TestSeriesStars(t *testing.T) {
	exposures := 20000
	if testing.Short() {
		exposures = 3000
	}
	const step, n = 0.05, 20
	air := under(2, 20)
	layers := []Layer{{0, 0.6, 3, 20}, {8000, 0.4, 12, 100}}
	p := SeriesParams{air, layers, []Beam{
		{Aperture: 0.05}, {Aperture: 0.05, OffsetX: 1800}, {Aperture: 0.05, OffsetY: -2400},
		{Aperture: 0.2, Y: 0.25, OffsetX: -1500},
	}, step}
	c := follow(NewSeries(p, rand.New(rand.NewPCG(6, 1))), 4, n, exposures)
	part := func(share float64, d unit.Metre, wind unit.MPS) float64 {
		rms := float64(AveragedMotion(d, air, wind, step*n, MeanAxis))
		return share * rms * rms
	}
	both := func(i, j int) float64 { return (c[2*i][2*j] + c[2*i+1][2*j+1]) / 2 }
	ground, high := part(0.6, 0.05, 3), part(0.4, 0.05, 12)
	tol := 6 / math.Sqrt(float64(exposures))
	for i := range 3 {
		testkit.NearRel(t, both(i, i), ground+high, tol, "variances of layers add")
		for j := range i {
			testkit.NearRel(t, both(i, j), ground, tol, "stars share the ground's air alone")
		}
		correlation, _ := Pair{0.05, 0.2, 0.25, 20}.Correlation(3, 70)
		shared := correlation * math.Sqrt(ground*part(0.6, 0.2, 3))
		testkit.Near(t, both(i, 3), shared, tol*(ground+high), "Pair.Correlation of the ground's air")
	}
	// The mean of three stars keeps the ground and a third of the high air.
	mean := 0.0
	for i := range 3 {
		for j := range 3 {
			mean += both(i, j) / 9
		}
	}
	testkit.NearRel(t, mean, ground+high/3, tol, "closed form: 1/n in the variance of the high air")
}

// A long run has everywhere the variance it has at the start, and one seed one
// series.
func TestSeriesLong(t *testing.T) {
	p := oneLayer(0.3, 6, 10, 20, 0.05)
	s, again := NewSeries(p, rand.New(rand.NewPCG(2, 3))), NewSeries(p, rand.New(rand.NewPCG(2, 3)))
	a, b := make([]Shift, 2), make([]Shift, 2)
	parts := 8
	if testing.Short() {
		parts = 3
	}
	const n = 400000 // 20000 s
	for i := range parts {
		sum := 0.0
		for range n {
			s.Next(a)
			if i == 0 {
				again.Next(b)
				if a[0] != b[0] || a[1] != b[1] {
					t.Fatalf("got %v and %v from one seed", a, b)
				}
			}
			sum += (square(float64(a[0].X)) + square(float64(a[0].Y))) / 2
		}
		want := float64(AveragedMotion(0.05, p.Air, 6, 0.05, MeanAxis))
		testkit.NearRel(t, math.Sqrt(sum/n), want, 0.03, fmt.Sprintf("AveragedMotion, part %d of a long run", i))
	}
	if n := testing.AllocsPerRun(20000, func() { s.Next(a) }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

func TestSeriesOutside(t *testing.T) {
	good := oneLayer(0.3, 6, 10, 20, 0.05)
	dst := make([]Shift, 2)
	for name, spoil := range map[string]func(p *SeriesParams){
		"no step":     func(p *SeriesParams) { p.Step = 0 },
		"no wind":     func(p *SeriesParams) { p.Layers = []Layer{{0, 1, 0, 0}} },
		"no aperture": func(p *SeriesParams) { p.Beams = []Beam{{Aperture: 0}, {Aperture: 1}} },
		"no Fried":    func(p *SeriesParams) { p.Air.Fried = 0 },
		"no outer":    func(p *SeriesParams) { p.Air.Outer = 0 },
		"less air":    func(p *SeriesParams) { p.Layers = []Layer{{0, -0.5, 3, 0}} },
	} {
		p := good
		spoil(&p)
		NewSeries(p, rand.New(rand.NewPCG(1, 1))).Next(dst)
		if !math.IsNaN(float64(dst[0].X)) || !math.IsNaN(float64(dst[0].Y)) {
			t.Errorf("%s: got %v, want NaN", name, dst[0])
		}
	}
	p := good
	p.Layers = append(p.Layers, Layer{5000, 0, 20, 0})
	if got := len(NewSeries(p, rand.New(rand.NewPCG(1, 1))).layers); got != 1 {
		t.Errorf("%d layers for one with a share", got)
	}
	// One beam twice is one motion twice.
	p = SeriesParams{under(2, 20), []Layer{{0, 1, 5, 30}}, []Beam{{Aperture: 0.1}, {Aperture: 0.1}}, 0.05}
	s := NewSeries(p, rand.New(rand.NewPCG(1, 1)))
	for range 1000 {
		s.Next(dst)
		testkit.Near(t, dst[0].X, dst[1].X, 1e-9, "closed form: the same beam")
		testkit.Near(t, dst[0].Y, dst[1].Y, 1e-9, "closed form: the same beam")
	}
}

func twoLayers(stars int) SeriesParams {
	p := SeriesParams{under(2, 20), []Layer{{0, 0.6, 3, 20}, {8000, 0.4, 12, 100}}, []Beam{{Aperture: 0.2, Y: 0.25}}, 0.02}
	for i := range stars {
		p.Beams = append(p.Beams, Beam{Aperture: 0.05, OffsetX: unit.Arcsec(1000 * i), OffsetY: unit.Arcsec(300 * i * i)})
	}
	return p
}

func BenchmarkSeries_2layers_50Hz(b *testing.B) {
	for _, stars := range []int{1, 5} {
		b.Run(fmt.Sprintf("%dstars", stars), func(b *testing.B) {
			s := NewSeries(twoLayers(stars), rand.New(rand.NewPCG(1, 1)))
			dst := make([]Shift, stars+1)
			for b.Loop() {
				s.Next(dst)
			}
			b.ReportMetric(float64(b.N)*0.02/b.Elapsed().Seconds(), "simulated-s/s")
		})
	}
}

func BenchmarkNewSeries_2layers(b *testing.B) {
	for _, stars := range []int{1, 5} {
		b.Run(fmt.Sprintf("%dstars", stars), func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, 1))
			for b.Loop() {
				NewSeries(twoLayers(stars), r)
			}
		})
	}
}
