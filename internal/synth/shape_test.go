package synth

import (
	"math"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestShape: at every corner of a cell the shape without noise is that of the
// kernels there, of frames and of tables.
func TestShape(t *testing.T) {
	f := plate(900, 600)
	f.Mirrored = true
	o := Optics{Kernels: []psf.Kernel{psf.ShortAir(3, 0.8, 0.55, 130), psf.Airy(0.55, 130, 0.3), psf.Gaussian(psf.Round(1.3))},
		Local: func(x, y unit.Px) []psf.Kernel {
			e, n := f.Offset(x, y)
			r := math.Hypot(float64(e), float64(n)) / 800
			return []psf.Kernel{psf.Gaussian(psf.Along(unit.Arcsec(2.5*r*r), unit.Rad(math.Atan2(float64(e), float64(n))).Deg())), psf.Disc(unit.Arcsec(2*r), 0.3)}
		}}
	b, err := NewBlur(f, o)
	if err != nil {
		t.Fatal(err)
	}
	im, err := b.Expose(Path{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	outline, err := b.Outline(Path{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []unit.Px{0, 899.0 / 2, 899} {
		for _, y := range []unit.Px{0, 599.0 / 2, 599} {
			kernels := append(append([]psf.Kernel{psf.Box(unit.Arcsec(f.Scale), f.Angle)}, o.Kernels...), o.Local(x, y)...)
			want := psf.Star(kernels...)
			const src = "psf.Star of the same causes"
			for name, s := range map[string]shape{"frames": im.shape(float64(x), float64(y)), "tables": outline.shape(float64(x), float64(y))} {
				mean, d := (s.xx+s.yy)/2, math.Hypot((s.xx-s.yy)/2, s.xy)
				major, minor := math.Sqrt(mean+d), math.Sqrt(mean-d)
				testkit.NearRel(t, unit.Px(major), f.Scale.Px(want.Major), 0.003, src)
				testkit.NearRel(t, unit.Px(minor), f.Scale.Px(want.Minor), 0.003, src)
				if want.Ellipticity() > 0.02 {
					angle := math.Atan2(2*s.xy, s.xx-s.yy) / 2 * 180 / math.Pi
					testkit.Near(t, math.Remainder(angle-f.angleOf(want.PA), 180), 0, 0.5, src)
				}
				testkit.Near(t, s.tail, want.Tail, 0.01, src)
				s2 := float64(f.Scale) * float64(f.Scale)
				testkit.NearRel(t, s.share/s.area(), want.Peak*s2, 0.01, src)
				testkit.NearRel(t, s.top, psf.Peak(kernels...)*s2, 0.005, "psf.Peak of the same causes")
				// Beyond the pixels of a fit the light is the profile's: less than the air's.
				testkit.NearRel(t, unit.Px(s.hfd), f.Scale.Px(psf.HalfFluxDiameter(kernels...)), 0.04, "psf.HalfFluxDiameter of the same causes")
				if t.Failed() {
					t.Fatalf("%s at %.0f, %.0f: %+v", name, x, y, s)
				}
			}
		}
	}
}

// TestHalfFlux: of a Gaussian, half of the light lies inside the FWHM.
func TestHalfFlux(t *testing.T) {
	f := plate(100, 100)
	for _, sigma := range []unit.Arcsec{1.5, 2, 4} {
		b, err := NewBlur(f, Optics{Kernels: []psf.Kernel{psf.Gaussian(psf.Round(sigma))}})
		if err != nil {
			t.Fatal(err)
		}
		o, err := b.Outline(Path{East: []unit.Arcsec{0.3}, North: []unit.Arcsec{0.9}}, 0)
		if err != nil {
			t.Fatal(err)
		}
		want := 2.3548200450309493 * math.Sqrt(math.Pow(float64(f.Scale.Px(sigma)), 2)+1.0/12)
		testkit.NearRel(t, o.shape(50, 50).hfd, want, 0.01, "closed form: a Gaussian's half-flux diameter is its FWHM; the pixel adds 1/12")
	}
}

// TestFilters: vignetting dims the corner by its fraction and the mosaic's
// filters their pixels, light but not dark current.
func TestFilters(t *testing.T) {
	f := plate(101, 81)
	im := expose(t, f, Optics{Kernels: []psf.Kernel{psf.Air(4)}}, Path{})
	s := Sensor{ElectronPerADU: 1, Vignetting: 0.4, Mosaic: "GRBG", Colour: [3]float64{0.5, 0.8, 0.3}, DarkElectronPerS: 0.25, Bin: 2}
	m := drawing(t, im, Exposure{Sensor: s, Length: 10, SkyElectronPerSPx: 20}).Mean(Region{0, 0, 101, 81})
	const src = "definition of the sensor"
	at := func(x, y int) float64 { return m[y*101+x] }
	testkit.NearRel(t, at(50, 40), 200*0.8+10, 1e-9, src)
	testkit.NearRel(t, at(0, 0), 200*0.8*0.6+10, 1e-9, src)
	testkit.NearRel(t, at(100, 80), 200*0.8*0.6+10, 1e-9, src)
	half := 1 - 0.4*(49.0*49+40*40)/(50*50+40*40)
	testkit.NearRel(t, at(1, 0), 200*0.5*half+10, 1e-9, src)
	testkit.NearRel(t, at(0, 1), 200*0.3*(1-0.4*(50.0*50+39*39)/(50*50+40*40))+10, 1e-9, src)
}

// TestTurn: a turn by a right angle from north through east carries north to
// east and east to south.
func TestTurn(t *testing.T) {
	l := Turn(math.Pi / 2)
	const src = "definition: from north through east"
	testkit.Near(t, l.EN, 1, 1e-15, src)
	testkit.Near(t, 1+l.NN, 0, 1e-15, src)
	testkit.Near(t, l.NE, -1, 1e-15, src)
	testkit.Near(t, 1+l.EE, 0, 1e-15, src)
}
