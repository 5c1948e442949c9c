package main

import (
	"io"

	"holdfast/internal/app"
	"holdfast/internal/ledger"
	"holdfast/internal/report"
)

// proveVerb says in the morning which link of the chain to mend first.
type proveVerb struct {
	Subs   []string `arg:"" name:"subs" help:"Subs, tables of their stars, or a folder of them."`
	Rig    string   `placeholder:"FILE" help:"Rig file, if there is one."`
	Set    []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig. May be repeated."`
	Series string   `placeholder:"FILE" help:"What the guide camera measured. Otherwise a series.csv beside the subs; none leaves it out."`
	Gain   float64  `placeholder:"E/ADU" help:"Electrons per ADU. Otherwise the headers'."`
	Draft  string   `placeholder:"FILE" help:"Write a draft rig file from what the night taught."`
	All    bool     `help:"List every cause, every row and every sub."`
	JSON   bool     `name:"json" help:"Print the answer as JSON."`
}

// Help is shown with --help.
func (proveVerb) Help() string {
	return "Exit status: 0 the stars were within their goal, 3 they were not, 4 they could not be judged, 1 not possible, 2 wrong flags."
}

// Run judges the night.
func (v *proveVerb) Run(s *session) error {
	t := app.ProveTask{Files: v.Subs, Series: v.Series, Gain: v.Gain, Draft: v.Draft, Done: func(n, of int) { s.reached(n, of) }}
	t.Rig, t.Set, t.Stdin = v.Rig, v.Set, s.stdin
	a, err := t.Prove(s.ctx)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	status := outOfGoal
	switch a.Result.Verdict {
	case ledger.Round:
		status = done
	case ledger.Unknown:
		status = open
	}
	n := report.NewNotes(nil, a.Assumed, nil)
	return s.deliver(a.Result, n, status, func(w io.Writer) error { return report.Proof(w, a.Result, report.Notes{}, s.style(v.All)) })
}
