package star

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/detector"
	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// drawn is a star of a drawn frame.
type drawn struct{ x, y, flux float64 }

// field draws n stars of a profile on a grid with random places within their
// cells, over a flat sky with Poisson and read noise, one electron an ADU.
func field(r *rand.Rand, side, cell int, flux, sky, readNoise float64, kernels ...psf.Kernel) ([]uint16, []drawn) {
	img := make([]float64, side*side)
	for i := range img {
		img[i] = sky
	}
	// Twenty places are enough, and a drawing takes its time.
	var stamps []stampOf
	for range min(20, (side/cell)*(side/cell)) {
		x, y := float64(cell)/2+4*(r.Float64()-0.5), float64(cell)/2+4*(r.Float64()-0.5)
		stamps = append(stamps, stampOf{x: x, y: y, light: psf.Image(nil, cell, cell, unit.Px(x), unit.Px(y), 1, 0, kernels...)})
	}
	var truth []drawn
	for cy := 0; cy+cell <= side; cy += cell {
		for cx := 0; cx+cell <= side; cx += cell {
			one := &stamps[len(truth)%len(stamps)]
			for j := range cell {
				for i := range cell {
					img[(cy+j)*side+cx+i] += flux * one.light[j*cell+i]
				}
			}
			truth = append(truth, drawn{float64(cx) + one.x, float64(cy) + one.y, flux})
		}
	}
	out := make([]uint16, len(img))
	for i, v := range img {
		n := v + math.Sqrt(v+readNoise*readNoise)*r.NormFloat64()
		out[i] = uint16(math.Round(math.Min(math.Max(n, 0), 65535)))
	}
	return out, truth
}

// nearest returns the measured star nearest to a place, within two pixels.
func nearest(stars []Star, d drawn) (Star, bool) {
	var best Star
	far := 2.0
	for _, s := range stars {
		if h := math.Hypot(float64(s.X)-d.x, float64(s.Y)-d.y); h < far {
			far, best = h, s
		}
	}
	return best, far < 2
}

// gauss returns a Gaussian of the given FWHM and ellipticity, pixel included,
// at a position angle.
func gauss(fwhm, ellipticity float64, pa unit.Deg) []psf.Kernel {
	q := math.Sqrt(1 - ellipticity)
	a, b := fwhm/q/2.3548200450309493, fwhm*q/2.3548200450309493
	c := psf.Along(unit.Arcsec(a), pa).Plus(psf.Along(unit.Arcsec(b), pa+90))
	return []psf.Kernel{psf.Gaussian(c), psf.Box(1, 0)}
}

// TestWidths draws stars and wants their widths, shapes and places back:
// FWHM within 1 %, ellipticity within 0.01 (of frames whose stars have an SNR
// of 50 and more), the centroid within 1.05 of the Cramér-Rao bound for
// Gaussians and 1.15 for stars through air, and honest standard errors.
func TestWidths(t *testing.T) {
	side := 1024
	if testing.Short() {
		side = 640
	}
	for _, tt := range []struct {
		name    string
		kernels []psf.Kernel
		fwhm    unit.Px // of the light before the pixel, for the bound
		bound   float64
	}{
		{"FWHM 2, round", gauss(2, 0, 0), 2, 1.05},
		{"FWHM 3, round", gauss(3, 0, 0), 3, 1.05},
		{"FWHM 5, round", gauss(5, 0, 0), 5, 1.05},
		{"FWHM 8, round", gauss(8, 0, 0), 8, 0},
		{"FWHM 3, 0.2 at 30", gauss(3, 0.2, 30), 3, 0},
		{"FWHM 4, 0.5 at 120", gauss(4, 0.5, 120), 4, 0},
		{"air 3", []psf.Kernel{psf.Air(3), psf.Box(1, 0)}, 3, 1.15},
		{"air 4 with a trail of 3", []psf.Kernel{psf.Air(4), psf.Trail(3, 75), psf.Box(1, 0)}, 4, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(11, uint64(len(tt.name))))
			const flux, sky, read = 20000.0, 300.0, 4.0
			cell := 64
			if tt.fwhm >= 4 || tt.bound > 1.1 {
				cell = 128 // no sky is left between wide stars in small cells
				if testing.Short() && tt.fwhm != 5 {
					t.Skip("1 shape that takes its time to draw")
				}
			}
			pixels, truth := field(r, side, cell, flux, sky, read, tt.kernels...)
			got, err := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
			if err != nil || got.Error != "" {
				t.Fatal(err, got.Error)
			}
			want := psf.Star(tt.kernels...)
			const src = "package psf's definition, drawn by psf.Image"
			testkit.NearRel(t, float64(got.FWHM), float64(want.FWHM()), 0.01, src)
			testkit.Near(t, got.Ellipticity, want.Ellipticity(), 0.01, src)
			noise := math.Sqrt(sky + read*read)
			testkit.Near(t, float64(got.Background), sky, 0.1*noise, "what was drawn")
			testkit.NearRel(t, float64(got.Noise), noise, 0.04, "Poisson and read noise")
			if want.Ellipticity() > 0.05 {
				// Drawn with +y at position angle 0 and +x at 270: from +x towards +y.
				angle := math.Mod(float64(want.PA)+90, 180)
				d := math.Abs(math.Remainder(float64(got.Angle)-angle, 180))
				testkit.Near(t, d, 0, 2, "what was drawn")
			}
			found := 0
			var sumX, pullX, pullXX float64
			for _, d := range truth {
				s, ok := nearest(got.Stars, d)
				if !ok {
					continue
				}
				found++
				dx := float64(s.X) - d.x
				sumX += dx * dx
				p := dx / float64(s.XSigma)
				pullX += p
				pullXX += p * p
			}
			n := float64(found)
			if found < len(truth) || len(got.Stars) > len(truth) {
				t.Errorf("%d of %d stars found, %d in all", found, len(truth), len(got.Stars))
			}
			mean := pullX / n
			spread := math.Sqrt(pullXX/n - mean*mean)
			if math.Abs(mean) > 3/math.Sqrt(n) || math.Abs(spread-1) > 3/math.Sqrt(2*n) {
				t.Errorf("pulls of x have mean %.2f and spread %.2f, want 0 and 1 (within the scatter of %d stars)", mean, spread, found)
			}
			if tt.bound > 0 {
				limit := float64(detector.Spot{Star: flux, FWHM: tt.fwhm, Background: sky, ReadNoise: read}.CramerRaoMean())
				// The rms of n stars scatters by 1/sqrt(2n).
				if rms := math.Sqrt(sumX / n); rms > tt.bound*limit*(1+2.5/math.Sqrt(2*n)) {
					t.Errorf("centroids are off by %.4f px rms, %.3f of the bound", rms, rms/limit)
				}
			}
		})
	}
}

// TestNothingThere: noise, a bias and a flat frame hold no stars, and say so.
func TestNothingThere(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	const side = 512
	noise := make([]uint16, side*side)
	for i := range noise {
		noise[i] = uint16(1000 + 12*r.NormFloat64())
	}
	got, err := Measure(frame.FromPixels(side, side, noise), Options{})
	if err != nil || got.StarsFound != 0 || got.Error == "" {
		t.Errorf("noise: %d stars, %q, %v", got.StarsFound, got.Error, err)
	}
	got, err = Measure(frame.FromPixels(side, side, make([]uint16, side*side)), Options{})
	if err != nil || got.StarsFound != 0 || got.Error == "" {
		t.Errorf("all zero: %d stars, %q, %v", got.StarsFound, got.Error, err)
	}
	hot := append([]uint16(nil), noise...)
	for range 200 {
		hot[r.IntN(len(hot))] = 30000
	}
	got, err = Measure(frame.FromPixels(side, side, hot), Options{})
	if err != nil || got.StarsFound > 2 {
		t.Errorf("200 hot pixels: %d stars, %q, %v", got.StarsFound, got.Error, err)
	}
}

// TestHotPixelsAmongStars: hot pixels are told from stars.
func TestHotPixelsAmongStars(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	const side = 1024
	pixels, truth := field(r, side, 64, 20000, 300, 4, gauss(3, 0, 0)...)
	for range 300 {
		pixels[r.IntN(len(pixels))] = uint16(2000 + r.IntN(20000))
	}
	got, err := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
	if err != nil {
		t.Fatal(err)
	}
	false1 := 0
	for _, s := range got.Stars {
		ok := false
		for _, d := range truth {
			ok = ok || math.Hypot(float64(s.X)-d.x, float64(s.Y)-d.y) < 3
		}
		if !ok {
			false1++
		}
	}
	if false1 > 3 {
		t.Errorf("%d of 300 hot pixels are taken for stars", false1)
	}
	testkit.NearRel(t, float64(got.FWHM), float64(psf.Star(gauss(3, 0, 0)...).FWHM()), 0.01, "what was drawn")
}

// TestWorkersAgree: the answer does not depend on how the work is shared.
func TestWorkersAgree(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	pixels, _ := field(r, 768, 48, 8000, 200, 3, gauss(2.6, 0.1, 10)...)
	f := frame.FromPixels(768, 768, pixels)
	a, errA := Measure(f, Options{Workers: 1})
	b, errB := Measure(f, Options{Workers: 5})
	if errA != nil || errB != nil || len(a.Stars) != len(b.Stars) {
		t.Fatalf("%d and %d stars, %v, %v", len(a.Stars), len(b.Stars), errA, errB)
	}
	for i := range a.Stars {
		if a.Stars[i].X != b.Stars[i].X || a.Stars[i].Flux != b.Stars[i].Flux {
			t.Errorf("star %d differs", i)
		}
	}
}

// real measures a real frame.
func real(t *testing.T, name string) Frame {
	t.Helper()
	path := filepath.Join(testkit.Frames(t), filepath.FromSlash(name))
	r, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	st, err := r.Stat()
	if err != nil {
		t.Fatal(err)
	}
	file, err := fits.Open(name, r, st.Size())
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
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// TestRealFrames: what is known of real frames comes out.
func TestRealFrames(t *testing.T) {
	const src = "measured with reference libraries"
	// A focuser run of a 14-inch whose stars are rings with a dark middle.
	donuts := real(t, "focus_14inch/run112/p00.fits")
	if donuts.Flags&Defocused == 0 || donuts.HFD < 14 || donuts.HFD > 19 {
		t.Errorf("the donuts: HFD %v, flags %v; want 15 to 18 px, defocused (%s)", donuts.HFD, donuts.Flags, src)
	}
	// Soft stars, and a trailed unguided field.
	if f := real(t, "drift_6inch/f000.fits"); f.StarsFound < 100 || f.Flags&Trailed == 0 {
		t.Errorf("the drifting field: %d stars, flags %v", f.StarsFound, f.Flags)
	}
	if f := real(t, "night_14inch/n00.fits"); f.StarsFound < 50 || !(f.FWHM > 2 && f.FWHM < 6) {
		t.Errorf("the 14-inch field: %d stars, FWHM %v", f.StarsFound, f.FWHM)
	}
	// What must be declined, with a reason: a bias, a dark, cloud over a fisheye,
	// and frames with hardly a star.
	barren := []string{"refuse/bias.fits", "refuse/dark.fits", "focus_14inch/run116/p00.fits", "focus_14inch/run116/p01.fits"}
	if !testing.Short() {
		barren = append(barren, "refuse/allsky_1.fits.bz2", "refuse/allsky_2.fits.bz2")
	}
	for _, name := range barren {
		if f := real(t, name); f.StarsFound > 0 || f.Error == "" {
			t.Errorf("%s: %d stars, %q", name, f.StarsFound, f.Error)
		}
	}
	// A slit in the field, dust, glowing edges and three stars.
	slit := real(t, "finder/slit.fits")
	for _, d := range []drawn{{x: 307, y: 92}, {x: 523, y: 531}, {x: 339, y: 540}} {
		if s, ok := nearest(slit.Stars, d); !ok || !(s.Major > 4 && s.Major < 12) || s.Flags&(Edge|Unfitted|Extended) != 0 {
			t.Errorf("the star beside the slit at %v, %v: %v", d.x, d.y, s)
		}
	}
	if slit.StarsFound > 15 {
		t.Errorf("%d stars in the field with the slit", slit.StarsFound)
	}
	// A run of rings that grow by about 0.005 px a step of the focuser.
	first, last := real(t, "focus_14inch/run117/p00.fits"), real(t, "focus_14inch/run117/p05.fits")
	if d := last.HFD - first.HFD; d < 1.5 || d > 4 {
		t.Errorf("the rings grow by %.2f px through the run", float64(d))
	}
}

// TestFull: stars that fill their pixels are found, placed, flagged, and kept
// out of the summary; alone on a frame they are measured by their flanks.
func TestFull(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	k := gauss(4, 0.1, 60)
	for _, flux := range []float64{3e6, 3e7, 1e8} {
		img, truth := field(r, 128, 128, flux, 500, 5, k...)
		// A converter of 14 bits.
		for i, v := range img {
			img[i] = min(v, 16383)
		}
		got, err := Measure(frame.FromPixels(128, 128, img), Options{GainElectronPerADU: 1})
		if err != nil || got.StarsFound == 0 {
			t.Errorf("a full star of %v alone: %d stars, %q, %v", flux, got.StarsFound, got.Error, err)
			continue
		}
		if got.Ceiling != 16383 || got.Stars[0].Flags&Saturated == 0 || got.StarsFound != 1 {
			t.Errorf("a full star of %v: ceiling %v, %d stars, flags %v", flux, got.Ceiling, got.StarsFound, got.Stars[0].Flags)
		}
		const src = "what was drawn; the flanks alone"
		s := got.Stars[0]
		testkit.Near(t, float64(s.X), truth[0].x, 0.05, src)
		testkit.Near(t, float64(s.Y), truth[0].y, 0.05, src)
		testkit.NearRel(t, math.Sqrt(float64(s.Major)*float64(s.Minor)), float64(psf.Star(k...).FWHM()), 0.05, src)
		testkit.NearRel(t, float64(s.Flux), flux, 0.1, src)
	}
}

// TestFlagNames: every flag has a name of its own.
func TestFlagNames(t *testing.T) {
	all := Flags(1<<len(flagNames) - 1)
	names := all.Names()
	seen := map[string]bool{}
	for _, n := range names {
		if seen[n] || n == "" || strings.ContainsAny(n, " -") {
			t.Errorf("flag name %q", n)
		}
		seen[n] = true
	}
	if HotPixels != 1<<(len(flagNames)-1) {
		t.Errorf("%d names, the last flag is %b", len(flagNames), HotPixels)
	}
}

func BenchmarkMeasure_1024x1024_256stars(b *testing.B) {
	pixels, _ := field(rand.New(rand.NewPCG(1, 1)), 1024, 64, 20000, 300, 4, gauss(3, 0, 0)...)
	f := frame.FromPixels(1024, 1024, pixels)
	for b.Loop() {
		if _, err := Measure(f, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
