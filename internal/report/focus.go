package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/fitting"
	"holdfast/internal/rig"
)

// FocusNotes returns what stands beside an answer about focus: what was assumed,
// and why a frame may be of another telescope than the rig's, if anything speaks
// for that.
func FocusNotes(assumed []rig.Assumed, doubt string) Notes {
	n := NewNotes(nil, assumed, nil)
	if doubt != "" {
		n.Looks = append(n.Looks, doubt)
	}
	return n
}

// Focus writes what frames say about focus for a person.
func Focus(w io.Writer, f fitting.Focus, n Notes, s Style) error {
	p := newPage(s)
	p.para(p.bold(strings.ToUpper(f.Verdict))+"  ", upper(f.Why)+".")
	if l := f.Lock; l != nil {
		p.para(p.bold("THE LOCK")+"  ", upper(l.Why)+".")
	}
	p.gap()
	known := func(v float64) bool { return !math.IsNaN(v) }
	if known(float64(f.Defocus)) {
		by := ""
		if f.By != "" {
			by = ", by the " + f.By
		}
		p.field("distance", fitting.PlusMinus(float64(f.Defocus), float64(f.DefocusSigma))+" mm from focus"+by)
	}
	if known(f.Turns) {
		p.field("turns", fitting.PlusMinus(f.Turns, f.TurnsSigma)+" of the focuser")
	}
	if known(f.BestPosition) {
		text := f.Best()
		if f.Approach != "unknown" {
			text += ", approached going " + f.Approach
		}
		p.field("best at", text)
	}
	if f.Direction != "unknown" {
		p.field("go", f.Direction+" from the last position (larger numbers are taken to be farther out)")
	}
	if known(f.Hysteresis) {
		p.field("play", fitting.PlusMinus(f.Hysteresis, f.HysteresisSigma)+" counts between going out and going in; the last move was "+f.LastMove)
	}
	if known(float64(f.Zone)) {
		text := fmt.Sprintf("within ±%.3f mm it no longer matters", float64(f.Zone))
		switch {
		case known(f.ZoneTurns):
			text += fmt.Sprintf(" (±%.3f of a turn, %.0f degrees)", f.ZoneTurns, 360*f.ZoneTurns)
		case known(f.ZoneCounts):
			text += fmt.Sprintf(" (±%.3g counts)", f.ZoneCounts)
		}
		p.field("zone", text)
	}
	if known(float64(f.Scatter)) && f.Scatter > 0 {
		p.field("the air", fmt.Sprintf("the width in focus changes by %.2g px from frame to frame, which is the air's doing", float64(f.Scatter)))
	}
	if len(f.Frames) > 1 {
		p.gap()
		p.linef("  %s%s%s%s%s", pad("frame", 28), lead("position", 12), lead("HFD, px", 15), lead("disc, px", 15), lead("stars", 7))
		for _, k := range f.Frames {
			name := shortName(k.File)
			if !plainNames(f.Frames) {
				name = k.File
			}
			if k.Locked {
				name += " (locked)"
			}
			at := "-"
			if known(k.Position) {
				at = fmt.Sprintf("%.6g", k.Position)
			}
			p.linef("  %s%s%s%s%s", pad(clip(name, 27), 28), lead(at, 12), lead(spreadOf(float64(k.HFD), float64(k.HFDSigma)), 15), lead(spreadOf(float64(k.Disc), float64(k.DiscSigma)), 15), lead(fmt.Sprint(k.Stars), 7))
		}
	}
	for _, l := range f.Left {
		p.field("left out", l)
	}
	p.notes(n)
	p.assumed(n, func(Assumed) bool { return true })
	return p.flush(w)
}

// plainNames reports whether the last parts of the frames' paths tell them apart.
func plainNames(frames []fitting.Reading) bool {
	seen := map[string]bool{}
	for _, k := range frames {
		seen[shortName(k.File)] = true
	}
	return len(seen) == len(frames)
}

// spreadOf writes a number with its error, "-" if it is not known.
func spreadOf(v, sigma float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fitting.PlusMinus(v, sigma)
}
