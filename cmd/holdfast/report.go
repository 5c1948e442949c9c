package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/print"
	"holdfast/internal/report"
)

// reportVerb writes a report.
type reportVerb struct {
	Rig string   `arg:"" optional:"" help:"Rig file; - reads standard input. Without one give --subs."`
	Set []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig. May be repeated."`
	skyFlags
	Sub    string   `placeholder:"TIME" help:"Length of a sub. Otherwise the rig's."`
	Subs   []string `sep:"none" placeholder:"FILES" help:"Report on a night's subs instead: frames, tables of stars, or a folder. May be repeated."`
	Series string   `placeholder:"FILE" help:"What the guide camera measured, with --subs. Otherwise a series.csv beside them."`
	Out    string   `placeholder:"FILE" help:"File to write. Otherwise standard output."`
}

// Help is shown with --help.
func (reportVerb) Help() string {
	return "One HTML file that stands by itself and prints well on A4 and letter paper: a plan with its light path, or, with --subs, the proof of a night."
}

// Run writes the report.
func (v *reportVerb) Run(s *session) error {
	var b bytes.Buffer
	made := print.Made{At: time.Now(), Version: versionText()}
	var err error
	if len(v.Subs) > 0 {
		err = v.proof(s, &b, made)
	} else {
		err = v.plan(s, &b, made)
	}
	if err != nil {
		return err
	}
	if v.Out == "" {
		_, err := io.Copy(s.stdout, &b)
		return s.write(err)
	}
	if err := app.WriteFile(v.Out, b.Bytes()); err != nil {
		return s.failed(err, report.Notes{})
	}
	fmt.Fprintf(s.stdout, "written to %s\n", v.Out)
	return nil
}

// plan writes the report of a plan.
func (v *reportVerb) plan(s *session, w io.Writer, made print.Made) error {
	if v.Rig == "" {
		return s.failed(&app.UsageError{Flag: "subs", Err: errors.New("found neither a rig file nor subs: want one of them")}, report.Notes{})
	}
	t := v.sky(rigFlags{Rig: v.Rig, Set: v.Set}.task(s))
	t.Sub, t.Seed = v.Sub, 1
	a, err := t.Plan(s.ctx)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	path, err := app.PathOf(a.Rig)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	n := report.NewNotes(a.Rig, a.Assumed, report.PlanCautions(a.Rig, a.Result))
	return s.write(print.Plan(w, a.Rig, a.Result, path, n, made))
}

// proof writes the report of a night.
func (v *reportVerb) proof(s *session, w io.Writer, made print.Made) error {
	t := app.ProveTask{Files: v.Subs, Series: v.Series, Done: s.reached}
	t.Rig, t.Set, t.Stdin = v.Rig, v.Set, s.stdin
	a, err := t.Prove(s.ctx)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	return s.write(print.Proof(w, a.Result, report.NewNotes(nil, a.Assumed, nil), made))
}
