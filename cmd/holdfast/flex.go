package main

import (
	"io"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/fitting"
	"holdfast/internal/report"
)

// flexVerb says how two telescopes move against each other.
type flexVerb struct {
	Pairs     []string `arg:"" optional:"" name:"pair" help:"Pairs of frames, imaging.fits,guide.fits, over the sky and across a flip; or frames of the imaging camera (or folders) with --guide or --guide-star."`
	Guide     []string `sep:"none" placeholder:"FRAME" help:"Frame of the guide camera, or a folder of them; paired with the imaging frames by time. May be repeated."`
	GuideStar string   `placeholder:"PLACE" help:"Instead: where the star stands that was held, such as \"20:45:30 +30:42\"."`
	Pressed   []string `sep:"none" placeholder:"JOINT=FRAMES" help:"A joint and the frames before, while and after it was pressed, such as shoe=a.fits,b.fits,c.fits, the other camera holding its star. May be repeated."`
	Rig       string   `placeholder:"FILE" help:"Rig file: its site, target, and when a star counts as round."`
	Set       []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig. May be repeated."`
	Target    string   `placeholder:"NAME" help:"Where the drift is asked for. Otherwise the rig's target, or the field of the last frame."`
	Site      string   `placeholder:"PLACE" help:"Latitude, longitude, height, such as \"47.2 -122.5 300\", north and east positive. Otherwise the rig's or the headers'."`
	FWHM      string   `name:"fwhm" placeholder:"ANGLE" help:"Width of the imaging stars without flexure, such as \"2.5 arcsec\". Otherwise that of the frames."`

	Assumed bool `help:"List every frame, however many."`
	JSON    bool `name:"json" help:"Print the answer as JSON."`
}

// Help is shown with --help.
func (flexVerb) Help() string {
	return "Exit status: 0 measured, 3 it draws the subs that the rig plans, 4 the frames do not settle it, 1 not possible, 2 wrong flags."
}

// Run solves and fits.
func (v *flexVerb) Run(s *session) error {
	t := app.FlexTask{Task: app.Task{Rig: v.Rig, Set: v.Set, Target: v.Target, Stdin: s.stdin, Now: time.Now()},
		Frames: app.Frames{Files: v.Pairs, Done: func(n, of int) { s.reached(n, of) }},
		Guide:  v.Guide, GuideStar: v.GuideStar, Pressed: v.Pressed, Site: v.Site, Wide: v.FWHM}
	a, err := t.Flex(s.ctx)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	switch m := a.Result.Matters; {
	case m != nil && *m:
		status = outOfGoal
	case a.Result.Verdict == fitting.FlexUnknown:
		status = open
	}
	n := report.NewNotes(nil, a.Assumed, report.FlexCautions(a.Result))
	return s.deliver(a.Result, n, status, func(w io.Writer) error { return report.Flex(w, a.Result, n, s.style(v.Assumed)) })
}
