package main

import (
	"bytes"
	"io"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// reachVerb evaluates the star over one entry or two.
type reachVerb struct {
	rigFlags
	skyFlags
	Over string `placeholder:"ENTRY=FROM:TO[:STEPS]" help:"Entry to vary, as in --over site.seeing=\"1 arcsec:5 arcsec\". Otherwise the imaging focal length."`
	And  string `placeholder:"ENTRY=FROM:TO[:STEPS]" help:"A second entry to vary."`
	Show string `enum:"star,residual" default:"star" help:"What to draw: the star, or the tracking error that is left (residual)."`
	SVG  string `name:"svg" placeholder:"FILE" help:"Also draw the chart into an SVG file."`
}

// Help is shown with --help.
func (reachVerb) Help() string {
	return "Values are spaced by ratio where the ends are more than a factor of four apart. Exit status: 0 done, 4 no value could be judged, 1 not possible, 2 wrong flags."
}

// Run evaluates the star.
func (v *reachVerb) Run(s *session) error {
	a, err := v.sky(v.task(s)).Reach(s.ctx, v.Over, v.And)
	if err != nil {
		return s.failed(err, unanswered(a))
	}
	r := a.Result
	n := report.NewNotes(a.Rig, a.Assumed, report.SunCautions(a.SunApart))
	if v.SVG != "" {
		var b bytes.Buffer
		if err := report.ReachSVG(&b, r, v.Show); err != nil {
			return s.failed(err, n)
		}
		if err := app.WriteFile(v.SVG, b.Bytes()); err != nil {
			return s.failed(err, n)
		}
	}
	status := open
	for _, p := range r.Points {
		if p.Error == "" {
			status = done
		}
	}
	return s.deliver(r, n, status, func(w io.Writer) error { return report.ReachText(w, r, v.Show, n, s.style(v.Assumed)) })
}
