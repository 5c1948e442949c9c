package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"holdfast/internal/fitting"
	"holdfast/internal/series"
	"holdfast/internal/unit"
)

// driveWords are the verdicts as they are shouted.
var driveWords = map[string]string{
	series.Steady: "THE DRIVE IS FOLLOWED", series.Periodicity: "PERIODIC ERROR", series.Drifting: "IT DRIFTS", series.Oscillates: "THE LOOP SWINGS",
	series.Misset: "CORRECTED THE WRONG WAY", series.Playing: "PLAY IN DECLINATION", series.Deaf: "NOTHING ANSWERS", series.Untold: "TOO LITTLE TO TELL",
}

// Drive writes what a record tells of a drive for a person.
func Drive(w io.Writer, d *series.Drive, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	p.para(p.bold(driveWords[d.Verdict])+"  ", upper(d.Why)+".")
	if len(d.Advice) > 0 {
		p.head("What to do", "")
		for i, a := range d.Advice {
			p.para(fmt.Sprintf("  %d  ", i+1), upper(a)+".")
		}
	}
	p.head("What was measured", "")
	if t := d.Track; t != nil {
		p.field("frames", fmt.Sprintf("%d of %d laid on one another by %.0f stars each", t.Used, t.Frames, t.StarsEach))
		p.field("moved", fmt.Sprintf("%.1f px along x and %.1f along y, turned by %.2f degrees, from the first frame to the last", float64(t.MovedX), float64(t.MovedY), float64(t.Turned)))
		if t.Scale > 0 {
			p.field("scale", fmt.Sprintf("%.3f arcsec per pixel, by %s; axes %s", t.Scale, t.ScaleFrom, d.Axes))
		}
		if t.StoodStill > 0 {
			p.field("stood still", fmt.Sprintf("%d spots did not move with the stars: hot pixels, left out", t.StoodStill))
		}
	}
	if d.Span > 0 {
		text := fmt.Sprintf("%d exposures, one every %s, over %s", d.Exposures, d.Cycle.Say(), d.Span.Say())
		if d.Lost > 0 {
			text += fmt.Sprintf("; %d without the star", d.Lost)
		}
		p.field("record", text)
		switch {
		case d.Freed:
			p.field("corrections", "taken out again, to see what the drive does by itself")
		case d.Guided && d.Answer != nil:
			p.field("corrections", "not taken out: "+d.Answer.Why)
		}
	}
	if d.Span > 0 {
		p.gap()
		p.linef("  %s%s%s%s", pad("", 28), lead(d.AxisName(0), 19), lead(d.AxisName(1), 19), "")
		row := func(label string, a, sa, b, sb float64) {
			if math.IsNaN(a) && math.IsNaN(b) {
				return
			}
			p.linef("  %s%s%s", pad(label, 28), lead(spreadOf(a, sa), 19), lead(spreadOf(b, sb), 19))
		}
		nan := math.NaN()
		row("drift, arcsec a minute", d.DriftRA, d.DriftRASigma, d.DriftDec, d.DriftDecSigma)
		row("rms as measured, arcsec", float64(d.RMSRA), nan, float64(d.RMSDec), nan)
		if d.Freed {
			row("rms uncorrected, arcsec", float64(d.FreeRMSRA), nan, float64(d.FreeRMSDec), nan)
		}
		row("at random, arcsec", float64(d.MotionRA), nan, float64(d.MotionDec), nan)
		if len(d.Loop) == 2 {
			a, b := &d.Loop[0], &d.Loop[1]
			row("gain", a.Gain, nan, b.Gain, nan)
			row("noise added, arcsec", float64(a.Added), nan, float64(b.Added), nan)
			row("the star then, arcsec rms", float64(a.Left), nan, float64(b.Left), nan)
			row("best gain on this record", a.Better, nan, b.Better, nan)
			row("the star with it", float64(a.BetterTo), nan, float64(b.BetterTo), nan)
		}
	}
	if len(d.Periods) > 0 {
		p.head("Periods", "amplitude is half of peak to peak")
		p.linef("  %s%s%s  %s", pad("axis", 6), lead("period, s", 20), lead("amplitude, arcsec", 22), "")
		for _, k := range d.Periods {
			note := ""
			switch {
			case k.Harmonic > 1:
				note = fmt.Sprintf("harmonic %d", k.Harmonic)
			case !math.IsNaN(k.Teeth):
				note = fmt.Sprintf("wheel of %.0f teeth", k.Teeth)
			case !math.IsNaN(float64(k.Alias)) && k.Period < 10*d.Cycle:
				note = fmt.Sprintf("or %.2f s, seen so", float64(k.Alias))
			}
			p.linef("  %s%s%s  %s", pad(k.Axis, 6), lead(spreadOf(float64(k.Period), float64(k.PeriodSigma)), 20), lead(spreadOf(float64(k.Amplitude), float64(k.AmplitudeSigma)), 22), note)
		}
		p.spectrum(d)
		p.folded(d)
	}
	p.head("What else it says", "")
	if !math.IsNaN(float64(d.Backlash)) {
		p.field("play", spreadOf(float64(d.Backlash), float64(d.BacklashSigma))+" arcsec in declination")
	} else if d.BacklashWhy != "" {
		p.field("play", "not known: "+d.BacklashWhy)
	}
	if !math.IsNaN(float64(d.CalibrationAngle)) {
		p.field("angle", spreadOf(float64(d.CalibrationAngle), float64(d.CalibrationAngleSigma))+" degrees between corrections and the error they answer")
	}
	if !math.IsNaN(float64(d.Seeing)) {
		p.field("the air", fmt.Sprintf("seeing of %.1f arcsec, within a factor of %.0f either way; assumes %s", float64(d.Seeing), d.SeeingTimes, d.SeeingWhy))
	}
	if a := d.Answer; a != nil && d.Freed && a.RARASigma > 0 {
		p.field("answers", fmt.Sprintf("one of a correction moves the star %s (right ascension) and %s (declination), %s", fitting.PlusMinus(a.RARA, a.RARASigma), fitting.PlusMinus(a.DecDec, a.DecDecSigma), a.Why))
	}
	if len(d.Jumps) > 0 {
		p.field("jumps", jumpList(d.Jumps))
	}
	if d.Spikes > 0 {
		p.field("wild", fmt.Sprintf("%d single exposures far off, back in the next", d.Spikes))
	}
	for _, k := range d.Notes {
		p.para("  -  ", upper(k)+".")
	}
	p.assumed(n, func(Assumed) bool { return true })
	p.notes(n)
	return p.flush(w)
}

// jumpList writes the greatest jumps.
func jumpList(jumps []series.Jump) string {
	const most = 4
	size := func(j series.Jump) float64 { return math.Hypot(float64(j.RA), float64(j.Dec)) }
	k := slices.Clone(jumps)
	slices.SortStableFunc(k, func(a, b series.Jump) int {
		switch {
		case size(a) > size(b):
			return -1
		case size(a) < size(b):
			return 1
		}
		return 0
	})
	var parts []string
	for _, j := range k[:min(most, len(k))] {
		parts = append(parts, fmt.Sprintf("%.1f arcsec at %.0f s", size(j), float64(j.Time)))
	}
	text := strings.Join(parts, ", ")
	if len(k) > most {
		text += fmt.Sprintf(" and %d more", len(k)-most)
	}
	return text
}

// spectrum draws the spectrum of right ascension, or of the axis that has
// periods.
func (p *page) spectrum(d *series.Drive) {
	lines, name := d.Lines.RA, d.AxisName(0)
	if d.Periods[0].Axis == "dec" {
		lines, name = d.Lines.Dec, d.AxisName(1)
	}
	if lines == nil || lines.Whole == nil || len(lines.Whole.Amplitude) < 8 {
		return
	}
	s := lines.Whole
	// Equal steps in the logarithm of the period, each with its greatest
	// amplitude, so that no line falls between two dots.
	const steps = 220
	short, long := 1/s.Hz(len(s.Amplitude)-1), 1/s.Hz(0)
	var x, y []float64
	at, top := len(s.Amplitude)-1, 0.0
	for k := range steps {
		to := short * math.Pow(long/short, float64(k+1)/steps)
		best := math.NaN()
		for ; at >= 0 && 1/s.Hz(at) <= to*(1+1e-12); at-- {
			if a := float64(s.Amplitude[at]); !(a <= best) && !math.IsNaN(a) {
				best = a
			}
		}
		if math.IsNaN(best) {
			continue
		}
		if t := short * math.Pow(long/short, (float64(k)+0.5)/steps); t < long/2 {
			top = max(top, best)
		}
		x, y = append(x, short*math.Pow(long/short, (float64(k)+0.5)/steps)), append(y, best)
	}
	if len(x) < 8 || !(top > 0) {
		return
	}
	p.gap()
	p.chart(&Chart{X: Axis{Label: "period", Unit: "s", From: short, To: long, Log: true},
		Panels: []Panel{{Y: Axis{Label: "amplitude of " + name, Unit: "arcsec", To: 1.1 * top}, Series: []Series{{X: x, Y: y}}}}}, 7)
}

// folded draws the drive's error over a turn.
func (p *page) folded(d *series.Drive) {
	if len(d.Folded) == 0 {
		return
	}
	period := unit.Second(math.NaN())
	for _, k := range d.Periods {
		if k.Axis == "ra" && k.Harmonic == 1 {
			period = k.Period
			break
		}
	}
	var x, y []float64
	top := 0.0
	for _, f := range d.Folded {
		if math.IsNaN(float64(f.Offset)) {
			continue
		}
		x, y = append(x, f.Phase*float64(period)), append(y, float64(f.Offset))
		if v := math.Abs(float64(f.Offset)); v > top {
			top = v
		}
	}
	if !(top > 0) {
		return
	}
	p.gap()
	p.chart(&Chart{X: Axis{Label: "time within a turn", Unit: "s", To: float64(period)},
		Panels: []Panel{{Y: Axis{Label: "the drive's error", Unit: "arcsec", From: -1.1 * top, To: 1.1 * top}, Series: []Series{{X: x, Y: y}}, Limits: []Limit{{At: 0}}}}}, 7)
}
