package main

import (
	"io"

	"holdfast/internal/report"
)

// seekVerb says what must show on the guide camera.
type seekVerb struct {
	rigFlags
	skyFlags
	Exposure string `required:"" placeholder:"TIME" help:"Exposure of the guide camera, such as \"0.5 s\"."`
	At       string `placeholder:"TIME" help:"Instant in UTC, such as 2026-08-14T21:30. Otherwise now, or the evening's dusk."`
	Targets  int    `default:"3" help:"Targets to show in full; 0 shows all. JSON always has all."`
}

// Help is shown with --help.
func (seekVerb) Help() string {
	return "Exit status: 0 something shows wherever the focuser stands, 3 only near focus or in a longer exposure, 4 nothing is up, 1 not possible, 2 wrong flags."
}

// Run seeks.
func (v *seekVerb) Run(s *session) error {
	a, err := v.sky(v.task(s)).Seek(v.Exposure, v.At)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	k := a.Result
	n := report.NewNotes(nil, a.Assumed, report.SeekCautions(k))
	status := outOfGoal
	switch {
	case len(k.Targets) == 0:
		status = open
	case k.Targets[0].Everywhere:
		status = done
	}
	return s.deliver(k, n, status, func(w io.Writer) error { return report.Seek(w, k, v.Targets, n, s.style(v.Assumed)) })
}
