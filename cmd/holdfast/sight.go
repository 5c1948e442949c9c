package main

import (
	"io"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// sightVerb says how far apart two telescopes point.
type sightVerb struct {
	Imaging string   `required:"" placeholder:"FRAME" help:"Frame of the imaging camera."`
	Guide   string   `required:"" placeholder:"FRAME" help:"Frame of the guide camera, the mount not moved between."`
	Rig     string   `placeholder:"FILE" help:"Rig file: its bracket, and what its plan bears."`
	Set     []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig. May be repeated."`
	Date    string   `placeholder:"YYYY-MM-DD" help:"Date of the local evening. Otherwise tonight."`
	Tube    string   `placeholder:"SIDE" help:"Side of the pier the tube is on, east or west."`
	Travel  string   `placeholder:"LENGTH" help:"What the screws have left either way, such as \"3 mm\"."`
	JSON    bool     `name:"json" help:"Print the answer as JSON."`
}

// Help is shown with --help.
func (sightVerb) Help() string {
	return "Both frames are solved, or else both hold the same one bright target. Exit status: 0 near enough or no plan to say, 3 it matters, 1 not possible, 2 wrong flags."
}

// Run solves and compares.
func (v *sightVerb) Run(s *session) error {
	t := app.SightTask{Task: app.Task{Rig: v.Rig, Set: v.Set, Date: v.Date, Stdin: s.stdin, Now: time.Now()}, Imaging: v.Imaging, Guide: v.Guide, Tube: v.Tube, Travel: v.Travel}
	a, err := t.Sight(s.ctx)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	if m := a.Result.Matters; m != nil && *m {
		status = outOfGoal
	}
	n := report.NewNotes(nil, a.Assumed, report.SightCautions(a.Result))
	return s.deliver(a.Result, n, status, func(w io.Writer) error { return report.Sight(w, a.Result, n, s.style(true)) })
}
