package web

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"

	"holdfast/internal/app"
	"holdfast/internal/fitting"
	"holdfast/internal/report"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// fittingAsk is what a step of the fitting asks of frames.
type fittingAsk struct {
	Set    map[string]string `json:"set"`
	Target string            `json:"target"`
	Date   string            `json:"date"`
	Sub    string            `json:"sub"`

	Files     []string `json:"files"`
	Guide     []string `json:"guide"`     // frames of the guide camera: sight, flex
	Locked    []string `json:"locked"`    // focus: taken after the lock
	Others    []string `json:"others"`    // compare: the changed subs
	Presses   []press  `json:"presses"`   // flex: joints pressed one by one
	Positions string   `json:"positions"` // focus: one a frame, in turns
	Imaging   bool     `json:"imaging"`   // focus: of the imaging telescope
	Tube      string   `json:"tube"`      // sight: side of the pier
	Held      bool     `json:"held"`      // pole: the star was held in declination
	AltPer    string   `json:"altitude_turn"`
	AzPer     string   `json:"azimuth_turn"`
	Columns   string   `json:"columns"` // drive
	Unit      string   `json:"units"`
	Test      string   `json:"test"` // compare

	rig string // path of the rig's file; "" where nothing is known of one
}

// press is a joint with the frames before, while and after it was pressed.
type press struct {
	Joint string   `json:"joint"`
	Files []string `json:"files"`
}

// task returns what is common to the steps that ask the rig.
func (q *fittingAsk) task(s *Server) app.Task {
	return app.Task{Rig: q.rig, Target: q.Target, Date: q.Date, Sub: q.Sub, Seed: 1, Now: s.cfg.Now()}
}

// fitted is an answer with its text, as the command prints it, and drawings of
// what is to be done and of what was measured; "" where there is none.
type fitted struct {
	Answer any    `json:"answer"`
	Text   string `json:"text"`
	Do     string `json:"do_svg"`
	Curve  string `json:"curve_svg"`
}

// stepped is what a step answers.
type stepped struct {
	answer    any // a pointer
	notes     report.Notes
	text      func(w io.Writer, s report.Style) error
	do, curve string
}

// style is how the text of an answer is laid out for a page.
var style = report.Style{Width: 80}

// step makes a worker of a step, whose frames are named to it by their paths.
// The answer names them as pages do.
func step(do func(ctx context.Context, s *Server, q fittingAsk, done func(n, of int)) (*stepped, error)) worker {
	return func(ctx context.Context, s *Server, raw json.RawMessage, done func(n, of int)) (any, report.Notes, error) {
		var q fittingAsk
		if err := read(raw, &q); err != nil {
			return nil, report.Notes{}, err
		}
		lists := []*[]string{&q.Files, &q.Guide, &q.Locked, &q.Others}
		for i := range q.Presses {
			lists = append(lists, &q.Presses[i].Files)
		}
		var called [][2]string // path and name
		for _, list := range lists {
			for i, name := range *list {
				p, err := s.desk.path(name)
				if err != nil {
					return nil, report.Notes{}, err
				}
				(*list)[i] = p
				called = append(called, [2]string{p, name})
			}
		}
		if len(called) == 0 {
			return nil, report.Notes{}, errors.New("web: no frame was named")
		}
		rig, forget, err := s.rigFile(q.Set)
		if err != nil {
			return nil, report.Notes{}, err
		}
		defer forget()
		q.rig = rig
		called = append(called, [2]string{rig, cmp.Or(s.cfg.Rig, "the rig")})
		names := renamer(called)
		a, err := do(ctx, s, q, done)
		if errors.Is(err, context.Canceled) {
			return nil, report.Notes{}, err
		}
		if err != nil {
			return nil, report.Notes{}, errors.New(names.Replace(err.Error()))
		}
		rename(reflect.ValueOf(a.answer), names)
		rename(reflect.ValueOf(&a.notes), names)
		var text bytes.Buffer
		if err := a.text(&text, style); err != nil {
			return nil, a.notes, err
		}
		return fitted{a.answer, text.String(), a.do, a.curve}, a.notes, nil
	}
}

// renamer writes names for paths, the longest path first, for it may hold a
// shorter one.
func renamer(called [][2]string) *strings.Replacer {
	slices.SortStableFunc(called, func(a, b [2]string) int { return len(b[0]) - len(a[0]) })
	var pairs []string
	for _, c := range called {
		if c[0] != "" {
			pairs = append(pairs, c[0], c[1])
		}
	}
	return strings.NewReplacer(pairs...)
}

// rename names files as pages do in every text of an answer.
func rename(v reflect.Value, names *strings.Replacer) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			rename(v.Elem(), names)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			rename(v.Field(i), names)
		}
	case reflect.Slice:
		for i := range v.Len() {
			rename(v.Index(i), names)
		}
	case reflect.String:
		if v.CanSet() {
			v.SetString(names.Replace(v.String()))
		}
	}
}

// rigFile writes the rig in use, with what was set in place, into the keep and
// returns where, and what removes it again; "" where nothing is known of a rig.
func (s *Server) rigFile(set map[string]string) (name string, forget func(), err error) {
	forget = func() {}
	text, err := s.rigText()
	if err != nil || len(text) == 0 && len(set) == 0 {
		return "", forget, err
	}
	t, err := s.task(ask{Set: set})
	if err != nil {
		return "", forget, err
	}
	r, err := t.Load()
	if err != nil {
		return "", forget, err
	}
	f, err := os.CreateTemp(s.desk.within, "rig-*.part") // the next start removes it if this one can not
	if err != nil {
		return "", forget, fmt.Errorf("web: %w", err)
	}
	forget = func() { _ = os.Remove(f.Name()) }
	err = r.Write(f)
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		forget()
		return "", func() {}, fmt.Errorf("web: %w", err)
	}
	return f.Name(), forget, nil
}

// focusStep says how far from focus a frame was taken, or where a run has its best.
func focusStep(ctx context.Context, _ *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	o := app.FocusOptics{Rig: q.rig, Imaging: q.Imaging && q.rig != "", Positions: q.Positions, Turns: q.Positions != "", Locked: q.Locked}
	files := q.Files
	if len(files) == 0 {
		files, o.Locked = q.Locked, nil // of locked frames alone the lock can not be told, but focus can
	}
	a, err := app.Frames{Files: files, Done: done}.Focus(ctx, o)
	if err != nil {
		return nil, err
	}
	n := report.FocusNotes(a.Assumed, a.Doubt)
	return &stepped{&a.Result, n, func(w io.Writer, s report.Style) error { return report.Focus(w, a.Result, n, s) }, focuserDrawing(&a.Result), runDrawing(&a.Result, q.Positions != "")}, nil
}

// sightStep says how far apart the telescopes point.
func sightStep(ctx context.Context, s *Server, q fittingAsk, _ func(n, of int)) (*stepped, error) {
	if len(q.Files) == 0 || len(q.Guide) == 0 {
		return nil, errors.New("web: found frames of one telescope only: want one of each, taken without moving the mount between")
	}
	t := app.SightTask{Task: q.task(s), Imaging: q.Files[len(q.Files)-1], Guide: q.Guide[len(q.Guide)-1], Tube: q.Tube}
	a, err := t.Sight(ctx)
	if err != nil {
		return nil, err
	}
	n := report.NewNotes(a.Rig, a.Assumed, report.SightCautions(a.Result))
	return &stepped{a.Result, n, func(w io.Writer, s report.Style) error { return report.Sight(w, a.Result, n, s) }, screwsDrawing(a.Result), ""}, nil
}

// poleStep says where the polar axis points.
func poleStep(ctx context.Context, s *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	t := app.PoleTask{Task: q.task(s), Frames: app.Frames{Files: q.Files, Done: done}, Held: q.Held, AltPer: q.AltPer, AzPer: q.AzPer}
	a, err := t.Pole(ctx)
	if err != nil {
		return nil, err
	}
	n := report.NewNotes(nil, a.Assumed, report.PoleCautions(a.Result, a.SunApart))
	return &stepped{a.Result, n, func(w io.Writer, s report.Style) error { return report.Pole(w, a.Result, n, s) }, knobsDrawing(a.Result), ""}, nil
}

// driveStep says what a record or guide frames tell of the drive.
func driveStep(ctx context.Context, s *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	t := app.DriveTask{Task: q.task(s), Frames: app.Frames{Files: q.Files, Done: done}, Columns: q.Columns, Unit: q.Unit}
	a, err := t.Drive(ctx)
	if err != nil {
		return nil, err
	}
	n := report.NewNotes(nil, a.Assumed, nil)
	return &stepped{a.Result, n, func(w io.Writer, s report.Style) error { return report.Drive(w, a.Result, n, s) }, "", foldDrawing(a.Result)}, nil
}

// flexStep says how the telescopes move against each other, or which joint gives.
func flexStep(ctx context.Context, s *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	t := app.FlexTask{Task: q.task(s), Frames: app.Frames{Files: q.Files, Done: done}, Guide: q.Guide}
	for _, p := range q.Presses {
		for _, name := range p.Files {
			if strings.ContainsAny(name, ",=") {
				return nil, fmt.Errorf("web: %s: found a comma or = in the name: want one without", name)
			}
		}
		t.Pressed = append(t.Pressed, strings.NewReplacer("=", " ", ",", " ").Replace(p.Joint)+"="+strings.Join(p.Files, ","))
	}
	if len(t.Pressed) > 0 {
		t.Files, t.Guide = nil, nil
	}
	a, err := t.Flex(ctx)
	if err != nil {
		return nil, err
	}
	n := report.NewNotes(a.Rig, a.Assumed, report.FlexCautions(a.Result))
	return &stepped{a.Result, n, func(w io.Writer, s report.Style) error { return report.Flex(w, a.Result, n, s) }, "", jointsDrawing(a.Result)}, nil
}

// measureStep says what stars frames have.
func measureStep(ctx context.Context, _ *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	frames, err := app.Frames{Files: q.Files, Done: done}.Measure(ctx)
	if err != nil {
		return nil, err
	}
	forgetStars(frames)
	return &stepped{answer: &measured{frames}, text: measureText(frames)}, nil
}

// solveStep says where frames point.
func solveStep(ctx context.Context, _ *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	a, err := app.Frames{Files: q.Files, Done: done}.Solve(ctx, app.SolveOptions{})
	if err != nil {
		return nil, err
	}
	return &stepped{answer: &solved{a}, text: func(w io.Writer, s report.Style) error { return report.Solve(w, a, s) }}, nil
}

// subStep judges the first sub beside the plan.
func subStep(ctx context.Context, s *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	if len(q.Files) == 0 {
		return nil, errors.New("web: no sub was named")
	}
	frames, err := app.Frames{Files: q.Files[len(q.Files)-1:], Done: done}.Measure(ctx)
	if err != nil {
		return nil, err
	}
	nan := math.NaN()
	goal, notes := fitting.SubGoal{FWHM: unit.Px(nan), Ellipticity: nan, Widest: unit.Px(nan)}, report.Notes{}
	if q.rig != "" {
		// Without a plan the sub is judged by what is common.
		if a, err := q.task(s).Point(ctx); err == nil {
			p := a.Result
			goal = fitting.SubGoal{FWHM: p.Star.FWHMPx, Ellipticity: p.Star.Ellipticity, Roundest: p.GoalEllipticity, Widest: p.ImageScale.Px(p.GoalFWHM)}
			notes = report.NewNotes(nil, a.Assumed, nil)
		} else if ctx.Err() != nil {
			return nil, ctx.Err()
		}
	}
	judged := fitting.JudgeSub(frames[0], goal)
	forgetStars(frames)
	return &stepped{answer: &judged, notes: notes, text: measureText(frames)}, nil
}

// compareStep parts causes by two sets of subs.
func compareStep(ctx context.Context, _ *Server, q fittingAsk, done func(n, of int)) (*stepped, error) {
	if len(q.Files) == 0 || len(q.Others) == 0 {
		return nil, errors.New("web: found one set of subs: want the usual ones and the changed ones")
	}
	frames, err := app.Frames{Files: q.Files, Done: func(n, _ int) { done(n, len(q.Files)+len(q.Others)) }}.Measure(ctx)
	if err != nil {
		return nil, err
	}
	others, err := app.Frames{Files: q.Others, Done: func(n, _ int) { done(len(q.Files)+n, len(q.Files)+len(q.Others)) }}.Measure(ctx)
	if err != nil {
		return nil, err
	}
	a := fitting.Compare(q.Test, frames, others)
	all := slices.Concat(frames, others)
	forgetStars(all)
	return &stepped{answer: &a, text: measureText(all), curve: setsDrawing(frames, others)}, nil
}

// forgetStars leaves the summaries, which pages show.
func forgetStars(frames []star.Frame) {
	for i := range frames {
		frames[i].Stars = nil
	}
}

// measureText writes frames as the command does.
func measureText(frames []star.Frame) func(io.Writer, report.Style) error {
	return func(w io.Writer, s report.Style) error { return report.Measure(w, frames, 0, s) }
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
