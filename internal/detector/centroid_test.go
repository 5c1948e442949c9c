package detector

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// centroidRows holds the exact bound and the approximations for stars of every
// width, computed with numpy/scipy: Fisher matrix over pixels with the rms over
// sub-pixel phase, and the published formulas with the integral by quadrature.
var centroidRows = []struct {
	spot                                                    Spot
	bound, photon, thompson, squares, likelihood, stallinga unit.Px
}{
	{Spot{1000, 1.0, 0, 0}, 0.01622, 0.01343, 0.01624, 0.02165, 0.01624, 0.01624},
	{Spot{1000, 1.0, 10, 3}, 0.01871, 0.01343, 0.01671, 0.02240, 0.01861, 0.01895},
	{Spot{10000, 1.0, 10, 3}, 0.00529, 0.00425, 0.00515, 0.00687, 0.00529, 0.00536},
	{Spot{10000, 1.0, 100, 3}, 0.00567, 0.00425, 0.00522, 0.00698, 0.00565, 0.00575},
	{Spot{1000, 1.5, 0, 0}, 0.02211, 0.02014, 0.02212, 0.02949, 0.02212, 0.02212},
	{Spot{1000, 1.5, 10, 3}, 0.02704, 0.02014, 0.02383, 0.03136, 0.02698, 0.02746},
	{Spot{10000, 1.5, 10, 3}, 0.00732, 0.00637, 0.00705, 0.00939, 0.00732, 0.00743},
	{Spot{10000, 1.5, 100, 3}, 0.00807, 0.00637, 0.00731, 0.00967, 0.00806, 0.00821},
	{Spot{1000, 2.0, 0, 0}, 0.02837, 0.02686, 0.02837, 0.03782, 0.02837, 0.02837},
	{Spot{1000, 2.0, 10, 3}, 0.03705, 0.02686, 0.03245, 0.04171, 0.03701, 0.03760},
	{Spot{10000, 2.0, 10, 3}, 0.00956, 0.00849, 0.00911, 0.01209, 0.00956, 0.00972},
	{Spot{10000, 2.0, 100, 3}, 0.01088, 0.00849, 0.00973, 0.01268, 0.01087, 0.01106},
	{Spot{1000, 3.0, 0, 0}, 0.04131, 0.04029, 0.04131, 0.05508, 0.04131, 0.04131},
	{Spot{1000, 3.0, 10, 3}, 0.06183, 0.04029, 0.05445, 0.06651, 0.06181, 0.06249},
	{Spot{10000, 3.0, 10, 3}, 0.01449, 0.01274, 0.01354, 0.01781, 0.01449, 0.01475},
	{Spot{10000, 3.0, 100, 3}, 0.01759, 0.01274, 0.01558, 0.01957, 0.01759, 0.01785},
	{Spot{1000, 4.0, 0, 0}, 0.05449, 0.05372, 0.05449, 0.07265, 0.05449, 0.05449},
	{Spot{1000, 4.0, 10, 3}, 0.09314, 0.05372, 0.08333, 0.09740, 0.09313, 0.09373},
	{Spot{10000, 4.0, 10, 3}, 0.01996, 0.01699, 0.01835, 0.02387, 0.01996, 0.02032},
	{Spot{10000, 4.0, 100, 3}, 0.02577, 0.01699, 0.02291, 0.02773, 0.02577, 0.02606},
	{Spot{1000, 6.0, 0, 0}, 0.08109, 0.08057, 0.08109, 0.10812, 0.08109, 0.08109},
	{Spot{1000, 6.0, 10, 3}, 0.17667, 0.08057, 0.16341, 0.17982, 0.17666, 0.17684},
	{Spot{10000, 6.0, 10, 3}, 0.03249, 0.02548, 0.02931, 0.03709, 0.03249, 0.03303},
	{Spot{10000, 6.0, 100, 3}, 0.04685, 0.02548, 0.04257, 0.04851, 0.04685, 0.04706},
}

func TestCentroidRows(t *testing.T) {
	for _, row := range centroidRows {
		s := row.spot
		const half = 0.51e-5 // the table has five decimals
		testkit.Near(t, s.Centroid(), row.likelihood, half, "Mortensen et al. 2010, computed with scipy.integrate.quad")
		testkit.Near(t, s.PhotonLimit(), row.photon, half, "computed with numpy: sigma/sqrt N")
		testkit.Near(t, s.Thompson(), row.thompson, half, "Thompson et al. 2002, computed with numpy")
		testkit.Near(t, s.LeastSquares(), row.squares, half, "Mortensen et al. 2010, 16/9, computed with numpy")
		testkit.Near(t, s.RiegerStallinga(), row.stallinga, half, "Rieger & Stallinga 2014, computed with numpy")
		testkit.Near(t, s.CramerRaoMean(), row.bound, half, "computed with numpy: Fisher matrix, 7 x 7 phases")
		testkit.NearRel(t, s.Centroid(), s.CramerRaoMean(), 0.006, "the exact bound by Fisher's matrix")
	}
}

func TestCentroidConstants(t *testing.T) {
	testkit.NearRel(t, Spot{Star: 1000, FWHM: 3}.PhotonLimit(), 0.0402869, 2e-6, "computed with numpy: sigma/sqrt N")
	testkit.NearRel(t, Spot{Star: 1e4, FWHM: 3}.PhotonLimit(), 0.0127398, 3e-6, "computed with numpy: sigma/sqrt N")
	testkit.NearRel(t, Spot{Star: 1e4, FWHM: 4}.CramerRaoMean(), 0.01723, 2e-5, "computed with numpy: sqrt((sigma^2+1/12)/N), noiseless")
	s := Spot{Star: 1e4, FWHM: 3, Background: 10, ReadNoise: 3}
	testkit.Near(t, 100*float64(1-s.Thompson()/s.CramerRaoMean()), 6.60868, 1e-3, "computed with numpy: Thompson is low by per cent")
	testkit.NearRel(t, Spot{Star: 1000, FWHM: 1.5, Background: 10, ReadNoise: 3}.Centroid(), 0.0269832, 2e-6, "computed with scipy")
	testkit.NearRel(t, Spot{Star: 1000, FWHM: 1.5, Background: 10, ReadNoise: 3}.CramerRaoMean(), 0.0270405, 2e-6, "computed with numpy")
	testkit.NearRel(t, Spot{Star: 1e4, FWHM: 4, Background: 100, ReadNoise: 3}.Centroid(), 0.0257712, 2e-6, "computed with scipy")
	testkit.NearRel(t, Spot{Star: 1e4, FWHM: 4, Background: 100, ReadNoise: 3}.CramerRaoMean(), 0.0257736, 2e-6, "computed with numpy")
}

// A background-limited star obeys 0.60 FWHM/SNR, a bright one 0.42 FWHM/SNR.
func TestCentroidLimits(t *testing.T) {
	faint := Spot{Star: 1, FWHM: 40, Background: 1e6}
	testkit.NearRel(t, float64(faint.Centroid())*faint.SNR()/40, 0.600561, 2e-3, "closed form: sqrt 2/2.3548, King 1983")
	bright := Spot{Star: 1e9, FWHM: 40}
	testkit.NearRel(t, float64(bright.Centroid())*bright.SNR()/40, 0.424661, 2e-3, "closed form: 1/2.3548")
	s := Spot{Star: 200, FWHM: 4, Background: 400}
	sigma := 4 / fwhmPerSigma
	snr := 200 / math.Sqrt(4*math.Pi*sigma*sigma*400)
	testkit.NearRel(t, math.Sqrt2*sigma/snr, 1.44652, 2e-6, "computed with numpy: sqrt 2 sigma/SNR")
	testkit.NearRel(t, s.CramerRaoMean(), 1.49738, 4e-6, "computed with numpy: exact bound")
	for _, tau := range []float64{1e3, 1e6, 1e12} {
		testkit.NearRel(t, likelihoodShare(tau)*4*tau, 1-4.0/(9*tau), 1e-5, "limit: 1/(4 tau) - 1/(9 tau^2)")
	}
}

func TestNoiseArea(t *testing.T) {
	testkit.NearRel(t, NoiseArea(2*fwhmPerSigma), 51.3127, 2e-6, "computed with numpy: 4 pi (4 + 1/12)")
	testkit.NearRel(t, NoiseArea(1000)/1e6, 2.26618, 1e-5, "King 1983: 2.266 FWHM^2")
	sum := 0.0
	g, _ := pixels(0, 2, 30)
	for _, a := range g {
		for _, b := range g {
			sum += a * a * b * b
		}
	}
	testkit.NearRel(t, 1/sum, 51.3159, 2e-6, "computed with numpy: 1/sum of squared shares")
	testkit.NearRel(t, NoiseArea(2*fwhmPerSigma), 1/sum, 1e-3, "sum over the pixels")
}

func TestDilogarithm(t *testing.T) {
	for _, tt := range []struct{ tau, want float64 }{
		{0.01, -0.122388}, {0.1, -0.419828}, {1, -0.822467}, {10, -0.976052},
	} {
		testkit.Near(t, likelihoodShare(tt.tau)-1, tt.want, 6e-7, "computed with scipy: tau Li2(-1/tau) = Int ln t/(1+t/tau)")
	}
	testkit.Near(t, dilog(1), -math.Pi*math.Pi/12, 1e-15, "closed form: Li2(-1) = -pi^2/12")
	testkit.Near(t, dilog(0), 0, 0, "closed form: Li2(0) = 0")
	// The power series, where it converges.
	for _, x := range []float64{1e-9, 0.01, 0.2, 0.5, 0.8} {
		sum, p := 0.0, 1.0
		for k := 1.0; k < 400; k++ {
			p *= -x
			sum += p / k / k
		}
		testkit.NearRel(t, dilog(x), sum, 1e-14, "power series of the dilogarithm")
	}
	// The integral itself, with t = exp(-x), on both sides of every branch.
	for _, tau := range []float64{1e-6, 0.03, 0.4, 0.9999, 1, 1.0001, 2.9999, 3, 3.0001, 20, 300} {
		const steps, high = 40000, 60.0
		sum := 0.0
		for i := 1; i < steps; i++ {
			x := float64(i) * high / steps
			e := math.Exp(-x)
			sum += float64(2+2*(i%2)) * x * e / (1 + e/tau)
		}
		testkit.NearRel(t, likelihoodShare(tau), 1-sum*high/steps/3, 1e-8, "Simpson's rule on the integral")
	}
}

func TestWindow(t *testing.T) {
	for _, tt := range []struct {
		star unit.Electron
		n    int
		want unit.Px
	}{{2000, 11, 0.0713315}, {2000, 15, 0.124712}, {10000, 11, 0.0184401}} {
		s := Spot{Star: tt.star, FWHM: 3, Background: 5, ReadNoise: 3}
		testkit.NearRel(t, s.Window(tt.n), tt.want, 5e-6, "computed with numpy; its Monte Carlo agrees to 1 %")
	}
	s := Spot{Star: 500, FWHM: 1, ReadNoise: 3}
	e := float64(s.Window(16))
	_, s2, _ := s.shape()
	testkit.NearRel(t, e*e-s2/500, 0.196608, 0.005, "Thomas et al. 2006: (pi^2/3)(Nr/Nph)^2 Ns^4/Nsamp^2, in pixels")
	testkit.NearRel(t, e*e-s2/500, 0.19584, 1e-9, "computed with numpy: sum over the window")
}

func TestPhaseBias(t *testing.T) {
	for _, tt := range []struct {
		fwhm, want unit.Px
		n          int
	}{{1, 0.0140269, 3}, {1.5, 0.0914668, 3}, {2, 0.0228661, 5}, {3, 0.0297725, 7}, {2, 0.189821, 3}} {
		testkit.NearRel(t, PeakPhaseBias(tt.fwhm, tt.n), tt.want, 2e-3, "computed with numpy: greatest of 41 phases")
		peak := 0.0
		for i := range 41 {
			peak = max(peak, math.Abs(float64(PhaseBias(tt.fwhm, tt.n, unit.Px(float64(i)/40-0.5)))))
		}
		testkit.NearRel(t, unit.Px(peak), tt.want, 5e-6, "computed with numpy: greatest of 41 phases")
	}
	testkit.Near(t, PhaseBias(2, 3, 0), 0, 1e-15, "symmetry")
	testkit.Near(t, PhaseBias(2, 3, 0.3)+PhaseBias(2, 3, -0.3), 0, 1e-15, "symmetry")
	testkit.Near(t, PhaseBias(0.1, 1, 0.2), -0.2, 1e-12, "limit: one pixel knows no phase")
}

func TestUndersampling(t *testing.T) {
	for _, fwhm := range []unit.Px{1, 1.5, 2.5, 6} {
		sigma := float64(fwhm) / fwhmPerSigma
		testkit.NearRel(t, Undersampling(fwhm), math.Sqrt(1+1/(12*sigma*sigma)), 2e-3, "limit: the pixel's variance of 1/12")
		s := Spot{Star: 1e6, FWHM: fwhm}
		testkit.NearRel(t, Undersampling(fwhm), float64(s.CramerRaoMean()/s.PhotonLimit()), 1e-3, "exact bound by Fisher's matrix")
	}
	for _, tt := range []struct {
		fwhm unit.Px
		want float64
	}{{0.4, 2.80108}, {0.6, 1.54570}, {1, 1.20758}, {2.5, 1.03631}} {
		testkit.NearRel(t, Undersampling(tt.fwhm), tt.want, 5e-6, "computed with numpy: Fisher information along one axis, 400 phases")
	}
	if got := Undersampling(0.3); !math.IsNaN(got) {
		t.Errorf("a star far inside a pixel: %v, want NaN", got)
	}
}

// Best pixel for a fixed background in each pixel.
func TestOptimumPixel(t *testing.T) {
	best, at := math.Inf(1), 0.0
	for i := range 34 {
		fwhm := 0.7 + 0.1*float64(i)
		e := float64(Spot{Star: 1000, FWHM: unit.Px(fwhm), Background: 20}.CramerRaoMean()) / fwhm
		if e < best {
			best, at = e, fwhm
		}
	}
	testkit.NearRel(t, fwhmPerSigma/at, 1.68201, 1e-5, "computed with numpy; Winick 1986: pixel of 1.5 to 2.5 sigma")
}

// The guide telescope of 50 mm at f/3.2: zero point, sky and centroid together.
func TestCentroidOfGuideStars(t *testing.T) {
	c := Collector{Aperture: 50, Transmission: 0.85, ZeroPointElectronPerSCm2: ZeroPoint(SunlikeKelvin, BroadCMOS)}
	scale := unit.Scale(unit.ArcsecPerRad * 3.75e-3 / 160)
	for _, tt := range []struct {
		v                             unit.Mag
		seconds                       float64
		fwhm                          unit.Px
		star, sky                     unit.Electron
		boundPx                       unit.Px
		boundArcsec, likelihoodArcsec unit.Arcsec
	}{
		{8, 0.5, 2, 11986.1, 5.8526, 0.00859549, 0.0415535, 0.0415431},
		{9, 1, 2, 9543.47, 11.7052, 0.00984582, 0.047598, 0.0475816},
		{10, 1, 2, 3799.32, 11.7052, 0.0165116, 0.0798227, 0.0797784},
		{11, 2, 2, 3025.08, 23.4104, 0.019742, 0.0954393, 0.0953666},
		{11, 2, 3, 3025.08, 23.4104, 0.0318895, 0.154164, 0.154129},
	} {
		s := Spot{
			Star:       unit.Electron(c.Star(tt.v+0.3) * tt.seconds),
			FWHM:       tt.fwhm,
			Background: unit.Electron(c.Sky(20, scale) * tt.seconds),
			ReadNoise:  3,
		}
		src := "computed with numpy/scipy: 50 mm f/3.2, 3.75 um, sky 20, R 3, T 0.85, 0.3 mag extinction"
		testkit.NearRel(t, s.Star, tt.star, 5e-6, src)
		testkit.NearRel(t, s.Background, tt.sky, 5e-6, src)
		testkit.NearRel(t, s.CramerRaoMean(), tt.boundPx, 5e-6, src)
		testkit.NearRel(t, scale.Arcsec(s.CramerRaoMean()), tt.boundArcsec, 5e-6, src)
		testkit.NearRel(t, scale.Arcsec(s.Centroid()), tt.likelihoodArcsec, 5e-6, src)
		if tt.v == 9 {
			testkit.NearRel(t, scale.Arcsec(WithFloor(s.Centroid(), 0.05)), 0.246355, 5e-6, "computed with numpy: 0.05 px floor added")
		}
	}
}

func TestCentroidDomain(t *testing.T) {
	nan := unit.Electron(math.NaN())
	for _, s := range []Spot{{}, {Star: 100}, {FWHM: 2}, {Star: -1, FWHM: 2}, {Star: 100, FWHM: 2, Background: -1}, {Star: 100, FWHM: 2, ReadNoise: nan}, {Star: unit.Electron(math.Inf(1)), FWHM: 2}} {
		for i, got := range []unit.Px{s.Centroid(), s.PhotonLimit(), s.Thompson(), s.LeastSquares(), s.RiegerStallinga(), s.Window(5), s.CramerRao(0, 0), unit.Px(s.SNR())} {
			if !math.IsNaN(float64(got)) {
				t.Errorf("%+v: formula %d gives %v, want NaN", s, i, got)
			}
		}
	}
}

// Fits of simulated stars must reach the bound.
func TestFitReachesBound(t *testing.T) {
	trials := 300
	if !testing.Short() {
		trials = 3000
	}
	s := Spot{Star: 2000, FWHM: 2.5, Background: 10, ReadNoise: 3}
	bound := float64(s.CramerRaoMean())
	testkit.NearRel(t, bound, 0.0308391, 2e-3, "computed with numpy: exact bound in a 13 px box; its own fits scatter by 0.0311")
	sigma := 2.5 / fwhmPerSigma
	rng := rand.New(rand.NewPCG(11, 12))
	const half, size = 6, 13
	sum := 0.0
	for range trials {
		x0, y0 := rng.Float64()-0.5, rng.Float64()-0.5
		gx, _ := pixels(x0, sigma, half)
		gy, _ := pixels(y0, sigma, half)
		var im [size][size]float64
		for i := range size {
			for j := range size {
				im[i][j] = distuv.Poisson{Lambda: 2000*gy[i]*gx[j] + 10, Src: rng}.Rand() + 3*rng.NormFloat64()
			}
		}
		p := [4]float64{0, 0, 2000, 10}
		for range 15 {
			gx, sx := pixels(p[0], sigma, half)
			gy, sy := pixels(p[1], sigma, half)
			a, b := mat.NewSymDense(4, nil), mat.NewVecDense(4, nil)
			for i := range size {
				for j := range size {
					mean := p[2]*gy[i]*gx[j] + p[3]
					w := 1 / (math.Max(mean, 0.1) + 9)
					d := [4]float64{p[2] * gy[i] * sx[j], p[2] * sy[i] * gx[j], gy[i] * gx[j], 1}
					for k := range d {
						b.SetVec(k, b.AtVec(k)+w*d[k]*(im[i][j]-mean))
						for l := k; l < 4; l++ {
							a.SetSym(k, l, a.At(k, l)+w*d[k]*d[l])
						}
					}
				}
			}
			var step mat.VecDense
			if err := step.SolveVec(a, b); err != nil {
				t.Fatal(err)
			}
			for k := range p {
				d := step.AtVec(k)
				if k < 2 {
					d = max(-0.5, min(0.5, d))
				}
				p[k] += d
			}
		}
		sum += (p[0] - x0) * (p[0] - x0)
	}
	// The scatter of n trials is known to 1/sqrt(2n); four of those.
	testkit.NearRel(t, math.Sqrt(sum/float64(trials)), bound, 4/math.Sqrt(2*float64(trials)), "Cramér-Rao bound; simulated fits, seed 11, 12")
}

func BenchmarkCentroid_4spots(b *testing.B) {
	spots := [4]Spot{{1e4, 2, 10, 3}, {300, 2, 10, 3}, {1e3, 3, 0, 0}, {50, 4, 100, 3}}
	i := 0
	for b.Loop() {
		spots[i&3].Centroid()
		i++
	}
}

func BenchmarkCramerRao_fwhm3(b *testing.B) {
	s := Spot{1e4, 3, 10, 3}
	for b.Loop() {
		s.CramerRao(0.2, 0.1)
	}
}
