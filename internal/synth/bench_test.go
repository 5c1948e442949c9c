package synth

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// night returns a path of so many samples that wanders by an arcsecond, drifts
// and turns.
func night(samples int) Path {
	r := rand.New(rand.NewPCG(8, 9))
	var p Path
	east, north := 0.0, 0.0
	for i := range samples {
		east += 0.1*r.NormFloat64() - 0.02*east
		north += 0.1*r.NormFloat64() - 0.02*north
		p.East = append(p.East, unit.Arcsec(east+0.5*math.Sin(float64(i)/700)))
		p.North = append(p.North, unit.Arcsec(north))
	}
	for i := range 60 {
		p.Linear = append(p.Linear, Turn(unit.Rad(1e-5*float64(i))))
	}
	return p
}

// crowd returns n stars of the brightnesses of a field, most of them faint.
func crowd(f Field, n int) []Star {
	r := rand.New(rand.NewPCG(2, 2))
	var out []Star
	for i := range n {
		out = append(out, Star{X: unit.Px(float64(f.Width) * r.Float64()), Y: unit.Px(float64(f.Height) * r.Float64()),
			ElectronPerS: min(5*math.Pow(r.Float64(), -1.2), 1e5), ID: uint64(i)})
	}
	return out
}

func BenchmarkFrame_3072x2048_2000stars(b *testing.B) {
	f := plate(3072, 2048)
	blur, err := NewBlur(f, Optics{Kernels: []psf.Kernel{psf.ShortAir(3, 0.9, 0.55, 100), psf.Airy(0.55, 100, 0.3)}})
	if err != nil {
		b.Fatal(err)
	}
	p, stars := night(30000), crowd(f, 2000)
	for b.Loop() {
		im, err := blur.Expose(p, 2)
		if err != nil {
			b.Fatal(err)
		}
		d, err := im.Drawing(Exposure{Stars: stars, Sensor: Sensor{ElectronPerADU: 0.5, Offset: 500, ReadNoise: 2, HotFraction: 1e-4, HotElectronPerS: 5, Vignetting: 0.2, FullWell: 50000}, Length: 300, SkyElectronPerSPx: 1})
		if err != nil {
			b.Fatal(err)
		}
		if err := d.Draw(func([]uint16) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkGuideFrame_1280x960_100stars(b *testing.B) {
	f := plate(1280, 960)
	f.Scale = 4
	blur, err := NewBlur(f, Optics{Kernels: []psf.Kernel{psf.ShortAir(3, 1, 0.55, 50), psf.Airy(0.55, 50, 0), psf.Disc(9, 0)}})
	if err != nil {
		b.Fatal(err)
	}
	p, stars := night(100), crowd(f, 100)
	p.Linear = nil
	for _, bb := range []struct {
		name string
		draw func(d *Drawing)
	}{
		{"whole", func(d *Drawing) { d.Draw(func([]uint16) error { return nil }) }},
		{"region of 64x64", func(d *Drawing) { d.Part(nil, Region{600, 400, 664, 464}) }},
	} {
		b.Run(bb.name, func(b *testing.B) {
			for b.Loop() {
				im, err := blur.Expose(p, 2)
				if err != nil {
					b.Fatal(err)
				}
				d, err := im.Drawing(Exposure{Stars: stars, Sensor: Sensor{ElectronPerADU: 1, Offset: 50, ReadNoise: 3}, Length: 1, SkyElectronPerSPx: 8})
				if err != nil {
					b.Fatal(err)
				}
				bb.draw(d)
			}
		})
	}
}
