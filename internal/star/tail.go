package star

import (
	"cmp"
	"math"
	"slices"

	"holdfast/internal/num"
	"holdfast/internal/psf"
)

// Of a faint star the exponent can not be told, and held wrongly it makes the
// star too wide or too narrow: all of a frame's faint stars alike. The middle of
// a few dozen that stand out no more than fifty times tells it to some 0.02,
// which is nearly a percent in width. So where no star is bright, all stars say
// to which exponent they would move, and are measured again with the one they
// agree on.

// A vote is what a star says of the exponent that it shares.
type vote struct {
	step   float64 // from the shared exponent to the one that suits the star best
	weight float64 // one over the square of the step's error
}

// agreed is by what part a width may be off for the shared exponent's error:
// more than that, and the stars are asked.
const agreed = 0.001

// vote returns what the gathered pixels say that p was fitted to, shared being
// the common exponent: the step of Gauss and Newton with all parameters free,
// which no bound of the exponent holds.
func (t *fitter) vote(p *profile, shared, noise, perADU float64) (v vote, ok bool) {
	x := [7]float64{p.amp, p.x - t.x0, p.y - t.y0, p.xx, p.xy, p.yy, p.tail}
	var inverse [49]float64
	var gradient [7]float64
	t.normal(x[:], p.tail, inverse[:], gradient[:])
	if !num.InvertPositive(inverse[:], 7) {
		return v, false
	}
	v.step = p.tail - shared
	for j, g := range gradient {
		v.step -= inverse[6*7+j] * g
	}
	// What counts is where the exponent tells, between half and a tenth of the
	// peak: there the light adds about a fifth of its own noise.
	v.weight = 1 / (inverse[6*7+6] * (noise*noise + 0.2*p.amp*perADU))
	return v, math.Abs(v.step) < 1 && v.weight > 0 && !math.IsInf(v.weight, 0) // what wants more is no star
}

// consensus returns Huber's mean of the votes' steps, begun at their weighted
// median, and its error, which their scatter tells. ok is false for less than
// eight votes.
func consensus(votes []vote) (step, sigma float64, ok bool) {
	if len(votes) < 8 {
		return 0, 0, false
	}
	votes = slices.Clone(votes)
	slices.SortFunc(votes, func(a, b vote) int { return cmp.Or(cmp.Compare(a.step, b.step), cmp.Compare(a.weight, b.weight)) })
	total := 0.0
	for _, v := range votes {
		total += v.weight
	}
	below := 0.0
	for _, v := range votes {
		if below += v.weight; below >= total/2 {
			step = v.step
			break
		}
	}
	pulls := make([]float64, len(votes))
	for i, v := range votes {
		pulls[i] = (v.step - step) * math.Sqrt(v.weight)
	}
	spread := scatter(pulls, 0)
	for range 5 {
		sum, weights := 0.0, 0.0
		for _, v := range votes {
			w := v.weight
			if pull := math.Abs(v.step-step) * math.Sqrt(w); pull > huber*spread {
				w *= huber * spread / pull
			}
			sum += w * (v.step - step)
			weights += w
		}
		step += sum / weights
	}
	// Of Gaussian numbers Huber's mean is 1.026 times as uncertain as the mean.
	return step, 1.026 * spread / math.Sqrt(total), true
}

// share moves the typical exponent to where the stars want it. It reports
// whether that changes them, so that they must be measured again.
func (s *survey) share() bool {
	step, sigma, ok := consensus(s.votes)
	if !ok {
		return false
	}
	before := s.typical.tail
	tail := math.Max(0, math.Min(psf.MaxTail, before+step))
	s.tailSigma = sigma
	if tailNarrows*math.Abs(tail-before) < agreed/2 {
		return false
	}
	// The widths change with it.
	k := psf.HalfMaximum(tail) / psf.HalfMaximum(before) * math.Pow(1-tailNarrows*(tail-before), -2)
	s.typical.xx, s.typical.xy, s.typical.yy, s.typical.tail = k*s.typical.xx, k*s.typical.xy, k*s.typical.yy, tail
	return true
}
