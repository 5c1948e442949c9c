package detector

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestReadNoiseSub(t *testing.T) {
	for _, tt := range []struct {
		noise      unit.Electron
		sky, share float64
		want       unit.Second
	}{
		{1.5, 0.5, 0.05, 43.9024}, {3, 0.5, 0.05, 175.61}, {3, 2, 0.05, 43.9024}, {8, 0.2, 0.05, 3121.95}, {1.5, 0.5, 0.02, 111.386},
		{1, 1, 0.02, 24.7525}, {1, 1, 0.05, 9.7561}, {1, 1, 0.1, 4.7619}, {1, 1, 0.2, 2.27273},
	} {
		got := ReadNoiseSub(tt.noise, tt.sky, tt.share)
		testkit.NearRel(t, got, tt.want, 5e-6, "computed with numpy: R^2/(B((1+E)^2-1))")
		sky, r2 := tt.sky*float64(got), float64(tt.noise*tt.noise)
		testkit.NearRel(t, math.Sqrt((sky+r2)/sky), 1+tt.share, 1e-12, "the noise itself at that length")
	}
	for _, tt := range []struct{ k, want float64 }{{1, 0.292893}, {3, 0.133975}, {5, 0.0871291}, {10, 0.0465374}, {20, 0.0240999}} {
		testkit.NearRel(t, ReadNoiseLoss(tt.k), tt.want, 5e-6, "computed with numpy: 1-1/sqrt(1+1/k)")
	}
}

func TestRejection(t *testing.T) {
	for _, tt := range []struct{ f, loss, time float64 }{{0.1, 0.0513167, 0.111111}, {0.2, 0.105573, 0.25}, {0.3, 0.16334, 0.428571}} {
		testkit.NearRel(t, RejectionLoss(tt.f), tt.loss, 5e-6, "computed with numpy: 1-sqrt(1-f)")
		testkit.NearRel(t, RejectionTime(tt.f), tt.time, 5e-6, "computed with numpy: 1/(1-f)-1")
		testkit.Near(t, math.Sqrt((1+RejectionTime(tt.f))*(1-tt.f)), 1, 1e-12, "the extra time makes up for the loss")
	}
}

func TestBestSub(t *testing.T) {
	for _, tt := range []struct {
		overhead, every, best unit.Second
		yield, kept           float64
	}{
		{10, 3600, 184.803, 0.901196, 0.949961},
		{30, 1800, 217.863, 0.778766, 0.886003},
		{10, 600, 72.6209, 0.778766, 0.886003},
	} {
		p := SubPlan{Overhead: tt.overhead, SpoiledPerHour: 3600 / float64(tt.every)}
		got := p.Best()
		testkit.NearRel(t, got, tt.best, 5e-6, "computed with scipy: numerical maximum")
		testkit.NearRel(t, p.Yield(got), tt.yield, 5e-6, "computed with numpy")
		testkit.NearRel(t, p.Kept(got), tt.kept, 5e-6, "computed with numpy: exp(-rate t)")
		o, every := float64(tt.overhead), float64(tt.every)
		testkit.NearRel(t, got, unit.Second((math.Sqrt(o*o+4*o*every)-o)/2), 1e-9, "closed form without read noise")
	}
	for _, tt := range []struct {
		t, overhead unit.Second
		want        float64
	}{{60, 10, 0.857143}, {300, 10, 0.967742}, {120, 30, 0.8}} {
		testkit.NearRel(t, SubPlan{Overhead: tt.overhead}.Yield(tt.t), tt.want, 5e-6, "computed with numpy: t/(t+o)")
	}
}

// With read noise the best length is longer, and no other does better.
func TestBestSubWithReadNoise(t *testing.T) {
	p := SubPlan{Overhead: 10, SpoiledPerHour: 2, ReadNoise: 3, SkyElectronPerS: 0.3}
	best := p.Best()
	if plain := (SubPlan{Overhead: 10, SpoiledPerHour: 2}).Best(); best <= plain {
		t.Errorf("best sub with read noise %v is not longer than without %v", best, plain)
	}
	top := p.Yield(best)
	for s := unit.Second(1); s < 5000; s *= 1.01 {
		if p.Yield(s) > top {
			t.Errorf("yield at %v s is %v, above %v at the best %v s", s, p.Yield(s), top, best)
		}
	}
	// Read noise alone: yield in terms of the loss already tested.
	q := SubPlan{ReadNoise: 3, SkyElectronPerS: 0.3}
	loss := ReadNoiseLoss(10)
	testkit.NearRel(t, q.Yield(300), (1-loss)*(1-loss), 1e-12, "yield is the square of the ratio's share, at 10 R^2/B")
	if got := q.Best(); !math.IsInf(float64(got), 1) {
		t.Errorf("nothing spoils a sub: best %v, want +Inf", got)
	}
	if got := (SubPlan{SpoiledPerHour: 1}).Best(); got != 0 {
		t.Errorf("only spoiling counts: best %v, want 0", got)
	}
	if got := (SubPlan{ReadNoise: 3}).Best(); !math.IsNaN(float64(got)) {
		t.Errorf("read noise without a sky: best %v, want NaN", got)
	}
}
