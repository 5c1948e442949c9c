package optics

import (
	"math"

	"holdfast/internal/unit"
)

// PickOff is a prism (or mirror) at the edge of the imaging telescope's beam
// that sends part of the field to a guide camera.
type PickOff struct {
	Beam      Beam
	Width     unit.MM  // of the prism across, tangential
	Height    unit.MM  // radial
	OffAxis   unit.MM  // from the optical axis to the prism's centre
	ToImaging unit.MM  // from the prism to the imaging sensor along the light
	Angle     unit.Deg // direction of the prism from the axis, from the imaging sensor's +x towards +y
}

func (p PickOff) valid() bool {
	return p.Beam.valid(p.ToImaging) && !bad(float64(p.Width), float64(p.Height), float64(p.OffAxis))
}

// Shadow returns the fraction of the light that the prism takes from a star
// whose image lies at x, y on the imaging sensor, measured from the axis, 0 to 1.
// The prism's stem, as wide as the prism, is taken to reach outward without end.
// NaN unless the distances and sizes are positive and the prism lies between
// exit pupil and sensor.
//
// Source: the star's beam is a circle of diameter distance/n at the prism,
// centred on the line to the exit pupil's centre; overlap of circle and
// rectangle, exact.
func (p PickOff) Shadow(x, y unit.MM) float64 {
	if !p.valid() {
		return math.NaN()
	}
	r, shrink := p.Beam.footprint(p.ToImaging)
	sin, cos := math.Sincos(float64(p.Angle.Rad()))
	radial := (float64(x)*cos + float64(y)*sin) * shrink
	across := (float64(y)*cos - float64(x)*sin) * shrink
	inner, half := float64(p.OffAxis-p.Height/2), float64(p.Width)/2
	if r == 0 {
		if radial >= inner && math.Abs(across) <= half {
			return 1
		}
		return 0
	}
	hole := r * p.Beam.Obstruction
	taken := circleRect(r, inner-radial, math.Inf(1), -half-across, half-across) -
		circleRect(hole, inner-radial, math.Inf(1), -half-across, half-across)
	return taken / (math.Pi * (r*r - hole*hole))
}

// Shade says how much of the imaging sensor the prism darkens.
type Shade struct {
	Worst     float64 // largest fraction of light lost anywhere on the sensor
	X, Y      unit.MM // where, from the sensor's centre
	Corner    float64 // largest fraction lost in one of the four corners
	Clearance unit.MM // from the sensor's light to the prism's inner edge, measured in the prism's plane along its direction; negative where they overlap
}

// Shade returns the shadow on an imaging sensor of the given sides centred on
// the axis. Clearance counts the reach of the light in the prism's direction,
// whether or not the prism is wide enough to meet it, so a negative clearance
// may go with no shadow. NaN as for Shadow or if a side is not positive. The
// worst place lies on the edge and is found on a grid of 256 steps a side.
//
// Source: as Shadow.
func (p PickOff) Shade(width, height unit.MM) Shade {
	nan := math.NaN()
	if !p.valid() || bad(float64(width), float64(height)) {
		return Shade{Worst: nan, X: unit.MM(nan), Y: unit.MM(nan), Corner: nan, Clearance: unit.MM(nan)}
	}
	var s Shade
	const steps = 256
	try := func(x, y unit.MM, corner bool) {
		lost := p.Shadow(x, y)
		if lost > s.Worst {
			s.Worst, s.X, s.Y = lost, x, y
		}
		if corner {
			s.Corner = max(s.Corner, lost)
		}
	}
	for i := 0; i <= steps; i++ {
		f := float64(i)/steps - 0.5
		end := i == 0 || i == steps
		try(unit.MM(f)*width, -height/2, end)
		try(unit.MM(f)*width, height/2, end)
		try(-width/2, unit.MM(f)*height, false)
		try(width/2, unit.MM(f)*height, false)
	}
	r, shrink := p.Beam.footprint(p.ToImaging)
	sin, cos := math.Sincos(float64(p.Angle.Rad()))
	reach := (math.Abs(cos)*float64(width)+math.Abs(sin)*float64(height))/2*shrink + r
	s.Clearance = unit.MM(float64(p.OffAxis-p.Height/2) - reach)
	return s
}

// GuideDistance returns how far along the light from the prism the guide sensor
// must sit to be in focus together with the imaging sensor: the prism's distance
// to the imaging sensor, less the focus shift of glass that only the imaging
// light passes (a filter behind the prism holds the imaging sensor farther back
// by that much), plus that of glass that only the guide light passes (the prism
// itself apart, whose path belongs to its maker's distance). Glass in front of
// the prism shifts both alike and does not count. NaN if the prism's distance is
// not positive or a shift is negative.
//
// Source: both sensors lie in the same focal surface; see GlassShift.
func (p PickOff) GuideDistance(imagingShift, guideShift unit.MM) unit.MM {
	if bad(float64(p.ToImaging)) || !(imagingShift >= 0) || !(guideShift >= 0) {
		return unit.MM(math.NaN())
	}
	return p.ToImaging - imagingShift + guideShift
}

// PickOffField is the patch of sky a pick-off shows to its guide camera.
type PickOffField struct {
	Centre   unit.Deg // from the optical axis to the middle of the patch
	Width    unit.Deg // tangential
	Height   unit.Deg // radial
	AreaDeg2 float64  // of sky on the guide sensor that gets half of its light or more
	FullDeg2 float64  // the part of it that gets all of its light
	Outer    unit.MM  // greatest height from the axis of the patch in the focal plane
	Faintest float64  // share of its light that the dimmest corner of the patch gets
}

// Field returns what a guide sensor of the given sides, centred behind the prism
// with its width tangential, sees through it at the given focal length. The
// prism is the field stop: a star whose image falls on the line from the pupil
// through the prism's edge keeps half of its light, so the patch is the sensor
// cut to that outline. Stars lose nothing while their whole beam, distance/n
// wide, meets the prism. NaN as for Shadow or if a length is not positive.
//
// Source: as Shadow; small-angle areas, (length/F)^2.
func (p PickOff) Field(focal, width, height unit.MM) PickOffField {
	nan := math.NaN()
	if !p.valid() || bad(float64(focal), float64(width), float64(height)) {
		return PickOffField{unit.Deg(nan), unit.Deg(nan), unit.Deg(nan), nan, nan, unit.MM(nan), nan}
	}
	r, shrink := p.Beam.footprint(p.ToImaging)
	w := min(float64(width), float64(p.Width)/shrink)
	h := min(float64(height), float64(p.Height)/shrink)
	fullW := min(w, max(0, float64(p.Width)-2*r)/shrink)
	fullH := min(h, max(0, float64(p.Height)-2*r)/shrink)
	deg2 := math.Pow(180/math.Pi/float64(focal), 2)
	centre := float64(p.OffAxis) / shrink
	f := PickOffField{
		Centre:   unit.Rad(math.Atan(centre / float64(focal))).Deg(),
		Width:    FieldOfView(unit.MM(w), focal),
		Height:   FieldOfView(unit.MM(h), focal),
		AreaDeg2: w * h * deg2,
		FullDeg2: fullW * fullH * deg2,
		Outer:    unit.MM(math.Hypot(centre+h/2, w/2)),
	}
	f.Faintest = p.GuideLight(unit.MM(w/2), unit.MM(h/2))
	return f
}

// GuideLight returns the fraction of its light that a star keeps whose image
// falls on the guide sensor at the given distances, tangential and radial, from
// the middle of the patch, 0 to 1. NaN as for Shadow.
//
// Source: as Shadow.
func (p PickOff) GuideLight(across, radial unit.MM) float64 {
	if !p.valid() {
		return math.NaN()
	}
	r, shrink := p.Beam.footprint(p.ToImaging)
	u, v := float64(across)*shrink, float64(radial)*shrink
	hw, hh := float64(p.Width)/2, float64(p.Height)/2
	if r == 0 {
		if math.Abs(u) <= hw && math.Abs(v) <= hh {
			return 1
		}
		return 0
	}
	hole := r * p.Beam.Obstruction
	kept := circleRect(r, -hw-u, hw-u, -hh-v, hh-v) - circleRect(hole, -hw-u, hw-u, -hh-v, hh-v)
	return kept / (math.Pi * (r*r - hole*hole))
}

// Lit reports whether the whole patch lies inside the circle of the given
// diameter that the telescope lights up in its focal plane.
func (f PickOffField) Lit(circle unit.MM) bool { return f.Outer <= circle/2 }
