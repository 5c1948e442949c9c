package main

import (
	"io"
	"strings"

	"holdfast/internal/app"
	"holdfast/internal/rehearsal"
	"holdfast/internal/report"
)

// rehearseVerb plays a night and writes what its cameras see.
type rehearseVerb struct {
	rigFlags
	skyFlags
	Out    string   `required:"" placeholder:"DIR" help:"Folder to write: subs, guide frames, series.csv, truth.json. New or empty."`
	Sub    string   `placeholder:"TIME" help:"Length of a sub. Otherwise the rig's."`
	Subs   int      `default:"12" help:"How many subs."`
	Seed   uint64   `default:"1" help:"Of everything random: the same seed, the same night."`
	Exact  bool     `help:"Take the rig's entries at their stated values instead of drawing them from their ±."`
	Tables bool     `help:"Write tables of stars with the noise of a measurement instead of frames."`
	Fault  []string `sep:"none" placeholder:"KIND:AMOUNT" help:"Something wrong, such as flexure:20, in the kind's unit; flexure:matters sizes it so that this rig's star leaves its goal. May be repeated. Kinds: ${faults}."`
}

// Help is shown with --help.
func (rehearseVerb) Help() string {
	return "Exit status: 0 the night was written, 1 not possible, 2 wrong flags."
}

// Run rehearses.
func (v *rehearseVerb) Run(s *session) error {
	t := app.Rehearsal{Task: v.sky(v.task(s)), Out: v.Out, Subs: v.Subs, Exact: v.Exact, Tables: v.Tables, Faults: v.Fault, Done: func(n, of int) { s.reached(n, of) }}
	t.Sub, t.Seed = v.Sub, v.Seed
	a, err := t.Rehearse(s.ctx)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	n := report.NewNotes(nil, a.Assumed, report.SunCautions(a.SunApart))
	return s.deliver(a.Result, n, done, func(w io.Writer) error {
		return report.Rehearsal(w, &a.Result.Account, a.Result.Planned, a.Result.Corner, n, s.style(v.Assumed))
	})
}

// faultList names the kinds of fault.
func faultList() string {
	var names []string
	for _, k := range rehearsal.FaultKinds() {
		names = append(names, k.Kind)
	}
	return strings.Join(names, ", ")
}
