package psf

import (
	"math"

	"holdfast/internal/unit"
)

// Peak returns the star's true central intensity as a fraction of its flux per
// square arcsecond. With the pixel's Box among the kernels, times the pixel's
// area it is the share of the light that the central pixel of a star centred
// on it receives. NaN where Star is.
//
// Good to 0.2 % for stars of which air, diffraction or jitter is at least a
// seventh of the width; the peak of a bare trail or disc has not converged.
//
// Source: the value at the origin is the integral of the transform.
func Peak(kernels ...Kernel) float64 {
	r := newRadial(kernels, 0)
	sum := 0.0
	for i, f := range r.f {
		sum += r.weight[i] * f * r.otf[i]
	}
	return 2 * math.Pi * sum
}

// Enclosed returns the fraction of the star's flux inside a circle of the
// given radius round its centre. NaN where Star is or if the radius is
// negative. Good to 0.001, as Peak is.
//
// Source: Fourier-Bessel transform of the transfer function's mean over
// direction, 2 pi R times the integral of O(f) J1(2 pi R f).
func Enclosed(radius unit.Arcsec, kernels ...Kernel) float64 {
	if !(radius >= 0) {
		return math.NaN()
	}
	return newRadial(kernels, float64(radius)).enclosed(float64(radius))
}

// HalfFluxDiameter returns the diameter of the circle round the star's centre
// that holds half of its flux. NaN where Star is. Good to 0.3 %, as Peak is.
func HalfFluxDiameter(kernels ...Kernel) unit.Arcsec {
	major, _, _ := total(kernels).Axes()
	// The radius of half the flux is at most 1.2 sigma for every kernel here
	// but for the air's and the pupil's wings; 4 leaves room for those.
	low, high := 0.0, 4*float64(major)
	r := newRadial(kernels, high)
	if len(r.f) == 0 {
		return unit.Arcsec(math.NaN())
	}
	for high-low > 1e-6*high {
		mid := (low + high) / 2
		if r.enclosed(mid) < 0.5 {
			low = mid
		} else {
			high = mid
		}
	}
	return unit.Arcsec(low + high)
}

// radial is a transfer function's mean over direction at the nodes of a
// quadrature over radial frequency.
type radial struct{ f, weight, otf []float64 }

// newRadial returns the mean over direction on nodes close enough for radii up
// to reach (arcsec). It is empty if the kernels leave no width along some line.
func newRadial(kernels []Kernel, reach float64) radial {
	var r radial
	c := newFrame(total(kernels))
	end := bandwidth(kernels)
	if !c.valid() || math.IsNaN(end) {
		return radial{[]float64{1}, []float64{1}, []float64{math.NaN()}}
	}
	// A trail's transfer function has harmonics up to about its length times
	// the frequency.
	angles := 16 + min(int(8*c.sigma1/c.sigma2), 1000)
	// One panel of eight nodes holds half an oscillation of the widest feature.
	x, weight := legendre(8, 1)
	panels := 4 + int(4*end*max(reach, 2*c.sigma1))
	step := end / float64(panels)
	for p := range panels {
		for i := range x {
			f, sum := (float64(p)+x[i])*step, 0.0
			for l := range angles {
				v, u := math.Sincos(math.Pi * (float64(l) + 0.5) / float64(angles))
				sum += product(kernels, f*u, f*v)
			}
			r.f = append(r.f, f)
			r.weight = append(r.weight, weight[i]*step)
			r.otf = append(r.otf, sum/float64(angles))
		}
	}
	return r
}

func (r radial) enclosed(radius float64) float64 {
	sum := 0.0
	for i, f := range r.f {
		sum += r.weight[i] * r.otf[i] * math.J1(2*math.Pi*radius*f)
	}
	return 2 * math.Pi * radius * sum
}

// total returns the sum of the kernels' covariances.
func total(kernels []Kernel) Cov {
	var sum Cov
	for _, k := range kernels {
		sum = sum.Plus(k.cov)
	}
	return sum
}

// product returns the transfer function of all kernels together.
func product(kernels []Kernel, u, v float64) float64 {
	otf := 1.0
	for i := range kernels {
		if otf *= kernels[i].OTF(u, v); math.Abs(otf) < 1e-12 {
			return 0
		}
	}
	return otf
}

// bandwidth returns a frequency beyond which the transfer function is below
// 1e-6 in every direction, or a bound of 30 over the smallest width for
// kernels that fall too slowly.
func bandwidth(kernels []Kernel) float64 {
	c := newFrame(total(kernels))
	bound := 30 / c.sigma2
	low, high := 0.0, bound
	if envelope(kernels, high) > 1e-6 {
		return bound
	}
	for range 40 {
		mid := (low + high) / 2
		if envelope(kernels, mid) > 1e-6 {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// envelope returns a falling function that the transfer function does not
// exceed in any direction at the radial frequency f.
func envelope(kernels []Kernel, f float64) float64 {
	e := 1.0
	var jitter Cov
	for i := range kernels {
		k := &kernels[i]
		switch k.kind {
		case gaussian:
			jitter = jitter.Plus(k.cov)
		case air, airy:
			e *= k.OTF(f, 0)
		case short: // falls and rises again before it ends
			if f >= k.end {
				return 0
			}
			e *= max(k.shortOTF(f), math.Exp(-k.shortDecay(k.end)))
		case box:
			e *= min(1, 1/(math.Pi*k.size*f/math.Sqrt2))
		case disc:
			// |2 J1(x)/x| < 1.6 x^(-3/2)
			e *= min(1, 1.6*math.Pow(math.Pi*k.size*f, -1.5)*(1+math.Sqrt(k.hole))/(1-k.hole*k.hole))
		}
	}
	_, b2, _ := jitter.principal()
	return e * math.Exp(-2*math.Pi*math.Pi*b2*f*f)
}
