package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"path/filepath"

	"holdfast/internal/app"
	"holdfast/internal/draw"
	"holdfast/internal/proof"
	"holdfast/internal/report"
)

// proveAsk names a night's subs.
type proveAsk struct {
	Files   []string          `json:"files"`
	Series  string            `json:"series"`   // "" takes a series.csv beside the subs
	WithRig bool              `json:"with_rig"` // judge by the rig in use
	Set     map[string]string `json:"set"`
}

// proved is a proof with its drawings.
type proved struct {
	proof.Result
	Strip string `json:"strip_svg"`
}

// prove says what a night's subs tell.
func prove(ctx context.Context, s *Server, q json.RawMessage, done func(n, of int)) (any, report.Notes, error) {
	var p proveAsk
	if err := read(q, &p); err != nil {
		return nil, report.Notes{}, err
	}
	files, err := s.desk.paths(p.Files)
	if err != nil {
		return nil, report.Notes{}, err
	}
	if len(files) == 0 {
		return nil, report.Notes{}, errors.New("web: no subs were named")
	}
	t := app.ProveTask{Files: files, Series: p.Series, Done: done}
	if t.Series != "" && t.Series != "none" {
		if t.Series, err = s.desk.path(t.Series); err != nil {
			return nil, report.Notes{}, err
		}
	}
	if p.WithRig {
		task, err := s.task(ask{Set: p.Set})
		if err != nil {
			return nil, report.Notes{}, err
		}
		t.Task = task
	} else {
		t.Now = s.cfg.Now()
	}
	a, err := t.Prove(ctx)
	if err != nil {
		return nil, report.Notes{}, err
	}
	for i := range a.Result.Subs {
		a.Result.Subs[i].File = s.desk.name(a.Result.Subs[i].File)
	}
	return drawProof(a.Result), report.NewNotes(nil, a.Assumed, nil), nil
}

// drawProof puts the drawings beside a proof.
func drawProof(r *proof.Result) proved {
	return proved{*r, draw.NightOf(r).SVG()}
}

// The example: a night of our own invention with one fault in it.
const (
	exampleBatch  = "an-example-night"
	exampleTarget = "M 27"
	exampleDate   = "2026-08-14"
	exampleFault  = "flexure:60"
	exampleSubs   = 16
)

// exampleRig is the rig of the example.
const exampleRig = `name = "Example"
[site]
latitude = "38 deg"
longitude = "-8 deg"
[imaging]
kind = "refractor"
aperture = "102 mm"
focal = "714 mm"
[guide]
kind = "piggyback"
aperture = "50 mm"
focal = "200 mm"
[mount]
kind = "equatorial"
periodic_error = "10 arcsec"
`

// example rehearses a night with a fault and proves it.
func example(ctx context.Context, s *Server, _ json.RawMessage, done func(n, of int)) (any, report.Notes, error) {
	out := filepath.Join(s.desk.within, kept, exampleBatch)
	if err := os.RemoveAll(out); err != nil {
		return nil, report.Notes{}, err
	}
	re := app.Rehearsal{Out: out, Subs: exampleSubs, Exact: true, Tables: true, Faults: []string{exampleFault}, Done: func(n, _ int) { done(n, 2*exampleSubs) },
		Task: app.Task{Rig: "-", Stdin: bytes.NewReader([]byte(exampleRig)), Target: exampleTarget, Date: exampleDate, Seed: 3, Now: s.cfg.Now()}}
	if _, err := re.Rehearse(ctx); err != nil {
		return nil, report.Notes{}, err
	}
	t := app.ProveTask{Files: []string{out}, Task: app.Task{Now: s.cfg.Now()}, Done: func(n, _ int) { done(exampleSubs+n, 2*exampleSubs) }}
	a, err := t.Prove(ctx)
	if err != nil {
		return nil, report.Notes{}, err
	}
	for i := range a.Result.Subs {
		a.Result.Subs[i].File = s.desk.name(a.Result.Subs[i].File)
	}
	return drawProof(a.Result), report.NewNotes(nil, a.Assumed, nil), nil
}

// picture answers GET /api/picture?file=&dress=: a frame or a table of stars as
// it was measured, with its stars as ellipses.
func (s *Server) picture(w http.ResponseWriter, r *http.Request) {
	name, err := s.desk.path(r.URL.Query().Get("file"))
	if err != nil {
		s.refuse(w, http.StatusNotFound, "picture", report.Notes{}, err)
		return
	}
	m, drawn, err := app.Portrait(r.Context(), name)
	if err != nil {
		s.refuse(w, http.StatusUnprocessableEntity, "picture", report.Notes{}, err)
		return
	}
	p := report.Picture{Measured: m, Pixels: drawn.Pixels, Bin: drawn.Bin, YUp: drawn.YUp, Why: drawn.Why}
	if r.URL.Query().Get("dress") == "night" {
		p.Dress = report.Night
	}
	var b bytes.Buffer
	if err := report.PictureSVG(&b, &p); err != nil {
		s.refuse(w, http.StatusUnprocessableEntity, "picture", report.Notes{}, err)
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	_, _ = w.Write(b.Bytes()) // a client that went away is none of ours
}
