package app

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"

	"holdfast/internal/fits"
	"holdfast/internal/fitting"
	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// FocusOptics is what is known of the telescope whose focus is sought, in the
// words of flags. What is empty comes from the rig, then from the headers.
type FocusOptics struct {
	Rig           string   // a rig file, or ""
	Imaging       bool     // its imaging telescope instead of its guide telescope
	FNumber       float64  // 0 leaves it open
	Obstruction   *float64 // nil leaves it open
	Pixel         string   // "3.75 um"
	Pitch         string   // of the focuser per turn, "0.75 mm"
	Turns         bool     // positions are turns of the focuser
	Sharp         float64  // half-flux diameter in focus, px; 0 leaves it open
	PositionKey   string   // header keyword of the focuser's position; "" tries those of positionKeys
	Positions     string   // one for each frame, separated by commas
	PositionsFile string   // of two columns, frame and position
	Locked        []string // frames taken after the focuser was locked
}

// positionKeys are the header keywords looked at for the focuser's position.
var positionKeys = []string{"FOCPOS", "FOCUSPOS"}

// FocusAnswer is a focus with what was settled on the way to it.
type FocusAnswer struct {
	Assumed []rig.Assumed
	Doubt   string // why a frame may be of another telescope than the rig's; "" if nothing speaks for that
	Result  fitting.Focus
}

// lens is a telescope as far as it is known.
type lens struct {
	fitting.Light
	aperture unit.MM // 0 is not known
	hole     bool    // whether the obstruction is known
	seeing   unit.Est[unit.Arcsec]
	where    string  // where the seeing is from
	focal    unit.MM // of the rig's telescope; 0 without a rig
	which    string  // of the rig's telescopes
}

// Focus measures frames and says what they tell of focus.
func (t Frames) Focus(ctx context.Context, o FocusOptics) (*FocusAnswer, error) {
	names, err := t.list()
	if err != nil {
		return nil, err
	}
	free := len(names)
	after, err := Frames{Files: o.Locked}.list()
	if err != nil {
		return nil, err
	}
	positions, err := o.positions(names)
	if err != nil {
		return nil, err
	}
	l, err := o.lens()
	if err != nil {
		return nil, err
	}
	names = append(names, after...)
	a := &FocusAnswer{}
	var headers []*fits.Header
	var shots []fitting.Shot
	var looks []fitting.Sample
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		k := fitting.Sample{File: name, Position: math.NaN(), HFD: unit.Unknown[unit.Px](), Locked: i >= free}
		shot, h, err := t.examine(name)
		if err != nil {
			k.Why = refused(name, err).Error
		}
		if h != nil {
			if m, ok := h.Start(); ok {
				k.Start = m.Time
			}
		}
		if positions != nil && i < free {
			k.Position = positions[i]
		}
		headers, shots, looks = append(headers, h), append(shots, shot), append(looks, k)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	if positions == nil {
		if err := a.counted(looks, headers, o.PositionKey); err != nil {
			return nil, err
		}
	}
	for i, h := range headers {
		if h != nil {
			a.Doubt = l.doubt(names[i], h)
			a.fill(&l, h)
			break
		}
	}
	a.sharpen(&l, shots)
	light := l.Light
	if !l.hole {
		light.Obstruction = math.NaN()
	}
	for i := range looks {
		if looks[i].Why == "" {
			k := shots[i].Sample(light)
			k.File, k.Position, k.Start, k.Locked = looks[i].File, looks[i].Position, looks[i].Start, looks[i].Locked
			looks[i] = k
		}
	}
	a.pierce(&l, looks)
	inOrder(looks[:free])
	inOrder(looks[free:])
	a.Result = fitting.FindFocus(looks, l.Light)
	if a.Result.SharpAssumed && a.Result.Used > 0 {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "sharp", Value: fmt.Sprintf("%.2g px", float64(a.Result.SharpPx)), Why: "half-flux diameter of a star in focus; not given, and no frame shows it"})
	}
	return a, nil
}

// examine opens a file and reads its stars for focus.
func (t Frames) examine(name string) (fitting.Shot, *fits.Header, error) {
	fr, err := open(name)
	if err != nil {
		return fitting.Shot{}, nil, err
	}
	defer fr.close()
	s, err := fitting.Examine(fr.Frame, star.Options{Workers: t.Workers, GainElectronPerADU: t.Gain})
	return s, fr.Header, err
}

// inOrder sorts looks by time, if that is known of all of them.
func inOrder(looks []fitting.Sample) {
	if !slices.ContainsFunc(looks, func(k fitting.Sample) bool { return k.Start.IsZero() }) {
		slices.SortStableFunc(looks, func(a, b fitting.Sample) int { return a.Start.Compare(b.Start) })
	}
}

// positions returns the positions given by flags, nil if none are.
func (o FocusOptics) positions(names []string) ([]float64, error) {
	given := 0
	for _, s := range []string{o.Positions, o.PositionsFile, o.PositionKey} {
		if s != "" {
			given++
		}
	}
	if given > 1 {
		return nil, &UsageError{Flag: "positions", Err: fmt.Errorf("found more than one of --positions, --positions-file and --position-key: want one")}
	}
	if o.Positions != "" {
		p, err := listed(o.Positions, len(names))
		if err != nil {
			return nil, &UsageError{Flag: "positions", Err: err}
		}
		return p, nil
	}
	if o.PositionsFile == "" {
		return nil, nil
	}
	f, err := os.Open(o.PositionsFile)
	if err != nil {
		return nil, fmt.Errorf("app: %s: %s", o.PositionsFile, cause(err))
	}
	defer f.Close()
	p, err := tabled(f, names)
	if err != nil {
		return nil, fmt.Errorf("app: %s: %w", o.PositionsFile, err)
	}
	return p, nil
}

// counted takes positions from headers: those of a key that was asked for must
// be there, others are taken where they are.
func (a *FocusAnswer) counted(looks []fitting.Sample, headers []*fits.Header, key string) error {
	keys := positionKeys
	if key != "" {
		keys = []string{key}
	}
	for _, k := range keys {
		found := 0
		for i, h := range headers {
			if h == nil {
				continue
			}
			if v, ok := h.Float(k); ok {
				looks[i].Position = v
				found++
			} else if key != "" {
				return &UsageError{Flag: "position-key", Err: fmt.Errorf("%s has no number under %s", looks[i].File, k)}
			}
		}
		if found > 0 {
			if key == "" && found > 1 {
				a.Assumed = append(a.Assumed, rig.Assumed{Entry: "positions", Value: k, Why: "the headers' keyword of the focuser's position"})
			}
			return nil
		}
	}
	return nil
}

// fill takes from a header what is still open, and says so.
func (a *FocusAnswer) fill(l *lens, h *fits.Header) {
	focal, okF := h.Float("FOCALLEN")
	aperture, okA := h.Float("APTDIA")
	if okA = okA && aperture > 0; okA && l.aperture == 0 {
		l.aperture = unit.MM(aperture)
	}
	if l.FNumber == 0 && okF && okA && focal > 0 {
		l.FNumber = focal / aperture
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "f-number", Value: fmt.Sprintf("%.3g", l.FNumber), Why: "FOCALLEN and APTDIA in the header"})
	}
	if pixel, ok := h.Float("XPIXSZ"); l.Pixel == 0 && ok && pixel > 0 {
		l.Pixel = unit.Micron(pixel)
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "pixel", Value: fmt.Sprintf("%g um", pixel), Why: "XPIXSZ in the header"})
	}
	if area, ok := h.Float("APTAREA"); !l.hole && ok && okA && area > 0 {
		if open := area / (math.Pi / 4 * aperture * aperture); open < 0.999 && open > 0.2 {
			l.Obstruction, l.hole = math.Sqrt(1-open), true
			a.Assumed = append(a.Assumed, rig.Assumed{Entry: "obstruction", Value: fmt.Sprintf("%.2f", l.Obstruction), Why: "APTAREA in the header"})
		}
	}
}

// alike is by how much the focal length of a header may differ from the rig's: a
// tenth, as maker's figures do, common practice, no source.
const alike = 0.1

// doubt says that a frame's header speaks of another telescope than the rig, ""
// if it does not.
func (l *lens) doubt(name string, h *fits.Header) string {
	focal, ok := h.Float("FOCALLEN")
	if !ok || !(focal > 0) || !(l.focal > 0) || math.Abs(focal/float64(l.focal)-1) < alike {
		return ""
	}
	return fmt.Sprintf("The header of %s speaks of a focal length of %.0f mm, the rig's %s telescope has %.0f mm: if the frame is of another telescope, the distance is wrong.", name, focal, l.which, float64(l.focal))
}

// The seeing where nobody gave it is the rig file's.
var commonSeeing = unit.Est[unit.Arcsec]{V: 2.5, SE: 0.8}

// sharpen computes the width of a star in focus where it was not given but the
// telescope is known.
func (a *FocusAnswer) sharpen(l *lens, shots []fitting.Shot) {
	focal := unit.MM(l.FNumber * float64(l.aperture))
	if l.Sharp > 0 || !(focal > 0) || !(l.Pixel > 0) {
		return
	}
	if l.seeing.V == 0 {
		l.seeing, l.where = commonSeeing, "common practice"
	}
	scale := optics.Scale(l.Pixel, focal)
	side := scale.Arcsec(1)
	wavelength := l.Wavelength
	if wavelength == 0 {
		wavelength = 0.55
	}
	width := func(seeing unit.Arcsec) unit.Px {
		return scale.Px(psf.HalfFluxDiameter(psf.Air(seeing), psf.Airy(wavelength, l.aperture, l.Obstruction), psf.Box(side, 0)))
	}
	l.Sharp = width(l.seeing.V)
	l.SharpSE = max(width(l.seeing.V+l.seeing.SE)-l.Sharp, l.Sharp/20)
	a.Assumed = append(a.Assumed, rig.Assumed{Entry: "sharp", Value: fmt.Sprintf("%.2f px", float64(l.Sharp)),
		Why: fmt.Sprintf("half-flux diameter of a star in focus, computed for a seeing of %.1f ± %.1f arcsec (%s)", float64(l.seeing.V), float64(l.seeing.SE), l.where)})
}

// pierce takes the obstruction from the discs where nothing else tells it.
func (a *FocusAnswer) pierce(l *lens, looks []fitting.Sample) {
	if l.hole {
		return
	}
	var holes []float64
	for _, k := range looks {
		if k.Disc.V > 0 && k.Hole == k.Hole {
			holes = append(holes, k.Hole)
		}
	}
	if len(holes) == 0 {
		return
	}
	slices.Sort(holes)
	l.Obstruction = min(holes[len(holes)/2], 0.7)
	if l.Obstruction < 0.1 {
		l.Obstruction = 0 // not told from none
	}
	why := "the hole in the discs of the frames"
	if l.Obstruction == 0 {
		why = "no hole shows in the discs of the frames"
	}
	a.Assumed = append(a.Assumed, rig.Assumed{Entry: "obstruction", Value: fmt.Sprintf("%.2f", l.Obstruction), Why: why})
}

// lens returns the telescope as far as flags and rig tell.
func (o FocusOptics) lens() (lens, error) {
	l := lens{Light: fitting.Light{FNumber: o.FNumber, Sharp: unit.Px(o.Sharp), InTurns: o.Turns}}
	for _, c := range []struct {
		flag   string
		v      float64
		within bool
		want   string
	}{
		{"f-number", o.FNumber, o.FNumber >= 0 && o.FNumber < 200, "a focal ratio such as 3.2"},
		{"sharp", o.Sharp, o.Sharp >= 0 && o.Sharp < 1000, "a width in pixels"},
	} {
		if !c.within {
			return l, &UsageError{Flag: c.flag, Err: fmt.Errorf("found %g: want %s", c.v, c.want)}
		}
	}
	if e := o.Obstruction; e != nil {
		if !(*e >= 0 && *e < 0.9) {
			return l, &UsageError{Flag: "obstruction", Err: fmt.Errorf("found %g: want the diameter of the obstruction over the aperture's, 0 to 0.9", *e)}
		}
		l.Obstruction, l.hole = *e, true
	}
	read := func(flag, text, to string) (float64, error) {
		if text == "" {
			return 0, nil
		}
		q, err := unit.ParseAs(text, unit.Length)
		if err != nil {
			return 0, &UsageError{Flag: flag, Err: err}
		}
		v, _, _ := q.In(to)
		if !(v > 0) {
			return 0, &UsageError{Flag: flag, Err: fmt.Errorf("found %q: want a length above zero", text)}
		}
		return v, nil
	}
	pixel, err := read("pixel", o.Pixel, "um")
	if err != nil {
		return l, err
	}
	pitch, err := read("pitch", o.Pitch, "mm")
	if err != nil {
		return l, err
	}
	l.Pixel, l.Pitch = unit.Micron(pixel), unit.MM(pitch)
	if o.Rig == "" {
		if o.Imaging {
			return l, &UsageError{Flag: "imaging", Err: fmt.Errorf("there is no rig to take the imaging telescope from: want --rig FILE too")}
		}
		return l, nil
	}
	r, err := Task{Rig: o.Rig}.Load()
	if err != nil {
		return l, err
	}
	l.which, l.focal = "guide", r.Guide.Focal.V
	n, d, hole, px, p := float64(r.Guide.Focal.V/r.Guide.Aperture.V), r.Guide.Aperture.V, r.Guide.Obstruction.V, r.Guide.Camera.BinnedPixel(), r.Guide.Focuser.Pitch.V
	if o.Imaging || r.Guide.Kind != rig.Piggyback {
		n, d, hole, px, p = r.Imaging.FNumber(), r.Imaging.Aperture.V, r.Imaging.Obstruction.V, r.Imaging.Camera.BinnedPixel(), 0
		l.which, l.focal = "imaging", r.Imaging.FocalLength()
	}
	if l.FNumber == 0 {
		l.FNumber = n
	}
	if !l.hole {
		l.Obstruction, l.hole = hole, true
	}
	if l.Pixel == 0 {
		l.Pixel = px
	}
	if l.Pitch == 0 {
		l.Pitch = p
	}
	l.aperture, l.Wavelength = d, r.Imaging.Wavelength.V
	l.seeing, l.where = r.Site.Seeing, "the rig's"
	return l, nil
}
