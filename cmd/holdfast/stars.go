package main

import (
	"io"

	"holdfast/internal/report"
)

// starsVerb lists guide stars.
type starsVerb struct {
	rigFlags
	skyFlags
	Count int `default:"12" help:"Stars to list; 0 lists all."`
}

// Help is shown with --help.
func (starsVerb) Help() string {
	return "Exit status: 0 there is a usable star in the catalogue, 4 there may be one below it, 1 not possible, 2 wrong flags."
}

// Run lists the stars.
func (v *starsVerb) Run(s *session) error {
	a, err := v.sky(v.task(s)).Stars(s.ctx, v.Count)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	f := a.Result
	n := report.NewNotes(a.Rig, a.Assumed, report.StarsCautions(a.SunApart))
	status := open
	for _, st := range f.Stars {
		if st.Usable {
			status = done
		}
	}
	return s.deliver(f, n, status, func(w io.Writer) error { return report.Stars(w, f, n, s.style(v.Assumed)) })
}
