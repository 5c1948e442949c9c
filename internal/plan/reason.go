package plan

import (
	"fmt"

	"holdfast/internal/ledger"
)

// reason returns the plan in one sentence.
func reason(res *Result, now outcome, without ledger.Pair, has bool) string {
	c, k := now.pair.Centre, now.pair.Corner
	where, e, limit := "at the centre", c.Ellipticity(), now.goal.Ellipticity
	if k.Ellipticity()/now.goal.EllipticityCorner > e/limit {
		where, e, limit = "in the corner", k.Ellipticity(), now.goal.EllipticityCorner
	}
	star := fmt.Sprintf("%s sub at the best hour makes a star %.1f arcsec wide", article(res.Sub.Say()), float64(c.FWHM()))
	switch now.verdict() {
	case ledger.Round:
		s := fmt.Sprintf("%s and %.2f out of round %s, inside the limit of %.2f", star, e, where, limit)
		if res.Verdict == ledger.Unknown {
			s += ", but what is not known about the rig leaves too much open to promise it"
			if has && res.WeakLink != nil {
				return fmt.Sprintf("%s: above all %s.", s, abouts[*res.WeakLink].blame(res))
			}
			return s + "."
		}
		if !res.NeedsGuiding && res.Loop != nil {
			return s + "; it would be round without any correction too."
		}
		return s + "."
	case ledger.Drawn:
		s := fmt.Sprintf("%s but %.2f out of round %s, over the limit of %.2f", star, e, where, limit)
		if has && res.WeakLink != nil {
			after := without.Centre.Ellipticity()
			if where == "in the corner" {
				after = without.Corner.Ellipticity()
			}
			return fmt.Sprintf("%s: %s; without it, %.2f.", s, abouts[*res.WeakLink].blame(res), after)
		}
		return s + ", and no single cause can be taken away to mend it."
	case ledger.Soft:
		s := fmt.Sprintf("%s and round, but wider than its goal of %.1f arcsec", star, float64(res.GoalFWHM))
		if has && res.WeakLink != nil {
			return fmt.Sprintf("%s: %s; without it, %.1f arcsec.", s, abouts[*res.WeakLink].blame(res), float64(without.Centre.FWHM()))
		}
		return s + "."
	}
	return "The star cannot be told: a number the plan needs is not known."
}

// article puts "A" or "An" before a length of time.
func article(s string) string {
	if s[0] == '8' || len(s) > 2 && (s[:2] == "11" || s[:2] == "18") && (s[2] == ' ' || s[2] == '.') {
		return "An " + s
	}
	return "A " + s
}

// about is what a term answers to, and how it is spoken of.
type about struct {
	paths  []string
	remedy string
	cause  string // completes "over the limit: ..."
}

// blame names the cause with its size.
func (a about) blame(res *Result) string {
	for _, row := range res.Ledger {
		if row.Term == *res.WeakLink {
			e, n := row.East, row.North
			for _, k := range res.LedgerCorner {
				if k.Term == row.Term {
					e, n = max(e, k.East), max(n, k.North)
				}
			}
			return fmt.Sprintf("%s (%.2f arcsec rms east-west, %.2f north-south)", a.cause, float64(e), float64(n))
		}
	}
	return a.cause
}
