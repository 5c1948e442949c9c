package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/fitting"
	"holdfast/internal/unit"
)

// PoleCautions returns what to mind while the base of a mount is turned.
func PoleCautions(f *fitting.Pole, sunApart unit.Deg) []Caution {
	out := SunCautions(sunApart)
	if len(f.Knobs) == 0 {
		return out
	}
	for _, k := range f.Knobs {
		if k.Knob == "altitude" {
			out = append(out, Caution{Text: "The altitude screw carries telescope and weights: loosen its lock only as far as it needs, never take the screw out under load, hold the telescope when lowering, and keep fingers out of the wedge. A large telescope on a wedge wants two people."})
		}
	}
	return append(out, Caution{Text: "Tighten the locks before you believe the answer: they move the axis. Then take two frames again and see."},
		Caution{Text: "Watch tripod and cables while the base turns, and keep every telescope, the small ones too, away from the Sun."})
}

// Pole writes where the polar axis of a mount points for a person.
func Pole(w io.Writer, f *fitting.Pole, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	p.para(p.bold(strings.ToUpper(f.Verdict))+"  ", upper(f.Why)+".")
	if len(f.Knobs) > 0 {
		title := "Turn"
		if f.Matters != nil && !*f.Matters {
			title = "To turn it all the same"
		}
		p.head(title, "")
		for i, k := range f.Knobs {
			p.para(fmt.Sprintf("  %d  ", i+1), k.Do)
		}
		if e, no := float64(f.Shift.East), float64(f.Shift.North); !math.IsNaN(e) {
			p.para("  -  ", fmt.Sprintf("the field of the last frame then moves %s and %s: if it goes another way, turn back", way(e, "east", "west"), way(no, "north", "south")))
		}
	}
	p.head("What was measured", "")
	p.field("the axis", fmt.Sprintf("%.2f degrees up, azimuth %.2f; the pole as refraction shows it is %.1f arcmin above the true one, and the axis %.1f from there",
		float64(f.AxisAltitude), float64(f.AxisAzimuth), float64(f.Refracted), float64(f.OffRefracted)))
	p.field("drift", fmt.Sprintf("up to %.1f arcsec a minute in declination where nothing corrects", f.DecDrift))
	for _, l := range []struct {
		label string
		a     *fitting.Axis
	}{{"by place", f.ByCentre}, {"by turn", f.ByTurn}} {
		if l.a != nil {
			p.field(l.label, fmt.Sprintf("altitude %s arcmin, azimuth on the sky %s", spreadOf(float64(l.a.Altitude), float64(l.a.AltitudeSigma)), spreadOf(float64(l.a.AzimuthSky), float64(l.a.SkySigma))))
		}
	}
	switch {
	case f.Agree == nil:
	case *f.Agree:
		p.field("they agree", "where the frames point and how the field turns say the same within their errors")
	default:
		p.field("they differ", "where the frames point and how the field turns say different things: something moved that the axis did not turn (declination clamp, camera, correction)")
	}
	if !math.IsNaN(f.FlexurePull) {
		p.field("not in it", fmt.Sprintf("refraction is computed and taken out; a telescope that sags cannot be told from an axis that is %s: by %.2f arcmin for every 10 arcsec per g at this declination, by nothing at the celestial equator", lower(f.FlexurePull), math.Abs(10*f.FlexurePull)))
	}
	if !math.IsNaN(float64(f.Span)) {
		p.field("frames", fmt.Sprintf("%d used, over %.0f degrees of the axis; the fit leaves %.1f arcsec along the hour circle and %.2f arcmin in the field's turn", used(f), float64(f.Span), float64(f.RMSNorth), float64(f.RMSTurn)))
	}
	if len(f.Frames) > 0 && (len(f.Frames) <= 12 || s.All) {
		p.gap()
		p.linef("  %s%s%s%s%s%s", pad("frame", 26), lead("HA, h", 9), lead("Dec", 9), lead("up", 7), lead("north, \"", 12), lead("turn, '", 11))
		for _, k := range f.Frames {
			if k.Used {
				p.linef("  %s%s%s%s%s%s", pad(clip(base(k.File), 25), 26), lead(fixed(float64(k.HourAngle), 2), 9), lead(fixed(float64(k.Dec), 2), 9), lead(fixed(float64(k.Altitude), 0), 7), lead(fixed(float64(k.North), 1), 12), lead(fixed(float64(k.Turn), 2), 11))
			}
		}
	}
	left := 0
	for _, k := range f.Frames {
		if k.Used {
			continue
		}
		if left++; left <= 3 || s.All {
			p.field("left out", base(k.File)+": "+k.Why)
		}
	}
	if left > 3 && !s.All {
		p.field("", fmt.Sprintf("and %d more; --assumed lists them all", left-3))
	}
	p.assumed(n, func(Assumed) bool { return true })
	p.notes(n)
	return p.flush(w)
}

// lower names the sense of a pull.
func lower(v float64) string {
	if v < 0 {
		return "too high"
	}
	return "too low"
}

// used counts the frames that entered the fit.
func used(f *fitting.Pole) int {
	n := 0
	for _, k := range f.Frames {
		if k.Used {
			n++
		}
	}
	return n
}

// way says a signed number of arcminutes with its direction.
func way(v float64, plus, minus string) string {
	if v < 0 {
		v, plus = -v, minus
	}
	return fmt.Sprintf("%.1f arcmin %s", v, plus)
}

// base returns the last part of a path.
func base(path string) string {
	if i := strings.LastIndexAny(path, `/\\`); i >= 0 {
		return path[i+1:]
	}
	return path
}
