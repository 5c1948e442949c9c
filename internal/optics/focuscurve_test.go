package optics

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestFitFocusCurve(t *testing.T) {
	pos := []unit.Micron{-300, -200, -100, -50, 0, 50, 100, 200, 300}
	slope := 1 / (math.Sqrt2 * 3.2)
	width := make([]unit.Micron, len(pos))
	for i, p := range pos {
		width[i] = unit.Micron(math.Hypot(10, slope*float64(p-12)))
	}
	c, err := FitFocusCurve(pos, width)
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, c.Best.V, 12, 1e-9, "the input; computed with numpy.polyfit: 12")
	testkit.Near(t, c.Min.V, 10, 1e-9, "the input; computed with numpy.polyfit: 10")
	testkit.NearRel(t, c.Slope.V, 0.220971, 2e-6, "closed form: 1/(sqrt 2 N)")
	testkit.NearRel(t, c.Slope.V*1000/3.75, 58.9256, 2e-6, "computed with numpy: pixels of 3.75 um per mm")
	testkit.Near(t, c.At(12+20.7384), 11, 1e-5, "computed with numpy: +10 % at 20.7384 um")
	if !c.Inside {
		t.Error("the best position lies inside the run")
	}
}

// Noise must come out as the standard errors say.
func TestFitFocusCurvePulls(t *testing.T) {
	const seeds = 400
	var sums, squares [3]float64
	for seed := range uint64(seeds) {
		rng := rand.New(rand.NewPCG(seed, 7))
		var pos, width []float64
		for x := 10000.0; x <= 14000; x += 250 {
			pos = append(pos, x)
			width = append(width, math.Hypot(3, 0.004*(x-11900))+0.05*rng.NormFloat64())
		}
		c, err := FitFocusCurve(pos, width)
		if err != nil {
			t.Fatal(err)
		}
		for i, pull := range []float64{(c.Best.V - 11900) / c.Best.SE, (c.Min.V - 3) / c.Min.SE, (c.Slope.V - 0.004) / c.Slope.SE} {
			sums[i] += pull
			squares[i] += pull * pull
		}
	}
	for i, name := range []string{"best", "min", "slope"} {
		mean := sums[i] / seeds
		spread := math.Sqrt(squares[i]/seeds - mean*mean)
		if math.Abs(mean) > 0.2 || math.Abs(spread-1) > 0.15 {
			t.Errorf("%s: pulls have mean %.3f and spread %.3f, want 0 ± 0.2 and 1 ± 0.15", name, mean, spread)
		}
	}
}

// A real defocused star is no exact hyperbola; the vertex must not mind.
func TestFitFocusCurveOfRealStars(t *testing.T) {
	var pos, width []unit.Micron
	for x := unit.Micron(-150); x <= 150; x += 25 {
		pos = append(pos, x+40)
		width = append(width, DefocusedHalfFlux(12, Blur(x, 5), 0.3))
	}
	c, err := FitFocusCurve(pos, width)
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, c.Best.V, 40, 1e-3, "the input: the run is symmetric about it")
	testkit.NearRel(t, c.Min.V, 12, 0.07, "the input: the hyperbola is up to 7 % off")
}

func TestFitFocusCurveRefuses(t *testing.T) {
	for _, tt := range []struct {
		name       string
		pos, width []float64
	}{
		{"two positions", []float64{1, 2, 2}, []float64{3, 2, 2}},
		{"a dome", []float64{1, 2, 3, 4, 5}, []float64{1, 2, 3, 2, 1}},
	} {
		c, err := FitFocusCurve(tt.pos, tt.width)
		if !errors.Is(err, ErrNoMinimum) || c.Best.Known() {
			t.Errorf("%s: best position %v, error %v, want unknown and ErrNoMinimum", tt.name, c.Best, err)
		}
	}
	flank, err := FitFocusCurve([]float64{20, 30, 40, 50}, []float64{20.1, 30.1, 40.1, 50.1})
	if err != nil || flank.Inside {
		t.Errorf("one flank only: %+v, %v, want a position outside the run", flank, err)
	}
	if _, err := FitFocusCurve([]float64{1, 2, 3}, []float64{3, math.NaN(), 3}); err == nil {
		t.Error("a NaN width was accepted")
	}
	c, err := FitFocusCurve([]float64{1, 2, 3}, []float64{3, 2, 3.5})
	if err != nil || !c.Best.Known() || !math.IsNaN(c.Best.SE) {
		t.Errorf("three positions: %+v, %v, want a position with unknown standard error", c, err)
	}
}
