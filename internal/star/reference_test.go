package star

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/testkit"
)

// refStar is a line of testdata/ref/stars.csv.
type refStar struct {
	drawn
	major, minor, angle, hfd float64
	sepX, sepY               float64
}

// references reads the stars of every reference frame.
func references(t *testing.T) map[string][]refStar {
	t.Helper()
	f, err := os.Open("testdata/ref/stars.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]refStar{}
	for _, l := range lines[1:] {
		var v [9]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(l[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		out[l[0]] = append(out[l[0]], refStar{drawn{v[0], v[1], v[2]}, v[3], v[4], v[5], v[6], v[7], v[8]})
	}
	return out
}

// TestReference measures frames drawn by an independent program: widths, shapes
// and half-flux diameters are those it computes from the noiseless images,
// places are nearer to where it drew the stars than its own windowed ones.
func TestReference(t *testing.T) {
	for name, stars := range references(t) {
		t.Run(name, func(t *testing.T) {
			path := "testdata/ref/" + name + ".fits.gz"
			r, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			info, err := r.Stat()
			if err != nil {
				t.Fatal(err)
			}
			file, err := fits.Open(path, r, info.Size())
			if err != nil {
				t.Fatal(err)
			}
			im, err := file.Image()
			if err != nil {
				t.Fatal(err)
			}
			f, err := frame.New(im)
			if err != nil {
				t.Fatal(err)
			}
			got, err := Measure(f, Options{})
			if err != nil || got.Error != "" {
				t.Fatal(err, got.Error)
			}
			if got.StarsFound != len(stars) || got.GainFrom != "EGAIN" {
				t.Errorf("%d stars found, want %d; gain from %q", got.StarsFound, len(stars), got.GainFrom)
			}
			want := stars[0]
			const src = "computed with scipy: least squares on the noiseless image, testdata/ref/stars.py"
			testkit.NearRel(t, float64(got.HFD), want.hfd, 0.01, "computed with numpy: cumulated light of the noiseless image")
			if name == "ring" {
				if got.Flags&Defocused == 0 {
					t.Errorf("flags %v, want defocused", got.Flags)
				}
			} else {
				testkit.NearRel(t, float64(got.FWHM), math.Sqrt(want.major*want.minor), 0.01, src)
				testkit.Near(t, got.Ellipticity, 1-want.minor/want.major, 0.01, src)
				if want.major > 1.1*want.minor {
					testkit.Near(t, math.Remainder(float64(got.Angle)-want.angle, 180), 0, 1, src)
				}
			}
			var ours, theirs, claimed, light float64
			for _, d := range stars {
				s, ok := nearest(got.Stars, d.drawn)
				if !ok {
					t.Fatalf("no star at %v, %v", d.x, d.y)
				}
				ours += math.Pow(float64(s.X)-d.x, 2) + math.Pow(float64(s.Y)-d.y, 2)
				theirs += math.Pow(d.sepX-d.x, 2) + math.Pow(d.sepY-d.y, 2)
				claimed += math.Pow(float64(s.XSigma), 2) + math.Pow(float64(s.YSigma), 2)
				light += float64(s.Flux) / d.flux
				if s.Flags&^(Defocused|Trailed|SharedTail) != 0 {
					t.Errorf("the star at %v, %v is flagged %v", d.x, d.y, s.Flags)
				}
			}
			n := float64(len(stars))
			// The rms of 32 numbers scatters by an eighth.
			if ours > claimed*1.8 || ours < claimed*0.4 {
				t.Errorf("places are off by %.4f px rms, claimed %.4f", math.Sqrt(ours/2/n), math.Sqrt(claimed/2/n))
			}
			if name != "ring" && ours > 1.1*theirs {
				t.Errorf("places are off by %.4f px rms, those of sep's windowed centroid by %.4f", math.Sqrt(ours/2/n), math.Sqrt(theirs/2/n))
			}
			testkit.Near(t, light/n, 1, 0.01, "the light drawn")
			t.Logf("x, y rms %.4f claimed %.4f sep %.4f; light %.4f", math.Sqrt(ours/2/n), math.Sqrt(claimed/2/n), math.Sqrt(theirs/2/n), light/n)
		})
	}
}
