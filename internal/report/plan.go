package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"holdfast/internal/ledger"
	"holdfast/internal/plan"
	"holdfast/internal/unit"
)

// termNames says what each row of the ledger is, to a person.
var termNames = map[ledger.Term]string{
	ledger.Seeing:          "the air",
	ledger.Diffraction:     "diffraction of the aperture",
	ledger.Optics:          "the optics' own blur",
	ledger.Pixels:          "the pixels",
	ledger.Focus:           "focus",
	ledger.Tracking:        "drive error left over",
	ledger.CorrectionNoise: "noise of the correction",
	ledger.Wind:            "wind",
	ledger.Backlash:        "declination backlash",
	ledger.Flexure:         "flexure between telescopes",
	ledger.MirrorShift:     "shift of the main mirror",
	ledger.FieldRotation:   "field rotation",
	ledger.Refraction:      "refraction",
	ledger.Drift:           "drift that nothing corrects",
}

// leastShare is the share of the star below which a row is not worth a line.
const leastShare = 0.0005

// Plan writes a plan for a person.
func Plan(w io.Writer, res *plan.Result, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	name := res.Rig
	if name == "" {
		name = "This rig"
	}
	p.linef("%s on %s", p.bold(name), p.bold(res.Target.Name))
	p.gap()
	p.para(p.bold(pad(verdictWord(res.Verdict), 9)), res.Reason)
	p.gap()
	p.night(res)
	p.star(res)
	p.ledger(res)
	p.hold(res)
	p.subs(res)
	p.polar(res)
	p.gains(res)
	matters := weighty(res, 6)
	p.assumed(n, func(a Assumed) bool { return a.Entry == "target" || a.Entry == "date" || matters[a.Entry] })
	p.notes(n)
	return p.flush(w)
}

// verdictWord is the verdict as the page begins with it.
func verdictWord(v ledger.Verdict) string {
	if v == ledger.Unknown {
		return "OPEN"
	}
	return strings.ToUpper(v.String())
}

// night prints target, night and best hour.
func (p *page) night(res *plan.Result) {
	t, n, b := &res.Target, &res.Night, &res.Best
	text := t.Kind
	if t.Size > 0 {
		text += fmt.Sprintf(", %.0f arcmin", float64(t.Size))
	}
	p.field("target", fmt.Sprintf("%s, %s", text, position(t.RA, t.Dec)))
	twilight := ""
	if n.Twilight != "astronomical" {
		twilight = " (only " + n.Twilight + ")"
	}
	p.field("night", fmt.Sprintf("evening of %s, dark %s-%s%s, target usable %s-%s", date(n.Date),
		local(n.DarkFrom, n.UTCOffset), local(n.DarkTo, n.UTCOffset), twilight, local(n.From, n.UTCOffset), local(n.To, n.UTCOffset)))
	text = fmt.Sprintf("%s (%s UTC), %.0f degrees up in the %s, airmass %.2f, sky %.1f mag/arcsec2",
		local(b.UTC, n.UTCOffset), b.UTC.UTC().Format("15:04"), float64(b.Altitude), compass(b.Azimuth), b.Airmass, float64(b.Sky))
	if !n.Flip.IsZero() {
		text += "; the mount flips at " + local(n.Flip, n.UTCOffset)
	}
	p.field("best hour", text)
	p.field("Moon", moon(n))
}

// moon describes the Moon at the best hour.
func moon(n *plan.Night) string {
	lit := fmt.Sprintf("%.0f %% lit", 100*n.MoonLit)
	if n.MoonAlt < 0 {
		return lit + ", below the horizon"
	}
	return fmt.Sprintf("%s, %.0f degrees up, %.0f degrees from the target", lit, float64(n.MoonAlt), float64(n.MoonApart))
}

// star prints the star at the centre and in the corner with its spread.
func (p *page) star(res *plan.Result) {
	c, k, lo, hi := &res.Star, &res.StarCorner, &res.StarP10, &res.StarP90
	p.head("The star", "at the best hour")
	row := func(label, centre, corner, spread, goal string) {
		p.linef("  %s%s%s%s%s", pad(label, 24), lead(centre, 9), lead(corner, 9), lead(spread, 16), lead(goal, 13))
	}
	row("", "centre", "corner", "10-90 %", "goal")
	d := deserved(float64(hi.FWHM-lo.FWHM)/2.56, 2)
	between := func(a, b float64, d int) string {
		if math.IsNaN(a) || math.IsNaN(b) {
			return "-"
		}
		return fixed(a, d) + " to " + fixed(b, d)
	}
	row("width (FWHM), arcsec", fixed(float64(c.FWHM), d), fixed(float64(k.FWHM), d), between(float64(lo.FWHM), float64(hi.FWHM), d), fixed(float64(res.GoalFWHM), d))
	row("              pixels", fixed(float64(c.FWHMPx), 1), fixed(float64(k.FWHMPx), 1), between(float64(lo.FWHMPx), float64(hi.FWHMPx), 1), "")
	row("out of round (1 - b/a)", fixed(c.Ellipticity, 2), fixed(k.Ellipticity, 2), between(lo.Ellipticity, hi.Ellipticity, 2),
		fixed(res.GoalEllipticity, 2)+" / "+fixed(res.GoalCorner, 2))
	if c.Ellipticity >= 0.02 || k.Ellipticity >= 0.02 {
		row("long axis, degrees", fixed(float64(c.PA), 0), fixed(float64(k.PA), 0), "", "")
	}
	text := fmt.Sprintf("Over the window %s arcsec and %s on average; worst at %s: %s arcsec, %s.",
		fixed(float64(res.Mean.FWHM), d), fixed(res.Mean.Ellipticity, 2), local(res.Worst.UTC, res.Night.UTCOffset),
		fixed(float64(res.Worst.Star.FWHM), d), fixed(res.Worst.Star.Ellipticity, 2))
	text += fmt.Sprintf(" %.0f %% of the rigs that fit the file share the verdict.", 100*res.VerdictShare)
	p.para("  ", text)
}

// ledger prints the rows, the largest first, those nobody can change apart.
func (p *page) ledger(res *plan.Result) {
	p.head("What widens it", "one sigma, arcsec")
	rows := slices.Clone(res.Ledger)
	slices.SortStableFunc(rows, func(a, b plan.Row) int { return cmp.Compare(b.Share, a.Share) })
	barWidth := p.width - 64
	var absent []string
	assumed := false
	put := func(r plan.Row) {
		mark, star := "  ", ""
		if res.WeakLink != nil && *res.WeakLink == r.Term {
			mark = "→ "
		}
		if len(r.Assumed) > 0 {
			star, assumed = " *", true
		}
		name := pad(termNames[r.Term]+star, 31)
		if mark != "  " {
			name = p.bold(name)
		}
		p.linef("%s%s%s%s%s  %s", mark, name, lead(fixed(float64(r.East), 2), 8), lead(fixed(float64(r.North), 2), 8), lead(percent(r.Share), 10), bar(r.Share, barWidth))
	}
	p.linef("  %s%s%s%s", pad("", 31), lead("east", 8), lead("north", 8), lead("share", 10))
	for _, given := range []bool{true, false} {
		for _, r := range rows {
			switch {
			case r.Term.Given() != given:
			case r.Share < leastShare:
				absent = append(absent, termNames[r.Term])
			default:
				put(r)
			}
		}
	}
	if len(absent) > 0 {
		p.para("  next to nothing: ", strings.Join(absent, ", "))
	}
	if other := p.cornerRows(res); other != "" {
		p.para("  in the corner: ", other)
	}
	var legend []string
	if res.WeakLink != nil {
		legend = append(legend, "→ weak link, the one to mend first")
	}
	if assumed {
		legend = append(legend, "* rests partly on assumed entries")
	}
	if len(legend) > 0 {
		p.para("  ", strings.Join(legend, "; "))
	}
}

// cornerRows lists the rows that are larger in the corner than at the centre.
func (p *page) cornerRows(res *plan.Result) string {
	var out []string
	for i, c := range res.Ledger {
		if i >= len(res.LedgerCorner) {
			break
		}
		k := res.LedgerCorner[i]
		if k.Term != c.Term {
			continue
		}
		a := math.Hypot(float64(c.East), float64(c.North))
		b := math.Hypot(float64(k.East), float64(k.North))
		if b > 1.1*a && b >= 0.005 {
			out = append(out, fmt.Sprintf("%s %.2f east, %.2f north", termNames[k.Term], float64(k.East), float64(k.North)))
		}
	}
	return strings.Join(out, "; ")
}

// percent writes a share.
func percent(share float64) string {
	switch {
	case math.IsNaN(share):
		return "-"
	case share < 0.0095:
		return fmt.Sprintf("%.1f %%", 100*share)
	}
	return fmt.Sprintf("%.0f %%", 100*share)
}

// hold prints the guide star and the correction.
func (p *page) hold(res *plan.Result) {
	p.head("Holding it", "")
	if res.NeedsGuiding {
		p.field("needed", "yes: without correction a sub stays round for "+subLength(res.UnguidedSub))
	} else {
		p.field("needed", "no: "+res.Sub.Say()+" stay within the goal without correction too")
	}
	if g := res.GuideStar; g != nil {
		text := ""
		switch {
		case g.Source == "counts":
			text = fmt.Sprintf("none in the catalogue here; by star counts one at least as bright as VT %.1f is in the field with %s", float64(g.VT), chance(g.Probability))
		case g.Stars > 1:
			text = fmt.Sprintf("%d stars, the best VT %.1f at %s", g.Stars, float64(g.VT), position(g.RA, g.Dec))
		default:
			text = fmt.Sprintf("VT %.1f at %s", float64(g.VT), position(g.RA, g.Dec))
		}
		text += fmt.Sprintf("; SNR %s, %.1f px wide, placed to %.2f arcsec in %s", round(g.SNR), float64(g.FWHMPx), float64(g.Centroid), g.Exposure.Say())
		p.field("guide star", text)
		if g.Advice != "" {
			p.field("", upper(g.Advice)+".")
		}
	}
	if l := res.Loop; l != nil {
		p.field("settings", fmt.Sprintf("expose %s, a correction every %s; gain %.2f in RA, %s in Dec; dead band %s arcsec",
			l.Interval.Say(), l.Cycle.Say(), l.GainRA, fixed(l.GainDec, 2), fixed(float64(l.DeadBand), 2)))
		p.field("leaves", fmt.Sprintf("%s arcsec rms in RA, %s in Dec, the air apart", fixed(float64(l.RMSRA), 2), fixed(float64(l.RMSDec), 2)))
	}
	scales := fmt.Sprintf("%.2f arcsec a pixel", float64(res.ImageScale))
	if res.GuideScale > 0 {
		scales += fmt.Sprintf("; guide camera %.2f, a ratio of %.1f", float64(res.GuideScale), float64(res.GuideScale/res.ImageScale))
	}
	p.field("scale", scales)
}

// subs prints how long to expose.
func (p *page) subs(res *plan.Result) {
	p.head("How long a sub", "")
	p.field("stays round", subLength(res.LongestRoundSub)+unguided(res))
	p.field("best", fmt.Sprintf("%s: %s", res.BestSub.Say(), res.BestSubWhy))
}

// unguided adds how long a sub stays round without correction.
func unguided(res *plan.Result) string {
	if res.Loop == nil || res.UnguidedSub == res.LongestRoundSub {
		return ""
	}
	return ", without correction " + subLength(res.UnguidedSub)
}

// subLength writes the longest round sub.
func subLength(t unit.Second) string {
	switch {
	case math.IsNaN(float64(t)):
		return "unknown"
	case t <= 0:
		return "not even half a second"
	case t >= 3600:
		return "an hour or more"
	}
	return "up to " + (rounded(t)).Say()
}

// rounded returns a length of time to two digits, downwards: the next digit is
// not deserved.
func rounded(t unit.Second) unit.Second {
	step := math.Pow(10, math.Floor(math.Log10(float64(t)))-1)
	return unit.Second(math.Floor(float64(t)/step+1e-9) * step)
}

// polar prints the reasons to align the polar axis.
func (p *page) polar(res *plan.Result) {
	if len(res.PolarLimits) == 0 {
		return
	}
	p.head("How well the polar axis must point", "each reason by itself")
	for _, l := range res.PolarLimits {
		p.para("  "+lead(arcmin(l.Arcmin), 12)+"  ", upper(l.Why))
	}
}

// arcmin writes an angle to two digits, in degrees when it is large.
func arcmin(a unit.Arcmin) string {
	switch {
	case math.IsNaN(float64(a)):
		return "-"
	case a >= 600:
		return "any"
	case a >= 120:
		return fmt.Sprintf("%.1f deg", float64(a.Deg()))
	case a >= 10:
		return fmt.Sprintf("%.0f arcmin", float64(a))
	}
	return fmt.Sprintf("%.1f arcmin", float64(a))
}

// gains prints what each change would bring, the best first.
func (p *page) gains(res *plan.Result) {
	p.head("What a change would bring", "")
	if len(res.Gains) == 0 {
		p.para("  ", "Nothing that holdfast knows to try would be seen.")
		return
	}
	textWidth := p.width - 38
	row := func(text, fwhm, centre, corner, verdict string) {
		lines := wrap(text, textWidth)
		for i, l := range lines {
			if i < len(lines)-1 {
				p.linef("  %s", l)
				continue
			}
			p.linef("  %s%s%s%s  %s", pad(l, textWidth), lead(fwhm, 8), lead(centre, 9), lead(corner, 8), verdict)
		}
	}
	row("", "arcsec", "centre", "corner", "")
	row("as it is", fixed(float64(res.Star.FWHM), 2), fixed(res.Star.Ellipticity, 3), fixed(res.StarCorner.Ellipticity, 3), "")
	for _, g := range res.Gains {
		row(g.Change, fixed(float64(g.FWHM), 2), fixed(g.Ellipticity, 3), fixed(g.EllipticityCorner, 3), g.Verdict.String())
	}
}

// weighty returns the assumed entries of the rows that weigh most, at most n,
// those that can be changed before those that cannot.
func weighty(res *plan.Result, n int) map[string]bool {
	rows := slices.Clone(res.Ledger)
	weight := func(r plan.Row) float64 {
		if res.WeakLink != nil && r.Term == *res.WeakLink {
			return 2
		}
		if r.Term == ledger.Pixels || r.Term == ledger.Diffraction {
			return 0 // exact, or as good as
		}
		return r.Share
	}
	slices.SortStableFunc(rows, func(a, b plan.Row) int { return cmp.Compare(weight(b), weight(a)) })
	out := map[string]bool{}
	for _, r := range rows {
		if r.Share < leastShare {
			continue
		}
		taken := 0
		for _, e := range r.Assumed {
			if len(out) >= n || taken >= 2 {
				break
			}
			if !out[e] {
				out[e] = true
				taken++
			}
		}
	}
	return out
}

// round writes a number to two digits.
func round(x float64) string {
	if x >= 100 {
		step := math.Pow(10, math.Floor(math.Log10(x))-1)
		return fmt.Sprintf("%.0f", math.Round(x/step)*step)
	}
	return fmt.Sprintf("%.2g", x)
}

// chance writes a probability without claiming certainty.
func chance(p float64) string {
	switch {
	case math.IsNaN(p):
		return "an unknown probability"
	case p > 0.99:
		return "a probability over 99 %"
	case p < 0.01:
		return "a probability under 1 %"
	}
	return fmt.Sprintf("a probability of %.0f %%", 100*p)
}

// date writes a date as people read it.
func date(s string) string {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return s
	}
	return t.Format("2 January 2006")
}

// position writes a place of the sky to the arcminute.
func position(ra, dec unit.Deg) string {
	if math.IsNaN(float64(ra)) || math.IsNaN(float64(dec)) {
		return "an unknown place"
	}
	m := math.Mod(math.Round(float64(ra)*40), 14400) // tenths of a minute of right ascension
	d := math.Round(math.Abs(float64(dec)) * 60)
	sign := "+"
	if dec < 0 {
		sign = "-"
	}
	return fmt.Sprintf("%02.0fh%04.1fm %s%02.0fd%02.0fm", math.Floor(m/600), math.Mod(m, 600)/10, sign, math.Floor(d/60), math.Mod(d, 60))
}

// compass names the direction of an azimuth, one of eight.
func compass(az unit.Deg) string {
	names := [...]string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}
	return names[int(math.Round(math.Mod(float64(az)+360, 360)/45))%8]
}

// TermName says what a row of a ledger is, to a person.
func TermName(t ledger.Term) string { return termNames[t] }
