package report

import (
	"fmt"
	"io"
	"math"

	"holdfast/internal/plan"
	"holdfast/internal/rehearsal"
)

// Rehearsal writes what a rehearsal made for a person, beside the star that the
// plan predicts for a typical sub.
func Rehearsal(w io.Writer, a *rehearsal.Account, planned, corner plan.Star, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	name := a.Rig
	if name == "" {
		name = "This rig"
	}
	p.linef("%s: a rehearsed night on %s, from %s UTC, seed %d", p.bold(name), p.bold(a.Target), a.Start.UTC().Format("2006-01-02 15:04"), a.Truth.Seed)
	p.gap()
	written := fmt.Sprintf("%d subs", len(a.Truth.Subs))
	if a.Samples > 0 {
		written += fmt.Sprintf(" and a series of %d guide exposures", a.Samples)
	}
	if a.Folder != "" {
		written += " in " + a.Folder + "; truth.json says what really happened"
	}
	p.field("written", written+".")
	if h := a.Truth.Settings; h != nil {
		p.field("held by", fmt.Sprintf("%d star, %s exposures, gains %.2f and %.2f", h.Stars, h.Interval.Say(), h.GainRA, h.GainDec))
	} else {
		p.field("held by", "nothing: the mount is left alone")
	}
	for _, f := range a.Truth.Faults {
		p.field("wrong", fmt.Sprintf("%s, %.3g %s", f.Kind, f.Amount, f.Unit))
	}
	p.head("The stars", "without noise; the plan's is that of a typical sub at the best hour")
	row := func(name, fwhm, e, fwhmCorner, eCorner, path, defocus string) {
		p.linef("  %s%s%s%s%s%s%s", pad(name, 22), lead(fwhm, 9), lead(e, 8), lead(fwhmCorner, 9), lead(eCorner, 8), lead(path, 13), lead(defocus, 8))
	}
	row("", "FWHM", "ellip", "corner", "ellip", "path E, N", "focus")
	row("", "arcsec", "", "arcsec", "", "arcsec", "um")
	row("planned", fixed(float64(planned.FWHM), 2), fixed(planned.Ellipticity, 3), fixed(float64(corner.FWHM), 2), fixed(corner.Ellipticity, 3), "", "")
	for _, t := range a.Truth.Subs {
		corner := t.Corner()
		row(shortName(t.File), fixed(float64(t.Star.FWHM), 2), fixed(t.Star.Ellipticity, 3), fixed(float64(corner.FWHM), 2), fixed(corner.Ellipticity, 3),
			fmt.Sprintf("%.2f %.2f", float64(t.East), float64(t.North)), fixed(float64(t.Defocus), 0))
	}
	if len(a.Truth.Entries) > 0 {
		p.head("The rig as it truly was", "drawn from what is stated; --exact takes it as stated")
		for _, e := range a.Truth.Entries {
			if math.Abs(e.True-e.Stated) > 0.1*math.Abs(e.Stated) {
				p.linef("  %s %s %s instead of %s", pad(e.Entry, 30), lead(round(e.True), 8), pad(e.Unit, 9), round(e.Stated))
			}
		}
	}
	p.assumed(n, func(a Assumed) bool { return a.Entry == "target" || a.Entry == "date" })
	p.notes(n)
	return p.flush(w)
}
