package loop

import (
	"math"

	"holdfast/internal/unit"
)

// Band is a loop with a dead band seen as one without: it corrects by the whole
// measurement, times the gain, when that is outside the band, and not at all
// inside.
type Band struct {
	Gain         float64     // of the loop that does the same to small disturbances
	Offset       unit.Arcsec // mean measurement; the lag behind a drift
	RMS          unit.Arcsec // of the measurement about its mean
	NoiseArcsec2 float64     // variance of the white measurement noise that does what the switching does
}

// DeadBand returns the equivalent of a loop with a dead band of the given half
// width under a drift. measured returns the variance of the measurement, in
// square arcseconds, that disturbances and measurement noise make in a loop of
// a given gain without the band; it may be NaN where that loop is not stable. A
// half width of zero changes nothing. The star's variance so predicted is
// within 6 % of simulation where the measurement noise is at least half the
// band's half width, 25 % (its own RMS 6 %) where it is a third; the describing function takes the
// measurement for Gaussian, which it is not under a drift with less noise. Fields are NaN when the loop is not
// stable.
//
// Derived: for a Gaussian measurement of mean m and deviation s, with a and b
// the distances (d-m)/s and (d+m)/s of the mean from either edge, Q the upper
// tail and p the density of the unit normal,
//
//	mean correction  m (Q(a)+Q(b)) + s (p(a)-p(b))
//	gain N           Q(a)+Q(b) + d/s (p(a)+p(b))
//
// (Bussgang's theorem, the edges' jumps included), which for m = 0 is
// erfc(a/sqrt 2) + sqrt(2/pi) a exp(-a^2/2). What is left over has no
// correlation with the measurement and is taken for white noise. m follows from
// the mean correction balancing the drift, s from the loop's own variance.
// Source of the method: Gelb and Vander Velde (1968), Multiple-Input Describing
// Functions and Nonlinear System Design.
func (l Linear) DeadBand(halfWidth unit.Arcsec, rateArcsecPerS float64, measured func(gain float64) (arcsec2 float64)) Band {
	nan := Band{math.NaN(), unit.Arcsec(math.NaN()), unit.Arcsec(math.NaN()), math.NaN()}
	if !l.valid() || !(halfWidth >= 0) || l.Gain == 0 {
		return nan
	}
	d := float64(halfWidth)
	drift := math.Abs(rateArcsecPerS) * float64(l.Cycle) / l.Gain // mean correction needed over gain
	if d == 0 {
		return Band{l.Gain, unit.Arcsec(math.Copysign(drift, rateArcsecPerS)), unit.Arcsec(math.Sqrt(measured(l.Gain))), 0}
	}
	at := func(s float64) Band {
		m := drift
		if drift > 0 {
			lo, hi := 0.0, drift+d
			for range 25 {
				m = (lo + hi) / 2
				if mean, _, _ := deadZone(m, s, d); mean < drift {
					lo = m
				} else {
					hi = m
				}
			}
		}
		_, gain, left := deadZone(m, s, d)
		return Band{l.Gain * gain, unit.Arcsec(math.Copysign(m, rateArcsecPerS)), unit.Arcsec(s), left / (gain * gain)}
	}
	// Variance that the loop would have, over that assumed; falls through 1.
	excess := func(s float64) float64 {
		b := at(s)
		v := measured(b.Gain) + b.NoiseArcsec2*noiseGain(b.Gain, l.Delay)
		if math.IsNaN(v) || v > 1e6*s*s {
			v = 1e6 * s * s
		}
		return math.Log(v / (s * s))
	}
	lo, hi := math.Log(d/20), math.Log(d)
	for range 60 {
		if excess(math.Exp(hi)) < 0 {
			break
		}
		lo, hi = hi, hi+1
	}
	for range 60 {
		if excess(math.Exp(lo)) > 0 {
			break
		}
		lo, hi = lo-1, lo
	}
	for hi-lo > 1e-3 {
		mid := (lo + hi) / 2
		if excess(math.Exp(mid)) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return at(math.Exp((lo + hi) / 2))
}

// deadZone returns, for a Gaussian input of the given mean and deviation to a
// dead zone that passes the whole of what lies outside d, the output's mean, the
// gain for the input's variation and the variance left over.
func deadZone(mean, sigma, d float64) (out, gain, left float64) {
	a, b := (d-mean)/sigma, (d+mean)/sigma
	qa, qb := math.Erfc(a/math.Sqrt2)/2, math.Erfc(b/math.Sqrt2)/2
	pa, pb := math.Exp(-a*a/2)/math.Sqrt(2*math.Pi), math.Exp(-b*b/2)/math.Sqrt(2*math.Pi)
	out = mean*(qa+qb) + sigma*(pa-pb)
	gain = qa + qb + d/sigma*(pa+pb)
	power := mean*mean*(qa+qb) + 2*mean*sigma*(pa-pb) + sigma*sigma*(qa+a*pa+qb+b*pb)
	return out, gain, math.Max(power-out*out-gain*gain*sigma*sigma, 0)
}
