package main

import (
	"io"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/fitting"
	"holdfast/internal/report"
)

// poleVerb says where the polar axis of a mount points.
type poleVerb struct {
	Frames []string `arg:"" optional:"" name:"frame" help:"Frames at three or more hour angles with only the polar axis turned between, or one field followed for an hour or more; or folders of them."`
	Rig    string   `placeholder:"FILE" help:"Rig file: its site, and how well its plan wants the axis."`
	Set    []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig. May be repeated."`
	skyFlags
	Sub   string   `placeholder:"TIME" help:"Length of the subs that are planned. Otherwise the rig's."`
	Site  string   `placeholder:"PLACE" help:"Latitude, longitude, height, such as \"47.2 -122.5 300\", north and east positive. Otherwise the rig's or the headers'."`
	Drift []string `sep:"none" placeholder:"DRIFT" help:"Instead of frames, a drift in declination: rate to the north, hour angle, declination, such as \"0.35 ± 0.05 arcsec/min, -0.2 h, 4 deg\"; to the south --drift=\"-0.35 ...\". Twice or more."`
	Held  bool     `help:"The star was held in declination between the frames: only the turn of the field tells."`

	AltitudeTurn string `placeholder:"ANGLE" help:"By how much one turn of the altitude knob moves the axis, such as \"40 arcmin\"."`
	AzimuthTurn  string `placeholder:"ANGLE" help:"The same of the azimuth knob, on its base."`

	Assumed bool `help:"List every frame, however many."`
	JSON    bool `name:"json" help:"Print the answer as JSON."`
}

// Help is shown with --help.
func (poleVerb) Help() string {
	return "Do not move the declination axis, the camera or the focuser between the frames. Exit status: 0 good enough or no plan to say, 3 it matters, 4 too uncertain, 1 not possible, 2 wrong flags."
}

// Run solves and fits.
func (v *poleVerb) Run(s *session) error {
	t := app.PoleTask{Task: v.sky(app.Task{Rig: v.Rig, Set: v.Set, Sub: v.Sub, Stdin: s.stdin, Now: time.Now()}),
		Frames: app.Frames{Files: v.Frames, Done: func(n, of int) { s.reached(n, of) }},
		Site:   v.Site, Drifts: v.Drift, Held: v.Held, AltPer: v.AltitudeTurn, AzPer: v.AzimuthTurn}
	a, err := t.Pole(s.ctx)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	switch a.Result.Verdict {
	case fitting.Misaligned:
		status = outOfGoal
	case fitting.PoleUnsure:
		status = open
	}
	n := report.NewNotes(nil, a.Assumed, report.PoleCautions(a.Result, a.SunApart))
	return s.deliver(a.Result, n, status, func(w io.Writer) error { return report.Pole(w, a.Result, n, s.style(v.Assumed)) })
}
