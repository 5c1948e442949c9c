package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/fitting"
)

// Focus writes what frames say about focus for a person.
func Focus(w io.Writer, looks []fitting.Sample, f fitting.Focus, n Notes, s Style) error {
	p := newPage(s)
	p.para(p.bold(strings.ToUpper(f.Verdict))+"  ", upper(f.Why)+".")
	p.gap()
	if !math.IsNaN(float64(f.Defocus)) {
		p.field("distance", fmt.Sprintf("%.2f ± %.2f mm from focus", float64(f.Defocus), float64(f.DefocusSigma)))
	}
	if !math.IsNaN(f.Turns) {
		p.field("turns", fmt.Sprintf("%.2f of the focuser", f.Turns))
	}
	if !math.IsNaN(f.BestPosition) {
		p.field("best at", f.Best())
	}
	if f.Direction != "unknown" {
		p.field("go", f.Direction+" from the last position (larger numbers are taken to be farther out)")
	}
	if !math.IsNaN(f.Hysteresis) {
		p.field("both ways", fmt.Sprintf("the best position differs by %.3g between going out and going in", f.Hysteresis))
	}
	if !math.IsNaN(float64(f.Zone)) {
		text := fmt.Sprintf("within ±%.3f mm it no longer matters", float64(f.Zone))
		if !math.IsNaN(f.ZoneTurns) {
			text += fmt.Sprintf(" (±%.3f of a turn, %.0f degrees)", f.ZoneTurns, 360*f.ZoneTurns)
		}
		p.field("zone", text)
	}
	if len(looks) > 1 {
		p.gap()
		p.linef("  %s%s%s%s", pad("frame", 28), lead("position", 12), lead("HFD, px", 16), lead("stars", 8))
		for _, k := range looks {
			hfd := "-"
			if k.HFD.Known() {
				hfd = fmt.Sprintf("%.2f ±%.2f", float64(k.HFD.V), float64(k.HFD.SE))
			}
			at := "-"
			if !math.IsNaN(k.Position) {
				at = fmt.Sprintf("%.6g", k.Position)
			}
			p.linef("  %s%s%s%s", pad(clip(k.File, 27), 28), lead(at, 12), lead(hfd, 16), lead(fmt.Sprint(k.Stars), 8))
		}
	}
	for _, l := range f.Left {
		p.field("left out", l)
	}
	p.assumed(n, func(Assumed) bool { return true })
	return p.flush(w)
}
