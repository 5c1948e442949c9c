package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"holdfast/internal/app"
	"holdfast/internal/draw"
	"holdfast/internal/plan"
	"holdfast/internal/report"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// ask is what a page asks of the rig and the sky. Empty strings leave a choice
// open.
type ask struct {
	Set    map[string]string `json:"set"` // entries set in place, over those of the file
	Target string            `json:"target"`
	Date   string            `json:"date"`
	Sub    string            `json:"sub"`
	Stack  int               `json:"stack"`    // of spacers, to draw
	Chosen int               `json:"chosen"`   // guide star, by its rank
	Expose string            `json:"exposure"` // of seek
	At     string            `json:"at"`       // of seek
}

// task returns the task of a question: the rig noted on the page, or else the
// file named at the start.
func (s *Server) task(q ask) (app.Task, error) {
	t := app.Task{Rig: s.cfg.Rig, Target: q.Target, Date: q.Date, Sub: q.Sub, Seed: 1, Now: s.cfg.Now()}
	text, err := s.rigText()
	if err != nil {
		return t, err
	}
	if len(text) == 0 {
		text = []byte(unknownRig)
	}
	t.Rig, t.Stdin = "-", bytes.NewReader(text)
	for _, entry := range slices.Sorted(mapKeys(q.Set)) {
		t.Set = append(t.Set, entry+"="+q.Set[entry])
	}
	return t, nil
}

// unknownRig is a rig of which nothing was said: everything is assumed.
const unknownRig = `name = "No rig yet"` + "\n"

// mapKeys ranges over the keys of m.
func mapKeys(m map[string]string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// rigText returns the rig in use: one that was dropped on a page, or else the
// file named at the start, or else nothing but defaults.
func (s *Server) rigText() ([]byte, error) {
	b, err := s.desk.note("rig")
	if err != nil {
		return nil, err
	}
	if b != nil {
		var n struct {
			Text string `json:"text"`
		}
		if err := json.Unmarshal(b, &n); err == nil && n.Text != "" {
			return []byte(n.Text), nil
		}
	}
	if s.cfg.Rig == "" {
		return nil, nil
	}
	text, err := os.ReadFile(s.cfg.Rig)
	if err != nil {
		return nil, fmt.Errorf("web: %s: the rig file can not be read any more", s.cfg.Rig)
	}
	return text, nil
}

// answered is an envelope with drawings beside the result.
type answered struct {
	report.Envelope
	Drawings any `json:"drawings"`
}

// answer answers a question about the rig.
func (s *Server) answer(do func(ctx context.Context, t app.Task, q ask) (result, drawings any, n report.Notes, err error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		verb := shortVerb(r.URL.Path)
		b, err := body(w, r, maxQuestion)
		if err != nil {
			s.refuse(w, http.StatusBadRequest, verb, report.Notes{}, err)
			return
		}
		var q ask
		dec := json.NewDecoder(bytes.NewReader(b))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&q); err != nil {
			s.refuse(w, http.StatusBadRequest, verb, report.Notes{}, fmt.Errorf("web: found a question that can not be read: %s", err))
			return
		}
		t, err := s.task(q)
		if err != nil {
			s.refuse(w, http.StatusConflict, verb, report.Notes{}, err)
			return
		}
		result, drawings, n, err := do(r.Context(), t, q)
		if err != nil {
			s.refuse(w, http.StatusUnprocessableEntity, verb, n, err)
			return
		}
		reply(w, http.StatusOK, answered{report.NewEnvelope(s.cfg.Version, verb, n, result, ""), drawings})
	}
}

// notesOf returns what stands beside an answer, or beside an error as far as it
// was settled.
func notesOf[R any](a *app.Answer[R], cautions func() []report.Caution, err error) report.Notes {
	switch {
	case a == nil:
		return report.Notes{}
	case err != nil:
		return report.NewNotes(a.Rig, a.Assumed, report.SunCautions(a.SunApart))
	}
	return report.NewNotes(a.Rig, a.Assumed, cautions())
}

// starDrawings are the star at the centre and in the corner.
type starDrawings struct {
	Centre string `json:"centre"`
	Corner string `json:"corner"`
}

// drawStars draws the stars of a plan.
func drawStars(p *plan.Result) starDrawings {
	centre, corner := draw.StarsOf(p)
	return starDrawings{centre.SVG(), corner.SVG()}
}

// planAnswer is a plan with the night's hours beside it.
type planAnswer struct {
	plan.Result
	Hours []plan.Hour `json:"hours"`
}

// star answers what follows a hand on a slider.
func (s *Server) star(ctx context.Context, t app.Task, _ ask) (any, any, report.Notes, error) {
	a, err := t.Point(ctx)
	n := notesOf(a, func() []report.Caution { return report.PlanCautions(a.Rig, a.Result) }, err)
	if err != nil {
		return nil, nil, n, err
	}
	return planAnswer{*a.Result, a.Result.Hours}, drawStars(a.Result), n, nil
}

// plan answers the whole plan.
func (s *Server) plan(ctx context.Context, t app.Task, _ ask) (any, any, report.Notes, error) {
	a, err := t.Plan(ctx)
	n := notesOf(a, func() []report.Caution { return report.PlanCautions(a.Rig, a.Result) }, err)
	if err != nil {
		return nil, nil, n, err
	}
	return planAnswer{*a.Result, a.Result.Hours}, drawStars(a.Result), n, nil
}

// pathDrawings are the light path, the holder and the pick-off, as far as the
// rig has them.
type pathDrawings struct {
	Train   string `json:"train"`
	Shoe    string `json:"shoe"`
	PickOff string `json:"pickoff"`
}

// path answers how the light reaches focus.
func (s *Server) path(_ context.Context, t app.Task, q ask) (any, any, report.Notes, error) {
	a, err := t.Path()
	n := notesOf(a, func() []report.Caution { return report.PathCautions(a.Rig) }, err)
	if err != nil {
		return nil, nil, n, err
	}
	p := a.Result
	var d pathDrawings
	switch a.Rig.Guide.Kind {
	case rig.Piggyback:
		d.Train = draw.PathOf(a.Rig, p, q.Stack).SVG()
		d.Shoe = draw.ShoeOf(a.Rig, p).SVG()
	case rig.Pickoff:
		d.PickOff = draw.PickOffOf(a.Rig, p).SVG()
	}
	return p, d, n, nil
}

// skyDrawings are the field and the night.
type skyDrawings struct {
	Field string `json:"field"`
	Band  string `json:"band"`
}

// named is how many guide stars the field's drawing numbers.
const named = 12

// stars answers which guide stars there are, with the field and the night.
func (s *Server) stars(ctx context.Context, t app.Task, q ask) (any, any, report.Notes, error) {
	point, err := t.Point(ctx)
	if err != nil {
		return nil, nil, notesOf(point, nil, err), err
	}
	t.Target = fmt.Sprintf("%.5f %+.5f", float64(point.Result.Target.RA), float64(point.Result.Target.Dec))
	if t, err = s.again(t, q); err != nil {
		return nil, nil, report.Notes{}, err
	}
	r, p := point.Rig, point.Result
	band := draw.BandOf(r, p)
	c := &r.Imaging.Camera
	scale := p.ImageScale
	field := draw.Field{Target: p.Target.Name, Size: p.Target.Size, Chosen: q.Chosen,
		Imaging: draw.Frame{Width: scale.Arcsec(c.Width.V / unit.Px(c.Bin.V)).Arcmin(), Height: scale.Arcsec(c.Height.V / unit.Px(c.Bin.V)).Arcmin(), Angle: c.Angle.V}}
	if r.Guide.Kind == rig.NoGuide {
		n := notesOf(point, func() []report.Caution { return report.StarsCautions(point.SunApart) }, nil)
		return skyAnswer{Target: p.Target, Night: p.Night}, skyDrawings{field.SVG(), band.SVG()}, n, nil
	}
	a, err := t.Stars(ctx, 0)
	n := notesOf(a, func() []report.Caution { return report.StarsCautions(a.SunApart) }, err)
	if err != nil {
		return nil, nil, n, err
	}
	f := a.Result
	at := func(ra, dec unit.Deg) (east, north unit.Arcmin) {
		return app.FromTarget(p.Target.RA, p.Target.Dec, ra, dec)
	}
	field.Guide = draw.Frame{Width: f.Width, Height: f.Height, Angle: f.Angle}
	field.Guide.East, field.Guide.North = at(f.CentreRA, f.CentreDec)
	for i, st := range f.Stars {
		d := draw.FieldStar{Mag: st.VT, Usable: st.Usable}
		d.East, d.North = at(st.RA, st.Dec)
		if i < named {
			d.Rank = i + 1
		}
		field.Stars = append(field.Stars, d)
	}
	f.Stars = f.Stars[:min(len(f.Stars), named)]
	return skyAnswer{Target: p.Target, Night: p.Night, Field: f}, skyDrawings{field.SVG(), band.SVG()}, n, nil
}

// skyAnswer is a target's field and night.
type skyAnswer struct {
	Target plan.Target `json:"target"`
	Night  plan.Night  `json:"night"`
	Field  *plan.Field `json:"field"` // null without a guide camera
}

// again returns the task of a question once more, for another use of the rig's
// text, with the target that was settled on.
func (s *Server) again(t app.Task, q ask) (app.Task, error) {
	next, err := s.task(q)
	next.Target = t.Target
	return next, err
}

// entry is one entry of the rig, for a page that shows and sets it.
type entry struct {
	Path    string   `json:"path"`
	Doc     string   `json:"doc"`
	Kind    string   `json:"kind"` // number, word, text, switch or lengths
	Unit    string   `json:"unit"`
	Min     float64  `json:"min"`
	Max     float64  `json:"max"`
	Whole   bool     `json:"whole"`
	Unset   string   `json:"unset"`
	Choices []string `json:"choices"`
	Main    bool     `json:"main"`
	Applies bool     `json:"applies"`
	Shown   string   `json:"shown"` // its value with its unit
	Value   float64  `json:"value"` // of a number, in Unit
	Sigma   float64  `json:"value_sigma"`
	Assumed bool     `json:"assumed"`
	Why     string   `json:"why"` // it was assumed
	Accepts string   `json:"accepts"`
}

// rigAnswer is the rig as a page shows it.
type rigAnswer struct {
	Name    string  `json:"name"`
	File    string  `json:"file"` // "" when the rig is not from the file named at the start
	Text    string  `json:"text"` // as a rig file
	Entries []entry `json:"entries"`
}

// kinds are the names of the kinds of entries.
var kinds = map[rig.Kind]string{rig.Number: "number", rig.Word: "word", rig.Text: "text", rig.Switch: "switch", rig.Lengths: "lengths"}

// rig answers the entries of the rig in use.
func (s *Server) rig(_ context.Context, t app.Task, _ ask) (any, any, report.Notes, error) {
	r, err := t.Load()
	if err != nil {
		return nil, nil, report.Notes{}, err
	}
	ans := rigAnswer{Name: r.Name}
	if b, err := s.desk.note("rig"); err == nil && b == nil {
		ans.File = filepath.Base(s.cfg.Rig)
	}
	var text strings.Builder
	if err := r.Write(&text); err != nil {
		return nil, nil, report.Notes{}, err
	}
	ans.Text = text.String()
	for _, e := range rig.Entries() {
		o := entry{Path: e.Path, Doc: e.Doc, Kind: kinds[e.Kind], Unit: e.Unit, Min: e.Min, Max: e.Max, Whole: e.Whole, Unset: e.Unset, Choices: e.Choices,
			Main: e.Main, Applies: e.Applies(r), Shown: r.Show(e.Path), Assumed: r.IsAssumed(e.Path), Accepts: e.Accepted()}
		o.Value, o.Sigma, _, _ = r.Get(e.Path)
		if o.Assumed {
			_, o.Why = e.Default(r)
		}
		ans.Entries = append(ans.Entries, o)
	}
	n := report.NewNotes(r, r.Assumed(), report.PathCautions(r))
	return ans, nil, n, nil
}
