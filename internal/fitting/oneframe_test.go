package fitting

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// scene is a frame to be drawn: stars out of focus at random places.
type scene struct {
	width, height int
	stars         int
	disc, hole    float64 // px
	fwhm          float64 // of the air, px
	airy          float64 // lambda N over the pixel: the telescope's own spread, px
	sky, read     float64 // electrons a pixel
	depth         float64 // mean light of a star's disc a pixel, electrons
}

// draw draws the scene through the transfer functions, one pixel an arcsecond.
// The stars' light spreads by a factor of ten; they may overlap.
func (s scene) draw(rng *rand.Rand) *frame.Frame {
	cell := cellOf(s.disc, s.fwhm)
	kernels := []psf.Kernel{psf.Air(unit.Arcsec(s.fwhm)), psf.Disc(unit.Arcsec(s.disc), s.hole), psf.Box(1, 0)}
	if s.airy > 0 {
		// An aperture whose lambda/D is the given number of pixels.
		kernels = append(kernels, psf.Airy(0.55, unit.MM(0.55e-3*unit.ArcsecPerRad/s.airy), s.hole))
	}
	drawn := make([][]float64, 3)
	if cell > 200 {
		drawn = drawn[:1]
	}
	for i := range drawn {
		drawn[i] = psf.Image(nil, cell, cell, unit.Px(float64(cell/2)+rng.Float64()-0.5), unit.Px(float64(cell/2)+rng.Float64()-0.5), 1, 0, kernels...)
	}
	img := make([]float64, s.width*s.height)
	area := math.Pi / 4 * (s.disc*s.disc*(1-s.hole*s.hole) + 2*s.fwhm*s.fwhm)
	edge := s.disc/2 + 2*s.fwhm + 4
	for k := range s.stars {
		flux := s.depth * area * math.Pow(10, -rng.Float64())
		if k == 0 {
			flux = s.depth * area
		}
		x := int(edge + (float64(s.width)-2*edge)*rng.Float64())
		y := int(edge + (float64(s.height)-2*edge)*rng.Float64())
		stamp := drawn[rng.IntN(len(drawn))]
		for j := range cell {
			for i := range cell {
				if px, py := x+i-cell/2, y+j-cell/2; px >= 0 && py >= 0 && px < s.width && py < s.height {
					img[py*s.width+px] += flux * stamp[j*cell+i]
				}
			}
		}
	}
	out := make([]uint16, len(img))
	for i, v := range img {
		v += s.sky
		v += math.Sqrt(max(v, 0)+s.read*s.read) * rng.NormFloat64()
		out[i] = uint16(math.Round(max(0, min(65535, v+100))))
	}
	return frame.FromPixels(s.width, s.height, out)
}

// TestOneRendered: the distance from one frame of stars out of focus is right
// within 5 %, whatever their number and wherever they stand.
func TestOneRendered(t *testing.T) {
	type field struct {
		disc, hole, fwhm, fNumber float64
		stars                     int
	}
	fields := []field{{8, 0.4, 2.2, 5, 12}, {14, 0, 3, 3.2, 1}, {30, 0.3, 3, 10, 30}, {80, 0, 3, 7, 1}, {200, 0.2, 2.5, 4, 30}}
	if !testing.Short() {
		fields = nil
		for i, disc := range []float64{8, 11, 16, 24, 40, 64, 100, 140, 200} {
			for j, hole := range []float64{0, 0.2, 0.3, 0.4} {
				for k, stars := range []int{1, 4, 12, 30} {
					fwhm := min([]float64{2, 2.6, 3.3, 4}[(i+j+k)%4], disc/3)
					fields = append(fields, field{disc, hole, fwhm, []float64{3, 4, 5, 7, 9, 11}[(i+2*j+k)%6], stars})
				}
			}
		}
	}
	const pixel = 3.75
	pull, n := 0.0, 0.0
	for _, c := range fields {
		rng := rand.New(rand.NewPCG(uint64(c.disc*10+c.hole*100), uint64(c.stars)))
		s := scene{width: 1280, height: 960, stars: c.stars, disc: c.disc, hole: c.hole, fwhm: c.fwhm, airy: 0.55 * c.fNumber / pixel, sky: 100, read: 5, depth: 60}
		if c.disc < 20 {
			s.depth = 250
		}
		shot, err := Examine(s.draw(rng), star.Options{GainElectronPerADU: 1})
		if err != nil {
			t.Fatal(err)
		}
		f := FindFocus([]Sample{shot.Sample(c.hole)}, Light{FNumber: c.fNumber, Obstruction: c.hole, Pixel: pixel, Pitch: 0.75})
		want := c.disc * pixel / 1000 * c.fNumber
		if off := float64(f.Defocus)/want - 1; !(math.Abs(off) < 0.05) || f.Verdict != OutOfFocus {
			t.Errorf("%+v: %.4f ± %.4f mm, %+.1f %%, by %s, %s; want %.4f mm within 5 %%, as drawn (%s)", c, float64(f.Defocus), float64(f.DefocusSigma), 100*off, f.By, f.Verdict, want, f.Why)
		}
		if f.By != byDisc || math.Abs(float64(f.Turns)-want/0.75) > 4*f.TurnsSigma {
			t.Errorf("%+v: %.3f ± %.3f turns, by %s; want %.3f", c, f.Turns, f.TurnsSigma, f.By, want/0.75)
		}
		pull += sq((float64(f.Defocus) - want) / float64(f.DefocusSigma))
		n++
	}
	if rms := math.Sqrt(pull / n); !(rms < 1.2) {
		t.Errorf("pulls have an rms of %.2f over %.0f frames", rms, n)
	}
}
