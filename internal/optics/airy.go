package optics

import (
	"math"

	"holdfast/internal/unit"
)

// Airy is the image of a point through a perfect round aperture with a round
// central obstruction, in one colour. Its angles scale with wavelength over
// aperture; the methods that return a float64 are in that unit.
type Airy struct {
	Aperture    unit.MM
	Obstruction float64     // diameter over the aperture's, 0 to below 1
	Wavelength  unit.Micron // 0.55 is usual for an eye or an unfiltered sensor
}

// unit returns wavelength over aperture.
func (a Airy) unit() unit.Rad {
	if bad(float64(a.Aperture), float64(a.Wavelength)) {
		return unit.Rad(math.NaN())
	}
	return unit.Rad(float64(a.Wavelength.MM()) / float64(a.Aperture))
}

// jinc returns 2 J1(v)/v, 1 at zero.
func jinc(v float64) float64 {
	if math.Abs(v) < 1e-4 {
		return 1 - v*v/8
	}
	return 2 * math.J1(v) / v
}

// amplitude returns the field of the annular aperture at v = pi D theta/lambda,
// 1 at the centre.
func amplitude(v, e float64) float64 {
	return (jinc(v) - e*e*jinc(e*v)) / (1 - e*e)
}

// Intensity returns the brightness at the given angle from the centre of the
// image, relative to the centre. NaN if the aperture, obstruction or wavelength
// is outside its range.
//
// Source: G. B. Airy 1835; annulus in Born & Wolf, Principles of Optics, chapter
// 8 (both from memory).
func (a Airy) Intensity(theta unit.Arcsec) float64 {
	if badObstruction(a.Obstruction) {
		return math.NaN()
	}
	v := math.Pi * float64(theta.Rad()) / float64(a.unit())
	x := amplitude(v, a.Obstruction)
	return x * x
}

// FirstZero returns the radius of the first dark ring. 1.2197 lambda/D for a
// clear aperture, less with an obstruction. NaN outside the range of Airy's
// fields; bisected to 1e-12.
//
// Source: as Intensity.
func (a Airy) FirstZero() unit.Arcsec {
	return unit.Rad(airyZero(a.Obstruction) / math.Pi * float64(a.unit())).Arcsec()
}

// FWHM returns the full width at half maximum: 1.0290 lambda/D for a clear
// aperture, less with an obstruction (which moves light into the rings). NaN
// outside the range of Airy's fields; bisected to 1e-12.
//
// Source: as Intensity.
func (a Airy) FWHM() unit.Arcsec {
	return unit.Rad(2 * airyHalf(a.Obstruction) / math.Pi * float64(a.unit())).Arcsec()
}

// FocalFWHM returns the width of the image at the sensor of a telescope of
// focal ratio n, 1.0290 lambda n for a clear aperture. NaN outside the range.
//
// Source: as Intensity.
func (a Airy) FocalFWHM(n float64) unit.Micron {
	if bad(n, float64(a.Wavelength)) {
		return unit.Micron(math.NaN())
	}
	return unit.Micron(2 * airyHalf(a.Obstruction) / math.Pi * float64(a.Wavelength) * n)
}

// HalfFluxDiameter returns the diameter of the circle that holds half of the
// light: 1.0697 lambda/D for a clear aperture. NaN outside the range of Airy's
// fields and for obstructions above 0.6, where half of the light lies outside
// the core and the number says little. Accurate to 1e-6.
//
// Source: as EncircledEnergy.
func (a Airy) HalfFluxDiameter() unit.Arcsec {
	e := a.Obstruction
	if badObstruction(e) || e > 0.6 {
		return unit.Arcsec(math.NaN())
	}
	v := bisect(func(v float64) float64 { return encircled(v, e) - 0.5 }, 0.1, 12)
	return unit.Rad(2 * v / math.Pi * float64(a.unit())).Arcsec()
}

// EncircledEnergy returns the fraction of the light within the given angle of
// the centre, 0 to 1. NaN outside the range of Airy's fields or for a negative
// radius. Closed form without an obstruction, else Simpson's rule to 1e-7 within
// the first hundred rings.
//
// Source: Lord Rayleigh 1881 (from memory), 1 - J0(v)^2 - J1(v)^2, for the clear
// aperture; the integral of Intensity otherwise, whose total is 2/(1-e^2) in v.
func (a Airy) EncircledEnergy(radius unit.Arcsec) float64 {
	v := math.Pi * float64(radius.Rad()) / float64(a.unit())
	if badObstruction(a.Obstruction) || !(v >= 0) {
		return math.NaN()
	}
	return encircled(v, a.Obstruction)
}

func encircled(v, e float64) float64 {
	if e == 0 {
		j0, j1 := math.J0(v), math.J1(v)
		return 1 - j0*j0 - j1*j1
	}
	steps := 2 * int(math.Ceil(v/0.1)+8)
	sum := simpson(0, v, steps, func(u float64) float64 {
		x := amplitude(u, e)
		return x * x * u
	})
	return sum * (1 - e*e) / 2
}

// GaussianSigma returns the standard deviation of the Gaussian, of the same
// peak, that lies closest to the core of the image out to the first dark ring:
// 0.4254 lambda/D for a clear aperture. It is what a fit of a Gaussian to
// well-sampled pixels along a cut finds, and leaves the rings out. NaN outside
// the range of Airy's fields; accurate to 1e-6.
//
// Source: least squares on the profile, derived here.
func (a Airy) GaussianSigma() unit.Arcsec { return a.gaussian(0) }

// GaussianSigmaArea returns the same with every point weighted by the area of
// its ring, as a fit to an image of the star finds: 0.4206 lambda/D for a clear
// aperture. NaN outside the range of Airy's fields; accurate to 1e-6.
//
// Source: least squares over the area, derived here.
func (a Airy) GaussianSigmaArea() unit.Arcsec { return a.gaussian(1) }

func (a Airy) gaussian(power float64) unit.Arcsec {
	e := a.Obstruction
	if badObstruction(e) {
		return unit.Arcsec(math.NaN())
	}
	zero := airyZero(e)
	const steps = 400
	var profile, weight [steps + 1]float64
	for i := range profile {
		v := zero * float64(i) / steps
		x := amplitude(v, e)
		profile[i] = x * x
		weight[i] = math.Pow(v, power)
	}
	// The derivative of the summed squares with respect to sigma, apart from
	// a positive factor, changes sign once between the limits.
	slope := func(s float64) float64 {
		sum := 0.0
		for i, p := range profile {
			v := zero * float64(i) / steps
			g := math.Exp(-v * v / 2 / s / s)
			w := 2.0
			if i%2 == 1 {
				w = 4
			}
			if i == 0 || i == steps {
				w = 1
			}
			sum += w * weight[i] * (g - p) * g * v * v
		}
		return sum
	}
	s := bisect(slope, 0.5, 3)
	return unit.Rad(s / math.Pi * float64(a.unit())).Arcsec()
}

// airyZero returns v of the first dark ring.
func airyZero(e float64) float64 {
	if badObstruction(e) {
		return math.NaN()
	}
	return bisect(func(v float64) float64 { return amplitude(v, e) }, 2.3, 3.9)
}

// airyHalf returns v of half maximum.
func airyHalf(e float64) float64 {
	if badObstruction(e) {
		return math.NaN()
	}
	return bisect(func(v float64) float64 { x := amplitude(v, e); return x*x - 0.5 }, 1, 1.7)
}

// bisect returns the root of f between a and b, where f must differ in sign.
func bisect(f func(float64) float64, a, b float64) float64 {
	fa := f(a)
	if fa*f(b) > 0 {
		return math.NaN()
	}
	for range 60 {
		m := (a + b) / 2
		fm := f(m)
		if (fm < 0) == (fa < 0) {
			a, fa = m, fm
		} else {
			b = m
		}
		if b-a < 1e-13 {
			break
		}
	}
	return (a + b) / 2
}

// simpson integrates f from a to b in an even number of steps.
func simpson(a, b float64, steps int, f func(float64) float64) float64 {
	h := (b - a) / float64(steps)
	sum := f(a) + f(b)
	for i := 1; i < steps; i++ {
		if i%2 == 1 {
			sum += 4 * f(a+float64(i)*h)
		} else {
			sum += 2 * f(a+float64(i)*h)
		}
	}
	return sum * h / 3
}
