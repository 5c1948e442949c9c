package proof

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// loopSeries plays corrections in time: white noise, a random walk and a slow
// wave, the moves turned by an angle.
func loopSeries(many int, gainRA, gainDec, noise, step, wave, period, cycle, degrees float64, seed uint64) *Series {
	rng := rand.New(rand.NewPCG(seed, 1))
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	s := &Series{}
	var e [2]float64
	before := 0.0
	for i := range many {
		m := [2]float64{e[0] + noise*rng.NormFloat64(), e[1] + noise*rng.NormFloat64()}
		c := [2]float64{-gainRA * (cos*m[0] + sin*m[1]), -gainDec * (-sin*m[0] + cos*m[1])}
		s.Samples = append(s.Samples, Sample{unit.Second(float64(i) * cycle), unit.Arcsec(m[0]), unit.Arcsec(m[1]), unit.Arcsec(c[0]), unit.Arcsec(c[1]), 50})
		now := wave * math.Sin(2*math.Pi*float64(i+1)*cycle/period)
		e[0] += c[0] + step*rng.NormFloat64() + now - before
		e[1] += c[1] + step*rng.NormFloat64()
		before = now
	}
	return s
}

// TestHolding: the stationary covariances of the model are those of the loop
// played in time.
func TestHolding(t *testing.T) {
	for _, c := range []struct{ gr, gd, noise, step, wave, angle float64 }{
		{0.7, 0.3, 0.4, 0.001, 0.01, 0.1},
		{0.5, 0.5, 0.1, 0.3, 0.01, 0.1},
		{0.7, 0.3, 0.4, 0.2, 8, 0.1},
		{0.6, 0.4, 0.3, 0.1, 0.01, 50},
		{1.5, 1.3, 0.3, 0.1, 0.01, 0.1},
	} {
		t.Run(fmt.Sprint(c), func(t *testing.T) {
			s := loopSeries(20000, c.gr, c.gd, c.noise, c.step, c.wave, 480, 2, c.angle, 7)
			g := guideOf(s, []spanOf{{0, len(s.Samples)}})
			g.Axis[0].Period = 480
			set := &setting{e: &evidence{Guide: g, Exposure: 1e6}, guided: true}
			var x [params]float64
			for p := range x {
				x[p] = -9
			}
			ln := math.Log
			x[pGain], x[pGainDec], x[pNoise], x[pWind], x[pWave], x[pAngle] = ln(c.gr), ln(c.gd), ln(c.noise), ln(c.step), ln(c.wave), ln(c.angle)
			h := set.holding(&x, plain)
			const how = "the same loop played in time, 20,000 exposures"
			for i, name := range []string{"RA", "dec"} {
				testkit.Near(t, g.Axis[i].Var, h.seen[i][i], 0.06*h.seen[i][i], name+" variance"+": "+how)
				testkit.Near(t, g.Axis[i].Lag1, h.next[i][i]/h.seen[i][i], 0.03, name+" lag"+": "+how)
				testkit.Near(t, math.Sqrt(g.Axis[i].Slow), math.Sqrt(h.slow[i]), 0.07*math.Sqrt(h.slow[i]), name+" slow"+": "+how)
			}
			testkit.Near(t, g.Axis[0].Gain, c.gr, 0.01, "gain RA"+": "+"as it was set")
			testkit.Near(t, g.Axis[1].Gain, c.gd, 0.01, "gain dec"+": "+"as it was set")
			testkit.Near(t, g.Tilt, c.angle, 1, "tilt"+": "+"as it was set")
			testkit.Near(t, g.Chase, (h.next[0][1]-h.next[1][0])/2/math.Sqrt(h.seen[0][0]*h.seen[1][1]), 0.03, "chase"+": "+how)
		})
	}
}

// TestHoldingWhite: of white noise alone neighbours correlate by -g/2.
func TestHoldingWhite(t *testing.T) {
	set := &setting{e: &evidence{Guide: &guideFacts{Cycle: 2}, Exposure: 300}, guided: true}
	for _, g := range []float64{0.3, 0.5, 0.9, 1.5} {
		var x [params]float64
		for p := range x {
			x[p] = -12
		}
		x[pGain], x[pGainDec], x[pNoise] = math.Log(g), math.Log(g), 0
		h := set.holding(&x, plain)
		const source = "derived: e' = (1-g) e - g n; Franklin, Powell and Workman, Digital Control of Dynamic Systems"
		testkit.Near(t, h.real[0][0], g/(2-g), 1e-6, "error"+": "+source)
		testkit.Near(t, h.seen[0][0], 2/(2-g), 1e-6, "measured"+": "+source)
		testkit.Near(t, h.next[0][0]/h.seen[0][0], -g/2, 1e-6, "neighbours"+": "+source)
	}
}

// TestWave: a wave and a drift under corrections are found again.
func TestWave(t *testing.T) {
	s := loopSeries(3000, 0.6, 0.4, 0.3, 0.02, 9, 430, 2, 0, 3)
	var spans []spanOf
	for i := range 10 {
		spans = append(spans, spanOf{i * 300, i*300 + 280})
	}
	a := guideOf(s, spans).Axis[0]
	testkit.Near(t, a.Line, 9, 0.4, "amplitude"+": "+"as it was set")
	testkit.Near(t, a.Period, 430, 5, "period"+": "+"as it was set")
	testkit.Near(t, a.LineLeft, 9*2*math.Pi*2/430/0.6, 0.1, "left"+": "+"what an integrator leaves of a slow wave, 2 pi A T/(P g)")
}

// TestJumps: a knock that is taken back is found, in its sub; noise is none.
func TestJumps(t *testing.T) {
	s := loopSeries(2000, 0.6, 0.4, 0.3, 0.02, 0.1, 430, 2, 0, 5)
	spans := []spanOf{{0, 500}, {500, 1000}, {1000, 1500}, {1500, 2000}}
	if g := guideOf(s, spans); g.Jumps != 0 {
		t.Errorf("got %d jumps in a calm night, want none", g.Jumps)
	}
	// A knock in declination, taken back by a factor 1-g an exposure.
	for i := 700; i < 720; i++ {
		d := unit.Arcsec(9 * math.Pow(0.6, float64(i-700)))
		s.Samples[i].North += d
		s.Samples[i].MoveN -= 0.4 * d
	}
	g := guideOf(s, spans)
	if g.Jumps != 1 || !g.JumpSub[1] {
		t.Errorf("got %d jumps in subs %v, want one in the second", g.Jumps, g.JumpSub)
	}
	testkit.Near(t, g.JumpRMS, 9, 1.5, "size"+": "+"as it was set")
}

// TestShapeOf: a field of stars with a known pattern is read back.
func TestShapeOf(t *testing.T) {
	const w, h, scale = 4000, 3000, 1.2
	half := math.Hypot(w, h) / 2
	rng := rand.New(rand.NewPCG(2, 2))
	f := star.Frame{Width: w, Height: h}
	const k = 0.9 // tangential variance half a diagonal out, arcsec^2
	for range 400 {
		x, y := w*rng.Float64(), h*rng.Float64()
		e, n := -(x-w/2)/half, (y-h/2)/half
		c := psf.Cov{EastArcsec2: 1.5 + k*n*n, NorthArcsec2: 1.2 + k*e*e, CrossArcsec2: 0.1 - k*e*n}
		a, b, pa := c.Axes()
		// East is -x, north +y: position angle p is 90 + p from +x towards +y.
		f.Stars = append(f.Stars, star.Star{X: unit.Px(x), Y: unit.Px(y), SNR: 100, Flux: 1e4, Major: unit.Px(float64(a) * fwhmPerSigma / scale), Minor: unit.Px(float64(b) * fwhmPerSigma / scale), Angle: 90 + pa, Tail: 0.19})
	}
	sh, ok := shapeOf(&f, view{xe: -scale, yn: scale})
	if !ok {
		t.Fatal("no shape")
	}
	const source = "as the field was made"
	testkit.Near(t, sh.Cov.EastArcsec2, 1.5, 0.01, "east"+": "+source)
	testkit.Near(t, sh.Cov.NorthArcsec2, 1.2, 0.01, "north"+": "+source)
	testkit.Near(t, sh.Cov.CrossArcsec2, 0.1, 0.01, "cross"+": "+source)
	testkit.Near(t, sh.GrowthArcsec2, k, 0.02, "growth"+": "+source)
	testkit.Near(t, sh.AroundArcsec2, k, 0.02, "around"+": "+source)
	testkit.Near(t, sh.Tail, 0.19, 1e-9, "tail"+": "+source)
}

// TestTail: the table of wings is that of the star it stands for.
func TestTail(t *testing.T) {
	s := &setting{e: &evidence{Scale: 1}, lambda: 0.55, aperture: 100, profile: map[[3]int]float64{}}
	for _, c := range []struct{ air, disc, sigma float64 }{{2.5, 0.3, 0.2}, {2.5, 3, 0.2}, {4, 1, 1}, {1.5, 2, 0.5}} {
		want := psf.Star(psf.Air(unit.Arcsec(c.air)), psf.Airy(0.55, 100, 0), psf.Box(1, 0), psf.Disc(unit.Arcsec(c.disc), 0), psf.Gaussian(psf.Round(unit.Arcsec(c.sigma)))).Tail
		testkit.Near(t, s.tail(c.air, c.disc, c.sigma), want, 0.006, fmt.Sprint(c)+": "+"psf.Star of the same causes")
	}
}

// TestNothing: a night without a star is judged by nothing.
func TestNothing(t *testing.T) {
	for _, n := range []*Night{{}, {Subs: []Sub{{Frame: star.Frame{Width: 100, Height: 100}}}}} {
		r := Prove(n)
		if r.Verdict.String() != "unknown" || len(r.Causes) != 0 || r.Sentence == "" || len(r.Ledger) == 0 {
			t.Errorf("got verdict %v, %d causes, %q, want unknown, none and a sentence", r.Verdict, len(r.Causes), r.Sentence)
		}
	}
}
