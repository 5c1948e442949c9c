package main

import (
	"io"

	"holdfast/internal/app"
	"holdfast/internal/report"
	"holdfast/internal/solve"
)

// solveVerb finds where frames point.
type solveVerb struct {
	frameFlags
	Hint   string `placeholder:"\"RA DEC RADIUS\"" help:"About where the frames point, the radius in degrees; or a name. Otherwise the headers' word, then the whole sky."`
	Scale  string `placeholder:"LO,HI" help:"Least and greatest image scale, arcsec per pixel."`
	Strict bool   `help:"Search only around the hint."`
}

// Help is shown with --help.
func (solveVerb) Help() string {
	return "Exit status: 0 every frame solved, 4 a frame that cannot be told, 1 a frame that could not be read, 2 wrong flags."
}

// solved is the result of solve.
type solved struct {
	Frames []solve.Answer `json:"frames"`
}

// Run solves the frames.
func (v *solveVerb) Run(s *session) error {
	frames, err := v.frames(s).Solve(s.ctx, app.SolveOptions{Hint: v.Hint, Scale: v.Scale, Strict: v.Strict})
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	for _, f := range frames {
		switch {
		case f.Error != "":
			status = failed
		case !f.Solved && status != failed:
			status = open
		}
	}
	return s.deliver(solved{frames}, report.Notes{}, status, func(w io.Writer) error { return report.Solve(w, frames, s.style(false)) })
}
