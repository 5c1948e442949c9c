package synth

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/sky"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// plate returns a field of square pixels of an arcsecond and a half, turned.
func plate(w, h int) Field {
	return Field{Width: w, Height: h, Centre: sky.Direction{RA: 120, Dec: 30}, Scale: 1.5, Angle: 25}
}

// good is a sensor that adds little.
var good = Sensor{ElectronPerADU: 1, Offset: 100, ReadNoise: 3}

// expose returns the image of the kernels and path, or fails the test.
func expose(t testing.TB, f Field, o Optics, p Path) *Image {
	t.Helper()
	b, err := NewBlur(f, o)
	if err != nil {
		t.Fatal(err)
	}
	im, err := b.Expose(p, 0)
	if err != nil {
		t.Fatal(err)
	}
	return im
}

func drawing(t testing.TB, im *Image, e Exposure) *Drawing {
	t.Helper()
	d, err := im.Drawing(e)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// lattice returns stars in cells of so many pixels, each at a place of its own
// within its pixel.
func lattice(f Field, cell int, electronPerS float64) []Star {
	r := rand.New(rand.NewPCG(3, 4))
	var out []Star
	for y := cell / 2; y+cell/2 < f.Height; y += cell {
		for x := cell / 2; x+cell/2 < f.Width; x += cell {
			out = append(out, Star{X: unit.Px(float64(x) + r.Float64()), Y: unit.Px(float64(y) + r.Float64()), ElectronPerS: electronPerS, ID: uint64(len(out))})
		}
	}
	return out
}

// measured measures the frame.
func measured(t testing.TB, d *Drawing) star.Frame {
	t.Helper()
	m, err := star.Measure(frame.FromPixels(d.Width, d.Height, d.Pixels()), star.Options{GainElectronPerADU: d.sensor.ElectronPerADU})
	if err != nil || m.Error != "" {
		t.Fatal(err, m.Error)
	}
	return m
}

// angleOf returns the angle from +x towards +y of a position angle.
func (f Field) angleOf(pa unit.Deg) float64 {
	sin, cos := math.Sincos(float64(pa.Rad()))
	x, y := f.matrix().px(sin, cos)
	return math.Atan2(y, x) * 180 / math.Pi
}

// TestStars: a frame drawn from kernels and a path of which the star is known
// in closed form is measured as that star.
func TestStars(t *testing.T) {
	line := func(length float64, pa unit.Deg) (p Path) {
		sin, cos := math.Sincos(float64(pa.Rad()))
		for i := range 1000 {
			s := length * ((float64(i)+0.5)/1000 - 0.5)
			p.East, p.North = append(p.East, unit.Arcsec(s*sin)), append(p.North, unit.Arcsec(s*cos))
		}
		return p
	}
	for _, tt := range []struct {
		name    string
		kernels []psf.Kernel
		path    Path
		moved   []psf.Kernel // the path as a kernel
	}{
		{"air at rest", []psf.Kernel{psf.Air(4.5)}, Path{}, nil},
		{"air and pupil at rest", []psf.Kernel{psf.Air(3.5), psf.Airy(0.55, 60, 0)}, Path{}, nil},
		{"out of round at rest", []psf.Kernel{psf.Gaussian(psf.Along(3, 40).Plus(psf.Along(2.2, 130)))}, Path{}, nil},
		{"a trail", []psf.Kernel{psf.Air(4)}, line(6, 70), []psf.Kernel{psf.Trail(6, 70)}},
		{"a trail to the north", []psf.Kernel{psf.Air(4.5), psf.Airy(0.55, 100, 0.3)}, line(3, 0), []psf.Kernel{psf.Trail(3, 0)}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := plate(960, 640)
			stars := lattice(f, 80, 3000)
			im := expose(t, f, Optics{Kernels: tt.kernels}, tt.path)
			m := measured(t, drawing(t, im, Exposure{Stars: stars, Sensor: good, Length: 100, SkyElectronPerSPx: 2, Seed: 1}))
			all := append([]psf.Kernel{psf.Box(unit.Arcsec(f.Scale), f.Angle)}, tt.kernels...)
			want := psf.Star(append(all, tt.moved...)...)
			const src = "psf.Star of the same causes: their transfer functions multiplied, not drawn"
			testkit.NearRel(t, m.FWHM, f.Scale.Px(want.FWHM()), 0.01, src)
			testkit.Near(t, m.Ellipticity, want.Ellipticity(), 0.01, src)
			if want.Ellipticity() > 0.05 {
				testkit.Near(t, math.Remainder(float64(m.Angle)-f.angleOf(want.PA), 180), 0, 1.5, src)
			}
			// And each by itself.
			for _, s := range stars {
				got, ok := nearest(m.Stars, s)
				if !ok {
					t.Fatalf("the star at %.1f, %.1f is not found", s.X, s.Y)
				}
				testkit.NearRel(t, float64(got.Major*got.Minor), float64(f.Scale.Px(want.Major)*unit.Px(f.Scale.Px(want.Minor))), 0.03, src)
				testkit.Near(t, got.Ellipticity, want.Ellipticity(), 0.015, src)
				testkit.Near(t, got.X, s.X, 5*got.XSigma+0.002, "where it was drawn")
				testkit.Near(t, got.Y, s.Y, 5*got.YSigma+0.002, "where it was drawn")
			}
		})
	}
}

// nearest returns the measured star nearest to a star, within three pixels.
func nearest(stars []star.Star, s Star) (star.Star, bool) {
	var best star.Star
	far := 3.0
	for _, m := range stars {
		if h := math.Hypot(float64(m.X-s.X), float64(m.Y-s.Y)); h < far {
			far, best = h, m
		}
	}
	return best, far < 3
}

// TestRotation: a field that turns draws trails round the pivot, as long as
// the angle times the distance, and moves no star that stands on it.
func TestRotation(t *testing.T) {
	f := plate(1200, 800)
	const turn = 0.012 // rad
	p := Path{PivotEast: 60, PivotNorth: -90}
	for i := range 401 {
		p.Linear = append(p.Linear, Turn(unit.Rad(turn*(float64(i)/400-0.5))))
	}
	kernels := []psf.Kernel{psf.Gaussian(psf.Round(2))}
	im := expose(t, f, Optics{Kernels: kernels, CellsX: 8, CellsY: 6}, p)
	stars := lattice(f, 100, 4000)
	m := measured(t, drawing(t, im, Exposure{Stars: stars, Sensor: good, Length: 100, SkyElectronPerSPx: 1, Seed: 2}))
	far, taken := 0.0, 0
	for _, s := range stars {
		e, n := f.Offset(s.X, s.Y)
		e, n = e-p.PivotEast, n-p.PivotNorth
		distance := math.Hypot(float64(e), float64(n))
		far = max(far, distance)
		along := unit.Rad(math.Atan2(float64(n), -float64(e))).Deg() // a right angle on from the direction of the star
		want := psf.Star(append(kernels, psf.Trail(unit.Arcsec(turn*distance), along), psf.Box(unit.Arcsec(f.Scale), f.Angle))...)
		got, ok := nearest(m.Stars, s)
		if !ok {
			t.Fatalf("the star at %.1f, %.1f is not found", s.X, s.Y)
		}
		if got.Flags&star.Blended != 0 {
			taken++ // for two stars
			continue
		}
		const src = "a turning field moves a star by the angle times its distance, at right angles to it"
		testkit.Near(t, got.Ellipticity, want.Ellipticity(), 0.015, src)
		testkit.NearRel(t, got.Minor, f.Scale.Px(want.Minor), 0.015, src)
		if want.Ellipticity() > 0.1 {
			testkit.Near(t, math.Remainder(float64(got.Angle)-f.angleOf(want.PA), 180), 0, 2, src)
		}
		testkit.Near(t, got.X, s.X, 0.05, src)
		testkit.Near(t, got.Y, s.Y, 0.05, src)
	}
	if taken > 1 {
		t.Errorf("%d of %d trails are taken for pairs of stars", taken, len(stars))
	}
	if far < 800 {
		t.Fatalf("the farthest star is only %.0f arcsec from the pivot", far)
	}
}

// TestBetweenNodes: however much a field turns and stretches, a star anywhere
// between the places for which it is computed has the variance that its own path
// gives it.
func TestBetweenNodes(t *testing.T) {
	f := plate(1200, 800)
	const sigma, n = 2.0, 401
	r := rand.New(rand.NewPCG(7, 8))
	for _, size := range []float64{0.0004, 0.003, 0.012} {
		p := Path{PivotEast: 60, PivotNorth: -90}
		for i := range n {
			a := size * (float64(i)/(n-1) - 0.5)
			p.Linear = append(p.Linear, Turn(unit.Rad(a)).Plus(Linear{EE: 0.4 * a * math.Abs(a) / size, NN: -0.3 * a}))
		}
		im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Gaussian(psf.Round(sigma))}, CellsX: 8, CellsY: 6}, p)
		for range 25 {
			s := Star{X: unit.Px(40 + 1120*r.Float64()), Y: unit.Px(40 + 720*r.Float64()), ElectronPerS: 1000}
			x0, y0 := int(s.X)-36, int(s.Y)-36
			region := Region{x0, y0, x0 + 73, y0 + 73}
			region.X0, region.Y0 = max(0, region.X0), max(0, region.Y0)
			region.X1, region.Y1 = min(f.Width, region.X1), min(f.Height, region.Y1)
			w := region.X1 - region.X0
			var light, sx, sy, xx, xy, yy float64
			for i, v := range drawing(t, im, Exposure{Stars: []Star{s}, Sensor: good, Length: 10}).Mean(region) {
				x, y := float64(i%w), float64(i/w)
				light, sx, sy = light+v, sx+v*x, sy+v*y
				xx, xy, yy = xx+v*x*x, xy+v*x*y, yy+v*y*y
			}
			sx, sy = sx/light, sy/light
			xx, xy, yy = xx/light-sx*sx, xy/light-sx*sy, yy/light-sy*sy
			var ee, en, nn, e, m float64
			east, north := f.Offset(s.X, s.Y)
			for _, l := range p.Linear {
				a, b := float64(east-p.PivotEast), float64(north-p.PivotNorth)
				u, v := l.EE*a+l.EN*b, l.NE*a+l.NN*b
				e, m, ee, en, nn = e+u/n, m+v/n, ee+u*u/n, en+u*v/n, nn+v*v/n
			}
			ee, en, nn = ee-e*e, en-e*m, nn-m*m
			axes := func(a, b, c float64) (long, short float64) {
				mid, d := (a+c)/2, math.Hypot((a-c)/2, b)
				return mid + d, mid - d
			}
			scale := float64(f.Scale)
			long, short := axes(ee, en, nn)
			gotLong, gotShort := axes(xx, xy, yy)
			round := sigma*sigma/scale/scale + 1.0/12
			const src = "closed form: variances of path, star and pixel add"
			testkit.NearRel(t, gotLong, long/scale/scale+round, 0.006, src)
			testkit.NearRel(t, gotShort, short/scale/scale+round, 0.006, src)
		}
	}
}

// TestFlux: all of a star's light arrives, wherever it falls and however long
// its path.
func TestFlux(t *testing.T) {
	f := plate(300, 200)
	r := rand.New(rand.NewPCG(5, 6))
	var p Path
	for range 3000 {
		p.East, p.North = append(p.East, unit.Arcsec(4*r.NormFloat64())), append(p.North, unit.Arcsec(9*r.NormFloat64()))
	}
	for range 30 {
		p.Linear = append(p.Linear, Linear{0.004 * r.NormFloat64(), 0.004 * r.NormFloat64(), 0.004 * r.NormFloat64(), 0.004 * r.NormFloat64()})
	}
	im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Gaussian(psf.Round(2))}}, p)
	for range 20 {
		s := Star{X: unit.Px(100 + 100*r.Float64()), Y: unit.Px(80 + 40*r.Float64()), ElectronPerS: 500}
		d := drawing(t, im, Exposure{Stars: []Star{s}, Sensor: good, Length: 20})
		sum, sx, sy := 0.0, 0.0, 0.0
		for i, v := range d.Mean(Region{0, 0, 300, 200}) {
			sum += v
			sx += v * float64(i%300)
			sy += v * float64(i/300)
		}
		testkit.NearRel(t, sum, 10000, 1e-4, "light is conserved")
		mx, my := f.Middle()
		dx, dy := im.track.shift(float64(s.X-mx), float64(s.Y-my))
		testkit.Near(t, sx/sum, float64(s.X)+dx, 0.01, "the centre of the light is that of the path")
		testkit.Near(t, sy/sum, float64(s.Y)+dy, 0.01, "the centre of the light is that of the path")
	}
}

// TestNoise: pixels of sky have the mean and the variance of their counts.
func TestNoise(t *testing.T) {
	f := plate(400, 300)
	im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Air(4)}}, Path{})
	for _, tt := range []struct{ sky, gain, read float64 }{
		{0.2, 1, 2}, {3, 0.5, 1.5}, {11, 0.25, 3}, {30, 2, 5}, {79, 1, 1}, {300, 0.8, 4}, {20000, 1.5, 8},
	} {
		d := drawing(t, im, Exposure{Length: 10, SkyElectronPerSPx: tt.sky / 10, Seed: 9,
			Sensor: Sensor{ElectronPerADU: tt.gain, Offset: 200, ReadNoise: unit.Electron(tt.read), DarkElectronPerS: 0.01}})
		n, sum, sq, cube := 0.0, 0.0, 0.0, 0.0
		mean := (tt.sky + 0.1) / tt.gain
		for _, v := range d.Pixels() {
			x := float64(v) - 200 - mean
			n++
			sum += x
			sq += x * x
			cube += x * x * x
		}
		variance := (tt.sky+0.1+tt.read*tt.read)/(tt.gain*tt.gain) + 1.0/12
		const src = "counts of light have the variance of their mean; read noise and rounding add theirs"
		testkit.Near(t, sum/n, 0, 4*math.Sqrt(variance/n), src)
		testkit.NearRel(t, sq/n-sum/n*sum/n, variance, 4*math.Sqrt(2.5/n), src)
		third := (tt.sky + 0.1) / math.Pow(tt.gain, 3)
		testkit.Near(t, cube/n-3*sum/n*sq/n, third, 5*math.Sqrt(15/n)*math.Pow(variance, 1.5), "third moment of a Poisson count: its mean")
	}
}

// TestPoisson: counts have the distribution of Poisson's law on either side of
// each change of method.
func TestPoisson(t *testing.T) {
	d := newDice()
	d.at(key(1, 2))
	for _, mean := range []float64{0.01, 0.5, 4, 11.9, 12.1, 40, 79, 81, 400} {
		const n = 200000
		have := map[int]float64{}
		for range n {
			k := d.poisson(mean)
			if k != math.Trunc(k) || k < 0 {
				t.Fatalf("a count of %v", k)
			}
			have[int(k)] += 1.0 / n
		}
		cumulative, worst, sum := 0.0, 0.0, 0.0
		for k := 0; float64(k) < mean+8*math.Sqrt(mean)+8; k++ {
			lg, _ := math.Lgamma(float64(k) + 1)
			cumulative += math.Exp(float64(k)*math.Log(mean) - mean - lg)
			sum += have[k]
			worst = max(worst, math.Abs(sum-cumulative))
		}
		// Kolmogorov's bound at one in a million, 2.7/sqrt(n), and what the
		// normal number is off by.
		testkit.Near(t, worst, 0, 2.7/math.Sqrt(n)+0.0005, "Poisson 1837; largest difference of the distributions")
	}
	for _, mean := range []float64{0, -1, math.NaN()} {
		if k := d.poisson(mean); k != 0 {
			t.Errorf("mean %v gives %v", mean, k)
		}
	}
}

// TestCeiling: neither the well nor the converter is passed, and the lower of
// the two acts.
func TestCeiling(t *testing.T) {
	f := plate(64, 64)
	im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Air(4)}}, Path{})
	s := []Star{{X: 30, Y: 31, ElectronPerS: 1e7}}
	for _, tt := range []struct {
		sensor Sensor
		want   uint16
	}{
		{Sensor{ElectronPerADU: 2, Offset: 50, FullWell: 40000}, 20050},
		{Sensor{ElectronPerADU: 0.1, Offset: 50, FullWell: 40000}, 65535},
		{Sensor{ElectronPerADU: 1, Offset: 50, FullWell: 40000, Bits: 12}, 4095},
		{Sensor{ElectronPerADU: 1, Offset: 50, Bits: 14}, 16383},
	} {
		d := drawing(t, im, Exposure{Stars: s, Sensor: tt.sensor, Length: 1})
		most, full := uint16(0), 0
		for _, v := range d.Pixels() {
			if v > most {
				most, full = v, 0
			}
			if v == most {
				full++
			}
		}
		if most != tt.want || full < 9 {
			t.Errorf("%+v: %d pixels hold the most, %d, want at least 9 with %d", tt.sensor, full, most, tt.want)
		}
	}
}

// TestSameBytes: the frame does not depend on the number of workers, a region
// is that of the whole, bands come in order, and other seeds give other noise.
func TestSameBytes(t *testing.T) {
	f := plate(333, 257)
	b, err := NewBlur(f, Optics{Kernels: []psf.Kernel{psf.Air(4)}, CellsX: 2, CellsY: 1, Local: func(x, y unit.Px) []psf.Kernel {
		return []psf.Kernel{psf.Gaussian(psf.Round(unit.Arcsec(float64(x) / 200)))}
	}})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(5, 6))
	var stars []Star
	for i := range 300 {
		stars = append(stars, Star{X: unit.Px(340 * r.Float64()), Y: unit.Px(260 * r.Float64()), ElectronPerS: 3000 * r.ExpFloat64(), ID: uint64(i)})
	}
	draw := func(workers int, number uint64) *Drawing {
		im, err := b.Expose(Path{East: []unit.Arcsec{-1, 0, 2}, North: []unit.Arcsec{0, 1, 1}, Linear: []Linear{Turn(0.001), Turn(0.003)}}, workers)
		if err != nil {
			t.Fatal(err)
		}
		s := good
		s.HotFraction, s.HotElectronPerS, s.Vignetting, s.Mosaic = 0.002, 50, 0.3, "RGGB"
		return drawing(t, im, Exposure{Stars: stars, Sensor: s, Length: 10, SkyElectronPerSPx: 2, Seed: 4, Number: number, Workers: workers})
	}
	whole := draw(1, 0).Pixels()
	for _, workers := range []int{2, 5} {
		d := draw(workers, 0)
		var rows []uint16
		if err := d.Draw(func(r []uint16) error { rows = append(rows, r...); return nil }); err != nil {
			t.Fatal(err)
		}
		for name, got := range map[string][]uint16{"Pixels": d.Pixels(), "Draw": rows} {
			if len(got) != len(whole) {
				t.Fatalf("%s with %d workers: %d pixels, want %d", name, workers, len(got), len(whole))
			}
			for i := range whole {
				if got[i] != whole[i] {
					t.Fatalf("%s with %d workers: pixel %d is %d, with one %d", name, workers, i, got[i], whole[i])
				}
			}
		}
		part := d.Part(nil, Region{101, 90, 180, 200})
		for i, v := range part {
			if at := (90+i/79)*333 + 101 + i%79; v != whole[at] {
				t.Fatalf("region: pixel %d is %d, in the whole %d", i, v, whole[at])
			}
		}
	}
	other, same := draw(2, 1).Pixels(), 0
	for i := range other {
		if other[i] == whole[i] {
			same++
		}
	}
	if same > len(whole)/5 {
		t.Errorf("%d of %d pixels are the same in the next frame", same, len(whole))
	}
}

// TestHotPixels: they stay where they are from frame to frame and are as many
// and as bright as asked for.
func TestHotPixels(t *testing.T) {
	f := plate(500, 400)
	im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Air(4)}}, Path{})
	hot := func(number, sensor uint64) (at map[int]bool, mean float64) {
		s := Sensor{ElectronPerADU: 1, Offset: 100, ReadNoise: 2, HotFraction: 0.001, HotElectronPerS: 400, Seed: sensor}
		d := drawing(t, im, Exposure{Sensor: s, Length: 10, Number: number})
		at = map[int]bool{}
		for i, v := range d.Pixels() {
			if v > 200 {
				at[i] = true
				mean += float64(v) - 100
			}
		}
		return at, mean / float64(len(at))
	}
	a, mean := hot(1, 7)
	testkit.Near(t, float64(len(a)), 200*math.Exp(-100/4000.0), 4*math.Sqrt(200), "a thousandth of 200,000, of which those above 100 electrons show")
	testkit.NearRel(t, mean, 4100, 4/math.Sqrt(200), "mean of the exponential distribution beyond a tenth of a kilo-electron")
	b, _ := hot(2, 7)
	moved := 0
	for i := range a {
		if !b[i] {
			moved++
		}
	}
	if moved > 3 { // whose light is near the threshold
		t.Errorf("%d of %d hot pixels moved from one frame to the next", moved, len(a))
	}
	if c, _ := hot(2, 8); len(c) > 0 {
		common := 0
		for i := range a {
			if c[i] {
				common++
			}
		}
		if common > 3 {
			t.Errorf("two sensors have %d hot pixels in common", common)
		}
	}
}

// TestErrors: what cannot be drawn is refused with a reason.
func TestErrors(t *testing.T) {
	f := plate(64, 64)
	air := Optics{Kernels: []psf.Kernel{psf.Air(4)}}
	for _, o := range []Optics{{Kernels: []psf.Kernel{psf.Air(-1)}}, {Kernels: []psf.Kernel{psf.Air(500)}}} {
		if _, err := NewBlur(f, o); err == nil {
			t.Errorf("%+v makes a blur", o)
		}
	}
	if _, err := NewBlur(Field{Width: 10, Height: 10}, air); err == nil {
		t.Error("a field without scale makes a blur")
	}
	b, err := NewBlur(f, air)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []Path{{East: []unit.Arcsec{0, 9000}, North: []unit.Arcsec{0, 0}}, {East: []unit.Arcsec{unit.Arcsec(math.NaN())}, North: []unit.Arcsec{0}}, {Linear: []Linear{{EE: math.Inf(1)}}}} {
		if _, err := b.Expose(p, 0); err == nil {
			t.Errorf("%+v makes an image", p)
		}
	}
	im := expose(t, f, air, Path{})
	for _, e := range []Exposure{
		{},
		{Sensor: good, Length: -1},
		{Sensor: good, SkyElectronPerSPx: math.NaN()},
		{Sensor: good, Stars: []Star{{ElectronPerS: -2}}, Length: 1},
		{Sensor: Sensor{ElectronPerADU: 1, Bits: 17}},
		{Sensor: Sensor{ElectronPerADU: 1, Mosaic: "RGB"}},
		{Sensor: Sensor{ElectronPerADU: 1, Mosaic: "RGXB"}},
		{Sensor: Sensor{ElectronPerADU: 1, HotFraction: 2}},
	} {
		if _, err := im.Drawing(e); err == nil {
			t.Errorf("%+v is drawn", e)
		}
	}
}
