package loop

import (
	"math"

	"holdfast/internal/unit"
)

// Budget holds the terms of the rule-of-thumb error budget, rms along one axis,
// to be added in quadrature. It counts the lag behind a drift, which does not
// smear a star, and the error just before a correction; the rest of this
// package does neither. It is here for comparison.
type Budget struct {
	Injected unit.Arcsec // measurement noise times sqrt(NoiseGain)
	Periodic unit.Arcsec // periodic error left at mid-exposure
	Last     unit.Arcsec // periodic error left just before a correction
	Lag      unit.Arcsec // steady, behind the drift
}

// Budget returns the budget for white measurement noise of the given rms, a
// periodic error of the given amplitude (half of peak to peak) and period, and
// a steady drift. Good for periods of many cycles; NaN when the loop is not
// stable.
//
// Source: common practice of error budgets, no source; 2 pi A Cycle/(P g) is
// the slow limit of Rejection.
func (l Linear) Budget(noise, amplitude unit.Arcsec, period unit.Second, rateArcsecPerS float64) Budget {
	peak := 2 * math.Pi * float64(amplitude) / float64(period)
	fast, drift := l.Ramp(peak), l.Ramp(rateArcsecPerS)
	return Budget{
		Injected: noise * unit.Arcsec(math.Sqrt(l.NoiseGain())),
		Periodic: fast.Measured / math.Sqrt2,
		Last:     fast.Last / math.Sqrt2,
		Lag:      drift.Measured,
	}
}
