package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// worker does what a page asks for and takes longer than a moment. ask is the
// page's JSON; done tells how far it is.
type worker func(ctx context.Context, s *Server, ask json.RawMessage, done func(n, of int)) (result any, n report.Notes, err error)

// work is one thing asked for, running or answered.
type work struct {
	ID    string          `json:"id"`
	Verb  string          `json:"verb"`
	Ask   json.RawMessage `json:"ask"`
	Begun time.Time       `json:"begun_utc"`
	State string          `json:"state"` // running, done, failed, stopped or, after a restart, interrupted
	N     int             `json:"done"`
	Of    int             `json:"of"`

	Answer json.RawMessage `json:"answer,omitempty"` // an envelope, as the command prints

	cancel context.CancelFunc
}

// works are all of them. Each is on the disk from its start, and with its answer
// before a page is told that it is done.
type works struct {
	desk *desk

	mu   sync.Mutex
	all  map[string]*work
	wait sync.WaitGroup
	slot chan struct{} // so many at once
}

// mostWorks is how many answers are kept.
const mostWorks = 200

// openWorks reads what was asked for before.
func openWorks(d *desk) (*works, error) {
	ws := &works{desk: d, all: map[string]*work{}, slot: make(chan struct{}, 2)}
	names, err := fs.Glob(d.keep.FS(), "works/*.json")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		b, err := fs.ReadFile(d.keep.FS(), name)
		if err != nil {
			return nil, fmt.Errorf("web: %w", err)
		}
		var w work
		if json.Unmarshal(b, &w) != nil || w.ID+".json" != path.Base(name) {
			continue // not ours; left alone
		}
		if w.State == "running" {
			w.State = "interrupted"
		}
		ws.all[w.ID] = &w
	}
	return ws, nil
}

// start begins a work and returns it.
func (ws *works) start(s *Server, verb string, ask json.RawMessage, do worker) (*work, error) {
	ctx, cancel := context.WithCancel(context.Background())
	w := &work{ID: secret(16), Verb: verb, Ask: ask, Begun: s.cfg.Now().UTC(), State: "running", cancel: cancel}
	if err := ws.save(w); err != nil {
		cancel()
		return nil, err
	}
	ws.mu.Lock()
	ws.all[w.ID] = w
	ws.mu.Unlock()
	ws.wait.Go(func() {
		defer cancel()
		select {
		case ws.slot <- struct{}{}:
			defer func() { <-ws.slot }()
		case <-ctx.Done():
		}
		state, env := "done", report.Envelope{}
		var result any
		var n report.Notes
		err := ctx.Err()
		if err == nil {
			result, n, err = ws.run(ctx, s, w, do)
		}
		if err != nil {
			state = "failed"
			if errors.Is(err, context.Canceled) {
				state = "stopped"
			}
			env = report.NewEnvelope(s.cfg.Version, verb, n, nil, report.Plainly(err))
		} else {
			env = report.NewEnvelope(s.cfg.Version, verb, n, result, "")
		}
		var b bytes.Buffer
		if err := report.JSON(&b, env); err != nil {
			state = "failed"
		}
		ws.mu.Lock()
		w.State, w.Answer = state, json.RawMessage(b.Bytes())
		ended := *w
		ws.mu.Unlock()
		if err := ws.save(&ended); err != nil {
			s.cfg.Say("an answer could not be kept: %s", report.Plainly(err))
		}
		ws.desk.tell("work " + w.ID)
	})
	ws.forget()
	return w, nil
}

// run does the work. What panics is a flaw of ours, told as one; the server goes
// on.
func (ws *works) run(ctx context.Context, s *Server, w *work, do worker) (result any, n report.Notes, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("web: %s met a flaw in holdfast itself (%v): the frames are untouched", w.Verb, p)
		}
	}()
	last := time.Time{}
	return do(ctx, s, w.Ask, func(n, of int) {
		ws.mu.Lock()
		w.N, w.Of = n, of
		ws.mu.Unlock()
		if now := time.Now(); now.Sub(last) > 100*time.Millisecond || n == of {
			last = now
			ws.desk.tell("work " + w.ID)
		}
	})
}

// get returns a copy of a work.
func (ws *works) get(id string) (work, bool) {
	ws.mu.Lock()
	defer ws.mu.Unlock()
	w, ok := ws.all[id]
	if !ok {
		return work{}, false
	}
	return *w, true
}

// cancel stops a work that runs.
func (ws *works) cancel(id string) bool {
	ws.mu.Lock()
	defer ws.mu.Unlock()
	w, ok := ws.all[id]
	if ok && w.cancel != nil {
		w.cancel()
	}
	return ok
}

// stop stops all works and waits until they have.
func (ws *works) stop() {
	ws.mu.Lock()
	for _, w := range ws.all {
		if w.cancel != nil {
			w.cancel()
		}
	}
	ws.mu.Unlock()
	ws.wait.Wait()
}

// save writes a work to the disk.
func (ws *works) save(w *work) error {
	b, err := json.Marshal(w)
	if err != nil {
		return fmt.Errorf("web: %w", err)
	}
	return app.WriteFile(filepath.Join(ws.desk.within, "works", w.ID+".json"), b)
}

// forget lets go of the oldest answers beyond those that are kept.
func (ws *works) forget() {
	ws.mu.Lock()
	defer ws.mu.Unlock()
	if len(ws.all) <= mostWorks {
		return
	}
	var ended []*work
	for _, w := range ws.all {
		if w.State != "running" {
			ended = append(ended, w)
		}
	}
	slices.SortFunc(ended, func(a, b *work) int { return a.Begun.Compare(b.Begun) })
	for _, w := range ended[:min(len(ended), len(ws.all)-mostWorks)] {
		delete(ws.all, w.ID)
		_ = ws.desk.keep.Remove("works/" + w.ID + ".json")
	}
}

// workers are what a page may start.
var workers = map[string]worker{
	"measure": step(measureStep),
	"focus":   step(focusStep),
	"sight":   step(sightStep),
	"pole":    step(poleStep),
	"drive":   step(driveStep),
	"flex":    step(flexStep),
	"solve":   step(solveStep),
	"sub":     step(subStep),
	"compare": step(compareStep),
	"prove":   prove,
	"example": example,
}

// startWork answers POST /api/works/{verb}.
func (s *Server) startWork(w http.ResponseWriter, r *http.Request) {
	verb := r.PathValue("verb")
	do, ok := workers[verb]
	if !ok {
		s.refuse(w, http.StatusNotFound, verb, report.Notes{}, fmt.Errorf("web: found no work called %q", verb))
		return
	}
	ask, err := body(w, r, maxQuestion)
	if err != nil {
		s.refuse(w, http.StatusBadRequest, verb, report.Notes{}, err)
		return
	}
	if !json.Valid(ask) {
		s.refuse(w, http.StatusBadRequest, verb, report.Notes{}, errors.New("web: found a question that is not JSON"))
		return
	}
	job, err := s.works.start(s, verb, ask, do)
	if err != nil {
		s.refuse(w, http.StatusInternalServerError, verb, report.Notes{}, err)
		return
	}
	plainJSON(w, http.StatusAccepted, map[string]string{"id": job.ID})
}

// getWork answers GET /api/works/{id}.
func (s *Server) getWork(w http.ResponseWriter, r *http.Request) {
	job, ok := s.works.get(r.PathValue("id"))
	if !ok {
		s.refuse(w, http.StatusNotFound, "works", report.Notes{}, errors.New("web: found no such work: it was let go of, or another keep is open"))
		return
	}
	plainJSON(w, http.StatusOK, job)
}

// stopWork answers DELETE /api/works/{id}.
func (s *Server) stopWork(w http.ResponseWriter, r *http.Request) {
	if !s.works.cancel(r.PathValue("id")) {
		s.refuse(w, http.StatusNotFound, "works", report.Notes{}, errors.New("web: found no such work"))
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// plainJSON writes a value of the pages' own, which no contract names.
func plainJSON(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b) // a client that went away is none of ours
}

// events answers GET /api/events: news as they come, each a line such as "work
// ID" or "note NAME", until the page goes away.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	news, unwatch := s.desk.watch()
	defer unwatch()
	send, ok := stream(w)
	if !ok {
		return
	}
	tick := time.NewTicker(25 * time.Second) // tells a page that went away from one that is calm
	defer tick.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case what := <-news:
			if !send("data: " + what + "\n\n") {
				return
			}
		case <-tick.C:
			if !send(": still here\n\n") {
				return
			}
		}
	}
}

// stream begins an answer that goes on. send reports whether the client still
// takes it.
func stream(w http.ResponseWriter) (send func(string) bool, ok bool) {
	rc := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusOK)
	send = func(text string) bool {
		if rc.SetWriteDeadline(time.Now().Add(stall)) != nil {
			return false
		}
		if _, err := w.Write([]byte(text)); err != nil {
			return false
		}
		return rc.Flush() == nil
	}
	return send, send("retry: 2000\n\n")
}

// shortVerb returns the verb of a path such as /api/plan.
func shortVerb(p string) string { return strings.TrimPrefix(p, "/api/") }
