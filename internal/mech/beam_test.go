package mech

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestCantilever(t *testing.T) {
	tube := Cantilever{150, TubeMoment(60, 56), Aluminium6061.YoungGPa}
	testkit.NearRel(t, tube.Sag(0.5), 0.521258, 5e-6, "computed with numpy: P L^3/(3EI), and by integrating the beam")
	testkit.NearRel(t, tube.Slope(0.5), 1.07517, 5e-6, "computed with numpy: P L^2/(2EI), and by integrating the beam")
	testkit.NearRel(t, tube.OwnSlope(TubeMassPerMetre(60, 56, Aluminium6061)), 0.105791, 5e-6, "computed with numpy: w L^3/(6EI)")
	bar := Cantilever{60, PlateMoment(50, 5), 69}
	testkit.NearRel(t, bar.Sag(1), 19.6541, 5e-6, "computed with numpy: 50 x 5 mm bracket")
	testkit.NearRel(t, bar.Slope(1), 101.349, 5e-6, "computed with numpy: 50 x 5 mm bracket")
	thick := Cantilever{60, PlateMoment(50, 8), 69}
	testkit.NearRel(t, float64(thick.Sag(1)/bar.Sag(1)), 0.244141, 2e-6, "closed form: (5/8)^3")
	// The beam bent step by step under its own weight and a load.
	const steps = 20000
	ei := 69e9 * TubeMoment(60, 56) * 1e-12
	w := TubeMassPerMetre(60, 56, Aluminium6061) * 9.81
	slope, sag := 0.0, 0.0
	for i := range steps {
		x := (float64(i) + 0.5) / steps * 0.15
		moment := w * (0.15 - x) * (0.15 - x) / 2
		slope += moment / ei * 0.15 / steps
		sag += slope * 0.15 / steps
	}
	testkit.NearRel(t, tube.OwnSlope(w/9.81), unit.Rad(slope).Arcsec(), 1e-4, "integration of the beam")
	testkit.NearRel(t, tube.OwnSag(w/9.81), unit.Micron(sag*1e6), 1e-4, "integration of the beam")
	for _, c := range []Cantilever{{}, {150, TubeMoment(56, 60), 69}, {150, 1, CarbonTube.YoungGPa}} {
		if got := c.Sag(1); !math.IsNaN(float64(got)) {
			t.Errorf("%+v: sag %v, want NaN", c, got)
		}
	}
}

func TestSlipTilt(t *testing.T) {
	testkit.NearRel(t, SlipTilt(10, 100), 20.6265, 3e-6, "computed with numpy: 10 um over 100 mm")
	testkit.NearRel(t, SlipTilt(20, 25).Arcmin(), 2.7502, 1e-5, "computed with numpy: 20 um over a barrel's 25 mm")
	testkit.NearRel(t, SlipTilt(-10, 100), -20.6265, 3e-6, "sign of the slip")
}

func TestExpansion(t *testing.T) {
	for _, tt := range []struct {
		m      Material
		length unit.MM
		want   unit.Micron
	}{{AluminiumPure, 160, -36.96}, {AluminiumPure, 600, -138.6}, {Steel, 600, -72}, {CarbonTube, 600, -6}} {
		testkit.NearRel(t, tt.m.Expansion(tt.length, -10), tt.want, 1e-9, "computed with numpy: alpha L dT for -10 K")
	}
	testkit.NearRel(t, AluminiumPure.ExpansionLimit(160, 11.264), 3.04762, 2e-6, "computed with numpy: quarter-wave half zone at f/3.2")
	testkit.NearRel(t, AluminiumPure.ExpansionLimit(600, 27.5), 1.98413, 2e-6, "computed with numpy: quarter-wave half zone at f/5")
	for _, m := range Materials() {
		if !(m.ExpansionPPMPerK > 0 && m.ExpansionPPMPerK < 30 && m.DensityKgPerM3 > 1000) || m.Name == "" {
			t.Errorf("%+v is not a material", m)
		}
		testkit.NearRel(t, m.Expansion(250, m.ExpansionLimit(250, 10)), 10, 1e-12, "inverse")
	}
}

func TestDriftGuesses(t *testing.T) {
	testkit.NearRel(t, MirrorDrift(203).ArcsecPerHr, 5, 1e-12, "common practice, no source")
	testkit.NearRel(t, MirrorDrift(356).ArcsecPerHr, 20, 1e-12, "common practice, no source")
	testkit.NearRel(t, MirrorDrift(unit.MM(math.Sqrt(203*356))).ArcsecPerHr, 10, 1e-9, "closed form: a power law is straight in logarithms")
	rings, shoe, rubber := HolderDrift(RingsOnPlate).ArcsecPerHr, HolderDrift(FinderShoe).ArcsecPerHr, HolderDrift(ORingBracket).ArcsecPerHr
	if !(rings < shoe && shoe < rubber) {
		t.Errorf("rings %v, shoe %v, rubber %v: want them in this order", rings, shoe, rubber)
	}
	for _, got := range []float64{HolderDrift("tape").ArcsecPerHr, MirrorDrift(0).ArcsecPerHr} {
		if !math.IsNaN(got) {
			t.Errorf("outside its domain = %v, want NaN", got)
		}
	}
}

func TestShoe(t *testing.T) {
	testkit.Near(t, ShoeBoltSpacing, 19, 0.1, "common practice, no source: about 19 mm")
	testkit.Near(t, ShoeHexKey, 2.38, 0.005, "closed form: 3/32 inch")
	for _, tt := range []struct {
		shoe, base unit.MM
		off        unit.MM
		fits       bool
	}{{19.05, 19.05, 0, true}, {19.05, 19, 0.05, true}, {19.05, 25, -5.95, false}, {20, 19, 1, false}} {
		off, fits := ShoeFits(tt.shoe, tt.base, ShoePlay)
		testkit.Near(t, off, tt.off, 1e-9, "closed form: difference")
		if fits != tt.fits {
			t.Errorf("shoe %v on %v: fits %v, want %v", tt.shoe, tt.base, fits, tt.fits)
		}
	}
	if off, fits := ShoeFits(0, 19, 1); fits || !math.IsNaN(float64(off)) {
		t.Errorf("a shoe without spacing: %v %v, want NaN, false", off, fits)
	}
}
