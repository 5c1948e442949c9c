package synth

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// spread is the mean and the standard deviation of numbers, stragglers left
// out.
func spread(v []float64) (mean, sd float64) {
	slices.Sort(v)
	m := v[len(v)/2]
	var d []float64
	for _, x := range v {
		d = append(d, math.Abs(x-m))
	}
	slices.Sort(d)
	limit := 5 * 1.4826 * d[len(d)/2]
	n, sum, sq := 0.0, 0.0, 0.0
	for _, x := range v {
		if math.Abs(x-m) <= limit {
			n++
			sum += x
			sq += x * x
		}
	}
	mean = sum / n
	return mean, math.Sqrt(max(sq/n-mean*mean, 0))
}

// TestTables: what a table says of an exposure and what is measured on its
// frame agree star by star within the noise, and so does the noise.
func TestTables(t *testing.T) {
	scenes := []struct {
		name    string
		kernels []psf.Kernel
		local   bool
		path    Path
		flux    float64 // electrons
	}{
		{"air, bright", []psf.Kernel{psf.Air(4)}, false, Path{}, 60000},
		{"air, faint", []psf.Kernel{psf.Air(4)}, false, Path{}, 2500},
		{"telescope and wander", []psf.Kernel{psf.ShortAir(3, 0.8, 0.55, 120), psf.Airy(0.55, 120, 0.3)}, false, night(4000), 40000},
		{"gaussian, very bright", []psf.Kernel{psf.Gaussian(psf.Round(2))}, false, Path{}, 200000},
		{"drawn", []psf.Kernel{psf.Air(3.5), psf.Trail(4, 20)}, false, Path{}, 30000},
		{"drawn, faint", []psf.Kernel{psf.Air(3.5), psf.Trail(4, 110)}, false, Path{}, 4000},
		{"defocused a little", []psf.Kernel{psf.Air(3), psf.Disc(4, 0.3)}, false, Path{}, 50000},
		{"corners", []psf.Kernel{psf.Air(3)}, true, Path{}, 40000},
		{"turning", []psf.Kernel{psf.Air(3.5)}, false, Path{Linear: []Linear{Turn(-0.002), Turn(-0.001), Turn(0), Turn(0.001), Turn(0.002)}}, 30000},
		{"jump", []psf.Kernel{psf.Air(3)}, false, Path{East: []unit.Arcsec{0, 0, 0, 4}, North: []unit.Arcsec{0, 0, 0, 1}}, 60000},
	}
	if testing.Short() {
		scenes = scenes[:4]
	}
	for number, tt := range scenes {
		t.Run(tt.name, func(t *testing.T) {
			f := plate(1536, 1024)
			o := Optics{Kernels: tt.kernels, CellsX: 8, CellsY: 6}
			if tt.local {
				mx, my := f.Middle()
				o.Local = func(x, y unit.Px) []psf.Kernel {
					r := math.Hypot(float64(x-mx), float64(y-my)) / 920
					return []psf.Kernel{psf.Gaussian(psf.Along(unit.Arcsec(1.5*r*r), unit.Rad(math.Atan2(float64(y-my), float64(x-mx))).Deg()))}
				}
			}
			stars := lattice(f, 96, tt.flux/50)
			e := Exposure{Stars: stars, Sensor: Sensor{ElectronPerADU: 0.8, Offset: 100, ReadNoise: 3}, Length: 50, SkyElectronPerSPx: 2, Seed: 5, Number: uint64(number)}
			im := expose(t, f, o, tt.path)
			m := measured(t, drawing(t, im, e))
			outline, err := im.blur.Outline(tt.path, 2)
			if err != nil {
				t.Fatal(err)
			}
			table, err := outline.Table(e)
			if err != nil {
				t.Fatal(err)
			}
			if table.StarsFound != len(stars) {
				t.Fatalf("the table has %d stars, want %d", table.StarsFound, len(stars))
			}
			testkit.Near(t, table.Background, m.Background, 0.1*m.Noise, "measured on the frame")
			testkit.NearRel(t, table.Noise, m.Noise, 0.03, "measured on the frame")
			quantities := []struct {
				name   string
				of     func(s star.Star) float64
				bias   float64 // of the measurement, allowed
				spread float64 // of the two spreads, allowed beyond chance
			}{
				{"x", func(s star.Star) float64 { return float64(s.X) }, 0.01, 0.12},
				{"y", func(s star.Star) float64 { return float64(s.Y) }, 0.01, 0.12},
				{"fwhm", func(s star.Star) float64 { return math.Sqrt(float64(s.Major) * float64(s.Minor)) }, 0.03, 0.3},
				{"e along", func(s star.Star) float64 { return s.Ellipticity * math.Cos(2*float64(s.Angle.Rad())) }, 0.01, 0.15},
				{"e across", func(s star.Star) float64 { return s.Ellipticity * math.Sin(2*float64(s.Angle.Rad())) }, 0.01, 0.15},
				{"log flux", func(s star.Star) float64 { return math.Log(float64(s.Flux)) }, 0.02, 0.2},
				{"log snr", func(s star.Star) float64 { return math.Log(s.SNR) }, 0.02, 0.2},
				{"log sigma x", func(s star.Star) float64 { return math.Log(float64(s.XSigma)) }, 0.02, 0.4},
				{"hfd", func(s star.Star) float64 { return float64(s.HFD) }, 0.03, 0.3},
				{"log peak", func(s star.Star) float64 { return math.Log(float64(s.Peak)) }, 0.03, 1e9},
			}
			for _, q := range quantities {
				var difference, fromTable, fromFrame []float64
				for _, s := range stars {
					a, okA := nearest(table.Stars, s)
					b, okB := nearest(m.Stars, s)
					if !okA || !okB || (a.Flags|b.Flags)&(star.Blended|star.Edge) != 0 {
						continue
					}
					at := outline.shape(float64(s.X), float64(s.Y))
					base := 0.0
					switch q.name {
					case "x":
						base = float64(s.X)
					case "y":
						base = float64(s.Y)
					case "fwhm":
						base = math.Sqrt(math.Sqrt(at.xx*at.yy - at.xy*at.xy))
					case "hfd":
						base = at.hfd
					}
					difference = append(difference, q.of(a)-q.of(b))
					fromTable, fromFrame = append(fromTable, q.of(a)-base), append(fromFrame, q.of(b)-base)
				}
				n := float64(len(difference))
				if n < 0.8*float64(len(stars)) {
					t.Fatalf("%d of %d stars to compare", len(difference), len(stars))
				}
				mean, sd := spread(difference)
				_, a := spread(fromTable)
				_, b := spread(fromFrame)
				t.Logf("%-12s difference %+.4f ± %.4f, spread of the table %.4f, of the frame %.4f", q.name, mean, sd/math.Sqrt(n), a, b)
				if lopsided := tt.name == "jump"; lopsided && (q.name == "x" || q.name == "y") {
					// Which centre is meant differs: see Table.
					testkit.Near(t, mean, 0, 0.1*float64(m.FWHM), q.name+" measured on the frame")
					continue
				} else if lopsided && (q.name == "fwhm" || q.name == "hfd") {
					// Two tops on few pixels: the measurement depends on where they fall.
					testkit.Near(t, mean, 0, 0.05*float64(m.FWHM), q.name+" measured on the frame")
					continue
				}
				testkit.Near(t, mean, 0, q.bias+4*sd/math.Sqrt(n), q.name+" measured on the frame")
				if q.spread < 1e8 && !(tt.local || tt.path.Linear != nil) {
					testkit.NearRel(t, a, b, q.spread+4/math.Sqrt(2*n), "spread of "+q.name+" measured on the frame")
				}
			}
		})
	}
}

// TestTableFlags: full stars, stars at the edge, pairs and hidden stars are
// told.
func TestTableFlags(t *testing.T) {
	f := plate(400, 300)
	im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Air(4)}}, Path{})
	stars := []Star{
		{X: 100, Y: 100, ElectronPerS: 1e6, ID: 1},
		{X: 2, Y: 200, ElectronPerS: 1e3, ID: 2},
		{X: 200, Y: 200, ElectronPerS: 2e3, ID: 3},
		{X: 205, Y: 200, ElectronPerS: 1e3, ID: 4},
		{X: 300, Y: 100, ElectronPerS: 1e3, ID: 5},
		{X: 301, Y: 100, ElectronPerS: 2e2, ID: 6},
		{X: 300, Y: 250, ElectronPerS: 5, ID: 7},
		{X: 200, Y: 50, ElectronPerS: 1e3, ID: 8},
		{X: 500, Y: 50, ElectronPerS: 1e3, ID: 9},
	}
	table, err := im.Table(Exposure{Stars: stars, Sensor: good, Length: 10, SkyElectronPerSPx: 5, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	want := map[uint64]star.Flags{1: star.Saturated, 2: star.Edge, 3: star.Blended, 4: star.Blended, 5: star.Blended, 8: 0}
	if table.StarsFound != len(want) {
		t.Errorf("%d stars, want %d", table.StarsFound, len(want))
	}
	for _, s := range stars {
		flags, seen := want[s.ID]
		got, ok := nearest(table.Stars, s)
		if seen && (!ok || got.Flags&(star.Saturated|star.Edge|star.Blended) != flags) {
			t.Errorf("star %d: found %v, flags %q, want %q", s.ID, ok, got.Flags, flags)
		}
	}
	if !slices.IsSortedFunc(table.Stars, func(a, b star.Star) int { return int(b.Flux - a.Flux) }) {
		t.Error("the brightest star is not first")
	}
	// Another order of the stars changes nothing of each.
	slices.Reverse(stars)
	again, err := im.Table(Exposure{Stars: stars, Sensor: good, Length: 10, SkyElectronPerSPx: 5, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	for i := range table.Stars {
		if a, b := table.Stars[i], again.Stars[i]; a.X != b.X || a.Flux != b.Flux || a.Major != b.Major {
			t.Errorf("star %d depends on the order of the stars: %+v, %+v", i, a, b)
		}
	}
}

func BenchmarkTables_20subs_2000stars(b *testing.B) {
	f := plate(3072, 2048)
	blur, err := NewBlur(f, Optics{Kernels: []psf.Kernel{psf.ShortAir(3, 0.9, 0.55, 100), psf.Airy(0.55, 100, 0.3)}})
	if err != nil {
		b.Fatal(err)
	}
	p, stars := night(36000), crowd(f, 2000)
	r := rand.New(rand.NewPCG(1, 1))
	for b.Loop() {
		for range 20 {
			p.Linear[3] = Turn(unit.Rad(1e-5 * r.Float64()))
			o, err := blur.Outline(p, 2)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := o.Table(Exposure{Stars: stars, Sensor: good, Length: 360, SkyElectronPerSPx: 1}); err != nil {
				b.Fatal(err)
			}
		}
	}
}
