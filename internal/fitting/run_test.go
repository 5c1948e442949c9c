package fitting

import (
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// A drawn run of the focuser. Its stars are the air's.
type drawn struct {
	at      []float64 // positions, in the order of the frames
	best    float64
	perStep float64 // mm of focus a count; 0 stands still
	play    float64 // the tube lags by it between moving out and moving in
	noise   float64 // relative error of a frame's width
	seeing  float64 // relative scatter of the width in focus from frame to frame
	drift   float64 // relative change of the width in focus over the run
}

// widening tabulates the half-flux diameter, over that in focus, of a star spread
// by air and the pupil's disc, against the disc over that in focus in steps of 0.05.
var widening = sync.OnceValue(func() []float64 {
	sharp := float64(psf.HalfFluxDiameter(psf.Air(1)))
	out := []float64{1}
	for i := 1; i <= 600; i++ {
		out = append(out, float64(psf.HalfFluxDiameter(psf.Air(1), psf.Disc(unit.Arcsec(float64(i)*0.05*sharp), 0)))/sharp)
	}
	return out
})

// looks draws the frames, ten seconds apart, and returns where the tube ends.
func (d drawn) looks(rng *rand.Rand) ([]Sample, float64) {
	table := widening()
	tube := d.at[0] - math.Copysign(d.play/2, d.at[1]-d.at[0])
	var out []Sample
	for i, x := range d.at {
		tube = max(x-d.play/2, min(x+d.play/2, tube))
		sharp := float64(guide.Sharp) * (1 + d.seeing*rng.NormFloat64()) * (1 + d.drift*(float64(i)/float64(len(d.at)-1)-0.5))
		u := math.Abs(tube-d.best) * d.perStep * 1000 / guide.FNumber / float64(guide.Pixel) / sharp / 0.05
		j := min(int(u), len(table)-2)
		h := sharp * (table[j] + (u-float64(j))*(table[j+1]-table[j]))
		s := look(x, unit.Px(h*(1+d.noise*rng.NormFloat64())), unit.Px(h*d.noise))
		s.Start = time.Date(2026, 1, 10, 20, 0, 10*i, 0, time.UTC)
		out = append(out, s)
	}
	return out, tube
}

// legs returns positions from turning point to turning point, n steps each.
func legs(n int, turns ...float64) []float64 {
	out := []float64{turns[0]}
	for k := 1; k < len(turns); k++ {
		for i := 1; i <= n; i++ {
			out = append(out, turns[k-1]+(turns[k]-turns[k-1])*float64(i)/float64(n))
		}
	}
	return out
}

// TestRunFound: runs through focus, one way and both, with play, with air that
// changes from frame to frame and drifts, find the best position for the approach
// they name within a tenth of the critical focus zone, the play, what a count is
// worth and how far the last frame is from focus; and the errors are honest.
func TestRunFound(t *testing.T) {
	const perStep = 0.002
	there := legs(20, 4920, 5080)
	both := legs(14, 4920, 5080, 4920)
	for _, tt := range []struct {
		name string
		d    drawn
	}{
		{"out", drawn{at: there, noise: 0.01}},
		{"out, changing air", drawn{at: there, noise: 0.01, seeing: 0.03}},
		{"out, drifting air", drawn{at: there, noise: 0.01, seeing: 0.01, drift: 0.15}},
		{"wide steps", drawn{at: legs(10, 4600, 5400), noise: 0.01, seeing: 0.03}},
		{"both ways, no play", drawn{at: both, noise: 0.01, seeing: 0.02}},
		{"both ways, play", drawn{at: both, noise: 0.01, seeing: 0.03, play: 30}},
		{"both ways, play, drifting air", drawn{at: both, noise: 0.01, seeing: 0.02, drift: 0.2, play: 30}},
	} {
		rng := rand.New(rand.NewPCG(3, 4))
		turned := tt.d.at[len(tt.d.at)-1] == tt.d.at[0]
		runs := 100.0
		if turned {
			runs = 40
		}
		if testing.Short() {
			runs = map[bool]float64{false: 12, true: 2}[turned]
		}
		var off, pull, far, play, playOff, playRMS, step, scatter, drift, zone float64
		for range int(runs) {
			d := tt.d
			d.perStep, d.best = perStep, 5000+20*(rng.Float64()-0.5)
			looks, tube := d.looks(rng)
			f := FindFocus(looks, guide)
			if f.Verdict != Found {
				t.Fatalf("%s: %s: %s", tt.name, f.Verdict, f.Why)
			}
			want := d.best + map[string]float64{"out": d.play / 2, "in": -d.play / 2}[f.Approach]
			if !turned {
				want = d.best + d.play/2
			}
			off += sq(f.BestPosition - want)
			pull += sq((f.BestPosition - want) / f.BestPositionSigma)
			far += sq((float64(f.Defocus) - math.Abs(tube-d.best)*perStep) / float64(f.DefocusSigma))
			step += sq((float64(f.Step) - perStep) / float64(f.StepSigma))
			if turned {
				play += sq((f.Hysteresis - d.play) / f.HysteresisSigma)
				playOff += f.Hysteresis - d.play
				playRMS += sq(f.Hysteresis - d.play)
			} else if f.Hysteresis == f.Hysteresis || f.Approach != "out" {
				t.Fatalf("%s: play %v, approach %s from a run that went one way, out", tt.name, f.Hysteresis, f.Approach)
			}
			scatter += float64(f.Scatter)
			if f.Drift == f.Drift {
				drift += f.Drift
			}
			zone += f.ZoneCounts
		}
		const src = "what was drawn"
		rms := func(sum float64) float64 { return math.Sqrt(sum / runs) }
		t.Logf("%-30s off %.3f of the zone, pull %.2f; distance %.2f, count %.2f, play %.2f, %+.1f on average and %.1f counts rms; scatter %.3f px, drift %.2f", tt.name, rms(off)/(zone/runs), rms(pull), rms(far), rms(step), rms(play), playOff/runs, rms(playRMS), scatter/runs, drift/runs)
		if got := rms(off) / (zone / runs); got > 0.1 {
			t.Errorf("%s: off by %.3f of the critical focus zone (rms), want a tenth", tt.name, got)
		}
		slack := 0.35
		if testing.Short() {
			slack = map[bool]float64{false: 0.8, true: 1.5}[turned]
		}
		for name, v := range map[string]float64{"best position": rms(pull), "distance": rms(far), "count": rms(step)} {
			if v > 1+slack {
				t.Errorf("%s: the pulls of the %s have an rms of %.2f", tt.name, name, v)
			}
		}
		if turned {
			if v := rms(play); v > 1+slack {
				t.Errorf("%s: the pulls of the play have an rms of %.2f", tt.name, v)
			}
			testkit.Near(t, playOff/runs, 0, 4, src)
		}
		if len(tt.d.at) > 20 && !testing.Short() {
			testkit.Near(t, scatter/runs, tt.d.seeing*float64(guide.Sharp), 0.025, src)
			// In a run that goes one way a drift looks like a lowest point elsewhere.
			if turned {
				testkit.Near(t, drift/runs, tt.d.drift, 0.05, src)
			}
		}
	}
}

// TestRunOfAir: widths that follow the air and not the focuser are not taken for
// focus: neither a scatter, nor a drift, nor both.
func TestRunOfAir(t *testing.T) {
	runs := 150
	if testing.Short() {
		runs = 40
	}
	for _, tt := range []struct {
		name string
		d    drawn
	}{
		{"scatter", drawn{at: legs(10, 4600, 5400), noise: 0.01, seeing: 0.06}},
		{"drift", drawn{at: legs(10, 4600, 5400), noise: 0.01, drift: 0.3}},
		{"scatter and drift", drawn{at: legs(10, 4600, 5400), noise: 0.01, seeing: 0.04, drift: -0.3}},
		{"few frames", drawn{at: legs(4, 4600, 5400), noise: 0.01, seeing: 0.03}},
		{"few frames both ways", drawn{at: legs(3, 4600, 5400, 4600), noise: 0.01, seeing: 0.05}},
		{"few frames that drift", drawn{at: legs(7, 4600, 5400), noise: 0.01, seeing: 0.03, drift: 0.2}},
		{"nothing", drawn{at: legs(10, 4600, 5400), noise: 0.01}},
	} {
		rng := rand.New(rand.NewPCG(5, 6))
		wrong, why := 0, ""
		for range runs {
			looks, _ := tt.d.looks(rng)
			if f := FindFocus(looks, guide); f.Verdict != TooShallow {
				wrong, why = wrong+1, f.Verdict+": "+f.Why
			} else if f.BestPosition == f.BestPosition || f.Direction != "unknown" {
				t.Fatalf("%s: too shallow, and %v, %s", tt.name, f.BestPosition, f.Direction)
			}
		}
		if wrong > runs/40 {
			t.Errorf("%s: %d of %d runs are taken for focus, as %s", tt.name, wrong, runs, why)
		}
	}
}

// TestRunOutside: a run on one side points at focus as well as its errors say, and
// so does one in which the positions are not in order.
func TestRunOutside(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	pull, runs := 0.0, 60
	for i := range runs {
		d := drawn{at: []float64{5100, 5200, 5300, 5400, 5500}, perStep: 0.002, best: 4800 + 150*rng.Float64(), noise: 0.01, seeing: 0.03}
		if i%2 == 1 {
			d.at = []float64{5300, 5100, 5500, 5200, 5400}
		}
		looks, _ := d.looks(rng)
		f := FindFocus(looks, guide)
		if f.Verdict != Beyond || f.Direction != "in" {
			t.Fatalf("%s, %s: %s", f.Verdict, f.Direction, f.Why)
		}
		pull += sq((f.BestPosition - d.best) / f.BestPositionSigma)
	}
	if rms := math.Sqrt(pull / float64(runs)); !(rms < 1.3) {
		t.Errorf("pulls have an rms of %.2f", rms)
	}
}

// TestSides: where a count's travel is known two frames tell the side, also when
// focus was passed between them.
func TestSides(t *testing.T) {
	l := guide
	l.InTurns = true
	for _, tt := range []struct {
		first, second float64 // turns from focus, out positive
		dir           string
	}{
		{2, 1.5, "in"}, {1.5, 2, "in"}, {-2, -1.5, "out"}, {-1.5, -2, "out"},
		{1, -0.6, "out"}, {-1, 0.6, "in"}, {0.6, -1, "out"},
	} {
		at := func(turns float64) Sample { return look(10+turns, hfdAt(l, turns*0.75), 0.1) }
		f := FindFocus([]Sample{at(tt.first), at(tt.second)}, l)
		if f.Direction != tt.dir || f.Verdict != OutOfFocus {
			t.Errorf("from %v to %v turns: %s, %s (%s)", tt.first, tt.second, f.Verdict, f.Direction, f.Why)
		}
		testkit.Near(t, f.BestPosition, 10, 3*f.BestPositionSigma, "what was drawn")
		testkit.Near(t, f.Turns, math.Abs(tt.second), 3*f.TurnsSigma, "what was drawn")
	}
}

// TestSidesMisfit: two distances that the focuser's travel cannot make are said
// not to fit.
func TestSidesMisfit(t *testing.T) {
	l := guide
	l.InTurns = true
	at := func(pos, mm float64) Sample { return look(pos, hfdAt(l, mm), 0.05) }
	if f := FindFocus([]Sample{at(3, 0.6), at(2, 0.5)}, l); f.Direction != "in" || !strings.Contains(f.Why, "do not fit a travel of 0.75 mm") {
		t.Errorf("0.1 mm nearer by a turn of 0.75 mm: %s, %s", f.Direction, f.Why)
	}
}
