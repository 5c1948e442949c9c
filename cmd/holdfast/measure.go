package main

import (
	"bytes"
	"fmt"
	"io"

	"holdfast/internal/app"
	"holdfast/internal/frame"
	"holdfast/internal/report"
	"holdfast/internal/star"
)

// frameFlags are the flags of every verb that looks at frames.
type frameFlags struct {
	Frames []string `arg:"" name:"frame" help:"Frames (FITS, TIFF, PNG, DNG), or folders of them."`
	Gain   float64  `placeholder:"E/ADU" help:"Electrons per ADU. Otherwise the headers'."`
	JSON   bool     `name:"json" help:"Print the answer as JSON."`
}

// frames returns the use case of the flags.
func (f frameFlags) frames(s *session) app.Frames {
	return app.Frames{Files: f.Frames, Gain: f.Gain, Done: func(n, of int) { s.reached(n, of) }}
}

// measureVerb measures the stars of frames.
type measureVerb struct {
	frameFlags
	Stars int `default:"10" help:"Stars to list of a single frame; 0 lists all. JSON always has all."`

	Picture string `placeholder:"FILE" help:"Also draw the frame, its stars and their shape over the field into an SVG file."`
	Dress   string `enum:"paper,night" default:"paper" help:"Dress of the picture: paper, or night, which is red on black."`
}

// Help is shown with --help.
func (measureVerb) Help() string {
	return "Exit status: 0 every frame measured, 4 a frame without stars, 1 a frame that could not be read, 2 wrong flags."
}

// measured is the result of measure.
type measured struct {
	Frames []star.Frame `json:"frames"`
}

// Run measures the frames.
func (v *measureVerb) Run(s *session) error {
	if v.Picture != "" {
		if _, err := v.frames(s).Drawable(v.Picture); err != nil {
			return s.failed(err, report.Notes{})
		}
	}
	yUp := true
	task := v.frames(s)
	task.Opened = func(f *frame.Frame) { yUp, _ = app.RowsUp(f) }
	frames, err := task.Measure(s.ctx)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	status := done
	for _, f := range frames {
		switch {
		case f.Width == 0:
			status = failed
		case f.StarsFound == 0 && status != failed:
			status = open
		}
	}
	if v.Picture != "" && frames[0].Width > 0 {
		if err := v.draw(s, frames[0]); err != nil {
			return s.failed(err, report.Notes{})
		}
	}
	return s.deliver(measured{frames}, report.Notes{}, status, func(w io.Writer) error {
		if err := report.Measure(w, frames, v.Stars, s.style(false)); err != nil || len(frames) != 1 {
			return err
		}
		return report.Shapes(w, &frames[0], yUp, s.style(false))
	})
}

// draw draws a measured frame into the file that the flags name.
func (v *measureVerb) draw(s *session, m star.Frame) error {
	drawn, err := v.frames(s).Picture(s.ctx, m.File)
	if err != nil {
		return err
	}
	p := report.Picture{Measured: m, Pixels: drawn.Pixels, Bin: drawn.Bin, YUp: drawn.YUp, Why: drawn.Why}
	if v.Dress == "night" {
		p.Dress = report.Night
	}
	var b bytes.Buffer
	if err := report.PictureSVG(&b, &p); err != nil {
		return err
	}
	return app.WriteFile(v.Picture, b.Bytes())
}

// reached tells a person at the terminal how many frames are done.
func (s *session) reached(n, of int) {
	if of > 1 && isTerminal(s.stderr) {
		fmt.Fprintf(s.stderr, "\rholdfast: %d of %d frames", n, of)
		if n == of {
			fmt.Fprint(s.stderr, "\r\x1b[K")
		}
	}
}
