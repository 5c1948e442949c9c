package psf

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// randomStar returns causes such as a rig has, turned by angle and magnified
// by size.
func randomStar(rng *rand.Rand, angle unit.Deg, size float64) []Kernel {
	s := func(low, high float64) unit.Arcsec { return unit.Arcsec(size * (low + (high-low)*rng.Float64())) }
	pa := func() unit.Deg { return unit.Deg(180*rng.Float64()) + angle }
	return []Kernel{
		Air(s(1, 4)),
		Airy(unit.Micron(0.55*size), unit.MM(40+250*rng.Float64()), 0.4*rng.Float64()),
		Gaussian(Along(s(0, 1), pa()).Plus(Along(s(0, 0.5), pa()))),
		Box(s(0.4, 2), pa()),
		Trail(s(0, 4), pa()),
		Sine(s(0, 1), pa()),
		Disc(s(0, 2), 0.4*rng.Float64()),
	}
}

// TestInvariants: turning all causes turns the star and nothing else, the
// order of causes does not matter, and a magnified star is larger in measure.
func TestInvariants(t *testing.T) {
	const src = "closed form: convolution commutes with rotation and scale and with itself"
	for seed := range uint64(60) {
		draw := func(angle unit.Deg, size float64) []Kernel {
			return randomStar(rand.New(rand.NewPCG(seed, 1)), angle, size)
		}
		p := Star(draw(0, 1)...)
		turned := Star(draw(47, 1)...)
		larger := Star(draw(0, 3.7)...)
		shuffled := draw(0, 1)
		rand.New(rand.NewPCG(seed, 2)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		other := Star(shuffled...)

		testkit.NearRel(t, turned.Major, p.Major, 1e-6, src)
		testkit.NearRel(t, turned.Minor, p.Minor, 1e-6, src)
		testkit.Near(t, turn(turned.PA, p.PA), 47, 1e-3, src)
		testkit.NearRel(t, larger.Major, 3.7*p.Major, 1e-9, src)
		testkit.NearRel(t, larger.Peak, p.Peak/(3.7*3.7), 1e-9, src)
		testkit.Near(t, turn(larger.PA, p.PA), 0, 1e-6, src)
		testkit.NearRel(t, other.Major, p.Major, 1e-9, src)
		testkit.Near(t, other.Tail, p.Tail, 1e-8, src)
		if t.Failed() {
			t.Fatalf("seed %d: %+v, turned %+v, larger %+v, shuffled %+v", seed, p, turned, larger, other)
		}
	}
}

// TestMoreIsWider: adding a cause never narrows a star.
func TestMoreIsWider(t *testing.T) {
	for seed := range uint64(40) {
		all := randomStar(rand.New(rand.NewPCG(seed, 3)), 0, 1)
		whole := Star(all...).FWHM()
		for i := range all {
			less := append(append([]Kernel(nil), all[:i]...), all[i+1:]...)
			if part := Star(less...).FWHM(); !(part <= whole) {
				t.Errorf("seed %d: without cause %d the star is %v, with it %v", seed, i, part, whole)
			}
		}
	}
}

// TestSmooth: a star changes gently as a cause grows, with no step where the
// computation starts a second round or the tail meets its bound.
func TestSmooth(t *testing.T) {
	families := map[string]func(x unit.Arcsec) []Kernel{
		"trail": func(x unit.Arcsec) []Kernel { return []Kernel{Air(2), Box(1, 0), Trail(x, 30)} },
		"disc":  func(x unit.Arcsec) []Kernel { return []Kernel{Air(2), Box(1, 0), Disc(x, 0.35)} },
		"pixel": func(x unit.Arcsec) []Kernel { return []Kernel{Air(2), Box(x, 0)} },
		"sine":  func(x unit.Arcsec) []Kernel { return []Kernel{Air(2), Box(1, 0), Sine(x/2, 30)} },
	}
	for name, causes := range families {
		t.Run(name, func(t *testing.T) {
			const step = 0.05
			before, at := Star(causes(0)...), Star(causes(step)...)
			for x := unit.Arcsec(2 * step); x < 8; x += step {
				after := Star(causes(x)...)
				bend := math.Abs(float64(after.Major-2*at.Major+before.Major)) / float64(at.Major)
				if !(bend < 2.5e-3) {
					t.Errorf("at %.2f the major width goes %.5f, %.5f, %.5f", x-step, before.Major, at.Major, after.Major)
				}
				before, at = at, after
			}
		})
	}
}

// TestDense compares the nodes Star uses with four times as many each way.
func TestDense(t *testing.T) {
	dense := newGrid(96, 32, 52, 24, 1.2, 14)
	for seed := range uint64(20) {
		causes := randomStar(rand.New(rand.NewPCG(seed, 4)), 0, 1)
		got, want := Star(causes...), dense.star(causes)
		const src = "closed form: limit of many nodes"
		testkit.NearRel(t, got.Major, want.Major, 0.0015, src)
		testkit.NearRel(t, got.Minor, want.Minor, 0.0015, src)
		testkit.Near(t, got.Ellipticity(), want.Ellipticity(), 0.0005, src)
		if t.Failed() {
			t.Fatalf("seed %d: %+v, dense %+v", seed, got, want)
		}
	}
}

func TestGaussianStars(t *testing.T) {
	const src = "closed form: a Gaussian fits itself, FWHM 2.3548 sigma"
	p := Star(Gaussian(Along(2, 33).Plus(Along(0.5, 123))))
	testkit.NearRel(t, float64(p.Major), 2*fwhmPerSigma, 1e-5, src)
	testkit.NearRel(t, float64(p.Minor), 0.5*fwhmPerSigma, 1e-5, src)
	testkit.Near(t, float64(p.PA), 33, 1e-6, src)
	testkit.Near(t, p.Tail, 0, 1e-5, src)
	testkit.NearRel(t, p.Peak, 1/(2*math.Pi), 1e-5, src)
	if major, minor, pa := p.Cov().Axes(); math.Abs(float64(major)-2) > 1e-4 || math.Abs(float64(minor)-0.5) > 1e-4 || math.Abs(float64(pa)-33) > 1e-4 {
		t.Errorf("covariance: got %v by %v at %v, want 2 by 0.5 at 33", major, minor, pa)
	}
	// Two Gaussians are one.
	q := Star(Gaussian(Along(2, 33)), Gaussian(Along(0.5, 123)))
	testkit.NearRel(t, float64(q.Major), float64(p.Major), 1e-9, "closed form: variances add")

	// b/a of a 3" star drawn out by an extra one-axis rms.
	for _, tt := range []struct{ extra, want float64 }{{0.5, 0.930875}, {0.7, 0.876418}, {1, 0.786617}, {1.5, 0.647351}, {0.617023, 0.9}} {
		p := Star(Gaussian(Round(3/fwhmPerSigma)), Gaussian(Along(unit.Arcsec(tt.extra), 90)))
		testkit.Near(t, 1-p.Ellipticity(), tt.want, 1e-5, "closed form: 1/sqrt(1 + (2.3548 extra/3)^2)")
	}
}

// TestDefinition holds the numbers of the package comment and of
// docs/star-width.md.
func TestDefinition(t *testing.T) {
	p := Star(Gaussian(Round(3/fwhmPerSigma)), Box(1, 0))
	testkit.Near(t, float64(p.FWHM()), 3.0772, 3e-4, "computed with scipy: least-squares Gaussian on a pixel-integrated Gaussian of FWHM 3 px")
	testkit.Near(t, p.Tail, 0, 0, "closed form: a pixel-integrated Gaussian is flatter than a Gaussian")

	air := Star(Air(2))
	testkit.Near(t, float64(air.FWHM()), 1.9742, 1e-3, referenceSource)

	// A 4" trail on 2.5" of air by three measures.
	causes := []Kernel{Air(2.5), Trail(4, 90)}
	quadrature := 1 - 2.5/math.Sqrt(2.5*2.5+fwhmPerSigma*fwhmPerSigma*16/12)
	testkit.Near(t, quadrature, 0.323, 0.001, "closed form: squared widths added")
	major, minor := contourWidths(causes)
	testkit.Near(t, 1-minor/major, 0.40, 0.005, "computed with numpy: half-maximum contour of a 4 arcsec trail in 2.5 arcsec of air")
	testkit.Near(t, Star(causes...).Ellipticity(), 0.3454, 0.001, "computed with numpy and scipy by the functions of testdata/ref/stars.py")
}

// contourWidths returns the widths of the half-maximum contour along east and
// along north, from a finely drawn image.
func contourWidths(causes []Kernel) (east, north float64) {
	const n, scale = 301, 0.05
	image := Image(nil, n, n, n/2, n/2, scale, 0, causes...)
	half := image[n/2*n+n/2] / 2
	width := func(stride int) float64 {
		for k := 1; ; k++ {
			a, b := image[n/2*n+n/2+(k-1)*stride], image[n/2*n+n/2+k*stride]
			if b < half {
				return 2 * scale * (float64(k-1) + (a-half)/(a-b))
			}
		}
	}
	return width(1), width(n)
}

func TestContours(t *testing.T) {
	for _, tt := range []struct{ length, want float64 }{{1, 3.59815}, {2, 3.80164}, {4, 4.67723}, {6, 6.17098}} {
		east, north := contourWidths([]Kernel{Gaussian(Round(1.5)), Trail(unit.Arcsec(tt.length), 90)})
		testkit.Near(t, east, tt.want, 3e-4, "computed with numpy: half-maximum of a Gaussian of sigma 1.5 and a trail")
		testkit.Near(t, north, 1.5*fwhmPerSigma, 3e-4, "closed form: nothing across the trail")
	}
	for _, tt := range []struct{ amplitude, want float64 }{{1, 3.95254}, {2, 5.44682}} {
		east, _ := contourWidths([]Kernel{Gaussian(Round(1.5)), Sine(unit.Arcsec(tt.amplitude), 90)})
		testkit.Near(t, east, tt.want, 3e-4, "computed with numpy: half-maximum of a Gaussian of sigma 1.5 and a sinusoid")
	}
}

func TestEllipticity(t *testing.T) {
	p := Profile{Major: 3, Minor: 2.7}
	testkit.Near(t, p.Ellipticity(), 0.1, 1e-12, "closed form: 1 - b/a")
	testkit.Near(t, float64(p.FWHM()), math.Sqrt(8.1), 1e-12, "closed form: geometric mean")
	testkit.Near(t, Profile{Tail: 0.25}.Beta(), 4, 0, "closed form: 1/tail")
}

// TestFalloff checks values and derivatives, across the change to series.
func TestFalloff(t *testing.T) {
	for _, tail := range []float64{0, 1e-9, 1e-5, 1e-4, 1e-3, 0.01, 0.2, MaxTail} {
		for _, q := range []float64{0, 0.01, 0.5, 1, 2, 7, 30} {
			m, dq, dtail := Falloff(q, tail)
			want := math.Exp(-q)
			if tail >= 1e-5 {
				want = math.Pow(1+tail*q, -1/tail)
			}
			testkit.Near(t, m, want, 1e-8, "closed form: Moffat 1969")
			const h = 1e-5
			a, _, _ := Falloff(q+h, tail)
			b, _, _ := Falloff(max(q-h, 0), tail)
			testkit.Near(t, dq, (a-b)/(h+min(q, h)), 1e-5, "closed form: difference quotient")
			a, _, _ = Falloff(q, tail+2*h)
			b, _, _ = Falloff(q, tail+h)
			c, _, _ := Falloff(q, tail)
			testkit.Near(t, dtail, (-3*c+4*b-a)/(2*h), 1e-6, "closed form: difference quotient")
		}
	}
	for _, tail := range []float64{0, 1e-12, 0.1, 0.5, MaxTail} {
		m, _, _ := Falloff(HalfMaximum(tail), tail)
		testkit.Near(t, m, 0.5, 1e-14, "closed form: half maximum")
	}
	if m, _, _ := Falloff(-1, 0.1); !math.IsNaN(m) || !math.IsNaN(HalfMaximum(-1)) {
		t.Error("a negative form or tail: want NaN")
	}
}

// TestLegendre: n nodes integrate every polynomial of degree 2n-1.
func TestLegendre(t *testing.T) {
	for _, n := range []int{8, starGrid().ns, starGrid().nt, 52, 96} {
		x, weight := legendre(n, 2)
		for power := range 2 * n {
			sum := 0.0
			for i := range x {
				sum += weight[i] * math.Pow(x[i]/2, float64(power))
			}
			testkit.NearRel(t, sum, 2/float64(power+1), 1e-12, "closed form: integral of a power")
		}
	}
}
