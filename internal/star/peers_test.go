package star

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"holdfast/internal/detector"
	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// openFrame opens the picture of a FITS file for the length of the test.
func openFrame(t testing.TB, path string) *frame.Frame {
	t.Helper()
	r, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
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
	return f
}

// numbers reads a table of numbers with a line of names.
func numbers(t testing.TB, path string) [][]float64 {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, l := range lines[1:] {
		row := make([]float64, len(l))
		for i, s := range l {
			if row[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, row)
	}
	return out
}

// lookup finds things by where they are.
type lookup map[[2]int][]int

const lookupCell = 16

// byPlace returns the lookup of n things.
func byPlace(n int, place func(i int) (x, y float64)) lookup {
	l := lookup{}
	for i := range n {
		x, y := place(i)
		c := [2]int{int(x) / lookupCell, int(y) / lookupCell}
		l[c] = append(l[c], i)
	}
	return l
}

// near calls f with everything in the cells around a place.
func (l lookup) near(x, y float64, f func(i int)) {
	for dy := -1; dy <= 1; dy++ {
		for dx := -1; dx <= 1; dx++ {
			for _, i := range l[[2]int{int(x)/lookupCell + dx, int(y)/lookupCell + dy}] {
				f(i)
			}
		}
	}
}

// cramerRao returns the least error of a place, in pixels, as a function of the
// star's light: the bound of the spot, straight between places a twentieth of a
// decade apart in the logarithms of both.
func cramerRao(spot detector.Spot) func(flux float64) float64 {
	const steps = 20
	known := map[int]float64{}
	at := func(k int) float64 {
		if _, ok := known[k]; !ok {
			spot.Star = unit.Electron(math.Pow(10, float64(k)/steps))
			known[k] = math.Log(float64(spot.CramerRaoMean()))
		}
		return known[k]
	}
	return func(flux float64) float64 {
		k, part := math.Modf(steps * math.Log10(flux))
		return math.Exp(at(int(k))*(1-part) + at(int(k)+1)*part)
	}
}

// TestPeers measures the large frames on which holdfast is compared with other
// programs, drawn by testdata/peers/frames.py: stars of 3 px FWHM over a sky of
// 800 electrons with 3 of read noise, 1,500 to 400,000 electrons each. Of those
// alone within 15 px all above 4,000 electrons are found, nothing is where no
// star is, and places are as good as the bound of Cramér and Rao allows: to
// 0.0285 px on each axis above 4,000 electrons, 0.0086 px above 20,000.
//
// The frames lie in the folder HOLDFAST_PEERS.
func TestPeers(t *testing.T) {
	dir := os.Getenv("HOLDFAST_PEERS")
	names, _ := filepath.Glob(filepath.Join(dir, "*_truth.csv"))
	if dir == "" || len(names) == 0 {
		t.Skip("TestPeers: 0 frames read: HOLDFAST_PEERS is no folder with frames of testdata/peers/frames.py")
	}
	for _, name := range names {
		base := strings.TrimSuffix(name, "_truth.csv")
		t.Run(filepath.Base(base), func(t *testing.T) {
			truth := numbers(t, name)
			got, err := Measure(openFrame(t, base+".fits"), Options{})
			if err != nil || got.Error != "" {
				t.Fatal(err, got.Error)
			}
			place := func(i int) (x, y float64) { return truth[i][0], truth[i][1] }
			stars := byPlace(len(truth), place)
			measured := byPlace(len(got.Stars), func(i int) (x, y float64) { return float64(got.Stars[i].X), float64(got.Stars[i].Y) })
			for _, s := range got.Stars {
				there := false
				stars.near(float64(s.X), float64(s.Y), func(i int) {
					x, y := place(i)
					there = there || math.Hypot(x-float64(s.X), y-float64(s.Y)) < 2
				})
				if !there {
					t.Errorf("no star was drawn at %.1f, %.1f: SNR %.1f, %v", float64(s.X), float64(s.Y), s.SNR, s.Flags)
				}
			}
			var faint, clear, bright, bound, brightBound, pulls sum
			var widths []float64
			bounds := cramerRao(detector.Spot{FWHM: 3, Background: 800, ReadNoise: 3})
			alone, missed := 0, 0
			for k, d := range truth {
				x, y, flux := d[0], d[1], d[2]
				single := true
				stars.near(x, y, func(i int) {
					u, v := place(i)
					single = single && (i == k || math.Hypot(u-x, v-y) > 15)
				})
				if !single || flux < 2800 {
					continue
				}
				best, away := -1, 2.0
				measured.near(x, y, func(i int) {
					if h := math.Hypot(float64(got.Stars[i].X)-x, float64(got.Stars[i].Y)-y); h < away {
						best, away = i, h
					}
				})
				if flux > 4000 {
					alone++
					if best < 0 {
						missed++
					}
				}
				if best < 0 {
					continue
				}
				s := got.Stars[best]
				dx, dy := float64(s.X)-x, float64(s.Y)-y
				limit := bounds(flux)
				faint.add(dx*dx, dy*dy)
				bound.add(limit * limit)
				pulls.add(dx*dx/float64(s.XSigma*s.XSigma), dy*dy/float64(s.YSigma*s.YSigma))
				if flux > 4000 {
					clear.add(dx*dx, dy*dy)
				}
				if flux > 20000 {
					bright.add(dx*dx, dy*dy)
					brightBound.add(limit * limit)
					widths = append(widths, math.Sqrt(float64(s.Major)*float64(s.Minor)))
				}
			}
			if complete := 1 - float64(missed)/float64(alone); complete < 0.995 {
				t.Errorf("%.4f of the stars above 4000 electrons are found, want 0.995", complete)
			}
			const src = "bound of Cramér and Rao, package detector; the rms of thousands of stars scatters by 2 %"
			if r := faint.rms() / bound.rms(); r > 1.05 {
				t.Errorf("above 2800 electrons places are off by %.4f px rms, %.3f of the %s", faint.rms(), r, src)
			}
			if clear.rms() > 0.0285 {
				t.Errorf("above 4000 electrons places are off by %.4f px rms, want 0.0285", clear.rms())
			}
			if r := bright.rms() / brightBound.rms(); r > 1.05 || bright.rms() > 0.0086 {
				t.Errorf("above 20000 electrons places are off by %.4f px rms, %.3f of the %s", bright.rms(), r, src)
			}
			testkit.Near(t, pulls.rms(), 1, 0.05, "errors over what is claimed of them")
			testkit.NearRel(t, median(widths), 3.077, 0.01, "computed with scipy: least-squares Gaussian on the pixels of a Gaussian of 3 px")
			testkit.NearRel(t, float64(got.FWHM), 3.077, 0.01, "the same")
			t.Logf("%d stars of %d, %d of %d alone above 4000 electrons; rms %.4f px (bound %.4f), above 4000 %.4f, above 20000 %.4f (%.4f); pulls %.3f; FWHM %.4f", got.StarsFound, len(truth), alone-missed, alone, faint.rms(), bound.rms(), clear.rms(), bright.rms(), brightBound.rms(), pulls.rms(), median(widths))
		})
	}
}

// sum adds squares up.
type sum struct {
	total float64
	n     int
}

func (s *sum) add(squares ...float64) {
	for _, v := range squares {
		s.total += v
		s.n++
	}
}

func (s *sum) rms() float64 { return math.Sqrt(s.total / float64(s.n)) }
