package star

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
)

// TestSharedTail: stars none of which tells its exponent tell it together, and
// with it their width. A hundred of a ratio of signal to noise of 50 know the
// exponent of the bright ones to 0.007; the middle of the brightest 32 knows it to
// twice as much, and the width then to 0.7 % instead of 0.5 %.
func TestSharedTail(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 41))
	s := shape{kind: "moffat", fwhm: 3.5, ellipticity: 0.2, beta: 3.5, angle: 30}
	const cell, side, sky, read = 128, 1280, 400.0, 4.0
	stamps := s.stamps(12, cell, r)
	draw := func(ratio float64) Frame {
		square := 0.0
		for _, v := range stamps[0].light {
			square += v * v
		}
		flux := ratio * math.Sqrt((sky+read*read)/square)
		light := make([]float64, side*side)
		for k := range (side / cell) * (side / cell) {
			one := &stamps[r.IntN(len(stamps))]
			x0, y0 := k%(side/cell)*cell, k/(side/cell)*cell
			for j := range cell {
				for i := range cell {
					light[(y0+j)*side+x0+i] += flux * one.light[j*cell+i]
				}
			}
		}
		pixels := make([]uint16, len(light))
		for i, v := range light {
			pixels[i] = uint16(math.Round(sky + v + math.Sqrt(sky+v+read*read)*r.NormFloat64()))
		}
		got, err := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
		if err != nil || got.StarsFound != 100 {
			t.Fatalf("%d stars, %v %v: want 100", got.StarsFound, got.Error, err)
		}
		return got
	}
	bright := draw(600)
	var tails, widths, pulls sum
	for range 20 {
		got := draw(60)
		off := float64(got.FWHM / bright.FWHM)
		widths.add((off - 1) * (off - 1))
		tails.add(math.Pow(got.Tail-bright.Tail, 2))
		pulls.add(math.Pow(float64((got.FWHM-bright.FWHM)/got.FWHMSigma), 2))
	}
	t.Logf("exponents off by %.4f rms, widths by %.2f %%, %.2f of what is claimed", tails.rms(), 100*widths.rms(), pulls.rms())
	if tails.rms() > 0.01 {
		t.Errorf("exponents are off by %.4f rms, want 0.01", tails.rms())
	}
	if widths.rms() > 0.0055 || pulls.rms() > 1.5 {
		t.Errorf("widths are off by %.2f %% rms, %.2f of what is claimed: want 0.55, 1.5", 100*widths.rms(), pulls.rms())
	}
}
