package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/internal/fits"
	"holdfast/internal/optics"
	"holdfast/internal/plan"
	"holdfast/internal/proof"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// ProveTask is what a person asks of a night's subs.
type ProveTask struct {
	Task                   // its Rig may be empty
	Files  []string        // subs: frames, tables of stars, or folders of them
	Series string          // what the guide camera measured; "" takes a series.csv beside the subs, "none" none
	Gain   float64         // electrons per ADU; 0 leaves it to the headers
	Draft  string          // file to write a draft rig to; "" writes none
	Done   func(n, of int) // called after each sub; may be nil
}

// Prove opens the subs and the series and says which cause is behind the night's
// stars.
func (t ProveTask) Prove(ctx context.Context) (*Answer[*proof.Result], error) {
	a := &Answer[*proof.Result]{SunApart: unit.Deg(math.NaN())}
	if t.Rig != "" {
		r, err := t.Load()
		if err != nil {
			return nil, err
		}
		a.Rig = r
	}
	night, err := t.night(ctx, a.Rig)
	if err != nil {
		return a, err
	}
	a.Result = proof.Prove(night)
	if a.Rig != nil {
		if err := t.planned(ctx, night, a.Result); err != nil {
			return a, err
		}
		a.Assumed = a.Rig.Assumed()
	}
	if t.Draft != "" {
		if a.Result.Draft == "" {
			return a, &UsageError{Flag: "draft", Err: errors.New("found a rig or no stars: a draft is made from subs with stars where there is no rig yet")}
		}
		if err := WriteFile(t.Draft, []byte(a.Result.Draft)); err != nil {
			return a, err
		}
	}
	return a, nil
}

// planned puts the widths that the plan foretold beside those measured, for the
// same target, evening and sub. A night that cannot be planned, such as one
// whose subs point nowhere that is known, has none.
func (t ProveTask) planned(ctx context.Context, n *proof.Night, r *proof.Result) error {
	var mid *proof.Sub
	for i := range n.Subs {
		if s := &n.Subs[i]; s.Solution != nil && s.Solution.Solved && !s.Start.IsZero() {
			mid = s
			break
		}
	}
	if mid == nil {
		return nil
	}
	task := t.Task
	c := mid.Solution.Centre
	task.Target = fmt.Sprintf("%.5f %+.5f", float64(c.RA), float64(c.Dec))
	// Local noon to local noon is one evening.
	lon := float64(mid.Lon)
	if math.IsNaN(lon) {
		lon = 0
	}
	task.Date = mid.Start.Add(time.Duration((lon/15 - 12) * float64(time.Hour))).Format(time.DateOnly)
	if mid.Exposure > 0 {
		task.Sub = fmt.Sprintf("%g s", float64(mid.Exposure))
	}
	task.Samples = 1
	q, err := task.Settle()
	if err != nil {
		return nil
	}
	q.Result.Samples = 1
	res, err := plan.Make(ctx, q.Result)
	if err != nil {
		return ctx.Err()
	}
	for i := range r.Ledger {
		for _, row := range res.Ledger {
			if row.Term == r.Ledger[i].Term {
				k := &r.Ledger[i]
				k.PlannedEast, k.PlannedNorth, k.Entries, k.Remedy = row.East, row.North, row.Entries, row.Remedy
			}
		}
	}
	return nil
}

// night opens what the task names.
func (t ProveTask) night(ctx context.Context, r *rig.Rig) (*proof.Night, error) {
	names, err := t.list()
	if err != nil {
		return nil, err
	}
	n := &proof.Night{Rig: r}
	w := wanderer{}
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		s, err := t.sub(ctx, name, &w)
		if err != nil {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			s = proof.Sub{Frame: refused(name, err)}
		}
		n.Subs = append(n.Subs, s)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	slices.SortStableFunc(n.Subs, func(a, b proof.Sub) int { return a.Start.Compare(b.Start) })
	if n.Series, err = t.series(); err != nil {
		return nil, err
	}
	return n, nil
}

// list returns the subs, folders opened; a folder whose subs lie in a folder
// "subs" stands for that.
func (t ProveTask) list() ([]string, error) {
	var out []string
	for _, name := range t.Files {
		info, err := os.Stat(name)
		if err != nil {
			return nil, fmt.Errorf("app: %s: %s: give subs, or a folder of them", name, cause(err))
		}
		if !info.IsDir() {
			out = append(out, name)
			continue
		}
		if inner := filepath.Join(name, "subs"); isFolder(inner) {
			name = inner
		}
		entries, err := os.ReadDir(name)
		if err != nil {
			return nil, fmt.Errorf("app: %s: %s", name, cause(err))
		}
		before := len(out)
		for _, e := range entries {
			path := filepath.Join(name, e.Name())
			lower := strings.ToLower(e.Name())
			switch {
			case e.IsDir():
			case strings.HasSuffix(lower, ".csv"):
				if head, err := firstBytes(path); err == nil && star.IsTable(head) {
					out = append(out, path)
				}
			case slices.ContainsFunc(endings, func(end string) bool { return strings.HasSuffix(lower, end) }):
				out = append(out, path)
			}
		}
		if len(out) == before {
			return nil, fmt.Errorf("app: %s: found no subs in this folder: want frames (.fits, .fit, .fts, .fz, .tif, .tiff, .dng, .png) or tables of stars (.csv)", name)
		}
	}
	return out, nil
}

// isFolder reports whether a path is a folder.
func isFolder(name string) bool {
	info, err := os.Stat(name)
	return err == nil && info.IsDir()
}

// firstBytes returns how a file begins.
func firstBytes(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	head := make([]byte, 64)
	n, err := f.Read(head)
	return head[:n], err
}

// words is what a header or the notes of a table say.
type words struct {
	header *fits.Header
	notes  map[string]string
}

// text returns a value as text, "" if there is none.
func (w words) text(key string) string {
	if w.header != nil {
		s, _ := w.header.Text(key)
		return strings.TrimSpace(s)
	}
	return strings.TrimSpace(w.notes[key])
}

// number returns the first of some keys that holds a number, NaN if none does.
func (w words) number(keys ...string) float64 {
	for _, k := range keys {
		if w.header != nil {
			if v, ok := w.header.Float(k); ok {
				return v
			}
			continue
		}
		if v, err := strconv.ParseFloat(w.notes[k], 64); err == nil {
			return v
		}
	}
	return math.NaN()
}

// sub opens one sub and finds where it points.
func (t ProveTask) sub(ctx context.Context, name string, w *wanderer) (proof.Sub, error) {
	var m star.Frame
	var say words
	head, err := firstBytes(name)
	if err != nil {
		return proof.Sub{}, fmt.Errorf("%s", cause(err))
	}
	if star.IsTable(head) {
		data, err := os.ReadFile(name)
		if err != nil {
			return proof.Sub{}, fmt.Errorf("%s", cause(err))
		}
		if m, say.notes, err = star.ReadTable(name, bytes.NewReader(data)); err != nil {
			return proof.Sub{}, err
		}
	} else {
		if m, say.header, err = (Frames{Gain: t.Gain, Workers: t.Workers}).look(name); err != nil {
			return proof.Sub{}, err
		}
	}
	s := proof.Sub{Frame: m, Exposure: unit.Second(say.number("EXPTIME", "EXPOSURE")), Altitude: unit.Deg(say.number("OBJCTALT", "CENTALT", "ALTITUDE")), Airmass: say.number("AIRMASS"),
		PierSide: strings.ToLower(say.text("PIERSIDE")), Temperature: unit.Celsius(say.number("AMBTEMP", "AMBIENT", "FOCTEMP")),
		Focal: unit.MM(say.number("FOCALLEN")), Aperture: unit.MM(say.number("APTDIA")), Pixel: unit.Micron(say.number("XPIXSZ", "PIXSIZE1"))}
	s.Lat, s.Lon = unit.Deg(say.number("SITELAT", "LAT-OBS")), unit.Deg(say.number("SITELONG", "LONG-OBS"))
	if math.IsNaN(s.Airmass) && s.Altitude > 0 {
		s.Airmass = sky.Airmass(s.Altitude)
	}
	s.Start = say.start()
	if s.Focal > 5 && s.Pixel > 0.1 {
		s.Scale = optics.Scale(s.Pixel, s.Focal)
	}
	if s.Solution, err = w.find(ctx, &m, say, s.Scale); err != nil {
		return s, err
	}
	if begin, length, err := exposed(say.header); err == nil && (math.IsNaN(float64(s.Lat)) || math.IsNaN(float64(s.Lon))) {
		at := placed{header: say.header, begin: begin, length: length}
		at.File = name
		if s.Solution != nil {
			at.WCS = s.Solution.WCS
		}
		if site, _, ok := headerSite(&at); ok {
			s.Lat, s.Lon = site.Lat, site.Lon
		}
	}
	return s, nil
}

// start returns when an exposure began, the zero time where nothing says it.
func (w words) start() time.Time {
	if w.header != nil {
		if m, ok := w.header.Start(); ok && m.Fine <= 60 {
			return m.Time.UTC()
		}
		return time.Time{}
	}
	for _, form := range []string{"2006-01-02T15:04:05.999999999", time.RFC3339Nano} {
		if at, err := time.Parse(form, w.notes["DATE-OBS"]); err == nil {
			return at.UTC()
		}
	}
	return time.Time{}
}

// find solves a sub from what its header says, nil where that does not settle
// it.
func (w *wanderer) find(ctx context.Context, m *star.Frame, say words, scale unit.Scale) (*solve.Solution, error) {
	if m.Width == 0 || len(m.Stars) < 4 || w.lies {
		return nil, nil
	}
	req := solve.Request{Width: m.Width, Height: m.Height, Previous: w.last, Strict: true}
	if d, _, ok := headerPointing(say.header); ok {
		req.Hint, req.Within = &d, defaultWithin
	} else if ra, dec := say.number("RA"), say.number("DEC"); !math.IsNaN(ra + dec) {
		req.Hint, req.Within = &sky.Direction{RA: unit.Deg(ra), Dec: unit.Deg(dec)}, defaultWithin
	}
	if req.Hint == nil && req.Previous == nil {
		req.Strict = false
	}
	if scale > 0 {
		req.ScaleMin, req.ScaleMax = scale*0.8, scale*1.25
	}
	for _, st := range m.Stars[:min(len(m.Stars), 300)] {
		req.Spots = append(req.Spots, solve.Spot{X: st.X, Y: st.Y, Flux: float64(st.Flux)})
	}
	sol, err := solve.Solve(ctx, req)
	if err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, nil
	}
	if !sol.Solved {
		return nil, nil
	}
	w.last = &sol
	return &sol, nil
}

// series opens what the guide camera measured, nil if there is nothing.
func (t ProveTask) series() (*proof.Series, error) {
	name := t.Series
	if name == "none" {
		return nil, nil
	}
	if name == "" {
		for _, f := range t.Files {
			dir := f
			if !isFolder(dir) {
				dir = filepath.Dir(dir)
			}
			for _, at := range []string{filepath.Join(dir, "series.csv"), filepath.Join(filepath.Dir(filepath.Clean(dir)), "series.csv")} {
				if info, err := os.Stat(at); err == nil && !info.IsDir() && name == "" {
					name = at
				}
			}
		}
		if name == "" {
			return nil, nil
		}
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, &UsageError{Flag: "series", Err: errors.New(name + ": " + cause(err))}
	}
	defer f.Close()
	return proof.ReadSeries(name, f)
}
