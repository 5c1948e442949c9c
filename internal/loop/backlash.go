package loop

import (
	"math"

	"holdfast/internal/unit"
)

// Backlash is what decides how much play in an axis costs.
type Backlash struct {
	Play          unit.Arcsec // of the axis, full width
	Gain          float64
	NoiseRMS      unit.Arcsec // of a measurement: centroid and air
	WalkPerCycle  unit.Arcsec // rms step per cycle of what really wanders, to and fro
	DriftPerCycle unit.Arcsec // of what moves steadily one way
	SubCycles     float64     // cycles in a sub, for the variance within subs; 0 for the whole variance
}

// Variance returns the variance, in square arcseconds, that play adds to the
// star's error. An integrator loop with play costs nothing for measurement
// noise alone or a steady drift, which holds the play on one flank: only a
// disturbance that turns back, so that the gap must be crossed each time, is
// followed late. It grows with the play, vanishes with it and with the walk,
// and with a drift it stops growing when the drift comes back before the gap is
// crossed. 0 without gain or walk; NaN for a negative play.
//
// Derived: a walk of step q goes q sqrt(n) in n cycles, while the loop moves
// the drive across the gap b by g times that each cycle; so crossing takes
// n = (b/(g q))^(2/3) cycles and leaves q^2 n. Fitted to simulations with gains
// 0.2 to 0.8, walks 0.03 to 1, drifts 0 to 0.3 and plays 0.3 to 30, in units of
// the noise, without delay: the error's whole variance comes out within 9 %
// rms and 27 % at worst. (Play also spares the star up to a sixth of the
// injected noise, which is not claimed here.)
//
// Within a sub of m cycles the error does not vary about zero but about its mean
// there: taken for a process that forgets itself in n cycles, the share
// 1 - 2 (x - 1 + exp(-x))/x^2 of the variance is left, with x = m/n.
func (p Backlash) Variance() (arcsec2 float64) {
	b, g, q := float64(p.Play), p.Gain, float64(p.WalkPerCycle)
	if !(b >= 0) {
		return math.NaN()
	}
	if b == 0 || q == 0 || g == 0 {
		return 0
	}
	cross := math.Pow(b/(g*q), 2./3) // cycles
	// Noise shakes the drive about by this much; less play than that is not felt.
	shake := 4.2 * float64(p.NoiseRMS) * math.Sqrt(noiseGain(g, 0))
	felt := b * b / (b*b + shake*shake)
	whole := 0.36 * q * q * cross * felt / (1 + math.Pow(math.Abs(float64(p.DriftPerCycle))*math.Sqrt(cross)/q/1.4, 2.25))
	return whole * withinSub(p.SubCycles/cross)
}

// withinSub returns the share of the variance of a process with exponentially
// falling correlation that lies within pieces of x times its correlation time;
// 1 for 0, which stands for no end.
//
// Derived: the variance of the mean over a piece, taken off.
func withinSub(x float64) float64 {
	switch {
	case !(x > 0) || x > 1e8:
		return 1
	case x < 1e-3:
		return x / 3
	}
	return 1 - 2*(x-1+math.Exp(-x))/(x*x)
}
