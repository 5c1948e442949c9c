package detector

import (
	"math"

	"holdfast/internal/unit"
)

// Constants of nature, in the units that fluxes are published in.
const (
	planckErgS   = 6.62607015e-27 // SI 2019, exact
	lightCmPerS  = 2.99792458e10  // SI 2019, exact
	boltzmannErg = 1.380649e-16   // per kelvin; SI 2019, exact
)

// The brightness of a star of V = 0 above the air, from two sources and in two
// forms. They agree on 1000 photons per second, cm^2 and angstrom to 1 %.
const (
	VZeroJansky1979 = 3640 // at 0.55 um. Source: M. S. Bessell 1979, PASP 91, 589
	VZeroJansky1998 = 3636 // at 0.545 um. Source: Bessell, Castelli & Plez 1998, A&A 333, 231
	// VZeroErgPerSCm2A is the flux per wavelength at 0.545 um.
	// Source: Bessell, Castelli & Plez 1998, A&A 333, 231.
	VZeroErgPerSCm2A = 363.1e-11
)

// PhotonsFromJansky returns the photons per second, cm^2 and angstrom of a flux
// per frequency, f/(h lambda). NaN unless the wavelength is positive.
//
// Source: energy of a photon.
func PhotonsFromJansky(jansky float64, wavelength unit.Micron) (photonPerSCm2A float64) {
	if bad(float64(wavelength)) {
		return math.NaN()
	}
	return jansky * 1e-23 / (planckErgS * float64(wavelength) * 1e4)
}

// PhotonsFromErg returns the photons per second, cm^2 and angstrom of a flux per
// wavelength, f lambda/(h c). NaN unless the wavelength is positive.
//
// Source: energy of a photon.
func PhotonsFromErg(ergPerSCm2A float64, wavelength unit.Micron) (photonPerSCm2A float64) {
	if bad(float64(wavelength)) {
		return math.NaN()
	}
	return ergPerSCm2A * float64(wavelength) * 1e-4 / (planckErgS * lightCmPerS)
}

// Curve is a response against wavelength, straight between evenly spaced points
// and zero outside them.
type Curve struct {
	start, step unit.Micron
	value       []float64
}

// At returns the response at a wavelength.
func (c Curve) At(wavelength unit.Micron) float64 {
	i := float64((wavelength - c.start) / c.step)
	if !(i >= 0 && i <= float64(len(c.value)-1)) {
		return 0
	}
	k := min(int(i), len(c.value)-2)
	f := i - float64(k)
	return c.value[k]*(1-f) + c.value[k+1]*f
}

// EquivalentWidth returns the width of a box of height 1 with the same area.
func (c Curve) EquivalentWidth() unit.Micron {
	sum := 0.0
	for i, v := range c.value {
		if i > 0 {
			sum += (v + c.value[i-1]) / 2
		}
	}
	return unit.Micron(sum) * c.step
}

// Mean returns the mean wavelength, weighted by the response (trapezoidal rule
// over the points).
func (c Curve) Mean() unit.Micron {
	at := func(i int) float64 { return c.value[i] * float64(c.start+c.step*unit.Micron(i)) }
	sum := 0.0
	for i := 1; i < len(c.value); i++ {
		sum += (at(i) + at(i-1)) / 2
	}
	return unit.Micron(sum) * c.step / c.EquivalentWidth()
}

// VBand is the response of the V band.
// Source: M. S. Bessell 1990, PASP 102, 1181.
var VBand = Curve{0.47, 0.01, []float64{0, .030, .163, .458, .780, .967, 1, .973, .898, .792, .684, .574, .461, .359, .270, .197, .135, .081, .045, .025, .017, .013, .009, 0}}

// BroadCMOS is the quantum efficiency assumed for an unfiltered silicon camera.
// Source: rounded from makers' curves, from memory; an assumption wherever the
// camera's own is not known.
var BroadCMOS = Curve{0.35, 0.05, []float64{.35, .60, .75, .80, .80, .74, .65, .55, .45, .35, .26, .18, .11, .05, 0}}

// BroadZeroPointElectronPerSCm2 is ZeroPoint of a star like the Sun in
// BroadCMOS, rounded: the default where nothing better is known.
const BroadZeroPointElectronPerSCm2 = 3.0e6

// SunlikeKelvin is the black-body temperature taken for an average guide star.
// Source: effective temperature of the Sun, 5772 K (IAU 2015 Resolution B3),
// rounded.
const SunlikeKelvin = 5770

// ZeroPoint returns the electrons per second and cm^2 that a star of V = 0,
// shining as a black body of the given temperature, makes in a detector with the
// given response, above the air and without optics. NaN unless the temperature
// is positive. Real spectra differ by some 5 %, and the response assumed by more.
//
// Source: Planck's law, its mean over VBand set to VZeroErgPerSCm2A; trapezoidal
// rule every 10 angstrom from 0.35 to 1.05 um.
func ZeroPoint(kelvin float64, response Curve) (electronPerSCm2 float64) {
	if bad(kelvin) {
		return math.NaN()
	}
	var body, vBody, vWidth float64
	const steps = 700
	for i := 0; i <= steps; i++ {
		w := 1.0
		if i == 0 || i == steps {
			w = 0.5
		}
		angstrom := 3500 + 10*float64(i)
		lambda := unit.Micron(angstrom * 1e-4)
		cm := angstrom * 1e-8
		b := math.Pow(cm/5e-5, -5) / math.Expm1(planckErgS*lightCmPerS/(cm*boltzmannErg*kelvin))
		v := VBand.At(lambda)
		vBody += w * b * v
		vWidth += w * v
		body += w * 10 * PhotonsFromErg(b, lambda) * response.At(lambda)
	}
	return VZeroErgPerSCm2A * body / (vBody / vWidth)
}
