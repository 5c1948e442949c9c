package mech

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// guide50 is a guide telescope whose camera reaches focus with a 17 mm spacer in
// the middle of its focuser's 15 turns of 0.75 mm.
func guide50() LightPath {
	return LightPath{BackFocus: 17.526 + 17 + 5.625, Travel: 11.25, Pitch: 0.75, Flange: 17.526, Spacers: []unit.MM{17}}
}

func TestFocuserTravel(t *testing.T) {
	for _, tt := range []struct{ pitch, want unit.MM }{{0.5, 7.5}, {0.75, 11.25}, {1, 15}} {
		testkit.Near(t, 15*tt.pitch, tt.want, 1e-12, "computed with numpy: 15 turns")
		// A stack at the far end of the focuser takes all of the turns.
		p := LightPath{BackFocus: 20 + tt.want, Travel: tt.want, Pitch: tt.pitch, Flange: 20}
		got, err := p.Stacks()
		if err != nil || len(got) != 1 {
			t.Fatalf("%+v: %v, %v", p, got, err)
		}
		testkit.Near(t, got[0].Turns, 15, 1e-9, "closed form: end to end")
	}
}

func TestSpacer17(t *testing.T) {
	p := guide50()
	got, err := p.Stacks()
	if err != nil || len(got) != 1 || len(got[0].Spacers) != 1 {
		t.Fatalf("%v, %v, want the one stack with the 17 mm spacer", got, err)
	}
	testkit.Near(t, got[0].Turns, 7.5, 1e-9, "closed form: half of 15 turns")
	// Wherever in its travel the focuser needs that spacer, it cannot replace it.
	for out := unit.MM(0); out <= p.Travel; out += 0.25 {
		p.BackFocus = p.Flange + 17 + out
		with, err := p.Stacks()
		if err != nil || len(with) != 1 || with[0].Length != 17 {
			t.Fatalf("focus at %v mm out: %v, %v, want only the stack of 17 mm", out, with, err)
		}
		bare := p
		bare.Spacers = nil
		without, err := bare.Stacks()
		if err != nil || len(without) != 0 {
			t.Errorf("without the spacer the focuser reaches focus: %v, %v", without, err)
		}
		need, err := bare.Need()
		if err != nil {
			t.Fatal(err)
		}
		testkit.Near(t, need.Max, 17+out, 1e-9, "closed form: focuser fully in")
		testkit.Near(t, need.Min, 17+out-11.25, 1e-9, "closed form: focuser fully out")
	}
}

func TestGlassAndSlide(t *testing.T) {
	p := guide50()
	p.GlassShift = 1.02215
	got, err := p.Stacks()
	if err != nil || len(got) != 1 {
		t.Fatal(got, err)
	}
	testkit.Near(t, got[0].FocuserOut, 5.625+1.02215, 1e-9, "closed form: glass moves the focus away, the focuser follows")

	// A nosepiece drawn out takes the place of a spacer.
	p = guide50()
	p.Spacers, p.Slide = nil, 20
	got, err = p.Stacks()
	if err != nil || len(got) != 1 {
		t.Fatal(got, err)
	}
	testkit.Near(t, got[0].Slide, 17, 1e-9, "closed form: focuser in the middle")
	testkit.Near(t, got[0].FocuserOut, 5.625, 1e-9, "closed form: focuser in the middle")
	p.Slide = 12
	got, err = p.Stacks()
	if err != nil || len(got) != 1 {
		t.Fatal(got, err)
	}
	testkit.Near(t, got[0].FocuserOut, 10.625, 1e-9, "closed form: 22.625 less the whole slide")
	p.Slide = 11
	if got, err = p.Stacks(); err != nil || len(got) != 0 {
		t.Errorf("out of reach: %v, %v, want no stack", got, err)
	}
}

func TestNeedTooLong(t *testing.T) {
	p := LightPath{BackFocus: 10, Travel: 11.25, Pitch: 0.75, Flange: 17.526}
	need, err := p.Need()
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, need.TooLong, 7.526, 1e-9, "closed form: flange less back focus")
	if !math.IsNaN(float64(need.Min)) || !math.IsNaN(float64(need.Max)) || !math.IsNaN(float64(need.Middle)) {
		t.Errorf("%+v: want no length of spacer", need)
	}
	if got, err := p.Stacks(); err != nil || len(got) != 0 {
		t.Errorf("%v, %v, want no stack", got, err)
	}
}

func TestStacksOrder(t *testing.T) {
	p := LightPath{BackFocus: 50, Travel: 10, Pitch: 0.5, Flange: 20, Spacers: []unit.MM{5, 20, 25, 5, 10, 15}}
	got, err := p.Stacks()
	if err != nil {
		t.Fatal(err)
	}
	// 20 to 30 mm are wanted: 25 alone in the middle, 20 alone at the end, then two pieces.
	var lengths []float64
	for _, s := range got {
		lengths = append(lengths, float64(s.Length))
	}
	want := []float64{25, 20, 30}
	if len(lengths) != len(want) {
		t.Fatalf("lengths %v, want %v", lengths, want)
	}
	for i := range want {
		testkit.Near(t, lengths[i], want[i], 1e-9, "closed form: fewest pieces, then the middle of the travel")
	}
	if len(got[0].Spacers) != 1 || len(got[1].Spacers) != 1 || len(got[2].Spacers) != 2 {
		t.Errorf("%v: want one, one and two pieces", got)
	}
}

// Every stack returned reaches focus, and every length that does is returned.
func TestStacksComplete(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	for range 60 {
		p := LightPath{BackFocus: unit.MM(20 + 60*rng.Float64()), GlassShift: unit.MM(rng.Float64()), Travel: unit.MM(15 * rng.Float64()), Pitch: 0.75, Flange: 17.526}
		if rng.IntN(2) == 0 {
			p.Slide = unit.MM(15 * rng.Float64())
		}
		for range rng.IntN(8) {
			p.Spacers = append(p.Spacers, unit.MM(1+rng.IntN(20)))
		}
		got, err := p.Stacks()
		if err != nil {
			t.Fatal(err)
		}
		found := map[float64]bool{}
		for _, s := range got {
			sensor := s.Length + s.Slide + p.Flange
			testkit.Near(t, sensor, p.BackFocus+p.GlassShift-s.FocuserOut, 1e-9, "the sensor lies in the focal plane")
			if s.FocuserOut < 0 || s.FocuserOut > p.Travel || s.Slide < 0 || s.Slide > p.Slide {
				t.Errorf("%+v of %+v is out of reach", s, p)
			}
			if found[float64(s.Length)] {
				t.Errorf("length %v twice", s.Length)
			}
			found[float64(s.Length)] = true
		}
		var all func(i int, length, pieces float64)
		all = func(i int, length, pieces float64) {
			if i == len(p.Spacers) {
				rest := float64(p.BackFocus+p.GlassShift-p.Flange) - length
				if rest >= 0 && rest <= float64(p.Travel+p.Slide) && !found[length] {
					t.Errorf("%+v: length %v reaches focus and is not returned", p, length)
				}
				return
			}
			all(i+1, length, pieces)
			all(i+1, length+float64(p.Spacers[i]), pieces+1)
		}
		all(0, 0, 0)
	}
}

func TestLightPathRefuses(t *testing.T) {
	for _, tt := range []struct {
		change func(*LightPath)
		want   string
	}{
		{func(p *LightPath) { p.BackFocus = -1 }, "back focus is -1 mm"},
		{func(p *LightPath) { p.Travel = unit.MM(math.NaN()) }, "focuser travel is NaN"},
		{func(p *LightPath) { p.Spacers = []unit.MM{0} }, "a spacer is 0 mm"},
		{func(p *LightPath) {
			p.Spacers = make([]unit.MM, 17)
			for i := range p.Spacers {
				p.Spacers[i] = 1
			}
		}, "17 spacers"},
	} {
		p := guide50()
		tt.change(&p)
		if _, err := p.Stacks(); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("error %v, want one with %q", err, tt.want)
		}
		if _, err := p.Need(); err == nil {
			t.Errorf("%+v: Need accepted it", p)
		}
	}
	p := guide50()
	p.Pitch = 0
	got, err := p.Stacks()
	if err != nil || len(got) != 1 || !math.IsNaN(got[0].Turns) {
		t.Errorf("a draw tube: %v, %v, want one stack without turns", got, err)
	}
}

func BenchmarkStacks_12spacers(b *testing.B) {
	p := LightPath{BackFocus: 60, Travel: 11, Pitch: 0.75, Flange: 17.526, Spacers: []unit.MM{1, 2, 3, 4, 5, 6, 7, 8, 10, 15, 17, 20}}
	for b.Loop() {
		if _, err := p.Stacks(); err != nil {
			b.Fatal(err)
		}
	}
}
