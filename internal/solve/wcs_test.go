package solve

import (
	"bufio"
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

var update = flag.Bool("update", false, "write testdata/ref/cards.txt anew; then run testdata/ref/wcs.py")

// record writes a card as a header has it.
func record(c fits.Card) string {
	v := c.Value
	if c.Kind == fits.Text {
		v = "'" + v + "'"
	}
	return fmt.Sprintf("%-8s= %20s", c.Key, v)
}

// headerOf returns cards as a header parsed from its bytes.
func headerOf(records []string) *fits.Header {
	var b strings.Builder
	for _, r := range append(records, "END") {
		fmt.Fprintf(&b, "%-80s", r)
	}
	return fits.ParseHeader([]byte(b.String()))
}

// someSolutions solves a flat frame, a wide distorted one, and one at the pole.
func someSolutions(t *testing.T) []Solution {
	t.Helper()
	var out []Solution
	for i, tt := range []struct {
		narrow, k float64
	}{{1, 0}, {14, 0.01}, {6, 0.01}} {
		r := rand.New(rand.NewPCG(31, uint64(i)))
		d := draw(r, trouble{0.1, 0.1, [2]float64{0.1, 0.2}, 0.2, tt.k}, tt.narrow, tt.narrow*1.1)
		for i == 2 && d.centre.Dec < 87 || d.stars < 60 {
			d = draw(r, trouble{0.1, 0.1, [2]float64{0.1, 0.2}, 0.2, tt.k}, tt.narrow, tt.narrow*1.1)
		}
		s, err := Solve(t.Context(), Request{Spots: d.spots, Width: d.width, Height: d.height, Hint: &d.centre, Strict: true})
		if err != nil || !s.Solved {
			t.Fatalf("field %d: %v %s", i, err, s.Why)
		}
		out = append(out, s)
	}
	return out
}

// TestCards: a solution survives being written as cards and read again, and
// the second and third frame have distortion polynomials.
func TestCards(t *testing.T) {
	var text strings.Builder
	for i, s := range someSolutions(t) {
		cards, err := s.WCS.Cards()
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&text, "FRAME %d %d\n", s.Width, s.Height)
		var records []string
		for _, c := range cards {
			v := c.Value
			if c.Kind == fits.Text {
				v = "'" + v + "'"
			}
			fmt.Fprintf(&text, "%s %s\n", c.Key, v)
			records = append(records, record(c))
		}
		back, err := WCSOf(headerOf(records))
		if err != nil {
			t.Fatal(err)
		}
		if rms, _ := apart(s.WCS, back, s.Width, s.Height); !(rms < 1e-6) {
			t.Errorf("frame %d: %g px apart after writing and reading", i, rms)
		}
		if got, want := len(back.A) > 0 && len(back.InvB) > 0, i > 0; got != want {
			t.Errorf("frame %d: polynomials %v, want %v", i, got, want)
		}
		if !(s.WCS.InvErr < 0.01) && i > 0 {
			t.Errorf("frame %d: the inverse polynomials are %v px off", i, s.WCS.InvErr)
		}
	}
	if *update {
		if err := os.WriteFile(filepath.Join("testdata", "ref", "cards.txt"), []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestAstropy: pixels of frames that were solved once lie where astropy reads
// them in their cards.
func TestAstropy(t *testing.T) {
	f, err := os.Open(filepath.Join("testdata", "ref", "cards.txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var frames [][]string
	for sc := bufio.NewScanner(f); sc.Scan(); {
		key, value, _ := strings.Cut(sc.Text(), " ")
		if key == "FRAME" {
			frames = append(frames, nil)
			continue
		}
		last := &frames[len(frames)-1]
		*last = append(*last, fmt.Sprintf("%-8s= %20s", key, value))
	}
	var solutions []*WCS
	for _, records := range frames {
		w, err := WCSOf(headerOf(records))
		if err != nil {
			t.Fatal(err)
		}
		solutions = append(solutions, w)
	}
	g, err := os.Open(filepath.Join("testdata", "ref", "wcs.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	rows, err := csv.NewReader(g).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+25*len(frames) {
		t.Fatalf("%d rows for %d frames, want 25 each", len(rows)-1, len(frames))
	}
	const src = "computed with astropy 5.2.1: testdata/ref/wcs.py"
	for _, r := range rows[1:] {
		var v [9]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(r[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		w := solutions[int(v[0])]
		d := w.Sky(unit.Px(v[1]), unit.Px(v[2]))
		want := sky.Direction{RA: unit.Deg(v[3]), Dec: unit.Deg(v[4])}
		testkit.Near(t, sky.Separation(d, want).Arcsec(), 0, 1e-5, src)
		x, y := w.Pixel(want)
		testkit.Near(t, x, unit.Px(v[5]), 1e-5, src)
		testkit.Near(t, y, unit.Px(v[6]), 1e-5, src)
		// Readers that know the inverse polynomials only come as near as these do.
		testkit.Near(t, unit.Px(v[7]), unit.Px(v[1]), 0.01, src)
		testkit.Near(t, unit.Px(v[8]), unit.Px(v[2]), 0.01, src)
	}
}

// TestThereAndBack: pixels go to the sky and come back, distortion included.
func TestThereAndBack(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	for _, s := range someSolutions(t) {
		for range 50 {
			x, y := unit.Px(float64(s.Width-1)*r.Float64()), unit.Px(float64(s.Height-1)*r.Float64())
			u, v := s.WCS.Pixel(s.WCS.Sky(x, y))
			testkit.Near(t, u, x, 1e-6, "closed form: Pixel inverts Sky")
			testkit.Near(t, v, y, 1e-6, "closed form: Pixel inverts Sky")
		}
		far := sky.Direction{RA: s.Centre.RA + 180, Dec: -s.Centre.Dec}
		if x, y := s.WCS.Pixel(far); !math.IsNaN(float64(x)) || !math.IsNaN(float64(y)) {
			t.Errorf("the far side of the sky is at pixel %v, %v", x, y)
		}
	}
}

// TestHeaderForms: the same solution under CD, under PC and CDELT, and under
// CROTA2; and what is refused.
func TestHeaderForms(t *testing.T) {
	base := []string{"CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'", "CRVAL1  = 83.6", "CRVAL2  = 22.0", "CRPIX1  = 100.5", "CRPIX2  = 50.5"}
	sin, cos := math.Sincos(30 * math.Pi / 180)
	cd := []string{fmt.Sprintf("CD1_1 = %.15g", -0.002*cos), fmt.Sprintf("CD1_2 = %.15g", -0.001*sin), fmt.Sprintf("CD2_1 = %.15g", -0.002*sin), fmt.Sprintf("CD2_2 = %.15g", 0.001*cos)}
	pc := []string{"CDELT1 = -0.002", "CDELT2 = 0.001", fmt.Sprintf("PC1_1 = %.15g", cos), fmt.Sprintf("PC1_2 = %.15g", sin/2), fmt.Sprintf("PC2_1 = %.15g", -2*sin), fmt.Sprintf("PC2_2 = %.15g", cos)}
	crota := []string{"CDELT1 = -0.002", "CDELT2 = 0.001", "CROTA2 = 30"}
	read := func(more ...string) (*WCS, error) {
		return WCSOf(headerOf(append(append([]string{}, base...), more...)))
	}
	want, err := read(cd...)
	if err != nil {
		t.Fatal(err)
	}
	for _, form := range [][]string{pc, crota} {
		got, err := read(form...)
		if err != nil {
			t.Fatal(err)
		}
		for i := range want.CD {
			for j := range want.CD[i] {
				testkit.Near(t, got.CD[i][j], want.CD[i][j], 1e-15, "Calabretta & Greisen 2002, section 6.1: CROTA2 and CDELT as a matrix")
			}
		}
	}
	testkit.Near(t, want.Rotation(), 330, 1e-9, "closed form: the second column points west of north by 30 degrees")
	for _, tt := range []struct {
		records []string
		say     string
	}{
		{nil, "CTYPE1"},
		{[]string{"CTYPE1  = 'RA---SIN'", "CTYPE2  = 'DEC--SIN'"}, "RA---TAN"},
		{base, "CDELT1"},
		{append(append([]string{}, base...), "CD1_1 = 0", "CD2_2 = 1"), "no inverse"},
		{append(append([]string{}, base...), "CD1_1 = 1", "CD2_2 = 1", "LONPOLE = 90"), "LONPOLE"},
	} {
		if _, err := WCSOf(headerOf(tt.records)); err == nil || !strings.HasPrefix(err.Error(), "solve: ") || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%v: %v, want an error that names %s", tt.records, err, tt.say)
		}
	}
}
