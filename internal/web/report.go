package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"

	"holdfast/internal/app"
	"holdfast/internal/print"
	"holdfast/internal/report"
)

// report answers GET /api/report?of=plan or of=proof: the plan of what the pages
// are about, or the proof of the night that was dropped last, as one HTML file.
func (s *Server) report(w http.ResponseWriter, r *http.Request) {
	var b bytes.Buffer
	var err error
	switch r.URL.Query().Get("of") {
	case "plan":
		err = s.planReport(r, &b)
	case "proof":
		err = s.proofReport(r, &b)
	default:
		err = errors.New("web: want of=plan or of=proof")
	}
	if err != nil {
		s.refuse(w, http.StatusUnprocessableEntity, "report", report.Notes{}, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+r.URL.Query().Get("of")+`.html"`)
	_, _ = w.Write(b.Bytes()) // a client that went away is none of ours
}

// planReport writes the plan of what the pages are about.
func (s *Server) planReport(r *http.Request, b *bytes.Buffer) error {
	var q ask
	if err := s.noted("sheet", &q); err != nil {
		return err
	}
	t, err := s.task(q)
	if err != nil {
		return err
	}
	a, err := t.Plan(r.Context())
	if err != nil {
		return err
	}
	path, err := app.PathOf(a.Rig)
	if err != nil {
		return err
	}
	n := report.NewNotes(a.Rig, a.Assumed, report.PlanCautions(a.Rig, a.Result))
	return print.Plan(b, a.Rig, a.Result, path, n, print.Made{At: s.cfg.Now(), Version: s.cfg.Version})
}

// proofReport proves the night that was dropped last once more and writes it.
func (s *Server) proofReport(r *http.Request, b *bytes.Buffer) error {
	var n struct {
		Files   []string `json:"files"`
		Example bool     `json:"example"`
		WithRig bool     `json:"withRig"`
	}
	if err := s.noted("proof", &n); err != nil {
		return err
	}
	if n.Example {
		n.Files = []string{kept + "/" + exampleBatch}
	}
	files, err := s.desk.paths(n.Files)
	if err != nil {
		return err
	}
	if len(files) == 0 {
		return errors.New("web: no night was dropped yet")
	}
	t := app.ProveTask{Files: files, Task: app.Task{Now: s.cfg.Now()}}
	if n.WithRig {
		var q ask
		if err := s.noted("sheet", &q); err != nil {
			return err
		}
		if t.Task, err = s.task(q); err != nil {
			return err
		}
	}
	a, err := t.Prove(r.Context())
	if err != nil {
		return err
	}
	for i := range a.Result.Subs {
		a.Result.Subs[i].File = s.desk.name(a.Result.Subs[i].File)
	}
	return print.Proof(b, a.Result, report.NewNotes(nil, a.Assumed, nil), print.Made{At: s.cfg.Now(), Version: s.cfg.Version})
}

// noted reads a note; one that was never made leaves what it is read into.
func (s *Server) noted(name string, into any) error {
	b, err := s.desk.note(name)
	if err != nil || b == nil {
		return err
	}
	return read(json.RawMessage(b), into)
}
