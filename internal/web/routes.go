package web

import (
	"embed"
	"encoding/json"
	"errors"
	"io/fs"
	"math"
	"net/http"
	"strings"
	"time"

	"holdfast/internal/report"
)

// assets are the bundled pages, made by webbuild from ui.
//
//go:embed assets
var assets embed.FS

// pages are the paths that show a page.
var pages = []string{"/{$}", "/star", "/path", "/sky", "/fitting", "/proof"}

// assetPath reports whether a path is one of the bundle.
func assetPath(p string) bool { return strings.HasPrefix(p, "/assets/") }

// routes sets what is answered where.
func (s *Server) routes() {
	index, err := assets.ReadFile("assets/index.html")
	if err != nil {
		panic(err) // the bundle is part of the binary
	}
	for _, p := range pages {
		s.mux.HandleFunc("GET "+p, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			w.Header().Set("Cache-Control", "no-store")
			_, _ = w.Write(index) // a client that went away is none of ours
		})
	}
	inner, err := fs.Sub(assets, "assets")
	if err != nil {
		panic(err)
	}
	files := http.StripPrefix("/assets/", http.FileServerFS(inner))
	s.mux.HandleFunc("GET /assets/", func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/") {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "no-cache")
		files.ServeHTTP(w, r)
	})

	s.mux.HandleFunc("POST /api/star", s.answer(s.star))
	s.mux.HandleFunc("POST /api/plan", s.answer(s.plan))
	s.mux.HandleFunc("POST /api/path", s.answer(s.path))
	s.mux.HandleFunc("POST /api/stars", s.answer(s.stars))
	s.mux.HandleFunc("POST /api/rig", s.answer(s.rig))

	s.mux.HandleFunc("GET /api/desk", s.showDesk)
	s.mux.HandleFunc("GET /api/folder", s.listFolder)
	s.mux.HandleFunc("POST /api/seek", s.answer(s.seek))
	s.mux.HandleFunc("GET /api/watch", s.watchFolders)
	s.mux.HandleFunc("GET /api/report", s.report)
	s.mux.HandleFunc("GET /api/picture", s.picture)
	s.mux.HandleFunc("GET /api/preview", s.preview)
	s.mux.HandleFunc("GET /api/tile", s.tile)
	s.mux.HandleFunc("GET /api/shapes", s.shapes)
	s.mux.HandleFunc("POST /api/drop", s.dropFile)
	s.mux.HandleFunc("GET /api/notes/{name}", s.getNote)
	s.mux.HandleFunc("PUT /api/notes/{name}", s.putNote)
	s.mux.HandleFunc("GET /api/events", s.events)
	s.mux.HandleFunc("POST /api/works/{verb}", s.startWork)
	s.mux.HandleFunc("GET /api/works/{id}", s.getWork)
	s.mux.HandleFunc("DELETE /api/works/{id}", s.stopWork)
	s.mux.HandleFunc("/", http.NotFound)
}

// deskAnswer is what the pages stand on.
type deskAnswer struct {
	Version     string    `json:"version"`
	RigFile     string    `json:"rig_file"`
	Folders     []item    `json:"folders"`
	Keep        string    `json:"keep"`
	Now         time.Time `json:"now_utc"`
	SunAltitude float64   `json:"sun_altitude_deg"` // where the rig stands; null if that is not known
}

// showDesk answers GET /api/desk: what the pages stand on.
func (s *Server) showDesk(w http.ResponseWriter, r *http.Request) {
	folders, err := s.desk.list("")
	if err != nil {
		s.refuse(w, http.StatusInternalServerError, "desk", report.Notes{}, err)
		return
	}
	sun := math.NaN()
	if t, err := s.task(ask{}); err == nil {
		sun = float64(t.SunAltitude())
	}
	reply(w, http.StatusOK, deskAnswer{Version: s.cfg.Version, RigFile: s.cfg.Rig, Folders: folders, Keep: s.desk.within, Now: s.cfg.Now().UTC(), SunAltitude: sun})
}

// listFolder answers GET /api/folder?path=.
func (s *Server) listFolder(w http.ResponseWriter, r *http.Request) {
	items, err := s.desk.list(r.URL.Query().Get("path"))
	if err != nil {
		s.refuse(w, http.StatusNotFound, "folder", report.Notes{}, err)
		return
	}
	plainJSON(w, http.StatusOK, items)
}

// dropFile answers POST /api/drop?name=&batch=, the file as the body.
func (s *Server) dropFile(w http.ResponseWriter, r *http.Request) {
	if t := r.Header.Get("Content-Type"); t != "" && t != "application/octet-stream" {
		s.refuse(w, http.StatusUnsupportedMediaType, "drop", report.Notes{}, errors.New("web: want the bytes of one file as application/octet-stream"))
		return
	}
	if r.ContentLength > maxFrame {
		s.refuse(w, http.StatusRequestEntityTooLarge, "drop", report.Notes{}, tooLarge(maxFrame))
		return
	}
	name, err := s.desk.drop(r.URL.Query().Get("batch"), r.URL.Query().Get("name"), &patient{w: w, src: http.MaxBytesReader(w, r.Body, maxFrame)})
	if err != nil {
		status := http.StatusBadRequest
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			status = http.StatusRequestEntityTooLarge
		}
		s.refuse(w, status, "drop", report.Notes{}, readCause(err, maxFrame))
		return
	}
	plainJSON(w, http.StatusCreated, map[string]string{"path": name})
}

// getNote answers GET /api/notes/{name}: the note, or null.
func (s *Server) getNote(w http.ResponseWriter, r *http.Request) {
	b, err := s.desk.note(r.PathValue("name"))
	if err != nil {
		s.refuse(w, http.StatusBadRequest, "notes", report.Notes{}, err)
		return
	}
	if b == nil {
		b = []byte("null")
	}
	plainJSON(w, http.StatusOK, json.RawMessage(b))
}

// putNote answers PUT /api/notes/{name} once the note is on the disk.
func (s *Server) putNote(w http.ResponseWriter, r *http.Request) {
	b, err := body(w, r, maxQuestion)
	if err == nil && !json.Valid(b) {
		err = errors.New("web: found a note that is not JSON")
	}
	if err == nil {
		err = s.desk.setNote(r.PathValue("name"), b)
	}
	if err != nil {
		s.refuse(w, http.StatusBadRequest, "notes", report.Notes{}, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
