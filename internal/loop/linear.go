package loop

import (
	"math"
	"math/cmplx"

	"holdfast/internal/unit"
)

// Linear is the linear model of one axis of a correction loop.
type Linear struct {
	Gain     float64
	Exposure unit.Second // of the guide camera
	Cycle    unit.Second // from one exposure's start to the next; not below Exposure
	Delay    int         // whole frames of delay beyond the first
}

// StabilityLimit returns the gain at which a loop with the given extra delay
// begins to oscillate, when the guide camera's axes are turned by the angle
// from those it was calibrated for: 2 sin((pi/2 - angle)/(2 delay + 1)), which
// is 2 cos(angle) without delay. 0 for an angle of 90 degrees and more; NaN for
// a negative delay.
//
// Derived: with both axes as one complex number the loop is z^k (z-1) +
// g exp(i angle) = 0; on the unit circle its modulus gives g = 2 sin(w/2) and
// its phase w (k + 1/2) = pi/2 - angle.
func StabilityLimit(delay int, angle unit.Deg) float64 {
	if delay < 0 {
		return math.NaN()
	}
	left := math.Pi/2 - math.Abs(float64(angle.Rad()))
	if left <= 0 {
		return 0
	}
	return 2 * math.Sin(left/float64(2*delay+1))
}

// valid reports whether the model's numbers make sense and the loop is stable.
func (l Linear) valid() bool {
	return l.Gain >= 0 && l.Gain < StabilityLimit(l.Delay, 0) &&
		l.Exposure > 0 && l.Cycle >= l.Exposure
}

// NoiseGain returns the variance of the correction for white measurement noise
// of unit variance: g/(2-g) without delay, g(1+g)/((1-g)(2+g)) with one frame.
// NaN when the loop is not stable.
func (l Linear) NoiseGain() float64 { return noiseGain(l.Gain, l.Delay) }

// noiseGain is the variance of x_(n+1) = x_n - g x_(n-k) + g w_n for unit
// white w. Its autocovariances obey a_(j+1) - a_j = -g a_(k-j), which
// A cos(theta j + phi) solves with 2 sin(theta/2) = g and
// phi = (pi - (2k+1) theta)/4; the recurrence at lag zero gives A.
func noiseGain(g float64, delay int) float64 {
	if !(g >= 0) || !(g < StabilityLimit(delay, 0)) {
		return math.NaN()
	}
	theta := 2 * math.Asin(g/2)
	phi := (math.Pi - float64(2*delay+1)*theta) / 4
	return g / math.Tan(phi) / (2 * math.Cos(theta/2))
}

// step returns z - 1 for z = exp(2 pi i x), without cancellation.
func step(x float64) complex128 {
	s, c := math.Sincos(math.Pi * x)
	return complex(0, 2*s) * complex(c, s)
}

// openLoop returns z^k (z-1), to which the loop adds its gain.
func openLoop(x float64, delay int) complex128 {
	s, c := math.Sincos(2 * math.Pi * x * float64(delay))
	return step(x) * complex(c, s)
}

// Rejection returns the amplitude of the error at the exposures over that of
// the disturbance as the exposures sample it, |S|: small at low frequency
// (2 pi f Cycle/g), above 1 beyond CrossingHz.
func (l Linear) Rejection(fHz float64) float64 {
	if !l.valid() {
		return math.NaN()
	}
	q := openLoop(fHz*float64(l.Cycle), l.Delay)
	return cmplx.Abs(q / (q + complex(l.Gain, 0)))
}

// CrossingHz returns the frequency at which Rejection first reaches 1; above it
// the loop amplifies. Without delay cos(2 pi f Cycle) = 1 - g/2.
//
// Derived: |q| = |q + g| where Re q = -g/2, that is
// 2 sin(w/2) sin(w(k+1/2)) = g/2.
func (l Linear) CrossingHz() float64 {
	if !l.valid() || l.Gain == 0 {
		return math.NaN()
	}
	k := float64(l.Delay) + 0.5
	lo, hi := 0.0, math.Pi/(2*k) // the product rises up to there, to the stability limit
	for range 60 {
		if w := (lo + hi) / 2; 2*math.Sin(w/2)*math.Sin(w*k) < l.Gain/2 {
			lo = w
		} else {
			hi = w
		}
	}
	return lo / (2 * math.Pi * float64(l.Cycle))
}

// Peak returns the greatest Rejection and the frequency, up to half the
// sampling frequency, at which it stands.
func (l Linear) Peak() (fHz, rejection float64) {
	nyquist := 0.5 / float64(l.Cycle)
	if !l.valid() {
		return math.NaN(), math.NaN()
	}
	const n = 400
	for i := 1; i <= n; i++ {
		if f := nyquist * float64(i) / n; l.Rejection(f) > rejection {
			fHz, rejection = f, l.Rejection(f)
		}
	}
	lo, hi := fHz-nyquist/n, math.Min(fHz+nyquist/n, nyquist)
	fHz = goldenSection(func(f float64) float64 { return -l.Rejection(f) }, lo, hi, 30)
	return fHz, l.Rejection(fHz)
}

// A Ramp is what a steady drift leaves.
type Ramp struct {
	Measured unit.Arcsec // mean error over an exposure: v Cycle/g, whatever the delay
	Mean     unit.Arcsec // mean error over time; does not smear a star
	Last     unit.Arcsec // just before a correction
	Sawtooth float64     // variance between corrections, arcsec^2: (v Cycle)^2/12; smears
}

// Ramp returns the steady error under a drift of the given rate. NaN when the
// loop is not stable or has no gain.
//
// Derived: each correction makes up one cycle's drift, so the mean over an
// exposure is v Cycle/g; time means and the last instant follow from the drift
// since the exposure's middle.
func (l Linear) Ramp(rateArcsecPerS float64) Ramp {
	if !l.valid() || l.Gain == 0 {
		nan := unit.Arcsec(math.NaN())
		return Ramp{nan, nan, nan, math.NaN()}
	}
	v, cycle, exposure := rateArcsecPerS, float64(l.Cycle), float64(l.Exposure)
	measured := v * cycle / l.Gain
	return Ramp{
		Measured: unit.Arcsec(measured),
		Mean:     unit.Arcsec(measured + v*(cycle-exposure)/2),
		Last:     unit.Arcsec(measured + v*(cycle-exposure/2)),
		Sawtooth: v * v * cycle * cycle / 12,
	}
}

// WrongSignGrowth returns by what factor an error grows each cycle when
// corrections go the wrong way: the positive root of z^k (z-1) = g, which is
// 1 + g without delay. NaN for a negative gain or delay.
func WrongSignGrowth(gain float64, delay int) float64 {
	if !(gain >= 0) || delay < 0 {
		return math.NaN()
	}
	lo, hi := 1.0, 1+gain
	for range 60 {
		if z := (lo + hi) / 2; math.Pow(z, float64(delay))*(z-1) < gain {
			lo = z
		} else {
			hi = z
		}
	}
	return hi
}
