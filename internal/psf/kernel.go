package psf

import (
	"math"

	"holdfast/internal/unit"
)

// Kernel is the profile of one cause that spreads a star. The zero Kernel, and
// any kernel whose size is zero, spreads nothing. A kernel of a size that is
// negative, infinite or not a number has NaN for its transfer function and its
// covariance, and so has every star it is part of.
type Kernel struct {
	kind        kind
	size        float64    // arcsec: FWHM, lambda/D, side, length, diameter, amplitude
	waves       *waveTable // of a defocus
	hole        float64    // ratio of inner to outer diameter of an annulus
	east, north float64    // direction of a trail, a sinusoid, a pixel's side
	cov         Cov        // its Gaussian equivalent
	moved, end  float64    // of a short exposure: variance of the motion left out, arcsec^2; where the OTF ends, cycles per arcsec
}

type kind uint8

const (
	point kind = iota
	gaussian
	air
	airy
	box
	trail
	disc
	defocus
	sine
	short
)

// Gaussian returns the Gaussian of the given covariance: jitter, correction
// noise, optical blur, anything known by its moment alone. A covariance may be
// negative along an axis, which takes width away; it must then be
// outweighed by the other kernels of the star.
//
// OTF exp(-2 pi^2 f'C f).
func Gaussian(c Cov) Kernel {
	if (c == Cov{}) {
		return Kernel{}
	}
	return Kernel{kind: gaussian, cov: c}
}

// airDecay makes exp(-airDecay (f w)^(5/3)) the transfer function of air whose
// profile has the FWHM w. Computed with mpmath: the profile of exp(-f^(5/3))
// has the FWHM 0.464843939017636, whose power 5/3 is the divisor.
const airDecay = 1 / 0.27894074369641639

// Air returns the long exposure through Kolmogorov turbulence of the given
// FWHM, as seen by a telescope much larger than r0; diffraction is the Airy
// kernel's. A finite outer scale is not included: it lowers the FWHM and
// hardly changes the profile.
//
// OTF exp(-3.44 (lambda f / r0)^(5/3)), with FWHM = 0.976 lambda/r0.
//
// Source: Fried 1966, J. Opt. Soc. Am. 56, 1372, "Optical resolution through a
// randomly inhomogeneous medium".
func Air(fwhm unit.Arcsec) Kernel {
	return round(air, fwhm, 0, square(fwhm)/(fwhmPerSigma*fwhmPerSigma))
}

// Airy returns the diffraction pattern of a circular aperture with a central
// obstruction (the ratio of the diameters, 0 to below 1; beyond, NaN), in one
// colour and without aberration.
//
// OTF: the autocorrelation of the annulus, in closed form. The true second
// moment is infinite; Cov is that of the Gaussian of the same peak that fits
// the core inside the first dark ring best, each area alike: 0.4206 lambda/D
// one-sigma for a clear aperture, by a polynomial good to 0.06 % up to an
// obstruction of 0.8.
//
// Source: O'Neill 1956, J. Opt. Soc. Am. 46, 285, "Transfer function for an
// annular aperture"; polynomial fitted to values computed with scipy.
func Airy(wavelength unit.Micron, aperture unit.MM, obstruction float64) Kernel {
	lambdaOverD := unit.Rad(float64(wavelength.MM()) / float64(aperture)).Arcsec()
	if !(aperture > 0) || !(obstruction >= 0 && obstruction < 1) {
		lambdaOverD = unit.Arcsec(math.NaN())
	}
	e2 := obstruction * obstruction
	sigma := 0.42044694 + e2*(-0.25718291+e2*(0.22951678-e2*0.11722347))
	return round(airy, lambdaOverD, obstruction, sigma*sigma*square(lambdaOverD))
}

// Box returns a square pixel whose sides run along the position angle pa and
// across it. Convolving with it makes the value at a point the light a pixel
// centred there would collect, per unit of area.
//
// OTF sinc(side f1) sinc(side f2); variance side^2/12 on every axis.
func Box(side unit.Arcsec, pa unit.Deg) Kernel {
	k := round(box, side, 0, square(side)/12)
	k.east, k.north = direction(pa)
	return k
}

// Trail returns uniform motion along a line: its length and position angle.
//
// OTF sinc(length f); variance length^2/12 along it.
func Trail(length unit.Arcsec, pa unit.Deg) Kernel {
	return line(trail, length, pa, 1.0/12)
}

// Sine returns a sinusoidal motion of many periods along a line: its amplitude
// (half of peak to peak) and position angle.
//
// OTF J0(2 pi amplitude f); variance amplitude^2/2 along it.
//
// Source: the density of a sinusoid is the arcsine law, whose characteristic
// function is J0; Feller 1971, "An introduction to probability theory and its
// applications", vol. 2, ch. XV.
func Sine(amplitude unit.Arcsec, pa unit.Deg) Kernel {
	return line(sine, amplitude, pa, 1.0/2)
}

// Disc returns the geometric image of a pupil out of focus: a uniform disc of
// the given outer diameter with a concentric hole (ratio of the diameters, 0 to
// below 1; beyond, NaN). It is for a focal ratio that is not known: Defocus is
// what waves make of it.
//
// OTF [B(d f) - h^2 B(h d f)]/(1 - h^2), B(x) = 2 J1(pi x)/(pi x); variance
// d^2 (1 + h^2)/16 on every axis.
func Disc(diameter unit.Arcsec, hole float64) Kernel {
	if !(hole >= 0 && hole < 1) {
		diameter = unit.Arcsec(math.NaN())
	}
	return round(disc, diameter, hole, square(diameter)*(1+hole*hole)/16)
}

// round returns a kernel with the same variance on every axis.
func round(k kind, size unit.Arcsec, hole, variance float64) Kernel {
	if size == 0 {
		return Kernel{}
	}
	return Kernel{kind: k, size: float64(size), hole: hole, cov: Cov{EastArcsec2: variance, NorthArcsec2: variance}}
}

// line returns a kernel on a line, whose variance is size^2 times factor.
func line(k kind, size unit.Arcsec, pa unit.Deg, factor float64) Kernel {
	if size == 0 {
		return Kernel{}
	}
	east, north := direction(pa)
	return Kernel{kind: k, size: float64(size), east: east, north: north, cov: Along(size, pa).Times(factor)}
}

// Cov returns the covariance of the kernel's Gaussian equivalent: its second
// moment, except that it is (FWHM/2.3548)^2 for Air and the core's for Airy,
// whose second moments are infinite.
func (k Kernel) Cov() Cov { return k.cov }

// OTF returns the optical transfer function at u cycles per arcsecond toward
// east and v toward north: real, 1 at the origin, at most 1 elsewhere unless a
// Gaussian of negative variance takes width away.
func (k Kernel) OTF(uPerArcsec, vPerArcsec float64) float64 {
	if k.bad() {
		return math.NaN()
	}
	u, v := uPerArcsec, vPerArcsec
	switch k.kind {
	case gaussian, air:
		return math.Exp(-k.decay(u, v))
	case airy, disc:
		return k.ring(math.Hypot(u, v))
	case defocus:
		return k.waves.at(k.size * math.Hypot(u, v))
	case short:
		return k.shortOTF(math.Hypot(u, v))
	case box:
		return sinc(k.size*(u*k.east+v*k.north)) * sinc(k.size*(v*k.east-u*k.north))
	case trail:
		return sinc(k.size * (u*k.east + v*k.north))
	case sine:
		return math.J0(2 * math.Pi * k.size * (u*k.east + v*k.north))
	}
	return 1
}

// bad reports whether the kernel's size is no size.
func (k Kernel) bad() bool {
	sum := k.cov.EastArcsec2 + k.cov.NorthArcsec2 + k.cov.CrossArcsec2
	return math.IsNaN(sum) || math.IsInf(sum, 0)
}

// decay returns -ln(OTF) of a gaussian or air.
func (k Kernel) decay(u, v float64) float64 {
	if k.kind == air {
		x := k.size * k.size * (u*u + v*v)
		return airDecay * math.Sqrt(x) * math.Cbrt(x) // x^(5/6)
	}
	const twoPi2 = 2 * math.Pi * math.Pi
	return twoPi2 * (k.cov.EastArcsec2*u*u + 2*k.cov.CrossArcsec2*u*v + k.cov.NorthArcsec2*v*v)
}

// ring returns the OTF of an airy or a disc at the radial frequency f.
func (k Kernel) ring(f float64) float64 {
	h := k.hole
	if k.kind == airy {
		d := 2 * f * k.size // between the centres of two pupils of unit radius
		if h == 0 {
			return overlap(d, 1, 1) / math.Pi
		}
		return (overlap(d, 1, 1) + overlap(d, h, h) - 2*overlap(d, 1, h)) / (math.Pi * (1 - h*h))
	}
	x := math.Pi * k.size * f
	if h == 0 {
		return besinc(x)
	}
	return (besinc(x) - h*h*besinc(h*x)) / (1 - h*h)
}

// overlap returns the area common to two circles of radii r >= q whose centres
// are d apart.
func overlap(d, r, q float64) float64 {
	switch {
	case d >= r+q:
		return 0
	case d <= r-q:
		return math.Pi * q * q
	}
	cr := (d*d + r*r - q*q) / (2 * d * r)
	cq := (d*d + q*q - r*r) / (2 * d * q)
	kite := (r + q - d) * (d + q - r) * (d + r - q) * (d + r + q)
	return r*r*math.Acos(min(cr, 1)) + q*q*math.Acos(max(min(cq, 1), -1)) - math.Sqrt(max(kite, 0))/2
}

// sinc returns sin(pi x)/(pi x).
func sinc(x float64) float64 {
	x *= math.Pi
	if math.Abs(x) < 1e-4 {
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}

// besinc returns 2 J1(x)/x.
func besinc(x float64) float64 {
	if math.Abs(x) < 1e-4 {
		return 1 - x*x/8
	}
	return 2 * math.J1(x) / x
}
