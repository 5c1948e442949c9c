package psf

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/num"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

const roundTrip = "closed form: the way back from a star made with a known cause"

func TestExcess(t *testing.T) {
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 5))
		known := randomStar(rng, 0, 1)
		want := Along(unit.Arcsec(2*rng.Float64()), unit.Deg(180*rng.Float64())).Plus(Round(unit.Arcsec(rng.Float64())))
		star := Star(append(known, Gaussian(want))...)
		got, err := Excess(star, known...)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		tol := 2e-4 * float64(star.Major*star.Major) / (fwhmPerSigma * fwhmPerSigma)
		testkit.Near(t, got.EastArcsec2, want.EastArcsec2, tol, roundTrip)
		testkit.Near(t, got.NorthArcsec2, want.NorthArcsec2, tol, roundTrip)
		testkit.Near(t, got.CrossArcsec2, want.CrossArcsec2, tol, roundTrip)
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

// TestExcessNegative: a star narrower than its known causes asks for a
// negative covariance, which gives the star back.
func TestExcessNegative(t *testing.T) {
	star := Star(Air(1.8), Box(1, 0), Trail(1, 90))
	known := []Kernel{Air(2), Box(1, 0)}
	c, err := Excess(star, known...)
	if err != nil {
		t.Fatal(err)
	}
	if !(c.NorthArcsec2 < 0 && c.EastArcsec2 > c.NorthArcsec2) {
		t.Errorf("got %+v, want a negative variance along north", c)
	}
	again := Star(append(known, Gaussian(c))...)
	testkit.NearRel(t, again.Major, star.Major, 1e-4, roundTrip)
	testkit.NearRel(t, again.Minor, star.Minor, 1e-4, roundTrip)
	testkit.Near(t, turn(again.PA, star.PA), 0, 0.05, roundTrip)
}

// TestExcessUnbiased: noise of the measurement leaves the mean excess where it
// is, because excesses may be negative.
func TestExcessUnbiased(t *testing.T) {
	known := []Kernel{Air(2.5), Box(1, 0)}
	star := Star(known...)
	rng := rand.New(rand.NewPCG(11, 0))
	const draws = 60
	var mean Cov
	for range draws {
		noisy := profileOf(star.squares().Plus(Cov{0.2 * rng.NormFloat64(), 0.2 * rng.NormFloat64(), 0.2 * rng.NormFloat64()}))
		c, err := Excess(noisy, known...)
		if err != nil {
			t.Fatal(err)
		}
		mean = mean.Plus(c.Times(1.0 / draws))
	}
	// Four standard errors: 4 0.2/(5.545 sqrt 60).
	for _, v := range []float64{mean.EastArcsec2, mean.NorthArcsec2, mean.CrossArcsec2} {
		testkit.Near(t, v, 0, 0.02, "closed form: the mean of symmetric noise, seed 11")
	}
}

// profileOf returns the profile with the given tensor of squared widths.
func profileOf(squares Cov) Profile {
	major, minor, pa := squares.Axes()
	return Profile{Major: major, Minor: minor, PA: pa}
}

func TestExcessImpossible(t *testing.T) {
	nan := unit.Arcsec(math.NaN())
	for _, p := range []Profile{{}, {Major: nan, Minor: nan}, {Major: 1, Minor: 2}, {Major: unit.Arcsec(math.Inf(1)), Minor: 1}, {Major: 2, Minor: 1, PA: unit.Deg(math.NaN())}} {
		if c, err := Excess(p, Air(1)); err == nil {
			t.Errorf("%+v: got %+v, want an error", p, c)
		}
	}
	if c, err := Excess(Profile{Major: 1, Minor: 1}, Air(20)); !errors.Is(err, num.ErrNoConverge) {
		t.Errorf("a star of 1 arcsec in air of 20: got %+v and %v, want ErrNoConverge", c, err)
	}
}

func TestTrailed(t *testing.T) {
	for _, tt := range []struct {
		air, length unit.Arcsec
		pa          unit.Deg
	}{{2, 3, 90}, {2.5, 1, 17}, {3, 6, 160}, {1.5, 0.6, 45}, {2, 12, 100}} {
		known := []Kernel{Airy(0.55, 80, 0), Box(1.2, 20)}
		star := Star(append(known, Air(tt.air), Trail(tt.length, tt.pa))...)
		air, length, pa, err := Trailed(star, known...)
		if err != nil {
			t.Errorf("%+v: %v", tt, err)
			continue
		}
		testkit.NearRel(t, air, tt.air, 1e-3, roundTrip)
		testkit.NearRel(t, length, tt.length, 2e-3, roundTrip)
		testkit.Near(t, turn(pa, tt.pa), 0, 0.1, roundTrip)
	}
	// The pixel alone is wider than this star.
	if air, length, _, err := Trailed(Profile{Major: 1.2, Minor: 1}, Box(2, 0)); err == nil {
		t.Errorf("got air %v and a trail of %v, want an error", air, length)
	}
}

func TestAirFWHM(t *testing.T) {
	known := []Kernel{Airy(0.55, 80, 0), Box(1.2, 20), Trail(3, 90)}
	for _, want := range []unit.Arcsec{0.3, 1, 2, 4, 9} {
		star := Star(append(known, Air(want))...)
		testkit.NearRel(t, AirFWHM(star.Minor, known...), want, 1e-3, roundTrip)
	}
	testkit.NearRel(t, AirFWHM(1.9742), 2, 1e-3, referenceSource)
	for _, minor := range []unit.Arcsec{0, -1, unit.Arcsec(math.NaN()), unit.Arcsec(math.Inf(1)), 0.5} {
		if got := AirFWHM(minor, known...); !math.IsNaN(float64(got)) {
			t.Errorf("minor width %v: got %v, want NaN", minor, got)
		}
	}
}

func BenchmarkExcess(b *testing.B) {
	known := []Kernel{Air(2.5), Airy(0.55, 80, 0), Box(1.6, 20)}
	star := Star(append(known, Trail(2, 30))...)
	for b.Loop() {
		Excess(star, known...)
	}
}
