package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"holdfast/internal/optics"
	"holdfast/internal/photo"
	"holdfast/internal/rig"
	"holdfast/internal/series"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/unit"
)

// DriveTask is what a person asks of a drive, in the words of flags.
type DriveTask struct {
	Task            // its Rig may be empty
	Frames          // one table of offsets, or guide frames
	Columns  string // "time=1,ra=3,dec=4"; "" is our own
	Unit     string // of the offsets; "" is arcsec
	Scale    string // of the guide camera, arcsec per pixel
	Exposure string // of the guide camera
	Aperture string // of the guide telescope
	Gain     string // of corrections that are not in the record
	Save, As string // files to keep the columns in, and to take them from
}

// Drive says what a record of offsets, or a run of guide frames, tells of a
// drive.
func (t DriveTask) Drive(ctx context.Context) (*Answer[*series.Drive], error) {
	a := &Answer[*series.Drive]{SunApart: unit.Deg(math.NaN())}
	opt, layout, err := t.options(a)
	if err != nil {
		return nil, err
	}
	if len(t.Files) == 0 {
		return nil, &UsageError{Flag: "series", Err: errors.New("found none: want a table of offsets, or guide frames")}
	}
	text, err := t.table()
	if err != nil {
		return nil, err
	}
	if text == nil {
		a.Result, err = t.follow(ctx, opt, a)
		return a, err
	}
	name := t.Files[0]
	recs, err := series.Read(name, text, layout)
	if err != nil {
		return nil, err
	}
	longest := slices.MaxFunc(recs, func(a, b *series.Record) int { return len(a.Samples) - len(b.Samples) })
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if a.Result, err = series.Analyse(longest, opt); err != nil {
		return nil, err
	}
	if len(recs) > 1 {
		a.Result.Notes = append(a.Result.Notes, fmt.Sprintf("the clock goes back %d times; this is the longest of the %d records, from %d exposures on", len(recs)-1, len(recs), len(longest.Samples)))
	}
	if t.Save != "" {
		if err := os.WriteFile(t.Save, []byte(keep(layout)), 0o666); err != nil {
			return nil, fmt.Errorf("app: %s: %s", t.Save, cause(err))
		}
	}
	return a, nil
}

// options reads the flags, the rest from a rig if there is one.
func (t DriveTask) options(a *Answer[*series.Drive]) (series.Options, series.Layout, error) {
	opt := series.Options{Workers: t.Frames.Workers}
	var l series.Layout
	if t.As != "" {
		b, err := os.ReadFile(t.As)
		if err != nil {
			return opt, l, fmt.Errorf("app: %s: %s", t.As, cause(err))
		}
		if l, err = kept(t.As, string(b)); err != nil {
			return opt, l, err
		}
	}
	if t.Columns != "" {
		c, err := series.ParseColumns(t.Columns)
		if err != nil {
			return opt, l, &UsageError{Flag: "columns", Err: err}
		}
		l.Columns = c
	}
	if t.Unit != "" {
		l.Unit = t.Unit
	}
	if t.Rig != "" {
		r, err := t.Load()
		if err != nil {
			return opt, l, err
		}
		a.Rig = r
		opt.Wind, opt.Outer = r.Site.WindAloft.V, r.Site.OuterScale.V
		if r.Guide.Kind != rig.NoGuide {
			opt.Scale, opt.Aperture = optics.Scale(r.Guide.Camera.BinnedPixel(), r.Guide.Focal.V), r.Guide.Aperture.V
		}
	}
	for _, k := range []struct {
		flag, text string
		dim        unit.Dimension
		to         string
		set        func(float64)
	}{
		{"exposure", t.Exposure, unit.Time, "s", func(v float64) { opt.Exposure = unit.Second(v) }},
		{"aperture", t.Aperture, unit.Length, "mm", func(v float64) { opt.Aperture = unit.MM(v) }},
	} {
		if k.text == "" {
			continue
		}
		q, err := unit.ParseAs(k.text, k.dim)
		if err != nil {
			return opt, l, &UsageError{Flag: k.flag, Err: err}
		}
		v, _, ok := q.In(k.to)
		if !ok || !(v > 0) {
			return opt, l, &UsageError{Flag: k.flag, Err: fmt.Errorf("found %q: want it above zero", k.text)}
		}
		k.set(v)
	}
	if t.Scale != "" {
		v, ok := finite(strings.TrimSpace(strings.TrimSuffix(t.Scale, "arcsec/px")))
		if !ok || !(v > 0.001) || v > 7200 {
			return opt, l, &UsageError{Flag: "scale", Err: fmt.Errorf("found %q: want arcsec per pixel of the guide camera, such as 4.8", t.Scale)}
		}
		opt.Scale = unit.Scale(v)
	}
	if opt.Scale > 0 {
		l.Scale = opt.Scale
	} else if l.Scale > 0 {
		opt.Scale = l.Scale
	}
	if t.Gain != "" {
		v, ok := finite(t.Gain)
		if !ok || !(v > 0) || v >= 2 {
			return opt, l, &UsageError{Flag: "gain", Err: fmt.Errorf("found %q: want the share of the error that each correction took off, above 0 and below 2", t.Gain)}
		}
		opt.Gain = v
	}
	if l.Unit != "" && !slices.Contains([]string{"arcsec", "arcmin", "px"}, l.Unit) {
		return opt, l, &UsageError{Flag: "units", Err: fmt.Errorf("found %q: want arcsec, arcmin or px", l.Unit)}
	}
	if l.Unit == "px" && l.Scale == 0 {
		return opt, l, &UsageError{Flag: "scale", Err: errors.New("found none: offsets in px need the scale of the guide camera in arcsec per pixel, such as --scale 4.8")}
	}
	return opt, l, nil
}

// keep writes a layout as lines of key = value; kept reads it.
func keep(l series.Layout) string {
	var parts []string
	for _, q := range series.Quantities {
		if c := l.Columns[q]; c != "" {
			parts = append(parts, q+"="+c)
		}
	}
	s := "# Columns of a table of guide offsets, for holdfast drive --as.\n"
	if len(parts) > 0 {
		s += "columns: " + strings.Join(parts, ",") + "\n"
	}
	if l.Unit != "" {
		s += "units: " + l.Unit + "\n"
	}
	if l.Scale > 0 {
		s += fmt.Sprintf("scale: %g\n", float64(l.Scale))
	}
	return s
}

func kept(name, text string) (series.Layout, error) {
	var l series.Layout
	n := 0
	for line := range strings.Lines(text) {
		n++
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		k, v, _ := strings.Cut(line, ":")
		v = strings.TrimSpace(v)
		switch strings.TrimSpace(k) {
		case "columns":
			c, err := series.ParseColumns(v)
			if err != nil {
				return l, fmt.Errorf("app: %s: line %d: %s", name, n, plainly(err))
			}
			l.Columns = c
		case "units":
			l.Unit = v
		case "scale":
			f, ok := finite(v)
			if !ok || !(f > 0) {
				return l, fmt.Errorf("app: %s: line %d: found the scale %q: want arcsec per pixel", name, n, v)
			}
			l.Scale = unit.Scale(f)
		default:
			return l, fmt.Errorf("app: %s: line %d: found %.40q: want columns, units or scale with a colon", name, n, line)
		}
	}
	return l, nil
}

// table returns the text of the one file if it is no picture, nil otherwise.
func (t DriveTask) table() (io.Reader, error) {
	if t.Files[0] == "-" && len(t.Files) == 1 {
		b, err := io.ReadAll(io.LimitReader(t.Stdin, mostText+1))
		if err != nil {
			return nil, fmt.Errorf("app: standard input: %s", cause(err))
		}
		if len(b) > mostText {
			return nil, fmt.Errorf("app: standard input: found more than %d MB of text", mostText>>20)
		}
		return bytes.NewReader(b), nil
	}
	texts := 0
	for _, name := range t.Files {
		picture, err := isPicture(name)
		if err != nil {
			return nil, err
		}
		if !picture {
			texts++
		}
	}
	switch {
	case texts == 0:
		return nil, nil
	case len(t.Files) > 1:
		return nil, fmt.Errorf("app: found %d files, %d of them no pictures: want one table of offsets, or guide frames", len(t.Files), texts)
	}
	info, err := os.Stat(t.Files[0])
	if err != nil {
		return nil, fmt.Errorf("app: %s: %s", t.Files[0], cause(err))
	}
	if info.Size() > mostText {
		return nil, fmt.Errorf("app: %s: found %d MB of text, want no more than %d", t.Files[0], info.Size()>>20, mostText>>20)
	}
	b, err := os.ReadFile(t.Files[0])
	if err != nil {
		return nil, fmt.Errorf("app: %s: %s", t.Files[0], cause(err))
	}
	return bytes.NewReader(b), nil
}

// mostText is how much text a series may be.
const mostText = 512 << 20

// isPicture reports whether a file, or a folder, holds pictures.
func isPicture(name string) (bool, error) {
	info, err := os.Stat(name)
	if err != nil {
		return false, fmt.Errorf("app: %s: %s", name, cause(err))
	}
	if info.IsDir() {
		return true, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return false, fmt.Errorf("app: %s: %s", name, cause(err))
	}
	defer f.Close()
	head := make([]byte, max(photo.SniffLen, 16))
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return false, fmt.Errorf("app: %s: %s", name, cause(err))
	}
	head = head[:n]
	for _, magic := range []string{"SIMPLE  =", "\x1f\x8b", "BZh"} {
		if bytes.HasPrefix(head, []byte(magic)) {
			return true, nil
		}
	}
	return photo.Sniff(head) != photo.None, nil
}

// follow measures guide frames and says what their stars' motion tells.
func (t DriveTask) follow(ctx context.Context, opt series.Options, a *Answer[*series.Drive]) (*series.Drive, error) {
	names, err := t.Frames.list()
	if err != nil {
		return nil, err
	}
	type look struct {
		series.Shot
		solved *solve.Solution
		header unit.Scale
	}
	var looks []look
	w := &wanderer{}
	var longest unit.Second
	solved := false
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		k := look{Shot: series.Shot{File: name}}
		m, h, err := t.look(name)
		switch {
		case err != nil:
			k.Reason = refused(name, err).Error
		case m.StarsFound == 0:
			k.Reason = strings.TrimPrefix(m.Error, "star: ")
			if k.Reason == "" {
				k.Reason = "it shows no stars"
			}
		}
		if err == nil {
			if begin, length, err := exposed(h); err == nil {
				k.Time = begin.Add(length / 2).Time()
				longest = max(longest, length)
			} else if k.Reason == "" {
				k.Reason = plainly(err)
			}
			k.Stars = spotsOf(&m)
			k.header, _ = headerScale(h)
		}
		if k.Reason == "" && !solved && i < 5 {
			// One solved frame tells scale and directions.
			if ans, err := w.solve(ctx, name, &m, h); err == nil && ans.Solved {
				sol := *w.last
				k.solved, solved = &sol, true
			} else if ctx.Err() != nil {
				return nil, ctx.Err()
			}
		}
		looks = append(looks, k)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	slices.SortStableFunc(looks, func(a, b look) int { return a.Time.Compare(b.Time) })
	shots := make([]series.Shot, 0, len(looks))
	var last time.Time
	for _, k := range looks {
		if !k.Time.IsZero() && k.Time.Equal(last) {
			k.Reason, k.Time = "it was taken at the same time as another", time.Time{}
		}
		if !k.Time.IsZero() {
			last = k.Time
		}
		shots = append(shots, k.Shot)
	}
	track, err := series.Follow(shots)
	if err != nil {
		return nil, err
	}
	s := series.Sky{}
	switch {
	case solved:
		i := slices.IndexFunc(looks, func(k look) bool { return k.solved != nil })
		s = skyOf(looks[i].solved, looks[i].Stars)
		track.Scale, track.ScaleFrom = float64(looks[i].solved.WCS.Scale()), "the stars of "+filepath.Base(looks[i].File)
	case opt.Scale > 0:
		s = series.Upright(opt.Scale)
		track.Scale, track.ScaleFrom = float64(opt.Scale), "as given"
	default:
		i := slices.IndexFunc(looks, func(k look) bool { return k.header > 0 })
		if i >= 0 {
			s = series.Upright(looks[i].header)
			track.Scale, track.ScaleFrom = float64(looks[i].header), "the header of "+filepath.Base(looks[i].File)
		}
	}
	name := names[0]
	if len(names) > 1 {
		name = fmt.Sprintf("%s and %d more", names[0], len(names)-1)
	}
	if track.Scale > 0 {
		opt.Scale = unit.Scale(track.Scale)
	}
	if opt.Exposure == 0 && longest > 0 {
		opt.Exposure = longest
	}
	if !(track.Scale > 0) {
		return series.Moved(name, track), nil
	}
	rec, err := track.Record(name, shots, s, longest)
	if err != nil {
		return nil, err
	}
	d, err := series.Analyse(rec, opt)
	if err != nil {
		d = series.Moved(name, track)
		d.Notes = append(d.Notes, plainly(err))
	}
	d.Track = track
	return d, nil
}

// skyOf returns the directions of a solved frame at its middle.
func skyOf(sol *solve.Solution, f solve.Field) series.Sky {
	x, y := unit.Px(f.Width-1)/2, unit.Px(f.Height-1)/2
	plane := sky.NewTangent(sol.WCS.Sky(x, y))
	east := func(x, y unit.Px) (float64, float64) {
		e, n := plane.Project(sol.WCS.Sky(x, y))
		return float64(e.Arcsec()), float64(n.Arcsec())
	}
	const step = 10
	xe, xn := east(x+step, y)
	ye, yn := east(x, y+step)
	return series.Sky{XEast: xe / step, XNorth: xn / step, YEast: ye / step, YNorth: yn / step, Known: true}
}
