package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/ledger"
	"holdfast/internal/proof"
)

// Proof writes what a night's subs say for a person: one screen, or with s.All
// every cause and every sub.
func Proof(w io.Writer, r *proof.Result, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	p.para("", r.Sentence)
	p.gap()
	if r.Judged > 0 {
		text := func(k proof.Star) string {
			t := fmt.Sprintf("%.2f arcsec, %.2f longer than wide", float64(k.FWHM), k.Ellipticity)
			if !math.IsNaN(float64(k.PA)) && k.Ellipticity >= 0.03 {
				t += fmt.Sprintf(" along %.0f deg (north through east)", float64(k.PA))
			}
			return t
		}
		p.field("star", fmt.Sprintf("%s: %s", p.bold(r.Verdict.String()), text(r.Star)))
		p.field("corner", text(r.StarCorner))
		p.field("within goal", fmt.Sprintf("%d of %d subs", r.Within, r.Judged))
		p.proofLedger(r)
	}
	shown := 0
	var least []string
	if len(r.Causes) > 0 {
		p.head("Causes", "")
	}
	for i := range r.Causes {
		c := &r.Causes[i]
		if !s.All && (shown == 3 || shown > 0 && c.Probability < 0.02) {
			break
		}
		if s.All && shown > 0 && c.Probability < 0.005 {
			least = append(least, strings.ReplaceAll(string(c.Cause), "_", " "))
			continue
		}
		shown++
		name := strings.ReplaceAll(string(c.Cause), "_", " ")
		p.para(fmt.Sprintf("  %3.0f %%  ", 100*c.Probability), upper(name)+": "+c.Cause.Name()+".")
		if len(c.Equivalent) > 0 {
			var same []string
			for _, k := range c.Equivalent {
				same = append(same, strings.ReplaceAll(string(k), "_", " "))
			}
			p.para("         ", "This evidence cannot tell it from "+strings.Join(same, " and ")+".")
		}
		most := 2
		if s.All {
			most = 9
		}
		for k, t := range c.For {
			if k < most {
				p.para("         for      ", t)
			}
		}
		for k, t := range c.Against {
			if k < most-1 {
				p.para("         against  ", t)
			}
		}
	}
	if len(least) > 0 {
		p.para("  below half a percent  ", strings.Join(least, ", "))
	}
	if len(r.Causes) > 0 {
		c := &r.Causes[0]
		if c.Cause != proof.None {
			p.gap()
			p.para("  next test      ", c.NextTest)
			p.para("  change first   ", c.Remedy)
			if g := c.Gain; g != nil {
				p.para("  which gains    ", fmt.Sprintf("%.2f arcsec and %.2f longer than wide; %d of %d subs within the goal", float64(g.FWHM), g.Ellipticity, g.Kept, r.Judged))
			}
		}
	}
	if len(r.Missing) > 0 {
		p.gap()
		for _, m := range r.Missing {
			p.para("  missing        ", upper(m)+".")
		}
	}
	if s.All {
		p.proofSubs(r)
		if len(r.Learned) > 0 {
			p.head("Learned", "as rig entries")
			for _, l := range r.Learned {
				p.linef("  %s %s", pad(l.Entry, 30), l.Value)
			}
		}
		p.gap()
		p.linef("  The likeliest explanation leaves a chi-square of %.0f over %d numbers.", r.Chi2, r.Points)
	}
	p.notes(n)
	return p.flush(w)
}

// proofLedger lists the rows that were told, beside what was planned.
func (p *page) proofLedger(r *proof.Result) {
	planned := false
	for i := range r.Ledger {
		planned = planned || !math.IsNaN(float64(r.Ledger[i].PlannedEast))
	}
	p.head("The ledger as measured", "one-sigma widths, arcsec")
	head := ""
	if planned {
		head = lead("planned", 13)
	}
	p.linef("  %s%s%s%s%s", pad("", 18), lead("east", 7), lead("north", 7), lead("share", 7), head)
	var open []string
	for i := range r.Ledger {
		row := &r.Ledger[i]
		if math.IsNaN(float64(row.East)) {
			open = append(open, strings.ReplaceAll(string(row.Term), "_", " "))
			continue
		}
		if !p.style.All && row.Share < 0.01 && row.Term != ledger.Tracking && row.Term != ledger.Flexure {
			continue
		}
		first := "  " + pad(strings.ReplaceAll(string(row.Term), "_", " "), 18) + lead(fixed(float64(row.East), 2), 7) + lead(fixed(float64(row.North), 2), 7) + lead(fixed(100*row.Share, 0)+" %", 7)
		if planned {
			first += lead(fixed(float64(row.PlannedEast), 2)+" "+fixed(float64(row.PlannedNorth), 2), 13)
		}
		p.para(first+"  ", row.Why)
	}
	if len(open) > 0 {
		p.para("  not told  ", strings.Join(open, ", "))
	}
}

// proofSubs lists the subs.
func (p *page) proofSubs(r *proof.Result) {
	p.head("Subs", "arcsec; dimming in magnitudes")
	p.linef("  %s%s%s%s%s%s%s%s", pad("", 18), lead("FWHM", 7), lead("ellip", 7), lead("corner", 8), lead("east", 8), lead("north", 8), lead("guide", 12), lead("dim", 6))
	for i := range r.Subs {
		k := &r.Subs[i]
		p.linef("  %s%s%s%s%s%s%s%s", pad(shortName(k.File), 18), lead(fixed(float64(k.Star.FWHM), 2), 7), lead(fixed(k.Star.Ellipticity, 3), 7), lead(fixed(k.Corner.Ellipticity, 3), 8),
			lead(fixed(float64(k.East), 1), 8), lead(fixed(float64(k.North), 1), 8), lead(fixed(float64(k.GuideEast), 2)+" "+fixed(float64(k.GuideNorth), 2), 12), lead(fixed(float64(k.Dimming), 2), 6))
	}
}
