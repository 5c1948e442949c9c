package main

import (
	"io"

	"holdfast/internal/report"
)

// pathVerb works out the light path.
type pathVerb struct {
	rigFlags
}

// Help is shown with --help.
func (pathVerb) Help() string {
	return "Exit status: 0 it reaches focus and the mount carries it, 3 it does not, 1 not possible, 2 wrong flags."
}

// Run works out the path.
func (v *pathVerb) Run(s *session) error {
	a, err := v.task(s).Path()
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	p := a.Result
	n := report.NewNotes(a.Rig, a.Assumed, report.PathCautions(a.Rig))
	status := done
	if !p.Reaches || p.LoadShare > 1 {
		status = outOfGoal
	}
	return s.deliver(p, n, status, func(w io.Writer) error { return report.Path(w, p, n, s.style(v.Assumed)) })
}
