package rehearsal

import (
	"math"

	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// vec is a vector in the hour-angle frame: towards the meridian, the west point
// and the north celestial pole.
type vec [3]float64

func (a vec) dot(b vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func (a vec) scaled(k float64) vec { return vec{k * a[0], k * a[1], k * a[2]} }

func (a vec) plus(b vec) vec { return vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }

func (a vec) cross(b vec) vec {
	return vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// turned returns v turned about the unit vector a in the sense in which the sky
// turns about the north celestial pole.
func (a vec) turned(v vec, angle float64) vec {
	sin, cos := math.Sincos(angle)
	return v.scaled(cos).plus(a.cross(v).scaled(sin)).plus(a.scaled(a.dot(v) * (1 - cos)))
}

// pointing is where an instrument looks and how it sits: the line of sight and
// the directions on its focal plane that were east and north on the sky when it
// was aimed.
type pointing struct{ sight, east, north vec }

// seen returns where a direction u falls on the focal plane, radians on the
// tangent plane.
func (p pointing) seen(u vec) (east, north float64) {
	w := u.dot(p.sight)
	return u.dot(p.east) / w, u.dot(p.north) / w
}

// aim is a mount that follows a target from an instant on, as its axis makes
// it, with nothing corrected.
type aim struct {
	kind   rig.MountKind
	span   *sky.Span
	lat    unit.Deg
	target sky.Direction
	start  sky.Instant
	axis   vec     // of an equatorial mount
	rate   float64 // radians a second about it
	first  pointing
	turn   float64 // of a mount without polar axis: parallactic angle at the start, radians
}

// newAim aims the mount at the target at an instant.
func newAim(kind rig.MountKind, span *sky.Span, lat unit.Deg, target sky.Direction, start sky.Instant, axis vec, ratePPM float64) *aim {
	a := &aim{kind: kind, span: span, lat: lat, target: target, start: start, axis: axis, rate: sky.EarthRateRad * (1 + 1e-6*ratePPM)}
	o := span.At(start)
	a.first = skyFrame(o.Observed(target))
	a.turn = float64(o.Observed(target).Parallactic.Rad())
	return a
}

// skyFrame returns the pointing that looks at a place with sky's east and north
// for its own.
func skyFrame(p sky.Place) pointing {
	sh, ch := math.Sincos(float64(p.HourAngle.Rad()))
	sd, cd := math.Sincos(float64(p.Dec.Rad()))
	return pointing{vec{cd * ch, cd * sh, sd}, vec{sh, -ch, 0}, vec{-sd * ch, -sd * sh, cd}}
}

// at returns where the instrument looks at an instant. An equatorial mount
// turns about its axis at its rate. One without polar axis keeps its target,
// refraction and all, and its instrument upright: the sky turns in it.
func (a *aim) at(t sky.Instant) pointing {
	if a.kind != rig.AltAzimuth {
		angle := a.rate * float64(t.Sub(a.start))
		return pointing{a.axis.turned(a.first.sight, angle), a.axis.turned(a.first.east, angle), a.axis.turned(a.first.north, angle)}
	}
	place := a.span.At(t).Observed(a.target)
	p := skyFrame(place)
	sin, cos := math.Sincos(float64(place.Parallactic.Rad()) - a.turn)
	// The instrument's north keeps its angle to the zenith, the sky's does not.
	return pointing{p.sight, p.east.scaled(cos).plus(p.north.scaled(-sin)), p.north.scaled(cos).plus(p.east.scaled(sin))}
}

// down returns gravity in the instrument at an instant, in g: sideways towards
// its east and north, and along the line of sight.
func (a *aim) down(p pointing) (east, north, along float64) {
	sin, cos := math.Sincos(float64(a.lat.Rad()))
	g := vec{-cos, 0, -sin}
	return g.dot(p.east), g.dot(p.north), g.dot(p.sight)
}

// observed returns the unit vector in which a direction is seen at an instant,
// refraction included.
func observed(o *sky.Observer, d sky.Direction) vec { return skyFrame(o.Observed(d)).sight }

// axisOf returns the axis of a mount that misses the pole: by its knobs if the
// rig knows them, otherwise by the whole error towards an hour angle.
func axisOf(r *rig.Rig, toward unit.Rad) vec {
	p := &r.Polar
	if p.Altitude.Known() && p.Azimuth.Known() {
		return vec(sky.AxisOf(sky.PolarError{Alt: p.Altitude.V, Az: p.Azimuth.V}, r.Site.Latitude.V))
	}
	off := float64(p.Error.V.Arcsec().Rad())
	sin, cos := math.Sincos(float64(toward))
	so, co := math.Sincos(off)
	return vec{so * cos, so * sin, co}
}
