package air

import (
	"math"

	"holdfast/internal/unit"
)

// Coefficients K of one-axis image motion in Kolmogorov turbulence: the
// variance is K lambda^2 r0^(-5/3) D^(-1/3), in square radians.
//
// Source: half of the 0.340 and 0.364 of Tokovinin (2002). Sarazin and Roddier
// (1990, Astron. Astrophys. 227, 294) print 0.179 for both.
const (
	GTilt = 0.170 // of the centroid; everything in this package
	ZTilt = 0.182 // of the wavefront's best-fitting plane
)

// phasePower is the coefficient of the spectrum of phase, in r0^(-5/3)
// f^(-11/3) with f in cycles per metre: Gamma(11/6)^2/(2 pi^(11/3))
// (24/5 Gamma(6/5))^(5/6) = 0.022896.
//
// Source: Noll (1976, J. Opt. Soc. Am. 66, 207) prints 0.023.
var phasePower = math.Pow(math.Gamma(11./6), 2) / (2 * math.Pow(math.Pi, 11./3)) *
	math.Pow(24./5*math.Gamma(6./5), 5./6)

// Axis is a direction of image motion relative to the wind that carries the
// air across the aperture.
type Axis int

// The axes.
const (
	MeanAxis Axis = iota // the mean of the two variances; for a wind of unknown direction
	Along                // along the wind
	Across               // across the wind
)

// radialEnd is where integrals over spatial frequency stop, in units of 1/D;
// 1e-5 of the variance of motion lies beyond.
const radialEnd = 12

// motionPower returns one-axis variance in units of lambda^2 r0^(-5/3)
// D^(-1/3) for q = D/L0, with each spatial frequency x (in 1/D) weighted by w,
// which is 1/2 at x = 0 and varies on the scale 1/reach.
func motionPower(q, reach float64, w func(x float64) float64) float64 {
	first := 0.1 / math.Max(reach, 1)
	if q > 0 {
		first = math.Min(first, q/2)
	}
	return overScales(func(x float64) float64 {
		h := jinc(math.Pi * x)
		return 2 * math.Pi * phasePower * x * x * x * math.Pow(x*x+q*q, -11./6) * h * h * w(x)
	}, first, math.Inf(1), radialEnd)
}

// averagingFilter returns the weight of spatial frequency with z = 2 pi f V T
// in the variance of motion averaged over an exposure; 1/2 at z = 0.
//
// Derived by averaging sinc^2(f V T cos theta) times cos^2 theta (along) or
// sin^2 theta (across) over direction theta.
func averagingFilter(z float64, axis Axis) float64 {
	if z < 0.02 {
		along, across := 0.5-z*z/32, 0.5-z*z/96
		switch axis {
		case Along:
			return along
		case Across:
			return across
		}
		return (along + across) / 2
	}
	j0 := math.J0(z)
	along := 2 / (z * z) * (1 - j0)
	if axis == Along {
		return along
	}
	both := 2 / z * (besselIntegral(z) - math.J1(z))
	if axis == Across {
		return both - along
	}
	return both / 2
}

// motionScale returns lambda^2 r0^(-5/3) D^(-1/3) in square arcseconds, which
// does not depend on wavelength.
func motionScale(aperture unit.Metre, t Turbulence) float64 {
	if !(aperture > 0) || !(t.Outer > 0) {
		return math.NaN()
	}
	lambda := float64(unit.Rad(float64(Reference) * 1e-6).Arcsec())
	return lambda * lambda * math.Pow(t.fried(Reference), -5./3) * math.Pow(float64(aperture), -1./3)
}

// ImageMotion returns the rms motion of a star along one axis in exposures too
// short to blur it. Both axes move alike. NaN if a length is not positive.
// Within 0.1 % of the integral it stands for.
//
// Source: integral of the von Karman spectrum of phase with the gradient
// filter of a round pupil; Tokovinin (2002).
func ImageMotion(aperture unit.Metre, t Turbulence) unit.Arcsec {
	k := motionPower(float64(aperture/t.Outer), 1, func(float64) float64 { return 0.5 })
	return unit.Arcsec(math.Sqrt(k * motionScale(aperture, t)))
}

// AveragedMotion returns the rms, from one exposure to the next, of a star's
// mean position along one axis in exposures of the given length, when the wind
// carries the air across the aperture. NaN if a length is not positive, the
// wind or the exposure negative. It falls only as exposure^(-1/6) until wind
// times exposure exceeds the outer scale. Within 0.1 % of the integral it
// stands for.
//
// Source: Martin (1987, Publ. Astron. Soc. Pacific 99, 1360); filters derived
// above.
func AveragedMotion(aperture unit.Metre, t Turbulence, wind unit.MPS, exposure unit.Second, axis Axis) unit.Arcsec {
	reach := float64(wind) * float64(exposure) / float64(aperture)
	if !(wind >= 0) || !(exposure >= 0) {
		return unit.Arcsec(math.NaN())
	}
	k := motionPower(float64(aperture/t.Outer), reach, func(x float64) float64 {
		return averagingFilter(2*math.Pi*x*reach, axis)
	})
	return unit.Arcsec(math.Sqrt(k * motionScale(aperture, t)))
}
