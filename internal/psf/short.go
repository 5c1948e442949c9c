package psf

import (
	"math"

	"holdfast/internal/unit"
)

// ShortAir returns the mean short exposure through the air as a telescope of
// the given aperture sees it, in the near field: the image each instant makes,
// laid on its own centre. Convolved with the motion of that centre it is
// Air(fwhm). Where the motion is drawn as a path, ShortAir is what the path
// leaves of the air.
//
// fwhm is that of the long exposure. motion is the rms along one axis of the
// image motion that the path has and the long exposure thus does not need to
// have: in paths of many samples that of air.ImageMotion for the same air and
// aperture, less what is lost between the samples. Zero is Air(fwhm).
//
// It is one factor of a telescope's transfer function: it ends at the
// frequency aperture/wavelength, where Airy of the same two does, and is
// meant to stand beside it.
//
// OTF exp(-3.44 (lambda f/r0)^(5/3) + 2 pi^2 motion^2 f^2), at most 1, up to
// D/lambda; 0 beyond. Fried's form of the exponent, -3.44 (lambda f/r0)^(5/3)
// (1 - (lambda f/D)^(1/3)), is that for a motion of 0.1743 lambda^2 r0^(-5/3)
// D^(-1/3) in variance, between the 0.170 of the centroid and the 0.182 of the
// wavefront's tilt. Together with the centroid's motion Fried's own would make
// stars too narrow by up to 1 % (apertures of 50 to 400 mm, seeing of 1 to 5
// arcsec); with the motion as an argument the two always fit together. Only
// where a small aperture under good seeing and a finite outer scale moves more
// than Air of the delivered width holds does the bound of 1 act: the star of
// both is then up to 0.2 % wider than Air's (50 mm, 1 arcsec, 10 m). The short
// exposure of a small aperture is up to 2 % narrower than diffraction alone,
// the light that Fried's form takes from the middle frequencies being missed
// in the wings.
//
// NaN for an aperture or wavelength that is not positive, or a motion whose
// variance is more than 1.5 times Fried's, which no air makes.
//
// Source: Fried 1966, J. Opt. Soc. Am. 56, 1372, "Optical resolution through a
// randomly inhomogeneous medium for very long and very short exposures".
func ShortAir(fwhm, motion unit.Arcsec, wavelength unit.Micron, aperture unit.MM) Kernel {
	k := Air(fwhm)
	if motion == 0 || k.kind == point {
		return k
	}
	end := 1 / float64(unit.Rad(float64(wavelength.MM())/float64(aperture)).Arcsec())
	moved := Round(motion)
	k.kind, k.end, k.cov = short, end, k.cov.Plus(moved.Times(-1))
	k.moved = moved.EastArcsec2
	x := end * k.size
	fried := airDecay * math.Cbrt(x*x) * x // all of the air's decay at the end
	if !(aperture > 0) || !(wavelength > 0) || 2*math.Pi*math.Pi*k.moved*end*end > 1.5*fried {
		k.cov.EastArcsec2 = math.NaN()
	}
	return k
}

// shortDecay returns -ln(OTF) of a short exposure at the radial frequency f.
func (k Kernel) shortDecay(f float64) float64 {
	x := f * k.size
	return max(0, airDecay*math.Cbrt(x*x)*x-2*math.Pi*math.Pi*k.moved*f*f)
}

// shortOTF returns the OTF of a short exposure at the radial frequency f.
func (k Kernel) shortOTF(f float64) float64 {
	if f >= k.end {
		return 0
	}
	return math.Exp(-k.shortDecay(f))
}
