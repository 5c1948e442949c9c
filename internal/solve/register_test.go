package solve

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// seen returns a field of n random stars and the same field as another camera
// shows it: scaled and turned about the centres, shifted, displaced at random,
// with shares of the stars lost and of spurious ones added.
func seen(r *rand.Rand, n int, turn, scale, dx, dy, sigma, lost float64, mirror bool) (a, b Field) {
	a, b = Field{Width: 1000, Height: 800}, Field{Width: 1000, Height: 800}
	s, c := math.Sincos(turn)
	for range n {
		x, y, f := 1000*r.Float64()-0.5, 800*r.Float64()-0.5, math.Pow(10, 3*r.Float64())
		a.Spots = append(a.Spots, Spot{unit.Px(x), unit.Px(y), f})
		// The inverse of: first = centre + shift + scale * turned second.
		u, v := (x-499.5-dx)/scale, (y-399.5-dy)/scale
		u, v = c*u+s*v, c*v-s*u
		if mirror {
			u = -u
		}
		u, v = u+499.5+sigma*r.NormFloat64(), v+399.5+sigma*r.NormFloat64()
		if r.Float64() < lost {
			u, v = 1000*r.Float64(), 800*r.Float64()
		}
		b.Spots = append(b.Spots, Spot{unit.Px(u), unit.Px(v), f * math.Exp(0.2*r.NormFloat64())})
	}
	return a, b
}

func TestRegister(t *testing.T) {
	for _, tt := range []struct {
		what                string
		n                   int
		turn, scale, dx, dy float64
		sigma, lost         float64
		mirror              bool
	}{
		{"a shift", 30, 0, 1, 25.3, -140.7, 0.3, 0.2, false},
		{"a shift of four stars", 4, 0, 1, 12.2, 31.9, 0.2, 0, false},
		{"a meridian flip", 20, math.Pi, 1, -60.4, 22, 0.3, 0.2, false},
		{"a small turn", 25, 0.01, 1.0005, 3, 4, 0.2, 0.1, false},
		{"a turn", 40, 1.1, 1, 40, 30, 0.3, 0.2, false},
		{"another camera", 60, -2, 1.4, 20, -50, 0.2, 0.2, false},
		{"a mirror", 60, 0.4, 0.8, -30, 10, 0.2, 0.2, true},
	} {
		r := rand.New(rand.NewPCG(21, 22))
		for range 20 {
			a, b := seen(r, tt.n, tt.turn, tt.scale, tt.dx, tt.dy, tt.sigma, tt.lost, tt.mirror)
			got := Register(a, b)
			if !got.Found {
				t.Errorf("%s: %s", tt.what, got.Why)
				continue
			}
			if got.Mirrored != tt.mirror {
				t.Errorf("%s: mirrored %v, want %v", tt.what, got.Mirrored, tt.mirror)
			}
			// The middle of the second frame lies where it was put.
			x, y := got.At(499.5, 399.5)
			within := unit.Px(4*tt.sigma*tt.scale/math.Sqrt(float64(tt.n)*0.5) + 0.01)
			testkit.Near(t, x, unit.Px(499.5+tt.dx), within, tt.what+", as drawn")
			testkit.Near(t, y, unit.Px(399.5+tt.dy), within, tt.what+", as drawn")
			testkit.Near(t, got.Scale, tt.scale, 0.005, tt.what+", as drawn")
			turn := unit.Rad(tt.turn).Deg()
			if tt.mirror {
				turn = unit.Rad(tt.turn + math.Pi).Deg()
			}
			testkit.Near(t, unit.Deg(math.Remainder(float64(got.Turn-turn), 360)), 0, 0.3, tt.what+", as drawn")
		}
	}
}

// TestRegisterRefuses: unlike frames are not laid on each other, and a reason
// is given.
func TestRegisterRefuses(t *testing.T) {
	r := rand.New(rand.NewPCG(23, 24))
	for _, n := range []int{2, 3, 6, 12, 30, 60} {
		for range 15 {
			a, _ := seen(r, n, 0, 1, 0, 0, 0, 0, false)
			b, _ := seen(r, n, 0, 1, 0, 0, 0, 0, false)
			if got := Register(a, b); got.Found || got.Why == "" {
				t.Errorf("%d random stars each: %+v", n, got)
			}
		}
	}
}

// TestRegisterDeadPixels: what stands still in both frames is not the sky.
func TestRegisterDeadPixels(t *testing.T) {
	r := rand.New(rand.NewPCG(25, 26))
	a, b := seen(r, 15, 0, 1, 17.5, -9, 0.2, 0, false)
	for range 30 {
		s := Spot{unit.Px(1000 * r.Float64()), unit.Px(800 * r.Float64()), 300}
		a.Spots, b.Spots = append(a.Spots, s), append(b.Spots, s)
	}
	got := Register(a, b)
	if !got.Found {
		t.Fatal(got.Why)
	}
	x, y := got.At(0, 0)
	testkit.Near(t, x, 17.5, 0.5, "as drawn")
	testkit.Near(t, y, -9, 0.5, "as drawn")
}

func FuzzRegister(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}, []byte{1, 2, 3, 4, 5, 6}, 20, 20)
	f.Add([]byte("\xff\xff\x00\x00"), []byte("\x05\x05\x05\x05\x05\x05\x05\x05"), 300, 1)
	f.Fuzz(func(t *testing.T, a, b []byte, w, h int) {
		got := Register(Field{scatter(a), w, h}, Field{scatter(b), w, h})
		if !got.Found && got.Why == "" {
			t.Error("refused without a reason")
		}
		if got.Found && (math.IsNaN(float64(got.X)) || got.Matched < 3) {
			t.Errorf("%+v", got)
		}
	})
}

// scatter makes spots of any bytes: two a spot, some of them no numbers.
func scatter(data []byte) []Spot {
	var out []Spot
	for i := 0; i+1 < len(data) && len(out) < 40; i += 2 {
		v := [2]float64{float64(data[i]), float64(data[i+1])}
		for k := range v {
			switch v[k] {
			case 255:
				v[k] = math.NaN()
			case 254:
				v[k] = math.Inf(-1)
			}
		}
		out = append(out, Spot{unit.Px(v[0]), unit.Px(v[1]), v[0]})
	}
	return out
}

func BenchmarkRegister_60stars(b *testing.B) {
	x, y := seen(rand.New(rand.NewPCG(1, 1)), 60, 0, 1, 10, 20, 0.3, 0.2, false)
	for b.Loop() {
		Register(x, y)
	}
}
