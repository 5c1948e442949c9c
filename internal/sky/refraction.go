package sky

import (
	"math"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Refraction is the bending of light by the air of a site:
// R = A tan z + B tan^3 z, z the observed zenith distance.
type Refraction struct {
	A, B unit.Arcsec
}

// maxZenith is the zenith distance beyond which the two-term model is not used,
// the altitude whose sine is 0.05.
const maxZenith = 87.134

// Refraction returns the refraction of the site's air. Against ray tracing
// the model errs by about 1 arcsec at 75 degrees from the zenith, a few at 80,
// and is useless at the horizon; optical wavelengths only.
//
// Source: IAU SOFA, refco.
func (s Site) Refraction() Refraction {
	return s.refractionIn(s.Wavelength)
}

// refractionIn is Refraction at another wavelength.
func (s Site) refractionIn(lambda unit.Micron) Refraction {
	var a, b float64
	gofa.Refco(float64(s.Pressure), float64(s.Temp), s.Humidity, float64(lambda), &a, &b)
	return Refraction{unit.Rad(a).Arcsec(), unit.Rad(b).Arcsec()}
}

// At returns the refraction at an observed zenith distance of 0 to 87 degrees;
// NaN outside.
func (r Refraction) At(observed unit.Deg) unit.Arcsec {
	if !(observed >= 0 && observed <= maxZenith) {
		return unit.Arcsec(math.NaN())
	}
	t := math.Tan(radians(observed))
	return unit.Arcsec(t * (float64(r.A) + float64(r.B)*t*t))
}

// FromTrue returns the refraction of a star whose true zenith distance is
// given; NaN where At is.
func (r Refraction) FromTrue(zenith unit.Deg) unit.Arcsec {
	z := min(zenith, maxZenith)
	for range 12 {
		z = zenith - r.At(z).Deg()
	}
	return r.At(z)
}

// Gradient is how fast refraction changes with zenith distance: by this much a
// field is squeezed along the vertical.
type Gradient struct {
	ArcsecPerDeg float64
}

// Gradient returns the change of refraction per degree of observed zenith
// distance, (A + 3 B tan^2 z)/cos^2 z; NaN where At is.
//
// Source: derivative of the refraction formula.
func (r Refraction) Gradient(observed unit.Deg) Gradient {
	if !(observed >= 0 && observed <= maxZenith) {
		return Gradient{math.NaN()}
	}
	s, c := math.Sincos(radians(observed))
	t := s / c
	return Gradient{(float64(r.A) + 3*float64(r.B)*t*t) / (c * c) * math.Pi / 180}
}

// Dispersion returns by how much more the shorter of two wavelengths is lifted
// at an observed zenith distance: positive if blue is shorter than red. NaN
// where Refraction.At is.
//
// Source: difference of two refractions.
func (s Site) Dispersion(observed unit.Deg, blue, red unit.Micron) unit.Arcsec {
	return s.refractionIn(blue).At(observed) - s.refractionIn(red).At(observed)
}

// Bennett returns the refraction at an apparent altitude in standard air (1010
// hPa, 10 degrees Celsius), with the small sine term that takes out most of
// the error of the simple formula; within 1 arcsec of the almanac's tables
// above 5 degrees, 5 arcsec at the horizon. Never below 0; NaN below the
// horizon and beyond the zenith.
//
// Source: Bennett 1982, Journal of Navigation 35, 255.
func Bennett(apparent unit.Deg) unit.Arcmin {
	r := float64(BennettSimple(apparent))
	return unit.Arcmin(math.Max(0, r-0.06*math.Sin(radians(unit.Deg(14.7*r+13)))))
}

// BennettSimple is Bennett without the sine term: 1.7 arcsec (3 %) too large
// at 45 degrees.
//
// Source: Bennett 1982, Journal of Navigation 35, 255; Meeus 1998,
// Astronomical Algorithms, equation 16.3.
func BennettSimple(apparent unit.Deg) unit.Arcmin {
	if !(apparent >= 0 && apparent <= 90) {
		return unit.Arcmin(math.NaN())
	}
	a := float64(apparent)
	return unit.Arcmin(math.Max(0, 1/math.Tan(radians(unit.Deg(a+7.31/(a+4.4))))))
}

// Saemundsson returns the refraction of a star at a true altitude in standard
// air; within 4 arcsec of BennettSimple. NaN below -1 degree and beyond the
// zenith.
//
// Source: Saemundsson 1986, Sky & Telescope 72, 70; Meeus 1998, Astronomical
// Algorithms, equation 16.4.
func Saemundsson(altitude unit.Deg) unit.Arcmin {
	if !(altitude >= -1 && altitude <= 90) {
		return unit.Arcmin(math.NaN())
	}
	a := float64(altitude)
	return unit.Arcmin(math.Max(0, 1.02/math.Tan(radians(unit.Deg(a+10.3/(a+5.11))))))
}

// AirFactor returns by how much the refraction in air of the given pressure
// and temperature exceeds that in standard air, (P/1010)(283/(273+T)).
//
// Source: ideal gas; Meeus 1998, Astronomical Algorithms, chapter 16.
func AirFactor(p unit.HPa, t unit.Celsius) float64 {
	return float64(p) / 1010 * 283 / (273 + float64(t))
}
