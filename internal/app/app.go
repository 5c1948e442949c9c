// Package app holds the use cases: it opens files, settles what a person left
// open and hands the rest to the packages that compute. Commands and pages
// translate a request into a Task and draw the answer.
package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"strings"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Task is what a person asks for, in the words of flags and forms. Empty
// strings leave a choice open.
type Task struct {
	Rig     string    // path of the rig file; "-" is Stdin
	Stdin   io.Reader // read when Rig is "-"
	Set     []string  // "entry=value", each as it would stand in the rig file
	Target  string    // a name or coordinates
	Date    string    // YYYY-MM-DD of the local evening
	Sub     string    // a length of time, such as "300 s"
	Samples int       // rigs drawn for the spread; 0 leaves it to the plan
	Seed    uint64    // of the draws
	Now     time.Time // decides which night is tonight
	Workers int       // goroutines; 0 is one for each processor
}

// Answer is a result with what was settled on the way to it.
type Answer[R any] struct {
	Rig      *rig.Rig
	Assumed  []rig.Assumed // what nobody gave: target and date first, then rig entries
	SunApart unit.Deg      // between target and Sun in the middle of the night; NaN where there is no target
	Result   R
}

// UsageError says that a flag, rather than a file or the sky, is at fault.
type UsageError struct {
	Flag string // without dashes
	Err  error
}

// Error names the flag and what is wrong with it.
func (e *UsageError) Error() string { return "app: --" + e.Flag + ": " + plainly(e.Err) }

// Unwrap returns what is wrong with the flag.
func (e *UsageError) Unwrap() error { return e.Err }

// plainly returns the message of an error without the name of the package that
// begins it.
func plainly(err error) string {
	s := err.Error()
	if head, rest, ok := strings.Cut(s, ": "); ok && !strings.ContainsAny(head, " .\"") {
		return rest
	}
	return s
}

// Load reads the rig of a task and sets the entries that its flags override.
// Errors of the file are *rig.Errors, errors of a flag *UsageError.
func (t Task) Load() (*rig.Rig, error) {
	r, err := t.read()
	if err != nil {
		return nil, err
	}
	for _, s := range t.Set {
		entry, value, err := splitSetting(s)
		if err != nil {
			return nil, &UsageError{Flag: "set", Err: err}
		}
		if r, err = r.With(entry, value); err != nil {
			return nil, &UsageError{Flag: "set", Err: err}
		}
	}
	return r, nil
}

// read reads the rig file itself.
func (t Task) read() (*rig.Rig, error) {
	if t.Rig == "-" {
		return rig.Read("standard input", t.Stdin)
	}
	f, err := os.Open(t.Rig)
	if err != nil {
		return nil, fmt.Errorf("app: %s: %s: give the path of a rig file, or - for standard input; holdfast init FILE writes one", t.Rig, cause(err))
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, fmt.Errorf("app: %s: found a folder: give the path of a rig file", t.Rig)
	}
	return rig.Read(t.Rig, f)
}

// cause returns what the system says of a file, without the path.
func cause(err error) string {
	if pe, ok := errors.AsType[*os.PathError](err); ok {
		return pe.Err.Error()
	}
	if le, ok := errors.AsType[*os.LinkError](err); ok {
		return le.Err.Error()
	}
	return err.Error()
}

// splitSetting splits "entry=value".
func splitSetting(s string) (entry, value string, err error) {
	entry, value, ok := strings.Cut(s, "=")
	entry, value = strings.TrimSpace(entry), strings.TrimSpace(value)
	if !ok || entry == "" || value == "" {
		return "", "", fmt.Errorf("found %q: want entry=value, such as site.seeing=\"3 arcsec\"", s)
	}
	return entry, value, nil
}

// Settle turns a task into a request: the target looked up, the night chosen,
// the sub read.
func (t Task) Settle() (*Answer[plan.Request], error) {
	r, err := t.Load()
	if err != nil {
		return nil, err
	}
	a := &Answer[plan.Request]{Rig: r, SunApart: unit.Deg(math.NaN())}
	q := plan.Request{Rig: r, Samples: t.Samples, Seed: t.Seed, Workers: t.Workers}
	if q.Workers == 0 {
		q.Workers = runtime.GOMAXPROCS(0)
	}
	if t.Samples < 0 {
		return nil, &UsageError{Flag: "samples", Err: fmt.Errorf("found %d: want a number above zero", t.Samples)}
	}
	if t.Sub != "" {
		if q.Sub, err = seconds(r, t.Sub); err != nil {
			return nil, &UsageError{Flag: "sub", Err: err}
		}
	}
	if q.Evening, err = t.evening(a); err != nil {
		return nil, err
	}
	switch {
	case t.Target != "":
		q.Target, err = catalog.ParseTarget(t.Target)
	case r.Goal.Target != "":
		q.Target, err = catalog.ParseTarget(r.Goal.Target)
		if err != nil {
			err = fmt.Errorf("rig: goal.target: %s", plainly(err))
		}
	}
	if err != nil {
		return nil, err
	}
	a.Result = q
	if q.Target.Name != "" {
		if a.SunApart, err = sunApart(q); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// seconds reads a sub's length within the limits that the rig's entry has.
func seconds(r *rig.Rig, text string) (unit.Second, error) {
	set, err := r.With("sub.length", text)
	if err != nil {
		var f *rig.FieldError
		if errors.As(err, &f) {
			return 0, fmt.Errorf("found %s: %s", f.Found, f.Want)
		}
		return 0, err
	}
	return set.Sub.Length.V, nil
}

// evening returns the local evening of the task's date: the given one, or that
// of the night which is going on or comes next at the rig's longitude.
func (t Task) evening(a *Answer[plan.Request]) (time.Time, error) {
	if t.Date != "" {
		d, err := time.Parse(time.DateOnly, t.Date)
		if err != nil {
			return d, &UsageError{Flag: "date", Err: fmt.Errorf("found %q: want the date of the local evening as YYYY-MM-DD, such as 2026-08-14", t.Date)}
		}
		if y := d.Year(); y < 1900 || y > 2099 {
			return d, &UsageError{Flag: "date", Err: fmt.Errorf("found %q: want a year from 1900 to 2099", t.Date)}
		}
		return d, nil
	}
	d := Tonight(t.Now, a.Rig.Site.Longitude.V)
	a.Assumed = append(a.Assumed, rig.Assumed{Entry: "date", Value: d.Format(time.DateOnly), Why: "no --date given: the night that is going on or comes next there"})
	return d, nil
}

// Tonight returns the date of the local evening whose night is going on, or
// comes next, at a longitude (east positive): nights run from mean solar noon
// to noon.
func Tonight(now time.Time, longitude unit.Deg) time.Time {
	local := now.UTC().Add(time.Duration(float64(longitude.Hour()) * float64(time.Hour)))
	return local.Add(-12 * time.Hour).Truncate(24 * time.Hour)
}

// sunApart returns the angle between the target and the Sun in the middle of
// the night.
func sunApart(q plan.Request) (unit.Deg, error) {
	r := q.Rig
	site, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		return 0, err
	}
	n, err := sky.NewNight(site, q.Evening)
	if err != nil {
		return 0, err
	}
	o := n.At(n.Start.Add(n.End.Sub(n.Start) / 2))
	return sky.Separation(o.See(sky.Sun).Direction, sky.Direction{RA: q.Target.RA, Dec: q.Target.Dec}), nil
}

// SunAltitude returns how high the Sun stands now where the task's rig is; NaN
// where the rig can not be read.
func (t Task) SunAltitude() unit.Deg {
	r, err := t.Load()
	if err != nil {
		return unit.Deg(math.NaN())
	}
	site, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		return unit.Deg(math.NaN())
	}
	return site.At(sky.NewInstant(t.Now)).See(sky.Sun).TrueAlt
}

// Plan makes the plan of a task. With an error the answer may still hold what
// was settled before it.
func (t Task) Plan(ctx context.Context) (*Answer[*plan.Result], error) {
	return t.planBy(ctx, plan.Make)
}

// Point makes the part of a task's plan that follows the rig at once (see
// plan.MakePoint).
func (t Task) Point(ctx context.Context) (*Answer[*plan.Result], error) {
	return t.planBy(ctx, plan.MakePoint)
}

// planBy settles a task and hands it to a maker of plans.
func (t Task) planBy(ctx context.Context, make func(context.Context, plan.Request) (*plan.Result, error)) (*Answer[*plan.Result], error) {
	s, err := t.Settle()
	if err != nil {
		return nil, err
	}
	a := answer[*plan.Result](s)
	if a.Result, err = make(ctx, s.Result); err != nil {
		return a, err
	}
	a.SunApart = a.Result.Night.SunApart
	if s.Result.Target.Name == "" {
		a.chose(a.Result.Target.Name)
	}
	a.finish()
	return a, nil
}

// Stars lists at most n guide stars for a task; 0 lists all.
func (t Task) Stars(ctx context.Context, n int) (*Answer[*plan.Field], error) {
	s, err := t.Settle()
	if err != nil {
		return nil, err
	}
	a := answer[*plan.Field](s)
	if a.Result, err = plan.MakeField(s.Result, n); err != nil {
		return a, err
	}
	if s.Result.Target.Name == "" {
		a.chose(a.Result.Target.Name)
	}
	a.finish()
	return a, ctx.Err()
}

// FromTarget returns how far east and north of a target a place lies, on the
// plane that touches the sky there.
func FromTarget(targetRA, targetDec, ra, dec unit.Deg) (east, north unit.Arcmin) {
	xi, eta := sky.NewTangent(sky.Direction{RA: targetRA, Dec: targetDec}).Project(sky.Direction{RA: ra, Dec: dec})
	return xi.Arcmin(), eta.Arcmin()
}

// Path works out the light path of a task's rig.
func (t Task) Path() (*Answer[*plan.Path], error) {
	r, err := t.Load()
	if err != nil {
		return nil, err
	}
	a := &Answer[*plan.Path]{Rig: r, SunApart: unit.Deg(math.NaN())}
	if a.Result, err = plan.MakePath(r); err != nil {
		return a, err
	}
	a.finish()
	return a, nil
}

// PathOf works out the light path of a rig that is at hand.
func PathOf(r *rig.Rig) (*plan.Path, error) { return plan.MakePath(r) }

// Reach evaluates the star of a task over one entry, or over two. An empty
// first is the imaging focal length; see ParseAxis for how both are written.
func (t Task) Reach(ctx context.Context, first, second string) (*Answer[*plan.Reach], error) {
	s, err := t.Settle()
	if err != nil {
		return nil, err
	}
	over := plan.DefaultReach()
	if first != "" {
		if over, err = ParseAxis(first); err != nil {
			return nil, &UsageError{Flag: "over", Err: err}
		}
	}
	var and *plan.Axis
	if second != "" {
		x, err := ParseAxis(second)
		if err != nil {
			return nil, &UsageError{Flag: "and", Err: err}
		}
		if x.Entry == over.Entry {
			return nil, &UsageError{Flag: "and", Err: fmt.Errorf("found %s a second time: want another entry than --over", x.Entry)}
		}
		and = &x
	}
	a := answer[*plan.Reach](s)
	if a.Result, err = plan.MakeReach(ctx, s.Result, over, and); err != nil {
		return a, err
	}
	if s.Result.Target.Name == "" {
		a.chose(a.Result.Target)
	}
	a.finish()
	return a, nil
}

// answer carries what was settled over to an answer of another kind.
func answer[R any](s *Answer[plan.Request]) *Answer[R] {
	return &Answer[R]{Rig: s.Rig, Assumed: s.Assumed, SunApart: s.SunApart}
}

// chose reports a target that nobody gave.
func (a *Answer[R]) chose(name string) {
	a.Assumed = append([]rig.Assumed{{Entry: "target", Value: name, Why: "no target given: a bright one that stands high in the middle of the night"}}, a.Assumed...)
}

// finish adds the rig's assumptions behind those of the request.
func (a *Answer[R]) finish() { a.Assumed = append(a.Assumed, a.Rig.Assumed()...) }
