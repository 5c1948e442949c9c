package detector

import (
	"math"

	"holdfast/internal/unit"
)

// Spot is a star as the detector sees it.
type Spot struct {
	Star       unit.Electron // all of its light
	FWHM       unit.Px       // of the light before pixels average it; round and Gaussian
	Background unit.Electron // per pixel: sky and dark
	ReadNoise  unit.Electron // rms per pixel
}

// shape returns sigma^2 of the light, the same with the pixel's 1/12, and the
// variance per pixel of everything but the star.
func (s Spot) shape() (sigma2, pixelled, noise2 float64) {
	if bad(float64(s.Star), float64(s.FWHM)) || negative(float64(s.Background), float64(s.ReadNoise)) {
		nan := math.NaN()
		return nan, nan, nan
	}
	sigma := float64(s.FWHM) / fwhmPerSigma
	sigma2 = sigma * sigma
	r := float64(s.ReadNoise)
	return sigma2, sigma2 + 1.0/12, float64(s.Background) + r*r
}

// Centroid returns the least standard error, along one axis, with which the
// star's place can be found by fitting its profile (maximum likelihood). It
// agrees with CramerRaoMean to 0.6 % for FWHM from 1 to 6 px. Real stars add a
// floor for what no profile describes, some 0.02 to 0.1 px: see WithFloor. NaN
// unless Star and FWHM are positive and the rest not negative.
//
// Source: K. I. Mortensen et al. 2010, Nature Methods 7, 377:
// variance (s^2/N)/(1 + I), I = Int_0^1 ln t/(1 + t/tau) dt = tau Li2(-1/tau),
// tau = 2 pi s^2 b^2/N, s^2 including the pixel.
func (s Spot) Centroid() unit.Px {
	_, s2, b2 := s.shape()
	n := float64(s.Star)
	return unit.Px(math.Sqrt(s2 / n / likelihoodShare(2*math.Pi*s2*b2/n)))
}

// WithFloor returns a centroid error with a floor added in quadrature.
func WithFloor(centroid, floor unit.Px) unit.Px {
	return unit.Px(math.Hypot(float64(centroid), float64(floor)))
}

// PhotonLimit returns the centroid error of a star without background or noise
// in pixels too small to matter, sigma/sqrt N. NaN as for Centroid.
//
// Source: standard error of a mean.
func (s Spot) PhotonLimit() unit.Px {
	sigma2, _, _ := s.shape()
	return unit.Px(math.Sqrt(sigma2 / float64(s.Star)))
}

// Thompson returns the centroid error by a handy formula that is too small by up
// to 12 % where star and background compete. NaN as for Centroid.
//
// Source: R. E. Thompson, D. R. Larson & W. W. Webb 2002, Biophysical Journal
// 82, 2775.
func (s Spot) Thompson() unit.Px {
	sigma2, s2, b2 := s.shape()
	n := float64(s.Star)
	return unit.Px(math.Sqrt(s2/n + 8*math.Pi*sigma2*sigma2*b2/n/n))
}

// LeastSquares returns the centroid error of an unweighted least-squares fit,
// a third above the bound for bright stars. NaN as for Centroid.
//
// Source: K. I. Mortensen et al. 2010, Nature Methods 7, 377.
func (s Spot) LeastSquares() unit.Px {
	_, s2, b2 := s.shape()
	n := float64(s.Star)
	return unit.Px(math.Sqrt(s2 / n * (16.0/9 + 8*math.Pi*s2*b2/n)))
}

// RiegerStallinga returns an approximation to Centroid without the dilogarithm,
// 0 to 2 % larger. NaN as for Centroid.
//
// Source: B. Rieger & S. Stallinga 2014, ChemPhysChem 15, 664.
func (s Spot) RiegerStallinga() unit.Px {
	_, s2, b2 := s.shape()
	n := float64(s.Star)
	tau := 2 * math.Pi * s2 * b2 / n
	return unit.Px(math.Sqrt(s2 / n * (1 + 4*tau + math.Sqrt(2*tau/(1+4*tau)))))
}

// Window returns the centroid error of the centre of gravity in a window of n by
// n pixels that holds all of the star, background subtracted. NaN as for
// Centroid or if n is not positive.
//
// Source: sum over the window's pixels; its read-noise term is that of
// S. Thomas et al. 2006, MNRAS 371, 323.
func (s Spot) Window(n int) unit.Px {
	_, s2, b2 := s.shape()
	if n < 1 {
		return unit.Px(math.NaN())
	}
	star, w := float64(s.Star), float64(n)
	return unit.Px(math.Sqrt(s2/star + b2*w*w*(w*w-1)/12/star/star))
}

// SNR returns the signal-to-noise ratio of the star's flux when its profile is
// fitted: the star over the noise in NoiseArea pixels. Exact where the
// background dominates, up to a few per cent low where the star does. NaN as for
// Centroid.
//
// Source: I. R. King 1983, PASP 95, 163.
func (s Spot) SNR() float64 {
	_, _, b2 := s.shape()
	n := float64(s.Star)
	return n / math.Sqrt(n+NoiseArea(s.FWHM)*b2)
}

// NoiseArea returns the number of pixels whose background noise a fit of the
// star's profile collects, 4 pi (sigma^2 + 1/12), or 2.266 FWHM^2 for small
// pixels. NaN if fwhm is not positive. Within 0.1 % of the sum over pixels from
// FWHM 2 px up.
//
// Source: I. R. King 1983, PASP 95, 163.
func NoiseArea(fwhm unit.Px) float64 {
	if bad(float64(fwhm)) {
		return math.NaN()
	}
	s := float64(fwhm) / fwhmPerSigma
	return 4 * math.Pi * (s*s + 1.0/12)
}

// likelihoodShare returns 1 + tau Li2(-1/tau), from 1 at tau = 0 towards
// 1/(4 tau), to about 1e-14 of itself.
func likelihoodShare(tau float64) float64 {
	switch {
	case !(tau >= 0):
		return math.NaN()
	case tau == 0:
		return 1
	case tau >= 3:
		// The leading 1 cancels: sum from k = 2 of (-1)^k/(k^2 tau^(k-1)).
		sum, p, x := 0.0, 1.0, -1/tau
		for k := 2.0; k < 60; k++ {
			p *= x
			term := p / (k * k)
			sum -= term
			if math.Abs(term) < 1e-17*math.Abs(sum) {
				break
			}
		}
		return sum
	case tau >= 1:
		return 1 + tau*dilog(1/tau)
	default:
		l := math.Log(tau)
		return 1 - tau*(math.Pi*math.Pi/6+l*l/2+dilog(tau))
	}
}

// dilog returns the dilogarithm Li2(-x) for 0 <= x <= 1, to 1e-16.
//
// Source: P. Debye's series in u = -ln(1+x): u - u^2/4 + sum of
// B_2k u^(2k+1)/(2k+1)!, B_2k being Bernoulli's numbers.
func dilog(x float64) float64 {
	u := -math.Log1p(x)
	v := u * u
	const (
		c1 = 1.0 / 36
		c2 = -1.0 / 3600
		c3 = 1.0 / 211680
		c4 = -1.0 / 10886400
		c5 = 1.0 / 526901760
		c6 = -691.0 / 2730 / 6227020800
		c7 = 7.0 / 6 / 1307674368000
		c8 = -3617.0 / 510 / 355687428096000
	)
	return u - v/4 + u*v*(c1+v*(c2+v*(c3+v*(c4+v*(c5+v*(c6+v*(c7+v*c8)))))))
}
