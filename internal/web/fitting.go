package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// fittingAsk is what a step of the fitting asks of frames.
type fittingAsk struct {
	Set       map[string]string `json:"set"`
	Files     []string          `json:"files"`
	Guide     []string          `json:"guide"`     // frames of the guide camera: sight, flex
	Locked    []string          `json:"locked"`    // focus: taken after the lock
	Positions string            `json:"positions"` // focus: one a frame
	Imaging   bool              `json:"imaging"`   // focus: of the imaging telescope
	Columns   string            `json:"columns"`   // drive
	Held      bool              `json:"held"`      // pole: the star was held in declination
}

// fitted is an answer with its text, as the command prints it.
type fitted struct {
	Answer any    `json:"answer"`
	Text   string `json:"text"`
}

// stepFunc answers one step: files and guide frames by their paths, the rig by
// the path of its file.
type stepFunc func(ctx context.Context, q fittingAsk, rig string, done func(n, of int)) (answer any, n report.Notes, text func(io.Writer) error, err error)

// style is how the text of an answer is laid out for a page.
var style = report.Style{Width: 80}

// step makes a worker of a step.
func step(do stepFunc) worker {
	return func(ctx context.Context, s *Server, raw json.RawMessage, done func(n, of int)) (any, report.Notes, error) {
		var q fittingAsk
		if err := read(raw, &q); err != nil {
			return nil, report.Notes{}, err
		}
		for _, names := range []*[]string{&q.Files, &q.Guide, &q.Locked} {
			paths, err := s.desk.paths(*names)
			if err != nil {
				return nil, report.Notes{}, err
			}
			*names = paths
		}
		if len(q.Files) == 0 {
			return nil, report.Notes{}, errors.New("web: no frame was named")
		}
		rig, err := s.rigFile(q.Set)
		if err != nil {
			return nil, report.Notes{}, err
		}
		a, n, text, err := do(ctx, q, rig, done)
		if err != nil {
			return nil, n, err
		}
		var b bytes.Buffer
		if err := text(&b); err != nil {
			return nil, n, err
		}
		return fitted{a, b.String()}, n, nil
	}
}

// rigFile writes the rig in use, with what was set in place, into the keep and
// returns where; "" where nothing is known of a rig.
func (s *Server) rigFile(set map[string]string) (string, error) {
	text, err := s.rigText()
	if err != nil || len(text) == 0 && len(set) == 0 {
		return "", err
	}
	t, err := s.task(ask{Set: set})
	if err != nil {
		return "", err
	}
	r, err := t.Load()
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		return "", err
	}
	name := filepath.Join(s.desk.within, "rig.toml")
	return name, app.WriteFile(name, b.Bytes())
}

// focusStep says how far from focus a frame was taken, or where a run has its best.
func focusStep(ctx context.Context, q fittingAsk, rig string, done func(n, of int)) (any, report.Notes, func(io.Writer) error, error) {
	a, err := app.Frames{Files: q.Files, Done: done}.Focus(ctx, app.FocusOptics{Rig: rig, Imaging: q.Imaging, Positions: q.Positions, Locked: q.Locked})
	if err != nil {
		return nil, report.Notes{}, nil, err
	}
	n := report.NewNotes(nil, a.Assumed, nil)
	return a.Result, n, func(w io.Writer) error { return report.Focus(w, a.Result, n, style) }, nil
}

// sightStep says how far apart the telescopes point.
func sightStep(ctx context.Context, q fittingAsk, rig string, _ func(n, of int)) (any, report.Notes, func(io.Writer) error, error) {
	if len(q.Guide) == 0 {
		return nil, report.Notes{}, nil, errors.New("web: found no frame of the guide camera: want one of each telescope, taken without moving the mount between")
	}
	t := app.SightTask{Task: app.Task{Rig: rig, Now: time.Now()}, Imaging: q.Files[0], Guide: q.Guide[0]}
	a, err := t.Sight(ctx)
	if err != nil {
		return nil, report.Notes{}, nil, err
	}
	n := report.NewNotes(a.Rig, a.Assumed, report.SightCautions(a.Result))
	return a.Result, n, func(w io.Writer) error { return report.Sight(w, a.Result, n, style) }, nil
}

// poleStep says where the polar axis points.
func poleStep(ctx context.Context, q fittingAsk, rig string, done func(n, of int)) (any, report.Notes, func(io.Writer) error, error) {
	t := app.PoleTask{Task: app.Task{Rig: rig, Now: time.Now()}, Frames: app.Frames{Files: q.Files, Done: done}, Held: q.Held}
	a, err := t.Pole(ctx)
	if err != nil {
		return nil, report.Notes{}, nil, err
	}
	n := report.NewNotes(nil, a.Assumed, report.PoleCautions(a.Result, a.SunApart))
	return a.Result, n, func(w io.Writer) error { return report.Pole(w, a.Result, n, style) }, nil
}

// driveStep says what a record or guide frames tell of the drive.
func driveStep(ctx context.Context, q fittingAsk, rig string, done func(n, of int)) (any, report.Notes, func(io.Writer) error, error) {
	t := app.DriveTask{Task: app.Task{Rig: rig, Now: time.Now()}, Frames: app.Frames{Files: q.Files, Done: done}, Columns: q.Columns}
	a, err := t.Drive(ctx)
	if err != nil {
		return nil, report.Notes{}, nil, err
	}
	n := report.NewNotes(nil, a.Assumed, nil)
	return a.Result, n, func(w io.Writer) error { return report.Drive(w, a.Result, n, style) }, nil
}

// flexStep says how the telescopes move against each other.
func flexStep(ctx context.Context, q fittingAsk, rig string, done func(n, of int)) (any, report.Notes, func(io.Writer) error, error) {
	t := app.FlexTask{Task: app.Task{Rig: rig, Now: time.Now()}, Frames: app.Frames{Files: q.Files, Done: done}, Guide: q.Guide}
	a, err := t.Flex(ctx)
	if err != nil {
		return nil, report.Notes{}, nil, err
	}
	n := report.NewNotes(nil, a.Assumed, report.FlexCautions(a.Result))
	return a.Result, n, func(w io.Writer) error { return report.Flex(w, a.Result, n, style) }, nil
}

// measureStep says what stars a frame has.
func measureStep(ctx context.Context, q fittingAsk, _ string, done func(n, of int)) (any, report.Notes, func(io.Writer) error, error) {
	frames, err := app.Frames{Files: q.Files, Done: done}.Measure(ctx)
	if err != nil {
		return nil, report.Notes{}, nil, err
	}
	for i := range frames {
		frames[i].Stars = nil // a page shows the summary
	}
	return measured{frames}, report.Notes{}, func(w io.Writer) error { return report.Measure(w, frames, 0, style) }, nil
}

// seek answers what bright targets look like on the guide camera.
func (s *Server) seek(_ context.Context, t app.Task, q ask) (any, any, report.Notes, error) {
	a, err := t.Seek(q.Expose, q.At)
	n := notesOf(a, func() []report.Caution { return report.SeekCautions(a.Result) }, err)
	if err != nil {
		return nil, nil, n, err
	}
	return a.Result, nil, n, nil
}

// watchFolder answers GET /api/watch?path=: the name of each new frame of a
// folder once it is whole, that is once its size and time have stayed the same
// from one look to the next, until the page goes away.
func (s *Server) watchFolder(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("path")
	if _, err := s.desk.list(name); err != nil || name == "" {
		s.refuse(w, http.StatusNotFound, "watch", report.Notes{}, errors.New("web: found no such folder to watch"))
		return
	}
	send, ok := stream(w)
	if !ok {
		return
	}
	root, rest, err := s.desk.find(name)
	if err != nil {
		return
	}
	type look struct {
		size int64
		at   time.Time
		told bool
	}
	seen := map[string]look{}
	first := true
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		dir, err := root.root.Open(filepath.FromSlash(rest))
		if err != nil {
			return
		}
		entries, err := dir.ReadDir(-1)
		dir.Close()
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return
		}
		for _, e := range entries {
			if e.IsDir() || !app.IsPicture(e.Name()) || strings.HasPrefix(e.Name(), ".") {
				continue
			}
			info, err := e.Info()
			if err != nil {
				continue // gone meanwhile
			}
			before, known := seen[e.Name()]
			now := look{info.Size(), info.ModTime(), first || before.told}
			if known && !now.told && before.size == now.size && before.at.Equal(now.at) && now.size > 0 {
				now.told = true
				if !send("data: " + path.Join(name, e.Name()) + "\n\n") {
					return
				}
			}
			seen[e.Name()] = now
		}
		first = false
		select {
		case <-r.Context().Done():
			return
		case <-tick.C:
			if !send(": looking\n\n") {
				return
			}
		}
	}
}
