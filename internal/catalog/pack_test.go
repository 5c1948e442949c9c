package catalog

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// small returns a pack of n stars over the whole sky in six zones, and the
// stars.
func small(t testing.TB, n int) ([]byte, []Star) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	stars := []Star{
		{RA: 0, Dec: 90, VT: -2}, {RA: 359.999999, Dec: -90, VT: 15, BV: unit.Mag(math.NaN())},
		{RA: 10, Dec: 0, VT: 5, BV: 5, Hipparcos: true}, {RA: 10, Dec: -0.0001, VT: 5, BV: -0.4},
	}
	for len(stars) < n {
		stars = append(stars, Star{
			RA: unit.Deg(rng.Float64() * 360), Dec: unit.Deg(math.Asin(2*rng.Float64()-1) * 180 / math.Pi),
			VT: unit.Mag(rng.Float64() * 12), BV: unit.Mag(rng.Float64() * 2), Hipparcos: rng.IntN(9) == 0,
		})
	}
	limits := make([]unit.Mag, 12)
	for i := range limits {
		limits[i] = unit.Mag(math.Inf(1))
	}
	limits[3] = 8.5
	data, err := Encode(stars, 6, limits, 1, Source{Tycho: [32]byte{1}, Hipparcos: [32]byte{2}})
	if err != nil {
		t.Fatal(err)
	}
	return data, stars
}

func TestEncode(t *testing.T) {
	data, stars := small(t, 200)
	sum, err := Verify(data)
	if err != nil {
		t.Fatal(err)
	}
	if sum.Stars != 200 || sum.Zones != 6 || sum.Cut != 1 || sum.Source.Tycho[0] != 1 || sum.Source.Hipparcos[0] != 2 {
		t.Errorf("Verify: %+v", sum)
	}
	p := mustOpen(string(data))
	const src = "the star that was encoded; six zones: half a step is 30/2^15 degrees in declination, up to 120/2^17 in right ascension"
	for _, s := range stars {
		// A star at a pole may be anywhere in right ascension.
		found := p.cone(nil, s.RA, s.Dec, 0.003, all)
		if len(found) == 0 {
			t.Errorf("star %+v is not where it was put", s)
			continue
		}
		got := found[0]
		for _, f := range found { // two of them share a place
			if math.Abs(float64(f.VT-s.VT)) < math.Abs(float64(got.VT-s.VT)) || f.VT == got.VT && f.Hipparcos == s.Hipparcos {
				got = f
			}
		}
		testkit.Near(t, got.Dec, s.Dec, 30.0/(1<<15)+1e-9, src)
		testkit.Near(t, got.VT, s.VT, 0.005+1e-9, src)
		switch {
		case math.IsNaN(float64(s.BV)) != math.IsNaN(float64(got.BV)):
			t.Errorf("B-V %v, want %v", got.BV, s.BV)
		case !math.IsNaN(float64(s.BV)):
			testkit.Near(t, got.BV, min(s.BV, 2.70), 0.025+1e-9, src)
		}
		if got.Hipparcos != s.Hipparcos {
			t.Errorf("star %+v: Hipparcos %v", s, got.Hipparcos)
		}
	}
	again := append([]Star(nil), stars...)
	rand.New(rand.NewPCG(4, 4)).Shuffle(len(again), func(i, j int) { again[i], again[j] = again[j], again[i] })
	limits := make([]unit.Mag, 12)
	for i := range limits {
		limits[i] = unit.Mag(math.Inf(1))
	}
	limits[3] = 8.5
	other, err := Encode(again, 6, limits, 1, Source{Tycho: [32]byte{1}, Hipparcos: [32]byte{2}})
	if err != nil || !bytes.Equal(data, other) {
		t.Errorf("the same stars in another order give other bytes (error %v)", err)
	}
}

func TestEncodeRefuses(t *testing.T) {
	inf := unit.Mag(math.Inf(1))
	open := make([]unit.Mag, 12)
	for i := range open {
		open[i] = inf
	}
	nan := math.NaN()
	for _, tt := range []struct {
		what   string
		star   Star
		zones  int
		limits []unit.Mag
	}{
		{"RA 360", Star{RA: 360}, 6, open},
		{"Dec 91", Star{Dec: 91}, 6, open},
		{"Dec NaN", Star{Dec: unit.Deg(nan)}, 6, open},
		{"VT -3", Star{VT: -3}, 6, open},
		{"VT 20", Star{VT: 20}, 6, open},
		{"VT NaN", Star{VT: unit.Mag(nan)}, 6, open},
		{"no zones", Star{}, 0, open},
		{"eleven limits", Star{}, 6, open[:11]},
		{"a limit of 3", Star{}, 6, append([]unit.Mag{3}, open[1:]...)},
		{"a limit of 20", Star{}, 6, append([]unit.Mag{20}, open[1:]...)},
		{"a limit of NaN", Star{}, 6, append([]unit.Mag{unit.Mag(nan)}, open[1:]...)},
	} {
		if _, err := Encode([]Star{tt.star}, tt.zones, tt.limits, 1, Source{}); err == nil {
			t.Errorf("%s: no error", tt.what)
		}
	}
	crowd := make([]Star, 1<<17)
	for i := range crowd {
		crowd[i] = Star{RA: unit.Deg(float64(i) / (1 << 17) * 360), Dec: 1, VT: 9}
	}
	if _, err := Encode(crowd, 6, open, 1, Source{}); err == nil {
		t.Error("more stars in a zone than its table can count: no error")
	}
}

// TestVerifyEveryByte flips every byte of a pack: none may pass.
func TestVerifyEveryByte(t *testing.T) {
	data, _ := small(t, 60)
	for i := range data {
		if i >= 40 && i < 104 {
			continue // the sums of the inputs are only passed on
		}
		data[i] ^= 0x11
		if _, err := Verify(data); err == nil {
			t.Errorf("byte %d changed: no error", i)
		}
		data[i] ^= 0x11
	}
	for n := range data {
		if _, err := Verify(data[:n]); err == nil {
			t.Errorf("cut to %d bytes: no error", n)
		}
	}
}

func FuzzVerify(f *testing.F) {
	data, _ := small(f, 40)
	f.Add(data)
	f.Add(data[:headerSize])
	f.Add([]byte(magic))
	empty, err := Encode(nil, 1, make12(), 1, Source{})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(empty)
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := Verify(data); err != nil {
			return
		}
		p := mustOpen(string(data))
		if got := len(p.cone(nil, 0, 0, 180, all)); got != p.stars {
			t.Errorf("a verified pack of %d stars yields %d", p.stars, got)
		}
	})
}

func make12() []unit.Mag {
	out := make([]unit.Mag, 12)
	for i := range out {
		out[i] = unit.Mag(math.Inf(1))
	}
	return out
}
