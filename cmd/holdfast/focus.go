package main

import (
	"io"

	"holdfast/internal/app"
	"holdfast/internal/fitting"
	"holdfast/internal/report"
)

// focusVerb says how far from focus frames are.
type focusVerb struct {
	frameFlags
	Rig         string   `placeholder:"FILE" help:"Rig file: its guide telescope's focal ratio, pixel and focuser."`
	Imaging     bool     `help:"The rig's imaging telescope instead."`
	FNumber     float64  `name:"f-number" placeholder:"N" help:"Focal ratio. Otherwise the rig's or the header's."`
	Obstruction *float64 `placeholder:"E" help:"Central obstruction over the aperture."`
	Pixel       string   `placeholder:"LENGTH" help:"Pixel, such as \"3.75 um\"."`
	Pitch       string   `placeholder:"LENGTH" help:"Travel of the focuser per turn, such as \"0.75 mm\"."`
	Sharp       float64  `placeholder:"PX" help:"Half-flux diameter of a star in focus, pixels."`

	PositionKey   string   `placeholder:"KEY" help:"Header keyword of the focuser's position, such as FOCPOS."`
	Positions     string   `placeholder:"A,B,..." help:"Positions of the frames, one for each."`
	PositionsFile string   `placeholder:"FILE" help:"Table of two columns: frame, position."`
	Turns         bool     `help:"Positions are turns of the focuser."`
	Locked        []string `sep:"none" placeholder:"FRAME" help:"Frame taken after the focuser was locked, or a folder of them. May be repeated."`
}

// Help is shown with --help.
func (focusVerb) Help() string {
	return "One frame gives a distance, two the way, a run with positions the best one; --locked says what the lock moved. Exit status: 0 in focus or found, 3 out of focus, 4 no stars or too shallow to tell, 1 not possible, 2 wrong flags."
}

// Run measures and answers.
func (v *focusVerb) Run(s *session) error {
	a, err := v.frames(s).Focus(s.ctx, app.FocusOptics{Rig: v.Rig, Imaging: v.Imaging, FNumber: v.FNumber, Obstruction: v.Obstruction, Pixel: v.Pixel, Pitch: v.Pitch,
		Sharp: v.Sharp, PositionKey: v.PositionKey, Positions: v.Positions, PositionsFile: v.PositionsFile, Turns: v.Turns, Locked: v.Locked})
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	switch a.Result.Verdict {
	case fitting.OutOfFocus, fitting.Beyond:
		status = outOfGoal
	case fitting.NoStars, fitting.TooShallow:
		status = open
	}
	n := report.FocusNotes(a.Assumed, a.Doubt)
	return s.deliver(a.Result, n, status, func(w io.Writer) error { return report.Focus(w, a.Result, n, s.style(true)) })
}
