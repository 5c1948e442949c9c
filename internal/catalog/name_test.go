package catalog

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestKey(t *testing.T) {
	for _, tt := range []struct{ name, want string }{
		{"M31", "m31"}, {" m 031 ", "m31"}, {"Messier 31", "m31"}, {"NGC7000", "ngc7000"}, {"ngc  0224", "ngc224"}, {"IC-1396", "ic1396"},
		{"Sh2-276", "sh2276"}, {"Sharpless 2-276", "sh2276"}, {"Sharpless 276", "sh2276"}, {"Barnard 33", "b33"}, {"Caldwell 9", "c9"},
		{"The Veil Nebula", "veilnebula"}, {"Bode's Galaxy", "bodesgalaxy"}, {"Bode´s Galaxy", "bodesgalaxy"},
		{"α Lyr", "alphalyr"}, {"Alpha Lyrae", "alphalyr"}, {"φ1 Cet", "phi1cet"}, {"φ¹ Ceti", "phi1cet"}, {"61 Cygni", "61cyg"},
		{"Omega Centauri", "omegacen"}, {"alpha Canis Majoris", "alphacma"}, {"HIP 91262", "hip91262"}, {"Mönch", "monch"},
		{"", ""}, {"  -- ", ""}, {"0", "0"}, {"007", "007"}, {"m0", "m0"}, {"世界", ""},
	} {
		if got := Key(tt.name); got != tt.want {
			t.Errorf("Key(%q) is %q, want %q", tt.name, got, tt.want)
		}
	}
}

func TestFind(t *testing.T) {
	const src = "from memory: J2000.0 place"
	for _, tt := range []struct {
		name, object string
		kind         Kind
		ra, dec      unit.Deg
		within       unit.Arcmin
	}{
		{"M31", "M 31", Galaxy, 10.6847, 41.2690, 1},
		{"m 31", "M 31", Galaxy, 10.6847, 41.2690, 1},
		{"ngc224", "M 31", Galaxy, 10.6847, 41.2690, 1},
		{"andromeda galaxy", "M 31", Galaxy, 10.6847, 41.2690, 1},
		{"Andromeda", "M 31", Galaxy, 10.6847, 41.2690, 1},
		{"M1", "M 1", SupernovaRemnant, 83.633, 22.0145, 2},
		{"M13", "M 13", GlobularCluster, 250.4235, 36.4613, 1},
		{"M42", "M 42", Nebula, 83.822, -5.391, 3},
		{"M45", "M 45", OpenCluster, 56.75, 24.117, 6},
		{"M51", "M 51", Galaxy, 202.4696, 47.1952, 1},
		{"M57", "M 57", PlanetaryNebula, 283.3962, 33.0292, 1},
		{"M81", "M 81", Galaxy, 148.8882, 69.0653, 1},
		{"M98", "M 98", Galaxy, 183.4512, 14.9004, 1},
		{"M101", "M 101", Galaxy, 210.8023, 54.3490, 1},
		{"M102", "M 102", Galaxy, 226.6229, 55.7633, 1},
		{"M104", "M 104", Galaxy, 189.9976, -11.6231, 1},
		{"M 83", "M 83", Galaxy, 204.2538, -29.8658, 1},
		{"NGC7000", "NGC 7000", Nebula, 314.70, 44.33, 15},
		{"ngc 7000", "NGC 7000", Nebula, 314.70, 44.33, 15},
		{"north america", "NGC 7000", Nebula, 314.70, 44.33, 15},
		{"IC 1396", "IC 1396", Nebula, 324.75, 57.49, 15},
		{"Veil", "Sh2-103", SupernovaRemnant, 312.75, 30.67, 30},
		{"veil nebula", "Sh2-103", SupernovaRemnant, 312.75, 30.67, 30},
		{"horsehead", "B 33", DarkNebula, 85.245, -2.458, 3},
		{"Rosette", "Sh2-275", Nebula, 97.98, 4.94, 20},
		{"Omega Centauri", "NGC 5139", GlobularCluster, 201.697, -47.4795, 1},
		{"Double Cluster", "NGC 869", OpenCluster, 34.75, 57.13, 6},
		{"beehive", "M 44", OpenCluster, 130.1, 19.67, 25},
		{"Vega", "Vega", SingleStar, 279.2347, 38.7837, 0.1},
		{"alpha Lyr", "Vega", SingleStar, 279.2347, 38.7837, 0.1},
		{"α Lyrae", "Vega", SingleStar, 279.2347, 38.7837, 0.1},
		{"HIP 91262", "Vega", SingleStar, 279.2347, 38.7837, 0.1},
		{"polaris", "Polaris", SingleStar, 37.9546, 89.2641, 0.1},
		{"61 Cyg", "61 Cyg", SingleStar, 316.7247, 38.7494, 0.2},
		{"r lyrae", "13 Lyr", SingleStar, 283.8338, 43.9461, 0.2},
	} {
		o, err := Find(tt.name)
		if err != nil {
			t.Error(err)
			continue
		}
		if o.Name != tt.object || o.Kind != tt.kind {
			t.Errorf("Find(%q) is %s, a %v; want %s, a %v", tt.name, o.Name, o.Kind, tt.object, tt.kind)
		}
		testkit.Near(t, apart(o.RA, o.Dec, tt.ra, tt.dec).Arcmin(), 0, tt.within, src+" of "+tt.name)
	}
	o, err := Find("M 31")
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, o.V, 3.44, 0.1, "from memory")
	testkit.Near(t, o.Size, 190, 5, "from memory: 190 by 60 arcmin")
	if !slices.Contains(o.Aliases, "NGC 224") || !slices.Contains(o.Aliases, "Andromeda Galaxy") {
		t.Errorf("aliases of M 31: %q", o.Aliases)
	}
}

func TestFindNothing(t *testing.T) {
	for _, tt := range []struct {
		name string
		near string // one of the names offered, or ""
		many bool
	}{
		{"Andromda Galaxy", "Andromeda Galaxy", false},
		{"Vegga", "Vega", false},
		{"Betelgeus3", "Betelgeuse", false},
		{"NGC 9999", "", false},
		{"M 111", "M 11", false},
		{"qqqqqqqqqqqqqqqqqq", "", false},
		{"", "", false},
		{"Butterfly Cluster", "M 6", true},
		{"Southern Pinwheel Galaxy", "NGC 300", true},
	} {
		o, err := Find(tt.name)
		var e *NameError
		if !errors.As(err, &e) {
			t.Errorf("Find(%q) is %v, %v; want a *NameError", tt.name, o.Name, err)
			continue
		}
		if e.Many != tt.many || tt.near != "" && !slices.Contains(e.Near, tt.near) || e.Name != tt.name || len(e.Near) > 8 {
			t.Errorf("Find(%q): %v; want %q among the names offered", tt.name, e, tt.near)
		}
		if !strings.HasPrefix(err.Error(), "catalog: ") {
			t.Errorf("Find(%q): message %q", tt.name, err)
		}
	}
}

// TestList reads every line of the list of names.
func TestList(t *testing.T) {
	lines := strings.Split(strings.TrimSuffix(listed, "\n"), "\n")
	if len(lines) < 18000 {
		t.Errorf("%d lines, want more than 18000", len(lines))
	}
	galaxies := 0
	for _, line := range lines {
		if strings.Count(line, "\t") != 6 || !strings.HasPrefix(line, "|") {
			t.Fatalf("line %q", line)
		}
		o := parse(line)
		if !(o.RA >= 0 && o.RA < 360 && math.Abs(float64(o.Dec)) <= 90) || o.Kind == UnknownKind || o.Name == "" || o.V < -2 || o.V > 25 || o.Size < 0 || o.Size > 1600 {
			t.Errorf("line %q gives %+v", line, o)
		}
		if o.Kind == Galaxy {
			galaxies++
		}
		// Whatever name it shows leads back to it or to its namesakes.
		for _, n := range append(o.Aliases, o.Name) {
			if len(Key(n)) > longest {
				t.Errorf("the key of %q is longer than Find looks for", n)
			}
			if !strings.Contains(line, "|"+Key(n)+"|") {
				t.Errorf("the name %q does not lead back to line %q", n, line)
			}
		}
	}
	if galaxies < 7000 {
		t.Errorf("%d galaxies, want more than 7000", galaxies)
	}
}

// TestMessier checks that the list is complete and in order.
func TestMessier(t *testing.T) {
	list := Showpieces()
	if len(list) != 110 {
		t.Fatalf("%d Messier objects, want 110", len(list))
	}
	count := map[Kind]int{}
	for i, o := range list {
		if want := "M " + strconv.Itoa(i+1); o.Name != want {
			t.Errorf("object %d is %s, want %s", i, o.Name, want)
		}
		if !(o.V > 0 && o.V < 12) {
			t.Errorf("%s has magnitude %v", o.Name, o.V)
		}
		count[o.Kind]++
	}
	// 40 galaxies with M 102, 29 globular clusters, 4 planetary nebulae, the Crab.
	if count[Galaxy] != 40 || count[GlobularCluster] != 29 || count[PlanetaryNebula] != 4 || count[SupernovaRemnant] != 1 {
		t.Errorf("kinds of the Messier objects: %v; want 40 galaxies, 29 globular clusters, 4 planetary nebulae and 1 supernova remnant (from memory)", count)
	}
}

// TestStarsAgree checks named stars against the star pack: each bright one is
// there once, at the same place with the same magnitude.
func TestStarsAgree(t *testing.T) {
	n := 0
	for line := range strings.Lines(listed) {
		o := parse(strings.TrimSuffix(line, "\n"))
		if o.Kind != SingleStar || !(o.V < 6) {
			continue
		}
		n++
		found := Cone(nil, o.RA, o.Dec, unit.Arcsec(5).Deg(), o.V+1.2)
		if len(found) == 0 {
			t.Errorf("%s: no star in the star pack at its place", o.Name)
		}
	}
	if n < 2000 {
		t.Errorf("%d bright named stars, want more than 2000", n)
	}
}

func TestKindString(t *testing.T) {
	if got := OpenCluster.String(); got != "open cluster" {
		t.Errorf("OpenCluster is %q", got)
	}
	if got := Asterism.String(); got != "asterism" {
		t.Errorf("Asterism is %q", got)
	}
	if got := Kind(99).String(); got != "Kind(99)" {
		t.Errorf("Kind(99) is %q", got)
	}
}

func TestDistance(t *testing.T) {
	for _, tt := range []struct {
		a, b  string
		limit int
		want  int
	}{{"", "", 3, 0}, {"abc", "abc", 0, 0}, {"kitten", "sitting", 3, 3}, {"kitten", "sitting", 2, 3}, {"a", "abcdef", 3, 4}, {"vega", "vegga", 3, 1}} {
		if got := distance(tt.a, tt.b, tt.limit); got != tt.want {
			t.Errorf("distance(%q, %q, %d) is %d, want %d", tt.a, tt.b, tt.limit, got, tt.want)
		}
	}
}

func FuzzFind(f *testing.F) {
	for _, s := range []string{"M31", "veil", "α Lyrae", "Sharpless 2-276", "the ", "andromda", "ngc 99999999999999999999", "x|\ty\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		o, err := Find(s)
		var e *NameError
		if err == nil && o.Name == "" || err != nil && (!errors.As(err, &e) || e.Name != s) {
			t.Errorf("Find(%q) is %+v, %v", s, o, err)
		}
	})
}

func BenchmarkFind_NGC7000(b *testing.B) {
	for b.Loop() {
		if _, err := Find("ngc 7000"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFind_misspelt(b *testing.B) {
	for b.Loop() {
		if _, err := Find("Andromda Galaxy"); err == nil {
			b.Fatal("found")
		}
	}
}
