package fitting

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

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
	airy          float64 // wavelength times focal ratio over the pixel, px
	sky, read     float64 // electrons a pixel
	depth         float64 // mean light of a star's disc a pixel, electrons
}

// stamp draws one star of unit light, its centre off the middle of n by n pixels
// by dx and dy: the transform of the transfer functions of air, telescope and pixel.
func (s scene) stamp(n int, dx, dy float64) []float64 {
	// A pixel stands for an arcsecond.
	aperture := unit.MM(0.55e-3 * unit.ArcsecPerRad / s.airy)
	round := []psf.Kernel{psf.Air(unit.Arcsec(s.fwhm)), psf.Airy(0.55, aperture, s.hole), psf.Defocus(unit.Arcsec(s.disc), 0.55, aperture, s.hole)}
	box := psf.Box(1, 0)
	of := func(fx, fy float64) float64 {
		otf := box.OTF(fx, fy)
		for _, k := range round {
			if otf *= k.OTF(fx, fy); math.Abs(otf) < 1e-9 {
				return 0
			}
		}
		return otf
	}
	fft := fourier.NewCmplxFFT(n)
	img := make([]complex128, n*n)
	for j := range n {
		for i := range n {
			// Pixels take what lies beyond their own frequencies too.
			fx, fy := fft.Freq(i), fft.Freq(j)
			sum := complex(0, 0)
			for a := -1.0; a <= 1; a++ {
				for b := -1.0; b <= 1; b++ {
					sum += cmplx.Rect(of(fx+a, fy+b), -2*math.Pi*((fx+a)*dx+(fy+b)*dy))
				}
			}
			img[j*n+i] = sum * cmplx.Rect(1, -2*math.Pi*(fx+fy)*float64(n/2))
		}
	}
	line := make([]complex128, n)
	for j := range n {
		fft.Sequence(img[j*n:j*n+n], img[j*n:j*n+n])
	}
	out := make([]float64, n*n)
	for i := range n {
		for j := range n {
			line[j] = img[j*n+i]
		}
		fft.Sequence(line, line)
		for j := range n {
			out[j*n+i] = real(line[j]) / float64(n*n)
		}
	}
	return out
}

// draw draws the scene. The stars' light spreads by a factor of ten; they may
// overlap.
func (s scene) draw(rng *rand.Rand) *frame.Frame {
	cell := cellOf(s.disc, s.fwhm)
	drawn := make([][]float64, 3)
	if cell > 200 {
		drawn = drawn[:1]
	}
	for i := range drawn {
		drawn[i] = s.stamp(cell, rng.Float64()-0.5, rng.Float64()-0.5)
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
// within 5 %, whatever their number and wherever they stand, if their discs show;
// they do from a wave on, and otherwise the error says so.
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
	pull, square, worst, near, n := 0.0, 0.0, 0.0, 0.0, 0.0
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
		// A star in focus is known as well as the seeing is: 3 ± 0.8 px.
		sharp := func(air unit.Arcsec) unit.Px {
			return unit.Px(psf.HalfFluxDiameter(psf.Air(air), psf.Airy(0.55, unit.MM(0.55e-3*unit.ArcsecPerRad/s.airy), c.hole), psf.Box(1, 0)))
		}
		l := Light{FNumber: c.fNumber, Obstruction: c.hole, Pixel: pixel, Pitch: 0.75, Sharp: sharp(3), SharpSE: sharp(3.8) - sharp(3)}
		f := FindFocus([]Sample{shot.Sample(l)}, l)
		want := c.disc * pixel / 1000 * c.fNumber
		if math.Abs(float64(f.Turns)-want/0.75) > 4*f.TurnsSigma {
			t.Errorf("%+v: %.3f ± %.3f turns, by %s; want %.3f", c, f.Turns, f.TurnsSigma, f.By, want/0.75)
		}
		pull += sq((float64(f.Defocus) - want) / float64(f.DefocusSigma))
		n++
		// Within a wave of focus a disc may look like a star in softer air.
		if waves := c.disc / (8 * s.airy); f.By != byDisc && waves < 1 {
			near++
			continue
		}
		if off := float64(f.Defocus)/want - 1; !(math.Abs(off) < 0.05) || f.Verdict != OutOfFocus || f.By != byDisc {
			t.Errorf("%+v: %.4f ± %.4f mm, %+.1f %%, by %s, %s; want %.4f mm within 5 %%, as drawn (%s)", c, float64(f.Defocus), float64(f.DefocusSigma), 100*off, f.By, f.Verdict, want, f.Why)
		}
		square += sq(float64(f.Defocus)/want - 1)
		worst = max(worst, math.Abs(float64(f.Defocus)/want-1))
	}
	t.Logf("%.0f of %.0f frames by their discs: off by %.2f %% rms, %.2f %% at most", n-near, n, 100*math.Sqrt(square/(n-near)), 100*worst)
	if near > n/40 {
		t.Errorf("%.0f of %.0f frames show no disc", near, n)
	}
	if rms := math.Sqrt(pull / n); !(rms < 1.2) {
		t.Errorf("pulls have an rms of %.2f over %.0f frames", rms, n)
	}
}
