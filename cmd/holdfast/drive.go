package main

import (
	"io"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/report"
	"holdfast/internal/series"
)

// driveVerb says what a record of guide offsets tells of a drive.
type driveVerb struct {
	Series []string `arg:"" name:"series" help:"Table of guide offsets as any program writes it, - for standard input; or guide frames, or a folder of them."`
	Rig    string   `placeholder:"FILE" help:"Rig file: its guide telescope, guide camera and air."`
	Set    []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig. May be repeated."`

	Columns string `placeholder:"LIST" help:"Which column is which, by number from 1 or by name, such as time=1,ra=3,dec=4,ra_correction=5,dec_correction=6. Also snr, ra_direction, dec_direction. Otherwise our own names."`
	Units   string `placeholder:"UNIT" help:"Unit of the offsets: arcsec, arcmin or px. Otherwise arcsec."`
	Scale   string `placeholder:"SCALE" help:"Arcsec per pixel of the guide camera."`
	Save    string `placeholder:"FILE" help:"Keep columns, units and scale in a file."`
	As      string `placeholder:"FILE" help:"Take columns, units and scale from a file that --save wrote."`

	Exposure string `placeholder:"TIME" help:"Exposure of the guide camera. Otherwise as long as its cycle."`
	Aperture string `placeholder:"LENGTH" help:"Aperture of the guide telescope, for what the air does. Otherwise 50 mm."`
	Gain     string `placeholder:"NUMBER" help:"Share of the error that each correction took off, where the corrections are not in the record."`

	JSON bool `name:"json" help:"Print the answer as JSON."`
}

// Help is shown with --help.
func (driveVerb) Help() string {
	return "What corrections of other programs mean (unit, sign, axis, row) is found out from how the star moved after them. Exit status: 0 nothing amiss, 3 something to mend, 4 too little to tell, 1 not possible, 2 wrong flags."
}

// Run reads and analyses.
func (v *driveVerb) Run(s *session) error {
	t := app.DriveTask{Task: app.Task{Rig: v.Rig, Set: v.Set, Stdin: s.stdin, Now: time.Now()},
		Frames:  app.Frames{Files: v.Series, Done: func(n, of int) { s.reached(n, of) }},
		Columns: v.Columns, Unit: v.Units, Scale: v.Scale, Exposure: v.Exposure, Aperture: v.Aperture, Gain: v.Gain, Save: v.Save, As: v.As}
	a, err := t.Drive(s.ctx)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	switch a.Result.Verdict {
	case series.Oscillates, series.Misset, series.Playing, series.Deaf:
		status = outOfGoal
	case series.Untold:
		status = open
	}
	n := report.NewNotes(nil, a.Assumed, nil)
	return s.deliver(a.Result, n, status, func(w io.Writer) error { return report.Drive(w, a.Result, n, s.style(true)) })
}
