package catalog

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestBahcallSoneira(t *testing.T) {
	const src = "Bahcall & Soneira 1980, ApJS 44, 73, appendix B, computed with numpy"
	at := []struct{ l, b unit.Deg }{{0, 90}, {90, 50}, {90, 30}, {90, 20}, {0, 20}}
	for _, tt := range []struct {
		v    unit.Mag
		want [5]float64
	}{
		{8, [5]float64{0.329906, 0.451256, 0.747651, 1.17466, 1.56775}},
		{9, [5]float64{0.819762, 1.11868, 1.84879, 2.90065, 4.10777}},
		{10, [5]float64{1.98807, 2.70402, 4.45274, 6.9721, 10.6907}},
		{11, [5]float64{4.68143, 6.33714, 10.3812, 16.2075, 27.6252}},
		{12, [5]float64{10.6498, 14.3182, 23.2783, 36.187, 70.8135}},
		{13, [5]float64{23.3046, 32.5745, 56.8994, 94.8561, 204.367}},
		{14, [5]float64{48.9007, 70.5519, 131.611, 234.794, 563.206}},
	} {
		for i, p := range at {
			testkit.NearRel(t, BahcallSoneira(tt.v, p.l, p.b), tt.want[i], 5e-6, src)
			testkit.NearRel(t, BahcallSoneira(tt.v, p.l, -p.b), tt.want[i], 5e-6, "the form knows |b| only")
		}
	}
	for _, got := range []float64{BahcallSoneira(10, 0, 19), BahcallSoneira(3, 0, 40), BahcallSoneira(21, 0, 40), BahcallSoneira(10, 0, 91), BahcallSoneira(unit.Mag(math.NaN()), 0, 40)} {
		if !math.IsNaN(got) {
			t.Errorf("out of its domain: %v, want NaN", got)
		}
	}
}

// TestModelMean checks that the latitude factors leave the mean of the sky as
// it is, and the mean itself against published counts.
func TestModelMean(t *testing.T) {
	mean := func(v unit.Mag) float64 {
		const n = 2000
		sum := 0.0
		for i := range n { // equal areas
			sum += Model(v, unit.Rad(math.Asin((float64(i)+0.5)/n)).Deg())
		}
		return sum / n
	}
	for v := unit.Mag(5); v <= 16; v += 0.25 {
		i := int(v) - meanFirst
		if float64(v) == math.Trunc(float64(v)) {
			testkit.NearRel(t, mean(v), meanCount[i], 0.04, "the factor's mean over the sky is 1")
		}
	}
	// Two counts of the whole sky that the table does not rest on.
	testkit.NearRel(t, mean(8), 0.9957, 0.02, "Hipparcos stars brighter than V = 8, counted with numpy")
	testkit.NearRel(t, mean(11), 25.41, 0.2, "public count table of Tycho-2 and UCAC4, 20 percent in its magnitudes")
	testkit.NearRel(t, mean(14), 417.3, 0.2, "public count table of Tycho-2 and UCAC4, 20 percent in its magnitudes")
	// Tycho-2's 2,539,913 stars, 61.6 a square degree, are the model's to VT 12
	// on the mean. It lists somewhat fainter stars at the poles than in the
	// crowded plane, so its contrast of 6 is less than that at one magnitude.
	testkit.NearRel(t, mean(12), 61.6, 0.03, "Høg et al. 2000, A&A 355, L27")
	testkit.NearRel(t, Model(12, 0), 150, 0.1, "Høg et al. 2000, A&A 355, L27")
	testkit.NearRel(t, Model(12.25, 90), 25, 0.1, "Høg et al. 2000, A&A 355, L27, at the magnitude to which it reaches at the poles")
}

// TestModelAgainstCatalogue counts the sky in bands of galactic latitude.
func TestModelAgainstCatalogue(t *testing.T) {
	edges := []unit.Deg{0, 5, 10, 20, 30, 50, 70, 90}
	for _, v := range []unit.Mag{6, 7, 8, 9, 10} {
		count := make([]int, len(edges)-1)
		for _, s := range Cone(nil, 0, 90, 180, v) {
			_, b := sky.Direction{RA: s.RA, Dec: s.Dec}.Galactic()
			for i := range count {
				if abs := unit.Deg(math.Abs(float64(b))); abs >= edges[i] && abs < edges[i+1] {
					count[i]++
				}
			}
		}
		for i, n := range count {
			lo, hi := math.Sin(float64(edges[i].Rad())), math.Sin(float64(edges[i+1].Rad()))
			deg2 := 4 * math.Pi * (hi - lo) * (180 / math.Pi) * (180 / math.Pi)
			want := 0.0
			for k := range 100 {
				want += Model(v, unit.Rad(math.Asin(lo+(hi-lo)*(float64(k)+0.5)/100)).Deg()) / 100
			}
			tol := 0.08 + 3/math.Sqrt(float64(n))
			testkit.NearRel(t, want, float64(n)/deg2, tol, "counted in the catalogue itself")
		}
	}
}

func TestModelDomain(t *testing.T) {
	for _, got := range []float64{Model(4.9, 0), Model(16.1, 0), Model(10, 91), Model(10, -91), Model(unit.Mag(math.NaN()), 0), Model(10, unit.Deg(math.NaN()))} {
		if !math.IsNaN(got) {
			t.Errorf("out of its domain: %v, want NaN", got)
		}
	}
	for b := unit.Deg(-90); b <= 90; b += 7.5 {
		last := 0.0
		for v := unit.Mag(5); v <= 16; v += 0.1 {
			if n := Model(v, b); !(n > last) {
				t.Fatalf("Model(%v, %v) is %v, not more than %v", v, b, n, last)
			} else {
				last = n
			}
		}
	}
}

// TestAround compares the expected density with a direct count where the
// catalogue is deep enough for one.
func TestAround(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, 0))
	n := 0
	var sum, sum2 float64
	for range 400 {
		ra, dec := unit.Deg(rng.Float64()*360), unit.Deg(math.Asin(2*rng.Float64()-1)*180/math.Pi)
		if FaintLimit(ra, dec, 2) < 10.9 {
			continue
		}
		c := Around(ra, dec, 2)
		real := float64(len(Cone(nil, ra, dec, 2, 10.9)))
		deg2 := 2 * math.Pi * (1 - math.Cos(2*math.Pi/180)) * (180 / math.Pi) * (180 / math.Pi)
		pull := math.Log(c.Density(10.9) * deg2 / real)
		n++
		sum += pull
		sum2 += pull * pull
	}
	if n < 80 {
		t.Fatalf("seed %d: only %d fields without a cut", seed, n)
	}
	// Counts and model are the same stars to within a tenth of a magnitude.
	testkit.Near(t, sum/float64(n), 0, 0.02, "counted in the catalogue itself")
	testkit.Near(t, math.Sqrt(sum2/float64(n)), 0, 0.05, "counted in the catalogue itself")
}

// TestAroundRecovers draws skies of a known density, cuts them to ten stars a
// cell as the source was, and asks for the density back.
func TestAroundRecovers(t *testing.T) {
	const seed = 13
	saved := listing
	defer func() { listing = saved }()
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, factor := range []float64{0.5, 1, 4} {
		const ra, dec = 120.0, 20.0
		_, b := sky.Direction{RA: ra, Dec: dec}.Galactic()
		cells := map[int][]Star{}
		const r = 3.5 * math.Pi / 180
		deg2 := 2 * math.Pi * (1 - math.Cos(r)) * (180 / math.Pi) * (180 / math.Pi)
		for range int(factor * Model(13, b) * deg2) {
			d := 2 * math.Asin(math.Sin(r/2)*math.Sqrt(rng.Float64())) * 180 / math.Pi
			sin, cos := math.Sincos(rng.Float64() * 2 * math.Pi)
			p := offset(ra, dec, d*sin, d*cos)
			// The magnitude by inverting the model's count at b.
			want := rng.Float64() * Model(13, b)
			lo, hi := unit.Mag(5), unit.Mag(13)
			for hi-lo > 1e-4 {
				if mid := (lo + hi) / 2; Model(mid, b) < want {
					lo = mid
				} else {
					hi = mid
				}
			}
			s := Star{RA: unit.Deg(p.ra), Dec: unit.Deg(p.dec), VT: lo}
			cell := Cell(LimitSide, s.RA, s.Dec)
			cells[cell] = append(cells[cell], s)
		}
		limits := make([]unit.Mag, 12*LimitSide*LimitSide)
		for i := range limits {
			limits[i] = all
		}
		var kept []Star
		for cell, stars := range cells {
			if len(stars) > 10 {
				sortByMag(stars)
				stars = stars[:10]
				limits[cell] = stars[9].VT
			}
			kept = append(kept, stars...)
		}
		data, err := Encode(kept, Zones, limits, LimitSide, Source{})
		if err != nil {
			t.Fatal(err)
		}
		listing = mustOpen(string(data))
		c := Around(ra, dec, 3)
		// 3 standard errors and the pull of the prior.
		testkit.NearRel(t, c.Factor, factor, 3/math.Sqrt(float64(c.Stars))+0.03, "the density drawn")
	}
}

func sortByMag(s []Star) {
	for i := 1; i < len(s); i++ {
		for k := i; k > 0 && s[k].VT < s[k-1].VT; k-- {
			s[k], s[k-1] = s[k-1], s[k]
		}
	}
}

func TestCounts(t *testing.T) {
	c := Counts{Latitude: 40, Limit: 11, Factor: 1.5}
	testkit.NearRel(t, c.Density(12), 1.5*Model(12, 40), 1e-12, "definition")
	testkit.Near(t, c.Hidden(11), 0, 0, "nothing is hidden down to the limit")
	testkit.Near(t, c.Hidden(9), 0, 0, "nothing is hidden down to the limit")
	testkit.Near(t, c.Hidden(11.0001), 0, 0.01, "continuous at the limit")
	testkit.NearRel(t, c.Hidden(14), 1.5*(Model(14, 40)-Model(11, 40)), 1e-12, "definition")

	testkit.Near(t, Chance(1.35209, 2.21563), 0.95, 1e-5, "closed form: density for 95 % is -ln(0.05)/A, field 2.21563 deg^2")
	testkit.NearRel(t, Chance(0.628251, 2.21563), 0.751416, 1e-5, "computed with numpy: Hipparcos V<8 at the pole in 2.21563 deg^2")
	testkit.Near(t, Chance(10.6498, 0.0393937), 0.342646, 5e-6, "computed with numpy: 6 x 8 mm at 2000 mm, V<12")
	testkit.Near(t, Chance(23.3046, 0.0393937), 0.600705, 5e-6, "computed with numpy: V<13")
	testkit.Near(t, Chance(48.9007, 0.0393937), 0.854325, 5e-6, "computed with numpy: V<14")
	testkit.Near(t, Chance(0, 1), 0, 0, "closed form")
	for _, got := range []float64{Chance(-1, 1), Chance(1, -1), Chance(math.NaN(), 1)} {
		if !math.IsNaN(got) {
			t.Errorf("Chance out of its domain is %v, want NaN", got)
		}
	}

	for _, area := range []float64{0.0045, 0.04, 2.2} {
		v := c.Reached(0.9, area)
		testkit.Near(t, c.Chance(v, area), 0.9, 1e-5, "Reached inverts Chance")
	}
	if got := c.Reached(0.9, 1e-6); !math.IsInf(float64(got), 1) {
		t.Errorf("in a tiny area Reached is %v, want +Inf", got)
	}
	if got := c.Reached(0.9, 1e5); !math.IsInf(float64(got), -1) {
		t.Errorf("in the whole sky Reached is %v, want -Inf", got)
	}
	for _, got := range []unit.Mag{c.Reached(0, 1), c.Reached(1, 1), c.Reached(0.5, 0), Around(0, 95, 1).Reached(0.9, 1), unit.Mag(Density(12, 0, 95)), unit.Mag(Around(0, 0, 31).Factor)} {
		if !math.IsNaN(float64(got)) {
			t.Errorf("out of its domain: %v, want NaN", got)
		}
	}
	// A pick-off's 4.8 x 3.6 mm sensor at 3556 mm.
	if got := c.Chance(14, 0.0045); !(got > 0.3 && got < 0.95) {
		t.Errorf("chance of a star of VT 14 in 0.0045 deg^2 is %v", got)
	}
}

func BenchmarkAround_1deg(b *testing.B) {
	for b.Loop() {
		Around(300, 40, 1)
	}
}
