package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/plan"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// SeekCautions returns what to mind when looking for light on a guide camera.
func SeekCautions(f *plan.Seek) []Caution {
	var out []Caution
	switch {
	case f.SunAlt > sky.Sunset:
		out = append(out, Caution{Danger: true, Text: "The Sun is up. Keep every telescope capped while it moves and never aim within 30 degrees of the Sun: an unfiltered telescope, the small one too, blinds and burns in an instant."})
	case f.SunAlt > sky.Nautical+0.1 && len(f.Targets) > 0:
		out = append(out, Caution{Text: "It is twilight: the sky is brighter than reckoned here, and faint patches drown sooner."})
	}
	if len(f.Refused) > 0 {
		var names []string
		for _, t := range f.Refused {
			names = append(names, fmt.Sprintf("%s (%.0f degrees)", t.Name, float64(t.Sun)))
		}
		out = append(out, Caution{Danger: true, Text: fmt.Sprintf("Do not aim at %s: so near the Sun one slip, or its rising while you aim, blinds and burns.", strings.Join(names, ", "))})
	}
	return out
}

// Seek writes what must show on a guide camera for a person, the first most
// targets in full; 0 shows all.
func Seek(w io.Writer, f *plan.Seek, most int, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	name := f.Rig
	if name == "" {
		name = "This rig"
	}
	p.linef("%s: what must show in %s, %s UTC", p.bold(name), f.Exposure.Say(), f.UTC.Format("2006-01-02 15:04"))
	p.gap()
	p.para("", upper(f.Why)+".")
	p.gap()
	p.field("field", fmt.Sprintf("%.0f x %.0f arcmin, %.2f arcsec a pixel", float64(f.Width), float64(f.Height), float64(f.Scale)))
	travel := fmt.Sprintf("%.3g mm", float64(f.Travel))
	if f.Pitch > 0 {
		travel += fmt.Sprintf(" of %.3g mm a turn: %.3g turns", float64(f.Pitch), float64(f.Travel/f.Pitch))
	}
	p.field("focuser", travel+", so focus is at most that far away")
	for _, t := range f.LeftOut {
		p.field("left out", upper(t)+".")
	}
	if most <= 0 {
		most = len(f.Targets)
	}
	for i := range f.Targets {
		if i < most {
			p.seekTarget(&f.Targets[i], f.Pitch > 0)
		}
	}
	if rest := f.Targets[min(most, len(f.Targets)):]; len(rest) > 0 {
		p.head("Also up", "how far from focus each shows")
		for _, t := range rest {
			p.linef("  %s %s %s  %s", pad(t.Name, 26), lead("V "+fixed(float64(t.V), 1), 7), pad(fmt.Sprintf("  %.0f up, az %.0f", float64(t.Altitude), float64(t.Azimuth)), 17), showsTo(&t))
		}
	}
	if len(f.Ladder) > 0 {
		p.head("From finding to fine focus", "")
		for i, r := range f.Ladder {
			p.para(fmt.Sprintf("  %d  ", i+1), rung(r, f.Pitch))
		}
	}
	p.assumed(n, func(a Assumed) bool {
		return a.Entry == "at" || a.Entry == "date" || a.Entry == "guide.focuser.travel" || a.Entry == "guide.focuser.pitch"
	})
	p.notes(n)
	return p.flush(w)
}

// showsTo says how far from focus a target shows.
func showsTo(t *plan.SeekTarget) string {
	switch {
	case t.Everywhere:
		return "everywhere"
	case t.ShowsMM == 0:
		return "not at all"
	case !math.IsNaN(t.ShowsTurns):
		return fmt.Sprintf("to %s turns", round(t.ShowsTurns))
	}
	return fmt.Sprintf("to %s mm", round(float64(t.ShowsMM)))
}

// seekTarget prints one target's looks.
func (p *page) seekTarget(t *plan.SeekTarget, threaded bool) {
	note := fmt.Sprintf("V %.1f, %.0f degrees up, azimuth %.0f", float64(t.V), float64(t.Altitude), float64(t.Azimuth))
	if t.Diameter > 1 {
		note += fmt.Sprintf(", %.0f arcmin wide", float64(t.Diameter))
	}
	p.head(t.Name, note)
	row := func(cells ...string) {
		p.linef("%s%s%s%s%s%s  %s", lead(cells[0], 8), lead(cells[1], 9), lead(cells[2], 9), lead(cells[3], 10), lead(cells[4], 9), lead(cells[5], 9), cells[6])
	}
	row("turns", "from", "patch", "pixel", "over", "aim", "")
	row("off", "focus mm", "px", "e-", "noise", "arcmin", "")
	for _, l := range t.Looks {
		turns := "-"
		if threaded {
			turns = round(l.Turns)
		}
		row(turns, round(float64(l.Defocus)), round(float64(l.Patch)), round(float64(l.Peak)), round(l.SNR), fixed(float64(l.Within), 0), l.Says)
	}
	p.para("  ", upper(t.Advice)+".")
}

// rung says one step of the ladder.
func rung(r plan.Rung, pitch unit.MM) string {
	way := func(d unit.MM) string {
		if pitch > 0 {
			return round(float64(d/pitch)) + " turns"
		}
		return round(float64(d)) + " mm"
	}
	span := fmt.Sprintf("from %s to %s off", way(r.From), way(r.To))
	if r.To == 0 {
		span = fmt.Sprintf("from %s off to focus", way(r.From))
	}
	return fmt.Sprintf("%s: %s, V %.1f, at %s; expose %s, %s: %s.", upper(r.Do), r.Target, float64(r.V), position(r.RA, r.Dec), r.Exposure.Say(), span, r.Why)
}
