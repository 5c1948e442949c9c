package optics

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestDepthOfFocus(t *testing.T) {
	for _, tt := range []struct {
		n           float64
		half, whole unit.Micron
	}{
		{3.2, 11.264, 22.528}, {5, 27.5, 55}, {7, 53.9, 107.8}, {10, 110, 220},
	} {
		got := DepthOfFocus(0.55, tt.n)
		testkit.NearRel(t, got, tt.half, 1e-9, "Conrady 1929: 2 lambda N^2")
		testkit.NearRel(t, 2*got, tt.whole, 1e-9, "Conrady 1929: 4 lambda N^2")
		// The difference of sag of two spheres over the pupil is the error itself.
		f := 100.0 * tt.n
		d := float64(got) * 1e-3
		sag := func(r float64) float64 { return r - math.Sqrt(r*r-50*50) }
		testkit.Near(t, (sag(f)-sag(f+d))/0.55e-3, 0.25, 0.25*0.02, "exact: difference of sag of two spheres, a quarter wave")
	}
}

func TestDefocusStrehl(t *testing.T) {
	testkit.NearRel(t, DefocusStrehl(DepthOfFocus(0.55, 5), 0.55, 5, 0), 0.810569, 1e-6, "Rayleigh's quarter wave, computed with numpy: pupil integral")
	testkit.NearRel(t, DefocusStrehl(2.44*0.55*25, 0.55, 5, 0), 0.729065, 1e-6, "computed with numpy: 0.305 wave")
	testkit.Near(t, DefocusStrehl(0, 0.55, 5, 0.3), 1, 0, "in focus")
	for _, e := range []float64{0, 0.35} {
		for _, w := range []float64{0.1, 0.25, 0.6} {
			// Pupil integral over the annulus with phase 2 pi w rho^2.
			var sum complex128
			const steps = 4000
			for i := range steps {
				rho2 := e*e + (1-e*e)*(float64(i)+0.5)/steps
				sum += cmplx.Exp(complex(0, 2*math.Pi*w*rho2))
			}
			want := math.Pow(cmplx.Abs(sum)/steps, 2)
			testkit.Near(t, DefocusStrehl(unit.Micron(w*0.55*8*25), 0.55, 5, e), want, 1e-6, "pupil integral")
		}
	}
}

func TestBlur(t *testing.T) {
	testkit.Near(t, BlurDefocus(3.75, 3.2), 12, 1e-9, "computed with numpy: one pixel at f/3.2")
	testkit.Near(t, BlurDefocus(3.75, 5), 18.75, 1e-9, "computed with numpy: one pixel at f/5")
	half := unit.Micron(0.5 * 3 / unit.ArcsecPerRad * 714e3)
	testkit.NearRel(t, BlurDefocus(half, 6.8), 35.308, 1e-5, "computed with numpy: half a 3 arcsec disc at 714 mm")
	four := unit.Micron(4 / unit.ArcsecPerRad * 160e3)
	testkit.NearRel(t, BlurDefocus(four, 3.2), 9.92898, 1e-6, "computed with numpy: 4 arcsec at 160 mm")
	testkit.Near(t, Blur(-12, 3.2), 3.75, 1e-9, "inverse of BlurDefocus, either side")
}

func TestCriticalZone(t *testing.T) {
	testkit.Near(t, CriticalZone(0.55, 3.2, 0, 0.5), 11.264, 1e-9, "Conrady 1929: a point star")
	testkit.NearRel(t, CriticalZone(0.55, 6.8, unit.Micron(3/unit.ArcsecPerRad*714e3), 0.5), 50.864, 1e-5, "closed form: 2 x 0.55 x 6.8^2 exceeds the geometric 35.3")
	testkit.NearRel(t, CriticalZone(0.55, 4, unit.Micron(3/unit.ArcsecPerRad*714e3), 0.5), 20.7694, 1e-5, "closed form: 4 x half of a 3 arcsec star exceeds 17.6")
	// Equal where n = b/(2 lambda).
	n := 3.75 / 1.1
	testkit.Near(t, CriticalZone(0.55, n, 3.75, 1), DepthOfFocus(0.55, n), 1e-9, "closed form: both zones are equal at N = b/(2 lambda)")
}

func TestFocuserTurns(t *testing.T) {
	for _, tt := range []struct{ travel, pitch, want float64 }{
		{0.012, 0.5, 0.024}, {0.012, 0.75, 0.016}, {0.012, 1, 0.012},
		{0.0352, 0.5, 0.0704}, {0.0352, 0.75, 0.0469333}, {0.0352, 1, 0.0352},
		{1, 0.5, 2}, {1, 0.75, 1.33333}, {1, 1, 1},
		{-1, 0.5, -2},
	} {
		testkit.NearRel(t, FocuserTurns(unit.MM(tt.travel), unit.MM(tt.pitch)), tt.want, 5e-6, "computed with numpy: travel/pitch")
	}
	testkit.NearRel(t, FocuserRotation(0.011264, 0.75), 5.40672, 1e-6, "computed with numpy: 360 x 0.011264/0.75")
}

func TestHalfFluxFactors(t *testing.T) {
	for _, tt := range []struct{ e, want float64 }{{0, 0.707107}, {0.35, 0.749166}, {0.5, 0.790569}} {
		testkit.NearRel(t, DonutHalfFlux(tt.e), tt.want, 1e-6, "computed with numpy: median radius of a uniform ring")
	}
	testkit.NearRel(t, DonutMean(0), 0.666667, 1e-6, "computed with numpy: mean radius of a uniform disc")
	testkit.NearRel(t, DonutMean(0.35), 0.72716, 1e-5, "computed with numpy: mean radius of a uniform ring")
	testkit.NearRel(t, GaussianHalfFlux*fwhmPerSigma, 2.35482, 1e-6, "closed form: median radius sigma sqrt(2 ln 2)")
	testkit.NearRel(t, GaussianMean*fwhmPerSigma, 2.50663, 2e-6, "closed form: 2 sqrt(pi/2) sigma")
	testkit.NearRel(t, GaussianMean, 1.06447, 1e-5, "computed with numpy")
	for _, tt := range []struct{ beta, want float64 }{{2.5, 1.3559}, {3, 1.26238}, {4.765, 1.13621}} {
		testkit.NearRel(t, MoffatHalfFlux(tt.beta), tt.want, 1e-5, "computed with numpy: Moffat 1969 integrated")
	}
	testkit.NearRel(t, MoffatHalfFlux(1e7), GaussianHalfFlux, 1e-6, "limit: a Gaussian")
	testkit.NearRel(t, MoffatMean(1e7), GaussianMean, 1e-6, "limit: a Gaussian")
	// Light-weighted radii of the profile itself.
	for _, beta := range []float64{2.5, 4.765} {
		a := 1 / (2 * math.Sqrt(math.Pow(2, 1/beta)-1)) // FWHM 1
		f := func(r float64) float64 { return math.Pow(1+r*r/a/a, -beta) * r }
		// r = tan(u) carries the integral to infinity.
		all := simpson(0, math.Pi/2-1e-9, 20000, func(u float64) float64 { c := math.Cos(u); return f(math.Tan(u)) / c / c })
		half := simpson(0, math.Atan(MoffatHalfFlux(beta)/2), 20000, func(u float64) float64 { c := math.Cos(u); return f(math.Tan(u)) / c / c })
		testkit.Near(t, half/all, 0.5, 1e-5, "numerical integral of the profile")
		mean := simpson(0, math.Pi/2-1e-9, 200000, func(u float64) float64 { c := math.Cos(u); r := math.Tan(u); return f(r) * r / c / c })
		testkit.NearRel(t, MoffatMean(beta), 2*mean/all, 1e-4, "numerical integral of the profile")
	}
	for _, got := range []float64{MoffatHalfFlux(1), MoffatMean(1.5), DonutMean(1), DonutHalfFlux(-0.1)} {
		if !math.IsNaN(got) {
			t.Errorf("outside its domain = %v, want NaN", got)
		}
	}
}

func TestDefocusedHalfFlux(t *testing.T) {
	for _, tt := range []struct{ q, mc, hyperbola float64 }{
		{0.5, 1.04119, 1.06066}, {1, 1.17046, 1.22474}, {2, 1.62275, 1.73205}, {4, 2.8712, 3},
	} {
		got := DefocusedHalfFlux(1, unit.Micron(tt.q), 0)
		testkit.NearRel(t, float64(got), tt.mc, 3e-3, "computed with numpy: Monte Carlo of a Gaussian and a disc, 600000 photons")
		testkit.NearRel(t, math.Sqrt(1+tt.q*tt.q/2), tt.hyperbola, 1e-5, "computed with numpy: hyperbola")
		if float64(got) >= tt.hyperbola {
			t.Errorf("q=%v: half-flux diameter %v is not below the hyperbola %v", tt.q, got, tt.hyperbola)
		}
	}
	testkit.NearRel(t, DefocusedHalfFlux(2.5, 0, 0.3), 2.5, 1e-6, "limit: a Gaussian in focus")
	testkit.NearRel(t, DefocusedHalfFlux(1, 300, 0.5), 300*0.790569, 1e-4, "limit: a bare ring, sqrt((1+e^2)/2)")
	// An obstructed pupil, photon by photon.
	rng := rand.New(rand.NewPCG(3, 4))
	const photons = 200000
	radii := make([]float64, photons)
	for i := range radii {
		r := 1.5 * math.Sqrt(0.16+0.84*rng.Float64())
		sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
		radii[i] = math.Hypot(r*cos+rng.NormFloat64()/fwhmPerSigma, r*sin+rng.NormFloat64()/fwhmPerSigma)
	}
	slices.Sort(radii)
	// The standard error of the median radius is about 0.5/(density sqrt n) = 0.0012.
	testkit.Near(t, float64(DefocusedHalfFlux(1, 3, 0.4)), 2*radii[photons/2], 0.01, "Monte Carlo, 200000 photons, seed 3, 4")
}

func TestDefocusSigma(t *testing.T) {
	// Disc of radius 1, FWHM 1.
	s := float64(DefocusSigma(6.4, 3.2, 0))
	testkit.NearRel(t, s*s+1/fwhmPerSigma/fwhmPerSigma, 0.430337, 1e-6, "computed with numpy: sigma^2 + R^2/4")
	rng := rand.New(rand.NewPCG(1, 2))
	sum := 0.0
	const photons = 200000
	for range photons {
		r := math.Sqrt(0.25 + 0.75*rng.Float64())
		x := r * math.Cos(2*math.Pi*rng.Float64())
		sum += x * x
	}
	e := float64(DefocusSigma(-6.4, 3.2, 0.5))
	testkit.NearRel(t, e*e, sum/photons, 0.01, "Monte Carlo, 200000 photons, seed 1, 2")
}
