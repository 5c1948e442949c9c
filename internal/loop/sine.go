package loop

import (
	"math"
	"math/cmplx"

	"holdfast/internal/unit"
)

func sinc(x float64) float64 {
	x *= math.Pi
	if math.Abs(x) < 1e-4 {
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}

// lost returns 1 - sinc^2(x), without cancellation.
func lost(x float64) float64 {
	if math.IsInf(x, 0) {
		return 1
	}
	if math.Abs(x) < 1e-3 {
		x *= math.Pi
		return x * x / 3
	}
	s := sinc(x)
	return 1 - s*s
}

// wave is what a sine of one frequency needs: mean over an exposure and over a
// cycle, as complex factors at the cycle's start.
func wave(f, exposure, cycle float64) (overExposure, overCycle complex128) {
	s, c := math.Sincos(math.Pi * f * exposure)
	overExposure = complex(c, s) * complex(sinc(f*exposure), 0)
	s, c = math.Sincos(math.Pi * f * cycle)
	return overExposure, complex(c, s) * complex(sinc(f*cycle), 0)
}

func square(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// response returns the powers for a sine of unit mean square.
//
// Derived: write d = exp(i w t). With B its mean over an exposure and P over a
// cycle, both seen from the cycle's start, and S = q/(q+g), q = z^k (z-1),
// z = exp(i w Cycle), the correction held in cycle n is C exp(i w n Cycle) with
// C = B (1-S). The error's mean square over a cycle is
//
//	|P - C|^2 + 1 - |P|^2, and P - C = (P - B) + B S.
//
// The mean over a long sub sees only the slowest of the frequencies present:
// the sine itself with amplitude 1 - C conj(P), or, when it is faster than half
// the sampling frequency, the image of the staircase nearest to zero, whose
// amplitude is C sinc(x) with x the image's frequency in cycles.
func (l Linear) response(f, sub float64) (residual, injected, measured float64) {
	if !l.valid() || !(f >= 0) || !(sub > 0) {
		return math.NaN(), math.NaN(), math.NaN()
	}
	cycle := float64(l.Cycle)
	b, p := wave(f, float64(l.Exposure), cycle)
	q := openLoop(f*cycle, l.Delay)
	s := q / (q + complex(l.Gain, 0))
	c := b - b*s
	if l.Gain == 0 {
		s, c = 1, 0
	}
	x := f*cycle - math.Round(f*cycle)
	away := 1 - lost(x*sub/cycle) // share of the slow part that a sub's mean takes
	image := square(c) * sinc(x) * sinc(x) * away
	injected = square(c) - image
	residual = square(p-b+b*s) + lost(f*cycle)
	if f*cycle < 0.5 {
		residual -= square(1-c*cmplx.Conj(p)) * away
	} else {
		residual -= image
	}
	return residual, injected, square(b * s)
}

// ResidualPower returns the mean square that is left, within a sub of the
// given length, of a common sine of unit mean square: at any frequency, above
// half the sampling frequency too (mean over the phase). NaN if the loop is not
// stable, the frequency negative or the sub not positive.
func (l Linear) ResidualPower(fHz float64, sub unit.Second) float64 {
	r, _, _ := l.response(fHz, float64(sub))
	return r
}

// InjectedPower returns the mean square, within a sub of the given length, that
// the loop adds to the star for a sine of unit mean square that only the guide
// camera sees; otherwise as ResidualPower.
func (l Linear) InjectedPower(fHz float64, sub unit.Second) float64 {
	_, i, _ := l.response(fHz, float64(sub))
	return i
}

// MeasuredPower returns the mean square of what the guide camera measures for a
// sine of unit mean square, common or not: sinc^2(f Exposure) |S|^2.
func (l Linear) MeasuredPower(fHz float64) float64 {
	_, _, m := l.response(fHz, math.Inf(1))
	return m
}
