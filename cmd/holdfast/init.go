package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// initVerb writes a starter rig.
type initVerb struct {
	File  string   `arg:"" help:"Rig file to write; - writes to standard output."`
	Kind  string   `placeholder:"KIND" help:"What to start from: ${kinds}."`
	Set   []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Settle an entry, as in --set imaging.focal=\"714 mm\". May be repeated."`
	Force bool     `help:"Write over a file that is there."`
	JSON  bool     `name:"json" help:"Print what was written as JSON."`
}

// Help is shown with --help.
func (initVerb) Help() string {
	return "Without --kind and --set, and with a person at the terminal, it asks. Exit status: 0 written, 1 not possible, 2 wrong flags."
}

// kindList names the kinds of starter.
func kindList() string {
	names, _ := app.Kinds()
	return strings.Join(names, ", ")
}

// started is what init reports.
type started struct {
	File  string `json:"file"`
	Rig   string `json:"rig"`
	Hash  string `json:"rig_hash"`
	Given int    `json:"entries_given"`
}

// Run writes the starter.
func (v *initVerb) Run(s *session) error {
	st := app.Starter{File: v.File, Kind: v.Kind, Set: v.Set, Force: v.Force}
	choices, err := st.Choices()
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	if err := st.Free(); err != nil {
		return s.failed(err, report.Notes{})
	}
	if len(choices) == 0 && !s.json && v.File != "-" && isTerminal(s.stdin) && isTerminal(s.stderr) {
		fmt.Fprintln(s.stderr, "A few questions; an empty answer takes what stands in brackets.")
		err := s.ask(choices)
		if err != nil {
			return s.failed(err, report.Notes{})
		}
	}
	r, err := st.Write(choices, s.stdout)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	n := report.NewNotes(r, r.Assumed(), report.InitCautions(r))
	if v.File == "-" {
		return nil
	}
	res := started{File: v.File, Rig: r.Name, Hash: r.Hash(), Given: len(choices)}
	return s.deliver(res, n, done, func(w io.Writer) error { return report.Init(w, v.File, n, s.style(false)) })
}

// ask asks the questions, and stops between them when the person does.
func (s *session) ask(choices map[string]string) error {
	end := make(chan error, 1)
	go func() { end <- app.Ask(s.stdin, s.stderr, choices) }()
	select {
	case err := <-end:
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return errors.New("the questions were not answered to the end; nothing was written")
		}
		return err
	case <-s.ctx.Done():
		fmt.Fprintln(s.stderr)
		return s.ctx.Err()
	}
}
