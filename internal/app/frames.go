package app

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"holdfast/internal/catalog"
	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/optics"
	"holdfast/internal/photo"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// Frames is a list of pictures to look at. A folder stands for the pictures in
// it, by name.
type Frames struct {
	Files   []string
	Gain    float64            // electrons per ADU; 0 leaves it to the headers
	Workers int                // goroutines; 0 is one for each processor
	Done    func(n, of int)    // called after each picture; may be nil
	Opened  func(*frame.Frame) // called with each picture that could be opened; may be nil
}

// endings are how the names of pictures end that a folder is searched for.
var endings = []string{".fits", ".fit", ".fts", ".fz", ".fits.gz", ".fit.gz", ".fits.bz2", ".fit.bz2", ".tif", ".tiff", ".dng", ".png"}

// IsPicture reports whether a file's name ends as names of pictures do.
func IsPicture(name string) bool {
	return slices.ContainsFunc(endings, func(end string) bool { return strings.HasSuffix(strings.ToLower(name), end) })
}

// list returns the files, folders opened.
func (t Frames) list() ([]string, error) {
	var out []string
	for _, name := range t.Files {
		info, err := os.Stat(name)
		if err != nil || !info.IsDir() {
			out = append(out, name) // what is not there is told frame by frame
			continue
		}
		entries, err := os.ReadDir(name)
		if err != nil {
			return nil, fmt.Errorf("app: %s: %s", name, cause(err))
		}
		before := len(out)
		for _, e := range entries {
			if !e.IsDir() && IsPicture(e.Name()) {
				out = append(out, filepath.Join(name, e.Name()))
			}
		}
		if len(out) == before {
			return nil, fmt.Errorf("app: %s: found no frames in this folder: want names that end in .fits, .fit, .fts, .fz, .tif, .tiff, .dng or .png", name)
		}
	}
	return out, nil
}

// opened is a frame with the file that its rows are read from.
type opened struct {
	*frame.Frame
	close func() error
}

// open opens a file as a frame. Who opens it closes it when no more rows are
// asked for.
func open(name string) (*opened, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("%s", cause(err))
	}
	fr, err := readable(name, f)
	if err != nil {
		f.Close()
		return nil, err
	}
	return &opened{fr, f.Close}, nil
}

// readable returns the frame that an open file holds, of the kind that its
// first bytes say, whatever its name.
func readable(name string, f *os.File) (*frame.Frame, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("%s", cause(err))
	}
	if info.IsDir() {
		return nil, errors.New("found a folder inside a list of frames")
	}
	head := make([]byte, min(info.Size(), photo.SniffLen))
	n, _ := f.ReadAt(head, 0) // a file that can not be read is told by fits.Open
	if photo.Sniff(head[:n]) != photo.None {
		picture, err := photo.Open(name, f, info.Size())
		if err != nil {
			return nil, err
		}
		return frame.FromPhoto(picture)
	}
	file, err := fits.Open(name, f, info.Size())
	if err != nil {
		return nil, err
	}
	image, err := file.Image()
	if err != nil {
		return nil, err
	}
	return frame.New(image)
}

// look opens a file, measures it and hands both on.
func (t Frames) look(name string) (star.Frame, *fits.Header, error) {
	fr, err := open(name)
	if err != nil {
		return star.Frame{File: name}, nil, err
	}
	defer fr.close()
	if t.Opened != nil {
		t.Opened(fr.Frame)
	}
	m, err := star.Measure(fr.Frame, star.Options{Workers: t.Workers, GainElectronPerADU: t.Gain})
	m.File = name
	return m, fr.Header, err
}

// refused returns a frame of which nothing is known but why.
func refused(name string, err error) star.Frame {
	nan := math.NaN()
	f := star.Frame{File: name, Background: unit.ADU(nan), Noise: unit.ADU(nan), Gain: nan, Ceiling: unit.ADU(nan)}
	f.FWHM, f.FWHMSigma, f.HFD, f.HFDSigma = unit.Px(nan), unit.Px(nan), unit.Px(nan), unit.Px(nan)
	f.Ellipticity, f.EllipticitySigma, f.Angle, f.Tail = nan, nan, unit.Deg(nan), nan
	f.Error = strings.TrimPrefix(plainly(err), name+": ")
	return f
}

// Measure measures the stars of every frame. What is wrong with one frame is
// told in its Error and keeps none of the others back; the error is that of a
// folder, or of a context that ends.
func (t Frames) Measure(ctx context.Context) ([]star.Frame, error) {
	names, err := t.list()
	if err != nil {
		return nil, err
	}
	out := make([]star.Frame, 0, len(names))
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		m, _, err := t.look(name)
		if err != nil {
			m = refused(name, err)
		}
		m.Error = strings.TrimPrefix(m.Error, "star: ")
		out = append(out, m)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	return out, nil
}

// SolveOptions is what is known of where frames point.
type SolveOptions struct {
	Hint   string // "RA Dec radius", or a name; "" leaves it to the headers
	Scale  string // "lo,hi" in arcsec per pixel; "" leaves it to the headers
	Strict bool   // do not search the rest of the sky
}

// defaultWithin is how far a hint of a header may be off.
const defaultWithin unit.Deg = 5

// Solve finds where every frame points. As with Measure, what is wrong with one
// frame is told with it.
func (t Frames) Solve(ctx context.Context, opt SolveOptions) ([]solve.Answer, error) {
	names, err := t.list()
	if err != nil {
		return nil, err
	}
	hint, within, err := parseHint(opt.Hint)
	if err != nil {
		return nil, &UsageError{Flag: "hint", Err: err}
	}
	lo, hi, err := parseScale(opt.Scale)
	if err != nil {
		return nil, &UsageError{Flag: "scale", Err: err}
	}
	w := wanderer{opt: opt, hint: hint, within: within, lo: lo, hi: hi}
	var out []solve.Answer
	for i, name := range names {
		m, h, err := t.look(name)
		if err != nil {
			out = append(out, solve.Refused(name, refused(name, err).Error))
			continue
		}
		a, err := w.solve(ctx, name, &m, h)
		if err != nil {
			return out, err
		}
		out = append(out, a)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	return out, nil
}

// wanderer solves one frame after the other, each with what the ones before
// have taught.
type wanderer struct {
	opt    SolveOptions
	hint   *sky.Direction
	within unit.Deg
	lo, hi unit.Scale

	last  *solve.Solution // of the frame solved last
	lies  bool            // a frame was not solved without the header's scale either
	first *pinned         // what frames that cannot be solved are laid on
}

// pinned is a frame that others are laid on.
type pinned struct {
	name  string
	field solve.Field
}

// solve finds where one measured frame points; if that cannot be said, how it
// lies on an earlier one.
func (w *wanderer) solve(ctx context.Context, name string, m *star.Frame, h *fits.Header) (solve.Answer, error) {
	req := solve.Request{Width: m.Width, Height: m.Height, Hint: w.hint, Within: w.within, ScaleMin: w.lo, ScaleMax: w.hi, Previous: w.last, Strict: w.opt.Strict}
	from := ""
	if w.hint != nil {
		from = "given"
	} else if d, key, ok := headerPointing(h); ok {
		req.Hint, req.Within, from = &d, defaultWithin, key
	}
	if w.hi == 0 {
		if sc, ok := headerScale(h); ok {
			req.ScaleMin, req.ScaleMax = sc*0.8, sc*1.25
		}
	}
	for _, st := range m.Stars {
		req.Spots = append(req.Spots, solve.Spot{X: st.X, Y: st.Y, Flux: float64(st.Flux)})
	}
	sol, err := solve.Solve(ctx, req)
	if err == nil && !sol.Solved && w.hi == 0 && req.ScaleMax > 0 && !w.opt.Strict && !w.lies {
		// The header may lie about the scale; its place is believed.
		again := req
		again.ScaleMin, again.ScaleMax, again.Strict = 0, 0, again.Hint != nil
		var other solve.Solution
		if other, err = solve.Solve(ctx, again); other.Solved {
			sol = other
		} else {
			w.lies = true
		}
	}
	if err != nil {
		if ctx.Err() != nil {
			return solve.Answer{}, ctx.Err()
		}
		return solve.Refused(name, plainly(err)), nil
	}
	if sol.Solved {
		w.last = &sol
	} else if m.StarsFound == 0 && m.Error != "" {
		sol.Why = strings.TrimPrefix(m.Error, "star: ")
	}
	a, err := sol.State(name)
	if err != nil {
		return a, fmt.Errorf("app: %s: %w", name, err)
	}
	a.Hint, a.Stars = from, m.StarsFound
	field := solve.Field{Spots: req.Spots, Width: m.Width, Height: m.Height}
	switch {
	case w.first == nil && len(field.Spots) > 0:
		w.first = &pinned{name, field}
	case !sol.Solved && w.first != nil:
		a.Registered = solve.RegisteredOn(w.first.name, w.first.field, field)
	}
	return a, nil
}

// parseHint reads "RA Dec radius" with the radius in degrees, or a place or
// name without one.
func parseHint(text string) (*sky.Direction, unit.Deg, error) {
	if text == "" {
		return nil, 0, nil
	}
	within := defaultWithin
	place := text
	if words := strings.Fields(text); len(words) > 2 {
		if v, _, ok := angle(words[len(words)-1]); ok && v > 0 && v <= 180 {
			if _, err := catalog.ParseTarget(strings.Join(words[:len(words)-1], " ")); err == nil {
				within, place = v, strings.Join(words[:len(words)-1], " ")
			}
		}
	}
	o, err := catalog.ParseTarget(place)
	if err != nil {
		return nil, 0, err
	}
	return &sky.Direction{RA: o.RA, Dec: o.Dec}, within, nil
}

// angle reads a bare number of degrees, or an angle with its unit.
func angle(text string) (unit.Deg, string, bool) {
	q, err := unit.ParseAs(text, unit.Angle)
	if err != nil {
		q, err = unit.ParseAs(text+" deg", unit.Angle)
	}
	if err != nil {
		return 0, "", false
	}
	v, _, ok := q.In("deg")
	return unit.Deg(v), text, ok
}

// parseScale reads "lo,hi" in arcsec per pixel.
func parseScale(text string) (lo, hi unit.Scale, err error) {
	if text == "" {
		return 0, 0, nil
	}
	a, b, ok := strings.Cut(text, ",")
	if !ok {
		a, b = text, text
	}
	var l, h float64
	if _, err := fmt.Sscanf(strings.TrimSpace(a)+" "+strings.TrimSpace(b), "%g %g", &l, &h); err != nil || !(l > 0) || !(h >= l) || h > 7200 {
		return 0, 0, fmt.Errorf("found %q: want the least and the greatest scale in arcsec per pixel, such as 1.0,1.2", text)
	}
	if l == h {
		l, h = 0.97*l, 1.03*h
	}
	return unit.Scale(l), unit.Scale(h), nil
}

// headerPointing returns where a header says the frame points, and by which
// card.
func headerPointing(h *fits.Header) (sky.Direction, string, bool) {
	if h == nil {
		return sky.Direction{}, "", false
	}
	for _, k := range [][2]string{{"OBJCTRA", "OBJCTDEC"}, {"RA", "DEC"}, {"CRVAL1", "CRVAL2"}} {
		if d, ok := pointing(h, k[0], k[1]); ok {
			return d, k[0], true
		}
	}
	return sky.Direction{}, "", false
}

// pointing reads a right ascension, as hours if it is text with separators and
// as degrees if it is a number, and a declination.
func pointing(h *fits.Header, ra, dec string) (sky.Direction, bool) {
	a, okA := h.Text(ra)
	d, okD := h.Text(dec)
	if okA && okD {
		if o, err := catalog.ParseTarget(strings.TrimSpace(a) + " " + strings.TrimSpace(d)); err == nil && o.Kind == catalog.Place {
			return sky.Direction{RA: o.RA, Dec: o.Dec}, true
		}
	}
	x, okX := h.Float(ra)
	y, okY := h.Float(dec)
	if !okX || !okY || !(x >= 0 && x < 360) || !(math.Abs(y) <= 90) || x == 0 && y == 0 {
		return sky.Direction{}, false
	}
	return sky.Direction{RA: unit.Deg(x), Dec: unit.Deg(y)}, true
}

// headerScale returns the image scale that a header states or that follows from
// its pixel and focal length.
func headerScale(h *fits.Header) (unit.Scale, bool) {
	if h == nil {
		return 0, false
	}
	for _, k := range []string{"PIXSCALE", "SECPIX", "SCALE", "SECPIX1"} {
		if v, ok := h.Float(k); ok && v > 0.01 && v < 7200 {
			return unit.Scale(v), true
		}
	}
	pixel, ok := h.Float("XPIXSZ")
	if !ok {
		pixel, ok = h.Float("PIXSIZE1")
	}
	focal, okF := h.Float("FOCALLEN")
	if ok && okF && pixel > 0.1 && focal > 5 {
		return optics.Scale(unit.Micron(pixel), unit.MM(focal)), true
	}
	return 0, false
}
