package detector

import (
	"math"

	"holdfast/internal/unit"
)

// ReadNoiseSub returns the length of sub at which read noise raises the noise of
// the background by the given share over the sky's own, for example 0.05: longer
// subs gain little. R^2/(B ((1+share)^2 - 1)), 9.76 R^2/B at 5 %. NaN unless the
// sky's rate and the share are positive and the read noise not negative.
//
// Source: quadrature sum of sky and read noise.
func ReadNoiseSub(readNoise unit.Electron, skyElectronPerS, share float64) unit.Second {
	r := float64(readNoise)
	if bad(skyElectronPerS, share) || negative(r) {
		return unit.Second(math.NaN())
	}
	return unit.Second(r * r / (skyElectronPerS * share * (2 + share)))
}

// ReadNoiseLoss returns the fraction of signal-to-noise ratio lost to read noise
// in subs of k R^2/B, 1 - 1/sqrt(1+1/k): 0.29 at 1, 0.047 at 10. NaN unless k is
// positive.
//
// Source: quadrature sum of sky and read noise.
func ReadNoiseLoss(k float64) float64 {
	if !(k > 0) {
		return math.NaN()
	}
	return 1 - 1/math.Sqrt(1+1/k)
}

// RejectionLoss returns the fraction of signal-to-noise ratio lost by throwing
// away a fraction of the subs, 1 - sqrt(1-f). NaN unless 0 <= f <= 1.
//
// Source: the ratio grows with the square root of the time kept.
func RejectionLoss(fraction float64) float64 {
	if !(fraction >= 0 && fraction <= 1) {
		return math.NaN()
	}
	return 1 - math.Sqrt(1-fraction)
}

// RejectionTime returns how much more time makes up for throwing away a fraction
// of the subs, over the time planned: f/(1-f). NaN unless 0 <= f < 1.
//
// Source: as RejectionLoss.
func RejectionTime(fraction float64) float64 {
	if !(fraction >= 0 && fraction < 1) {
		return math.NaN()
	}
	return fraction / (1 - fraction)
}

// SubPlan is what decides how long a sub should be.
type SubPlan struct {
	Overhead        unit.Second   // between subs: readout, settling
	SpoiledPerHour  float64       // events that ruin the sub they fall into
	ReadNoise       unit.Electron // 0 leaves it out
	SkyElectronPerS float64       // per pixel; needed when ReadNoise is given
}

func (p SubPlan) valid() bool {
	return !negative(float64(p.Overhead), p.SpoiledPerHour, float64(p.ReadNoise)) &&
		(p.ReadNoise == 0 || !bad(p.SkyElectronPerS))
}

// readTime returns the exposure in which the sky's noise equals the read noise.
func (p SubPlan) readTime() float64 {
	if p.ReadNoise == 0 {
		return 0
	}
	r := float64(p.ReadNoise)
	return r * r / p.SkyElectronPerS
}

// Kept returns the fraction of subs of the given length that nothing spoils,
// exp(-rate t). NaN if the plan has a negative entry or t is negative.
//
// Source: Poisson's law for no event.
func (p SubPlan) Kept(t unit.Second) float64 {
	if !p.valid() || negative(float64(t)) {
		return math.NaN()
	}
	return math.Exp(-p.SpoiledPerHour / 3600 * float64(t))
}

// Yield returns how much of the night's clock becomes useful exposure, 0 to 1:
// t/(t+overhead) for what overhead takes, times Kept, times what read noise
// leaves of the value of each second, t/(t + R^2/B). The signal-to-noise ratio of
// the night goes with its square root. NaN as for Kept or if t is not positive.
//
// Source: product of the three shares, for the background-limited parts of the
// picture.
func (p SubPlan) Yield(t unit.Second) float64 {
	s := float64(t)
	if bad(s) {
		return math.NaN()
	}
	return s / (s + float64(p.Overhead)) * p.Kept(t) * s / (s + p.readTime())
}

// Best returns the length of sub with the greatest Yield. It is +Inf when
// nothing spoils a sub, zero when neither overhead nor read noise counts; NaN as
// for Kept. Accurate to 1e-9 of itself.
//
// Source: the logarithm of Yield is concave in t; its derivative
// o/(t(t+o)) + r/(t(t+r)) = rate is bisected. Without read noise the root is
// (-o + sqrt(o^2 + 4 o/rate))/2.
func (p SubPlan) Best() unit.Second {
	if !p.valid() {
		return unit.Second(math.NaN())
	}
	o, r, rate := float64(p.Overhead), p.readTime(), p.SpoiledPerHour/3600
	switch {
	case o+r == 0:
		return 0
	case rate == 0:
		return unit.Second(math.Inf(1))
	}
	// Both terms are below o/t^2 and r/t^2, so the root is below this.
	lo, hi := 0.0, math.Sqrt((o+r)/rate)
	for range 200 {
		t := (lo + hi) / 2
		if o/(t*(t+o))+r/(t*(t+r)) > rate {
			lo = t
		} else {
			hi = t
		}
		if hi-lo < 1e-12*hi {
			break
		}
	}
	return unit.Second((lo + hi) / 2)
}
