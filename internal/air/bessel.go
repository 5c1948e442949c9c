package air

import "math"

// besselIntegral returns the integral of the Bessel function J0 from 0 to z,
// for z >= 0, to 4e-6: below 25 as twice the sum of J1, J3, J5, ... from
// Miller's backward recurrence, above by the asymptotic series.
//
// Source: Abramowitz and Stegun (1964), 11.1.2 and 11.1.8 with its remark.
func besselIntegral(z float64) float64 {
	if z == 0 {
		return 0
	}
	if z > 25 {
		s, c := math.Sincos(z - math.Pi/4)
		even := 1 - 129./128/(z*z)
		odd := (5./8 - 2655./1024/(z*z)) / z
		return 1 + math.Sqrt(2/(math.Pi*z))*(even*s-odd*c)
	}
	n := 2 * (int(z)/2 + 14) // even, well above z
	above, here := 0.0, 1e-30
	var odd, norm float64 // sums of J1+J3+..., of J0+2J2+2J4+... (which is 1)
	for k := n; k > 0; k-- {
		if k%2 == 1 {
			odd += here
		} else {
			norm += 2 * here
		}
		above, here = here, 2*float64(k)/z*here-above
	}
	norm += here
	return 2 * odd / norm
}

// jinc returns 2 J1(z)/z, the filter of averaging the wavefront's gradient
// over a round pupil, for z = pi D f.
func jinc(z float64) float64 {
	if z < 1e-3 {
		return 1 - z*z/8
	}
	return 2 * math.J1(z) / z
}

// sinc returns sin(pi x)/(pi x).
func sinc(x float64) float64 {
	x *= math.Pi
	if math.Abs(x) < 1e-4 {
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}
