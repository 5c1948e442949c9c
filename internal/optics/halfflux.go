package optics

import (
	"math"

	"holdfast/internal/unit"
)

// Two numbers go by the name of half-flux diameter. The true one is the
// diameter of the circle that holds half of the light. The other, twice the
// flux-weighted mean radius, 2 sum(V r)/sum(V), is easier to measure and is
// here always called the mean diameter. Each profile below knows both, in
// units of its own natural size.

// GaussianHalfFlux is the true half-flux diameter of a Gaussian over its FWHM.
const GaussianHalfFlux = 1.0

// GaussianMean is the mean diameter of a Gaussian over its FWHM,
// sqrt(2 pi)/(2 sqrt(2 ln 2)).
const GaussianMean = 1.0644670194312262

// DonutHalfFlux returns the true half-flux diameter over the outer diameter of
// an evenly lit ring, sqrt((1+e^2)/2): 0.7071 for a full disc. NaN unless
// 0 <= obstruction < 1.
//
// Source: the circle that halves the area of the ring.
func DonutHalfFlux(obstruction float64) float64 {
	if badObstruction(obstruction) {
		return math.NaN()
	}
	return math.Sqrt((1 + obstruction*obstruction) / 2)
}

// DonutMean returns the mean diameter over the outer diameter of an evenly lit
// ring, (2/3)(1-e^3)/(1-e^2): 2/3 for a full disc. NaN unless
// 0 <= obstruction < 1.
//
// Source: integral of r over the ring.
func DonutMean(obstruction float64) float64 {
	if badObstruction(obstruction) {
		return math.NaN()
	}
	e := obstruction
	return 2.0 / 3 * (1 + e + e*e) / (1 + e)
}

// MoffatHalfFlux returns the true half-flux diameter over the FWHM of a Moffat
// profile (1 + (r/a)^2)^-beta: 1.136 at beta = 4.765, 1.356 at 2.5, toward 1 as
// beta grows. NaN unless beta > 1, where the light is finite.
//
// Source: A. F. J. Moffat 1969, A&A 3, 455, integrated.
func MoffatHalfFlux(beta float64) float64 {
	if !(beta > 1) {
		return math.NaN()
	}
	return math.Sqrt(math.Expm1(math.Ln2/(beta-1)) / math.Expm1(math.Ln2/beta))
}

// MoffatMean returns the mean diameter over the FWHM of a Moffat profile. NaN
// unless beta > 1.5, below which the mean radius is infinite: the wings make
// this estimator depend on the aperture for any real star.
//
// Source: A. F. J. Moffat 1969, A&A 3, 455: mean radius
// a (beta-1) B(3/2, beta-3/2), integrated.
func MoffatMean(beta float64) float64 {
	if !(beta > 1.5) {
		return math.NaN()
	}
	g1, _ := math.Lgamma(beta - 1.5)
	g2, _ := math.Lgamma(beta)
	mean := (beta - 1) * math.Sqrt(math.Pi) / 2 * math.Exp(g1-g2)
	return mean / math.Sqrt(math.Expm1(math.Ln2/beta))
}

// DefocusedHalfFlux returns the true half-flux diameter of a Gaussian star of
// the given FWHM spread further by a defocused pupil: a ring of outer diameter
// disc with the given obstruction. The familiar hyperbola
// sqrt(fwhm^2 + (1+e^2)/2 disc^2) is up to 7 % larger. NaN if fwhm is not
// positive, disc is negative or the obstruction is outside 0 <= e < 1.
// Accurate to 1e-6.
//
// Source: light within radius R = R Int_0^inf J1(k R) T(k) dk, T being the
// product of the transforms of Gaussian and ring (Hankel transform, derived).
func DefocusedHalfFlux(fwhm, disc unit.Micron, obstruction float64) unit.Micron {
	e := obstruction
	if bad(float64(fwhm)) || !(disc >= 0) || math.IsInf(float64(disc), 1) || badObstruction(e) {
		return unit.Micron(math.NaN())
	}
	// In units of sigma the Gaussian has fallen to 1e-16 at k = 8.6.
	sigma := float64(fwhm) / fwhmPerSigma
	outer := float64(disc) / 2 / sigma
	high := 2 + outer
	steps := 2 * int(math.Ceil(40+4*8.6*(high+outer)/(2*math.Pi)*4))
	h := 8.6 / float64(steps)
	transform := make([]float64, steps+1)
	for i := range transform {
		k := h * float64(i)
		w := 2.0
		if i%2 == 1 {
			w = 4
		}
		if i == 0 || i == steps {
			w = 1
		}
		transform[i] = w * h / 3 * math.Exp(-k*k/2) * amplitude(k*outer, e)
	}
	within := func(r float64) float64 {
		sum := 0.0
		for i, t := range transform {
			sum += t * math.J1(h*float64(i)*r)
		}
		return sum*r - 0.5
	}
	r := bisect(within, 0.5, high)
	return unit.Micron(2 * r * sigma)
}
