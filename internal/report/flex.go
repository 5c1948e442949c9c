package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/fitting"
)

// FlexCautions returns what to mind while looking for what bends.
func FlexCautions(f *fitting.Flex) []Caution {
	if f.Verdict != fitting.Bends {
		return nil
	}
	out := []Caution{{Text: "Never have all screws of a ring loose at once, and never the shoe's with the guide telescope over something that can break: support it and tether it first."}}
	if f.Way == "pressed" {
		out = append(out, Caution{Text: "Press gently, with the tube supported and clear of the motors; hands off before the mount slews."})
	}
	return out
}

// Flex writes how two telescopes move against each other for a person.
func Flex(w io.Writer, f *fitting.Flex, n Notes, s Style) error {
	p := newPage(s)
	p.para(p.bold(strings.ToUpper(f.Verdict))+"  ", upper(f.Why)+".")
	if len(f.Joints) > 0 {
		p.gap()
		p.linef("  %s%s%s   %s", pad("joint", 22), lead("moved, \"", 16), lead("stayed, \"", 16), "")
		for _, j := range f.Joints {
			p.linef("  %s%s%s", pad(clip(j.Joint, 21), 22), lead(spreadOf(float64(j.Moved), float64(j.MovedSigma)), 16), lead(spreadOf(float64(j.Stayed), float64(j.StayedSigma)), 16))
			p.para("    ", j.Says)
		}
		p.notes(n)
		return p.flush(w)
	}
	p.head("What was measured", "")
	told := func(label string, v, se float64, rest, unknown string) {
		switch {
		case math.IsNaN(v):
			p.field(label, "not known: "+unknown)
		case math.Abs(v) < 2*se:
			p.field(label, fmt.Sprintf("%s %s: no more than %.2g", spreadOf(v, se), rest, math.Abs(v)+2*se))
		default:
			p.field(label, spreadOf(v, se)+" "+rest)
		}
	}
	if !math.IsNaN(f.Drift) {
		p.field("drift", fmt.Sprintf("%s arcsec an hour through these frames, stars moving towards position angle %.0f on the imaging camera", spreadOf(f.Drift, f.DriftSigma), float64(f.DriftAngle)))
	}
	told("sideways", f.Lateral, f.LateralSigma, "arcsec per g across the tube (positive: the guide telescope sinks more)", "it takes pairs at places of the sky that differ, hours apart")
	if u := f.Uneven; u != nil {
		p.field("", fmt.Sprintf("not the same in all directions; along the imaging camera's x and y: %.1f, %.1f; %.1f, %.1f arcsec per g", u.XX, u.XY, u.YX, u.YY))
	}
	told("lengthwise", f.Axial, f.AxialSigma, "arcsec per g along the tube", "it takes pairs before and after a flip")
	told("creep", f.Creep, f.CreepSigma, "arcsec an hour that gravity does not explain (slip, heat, a cable)", "it takes longer")
	if !math.IsNaN(f.Turn) && math.Abs(f.Turn) > 0.05 {
		p.field("the field", fmt.Sprintf("turns by %.1f arcmin an hour (polar axis); that is not flexure and is taken out", math.Abs(f.Turn)))
	}
	p.field("fit", fmt.Sprintf("leaves %.1f arcsec; refraction is computed and taken out", float64(f.RMS)))
	if len(f.OnIt) > 0 {
		note := ""
		if !math.IsNaN(float64(f.FWHM)) {
			note = fmt.Sprintf("stars %.1f arcsec wide", float64(f.FWHM))
		}
		p.head("On "+f.Target, note)
		p.linef("  %s%s%s%s", lead("hour angle", 10), lead("altitude", 10), lead("arcsec an hour", 18), lead("a sub stays round for", 24))
		for _, o := range f.OnIt {
			up := fmt.Sprintf("%.0f", float64(o.Altitude))
			if o.Flipped {
				up += " *"
			}
			p.linef("  %s%s%s%s", lead(fmt.Sprintf("%+.1f h", float64(o.HourAngle)), 10), lead(up, 10), lead(spreadOf(o.DriftArcsecHr, o.DriftSigma), 18), lead(roundSub(o), 24))
		}
		for _, o := range f.OnIt {
			if o.Flipped {
				p.linef("  * flipped against the first frame, as the frames there were")
				break
			}
		}
	}
	if len(f.Learned) > 0 {
		p.head("For the rig file", "if this is how it always is")
		for _, l := range f.Learned {
			p.linef("  %s = %q", l.Entry, l.Value)
		}
	}
	used, shown := 0, 0
	for _, k := range f.Pairs {
		if k.Used {
			used++
		}
	}
	if used <= 12 || s.All {
		p.gap()
		p.linef("  %s%s%s%s%s%s", pad("imaging frame", 24), lead("HA, h", 9), lead("Dec", 9), lead("up", 6), lead("x, y, \"", 17), lead("left, \"", 13))
		for _, k := range f.Pairs {
			if k.Used {
				p.linef("  %s%s%s%s%s%s", pad(clip(base(k.Imaging), 23), 24), lead(fixed(float64(k.HourAngle), 2), 9), lead(fixed(float64(k.Dec), 2), 9), lead(fixed(float64(k.Altitude), 0), 6),
					lead(fmt.Sprintf("%.1f, %.1f", float64(k.X), float64(k.Y)), 17), lead(fmt.Sprintf("%.1f, %.1f", float64(k.LeftX), float64(k.LeftY)), 13))
			}
		}
	}
	left := 0
	for _, k := range f.Pairs {
		if k.Used {
			continue
		}
		if left++; left <= 3 || s.All {
			shown++
			p.field("left out", k.Why)
		}
	}
	if left > shown {
		p.field("", fmt.Sprintf("and %d more; --assumed lists them all", left-shown))
	}
	p.assumed(n, func(Assumed) bool { return true })
	p.notes(n)
	return p.flush(w)
}

// roundSub says how long a sub stays round.
func roundSub(o fitting.FlexDrift) string {
	l, worst := float64(o.LongestRound), float64(o.RoundAtWorst)
	switch {
	case math.IsNaN(l):
		return "-"
	case o.DriftArcsecHr < 2*o.DriftSigma:
		return "at least " + o.RoundAtWorst.Say()
	case worst < 0.8*l:
		return fmt.Sprintf("%s (%s)", o.LongestRound.Say(), o.RoundAtWorst.Say())
	}
	return o.LongestRound.Say()
}
