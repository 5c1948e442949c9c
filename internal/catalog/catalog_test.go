package catalog

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// table returns the numbers of a CSV file without its heading.
func table(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		nums := make([]float64, len(row))
		for i, s := range row {
			if nums[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, nums)
	}
	return out
}

// apart returns the angle between two places, by the vector form.
func apart(ra1, dec1, ra2, dec2 unit.Deg) unit.Arcsec {
	v := func(ra, dec unit.Deg) [3]float64 {
		sr, cr := math.Sincos(float64(ra.Rad()))
		sd, cd := math.Sincos(float64(dec.Rad()))
		return [3]float64{cd * cr, cd * sr, sd}
	}
	a, b := v(ra1, dec1), v(ra2, dec2)
	chord := math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
	return unit.Rad(2 * math.Asin(min(1, chord/2))).Arcsec()
}

var all = unit.Mag(math.Inf(1))

func TestVerify(t *testing.T) {
	sum, err := Verify([]byte(packed))
	if err != nil {
		t.Fatal(err)
	}
	// 1,871,010 Tycho-2 stars (of 1,871,011 entries one has no position) and those that only Hipparcos has; the ten-star
	// cells are the source header's card SWEEP10.
	if added := sum.Stars - 1871010; added < 1400 || added > 1700 {
		t.Errorf("%d stars beside those of Tycho-2, want about 1500", added)
	}
	if sum.Cut != 89088 {
		t.Errorf("%d cells cut, want 89088 (SWEEP10 of the source)", sum.Cut)
	}
	if sum.Stars != Count() || sum.Zones != Zones {
		t.Errorf("Verify finds %d stars in %d zones, Count is %d", sum.Stars, sum.Zones, Count())
	}
}

func TestAgainstSource(t *testing.T) {
	rows := table(t, "testdata/ref/tycho.csv")
	if len(rows) != 320 {
		t.Fatalf("%d reference stars, want 320", len(rows))
	}
	const src = "the source file read with astropy: testdata/ref/tycho.py"
	for _, row := range rows {
		ra, dec, vt := unit.Deg(row[0]), unit.Deg(row[1]), unit.Mag(row[2])
		found := Cone(nil, ra, dec, unit.Arcsec(0.1).Deg(), all)
		if len(found) != 1 {
			t.Errorf("%d stars within 0.1 arcsec of %v %v, want one (%s)", len(found), ra, dec, src)
			continue
		}
		testkit.Near(t, found[0].VT, vt, 0.0055, src)
		if found[0].Hipparcos {
			t.Errorf("the star at %v %v is said to be from Hipparcos", ra, dec)
		}
	}
}

func TestConeAgainstSource(t *testing.T) {
	rows := table(t, "testdata/ref/cones.csv")
	if len(rows) != 64 {
		t.Fatalf("%d reference cones, want 64", len(rows))
	}
	for _, row := range rows {
		ra, dec, radius, faintest, want := unit.Deg(row[0]), unit.Deg(row[1]), unit.Deg(row[2]), unit.Mag(row[3]), int(row[4])
		if faintest == 99 {
			faintest = all
		}
		stars := Cone(nil, ra, dec, radius, faintest)
		tycho := 0
		for _, s := range stars {
			if !s.Hipparcos {
				tycho++
			}
		}
		// A star with a place from Hipparcos is either new or moved.
		if want < tycho || want > len(stars) || len(stars)-tycho > 3+len(stars)/100 {
			t.Errorf("%v %v radius %v to %v: %d stars, %d of them from Tycho-2 untouched, want %d of Tycho-2 (counted with numpy: testdata/ref/tycho.py)",
				ra, dec, radius, faintest, len(stars), tycho, want)
		}
	}
}

// TestConeBruteForce compares cones with a look at every star.
func TestConeBruteForce(t *testing.T) {
	every := Cone(nil, 0, 90, 180, all)
	if len(every) != Count() {
		t.Fatalf("the whole sky holds %d stars, Count is %d", len(every), Count())
	}
	cones := []struct {
		ra, dec, radius unit.Deg
		faintest        unit.Mag
	}{
		{0, 90, 1, all}, {77, 89.9, 0.5, 11}, {-5, -90, 2, all}, {180, -89.99, 0.02, all},
		{0, 30, 1, all}, {359.999, -45, 0.7, 9.5}, {360, 0, 0.3, all}, {-0.001, 0.125, 0.2, all}, {725, 60, 1.5, 10},
		{266.4, -29, 3, all}, {100, 70, 25, 8}, {40, -60, 35, 7.5}, {12, 5, 90, 5}, {12, -5, 120, 4}, {10, 89, 0, all},
	}
	const seed = 3
	rng := rand.New(rand.NewPCG(seed, 0))
	for len(cones) < 40 {
		cones = append(cones, struct {
			ra, dec, radius unit.Deg
			faintest        unit.Mag
		}{unit.Deg(rng.Float64() * 360), unit.Deg(math.Asin(2*rng.Float64()-1) * 180 / math.Pi), unit.Deg(3 * math.Pow(rng.Float64(), 2)), unit.Mag(8 + 5*rng.Float64())})
	}
	if testing.Short() {
		cones = cones[:20]
	}
	place := func(s Star) string { return fmt.Sprintf("%.6f %.6f %.2f", s.RA, s.Dec, s.VT) }
	for _, c := range cones {
		var got, want []string
		for _, s := range Cone(nil, c.ra, c.dec, c.radius, c.faintest) {
			got = append(got, place(s))
		}
		for _, s := range every {
			if s.VT <= c.faintest+1e-9 && apart(s.RA, s.Dec, c.ra, c.dec) <= c.radius.Arcsec() {
				want = append(want, place(s))
			}
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("seed %d: %+v: %d stars, a look at every star finds %d", seed, c, len(got), len(want))
		}
	}
}

func TestConeArguments(t *testing.T) {
	nan := unit.Deg(math.NaN())
	dst := []Star{{RA: 1}}
	for _, got := range [][]Star{
		Cone(dst, nan, 0, 1, all), Cone(dst, 0, nan, 1, all), Cone(dst, 0, 0, nan, all), Cone(dst, 0, 0, 1, unit.Mag(nan)),
		Cone(dst, 0, 91, 1, all), Cone(dst, 0, 0, -1, all), Cone(dst, unit.Deg(math.Inf(1)), 0, 1, all), Cone(dst, 0, 0, 10, -3),
		Cone(dst, 0, 0, 10, unit.Mag(math.Inf(-1))),
	} {
		if len(got) != 1 {
			t.Errorf("%d stars appended, want none", len(got)-1)
		}
	}
	if got := Cone(dst, 10, 10, 1, all); len(got) < 20 || got[0].RA != 1 {
		t.Errorf("Cone returned %d stars of which the first has RA %v; want those in dst first", len(got), got[0].RA)
	}
}

// TestBrightStars looks up stars that the Tycho-2 file lacks or has at an old
// place: each must be there once.
func TestBrightStars(t *testing.T) {
	const src = "from memory: ICRS place at J2000.0 and V"
	for _, tt := range []struct {
		name    string
		ra, dec unit.Deg
		v       unit.Mag
		within  unit.Arcsec
	}{
		{"Sirius", 101.28716, -16.71612, -1.46, 5},
		{"Vega", 279.23473, 38.78369, 0.03, 5},
		{"Polaris", 37.95456, 89.26411, 2.0, 5},
		{"Arcturus", 213.91530, 19.18241, -0.05, 60},
		{"alpha Centauri A", 219.90206, -60.83399, 0.0, 10},
		{"Canopus", 95.98796, -52.69566, -0.72, 5},
		{"Capella", 79.17233, 45.99799, 0.08, 5},
		{"Rigel", 78.63447, -8.20164, 0.13, 5},
		{"Betelgeuse", 88.79294, 7.40706, 0.5, 5},
		{"Altair", 297.69583, 8.86832, 0.77, 5},
		{"Deneb", 310.35798, 45.28034, 1.25, 5},
		{"Aldebaran", 68.98016, 16.50930, 0.86, 5},
		{"Antares", 247.35192, -26.43200, 1.0, 5},
		{"61 Cygni A", 316.72475, 38.74942, 5.21, 5},
		{"Proxima Centauri", 217.42895, -62.67948, 11.1, 5},
	} {
		found := Cone(nil, tt.ra, tt.dec, tt.within.Deg(), tt.v+2)
		if len(found) != 1 {
			t.Errorf("%s: %d stars within %v arcsec, want one (%s): %v", tt.name, len(found), tt.within, src, found)
			continue
		}
		t.Run(tt.name, func(t *testing.T) {
			testkit.Near(t, found[0].V(), tt.v, 0.3, src)
			testkit.Near(t, apart(found[0].RA, found[0].Dec, tt.ra, tt.dec), 0, 0.6, src)
		})
	}
}

// TestNoDoubles checks that no star taken from Hipparcos stands on one of
// Tycho-2's; a companion fainter by 2.5 mag is another star (99 Herculis has one
// 1.3 arcsec away).
func TestNoDoubles(t *testing.T) {
	n := 0
	var near []Star
	for _, s := range Cone(nil, 0, 90, 180, all) {
		if !s.Hipparcos {
			continue
		}
		n++
		if near = Cone(near[:0], s.RA, s.Dec, unit.Arcsec(1.4).Deg(), s.VT+2.5); len(near) != 1 {
			t.Errorf("%d stars within 1.4 arcsec of the Hipparcos star at %v %v VT %v", len(near), s.RA, s.Dec, s.VT)
		}
	}
	if n < 1500 {
		t.Errorf("%d stars from Hipparcos, want more than 1500", n)
	}
}

func TestVTMinusV(t *testing.T) {
	// The Sun-like star of B-V 0.65 and the red one of 1.5.
	testkit.Near(t, VTMinusV(0.65), 0.0688, 1e-4, "ESA 1997, SP-1200 vol. 1 section 1.3: 0.090*0.65/0.850")
	testkit.Near(t, VTMinusV(1.5), 0.1588, 1e-4, "ESA 1997, SP-1200 vol. 1 section 1.3: 0.090*1.5/0.850")
	testkit.Near(t, Star{VT: 10, BV: 1.5}.V(), 9.8412, 1e-4, "closed form: 10 - 0.1588")
	testkit.Near(t, Star{VT: 10, BV: unit.Mag(math.NaN())}.V(), 9.9259, 1e-4, "closed form: 10 - 0.090*0.7/0.850")
}

// TestFaintLimit counts the stars of whole cells: a cut one has ten stars of
// Tycho-2 and its faintest is the limit, another has fewer.
func TestFaintLimit(t *testing.T) {
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, 0))
	cut := 0
	for range 300 {
		ra := unit.Deg(rng.Float64() * 360)
		dec := unit.Deg(math.Asin(2*rng.Float64()-1) * 180 / math.Pi)
		cell := Cell(LimitSide, ra, dec)
		n, faintest := 0, unit.Mag(math.Inf(-1))
		for _, s := range Cone(nil, ra, dec, 0.8, all) {
			if Cell(LimitSide, s.RA, s.Dec) == cell && !s.Hipparcos {
				n++
				faintest = max(faintest, s.VT)
			}
		}
		limit := listing.cut(float64(ra), float64(dec))
		switch {
		case math.IsInf(float64(limit), 1):
			if n > 9 {
				t.Errorf("seed %d: %v %v: %d stars in a cell that is not cut", seed, ra, dec, n)
			}
		default:
			cut++
			if n != 10 {
				t.Errorf("seed %d: %v %v: %d stars in a cut cell, want 10", seed, ra, dec, n)
			}
			testkit.Near(t, limit, faintest-0.015, 0.021, "the faintest of the cell's ten stars, rounded down by up to 0.03")
			testkit.Near(t, FaintLimit(ra, dec, 0), min(limit, Complete), 1e-12, "definition of FaintLimit")
		}
	}
	if cut < 50 || cut > 140 {
		t.Errorf("%d of 300 places lie in cut cells, want about 300*89088/292032 = 92", cut)
	}
	// A bright cluster crowds fainter stars out of the list.
	if got := FaintLimit(56.75, 24.117, 0.3); !(got < Complete) {
		t.Errorf("FaintLimit in the Pleiades is %v, want less than %v", got, Complete)
	}
	testkit.Near(t, FaintLimit(192.86, 27.13, 0.5), Complete, 0, "Høg et al. 2000, A&A 355, L27: V 11.0, near the galactic pole nothing is cut")
	for _, got := range []unit.Mag{FaintLimit(0, 91, 0), FaintLimit(0, 0, -1), FaintLimit(0, 0, 31), FaintLimit(unit.Deg(math.NaN()), 0, 0)} {
		if !math.IsNaN(float64(got)) {
			t.Errorf("FaintLimit out of its domain is %v, want NaN", got)
		}
	}
}

// TestCell checks the cells of the sphere for equal area and known members.
func TestCell(t *testing.T) {
	for _, tt := range []struct {
		side    int
		ra, dec unit.Deg
		want    int
	}{
		{1, 45, 80, 0}, {1, 315, 80, 3}, {1, 0, 0, 4}, {1, 90, 0, 5}, {1, 45, -80, 8}, {1, 359.9, -89, 11},
		{2, 45, 89, 0}, {2, 0, 0, 20}, {2, 1, -89.9, 44},
	} {
		if got := Cell(tt.side, tt.ra, tt.dec); got != tt.want {
			t.Errorf("Cell(%d, %v, %v) is %d, want %d (Górski et al. 2005, figure 4)", tt.side, tt.ra, tt.dec, got, tt.want)
		}
	}
	const seed, side, n = 7, 4, 192000
	rng := rand.New(rand.NewPCG(seed, 0))
	count := make([]int, 12*side*side)
	for range n {
		count[Cell(side, unit.Deg(rng.Float64()*360), unit.Deg(math.Asin(2*rng.Float64()-1)*180/math.Pi))]++
	}
	for i, c := range count {
		if want := float64(n) / float64(len(count)); math.Abs(float64(c)-want) > 5*math.Sqrt(want) {
			t.Errorf("seed %d: cell %d got %d of %d places, want %v: the cells have equal areas", seed, i, c, n, want)
		}
	}
}

func BenchmarkCone(b *testing.B) {
	const seed = 9
	rng := rand.New(rand.NewPCG(seed, 0))
	var at [1024]place
	for i := range at {
		at[i] = place{rng.Float64() * 360, math.Asin(2*rng.Float64()-1) * 180 / math.Pi}
	}
	for _, radius := range []unit.Deg{0.5, 1, 1.5, 3, 5} {
		b.Run(fmt.Sprintf("%v_deg", radius), func(b *testing.B) {
			var dst []Star
			stars := 0
			for i := 0; b.Loop(); i++ {
				p := at[i%len(at)]
				dst = Cone(dst[:0], unit.Deg(p.ra), unit.Deg(p.dec), radius, all)
				stars += len(dst)
			}
			b.ReportMetric(float64(stars)/float64(b.N), "stars/op")
		})
	}
}

func BenchmarkFaintLimit_1deg(b *testing.B) {
	for b.Loop() {
		FaintLimit(300, 40, 1)
	}
}
