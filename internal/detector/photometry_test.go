package detector

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestZeroPointOfV(t *testing.T) {
	testkit.NearRel(t, PhotonsFromJansky(VZeroJansky1998, 0.545), 1006.87, 5e-6, "Bessell, Castelli & Plez 1998: 3.636e-20 erg/s/cm2/Hz at 5450 A, computed with numpy")
	testkit.NearRel(t, PhotonsFromErg(VZeroErgPerSCm2A, 0.545), 996.199, 5e-6, "Bessell, Castelli & Plez 1998: 363.1e-11 erg/s/cm2/A, computed with numpy")
	testkit.NearRel(t, PhotonsFromJansky(VZeroJansky1979, 0.55), 998.81, 5e-6, "Bessell 1979: 3640 Jy at 5500 A, computed with numpy")
	testkit.NearRel(t, VBand.EquivalentWidth(), 0.08931, 1e-5, "Bessell 1990 curve, computed with numpy: 893.1 A")
	testkit.NearRel(t, VBand.Mean(), 0.55121, 1e-5, "Bessell 1990 curve, computed with numpy: 5512.1 A")
	// The band's photons from its width and the flux per angstrom.
	for _, tt := range []struct{ kelvin, band, broad float64 }{
		{9600, 891931, 2.94301e6}, {5770, 898002, 3.00094e6}, {3800, 906875, 3.78306e6},
	} {
		src := "computed with numpy: black body scaled to V = 0"
		testkit.NearRel(t, ZeroPoint(tt.kelvin, VBand), tt.band, 5e-6, src)
		testkit.NearRel(t, ZeroPoint(tt.kelvin, BroadCMOS), tt.broad, 5e-6, src)
		testkit.NearRel(t, ZeroPoint(tt.kelvin, VBand), 1000*893.1, 0.02, "1000 photons/s/cm2/A times the equivalent width")
	}
	testkit.NearRel(t, BroadZeroPointElectronPerSCm2, ZeroPoint(SunlikeKelvin, BroadCMOS), 5e-4, "ZeroPoint, rounded")
	if got := ZeroPoint(0, VBand); !math.IsNaN(got) {
		t.Errorf("a body of no temperature: %v, want NaN", got)
	}
	for _, tt := range []struct {
		at   unit.Micron
		want float64
	}{{0.34, 0}, {0.35, 0.35}, {0.375, 0.475}, {1.05, 0}, {1.1, 0}} {
		testkit.Near(t, BroadCMOS.At(tt.at), tt.want, 1e-12, "the table, straight between its points")
	}
}

func TestExtinction(t *testing.T) {
	testkit.Near(t, Extinction(0.25, 2), 0.5, 1e-12, "Bouguer's law")
	testkit.NearRel(t, Dimming(Extinction(0.25, 2)), 0.630957, 2e-6, "computed with numpy: 10^-0.2")
}

func TestRates(t *testing.T) {
	c := Collector{Aperture: 50, Transmission: 0.85, ZeroPointElectronPerSCm2: ZeroPoint(SunlikeKelvin, BroadCMOS)}
	scale := unit.Scale(unit.ArcsecPerRad * 3.75e-3 / 160)
	for _, tt := range []struct {
		mu   unit.SurfaceMag
		want float64
	}{{22, 1.85515}, {21, 4.65993}, {20, 11.7052}, {19, 29.4022}, {18, 73.8549}} {
		testkit.NearRel(t, c.Sky(tt.mu, scale), tt.want, 5e-6, "computed with numpy: 50 mm, 160 mm, 3.75 um, T 0.85")
	}
	for _, tt := range []struct {
		v    unit.Mag
		star unit.Electron
		snr  float64
	}{
		{6, 75626.9, 274.761}, {8, 11986.1, 108.875}, {10, 1899.66, 42.1281}, {11, 756.269, 25.351}, {12, 301.076, 14.4397},
	} {
		star := unit.Electron(0.5 * c.Star(tt.v+Extinction(0.25, 1.2)))
		testkit.NearRel(t, star, tt.star, 5e-6, "computed with numpy: half a second at airmass 1.2")
		n := Count{Star: star, Pixels: 9, Sky: unit.Electron(0.5 * c.Sky(20, scale)), ReadNoise: 3}
		testkit.NearRel(t, n.SNR(), tt.snr, 5e-6, "computed with numpy: CCD equation, 9 pixels")
	}
	big := c
	big.Obstruction = 0.5
	testkit.NearRel(t, big.AreaCm2(), 0.75*c.AreaCm2(), 1e-12, "closed form: a quarter of the area is hidden")
	testkit.NearRel(t, c.AreaCm2(), 19.63495, 1e-6, "closed form: pi/4 25 cm2")
	if got := (Collector{Aperture: 50, Transmission: 1.2, ZeroPointElectronPerSCm2: 1}).Star(5); !math.IsNaN(got) {
		t.Errorf("more light than there is: %v, want NaN", got)
	}
	if got := SkyOfClass(10); !math.IsNaN(float64(got)) {
		t.Errorf("class 10: %v, want NaN", got)
	}
	for class := 2; class <= 9; class++ {
		if SkyOfClass(class) >= SkyOfClass(class-1) {
			t.Errorf("class %d is not brighter than class %d", class, class-1)
		}
	}
}

func TestSNR(t *testing.T) {
	got := Count{Star: 24013, Pixels: 1, Sky: 620, Dark: 22, ReadNoise: 5, GainElectronPerADU: 5, SkyPixels: 200}.SNR()
	testkit.NearRel(t, got, 152.836, 5e-6, "Merline & Howell 1995, computed with numpy")
	c := Count{Star: 900, Pixels: 12, Sky: 20, ReadNoise: 3}
	testkit.NearRel(t, c.SNR(), 25.4762, 5e-6, "CCD equation, computed with numpy; its Monte Carlo: 25.4594")
	testkit.NearRel(t, Count{Star: 1e4, Pixels: 9}.SNR(), 100, 1e-12, "limit: photons alone")
	rng := rand.New(rand.NewPCG(21, 22))
	const trials = 40000
	sum, squares := 0.0, 0.0
	for range trials {
		v := distuv.Poisson{Lambda: 900, Src: rng}.Rand() + distuv.Poisson{Lambda: 240, Src: rng}.Rand() - 240 + 3*math.Sqrt(12)*rng.NormFloat64()
		sum += v
		squares += v * v
	}
	mean := sum / trials
	testkit.NearRel(t, c.SNR(), 900/math.Sqrt(squares/trials-mean*mean), 4/math.Sqrt(2*trials), "Monte Carlo, 40000 exposures, seed 21, 22")
	testkit.Near(t, Count{Pixels: 4}.SNR(), 0, 0, "limit: nothing measured, nothing found")
	if got := (Count{Star: 10}).SNR(); !math.IsNaN(got) {
		t.Errorf("no pixels: %v, want NaN", got)
	}
}

func TestQuantisation(t *testing.T) {
	testkit.NearRel(t, Quantisation(1), 0.288675, 2e-6, "closed form: 1/sqrt 12")
	rng := rand.New(rand.NewPCG(23, 24))
	sum := 0.0
	const trials = 100000
	for range trials {
		v := 100 * rng.Float64()
		d := (math.Round(v/2.5) - v/2.5) * 2.5
		sum += d * d
	}
	testkit.NearRel(t, float64(Quantisation(2.5)), math.Sqrt(sum/trials), 0.01, "Monte Carlo, seed 23, 24")
}

func TestFill(t *testing.T) {
	w := Well{FullWell: 50000, GainElectronPerADU: 1, Offset: 50, Bits: 12}
	testkit.Near(t, w.Ceiling(), 4045, 0, "closed form: 4095 - 50")
	w.GainElectronPerADU = 20
	testkit.Near(t, w.Ceiling(), 50000, 0, "closed form: the well is smaller than 4045 x 20")
	testkit.NearRel(t, w.Fill(1e5, 0.4, 1000), 0.82, 1e-12, "closed form: 41000/50000")
	for _, fwhm := range []unit.Px{0.8, 2, 5} {
		g, _ := pixels(0, float64(fwhm)/fwhmPerSigma, 40)
		sum := 0.0
		for _, v := range g {
			sum += v
		}
		testkit.Near(t, sum, 1, 1e-12, "all of the light falls somewhere")
		testkit.NearRel(t, PeakFraction(fwhm, 0, 0), g[40]*g[40], 1e-12, "the share of the middle pixel")
		if PeakFraction(fwhm, 0.5, 0) >= PeakFraction(fwhm, 0, 0) {
			t.Errorf("fwhm %v: a star between two pixels has the higher peak", fwhm)
		}
	}
	testkit.NearRel(t, PeakFraction(20, 0, 0), 4*math.Ln2/math.Pi/400, 5e-3, "limit: height of a wide Gaussian")
	testkit.Near(t, PeakFraction(0.1, 0, 0), 1, 1e-12, "limit: all in one pixel")
	testkit.NearRel(t, PeakFraction(2, 0, 0), 0.197083, 3e-6, "computed with scipy.special.erf: erf(0.5/(sqrt 2 sigma))^2")
	if got := (Well{FullWell: 1, Bits: 8}).Ceiling(); !math.IsNaN(float64(got)) {
		t.Errorf("no gain: %v, want NaN", got)
	}
}
