package draw

import (
	"math"
	"path/filepath"
	"time"

	"holdfast/internal/plan"
	"holdfast/internal/proof"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// How many pixels a star is drawn on, at least and at most.
const (
	fewestPixels = 15
	mostPixels   = 45
)

// StarsOf returns the drawings of a plan's stars at the centre and in the corner,
// both on as many pixels as show them whole.
func StarsOf(p *plan.Result) (centre, corner Star) {
	side := fewestPixels
	for _, st := range []plan.Star{p.Star, p.StarCorner} {
		side = max(side, int(4*float64(p.ImageScale.Px(st.FWHMMajor)))|1)
	}
	side = min(side, mostPixels)
	ellipse := func(st plan.Star) Ellipse { return Ellipse{st.FWHMMajor, st.FWHMMinor, st.PA} }
	centre = Star{Pixels: p.Centre.Image(side, side, p.ImageScale, 0), Side: side, Scale: p.ImageScale, What: "at the centre", Planned: ellipse(p.Star)}
	corner = Star{Pixels: p.Corner.Image(side, side, p.ImageScale, 0), Side: side, Scale: p.ImageScale, What: "in the corner", Planned: ellipse(p.StarCorner)}
	return centre, corner
}

// BandOf returns the drawing of a plan's night.
func BandOf(r *rig.Rig, p *plan.Result) Band {
	b := Band{Target: p.Target.Name, DarkFrom: p.Night.DarkFrom, DarkTo: p.Night.DarkTo, Flip: p.Night.Flip, Best: p.Best.UTC, Offset: p.Night.UTCOffset, Horizon: r.Site.Horizon.V}
	for _, h := range p.Hours {
		b.Hours = append(b.Hours, Hour{At: h.UTC, Altitude: h.Altitude, FWHM: h.Star.FWHM})
	}
	return b
}

// PathOf returns the drawing of a guide telescope's light path with one of the
// stacks that reach focus; where none does, with none and the focuser half way.
func PathOf(r *rig.Rig, p *plan.Path, stack int) LightPath {
	g := &r.Guide
	l := LightPath{Aperture: g.Aperture.V, Focal: g.Focal.V, BackFocus: g.BackFocus.V, Glass: p.Glass, Travel: g.Focuser.Travel.V,
		Flange: g.Camera.Flange.V, Sensor: side(&g.Camera, g.Camera.Height.V), Out: g.Focuser.Travel.V / 2, Turns: p.TravelTurn / 2}
	if len(p.Stacks) > 0 {
		k := p.Stacks[min(max(stack, 0), len(p.Stacks)-1)]
		l.Spacers, l.Out, l.Turns, l.Slide = k.Spacers, k.FocuserOut, k.Turns, k.Slide
	}
	return l
}

// ShoeOf returns the drawing of a guide telescope's holder.
func ShoeOf(r *rig.Rig, p *plan.Path) Shoe {
	return Shoe{Screws: int(r.Guide.Shoe.Screws.V), PerTurn: p.TiltPerKey}
}

// PickOffOf returns the drawing of a pick-off prism.
func PickOffOf(r *rig.Rig, p *plan.Path) PickOff {
	c, g := &r.Imaging.Camera, &r.Guide.Prism
	o := PickOff{SensorWidth: side(c, c.Width.V), SensorHeight: side(c, c.Height.V), PrismWidth: g.Width.V, PrismHeight: g.Height.V, OffAxis: g.OffAxis.V, Angle: g.Angle.V}
	if p.PickOff != nil {
		for _, turn := range p.PickOff.Angles {
			o.Stars = append(o.Stars, turn.Angle)
		}
	}
	return o
}

// side returns the length of so many unbinned pixels of a camera.
func side(c *rig.Camera, n unit.Px) unit.MM { return unit.MM(float64(c.Pixel.V.MM()) * float64(n)) }

// NightOf returns the strip of a proof's subs.
func NightOf(r *proof.Result) Night {
	n := Night{Unit: "″", GoalEllipticity: r.Goal.Ellipticity, GoalFWHM: math.NaN()}
	for _, sub := range r.Subs {
		d := Sub{Name: filepath.Base(sub.File), FWHM: float64(sub.Star.FWHM), Ellipticity: sub.Star.Ellipticity, PA: float64(sub.Star.PA), Within: sub.WithinGoal}
		if at, err := time.Parse(time.RFC3339Nano, sub.Start); err == nil {
			d.Start = at
		}
		n.Subs = append(n.Subs, d)
	}
	return n
}
