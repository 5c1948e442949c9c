package web

import (
	"fmt"
	"math"
	"path"
	"slices"

	"holdfast/internal/draw"
	"holdfast/internal/fitting"
	"holdfast/internal/series"
	"holdfast/internal/star"
)

// focuserDrawing draws which way the focuser must go.
func focuserDrawing(f *fitting.Focus) string {
	if f.Used == 0 {
		return ""
	}
	return draw.Focuser{Turns: f.Turns, Distance: f.Defocus, Direction: f.Direction, There: f.Verdict == fitting.InFocus}.SVG()
}

// runDrawing draws the widths of a run against the focuser's position, or in
// their order where that is not known.
func runDrawing(f *fitting.Focus, turns bool) string {
	c := draw.Curve{Up: "half-flux diameter, px", FromZero: true, Best: math.NaN()}
	placed := true
	for _, r := range f.Frames {
		placed = placed && (r.Locked || !math.IsNaN(r.Position))
	}
	for i, r := range f.Frames {
		if math.IsNaN(float64(r.HFD)) || placed && math.IsNaN(r.Position) {
			continue
		}
		p := draw.CurvePoint{X: float64(i), Y: float64(r.HFD), Sigma: float64(r.HFDSigma), Hollow: r.Locked, Name: fmt.Sprint(i + 1)}
		if placed {
			p.X = r.Position
		}
		c.Points = append(c.Points, p)
	}
	if len(c.Points) < 3 {
		return ""
	}
	switch {
	case placed && turns:
		c.Across = "turns of the focuser, out to the right"
	case placed:
		c.Across = "focuser's position"
	default:
		c.Across, c.PointsByName, c.Line = "frame, in the order taken", true, true
	}
	c.What = fmt.Sprintf("The half-flux diameter of the stars on %d frames against %s", len(c.Points), c.Across)
	if placed && !math.IsNaN(f.BestPosition) {
		c.Best, c.BestName, c.Zone = f.BestPosition, "best "+f.Best(), f.ZoneCounts
		c.What += "; best at " + f.Best()
	}
	return c.SVG()
}

// screwsDrawing draws which screws to turn, in which order.
func screwsDrawing(s *fitting.Sight) string {
	if len(s.Screws) == 0 {
		return ""
	}
	var out draw.Screws
	for _, w := range s.Screws {
		name := "F"
		if w.Ring == "rear" {
			name = "R"
		}
		k := draw.Screw{Rear: w.Ring == "rear", Name: fmt.Sprint(name, w.Screw), Angle: w.Angle, Turns: w.Turns}
		for i, step := range s.Steps {
			if step.Ring == w.Ring && step.Screw == w.Screw && k.Order == 0 {
				k.Order = i + 1
			}
		}
		out = append(out, k)
	}
	return out.SVG()
}

// knobsDrawing draws which knob of the mount's base to turn which way.
func knobsDrawing(p *fitting.Pole) string {
	if len(p.Knobs) == 0 {
		return ""
	}
	k := draw.Knobs{Latitude: p.AxisAltitude}
	if math.Abs(math.Remainder(float64(p.AxisAzimuth), 360)) > 90 {
		k.Latitude = -k.Latitude
	}
	for _, b := range p.Knobs {
		turn := draw.KnobTurn{Way: b.Direction, By: b.Amount, Turns: b.Turns}
		if b.Knob == "altitude" {
			k.Altitude = turn
		} else {
			k.Azimuth = turn
		}
	}
	return k.SVG()
}

// foldDrawing draws the drive's error over a turn.
func foldDrawing(d *series.Drive) string {
	first := slices.IndexFunc(d.Periods, func(p series.Period) bool { return p.Axis == "ra" })
	if len(d.Folded) < 4 || first < 0 {
		return ""
	}
	turn := float64(d.Periods[first].Period)
	c := draw.Curve{Across: fmt.Sprintf("part of a turn of %.0f s", turn), Up: "error in right ascension, arcsec", Best: math.NaN(), Line: true,
		What: fmt.Sprintf("The drive's error over one turn of %.0f seconds", turn)}
	for _, f := range d.Folded {
		c.Points = append(c.Points, draw.CurvePoint{X: f.Phase, Y: float64(f.Offset), Sigma: float64(f.Sigma)})
	}
	return c.SVG()
}

// jointsDrawing draws by how much each joint gave.
func jointsDrawing(f *fitting.Flex) string {
	if len(f.Joints) == 0 {
		return ""
	}
	c := draw.Curve{Across: "joint", Up: "moved while pressed, arcsec", FromZero: true, Best: math.NaN(), PointsByName: true}
	for i, j := range f.Joints {
		c.Points = append(c.Points, draw.CurvePoint{X: float64(i), Y: float64(j.Moved), Sigma: float64(j.MovedSigma), Name: j.Joint})
		c.What += fmt.Sprintf("%s moved %.1f arcseconds. ", j.Joint, float64(j.Moved))
	}
	return c.SVG()
}

// setsDrawing draws how far out of round two sets of subs are.
func setsDrawing(usual, changed []star.Frame) string {
	c := draw.Curve{Across: "sub: filled as usual, hollow changed", Up: "out of round", FromZero: true, Best: math.NaN(), PointsByName: true,
		What: fmt.Sprintf("How far out of round each of %d usual and %d changed subs is", len(usual), len(changed))}
	for i, f := range append(usual[:len(usual):len(usual)], changed...) {
		if math.IsNaN(f.Ellipticity) {
			continue
		}
		name := path.Base(f.File)
		if len(name) > 9 {
			name = fmt.Sprint(i + 1)
		}
		c.Points = append(c.Points, draw.CurvePoint{X: float64(i), Y: f.Ellipticity, Sigma: f.EllipticitySigma, Hollow: i >= len(usual), Name: name})
	}
	return c.SVG()
}
