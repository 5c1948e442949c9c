package air

import (
	"fmt"
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

var inf = unit.Metre(math.Inf(1))

const byNumpy = "computed with numpy/scipy: "

// under returns Kolmogorov seeing of the given width at 500 nm with the outer
// scale.
func under(seeing unit.Arcsec, outer unit.Metre) Turbulence {
	t := FromFWHM(seeing, Reference, inf)
	t.Outer = outer
	return t
}

func TestKolmogorovFWHM(t *testing.T) {
	for _, tt := range []struct {
		r0   unit.Metre
		want unit.Arcsec
	}{{0.05, 2.01294}, {0.10, 1.00647}, {0.15, 0.670979}, {0.20, 0.503235}} {
		got := Turbulence{tt.r0, inf}
		testkit.NearRel(t, got.KolmogorovFWHM(0.5), tt.want, 1e-5, byNumpy+"0.9759 lambda/r0")
		testkit.NearRel(t, got.FWHM(0.5), tt.want, 1e-5, "closed form: an infinite outer scale changes nothing")
		testkit.NearRel(t, FromFWHM(tt.want, 0.5, inf).Fried, tt.r0, 1e-5, "closed form: inverse")
	}
	two := FromFWHM(2, 0.5, inf)
	testkit.NearRel(t, two.At(2).FWHM(0.5), 3.03143, 1e-5, byNumpy+"2 x 2^0.6")
	testkit.NearRel(t, two.FWHM(0.7), 1.86984, 1e-5, byNumpy+"2 x (7/5)^-0.2")
}

// hankelFWHM returns the width of exp(-d(r)/2)'s transform, in lambda/metre.
func hankelFWHM(d func(r float64) float64) float64 {
	const n, end = 6000, 1.5
	otf := make([]float64, n)
	for i := range otf {
		r := (float64(i) + 0.5) * end / n
		otf[i] = math.Exp(-d(r)/2) * r
	}
	image := func(a float64) (sum float64) {
		for i, o := range otf {
			sum += o * math.J0(2*math.Pi*a*(float64(i)+0.5)*end/n)
		}
		return sum
	}
	lo, hi, half := 0.0, 20.0, image(0)/2
	for range 50 {
		if mid := (lo + hi) / 2; image(mid) > half {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + hi
}

func TestKolmogorovConstant(t *testing.T) {
	const r0 = 0.1
	got := hankelFWHM(func(r float64) float64 { return 6.8839 * math.Pow(r/r0, 5./3) }) * r0
	testkit.Near(t, got, 0.975865, 1e-5, byNumpy+"Hankel transform of the long-exposure transfer function")
	testkit.Near(t, kolmogorovFWHM, got, 1e-4, "Hankel transform here")
}

// structure returns the von Karman structure function of phase for r0 and
// outer scale 1/k0, by integrating the spectrum.
func structure(r, r0, k0 float64) float64 {
	return 4 * math.Pi * phasePower * math.Pow(r0, -5./3) * overScales(func(f float64) float64 {
		return f * math.Pow(f*f+k0*k0, -11./6) * (1 - math.J0(2*math.Pi*f*r))
	}, math.Min(k0/3, 0.1/r), 0.5/r, 60/r)
}

func TestOuterScale(t *testing.T) {
	for _, tt := range []struct {
		outer unit.Metre
		want  float64
		exact float64
	}{{10, 0.759147, 0.765766}, {20, 0.817897, 0.822209}, {50, 0.872409, 0.874033}} {
		air := Turbulence{0.1, tt.outer}
		got := float64(air.FWHM(0.5) / air.KolmogorovFWHM(0.5))
		testkit.NearRel(t, got, tt.want, 1e-5, "Tokovinin (2002), "+byNumpy+"sqrt(1-2.183 (r0/L0)^0.356)")
		testkit.NearRel(t, got, tt.exact, 0.01, byNumpy+"transform of the von Karman transfer function")
		back := FromFWHM(air.FWHM(0.5), 0.5, tt.outer)
		testkit.NearRel(t, back.Fried, 0.1, 1e-9, "closed form: inverse")
		back = FromFWHM(air.At(1.7).FWHM(0.65), 0.65, tt.outer)
		testkit.NearRel(t, back.Fried, air.At(1.7).Fried, 1e-9, "closed form: inverse at another wavelength")
	}
	for _, bad := range []Turbulence{
		FromFWHM(0, 0.5, 20), FromFWHM(2, 0, 20), FromFWHM(2, 0.5, 0), FromFWHM(0.05, 0.5, 0.5),
		FromFWHM(unit.Arcsec(math.NaN()), 0.5, 20), Turbulence{0.1, 20}.At(0.9),
	} {
		if !math.IsNaN(float64(bad.Fried)) {
			t.Errorf("got Fried length %v, want NaN", bad.Fried)
		}
	}
	if got := (Turbulence{1, 10}).FWHM(0.5); !math.IsNaN(float64(got)) {
		t.Errorf("L0/r0 = 10: got %v, want NaN", got)
	}
}

func TestVonKarmanTransform(t *testing.T) {
	if testing.Short() {
		t.Skip("long integral")
	}
	const r0, outer = 0.1, 20
	grid := make([]float64, 400)
	for i := range grid {
		grid[i] = structure(float64(i+1)*1.5/400, r0, 1./outer)
	}
	got := hankelFWHM(func(r float64) float64 {
		x := r/1.5*400 - 1
		if x < 0 {
			return grid[0] * math.Pow(x+1, 5./3)
		}
		i := min(int(x), 398)
		return grid[i] + (x-float64(i))*(grid[i+1]-grid[i])
	}) * r0 / 0.975865
	testkit.NearRel(t, got, 0.822209, 0.003, byNumpy+"transform of the von Karman transfer function")
}

func TestPhasePower(t *testing.T) {
	testkit.NearRel(t, phasePower, 0.0228956, 3e-6, byNumpy+"constant of the phase spectrum")
	testkit.NearRel(t, phasePower, 0.023, 0.005, "Noll (1976)")
}

func TestBesselIntegral(t *testing.T) {
	// A&S table 11.1 gives the integral to 10 places.
	for _, tt := range []struct{ z, want float64 }{{1, 0.9197304101}, {2, 1.4257702932}, {5, 0.7153119178}, {10, 1.0670113040}} {
		testkit.Near(t, besselIntegral(tt.z), tt.want, 1e-9, byNumpy+"scipy.special.itj0y0")
	}
	sum, step := 0.0, 1e-3
	for i := range 60000 {
		z := (float64(i) + 0.5) * step
		sum += math.J0(z) * step
		if end := z + step/2; i%777 == 0 || math.Abs(end-25) < 0.1 {
			testkit.Near(t, besselIntegral(end), sum, 4e-6, "midpoint sum of J0")
		}
	}
}

// weber is Int_0^inf J_n(t)^2 t^-l dt.
func weber(n, l float64) float64 {
	return math.Gamma(l) * math.Gamma(n+(1-l)/2) /
		(math.Pow(2, l) * math.Pow(math.Gamma((1+l)/2), 2) * math.Gamma(n+(1+l)/2))
}

func TestMotionCoefficient(t *testing.T) {
	half := func(float64) float64 { return 0.5 }
	got := motionPower(0, 1, half)
	testkit.NearRel(t, got, 0.169801, 2e-4, byNumpy+"spectral integral")
	testkit.NearRel(t, got, GTilt, 0.002, "Tokovinin (2002)")
	common := phasePower * math.Pow(math.Pi, 2./3)
	testkit.NearRel(t, got, 4*common*weber(1, 8./3), 1e-4, "closed form: Weber-Schafheitlin integral")
	wavefront := 64 * common * weber(2, 14./3)
	testkit.NearRel(t, wavefront, 0.181922, 1e-4, byNumpy+"spectral integral with 8 J2(z)/z^2")
	testkit.NearRel(t, ZTilt, wavefront, 0.001, "closed form: Weber-Schafheitlin integral")
	testkit.NearRel(t, ZTilt, 0.448*16/(4*math.Pi*math.Pi), 0.003, "Noll (1976): 0.448 rad^2 per tilt")
	testkit.NearRel(t, 0.179/got, 1.05417, 1e-3, byNumpy+"0.179 of Sarazin and Roddier (1990) over the centroid's")
	testkit.NearRel(t, 0.179/wavefront, 0.98394, 1e-3, byNumpy+"0.179 of Sarazin and Roddier (1990) over the wavefront tilt's")
}

func TestImageMotion(t *testing.T) {
	for _, tt := range []struct {
		aperture         unit.Metre
		seeing           unit.Arcsec
		infinite, twenty unit.Arcsec
	}{
		{0.05, 2, 0.845403, 0.752866},
		{0.05, 4, 1.50634, 1.34146},
		{0.06, 2, 0.8201, 0.724343},
		{0.06, 4, 1.46125, 1.29063},
		{0.1, 2, 0.753168, 0.647616},
		{0.1, 4, 1.34199, 1.15392},
		{0.25, 2, 0.646499, 0.519912},
		{0.25, 4, 1.15193, 0.926378},
	} {
		src := byNumpy + fmt.Sprintf("spectral integral, D %v m, %v arcsec", tt.aperture, tt.seeing)
		testkit.NearRel(t, ImageMotion(tt.aperture, under(tt.seeing, inf)), tt.infinite, 3e-4, src)
		testkit.NearRel(t, ImageMotion(tt.aperture, under(tt.seeing, 20)), tt.twenty, 3e-4, src+", L0 20 m")
		closed := 0.28815 * math.Pow(float64(tt.seeing), 5./6) * math.Pow(float64(tt.aperture), -1./6)
		testkit.NearRel(t, ImageMotion(tt.aperture, under(tt.seeing, inf)), unit.Arcsec(closed), 1e-3, "closed form: 0.288 seeing^(5/6) D^(-1/6)")
	}
	testkit.NearRel(t, ImageMotion(0.05, under(2, inf)), 0.845894, 1e-3, "closed form with K = 0.170, computed with numpy")
	if got := ImageMotion(0, under(2, 20)); !math.IsNaN(float64(got)) {
		t.Errorf("no aperture: got %v, want NaN", got)
	}
}

func TestOuterScaleOfMotion(t *testing.T) {
	half := func(float64) float64 { return 0.5 }
	for _, tt := range []struct{ q, law, lawTol, want float64 }{
		{0.0025, 0.793026, 1e-3, 0.793062},
		{0.005, 0.739229, 1e-3, 0.739349},
		{0.01, 0.671449, 1e-3, 0.671878},
		{0.05, 0.438185, 0.02, 0.446232},
	} {
		got := motionPower(tt.q, 1, half) / motionPower(0, 1, half)
		testkit.NearRel(t, got, tt.want, 2e-4, byNumpy+"von Karman integral over Kolmogorov's")
		testkit.NearRel(t, got, tt.law, tt.lawTol, "1 - 1.525 (D/L0)^(1/3), good for small D/L0; from memory")
	}
}

func TestAveragedMotion(t *testing.T) {
	const d = 0.05
	kolmogorov := []float64{0.963892, 0.875247, 0.74713, 0.632887, 0.522278, 0.436448, 0.357744}
	twenty := []float64{0.954255, 0.839729, 0.666208, 0.498677, 0.322387, 0.192819, 0.105703}
	for i, blown := range []float64{1, 3, 10, 30, 100, 300, 1000} {
		for _, c := range []struct {
			air  Turbulence
			want float64
		}{{under(2, inf), kolmogorov[i]}, {under(2, 20), twenty[i]}} {
			got := AveragedMotion(d, c.air, 10, unit.Second(blown*d/10), MeanAxis) / ImageMotion(d, c.air)
			testkit.NearRel(t, float64(got), c.want, 4e-4, byNumpy+fmt.Sprintf("averaged over instantaneous, V T/D = %g, L0 %v", blown, c.air.Outer))
		}
	}
	for _, tt := range []struct {
		exposure         unit.Second
		infinite, twenty unit.Arcsec
	}{
		{0.1, 0.569664, 0.421982},
		{0.5, 0.441536, 0.242714},
		{1, 0.394367, 0.177023},
		{2, 0.351903, 0.125808},
		{4, 0.313824, 0.088973},
		{8, 0.279761, 0.0629134},
	} {
		src := byNumpy + fmt.Sprintf("averaged over %v s, D 50 mm, 2 arcsec, 10 m/s", tt.exposure)
		testkit.NearRel(t, AveragedMotion(d, under(2, inf), 10, tt.exposure, MeanAxis), tt.infinite, 3e-4, src)
		testkit.NearRel(t, AveragedMotion(d, under(2, 20), 10, tt.exposure, MeanAxis), tt.twenty, 1e-3, src+", L0 20 m")
	}
	for _, tt := range []struct {
		axis Axis
		want float64
	}{{MeanAxis, 0.217929}, {Along, 0.174366}, {Across, 0.261492}} {
		reach := 1e5
		got := motionPower(0, reach, func(x float64) float64 { return averagingFilter(2*math.Pi*x*reach, tt.axis) }) * math.Cbrt(reach)
		testkit.NearRel(t, got, tt.want, 5e-4, byNumpy+"constant of long averages")
	}
	got := AveragedMotion(1e-4, under(1, inf), 1, 1, MeanAxis)
	testkit.NearRel(t, got, 0.326251, 5e-4, byNumpy+"sigma_T = 0.326 seeing^(5/6) (V T)^(-1/6)")
	for _, tt := range []struct{ d, blown, want float64 }{{0.05, 1, 0.0800428}, {0.05, 10, 0.00590006}, {0.2, 20, 0.00159722}} {
		reach := tt.blown / tt.d
		got := motionPower(tt.d/20, reach, func(x float64) float64 { return averagingFilter(2*math.Pi*x*reach, Along) }) * math.Pow(tt.d, -1./3)
		testkit.NearRel(t, got, tt.want, 1e-3, byNumpy+"brute integral over frequency and direction")
	}
	if got := AveragedMotion(d, under(2, 20), -1, 1, MeanAxis); !math.IsNaN(float64(got)) {
		t.Errorf("negative wind: got %v, want NaN", got)
	}
}

// bruteSpectrum integrates the spectrum over the frequency across the wind
// on a dense logarithmic grid: an independent route to Motion.PSD, in units of
// lambda^2 r0^(-5/3) D^(-1/3) D/V.
func bruteSpectrum(x, q float64, axis Axis) float64 {
	const n = 60000
	lo, hi := math.Log(1e-8), math.Log(200)
	step := (hi - lo) / n
	sum := 0.0
	for i := range n {
		y := math.Exp(lo + (float64(i)+0.5)*step)
		h := jinc(math.Pi * math.Hypot(x, y))
		w := y * y
		if axis == Along {
			w = x * x
		}
		sum += y * step * w * math.Pow(x*x+y*y+q*q, -11./6) * h * h
	}
	return 4 * phasePower * sum
}

func TestMotionPSD(t *testing.T) {
	const d, v = 0.1, 8.0
	xs := []float64{1e-5, 1e-4, 1e-3, 0.004, 0.03, 0.11, 0.24, 0.37, 0.49, 0.51, 0.8, 1.23, 1.9, 2.7, 4.4, 7.3}
	if testing.Short() {
		xs = []float64{1e-4, 0.004, 0.11, 0.37, 0.51, 1.23, 4.4}
	}
	for _, q := range []float64{0, 0.0025, 0.02, 0.1, 0.3} {
		tol := 0.002
		if q > 0.1 {
			tol = 0.01
		}
		air := under(2, unit.Metre(d/q))
		along := NewMotion(MotionParams{d, v, air, Along})
		across := NewMotion(MotionParams{d, v, air, Across})
		mean := NewMotion(MotionParams{d, v, air, MeanAxis})
		unitPower := motionScale(d, air) * d / v
		for _, x := range xs {
			wantAlong, wantAcross := bruteSpectrum(x, q, Along)*unitPower, bruteSpectrum(x, q, Across)*unitPower
			src := fmt.Sprintf("dense sum here, D/L0 %g, f D/V %g", q, x)
			testkit.NearRel(t, along.PSD(x*v/d), wantAlong, tol, src+", along")
			testkit.NearRel(t, across.PSD(x*v/d), wantAcross, tol, src+", across")
			testkit.NearRel(t, mean.PSD(x*v/d), (along.PSD(x*v/d)+across.PSD(x*v/d))/2, 1e-12, "mean of the two")
		}
	}
}

func TestMotionPSDIntegratesToVariance(t *testing.T) {
	for _, d := range []unit.Metre{0.03, 0.1, 0.4} {
		for _, outer := range []unit.Metre{4, 20, 200, inf} {
			for _, axis := range []Axis{MeanAxis, Along, Across} {
				m := NewMotion(MotionParams{d, 7, under(2, outer), axis})
				first := 1e-5
				sum := overScales(m.PSD, first, math.Inf(1), 100*7/float64(d))
				testkit.NearRel(t, sum, m.Variance(), 0.002, fmt.Sprintf("integral over all spatial frequencies, D %v L0 %v axis %d", d, outer, axis))
				for _, exposure := range []unit.Second{0.05, 1, 3} {
					sum := overScales(func(f float64) float64 {
						s := sinc(f * float64(exposure))
						return m.PSD(f) * s * s
					}, first, 0.5/float64(exposure), 400/float64(exposure))
					testkit.NearRel(t, sum, m.AveragedVariance(exposure), 0.004, fmt.Sprintf("closed-form filter, D %v L0 %v axis %d, %v s", d, outer, axis, exposure))
				}
			}
		}
	}
}

// slope is the fitted slope of ln PSD on ln f.
func slope(m *Motion, lo, hi float64) float64 {
	const n = 160
	var sx, sy, sxx, sxy float64
	for i := range n {
		x := math.Log(lo) + float64(i)*math.Log(hi/lo)/(n-1)
		y := math.Log(m.PSD(math.Exp(x)))
		sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	return (n*sxy - sx*sy) / (n*sxx - sx*sx)
}

func TestMotionPSDSlopes(t *testing.T) {
	m := NewMotion(MotionParams{0.1, 10, under(2, inf), MeanAxis})
	testkit.Near(t, slope(m, 1e-3, 1e-2), -0.667608, 1e-3, byNumpy+"log slope; theory -2/3, Conan et al. (1995)")
	testkit.Near(t, slope(m, 3e3, 3e4), -3.67298, 0.01, byNumpy+"log slope; theory -11/3, Conan et al. (1995)")
	low, high := m.PSD(0.5)*math.Pow(0.5, 2./3), m.PSD(2e4)*math.Pow(2e4, 11./3)
	testkit.NearRel(t, math.Pow(high/low, 1./3)*0.1/10, 0.242185, 0.005, byNumpy+"where the asymptotes meet, in V/D")
	f := 0.5
	for m.PSD(f) > 0.5*low*math.Pow(f, -2./3) {
		f *= 1.001
	}
	testkit.NearRel(t, f*0.1/10, 0.241041, 0.02, byNumpy+"half of the f^(-2/3) line on a grid of 1.8 %, in V/D")
	// Across the boundary of the table the spectrum only loses its ripple.
	inside, outside := 0.0, 0.0
	for i := range 100 {
		x := 7 + float64(i)/100
		inside += m.PSD(x*100) * math.Pow(x, 11./3)
		outside += m.PSD((x+1.001)*100) * math.Pow(x+1.001, 11./3)
	}
	testkit.NearRel(t, outside, inside, 0.06, "a period of ripple has the mean of the limit")
}

func TestLagCorrelation(t *testing.T) {
	for _, axis := range []Axis{MeanAxis, Along, Across} {
		for _, outer := range []unit.Metre{5, 20, 200, inf} {
			m := NewMotion(MotionParams{0.05, 10, under(2, outer), axis})
			two, four := m.AveragedVariance(2), m.AveragedVariance(4)
			src := fmt.Sprintf("closed form: variance of the mean of neighbours, L0 %v axis %d", outer, axis)
			testkit.Near(t, m.LagCorrelation(2, 2), 2*four/two-1, 0.005, src)
		}
	}
	across := NewMotion(MotionParams{0.05, 10, under(2, 20), Across})
	testkit.Near(t, across.LagCorrelation(2, 2), 0.04, 0.005, byNumpy+"simulated series of 2-s averages at 10 m/s, L0 20 m, across the wind")
	// Without an outer scale a record's mean is part of the motion: taking it
	// from a record of n exposures takes n^(-1/3) of the variance.
	m := NewMotion(MotionParams{0.05, 10, under(2, inf), MeanAxis})
	lost := math.Pow(8192, -1./3)
	testkit.Near(t, (m.LagCorrelation(2, 2)-lost)/(1-lost), 0.57, 0.005, byNumpy+"simulated record of 8192 averages over 2 s, its mean taken off")
	testkit.Near(t, m.LagCorrelation(20, 20), math.Pow(2, 2./3)-1, 0.005, "closed form: variance of averages falls as T^(-1/3)")
	if got := m.LagCorrelation(0, 1); !math.IsNaN(got) {
		t.Errorf("got %v, want NaN", got)
	}
}

func TestMotionPSDOutside(t *testing.T) {
	m := NewMotion(MotionParams{0.05, 10, under(2, 20), MeanAxis})
	testkit.NearRel(t, m.PSD(0), m.PSD(1e-6), 1e-4, "closed form: flat below the outer scale")
	for _, got := range []float64{
		m.PSD(-1), m.PSD(math.NaN()),
		NewMotion(MotionParams{0.05, 0, under(2, 20), MeanAxis}).PSD(1),
		NewMotion(MotionParams{0.05, 10, Turbulence{0, 20}, MeanAxis}).PSD(1),
		NewMotion(MotionParams{0, 10, under(2, 20), MeanAxis}).PSD(1),
	} {
		if !math.IsNaN(got) {
			t.Errorf("got %v, want NaN", got)
		}
	}
}

func TestDifferential(t *testing.T) {
	ratios := []float64{0.1, 0.3, 1, 3, 10, 30, 100, 1000}
	kolmogorov := []float64{0.115064, 0.314606, 0.749508, 1.00515, 1.1567, 1.24137, 1.30105, 1.36286}
	twenty := []float64{0.133783, 0.365771, 0.871207, 1.16686, 1.33457, 1.40539, 1.41601, 1.41421}
	for i, r := range ratios {
		for _, c := range []struct {
			outer unit.Metre
			want  float64
		}{{inf, kolmogorov[i]}, {20, twenty[i]}} {
			p := Pair{0.1, 0.1, unit.Metre(0.1 * r), c.outer}
			testkit.NearRel(t, math.Sqrt(p.Differential(MeanDirection)), c.want, 5e-4, byNumpy+fmt.Sprintf("rms of the difference, s/D = %g, L0 %v", r, c.outer))
		}
	}
	for _, tt := range []struct {
		b    unit.Metre
		d    Direction
		want float64
		fit  float64
	}{
		{2.5, Longitudinal, 0.195255, 0.340 * (1 - 0.570*math.Pow(2.5, -1./3) - 0.040*math.Pow(2.5, -7./3))},
		{2.5, Transverse, 0.126671, 0.340 * (1 - 0.855*math.Pow(2.5, -1./3) + 0.030*math.Pow(2.5, -7./3))},
		{5, Longitudinal, 0.225989, 0.340 * (1 - 0.570*math.Pow(5, -1./3) - 0.040*math.Pow(5, -7./3))},
	} {
		_, _, got := Pair{1, 1, tt.b, inf}.power(tt.d)
		testkit.NearRel(t, got, tt.want, 5e-4, byNumpy+"spectral integral")
		testkit.NearRel(t, got, tt.fit, 0.004, "fit of Tokovinin (2002)")
	}
	for i, r := range []unit.Metre{1, 10, 100} {
		p := Pair{0.1, 0.1, 0.1 * r, 20}
		got, _ := p.Correlation(0, 0)
		testkit.Near(t, got, []float64{0.620499, 0.109467, -0.00254781}[i], 5e-4, byNumpy+"correlation, L0 20 m, D 0.1 m")
	}
	testkit.NearRel(t, math.Sqrt(Pair{0.05, 0.2, 0.3, 20}.Differential(MeanDirection)), 1.02973, 5e-4, byNumpy+"50 and 200 mm, 0.3 m apart")
	for _, tt := range []struct {
		level float64
		want  unit.Metre
	}{{0.5, 0.527437}, {1, 2.90846}} {
		lo, hi := unit.Metre(0.01), unit.Metre(50)
		for range 50 {
			if mid := (lo + hi) / 2; (Pair{1, 1, mid, inf}).Differential(MeanDirection) < tt.level*tt.level {
				lo = mid
			} else {
				hi = mid
			}
		}
		testkit.NearRel(t, lo, tt.want, 2e-3, byNumpy+"s/D at which the difference reaches that share of the rms")
	}
	for d, theta := range map[unit.Metre]unit.Arcsec{0.05: 2.06265, 0.1: 4.1253, 0.25: 10.3132} {
		testkit.NearRel(t, BeamSeparation(theta, 5000, 0), d, 1e-5, byNumpy+"angle at which beams are D apart at 5 km")
	}
	motion := Pair{0.1, 0.1, 0.1, 20}.DifferentialMotion(under(2, 20), MeanDirection)
	testkit.NearRel(t, motion, 0.647616*0.871207, 1e-3, byNumpy+"rms at 0.1 m times ratio")
	testkit.Near(t, Pair{0.1, 0.1, 0, 20}.Differential(MeanDirection), 0, 1e-12, "closed form: the same beam")
	if got := (Pair{0.1, 0.1, -1, 20}).Differential(MeanDirection); !math.IsNaN(got) {
		t.Errorf("negative separation: got %v, want NaN", got)
	}
}

func TestPairCorrelation(t *testing.T) {
	for _, tt := range []struct {
		separation, blown unit.Metre
		want, ratio       float64
	}{
		{0.3, 0.001, 0.32416, 1.36813},
		{0.3, 3, 0.766963, 1.04062},
		{0.3, 10, 0.801458, 1.03408},
		{2, 10, 0.254224, 1.03408},
		{17, 20, -0.0171608, 1.03372},
		{87, 20, -7.68779e-6, 1.03372},
	} {
		got, ratio := Pair{0.05, 0.2, tt.separation, 20}.Correlation(tt.blown, 45)
		src := byNumpy + fmt.Sprintf("polar integration, 50 and 200 mm, %v m apart, %v m blown", tt.separation, tt.blown)
		testkit.Near(t, got, tt.want, 0.005, src)
		testkit.NearRel(t, ratio, tt.ratio, 0.003, src)
	}
	// Both routes meet where the air hardly moves.
	p := Pair{0.05, 0.2, 0.3, 20}
	still, _ := p.Correlation(0, 45)
	moving, _ := p.Correlation(0.01, 45)
	testkit.Near(t, moving, still, 0.01, "two integrals of one quantity")
	same, one := Pair{0.05, 0.05, 0, inf}.Correlation(10, 30)
	testkit.Near(t, same, 1, 1e-9, "closed form: the same beam")
	testkit.Near(t, one, 1, 1e-9, "closed form: the same beam")
}

func TestGust(t *testing.T) {
	for _, g := range []Gust{GroundGust(3), GroundGust(8), {5, 10}} {
		sum := overScales(g.PSD, 1e-3*g.KneeHz(), math.Inf(1), 1e8*g.KneeHz())
		testkit.NearRel(t, sum, 1, 2e-4, "closed form: unit variance, 70.8 being 70.78 rounded")
		end, start := g.PSD(1e4*g.KneeHz())*math.Pow(1e4*g.KneeHz(), 5./3), g.PSD(0)
		testkit.NearRel(t, math.Pow(end/start, 3./5), g.KneeHz(), 1e-3, "closed form: where the asymptotes meet")
		// Most power per decade at f L/U = 0.146.
		peak := func(n float64) float64 { f := n * float64(g.Wind) / float64(g.Scale); return f * g.PSD(f) }
		if peak(0.146) < peak(0.14) || peak(0.146) < peak(0.152) {
			t.Error("the peak of f PSD is not at f L/U = 0.146 (Simiu and Scanlan, from memory)")
		}
	}
	sum := overScales(func(f float64) float64 { return DavenportPSD(8, f) }, 1e-5, math.Inf(1), 1e7)
	testkit.NearRel(t, sum, 1, 1e-4, "closed form: unit variance")
	for _, got := range []float64{Gust{0, 40}.PSD(1), GroundGust(5).PSD(-1), DavenportPSD(0, 1)} {
		if !math.IsNaN(got) {
			t.Errorf("got %v, want NaN", got)
		}
	}
}

func BenchmarkNewMotion(b *testing.B) {
	p := MotionParams{0.05, 10, under(2, 20), MeanAxis}
	for b.Loop() {
		NewMotion(p)
	}
}

func BenchmarkMotionPSD(b *testing.B) {
	m := NewMotion(MotionParams{0.05, 10, under(2, 20), MeanAxis})
	f, sum := 0.01, 0.0
	for b.Loop() {
		sum += m.PSD(f)
		if f *= 1.1; f > 100 {
			f = 0.01
		}
	}
	if sum < 0 {
		b.Fatal(sum)
	}
}

func BenchmarkAveragedVariance(b *testing.B) {
	m := NewMotion(MotionParams{0.05, 10, under(2, 20), MeanAxis})
	for b.Loop() {
		m.AveragedVariance(2)
	}
}

func BenchmarkPairCorrelation(b *testing.B) {
	for b.Loop() {
		Pair{0.05, 0.2, 0.3, 20}.Correlation(10, 45)
	}
}
