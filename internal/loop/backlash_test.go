package loop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// played returns the variance of the error of a loop without delay whose axis
// follows its drive with play, for unit measurement noise.
func played(gain, play, drift, walk float64, n int, r *rand.Rand) float64 {
	var drive, axis, sky, sum, square float64
	for range n {
		e := sky - axis
		sum, square = sum+e, square+e*e
		drive += gain * (e + r.NormFloat64())
		axis = math.Min(math.Max(axis, drive-play/2), drive+play/2)
		sky += drift + walk*r.NormFloat64()
	}
	mean := sum / float64(n)
	return square/float64(n) - mean*mean
}

func TestBacklash(t *testing.T) {
	n := 200000
	if testing.Short() {
		n = 60000
	}
	r := rand.New(rand.NewPCG(21, 4))
	sum, count := 0.0, 0.0
	for _, gain := range []float64{0.2, 0.4, 0.6, 0.8} {
		for _, walk := range []float64{0, 0.03, 0.1, 0.3, 1} {
			for _, drift := range []float64{0, 0.01, 0.03, 0.1, 0.3} {
				for _, play := range []float64{0.3, 1, 3, 10, 30} {
					want := played(gain, play, drift, walk, n, r)
					without := noiseGain(gain, 0) * (1 + walk*walk/(gain*gain))
					got := without + Backlash{unit.Arcsec(play), gain, 1, unit.Arcsec(walk), unit.Arcsec(drift), 0}.Variance()
					testkit.NearRel(t, got, want, 0.35, fmt.Sprintf("followed in time: gain %g, walk %g, drift %g, play %g, noise 1", gain, walk, drift, play))
					off := got/want - 1
					sum, count = sum+off*off, count+1
				}
			}
		}
	}
	testkit.Near(t, math.Sqrt(sum/count), 0.09, 0.03, "followed in time: rms over all cases")
}

func TestBacklashLimits(t *testing.T) {
	at := func(play, walk, drift unit.Arcsec) float64 { return Backlash{play, 0.5, 1, walk, drift, 0}.Variance() }
	testkit.Near(t, at(0, 0.3, 0), 0, 0, "closed form: no play")
	testkit.Near(t, at(10, 0, 0.1), 0, 0, "simulated: a steady drift and noise alone cost nothing")
	for b := unit.Arcsec(0.1); b < 100; b *= 1.5 {
		if at(b*1.5, 0.3, 0) <= at(b, 0.3, 0) {
			t.Errorf("play %v: more play costs less", b)
		}
		if at(b, 0.3, 0.2) >= at(b, 0.3, 0.1) {
			t.Errorf("play %v: more drift costs more", b)
		}
	}
	if got := at(-1, 1, 0); !math.IsNaN(got) {
		t.Errorf("negative play: got %v, want NaN", got)
	}
}

// TestWithinSub: the share of a wander within subs, against the wander itself
// drawn step by step.
func TestWithinSub(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	const tau = 200.0 // steps
	for _, x := range []float64{0.1, 1, 5, 50} {
		n := int(x * tau)
		whole, within := 0.0, 0.0
		v := 0.0
		pieces := math.Min(20000, 40000/x)
		for range int(pieces) {
			sum, square := 0.0, 0.0
			for range n {
				v = v*math.Exp(-1/tau) + math.Sqrt(-math.Expm1(-2/tau))*r.NormFloat64()
				sum += v
				square += v * v
			}
			whole += square / float64(n) / pieces
			within += (square/float64(n) - sum*sum/float64(n)/float64(n)) / pieces
		}
		testkit.NearRel(t, withinSub(x), within/whole, 0.06, "drawn step by step")
	}
	testkit.Near(t, withinSub(0), 1, 0, "no end")
	testkit.NearRel(t, withinSub(1e-4), 1e-4/3, 1e-3, "series")
	testkit.NearRel(t, withinSub(1e6), 1, 1e-5, "a long sub")
}
