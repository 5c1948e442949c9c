package app

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/fits"
	"holdfast/internal/plan"
	"holdfast/internal/rehearsal"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/star"
	"holdfast/internal/synth"
	"holdfast/internal/unit"
)

// Rehearsal is what a person asks of a rehearsed night.
type Rehearsal struct {
	Task                    // Sub is the length of the subs
	Out    string           // folder to write; made if it is not there; "" writes nothing
	Subs   int              // 0 is twelve
	Exact  bool             // entries at their stated values, not drawn from their ±
	Tables bool             // tables of stars instead of frames
	Faults []string         // "kind:amount" or "kind:matters"
	Done   func(n, of int)  // called after each sub; may be nil
	Shot   func(*Rehearsed) // called with each sub; may be nil
}

// Rehearsed is one sub of a rehearsed night.
type Rehearsed struct {
	Shot  *rehearsal.Shot
	Table star.Frame // if tables were asked for
}

// Rehearsing is what a rehearsal tells, beside what the plan had said.
type Rehearsing struct {
	rehearsal.Account
	Planned plan.Star `json:"planned_star"`
	Corner  plan.Star `json:"planned_star_corner"`
}

// defaultSubs is how many subs a rehearsed night has.
const defaultSubs = 12

// Rehearse plays a night as the plan would set it up and writes what the
// cameras see of it.
func (t Rehearsal) Rehearse(ctx context.Context) (*Answer[*Rehearsing], error) {
	s, err := t.Settle()
	if err != nil {
		return nil, err
	}
	a := answer[*Rehearsing](s)
	night, res, err := t.night(ctx, s, a)
	if err != nil {
		return a, err
	}
	a.Result = &Rehearsing{Planned: res.Star, Corner: res.StarCorner, Account: rehearsal.Account{
		Rig: res.Rig, Target: res.Target.Name, RA: res.Target.RA, Dec: res.Target.Dec, Start: night.Start.Time().Round(time.Millisecond), Folder: t.Out,
		Truth: rehearsal.Truth{Seed: t.Seed, Entries: rehearsal.Entries(s.Result.Rig, night.Rig), Faults: rehearsal.State(night.Faults)},
	}}
	if h := night.Held; h != nil {
		a.Result.Truth.Settings = &rehearsal.Settings{Interval: h.Interval, GainRA: h.GainRA, GainDec: h.GainDec, DeadBand: h.DeadBand, Stars: len(h.Stars)}
	}
	w := &nightWriter{t: t, n: night, out: a.Result}
	if err := w.play(ctx); err != nil {
		return a, err
	}
	a.finish()
	return a, nil
}

// night sets the night up: where and when, how the star is held, what is true
// and what is wrong.
func (t Rehearsal) night(ctx context.Context, s *Answer[plan.Request], a *Answer[*Rehearsing]) (*rehearsal.Night, *plan.Result, error) {
	q := s.Result
	q.Samples = 1
	res, err := plan.Make(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	a.SunApart = res.Night.SunApart
	if q.Target.Name == "" {
		a.chose(res.Target.Name)
	}
	n := &rehearsal.Night{Rig: q.Rig, Subs: t.Subs, Sub: res.Sub, Seed: t.Seed, Exact: t.Exact,
		Target: catalog.Object{Name: res.Target.Name, RA: res.Target.RA, Dec: res.Target.Dec, Kind: catalog.Place}}
	if n.Subs == 0 {
		n.Subs = defaultSubs
	}
	if n.Subs < 0 {
		return nil, nil, &UsageError{Flag: "subs", Err: fmt.Errorf("found %d: want one or more", t.Subs)}
	}
	if n.Held, err = heldBy(q, res); err != nil {
		return nil, nil, err
	}
	if !t.Exact {
		n.Rig = q.Rig.Sample(rand.New(rand.NewPCG(t.Seed, 0x72696773)))
	}
	// The night is about the best hour, as far as its window goes.
	from, to, best := sky.NewInstant(res.Night.From), sky.NewInstant(res.Night.To), sky.NewInstant(res.Best.UTC)
	lasting := n.Lasting()
	start := best.Add(-lasting / 2)
	if end := to.Add(-lasting); end.Before(start) {
		start = end
	}
	if start.Before(from) {
		start = from
	}
	n.Start = start
	for _, text := range t.Faults {
		f, err := t.fault(ctx, n, text)
		if err != nil {
			if ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			return nil, nil, &UsageError{Flag: "fault", Err: err}
		}
		n.Faults = append(n.Faults, f)
	}
	return n, res, nil
}

// heldBy returns how the plan holds the star, nil without a guide camera.
func heldBy(q plan.Request, res *plan.Result) (*rehearsal.Held, error) {
	if res.Loop == nil || res.GuideStar == nil {
		return nil, nil
	}
	h := &rehearsal.Held{Interval: res.Loop.Interval, GainRA: res.Loop.GainRA, GainDec: res.Loop.GainDec, DeadBand: res.Loop.DeadBand, Delay: int(q.Rig.Loop.Delay.V)}
	g := res.GuideStar
	if g.Source != "catalogue" {
		// A star such as the counts promise, in the middle of the guide field.
		f, err := plan.MakeField(q, 1)
		if err != nil {
			return nil, err
		}
		h.Stars = []catalog.Star{{RA: f.CentreRA, Dec: f.CentreDec, VT: g.VT, BV: unit.Mag(math.NaN())}}
		return h, nil
	}
	h.Stars = []catalog.Star{{RA: g.RA, Dec: g.Dec, VT: g.VT, BV: unit.Mag(math.NaN())}}
	if g.Stars > 1 {
		f, err := plan.MakeField(q, g.Stars)
		if err != nil {
			return nil, err
		}
		h.Stars = h.Stars[:0]
		for _, s := range f.Stars {
			if s.Usable && len(h.Stars) < g.Stars {
				h.Stars = append(h.Stars, catalog.Star{RA: s.RA, Dec: s.Dec, VT: s.VT, BV: unit.Mag(math.NaN())})
			}
		}
	}
	return h, nil
}

// fault reads "kind:amount" or "kind:matters".
func (t Rehearsal) fault(ctx context.Context, n *rehearsal.Night, text string) (rehearsal.Fault, error) {
	name, amount, _ := strings.Cut(text, ":")
	k, err := rehearsal.KindOf(strings.TrimSpace(name))
	if err != nil {
		return rehearsal.Fault{}, err
	}
	amount = strings.TrimSpace(amount)
	if amount == "" || amount == "matters" {
		return rehearsal.Matter(ctx, n, k.Kind)
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(amount, k.Unit)), 64)
	if err != nil {
		return rehearsal.Fault{}, fmt.Errorf("found %q: want a number of %s, or the word matters, such as %s:matters", amount, k.Unit, k.Kind)
	}
	return rehearsal.Fault{Kind: k.Kind, Amount: v}, nil
}

// nightWriter writes what the cameras see of a night.
type nightWriter struct {
	t      Rehearsal
	n      *rehearsal.Night
	out    *Rehearsing
	camera *rehearsal.Camera
	guide  *rehearsal.GuideCamera
	series *bufio.Writer
	before *rehearsal.Sample
}

// play plays the night.
func (w *nightWriter) play(ctx context.Context) (err error) {
	if w.camera, err = rehearsal.NewCamera(w.n); err != nil {
		return err
	}
	to := rehearsal.Listener{Shot: w.shot, Sample: w.sample}
	if w.t.Out != "" {
		if err := w.folders(); err != nil {
			return err
		}
		if w.n.Held != nil {
			f, err := os.Create(filepath.Join(w.t.Out, "series.csv"))
			if err != nil {
				return fmt.Errorf("app: %s: %s", w.t.Out, cause(err))
			}
			defer func() { err = errors.Join(err, f.Close()) }()
			w.series = bufio.NewWriter(f)
			fmt.Fprintf(w.series, "# start_utc: %s\ntime_s,ra_arcsec,dec_arcsec,ra_correction_arcsec,dec_correction_arcsec,snr\n", w.out.Start.UTC().Format("2006-01-02T15:04:05.000Z07:00"))
			if !w.t.Tables {
				if w.guide, err = rehearsal.NewGuideCamera(w.n); err != nil {
					return err
				}
				to.Guide = w.guideShot
			}
		}
	}
	if err := rehearsal.Play(ctx, w.n, to); err != nil {
		return err
	}
	if w.series != nil {
		w.row(rehearsal.Sample{})
		if err := w.series.Flush(); err != nil {
			return err
		}
	}
	if w.t.Out == "" {
		return nil
	}
	b, err := json.MarshalIndent(w.out, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(w.t.Out, "truth.json"), append(b, '\n'), 0o666)
}

// folders makes the folders, which must be new or empty.
func (w *nightWriter) folders() error {
	if entries, err := os.ReadDir(w.t.Out); err == nil && len(entries) > 0 {
		return fmt.Errorf("app: %s: found a folder that is not empty: want a new one, so that no night is mixed with another", w.t.Out)
	}
	names := []string{"subs"}
	if w.n.Held != nil && !w.t.Tables {
		names = append(names, "guide")
	}
	for _, name := range names {
		if err := os.MkdirAll(filepath.Join(w.t.Out, name), 0o777); err != nil {
			return fmt.Errorf("app: %s: %s", w.t.Out, cause(err))
		}
	}
	return nil
}

// sample writes a row of the series: a measurement with the correction that it
// led to, which the next one knows.
func (w *nightWriter) sample(s rehearsal.Sample) error {
	w.out.Samples++
	if w.series != nil {
		w.row(s)
	}
	w.before = &s
	return nil
}

// row writes the row of the sample before.
func (w *nightWriter) row(next rehearsal.Sample) {
	b := w.before
	if b == nil {
		return
	}
	if !b.Found {
		fmt.Fprintf(w.series, "%.3f,,,,,\n", float64(b.Time))
		return
	}
	fmt.Fprintf(w.series, "%.3f,%.4f,%.4f,%.4f,%.4f,%.1f\n", float64(b.Time), float64(b.East), float64(b.North), float64(next.AxisRA), float64(next.AxisDec), b.SNR)
}

// shot writes a sub.
func (w *nightWriter) shot(s *rehearsal.Shot) error {
	file := fmt.Sprintf("subs/sub-%04d.fits", s.Number+1)
	made := &Rehearsed{Shot: s}
	switch {
	case w.t.Tables || w.t.Out == "" && w.t.Shot != nil:
		file = fmt.Sprintf("subs/sub-%04d.csv", s.Number+1)
		table, err := w.camera.Table(s, w.t.Workers)
		if err != nil {
			return err
		}
		table.File = file
		table.Summarise()
		made.Table = table
		if w.t.Out != "" {
			if err := w.table(file, s, table); err != nil {
				return err
			}
		}
	case w.t.Out != "":
		d, err := w.camera.Draw(s, w.t.Workers)
		if err != nil {
			return err
		}
		if err := w.fits(file, d, w.cards(s.Begin, s.Length, true, s)); err != nil {
			return err
		}
	}
	truth, err := w.camera.Truth(s, file, w.t.Workers)
	if err != nil {
		return err
	}
	w.out.Truth.Subs = append(w.out.Truth.Subs, truth)
	if w.t.Shot != nil {
		w.t.Shot(made)
	}
	if w.t.Done != nil {
		w.t.Done(s.Number+1, w.n.Subs)
	}
	return nil
}

// guideShot writes a frame of the guide camera.
func (w *nightWriter) guideShot(s *rehearsal.GuideShot) error {
	d, err := w.guide.Draw(s, w.t.Workers)
	if err != nil {
		return err
	}
	return w.fits(fmt.Sprintf("guide/guide-%04d.fits", s.Number+1), d, w.cards(s.Begin, w.n.Held.Interval, false, nil))
}

// table writes a table of stars with what a header would say.
func (w *nightWriter) table(file string, s *rehearsal.Shot, t star.Frame) error {
	f, err := os.Create(filepath.Join(w.t.Out, file))
	if err != nil {
		return err
	}
	var notes [][2]string
	for _, c := range w.cards(s.Begin, s.Length, true, s) {
		if c.Key != "COMMENT" {
			notes = append(notes, [2]string{c.Key, c.Value})
		}
	}
	return errors.Join(star.WriteTable(f, &t, notes), f.Close())
}

// fits writes a frame.
func (w *nightWriter) fits(file string, d *synth.Drawing, cards []fits.Card) error {
	f, err := os.Create(filepath.Join(w.t.Out, file))
	if err != nil {
		return fmt.Errorf("app: %s: %s", file, cause(err))
	}
	b := bufio.NewWriterSize(f, 1<<20)
	err = func() error {
		fw, err := fits.NewWriter[uint16](b, []int{d.Width, d.Height}, cards)
		if err != nil {
			return err
		}
		if err := d.Draw(fw.Write); err != nil {
			return err
		}
		if err := fw.Close(); err != nil {
			return err
		}
		return b.Flush()
	}()
	return errors.Join(err, f.Close())
}

// cards returns the header of a frame begun at a time of the night.
func (w *nightWriter) cards(begin, length unit.Second, imaging bool, s *rehearsal.Shot) []fits.Card {
	r := w.n.Rig
	camera, focal, aperture := &r.Imaging.Camera, r.Imaging.FocalLength(), r.Imaging.Aperture.V
	if !imaging {
		camera, focal, aperture = &r.Guide.Camera, r.Guide.Focal.V, r.Guide.Aperture.V
	}
	var out []fits.Card
	add := func(key string, v any, comment string) {
		if c, err := fits.NewCard(key, v, comment); err == nil {
			out = append(out, c)
		}
	}
	round := func(v float64, digits float64) float64 { return math.Round(v*digits) / digits }
	add("DATE-OBS", w.n.Start.Add(begin).Time().Format("2006-01-02T15:04:05.000"), "UTC of the exposure's start")
	add("EXPTIME", round(float64(length), 1000), "seconds")
	add("OBJECT", w.n.Target.Name, "")
	add("IMAGETYP", "Light Frame", "")
	add("RA", round(float64(w.n.Target.RA), 1e6), "degrees, where the mount was sent")
	add("DEC", round(float64(w.n.Target.Dec), 1e6), "degrees")
	add("FOCALLEN", round(float64(focal), 100), "mm")
	add("APTDIA", round(float64(aperture), 100), "mm")
	add("XPIXSZ", round(float64(camera.BinnedPixel()), 1000), "um, binned")
	add("YPIXSZ", round(float64(camera.BinnedPixel()), 1000), "um, binned")
	add("XBINNING", int(camera.Bin.V), "")
	add("YBINNING", int(camera.Bin.V), "")
	add("EGAIN", round(camera.GainElectronPerADU.V, 1e4), "electrons per ADU")
	add("ROWORDER", "BOTTOM-UP", "")
	add("SITELAT", round(float64(r.Site.Latitude.V), 1e5), "degrees")
	add("SITELONG", round(float64(r.Site.Longitude.V), 1e5), "degrees, east positive")
	add("SITEELEV", round(float64(r.Site.Height.V), 1), "m")
	cooled := r.Site.CoolingKPerHr.V * float64(begin) / 3600
	add("AMBTEMP", round(float64(r.Site.Temperature.V)-cooled, 100), "degrees C")
	if imaging {
		if camera.Colour {
			add("BAYERPAT", "RGGB", "")
		}
		side := "WEST"
		if s.Flipped {
			side = "EAST"
		}
		if r.Mount.Kind == rig.Equatorial {
			add("PIERSIDE", side, "of the pier the tube is on")
		}
		add("AIRMASS", round(s.Airmass, 1e4), "")
		add("OBJCTALT", round(float64(s.Altitude), 1e3), "degrees")
		add("OBJCTAZ", round(float64(s.Azimuth), 1e3), "degrees")
	}
	add("COMMENT", "A rehearsed frame: drawn, not taken.", "")
	return out
}
