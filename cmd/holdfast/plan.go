package main

import (
	"io"

	"holdfast/internal/ledger"
	"holdfast/internal/report"
)

// planVerb answers what star the rig will make.
type planVerb struct {
	rigFlags
	skyFlags
	Sub     string `placeholder:"TIME" help:"Length of a sub, such as \"300 s\". Otherwise the rig's."`
	Samples int    `placeholder:"N" help:"Rigs drawn from the uncertainties for the spread."`
	Seed    uint64 `default:"1" help:"Seed of those draws."`
}

// Help is shown with --help.
func (planVerb) Help() string {
	return "Exit status: 0 round, 3 soft or drawn, 4 too uncertain to say, 1 not possible, 2 wrong flags."
}

// Run makes the plan.
func (v *planVerb) Run(s *session) error {
	t := v.sky(v.task(s))
	t.Sub, t.Samples, t.Seed = v.Sub, v.Samples, v.Seed
	a, err := t.Plan(s.ctx)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	res := a.Result
	n := report.NewNotes(a.Rig, a.Assumed, report.PlanCautions(a.Rig, res))
	status := done
	switch res.Verdict {
	case ledger.Soft, ledger.Drawn:
		status = outOfGoal
	case ledger.Unknown:
		status = open
	}
	return s.deliver(res, n, status, func(w io.Writer) error { return report.Plan(w, res, n, s.style(v.Assumed)) })
}
