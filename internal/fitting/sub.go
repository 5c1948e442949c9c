package fitting

import (
	"fmt"
	"math"

	"holdfast/internal/ledger"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// SubGoal is what a plan foresees of a sub, in the pixels of its camera.
type SubGoal struct {
	FWHM        unit.Px // planned
	Ellipticity float64 // planned
	Roundest    float64 // ellipticity up to which a star is round; 0 means 0.10
	Widest      unit.Px // up to which a star is not soft; NaN or 0 is not known
}

// Sub is a measured sub beside its plan. Numbers that are not known are NaN.
type Sub struct {
	Verdict ledger.Verdict `json:"verdict"`
	Why     string         `json:"why"`

	Stars            int     `json:"stars_found"`
	FWHM             unit.Px `json:"fwhm_px"`
	FWHMSigma        unit.Px `json:"fwhm_sigma_px"`
	Ellipticity      float64 `json:"ellipticity"`
	EllipticitySigma float64 `json:"ellipticity_sigma"`

	PlannedFWHM        unit.Px `json:"planned_fwhm_px"`
	PlannedEllipticity float64 `json:"planned_ellipticity"`
	Roundest           float64 `json:"goal_ellipticity"`
	Widest             unit.Px `json:"goal_fwhm_px"`
}

// JudgeSub returns the verdict on one sub. Its stars are round or drawn by their
// mean shape; within two standard errors of the limit they are neither. One sub
// can not tell soft from the air of that minute, so that it is never called so:
// where it is wider than its goal, why says it.
func JudgeSub(f star.Frame, g SubGoal) Sub {
	if g.Roundest == 0 {
		g.Roundest = roundTo
	}
	s := Sub{Stars: f.StarsFound, FWHM: f.FWHM, FWHMSigma: f.FWHMSigma, Ellipticity: f.Ellipticity, EllipticitySigma: f.EllipticitySigma,
		PlannedFWHM: g.FWHM, PlannedEllipticity: g.Ellipticity, Roundest: g.Roundest, Widest: g.Widest}
	switch off := f.Ellipticity - g.Roundest; {
	case f.Error != "":
		s.Why = f.Error
		return s
	case math.IsNaN(off):
		s.Why = "no stars stand out well enough to say whether they are round: aim at a field with more of them, or expose longer"
		return s
	case math.Abs(off) <= 2*f.EllipticitySigma:
		s.Why = fmt.Sprintf("the stars are %s out of round, too near the limit of %.2f to say: take another", PlusMinus(f.Ellipticity, f.EllipticitySigma), g.Roundest)
	case off > 0:
		s.Verdict = ledger.Drawn
		s.Why = fmt.Sprintf("the stars are %.2f out of round, beyond %.2f; the plan said %.2f: the tests below part the causes", f.Ellipticity, g.Roundest, g.Ellipticity)
	default:
		s.Verdict = ledger.Round
		s.Why = fmt.Sprintf("the stars are %.2f out of round, within %.2f", f.Ellipticity, g.Roundest)
	}
	switch {
	case !(g.Widest > 0):
	case f.FWHM-2*f.FWHMSigma > g.Widest:
		s.Why += fmt.Sprintf("; they are %.1f px wide where the plan has %.1f: look at focus first, or the air is softer than the rig file says", float64(f.FWHM), float64(g.FWHM))
	default:
		s.Why += fmt.Sprintf("; they are %.1f px wide, the plan has %.1f", float64(f.FWHM), float64(g.FWHM))
	}
	return s
}
