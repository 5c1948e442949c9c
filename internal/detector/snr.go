package detector

import (
	"math"

	"holdfast/internal/unit"
)

// Count is what an aperture around a star holds after one exposure.
type Count struct {
	Star               unit.Electron // of the star, in all of its pixels
	Pixels             float64       // in the aperture
	Sky, Dark          unit.Electron // per pixel
	ReadNoise          unit.Electron // rms per pixel
	GainElectronPerADU float64       // 0 leaves the rounding to whole ADU out
	SkyPixels          float64       // that the background was measured in; 0 means it is known exactly
}

// SNR returns the star's electrons over their standard error. NaN if anything is
// negative or there are no pixels.
//
// Source: W. J. Merline & S. B. Howell 1995, Experimental Astronomy 6, 163.
func (c Count) SNR() float64 {
	if negative(float64(c.Star), float64(c.Sky), float64(c.Dark), float64(c.ReadNoise), c.GainElectronPerADU, c.SkyPixels) || bad(c.Pixels) {
		return math.NaN()
	}
	worse := 1.0
	if c.SkyPixels > 0 {
		worse += c.Pixels / c.SkyPixels
	}
	r, q := float64(c.ReadNoise), float64(Quantisation(c.GainElectronPerADU))
	perPixel := float64(c.Sky) + float64(c.Dark) + r*r + q*q
	noise := math.Sqrt(float64(c.Star) + c.Pixels*worse*perPixel)
	if noise == 0 {
		return 0 // no star, no noise
	}
	return float64(c.Star) / noise
}

// Quantisation returns the rms error of rounding a pixel to whole ADU, the gain
// over sqrt 12.
//
// Source: standard deviation of an even spread one step wide.
func Quantisation(gainElectronPerADU float64) unit.Electron {
	return unit.Electron(gainElectronPerADU / math.Sqrt(12))
}

// Well is how much a pixel and its converter can hold.
type Well struct {
	FullWell           unit.Electron
	GainElectronPerADU float64
	Offset             unit.ADU // that the camera adds
	Bits               float64  // of the converter
}

// Ceiling returns the electrons at which a pixel stops rising: the full well or
// the top of the converter, whichever comes first. NaN if full well, gain or
// bits is not positive, or the offset negative.
func (w Well) Ceiling() unit.Electron {
	if bad(float64(w.FullWell), w.GainElectronPerADU, w.Bits) || negative(float64(w.Offset)) {
		return unit.Electron(math.NaN())
	}
	top := (math.Exp2(w.Bits) - 1 - float64(w.Offset)) * w.GainElectronPerADU
	return unit.Electron(min(float64(w.FullWell), top))
}

// Fill returns how full the star's brightest pixel is, 1 being saturated, for a
// star that puts the given fraction of its light into that pixel on top of a
// background. NaN as for Ceiling or if anything is negative.
func (w Well) Fill(star unit.Electron, peak float64, background unit.Electron) float64 {
	if negative(float64(star), peak, float64(background)) {
		return math.NaN()
	}
	return (float64(star)*peak + float64(background)) / float64(w.Ceiling())
}

// PeakFraction returns the fraction of a Gaussian star's light that falls into
// the pixel it is centred on, when it sits dx, dy from that pixel's centre. At
// 0, 0 it is the most that any pixel can get. NaN if fwhm is not positive.
//
// Source: integral of the Gaussian over the pixel.
func PeakFraction(fwhm, dx, dy unit.Px) float64 {
	if bad(float64(fwhm)) {
		return math.NaN()
	}
	s := float64(fwhm) / fwhmPerSigma
	return inPixel(0, float64(dx), s) * inPixel(0, float64(dy), s)
}

// inPixel returns the share of a Gaussian at x0 that falls into the pixel at i.
func inPixel(i, x0, sigma float64) float64 {
	a, b := (i-0.5-x0)/sigma/math.Sqrt2, (i+0.5-x0)/sigma/math.Sqrt2
	if a > 0 { // the far tail: a difference of small numbers, not of two ones
		return (math.Erfc(a) - math.Erfc(b)) / 2
	}
	if b < 0 {
		return (math.Erfc(-b) - math.Erfc(-a)) / 2
	}
	return (math.Erf(b) - math.Erf(a)) / 2
}
