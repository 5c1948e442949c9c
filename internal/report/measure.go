package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/solve"
	"holdfast/internal/star"
)

// Measure writes what was measured of frames for a person: a line for each,
// and of a single frame its brightest stars, at most n of them (0 is all).
func Measure(w io.Writer, frames []star.Frame, n int, s Style) error {
	p := newPage(s)
	wide := 0
	for _, f := range frames {
		wide = max(wide, columns(shortName(f.File)))
	}
	wide = min(max(wide, 5), 24)
	row := func(name, stars, fwhm, e, angle, hfd, sky, noise string) {
		p.linef("%s%s%s%s%s%s%s%s", pad(clip(name, wide), wide), lead(stars, 7), lead(fwhm, 13), lead(e, 7), lead(angle, 7), lead(hfd, 7), lead(sky, 9), lead(noise, 8))
	}
	row("", "stars", "FWHM", "1-b/a", "angle", "HFD", "sky", "noise")
	row("frame", "", "px", "", "deg", "px", "ADU", "ADU")
	for _, f := range frames {
		name := shortName(f.File)
		if f.Width == 0 {
			p.para(pad(clip(name, wide), wide)+"  ", "not read: "+f.Error)
			continue
		}
		fwhm := "-"
		if !math.IsNaN(float64(f.FWHM)) {
			fwhm = fixed(float64(f.FWHM), 2)
			if sg := float64(f.FWHMSigma); sg > 0 {
				fwhm += " ±" + fixed(sg, 2)
			}
		}
		row(name, fmt.Sprint(f.StarsFound), fwhm, fixed(f.Ellipticity, 2), fixed(float64(f.Angle), 0), fixed(float64(f.HFD), 2), fixed(float64(f.Background), 0), fixed(float64(f.Noise), 1))
		if f.Error != "" {
			p.para(strings.Repeat(" ", 4), upper(f.Error)+".")
		}
		said := append([]string(nil), f.Notes...)
		if names := f.Flags.Names(); len(names) > 0 {
			said = append([]string{strings.ReplaceAll(strings.Join(names, ", "), "_", " ")}, said...)
		}
		if len(said) > 0 {
			p.para(strings.Repeat(" ", 4), strings.Join(said, "; "))
		}
	}
	if len(frames) == 1 && len(frames[0].Stars) > 0 {
		p.gap()
		p.stars(frames[0].Stars, n)
	}
	return p.flush(w)
}

// stars lists stars, brightest first.
func (p *page) stars(list []star.Star, n int) {
	if n <= 0 || n > len(list) {
		n = len(list)
	}
	row := func(x, y, snr, major, minor, angle, hfd, flags string) {
		p.linef("%s%s%s%s%s%s%s  %s", lead(x, 10), lead(y, 10), lead(snr, 8), lead(major, 8), lead(minor, 8), lead(angle, 7), lead(hfd, 8), flags)
	}
	row("x", "y", "SNR", "major", "minor", "angle", "HFD", "")
	row("px", "px", "", "px", "px", "deg", "px", "")
	for _, st := range list[:n] {
		row(fixed(float64(st.X), 2), fixed(float64(st.Y), 2), round(st.SNR), fixed(float64(st.Major), 2), fixed(float64(st.Minor), 2), fixed(float64(st.Angle), 0), fixed(float64(st.HFD), 2),
			strings.ReplaceAll(st.Flags.String(), "_", "-"))
	}
	if n < len(list) {
		p.linef("  and %d more; --stars 0 lists them all", len(list)-n)
	}
	p.para("  ", "Pixels are counted from the centre of the first one stored; the angle of the long axis runs from +x towards +y. Widths are those of the fitted profile with the pixel included, HFD holds half of the light.")
}

// Solve writes where frames point for a person.
func Solve(w io.Writer, frames []solve.Answer, s Style) error {
	p := newPage(s)
	for i, f := range frames {
		if i > 0 {
			p.gap()
		}
		p.linef("%s", p.bold(f.File))
		switch {
		case f.Error != "":
			p.field("not read", f.Error)
			continue
		case !f.Solved:
			p.field("not solved", fmt.Sprintf("%s (%d stars on the frame)", f.Why, f.Stars))
			if l := f.Registered; l != nil {
				p.field("lies on", laid(l))
			}
			continue
		}
		way := "north up is east to the left"
		if f.Mirrored {
			way = "mirrored: with north up, east is to the right"
		}
		p.field("centre", position(f.RA, f.Dec))
		p.field("scale", fmt.Sprintf("%.4g arcsec a pixel", float64(f.Scale)))
		p.field("turned", fmt.Sprintf("+y points to position angle %.1f degrees; %s", float64(f.Rotation), way))
		p.field("sure by", fmt.Sprintf("%d stars matched, %.2g arcsec rms per axis, odds against chance 1e%.0f to 1", f.Matched, float64(f.RMS), math.Log10(math.Max(f.Odds, 1))))
	}
	return p.flush(w)
}

// laid says how a frame lies on another.
func laid(l *solve.Laid) string {
	text := fmt.Sprintf("%s, shifted by %+.2f, %+.2f px and turned by %+.3f degrees", shortName(l.On), float64(l.X), float64(l.Y), float64(l.Turn))
	if l.Mirrored {
		text += ", mirrored"
	}
	if math.Abs(l.Scale-1) > 0.002 {
		text += fmt.Sprintf(", one of its pixels on %.4g", l.Scale)
	}
	return fmt.Sprintf("%s: %d stars in common, %.2f px rms, odds against chance 1e%.0f to 1", text, l.Matched, float64(l.RMS), math.Log10(math.Max(l.Odds, 1)))
}

// shortName returns the last part of a path.
func shortName(path string) string {
	if i := strings.LastIndexAny(path, `/\`); i >= 0 {
		return path[i+1:]
	}
	return path
}

// clip shortens text from the left to a width.
func clip(s string, width int) string {
	r := []rune(s)
	if len(r) <= width {
		return s
	}
	return "…" + string(r[len(r)-width+1:])
}
