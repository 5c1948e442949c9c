package psf

import (
	"fmt"
	"math"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// Excess returns the covariance of the Gaussian that, convolved with the known
// causes, makes a star of the measured widths and position angle: what is left
// to explain. Along an axis where the known causes alone are wider than the
// star it is negative, which is information and not an error; Gaussian takes
// it as it is. The measured Tail and Peak are not used.
//
// Good to 1e-4 of the star's squared width. The error says that the measured
// profile is none, or that no Gaussian of either sign can do it, the known
// causes being far too wide; it wraps num.ErrNoConverge.
func Excess(measured Profile, known ...Kernel) (Cov, error) {
	causes := append([]Kernel{{}}, known...)
	x, err := match(measured, func(x [3]float64) []Kernel {
		causes[0] = Gaussian(Cov{x[0] - x[1], x[0] + x[1], x[2]})
		return causes
	}, [3]float64{fwhmPerSigma * fwhmPerSigma, fwhmPerSigma * fwhmPerSigma, fwhmPerSigma * fwhmPerSigma}, known)
	return Cov{x[0] - x[1], x[0] + x[1], x[2]}, err
}

// Trailed returns the air's FWHM and the length and position angle (0 <= pa <
// 180) of a uniform trail that, together with the known causes, make a star of
// the measured widths and position angle. Good to 1e-4 of the squared width.
// The error says that there is no such pair; it wraps num.ErrNoConverge.
func Trailed(measured Profile, known ...Kernel) (air, length unit.Arcsec, pa unit.Deg, err error) {
	causes := append([]Kernel{{}, {}}, known...)
	unpack := func(x [3]float64) (air, length unit.Arcsec, pa unit.Deg) {
		pa = unit.Rad(math.Atan2(x[2], x[1]) / 2).Deg()
		if pa < 0 {
			pa += 180
		}
		return unit.Arcsec(math.Sqrt(x[0])), unit.Arcsec(math.Sqrt(math.Hypot(x[1], x[2]))), pa
	}
	// Along the trail squared widths grow by 8 ln 2/12 of the squared length:
	// half of it in the mean and in the difference of the axes.
	slope := fwhmPerSigma * fwhmPerSigma / 24
	x, err := match(measured, func(x [3]float64) []Kernel {
		w, l, pa := unpack([3]float64{x[0] - slope*math.Hypot(x[1], x[2]), x[1], x[2]})
		causes[0], causes[1] = Air(w), Trail(l, pa)
		return causes
	}, [3]float64{1, slope, slope}, known)
	x[0] -= slope * math.Hypot(x[1], x[2])
	air, length, pa = unpack(x)
	if err == nil && math.IsNaN(float64(air)) {
		err = fmt.Errorf("psf: no air and trail make a star of %.3g by %.3g arcsec: %w", measured.Major, measured.Minor, num.ErrNoConverge)
	}
	return air, length, pa, err
}

// match returns the x for which the star of causes(x) has the measured tensor
// of squared widths, by Broyden's method. x stands for the tensor's mean, half
// difference (north less east) and cross term, with which these grow at about
// the given slopes.
//
// Source: Broyden 1965, Math. Comp. 19, 577, "A class of methods for solving
// nonlinear simultaneous equations".
func match(measured Profile, causes func(x [3]float64) []Kernel, slope [3]float64, known []Kernel) ([3]float64, error) {
	nan := [3]float64{math.NaN(), math.NaN(), math.NaN()}
	want := parts(measured.squares())
	if !(measured.Minor > 0 && measured.Major >= measured.Minor) || math.IsInf(float64(measured.Major), 0) || math.IsNaN(want[0]+want[1]+want[2]) {
		return nan, fmt.Errorf("psf: a star of %.3g by %.3g arcsec at %.3g degrees has no size to explain", measured.Major, measured.Minor, measured.PA)
	}
	// The start: squared widths subtract.
	var x, inverse [3]float64
	have := parts(total(known).Times(fwhmPerSigma * fwhmPerSigma))
	for i := range x {
		inverse[i] = 1 / slope[i]
		x[i] = (want[i] - have[i]) * inverse[i]
	}
	miss := func(x [3]float64) [3]float64 {
		w := parts(Star(causes(x)...).squares())
		return [3]float64{w[0] - want[0], w[1] - want[1], w[2] - want[2]}
	}
	size := func(r [3]float64) float64 { return math.Hypot(math.Hypot(r[0], r[1]), r[2]) }

	r := miss(x)
	for try := 0; math.IsNaN(r[0]) && try < 30; try++ {
		// Too much taken away: draw nearer to what is certainly a star.
		for i := range x {
			x[i] += 0.2 * (want[i]*inverse[i] - x[i])
		}
		r = miss(x)
	}
	j := [3][3]float64{{inverse[0]}, {0, inverse[1]}, {0, 0, inverse[2]}} // inverse of the Jacobian
	for range 40 {
		if size(r) <= 2e-6*want[0] {
			return x, nil
		}
		var step, next [3]float64
		for a := range step {
			step[a] = -(j[a][0]*r[0] + j[a][1]*r[1] + j[a][2]*r[2])
		}
		var trial [3]float64
		for half := 0; ; half++ {
			for a := range step {
				next[a] = x[a] + step[a]
			}
			trial = miss(next)
			if size(trial) < 2*size(r) {
				break
			}
			if half == 20 {
				return x, fmt.Errorf("psf: nothing added to the known causes makes a star of %.3g by %.3g arcsec: %w", measured.Major, measured.Minor, num.ErrNoConverge)
			}
			for a := range step {
				step[a] /= 2
			}
		}
		// Broyden's good update of the inverse.
		var jy, sj [3]float64
		den := 0.0
		for a := range 3 {
			for b := range 3 {
				jy[a] += j[a][b] * (trial[b] - r[b])
				sj[b] += step[a] * j[a][b]
			}
		}
		for a := range 3 {
			den += step[a] * jy[a]
		}
		if den != 0 {
			for a := range 3 {
				for b := range 3 {
					j[a][b] += (step[a] - jy[a]) * sj[b] / den
				}
			}
		}
		x, r = next, trial
	}
	return x, fmt.Errorf("psf: a star of %.3g by %.3g arcsec: %w", measured.Major, measured.Minor, num.ErrNoConverge)
}

// parts returns the mean of a tensor's diagonal, half its difference (north
// less east) and the cross term.
func parts(c Cov) [3]float64 {
	return [3]float64{(c.NorthArcsec2 + c.EastArcsec2) / 2, (c.NorthArcsec2 - c.EastArcsec2) / 2, c.CrossArcsec2}
}

// AirFWHM returns the FWHM of the air that, together with the known causes,
// makes a star of the given minor width: an upper bound of the seeing from a
// star that was drawn along its other axis. NaN if the known causes alone are
// as wide, or if minor is not a positive number. Good to 1e-4.
func AirFWHM(minor unit.Arcsec, known ...Kernel) unit.Arcsec {
	nan := unit.Arcsec(math.NaN())
	if !(minor > 0) || math.IsInf(float64(minor), 0) {
		return nan
	}
	causes := append([]Kernel{{}}, known...)
	excess := func(fwhm float64) float64 {
		causes[0] = Air(unit.Arcsec(fwhm))
		return float64(Star(causes...).Minor - minor)
	}
	// The fitted width of air alone is 1.3 % below its FWHM, so 1.1 brackets.
	low, high := 1e-3*float64(minor), 1.1*float64(minor)
	atLow, atHigh := excess(low), excess(high)
	if !(atLow < 0 && atHigh > 0) {
		return nan
	}
	// False position, halving the weight of an end that stays (Illinois).
	side := 0
	for range 60 {
		x := (low*atHigh - high*atLow) / (atHigh - atLow)
		y := excess(x)
		if math.Abs(y) < 1e-6*float64(minor) || high-low < 1e-6*float64(minor) {
			return unit.Arcsec(x)
		}
		if y < 0 {
			low, atLow = x, y
			if side < 0 {
				atHigh /= 2
			}
			side = -1
		} else {
			high, atHigh = x, y
			if side > 0 {
				atLow /= 2
			}
			side = 1
		}
	}
	return unit.Arcsec((low + high) / 2)
}
