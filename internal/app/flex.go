package app

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"

	"holdfast/internal/catalog"
	"holdfast/internal/fitting"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/unit"
)

// FlexTask is what a person asks of the flexure between two telescopes, in the
// words of flags.
type FlexTask struct {
	Task               // its Rig may be empty; Target is where the drift is asked for
	Frames             // "imaging,guide" each, or frames of the imaging camera beside Guide or GuideStar
	Guide     []string // frames of the guide camera, or folders of them, paired by time
	GuideStar string   // place or name of the star that was held
	Pressed   []string // "joint=before,during,after"
	Site      string   // "latitude longitude height"; "" takes the rig's or the headers'
	Wide      string   // FWHM of the imaging stars, "2.5 arcsec"; "" takes that of the frames
}

// Flex says how the telescopes move against each other.
func (t FlexTask) Flex(ctx context.Context) (*Answer[*fitting.Flex], error) {
	a := &Answer[*fitting.Flex]{SunApart: unit.Deg(math.NaN())}
	if t.Rig != "" {
		r, err := t.Load()
		if err != nil {
			return nil, err
		}
		a.Rig = r
	}
	if len(t.Pressed) > 0 {
		if len(t.Files) > 0 || len(t.Guide) > 0 || t.GuideStar != "" {
			return nil, &UsageError{Flag: "pressed", Err: fmt.Errorf("found pairs or a run of frames too: want one of the two")}
		}
		var err error
		a.Result, err = t.pressed(ctx)
		return a, err
	}
	if len(t.Files) == 0 {
		return nil, &UsageError{Flag: "pressed", Err: fmt.Errorf("found no frames: want pairs, imaging.fits,guide.fits; or imaging frames with --guide or --guide-star; or --pressed")}
	}
	opt := fitting.FlexOptions{}
	if t.Wide != "" {
		q, err := unit.ParseAs(t.Wide, unit.Angle)
		if err != nil {
			return nil, &UsageError{Flag: "fwhm", Err: err}
		}
		v, _, _ := q.In("arcsec")
		if !(v > 0) {
			return nil, &UsageError{Flag: "fwhm", Err: fmt.Errorf("found %q: want the width of a star, such as \"2.5 arcsec\"", t.Wide)}
		}
		opt.FWHM = unit.Arcsec(v)
	}
	if a.Rig != nil {
		opt.Ellipticity, opt.Sub, opt.AltAzimuth = a.Rig.Goal.Ellipticity.V, a.Rig.Sub.Length.V, a.Rig.Mount.Kind == rig.AltAzimuth
	}
	name := t.Target
	if name == "" && a.Rig != nil {
		name = a.Rig.Goal.Target
	}
	if name != "" {
		o, err := catalog.ParseTarget(name)
		if err != nil {
			return nil, err
		}
		opt.Target, opt.At = o.Name, sky.Direction{RA: o.RA, Dec: o.Dec}
	}
	if t.GuideStar != "" {
		if len(t.Guide) > 0 {
			return nil, &UsageError{Flag: "guide-star", Err: fmt.Errorf("found --guide too: want the frames of the guide camera or the star it held, not both")}
		}
		return a, t.held(ctx, a, opt)
	}
	return a, t.paired(ctx, a, opt)
}

// paired answers from pairs of frames.
func (t *FlexTask) paired(ctx context.Context, a *Answer[*fitting.Flex], opt fitting.FlexOptions) error {
	imagingNames, guideNames, err := t.names()
	if err != nil {
		return err
	}
	all := len(imagingNames) + len(guideNames)
	step := func(offset int) func(int, int) {
		if t.Done == nil {
			return nil
		}
		return func(n, _ int) { t.Done(offset+n, all) }
	}
	frames := t.Frames
	frames.Done = step(0)
	imaging, err := frames.place(ctx, imagingNames)
	if err != nil {
		return err
	}
	register(imaging, true)
	frames.Done = step(len(imagingNames))
	guide, err := frames.place(ctx, guideNames)
	if err != nil {
		return err
	}
	register(guide, true)
	site, err := siteOf(t.Site, a.Rig, append(slices.Clone(imaging), guide...), &a.Assumed)
	if err != nil {
		return err
	}
	var left []fitting.FlexPair
	var m, g []fitting.SolvedFrame
	why := ""
	add := func(i int, j int, problem string) {
		p := fitting.FlexPair{Imaging: imaging[i].File, Why: problem, HourAngle: unit.Hour(math.NaN()), Dec: unit.Deg(math.NaN()), Altitude: unit.Deg(math.NaN())}
		if j >= 0 {
			p.Guide = guide[j].File
		}
		nan := unit.Arcsec(math.NaN())
		p.X, p.Y, p.LeftX, p.LeftY = nan, nan, nan, nan
		left = append(left, p)
		if why == "" {
			why = "; " + problem
		}
	}
	apart := unit.Second(0)
	for _, i := range inTime(imaging) {
		j := i
		if len(t.Guide) > 0 {
			j = companion(&imaging[i], guide)
		}
		switch {
		case imaging[i].why != "":
			add(i, j, imaging[i].File+": "+imaging[i].why)
		case j < 0:
			add(i, j, imaging[i].File+": no guide frame that can be used was taken within a minute of it")
		case guide[j].why != "":
			add(i, j, guide[j].File+": "+guide[j].why)
		default:
			m, g = append(m, imaging[i].SolvedFrame), append(g, guide[j].SolvedFrame)
			apart = max(apart, max(imaging[i].Time.Sub(guide[j].Time), guide[j].Time.Sub(imaging[i].Time)))
		}
	}
	if len(m) == 0 {
		return fmt.Errorf("app: no pair of frames could be used%s", why)
	}
	f, err := fitting.FindFlex(site, m, g, opt)
	if err != nil {
		return fmt.Errorf("app: %s%s", plainly(err), why)
	}
	if apart > 20 {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "guiding", Value: "held", Why: fmt.Sprintf("frames of a pair are up to %s apart: the mount is taken to have held its guide star between", unit.Second(math.Round(float64(apart))).Say())})
	}
	f.Pairs = append(f.Pairs, left...)
	a.Result = f
	return ctx.Err()
}

// names returns the names of the frames, pair by pair if no guide frames were given
// apart.
func (t *FlexTask) names() (imaging, guide []string, err error) {
	if len(t.Guide) > 0 {
		if imaging, err = t.Frames.list(); err != nil {
			return nil, nil, err
		}
		guide, err = Frames{Files: t.Guide}.list()
		return imaging, guide, err
	}
	for _, p := range t.Files {
		m, g, ok := strings.Cut(p, ",")
		if _, err := os.Stat(p); err == nil {
			ok = false // a name with a comma in it, or a frame by itself
		}
		if !ok || m == "" || g == "" || strings.Contains(g, ",") {
			return nil, nil, &UsageError{Flag: "guide", Err: fmt.Errorf("found %q: want pairs, imaging.fits,guide.fits; or imaging frames with --guide (frames of the guide camera) or --guide-star (the star it held)", p)}
		}
		imaging, guide = append(imaging, m), append(guide, g)
	}
	return imaging, guide, nil
}

// inTime returns the order of frames by time.
func inTime(frames []placed) []int {
	order := make([]int, len(frames))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		switch a, b := frames[i].Time, frames[j].Time; {
		case a.Before(b):
			return -1
		case b.Before(a):
			return 1
		}
		return 0
	})
	return order
}

// companion returns the guide frame nearest in time to an imaging frame, at most a
// minute before or after its exposure; -1 if there is none.
func companion(m *placed, guide []placed) int {
	best, least := -1, unit.Second(math.Inf(1))
	for j := range guide {
		g := &guide[j]
		if g.why != "" || m.Time.IsZero() {
			continue
		}
		gap := g.Time.Sub(m.Time)
		gap = max(gap, -gap)
		if gap < least && gap <= m.length/2+g.length/2+60 {
			best, least = j, gap
		}
	}
	return best
}

// held answers from frames of the imaging camera while a star was held.
func (t *FlexTask) held(ctx context.Context, a *Answer[*fitting.Flex], opt fitting.FlexOptions) error {
	star, err := catalog.ParseTarget(t.GuideStar)
	if err != nil {
		return &UsageError{Flag: "guide-star", Err: err}
	}
	names, err := t.Frames.list()
	if err != nil {
		return err
	}
	imaging, err := t.Frames.place(ctx, names)
	if err != nil {
		return err
	}
	register(imaging, true)
	site, err := siteOf(t.Site, a.Rig, imaging, &a.Assumed)
	if err != nil {
		return err
	}
	var m []fitting.SolvedFrame
	var left []fitting.FlexPair
	why := ""
	for _, i := range inTime(imaging) {
		if imaging[i].why == "" {
			m = append(m, imaging[i].SolvedFrame)
			continue
		}
		nan := unit.Arcsec(math.NaN())
		left = append(left, fitting.FlexPair{Imaging: imaging[i].File, Why: imaging[i].why, HourAngle: unit.Hour(math.NaN()), Dec: unit.Deg(math.NaN()), Altitude: unit.Deg(math.NaN()), X: nan, Y: nan, LeftX: nan, LeftY: nan})
		if why == "" {
			why = "; " + imaging[i].File + ": " + imaging[i].why
		}
	}
	if len(m) == 0 {
		return fmt.Errorf("app: no frame could be used%s", why)
	}
	f, err := fitting.FindFlexHeld(site, m, sky.Direction{RA: star.RA, Dec: star.Dec}, opt)
	if err != nil {
		return fmt.Errorf("app: %s%s", plainly(err), why)
	}
	f.Pairs = append(f.Pairs, left...)
	a.Result = f
	return ctx.Err()
}

// register lays frames of one field on each other: stars too faint for the
// catalogue tell far better how a frame lies on another than two solutions do, and
// where a frame was not solved they give it its place. What is wrong with the
// solution of the frame they are laid on is then common to all, and moves none
// against the others. Distortion is left out, so that frames far from each other
// in the field are better left as they were solved: then only those are laid that
// were not.
func register(frames []placed, all bool) {
	on := -1
	for i := range frames {
		if p := &frames[i]; p.WCS != nil && len(p.spots.Spots) > 0 && (on < 0 || p.Matched > frames[on].Matched) {
			on = i
		}
	}
	if on < 0 {
		return
	}
	ref := frames[on].WCS
	laid := false
	for i := range frames {
		p := &frames[i]
		if i == on || p.WCS != nil && !all || len(p.spots.Spots) == 0 || p.WCS == nil && p.begin.IsZero() {
			continue
		}
		if p.WCS != nil && sky.Separation(p.WCS.Ref, ref.Ref) > ref.Scale().Arcsec(max(p.Width, p.Height)/2).Deg() {
			continue // another field
		}
		r := solve.Register(frames[on].spots, p.spots)
		if !r.Found || p.WCS != nil && r.Matched <= p.Matched {
			continue
		}
		if w, ok := laidOn(ref, &r); ok {
			if p.WCS == nil {
				p.why = ""
			}
			p.WCS, p.Matched, laid = w, r.Matched, true
			p.RMS = w.Scale().Arcsec(r.RMS)
			// The frame itself is as sure as the others are on it.
			frames[on].Matched, frames[on].RMS = p.Matched, p.RMS
		}
	}
	if laid && all {
		frames[on].WCS, _ = laidOn(ref, &solve.Registration{XX: 1, YY: 1})
	}
}

// laidOn returns the solution of a frame that lies on a solved one. Distortion is
// left out.
func laidOn(w *solve.WCS, r *solve.Registration) (*solve.WCS, bool) {
	out := &solve.WCS{Ref: w.Ref}
	m := [2][2]float64{{r.XX, r.XY}, {r.YX, r.YY}}
	det := m[0][0]*m[1][1] - m[0][1]*m[1][0]
	if det == 0 {
		return nil, false
	}
	for i := range 2 {
		for j := range 2 {
			out.CD[i][j] = w.CD[i][0]*m[0][j] + w.CD[i][1]*m[1][j]
		}
	}
	x, y := float64(w.RefX-1-r.X), float64(w.RefY-1-r.Y)
	out.RefX, out.RefY = unit.Px((m[1][1]*x-m[0][1]*y)/det)+1, unit.Px((m[0][0]*y-m[1][0]*x)/det)+1
	return out, true
}

// pressed answers from joints that were pressed one by one.
func (t *FlexTask) pressed(ctx context.Context) (*fitting.Flex, error) {
	var presses []fitting.Press
	for _, text := range t.Pressed {
		joint, list, ok := strings.Cut(text, "=")
		names := strings.Split(list, ",")
		if !ok || strings.TrimSpace(joint) == "" || len(names) < 2 || len(names) > 3 || slices.Contains(names, "") {
			return nil, &UsageError{Flag: "pressed", Err: fmt.Errorf("found %q: want a joint and the frames before, while and after it was pressed, such as shoe=a.fits,b.fits,c.fits", text)}
		}
		frames, err := t.Frames.place(ctx, names)
		if err != nil {
			return nil, err
		}
		p := fitting.Press{Joint: strings.TrimSpace(joint), After: unit.Unknown[unit.Arcsec]()}
		for k := 1; k < len(frames); k++ {
			moved, err := movement(&frames[0], &frames[k])
			if err != nil {
				return nil, fmt.Errorf("app: %s: %w", p.Joint, err)
			}
			if k == 1 {
				p.During = moved
			} else {
				p.After = moved
			}
		}
		presses = append(presses, p)
	}
	return fitting.FindFlexPressed(presses)
}

// movement returns how far the stars went from one frame to another of the same
// camera.
func movement(a, b *placed) (unit.Est[unit.Arcsec], error) {
	none := unit.Unknown[unit.Arcsec]()
	for _, p := range []*placed{a, b} {
		if len(p.spots.Spots) == 0 {
			return none, fmt.Errorf("%s: no stars: %s", p.File, cmp.Or(p.why, "want a frame that shows some"))
		}
	}
	scale := unit.Scale(math.NaN())
	for _, p := range []*placed{a, b} {
		if p.WCS != nil {
			scale = p.WCS.Scale()
			break
		}
		if sc, ok := headerScale(p.header); ok {
			scale = sc
			break
		}
	}
	if !(scale > 0) {
		return none, fmt.Errorf("%s: its image scale is not known: want a frame that can be solved, or whose header has pixel and focal length", a.File)
	}
	r := solve.Register(a.spots, b.spots)
	if !r.Found {
		return none, fmt.Errorf("%s does not lie on %s: %s", b.File, a.File, r.Why)
	}
	cx, cy := (a.Width-1)/2, (a.Height-1)/2
	x, y := r.At(cx, cy)
	moved := scale.Arcsec(unit.Px(math.Hypot(float64(x-cx), float64(y-cy))))
	sigma := math.Hypot(float64(scale.Arcsec(r.RMS))/math.Sqrt(float64(max(r.Matched, 1))), math.Sqrt2*airShake)
	return unit.Est[unit.Arcsec]{V: moved, SE: unit.Arcsec(sigma)}, nil
}

// airShake is how far the air moves all stars of a short frame together, arcsec:
// common practice, no source.
const airShake = 0.3
