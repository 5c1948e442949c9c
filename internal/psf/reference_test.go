package psf

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// reference is one star drawn and fitted by testdata/ref/stars.py.
type reference struct {
	causes                 string
	kernels                []Kernel
	major, minor, pa, tail float64
	fitPeak, peak, hfd     float64
	ellipticity            float64
}

const referenceSource = "computed with numpy and scipy by testdata/ref/stars.py: FFT image, dense least squares"

func references(t testing.TB) []reference {
	t.Helper()
	f, err := os.Open("testdata/ref/stars.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var refs []reference
	for _, row := range rows[1:] {
		r := reference{causes: row[0], kernels: parseCauses(t, row[0])}
		for i, p := range []*float64{&r.major, &r.minor, &r.pa, &r.tail, &r.fitPeak, &r.peak, &r.hfd} {
			if *p, err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		r.ellipticity = 1 - r.minor/r.major
		refs = append(refs, r)
	}
	return refs
}

// parseCauses reads the text the script names causes by.
func parseCauses(t testing.TB, text string) []Kernel {
	var kernels []Kernel
	for part := range strings.SplitSeq(text, ";") {
		words := strings.Fields(part)
		var a [3]float64
		for i, w := range words[1:] {
			v, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatal(err)
			}
			a[i] = v
		}
		first, pa := unit.Arcsec(a[0]), unit.Deg(a[1])
		var k Kernel
		switch words[0] {
		case "air":
			k = Air(first)
		case "gauss":
			k = Gaussian(Along(first, unit.Deg(a[2])).Plus(Along(unit.Arcsec(a[1]), unit.Deg(a[2]+90))))
		case "airy":
			k = Airy(unit.Micron(a[0]), unit.MM(a[1]), a[2])
		case "box":
			k = Box(first, pa)
		case "trail":
			k = Trail(first, pa)
		case "sine":
			k = Sine(first, pa)
		case "disc":
			k = Disc(first, a[1])
		default:
			t.Fatalf("no cause %q", words[0])
		}
		kernels = append(kernels, k)
	}
	return kernels
}

// turn returns the angle between two position angles, modulo half a turn.
func turn(a, b unit.Deg) float64 {
	d := math.Mod(float64(a-b), 180)
	if d > 90 {
		d -= 180
	}
	if d < -90 {
		d += 180
	}
	return d
}

func TestStarReference(t *testing.T) {
	refs := references(t)
	if len(refs) < 55 {
		t.Fatalf("got %d reference stars, want 55 or more", len(refs))
	}
	var worst, worstE float64
	for _, r := range refs {
		t.Run(r.causes, func(t *testing.T) {
			p := Star(r.kernels...)
			testkit.NearRel(t, float64(p.Major), r.major, 0.002, referenceSource)
			testkit.NearRel(t, float64(p.Minor), r.minor, 0.002, referenceSource)
			testkit.Near(t, p.Ellipticity(), r.ellipticity, 0.001, referenceSource)
			testkit.NearRel(t, p.Peak, r.fitPeak, 0.003, referenceSource)
			testkit.Near(t, p.Tail, r.tail, 0.006, referenceSource)
			if r.ellipticity > 0.02 {
				testkit.Near(t, turn(p.PA, unit.Deg(r.pa)), 0, 0.05/r.ellipticity, referenceSource)
			}
			worst = max(worst, math.Abs(float64(p.FWHM())/math.Sqrt(r.major*r.minor)-1))
			worstE = max(worstE, math.Abs(p.Ellipticity()-r.ellipticity))
		})
	}
	t.Logf("worst of %d stars: FWHM %.2g, ellipticity %.2g", len(refs), worst, worstE)
}

// TestFluxReference checks the image's own peak and half-flux diameter.
func TestFluxReference(t *testing.T) {
	for _, r := range references(t) {
		t.Run(r.causes, func(t *testing.T) {
			testkit.NearRel(t, Peak(r.kernels...), r.peak, 0.002, referenceSource)
			testkit.NearRel(t, float64(HalfFluxDiameter(r.kernels...)), r.hfd, 0.003, referenceSource)
		})
	}
}

func BenchmarkStar_8kernels_elongated(b *testing.B) {
	k := parseCauses(b, "airy 0.55 80 0;air 2.5;gauss 0.4 0.4 0;box 1.6 20;disc 1 0;trail 1.2 90;sine 0.5 90;gauss 0.7 0 90")
	b.ReportAllocs()
	for b.Loop() {
		Star(k...)
	}
}

func BenchmarkStar_8kernels_round(b *testing.B) {
	k := parseCauses(b, "airy 0.55 80 0;air 2.5;gauss 0.4 0.4 0;box 1.6 0;disc 1 0;gauss 0.3 0.3 0;gauss 0.2 0.2 0;gauss 0.1 0.1 0")
	b.ReportAllocs()
	for b.Loop() {
		Star(k...)
	}
}

func BenchmarkStar_air_box(b *testing.B) {
	k := parseCauses(b, "air 2.5;box 1.6 0")
	for b.Loop() {
		Star(k...)
	}
}

func BenchmarkStar_hollow_disc(b *testing.B) {
	k := parseCauses(b, "air 2;disc 8 0.35;box 1 0")
	for b.Loop() {
		Star(k...)
	}
}
