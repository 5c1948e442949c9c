package app

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/internal/fits"
	"holdfast/internal/fitting"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// FocusOptics is what is known of the telescope whose focus is sought, in the
// words of flags. What is empty comes from the rig, then from the headers.
type FocusOptics struct {
	Rig         string  // a rig file, or ""
	Imaging     bool    // its imaging telescope instead of its guide telescope
	FNumber     float64 // 0 leaves it open
	Obstruction float64
	Pixel       string  // "3.75 um"
	Pitch       string  // of the focuser per turn, "0.75 mm"
	Sharp       float64 // half-flux diameter in focus, px; 0 leaves it open
	PositionKey string  // header keyword of the focuser's position
	Positions   string  // one for each frame, separated by commas
}

// FocusAnswer is a focus with what was settled on the way to it.
type FocusAnswer struct {
	Assumed []rig.Assumed
	Looks   []fitting.Sample
	Result  fitting.Focus
}

// Focus measures frames and says what they tell of focus.
func (t Frames) Focus(ctx context.Context, o FocusOptics) (*FocusAnswer, error) {
	names, err := t.list()
	if err != nil {
		return nil, err
	}
	positions, err := listed(o.Positions, len(names))
	if err != nil {
		return nil, &UsageError{Flag: "positions", Err: err}
	}
	light, err := o.light()
	if err != nil {
		return nil, err
	}
	a := &FocusAnswer{}
	var header *fits.Header
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		m, h, err := t.look(name)
		k := fitting.Sample{File: shortest(name), Position: math.NaN(), HFD: unit.Unknown[unit.Px]()}
		switch {
		case err != nil:
			k.Why = refused(name, err).Error
		case m.StarsFound == 0 || math.IsNaN(float64(m.HFD)):
			k.Why = strings.TrimPrefix(m.Error, "star: ")
		default:
			k.HFD, k.Stars = unit.Est[unit.Px]{V: m.HFD, SE: m.HFDSigma}, max(m.Measured, 1)
			if math.IsNaN(float64(m.HFDSigma)) {
				k.HFD.SE = m.HFD / 20
			}
		}
		if h != nil {
			header = h
			if o.PositionKey != "" {
				v, ok := h.Float(o.PositionKey)
				if !ok {
					return nil, &UsageError{Flag: "position-key", Err: fmt.Errorf("%s has no number under %s", name, o.PositionKey)}
				}
				k.Position = v
			}
		}
		if positions != nil {
			k.Position = positions[i]
		}
		a.Looks = append(a.Looks, k)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	a.fill(&light, header)
	a.Result = fitting.FindFocus(a.Looks, light)
	if a.Result.SharpAssumed {
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "sharp", Value: fmt.Sprintf("%g px", float64(a.Result.SharpPx)), Why: "half-flux diameter of a star in focus; not given, and no frame shows it"})
	}
	return a, nil
}

// fill takes from a header what is still open, and says so.
func (a *FocusAnswer) fill(l *fitting.Light, h *fits.Header) {
	if h == nil {
		return
	}
	focal, okF := h.Float("FOCALLEN")
	aperture, okA := h.Float("APTDIA")
	if l.FNumber == 0 && okF && okA && aperture > 0 && focal > 0 {
		l.FNumber = focal / aperture
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "f-number", Value: fmt.Sprintf("%.3g", l.FNumber), Why: "FOCALLEN and APTDIA in the header"})
	}
	if pixel, ok := h.Float("XPIXSZ"); l.Pixel == 0 && ok && pixel > 0 {
		l.Pixel = unit.Micron(pixel)
		a.Assumed = append(a.Assumed, rig.Assumed{Entry: "pixel", Value: fmt.Sprintf("%g um", pixel), Why: "XPIXSZ in the header"})
	}
	if area, ok := h.Float("APTAREA"); l.Obstruction == 0 && ok && okA && area > 0 {
		if open := area / (math.Pi / 4 * aperture * aperture); open < 0.999 && open > 0.2 {
			l.Obstruction = math.Sqrt(1 - open)
			a.Assumed = append(a.Assumed, rig.Assumed{Entry: "obstruction", Value: fmt.Sprintf("%.2f", l.Obstruction), Why: "APTAREA in the header"})
		}
	}
}

// light returns the telescope as far as flags and rig tell.
func (o FocusOptics) light() (fitting.Light, error) {
	l := fitting.Light{FNumber: o.FNumber, Obstruction: o.Obstruction, Sharp: unit.Px(o.Sharp)}
	if o.FNumber < 0 || o.Obstruction < 0 || o.Obstruction >= 1 || o.Sharp < 0 {
		return l, &UsageError{Flag: "f-number", Err: fmt.Errorf("found a negative number, or an obstruction of 1 and more")}
	}
	read := func(flag, text string, to string) (float64, error) {
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
		return l, nil
	}
	r, err := Task{Rig: o.Rig}.Load()
	if err != nil {
		return l, err
	}
	n, hole, px, p := float64(r.Guide.Focal.V/r.Guide.Aperture.V), r.Guide.Obstruction.V, r.Guide.Camera.BinnedPixel(), r.Guide.Focuser.Pitch.V
	if o.Imaging || r.Guide.Kind != rig.Piggyback {
		n, hole, px, p = r.Imaging.FNumber(), r.Imaging.Obstruction.V, r.Imaging.Camera.BinnedPixel(), 0
	}
	if l.FNumber == 0 {
		l.FNumber = n
	}
	if l.Obstruction == 0 {
		l.Obstruction = hole
	}
	if l.Pixel == 0 {
		l.Pixel = px
	}
	if l.Pitch == 0 {
		l.Pitch = p
	}
	l.Wavelength = r.Imaging.Wavelength.V
	return l, nil
}

// listed reads n numbers separated by commas, nil for none.
func listed(text string, n int) ([]float64, error) {
	if text == "" {
		return nil, nil
	}
	parts := strings.Split(text, ",")
	if len(parts) != n {
		return nil, fmt.Errorf("found %d positions for %d frames", len(parts), n)
	}
	out := make([]float64, n)
	for i, p := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("found %q as position %d: want a number", p, i+1)
		}
		out[i] = v
	}
	return out, nil
}

// shortest returns the last two parts of a path, which tell frames apart.
func shortest(path string) string {
	parts := strings.FieldsFunc(path, func(r rune) bool { return r == '/' || r == '\\' })
	return strings.Join(parts[max(len(parts)-2, 0):], "/")
}
