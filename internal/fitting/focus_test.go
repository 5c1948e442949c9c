package fitting

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/optics"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// guide is a 50 mm f/3.2 guide telescope with pixels of 3.75 um.
var guide = Light{FNumber: 3.2, Pixel: 3.75, Pitch: 0.75, Sharp: 2.2}

// hfdAt returns the half-flux diameter of a star at a distance from focus.
func hfdAt(l Light, mm float64) unit.Px {
	disc := float64(optics.Blur(unit.Micron(math.Abs(mm)*1000), l.FNumber) / l.Pixel)
	return l.Sharp * unit.Px(shapeOf(l.Obstruction).at(disc/float64(l.Sharp)))
}

// look returns a frame of a run.
func look(pos float64, hfd unit.Px, se unit.Px) Sample {
	return Sample{File: "a.fits", Position: pos, HFD: unit.Est[unit.Px]{V: hfd, SE: se}, Stars: 20}
}

// TestOneFrame: a defocused frame gives its distance within 5 % and in turns.
func TestOneFrame(t *testing.T) {
	for _, l := range []Light{guide, {FNumber: 10, Obstruction: 0.35, Pixel: 24, Sharp: 2.6}, {FNumber: 7, Pixel: 3.76, Sharp: 3, Pitch: 1}} {
		for _, mm := range []float64{0.3, 1, 3} {
			f := FindFocus([]Sample{look(math.NaN(), hfdAt(l, mm), 0.02)}, l)
			const src = "drawn by optics.DefocusedHalfFlux"
			testkit.NearRel(t, float64(f.Defocus), mm, 0.05, src)
			if l.Pitch > 0 {
				testkit.NearRel(t, f.Turns, mm/float64(l.Pitch), 0.05, src)
			}
			want := OutOfFocus
			if unit.MM(mm) < f.Zone {
				want = InFocus
			}
			if f.Verdict != want || f.Direction != "unknown" {
				t.Errorf("f/%v at %v mm: %s, direction %s", l.FNumber, mm, f.Verdict, f.Direction)
			}
		}
		if f := FindFocus([]Sample{look(math.NaN(), hfdAt(l, 0), 0.02)}, l); f.Verdict != InFocus {
			t.Errorf("a sharp star at f/%v: %s, %s", l.FNumber, f.Verdict, f.Why)
		}
	}
	// The width of a star in focus that nobody gave is assumed, said so, and makes
	// the answer less sure.
	l := guide
	l.Sharp = 0
	f := FindFocus([]Sample{look(math.NaN(), hfdAt(guide, 0.2), 0.02)}, l)
	g := FindFocus([]Sample{look(math.NaN(), hfdAt(guide, 0.2), 0.02)}, guide)
	if !f.SharpAssumed || g.SharpAssumed || !(f.DefocusSigma > g.DefocusSigma) {
		t.Errorf("assumed %v with ±%v mm, given %v with ±%v", f.SharpAssumed, float64(f.DefocusSigma), g.SharpAssumed, float64(g.DefocusSigma))
	}
}

// TestTwoFrames: a second frame tells the way.
func TestTwoFrames(t *testing.T) {
	near, far := hfdAt(guide, 0.5), hfdAt(guide, 1)
	for _, tt := range []struct {
		a, b Sample
		want string
	}{
		{look(10, far, 0.05), look(12, near, 0.05), "out"},
		{look(12, far, 0.05), look(10, near, 0.05), "in"},
		{look(10, near, 0.05), look(12, far, 0.05), "in"},
		{look(math.NaN(), far, 0.05), look(math.NaN(), near, 0.05), "unknown"},
		{look(10, far, 15), look(12, near, 15), "unknown"},
	} {
		if f := FindFocus([]Sample{tt.a, tt.b}, guide); f.Direction != tt.want {
			t.Errorf("%v to %v: %s, want %s (%s)", tt.a.Position, tt.b.Position, f.Direction, tt.want, f.Why)
		}
	}
	f := FindFocus([]Sample{look(math.NaN(), far, 0.05), look(math.NaN(), near, 0.05)}, guide)
	if !strings.Contains(f.Why, "right way") {
		t.Errorf("the right way is not said: %s", f.Why)
	}
}

// TestRun: a run on both sides finds the best position within a tenth of the
// critical focus zone, with an honest standard error.
func TestRun(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	const perStep = 0.002 // mm
	var pulls, worst float64
	var rms float64
	runs := 200.0
	if testing.Short() {
		runs = 30
	}
	for range int(runs) {
		best := 5000 + 40*(r.Float64()-0.5)
		var looks []Sample
		for p := 4600.0; p <= 5400; p += 80 {
			h := hfdAt(guide, (p-best)*perStep)
			se := unit.Px(0.02)
			looks = append(looks, look(p, h+se*unit.Px(r.NormFloat64()), se))
		}
		f := FindFocus(looks, guide)
		if f.Verdict != Found {
			t.Fatalf("%s: %s", f.Verdict, f.Why)
		}
		d := f.BestPosition - best
		rms += d * d / runs
		worst = max(worst, math.Abs(d)*perStep/float64(f.Zone))
		pulls += d * d / (f.BestPositionSigma * f.BestPositionSigma) / runs
	}
	if got := math.Sqrt(rms) * perStep / float64(FindFocus([]Sample{look(0, 3, 0.1)}, guide).Zone); got > 0.1 {
		t.Errorf("the best position is off by %.2f of the zone rms, want a tenth", got)
	}
	if s := math.Sqrt(pulls); s > 1.5 || s < 0.3 {
		t.Errorf("pulls have a spread of %.2f", s)
	}
}

// TestOneSided: a run that stays on one side points at focus.
func TestOneSided(t *testing.T) {
	l := Light{FNumber: 11, Obstruction: 0.35, Pixel: 24, Sharp: 3}
	const perStep = 0.0005 * 24 * 11 / 0.75 / 24 // mm
	var looks []Sample
	for _, p := range []float64{3000, 3100, 3200, 3300, 3400} {
		looks = append(looks, look(p, hfdAt(l, p*perStep), 0.1))
	}
	f := FindFocus(looks, l)
	if f.Verdict != Beyond || f.Direction != "in" || math.Abs(f.BestPosition) > 600 {
		t.Errorf("%s, %s: best at %.0f ± %.0f, want 0 (%s)", f.Verdict, f.Direction, f.BestPosition, f.BestPositionSigma, f.Why)
	}
}

// TestRefusals: a shallow run and one without stars are answered as such.
func TestRefusals(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	var flat []Sample
	for p := range 9 {
		flat = append(flat, look(float64(p), unit.Px(3+0.1*r.NormFloat64()), 0.1))
	}
	if f := FindFocus(flat, guide); f.Verdict != TooShallow || !math.IsNaN(f.BestPosition) {
		t.Errorf("a flat run: %s, best %v", f.Verdict, f.BestPosition)
	}
	none := []Sample{{File: "x.fits", HFD: unit.Unknown[unit.Px](), Why: "cloud"}, {File: "y.fits", HFD: unit.Unknown[unit.Px]()}}
	f := FindFocus(none, guide)
	if f.Verdict != NoStars || f.Used != 0 || len(f.Left) != 2 || !strings.Contains(f.Left[0], "cloud") {
		t.Errorf("no stars: %+v", f)
	}
	if f := FindFocus(nil, Light{}); f.Verdict != NoStars {
		t.Errorf("nothing at all: %s", f.Verdict)
	}
}
