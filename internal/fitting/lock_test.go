package fitting

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// locked returns a frame taken after locking, mm from focus.
func locked(l Light, mm float64, se unit.Px) Sample {
	k := look(math.NaN(), hfdAt(l, mm), se)
	k.Locked = true
	return k
}

// TestLock: what the lock moved is told where it stands out of the noise, bounded
// where it does not, and the answer is that of the state after it.
func TestLock(t *testing.T) {
	const src = "drawn by the shape of a defocused star"
	free := func(mm float64, se unit.Px) Sample { return look(math.NaN(), hfdAt(guide, mm), se) }
	for _, tt := range []struct {
		name          string
		before, after float64 // mm from focus
		se            unit.Px
		verdict       string
		toward        string
		state         string
	}{
		{"far, farther", 0.5, 0.6, 0.1, Moved, "away", OutOfFocus},
		{"far, nearer", 0.6, 0.5, 0.1, Moved, "focus", OutOfFocus},
		{"sharp, then not", 0, 0.05, 0.02, Moved, "away", OutOfFocus},
		{"sharp, held", 0, 0, 0.005, Held, "unknown", InFocus},
		{"far, held", 0.5, 0.5, 0.02, Held, "unknown", OutOfFocus},
		{"far, noisy", 0.5, 0.51, 2, NotTold, "unknown", OutOfFocus},
	} {
		f := FindFocus([]Sample{free(tt.before, tt.se), locked(guide, tt.after, tt.se)}, guide)
		k := f.Lock
		if k == nil || k.Verdict != tt.verdict || k.Toward != tt.toward || k.Direction != "unknown" || f.Verdict != tt.state {
			t.Errorf("%s: %+v, %s; want %s, %s, and %s", tt.name, k, f.Verdict, tt.verdict, tt.toward, tt.state)
			continue
		}
		moved := math.Abs(tt.after - tt.before)
		if !(float64(k.AtMost) >= moved) {
			t.Errorf("%s: at most %v mm, want not less than the %v drawn", tt.name, float64(k.AtMost), moved)
		}
		if tt.verdict == Moved {
			testkit.Near(t, float64(k.Shift), moved, 3*float64(k.ShiftSigma)+0.01*moved, src)
			testkit.NearRel(t, k.Turns, float64(k.Shift)/0.75, 1e-9, "a pitch of 0.75 mm")
			if !(float64(k.ShiftSigma) < 0.5*moved) {
				t.Errorf("%s: ± %v mm of %v", tt.name, float64(k.ShiftSigma), moved)
			}
		} else if k.Shift == k.Shift {
			t.Errorf("%s: a shift of %v mm is claimed", tt.name, float64(k.Shift))
		}
		testkit.Near(t, float64(f.Defocus), tt.after, 2*float64(f.DefocusSigma)+0.01*tt.after, src)
	}
	// Without the telescope there is a change and no length.
	f := FindFocus([]Sample{free(0.5, 0.1), locked(guide, 0.6, 0.1)}, Light{})
	if k := f.Lock; k == nil || k.Verdict != Moved || k.Toward != "away" || k.Shift == k.Shift {
		t.Errorf("no telescope: %+v", f.Lock)
	}
	// Nothing to see, before or after.
	none := Sample{File: "x.fits", HFD: unit.Unknown[unit.Px](), Locked: true, Why: "cloud"}
	if f := FindFocus([]Sample{free(0.5, 0.1), none}, guide); f.Lock == nil || f.Lock.Verdict != NotTold || f.Verdict != OutOfFocus {
		t.Errorf("no stars after it: %+v, %s", f.Lock, f.Verdict)
	}
	if f := FindFocus([]Sample{locked(guide, 0.5, 0.1)}, guide); f.Lock == nil || f.Lock.Verdict != NotTold || f.Verdict != OutOfFocus {
		t.Errorf("no frame before it: %+v, %s", f.Lock, f.Verdict)
	}
	if f := FindFocus([]Sample{free(0.5, 0.1)}, guide); f.Lock != nil {
		t.Errorf("nothing was locked: %+v", f.Lock)
	}
}

// TestLockHonest: a lock that moves nothing is hardly ever said to have moved, and
// what it moved is within the errors as often as they say.
func TestLockHonest(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	const runs, se = 400, 0.08
	wrong, pulls, told := 0, 0.0, 0.0
	noisy := func(mm float64) unit.Px { return hfdAt(guide, mm) + unit.Px(se*rng.NormFloat64()) }
	for range runs {
		before := 0.2 + 0.3*rng.Float64()
		a, b := look(math.NaN(), noisy(before), se), look(math.NaN(), noisy(before), se)
		b.Locked = true
		if FindFocus([]Sample{a, b}, guide).Lock.Verdict == Moved {
			wrong++
		}
		b.HFD.V = noisy(before + 0.05)
		if k := FindFocus([]Sample{a, b}, guide).Lock; k.Verdict == Moved {
			pulls += sq(float64(k.Shift-0.05) / float64(k.ShiftSigma))
			told++
		}
	}
	if wrong > runs/25 {
		t.Errorf("%d of %d locks that moved nothing are said to have moved; 1.2 %% exceed two and a half standard errors", wrong, runs)
	}
	if rms := math.Sqrt(pulls / told); told < 0.95*runs || !(rms > 0.7 && rms < 1.2) {
		t.Errorf("of %d locks that moved 0.05 mm %.0f are told; pulls have an rms of %.2f", runs, told, rms)
	}
}
