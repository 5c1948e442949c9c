package loop

import "math"

// goldenSection returns where f is least between lo and hi, by n steps of
// golden section; f must fall to one minimum. NaN counts as great.
func goldenSection(f func(float64) float64, lo, hi float64, n int) float64 {
	const shrink = 0.6180339887498949
	a, b := hi-shrink*(hi-lo), lo+shrink*(hi-lo)
	fa, fb := f(a), f(b)
	for range n {
		if fa <= fb || math.IsNaN(fb) {
			hi, b, fb = b, a, fa
			a = hi - shrink*(hi-lo)
			fa = f(a)
		} else {
			lo, a, fa = a, b, fb
			b = lo + shrink*(hi-lo)
			fb = f(b)
		}
	}
	return (lo + hi) / 2
}

// GainForWalk returns the gain that leaves the least error when the
// disturbance walks at random with steps of variance ratio times that of the
// measurement noise, and the variance left in units of the noise's. Without
// delay the gain is (sqrt(r^2+4r) - r)/2. NaN unless the ratio is positive and
// the delay not negative.
//
// Derived: the error is the noise's recurrence driven by steps and noise,
// (r/g^2 + 1) NoiseGain; without delay it is the steady Kalman gain.
func GainForWalk(ratio float64, delay int) (gain, variance float64) {
	if !(ratio > 0) || delay < 0 {
		return math.NaN(), math.NaN()
	}
	cost := func(g float64) float64 { return (ratio/(g*g) + 1) * noiseGain(g, delay) }
	gain = goldenSection(cost, 0, StabilityLimit(delay, 0), 60)
	return gain, cost(gain)
}

// GainForRamp returns the gain that makes (v/g)^2 + NoiseGain least: the square
// of the lag behind a drift of v noise sigmas a cycle, plus the noise injected.
// It is the rule of budgets that count the lag; a lag does not smear a star,
// and Optimise does not count it. NaN for a negative delay.
func GainForRamp(driftPerCycle float64, delay int) float64 {
	if delay < 0 || math.IsNaN(driftPerCycle) {
		return math.NaN()
	}
	return goldenSection(func(g float64) float64 {
		return driftPerCycle*driftPerCycle/(g*g) + noiseGain(g, delay)
	}, 0, StabilityLimit(delay, 0), 60)
}
