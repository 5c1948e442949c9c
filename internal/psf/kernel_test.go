package psf

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// everyKind is one kernel of each kind, none aligned with the axes.
func everyKind() map[string]Kernel {
	return map[string]Kernel{
		"gaussian": Gaussian(Along(1.1, 20).Plus(Along(0.6, 110))),
		"air":      Air(2.4),
		"airy":     Airy(0.55, 60, 0),
		"annulus":  Airy(0.55, 60, 0.35),
		"box":      Box(1.6, 25),
		"trail":    Trail(2.2, 70),
		"sine":     Sine(1.3, 140),
		"disc":     Disc(2.5, 0),
		"donut":    Disc(2.5, 0.4),
	}
}

func TestOTFBasics(t *testing.T) {
	for name, k := range everyKind() {
		t.Run(name, func(t *testing.T) {
			testkit.Near(t, k.OTF(0, 0), 1, 1e-15, "closed form: unit flux")
			for i := range 400 {
				f, a := 0.005*float64(i), 2.4*float64(i)
				u, v := f*math.Cos(a), f*math.Sin(a)
				if got := k.OTF(u, v); !(math.Abs(got) <= 1+1e-12) {
					t.Errorf("OTF(%g, %g): got %g, want at most 1 (closed form: positive profile)", u, v, got)
				}
				testkit.Near(t, k.OTF(-u, -v), k.OTF(u, v), 1e-14, "closed form: central symmetry")
			}
		})
	}
}

// TestOTFCurvature: the transform's curvature at the origin is -4 pi^2 times
// the second moment.
func TestOTFCurvature(t *testing.T) {
	for name, k := range everyKind() {
		if name == "air" || name == "airy" || name == "annulus" {
			continue // no second moment
		}
		t.Run(name, func(t *testing.T) {
			const h = 1e-3
			second := func(u, v float64) float64 {
				return (2 - 2*k.OTF(h*u, h*v)) / (h * h * 4 * math.Pi * math.Pi)
			}
			ee, nn := second(1, 0), second(0, 1)
			en := (second(1, 1) - ee - nn) / 2
			c := k.Cov()
			const src = "closed form: moments from the curvature of the transform at the origin"
			testkit.Near(t, c.EastArcsec2, ee, 1e-4, src)
			testkit.Near(t, c.NorthArcsec2, nn, 1e-4, src)
			testkit.Near(t, c.CrossArcsec2, en, 1e-4, src)
		})
	}
}

func TestCov(t *testing.T) {
	base := Gaussian(Round(1.5))
	tests := []struct {
		k    Kernel
		want float64 // variance along north
		tol  float64
		src  string
	}{
		{Trail(1, 0), 2.33333, 1e-5, "computed with numpy: numeric convolution, sigma 1.5 and a trail of 1"},
		{Trail(2, 0), 2.58333, 1e-5, "computed with numpy: numeric convolution, sigma 1.5 and a trail of 2"},
		{Trail(4, 0), 3.58333, 1e-5, "computed with numpy: numeric convolution, sigma 1.5 and a trail of 4"},
		{Trail(6, 0), 5.25, 1e-9, "computed with numpy: numeric convolution, sigma 1.5 and a trail of 6"},
		{Trail(6, 90), 2.25, 0, "closed form: nothing across a trail"},
		{Sine(1, 0), 2.75, 1e-9, "computed with numpy: sigma 1.5 and a sinusoid of amplitude 1"},
		{Sine(2, 180), 4.25, 1e-9, "computed with numpy: sigma 1.5 and a sinusoid of amplitude 2"},
		{Sine(4, 0), 10.25, 1e-9, "computed with numpy: sigma 1.5 and a sinusoid of amplitude 4"},
		{Gaussian(Round(0.8)), (4.00319 / 2.35482) * (4.00319 / 2.35482), 1e-5, "computed with numpy: FWHM of sigma 1.5 and jitter of 0.8"},
		{Disc(2, 0), 2.5, 1e-12, "closed form: R^2/4 of a disc"},
		{Disc(2, 0.5), 2.25 + 1.25/4, 1e-12, "closed form: R^2 (1+h^2)/4 of an annulus"},
		{Box(1, 33), 2.25 + 1.0/12, 1e-12, "closed form: 1/12 of a pixel"},
		{Air(fwhmPerSigma), 3.25, 1e-12, "closed form: (FWHM/2.3548)^2"},
		{Airy(0.55, 100, 0), 2.25 + math.Pow(0.420603*0.55e-5*arcsecPerRad, 2), 4e-4, "computed with scipy: 0.4206 lambda/D, area-weighted fit of the core"},
		{Airy(0.55, 100, 0.5), 2.25 + math.Pow(0.36881662*0.55e-5*arcsecPerRad, 2), 4e-4, "computed with scipy: area-weighted fit of the core at an obstruction of 0.5"},
	}
	for _, tt := range tests {
		c := base.Cov().Plus(tt.k.Cov())
		testkit.Near(t, c.NorthArcsec2, tt.want, tt.tol, tt.src)
	}
	// The pixel's share on an ellipse, and the angle of an ellipse.
	const src = "computed with numpy: moments of a drawn Gaussian"
	c := Along(2, 30).Plus(Along(1.4, 120))
	major, minor, pa := c.Axes()
	testkit.Near(t, float64(pa), 30, 1e-12, src)
	testkit.Near(t, float64(major/minor), 1.42857, 1e-5, src)
}

// arcsecPerRad is arcseconds per radian.
const arcsecPerRad = unit.ArcsecPerRad

// TestAiry checks the annulus's transfer function through what it must give:
// the width, the dark ring's energy and the half-flux diameter of the pattern.
func TestAiry(t *testing.T) {
	const perLambdaOverD = 0.55e-3 / 50 * arcsecPerRad // arcsec
	tests := []struct{ e, zero, fwhm, energy float64 }{
		{0, 1.21967, 1.02899, 0.837785},
		{0.20, 1.16651, 1.00675, 0.763763},
		{0.35, 1.08631, 0.965579, 0.634825},
		{0.50, 1.00091, 0.911669, 0.478622},
	}
	for _, tt := range tests {
		k := Airy(0.55, 50, tt.e)
		testkit.Near(t, Enclosed(unit.Arcsec(tt.zero*perLambdaOverD), k), tt.energy, 2e-5,
			"computed with scipy: energy inside the first dark ring from the amplitude's Bessel functions; 0.838 clear, Airy 1835")
		r := newRadial([]Kernel{k}, 3)
		testkit.NearRel(t, r.at(tt.fwhm*perLambdaOverD/2)/r.at(0), 0.5, 1e-4,
			"computed with scipy: half-maximum from the amplitude's Bessel functions")
		testkit.Near(t, r.at(tt.zero*perLambdaOverD)/r.at(0), 0, 1e-5, "computed with scipy: first dark ring")
	}
	testkit.NearRel(t, float64(HalfFluxDiameter(Airy(0.55, 50, 0)))/perLambdaOverD, 1.06966, 1e-4,
		"computed with scipy: half-flux diameter of the Airy pattern in lambda/D")
	testkit.Near(t, Airy(0.55, 50, 0.3).OTF(1.001/perLambdaOverD, 0), 0, 0, "closed form: nothing beyond D/lambda")
}

// at returns the round star's intensity at a radius.
func (r radial) at(radius float64) float64 {
	sum := 0.0
	for i, f := range r.f {
		sum += r.weight[i] * f * r.otf[i] * math.J0(2*math.Pi*radius*f)
	}
	return 2 * math.Pi * sum
}

func TestAirWidth(t *testing.T) {
	r := newRadial([]Kernel{Air(2)}, 4)
	testkit.Near(t, r.at(1)/r.at(0), 0.5, 1e-6, "closed form: half-maximum at half the FWHM it was given")
	// exp(-3.44 (lambda f/r0)^(5/3)) with r0 = 1, lambda = 1 radian-arcsecond.
	k := Air(0.97553)
	testkit.NearRel(t, k.OTF(0.5, 0), math.Exp(-3.44*math.Pow(0.5, 5.0/3)), 2e-5, "Fried 1966: 3.44, with FWHM = 0.976 lambda/r0")
}

// TestEnclosed: a Gaussian in closed form, and the air's wings where they
// must be.
func TestEnclosed(t *testing.T) {
	g := Gaussian(Round(1))
	for _, r := range []float64{0, 0.5, 1, 2, 4} {
		testkit.Near(t, Enclosed(unit.Arcsec(r), g), 1-math.Exp(-r*r/2), 1e-6, "closed form: Rayleigh's law")
	}
	if got := Enclosed(-1, g); !math.IsNaN(got) {
		t.Errorf("negative radius: got %v, want NaN", got)
	}
	testkit.NearRel(t, Peak(g), 1/(2*math.Pi), 1e-6, "closed form: peak of a Gaussian")
	const r0 = 20.0
	wing := func(r float64) float64 { return 1 - Enclosed(unit.Arcsec(r), Air(2)) }
	testkit.NearRel(t, wing(2*r0)/wing(r0), math.Pow(2, -5.0/3), 0.02, "closed form: the integral of an r^(-11/3) wing")
}

func TestHalfFlux(t *testing.T) {
	little := Gaussian(Round(0.02))
	fine := func(k ...Kernel) float64 { return float64(HalfFluxDiameter(k...)) }
	testkit.Near(t, fine(Gaussian(Round(1))), 2.35482, 1e-5, "closed form: 2 sqrt(2 ln 2) sigma")
	testkit.Near(t, fine(Disc(1, 0), little), 0.707107, 2e-3, "closed form: disc, diameter/sqrt 2")
	testkit.Near(t, fine(Disc(1, 0.35), little), 0.749166, 2e-3, "closed form: annulus, sqrt((1+h^2)/2)")
	testkit.Near(t, fine(Disc(1, 0.50), little), 0.790569, 2e-3, "closed form: annulus, sqrt((1+h^2)/2)")
	for _, tt := range []struct{ disc, want float64 }{{0.5, 1.04119}, {1, 1.17046}, {2, 1.62275}, {4, 2.8712}} {
		got := fine(Gaussian(Round(1/fwhmPerSigma)), Disc(unit.Arcsec(tt.disc), 0))
		testkit.Near(t, got, tt.want, 0.005, "computed with numpy: Monte Carlo, Gaussian of unit FWHM and a disc")
	}
	for _, tt := range []struct{ beta, want float64 }{{2.5, 1.3559}, {3, 1.26238}, {4.765, 1.13621}} {
		p := Profile{Major: 2, Minor: 0.5, Tail: 1 / tt.beta}
		testkit.Near(t, float64(p.HalfFluxDiameter()), tt.want, 1e-5, "closed form: Moffat profile integrated")
	}
	testkit.Near(t, Profile{Major: 2, Minor: 0.5}.HalfFluxDiameter(), 1, 1e-12, "closed form: FWHM of a Gaussian")
}

func TestNothing(t *testing.T) {
	none := []Kernel{{}, Air(0), Airy(0, 100, 0), Gaussian(Cov{}), Box(0, 20), Trail(0, 20), Sine(0, 20), Disc(0, 0.3)}
	want := Star(Air(2), Trail(1, 40))
	got := Star(append(none, Air(2), Trail(1, 40))...)
	if got != want {
		t.Errorf("with causes of no size: got %+v, want %+v", got, want)
	}
	for _, k := range none {
		testkit.Near(t, k.OTF(0.3, 0.4), 1, 0, "closed form: a point's transform")
		if k.Cov() != (Cov{}) {
			t.Errorf("a cause of no size: got covariance %+v, want none", k.Cov())
		}
	}
}

func TestBadSizes(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	bad := map[string]Kernel{
		"negative air": Air(-1), "no air": Air(unit.Arcsec(nan)), "endless trail": Trail(unit.Arcsec(inf), 0),
		"negative trail": Trail(-2, 0), "hole 1": Disc(2, 1), "hole -0.1": Disc(2, -0.1), "negative box": Box(-1, 0),
		"obstruction 1": Airy(0.55, 100, 1), "no aperture": Airy(0.55, 0, 0), "negative aperture": Airy(0.55, -5, 0),
		"negative sine": Sine(-1, 0), "angle": Trail(1, unit.Deg(nan)), "covariance": Gaussian(Cov{EastArcsec2: nan}),
	}
	for name, k := range bad {
		if !math.IsNaN(k.OTF(0.1, 0.1)) {
			t.Errorf("%s: got OTF %v, want NaN", name, k.OTF(0.1, 0.1))
		}
		p := Star(Air(2), k)
		for _, v := range []float64{float64(p.Major), float64(p.Minor), float64(p.PA), p.Tail, p.Peak, p.Ellipticity(), Peak(Air(2), k), Enclosed(1, Air(2), k), float64(HalfFluxDiameter(Air(2), k))} {
			if !math.IsNaN(v) {
				t.Errorf("%s: got %+v, want a profile of NaN", name, p)
				break
			}
		}
		for _, v := range Image(nil, 3, 3, 1, 1, 1, 0, Air(2), k) {
			if !math.IsNaN(v) {
				t.Errorf("%s: drawn as %v, want NaN", name, v)
				break
			}
		}
	}
	for name, ks := range map[string][]Kernel{"no causes": nil, "a line": {Trail(3, 20)}, "negative": {Air(1), Gaussian(Cov{EastArcsec2: -1})}} {
		if p := Star(ks...); !math.IsNaN(float64(p.Major)) {
			t.Errorf("%s: got %+v, want NaN", name, p)
		}
	}
}
