package fitting

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/internal/star"
)

// The tests that part causes by two sets of subs.
const (
	ShortSubs     = "short" // the second set is shorter
	CorrectionOff = "off"   // the second set was taken without correction
)

// The ways in which two sets of subs differ.
const (
	Rounder   = "rounder"    // the second set is
	LessRound = "less round" // the second set is
	Alike     = "alike"      // no difference that would matter
	NotParted = "not parted" // too few frames, or too uneven
)

// SetOf is a set of subs.
type SetOf struct {
	Frames           int     `json:"frames"` // with stars
	Ellipticity      float64 `json:"ellipticity"`
	EllipticitySigma float64 `json:"ellipticity_sigma"`
}

// Apart is what two sets of subs tell of a cause. Numbers that are not known are
// NaN.
type Apart struct {
	Verdict string   `json:"verdict"`
	Why     string   `json:"why"`
	Before  SetOf    `json:"usual"`
	After   SetOf    `json:"changed"`
	Gain    float64  `json:"rounder_by"` // of the second set
	Sigma   float64  `json:"rounder_by_sigma"`
	Left    []string `json:"left_out"` // frames without stars, with the reason
}

// leastApart is a difference of ellipticity that would matter: a fifth of what
// is called round, common practice, no source.
const leastApart = 0.02

// leastEach is how many frames of a set say how much they scatter.
const leastEach = 3

// Compare returns whether the stars of changed subs are rounder than those of
// usual ones, and what follows from it in the test that is named. The standard
// error of a set is that of the scatter between its frames; sets of fewer than
// three frames are not parted. A difference counts beyond its 95 % interval.
//
// Source: Welch 1947, Biometrika 34, 28, "The generalization of Student's
// problem when several different population variances are involved".
func Compare(test string, usual, changed []star.Frame) Apart {
	a := Apart{Verdict: NotParted}
	a.Before, a.After = a.set(usual), a.set(changed)
	a.Gain = a.Before.Ellipticity - a.After.Ellipticity
	a.Sigma = math.Hypot(a.Before.EllipticitySigma, a.After.EllipticitySigma)
	if a.Before.Frames < leastEach || a.After.Frames < leastEach {
		a.Why = fmt.Sprintf("found %d usual and %d other frames with stars: want %d or more of each, to see how much they scatter", a.Before.Frames, a.After.Frames, leastEach)
		return a
	}
	half := a.half()
	switch {
	case math.Abs(a.Gain) > max(half, leastApart) && a.Gain > 0:
		a.Verdict = Rounder
	case math.Abs(a.Gain) > max(half, leastApart):
		a.Verdict = LessRound
	case math.Abs(a.Gain)+half < 2*leastApart:
		a.Verdict = Alike
	}
	a.Why = fmt.Sprintf("usual subs are %s out of round, the others %s", PlusMinus(a.Before.Ellipticity, a.Before.EllipticitySigma), PlusMinus(a.After.Ellipticity, a.After.EllipticitySigma))
	if f := follows[test+" "+a.Verdict]; f != "" {
		a.Why += ": " + f
	} else if a.Verdict == NotParted {
		a.Why += ": they scatter too much to be parted: take more of both"
	}
	return a
}

// follows is what a verdict means in a test.
var follows = map[string]string{
	ShortSubs + " " + Rounder:       "what draws them is slow: drift of the polar axis, flexure, a mirror that moves, the turn of the field, a period of the drive longer than the short subs",
	ShortSubs + " " + Alike:         "what draws them is not slow: tilt or the optics if they are drawn alike in every sub, else wind, or a correction that hunts",
	ShortSubs + " " + LessRound:     "short subs catch single swings: wind, the drive's fast errors, or the air of a moment; take more of them before you believe it",
	CorrectionOff + " " + Rounder:   "the correction itself draws them: gain too high, play in declination, a wrong calibration, or a guide star that is none",
	CorrectionOff + " " + Alike:     "neither the drive nor the correction draws them: flexure, tilt, the optics, or the turn of the field",
	CorrectionOff + " " + LessRound: "the correction does its work, and what is left is what it can not see: flexure, or swings faster than its interval",
}

// half returns half the width of the 95 % interval of the difference.
func (a *Apart) half() float64 {
	if a.Sigma == 0 {
		return 0
	}
	before, after := sq(a.Before.EllipticitySigma), sq(a.After.EllipticitySigma)
	freedom := sq(before+after) / (sq(before)/float64(a.Before.Frames-1) + sq(after)/float64(a.After.Frames-1))
	return a.Sigma * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile(0.975)
}

// set returns the mean of a set's frames.
func (a *Apart) set(frames []star.Frame) SetOf {
	nan := math.NaN()
	var e []float64
	for _, f := range frames {
		if math.IsNaN(f.Ellipticity) {
			why := f.Error
			if why == "" {
				why = "no stars that tell their shape"
			}
			a.Left = append(a.Left, f.File+": "+why)
			continue
		}
		e = append(e, f.Ellipticity)
	}
	s := SetOf{Frames: len(e), Ellipticity: nan, EllipticitySigma: nan}
	if len(e) > 0 {
		s.Ellipticity = stat.Mean(e, nil)
	}
	if len(e) > 1 {
		s.EllipticitySigma = stat.StdErr(stat.StdDev(e, nil), float64(len(e)))
	}
	return s
}
