package fitting

import (
	"math"

	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/unit"
)

// vec is a vector in the hour-angle frame, or in a camera's: towards its +x, its
// +y and the sky.
type vec [3]float64

func (a vec) dot(b vec) float64   { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a vec) times(k float64) vec { return vec{k * a[0], k * a[1], k * a[2]} }
func (a vec) plus(b vec) vec      { return vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func (a vec) minus(b vec) vec     { return vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }
func (a vec) length() float64     { return math.Sqrt(a.dot(a)) }
func (a vec) normal() vec         { return a.times(1 / a.length()) }
func (a vec) cross(b vec) vec {
	return vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}
func (a vec) apart(b vec) unit.Rad { return unit.Rad(math.Atan2(a.cross(b).length(), a.dot(b))) }

// about returns v turned about the unit vector a; with the north celestial pole
// for a in the sense of growing hour angle.
//
// Source: Rodrigues' rotation formula.
func (a vec) about(v vec, angle unit.Rad) vec {
	sin, cos := math.Sincos(float64(angle))
	return v.times(cos).plus(a.cross(v).times(sin)).plus(a.times(a.dot(v) * (1 - cos)))
}

// beside returns a unit vector at right angles to the unit vector a.
func (a vec) beside() vec {
	b := vec{0, 0, 1}
	if math.Abs(a[2]) > 0.9 {
		b = vec{0, 1, 0}
	}
	return b.cross(a).normal()
}

// attitude is a rotation by its columns: where a camera's +x, +y and line of
// sight point in the hour-angle frame. A mirrored camera has its x turned round,
// so that every attitude is a proper rotation.
type attitude [3]vec

func (a attitude) sight() vec { return a[2] }

// of returns the vector that has the coordinates v in the camera.
func (a attitude) of(v vec) vec {
	return a[0].times(v[0]).plus(a[1].times(v[1])).plus(a[2].times(v[2]))
}

// in returns the coordinates of v in the camera.
func (a attitude) in(v vec) vec { return vec{a[0].dot(v), a[1].dot(v), a[2].dot(v)} }

// turned returns the attitude after a turn about a unit vector.
func (a attitude) turned(axis vec, angle unit.Rad) attitude {
	return attitude{axis.about(a[0], angle), axis.about(a[1], angle), axis.about(a[2], angle)}
}

// kicked returns the attitude after a small or large turn given as its vector,
// radians.
func (a attitude) kicked(v vec) attitude {
	l := v.length()
	if l == 0 {
		return a
	}
	b := a.turned(v.times(1/l), unit.Rad(l))
	// Many turns on, the columns would drift from being at right angles.
	b[2] = b[2].normal()
	b[0] = b[0].minus(b[2].times(b[0].dot(b[2]))).normal()
	b[1] = b[2].cross(b[0])
	return b
}

// from returns the turn that leads from the attitude b to a as its vector,
// radians, shorter than half a circle.
func (a attitude) from(b attitude) vec {
	// The axial part of a b' is 2 sin(angle) axis, its trace 1 + 2 cos(angle).
	axial, trace := vec{}, 0.0
	for i := range 3 {
		axial = axial.plus(b[i].cross(a[i]))
		trace += a[i].dot(b[i])
	}
	sin2 := axial.length()
	angle := math.Atan2(sin2, trace-1)
	if sin2 < 1e-12 {
		return axial.times(0.5)
	}
	return axial.times(angle / sin2)
}

// turnAbout returns the angle about the unit vector n by which b must be turned
// to come nearest to a.
//
// Source: the trace of a (R b)' is largest there.
func (a attitude) turnAbout(b attitude, n vec) unit.Rad {
	sin, cos := 0.0, 0.0
	for i := range 3 {
		sin += n.dot(b[i].cross(a[i]))
		cos += a[i].dot(b[i]) - n.dot(a[i])*n.dot(b[i])
	}
	return unit.Rad(math.Atan2(sin, cos))
}

// seenAt returns the unit vector in which a direction is seen, refraction and
// all that moves the stars included, in the hour-angle frame.
func seenAt(o *sky.Observer, d sky.Direction) vec {
	p := o.Observed(d)
	return hourVec(p.HourAngle, p.Dec)
}

// hourVec returns the unit vector of an hour angle and declination.
func hourVec(h unit.Hour, d unit.Deg) vec {
	sh, ch := math.Sincos(float64(h.Rad()))
	sd, cd := math.Sincos(float64(d.Rad()))
	return vec{cd * ch, cd * sh, sd}
}

// hourOf returns hour angle (-12 to 12) and declination of a vector.
func hourOf(v vec) (unit.Hour, unit.Deg) {
	return unit.Rad(math.Atan2(v[1], v[0])).Hour(), unit.Rad(math.Atan2(v[2], math.Hypot(v[0], v[1]))).Deg()
}

// ringPoints is how many places of a frame its attitude is read from.
const ringPoints = 12

// attitudeOf returns how the camera of a solved frame sits as the stars are
// seen at an instant, and whether the frame is mirrored. Refraction squeezes a
// field and so do its optics; the turn is that of the polar decomposition, which
// a squeeze does not change because it is read on a circle about the middle.
func attitudeOf(o *sky.Observer, w *solve.WCS, width, height unit.Px) (a attitude, mirrored bool) {
	cx, cy := float64(width-1)/2, float64(height-1)/2
	r := 0.4 * float64(min(width, height))
	sight := seenAt(o, w.Sky(unit.Px(cx), unit.Px(cy)))
	p := sight.beside()
	q := sight.cross(p) // p, q, sight is a proper basis
	var j [2][2]float64 // of p and q with x and y
	for k := range ringPoints {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / ringPoints)
		d := seenAt(o, w.Sky(unit.Px(cx+r*cos), unit.Px(cy+r*sin)))
		d = d.times(1 / d.dot(sight))
		j[0][0] += d.dot(p) * cos
		j[0][1] += d.dot(p) * sin
		j[1][0] += d.dot(q) * cos
		j[1][1] += d.dot(q) * sin
	}
	if mirrored = j[0][0]*j[1][1]-j[0][1]*j[1][0] < 0; mirrored {
		j[0][0], j[1][0] = -j[0][0], -j[1][0]
	}
	turn := math.Atan2(j[1][0]-j[0][1], j[0][0]+j[1][1])
	sin, cos := math.Sincos(turn)
	return attitude{p.times(cos).plus(q.times(sin)), q.times(cos).minus(p.times(sin)), sight}, mirrored
}

// SolvedFrame is a frame with its plate solution.
type SolvedFrame struct {
	File          string
	Time          sky.Instant // middle of the exposure
	WCS           *solve.WCS
	Width, Height unit.Px
	Matched       int         // stars of the solution; 0 not known
	RMS           unit.Arcsec // of their distances along one axis; 0 or NaN not known
	FWHM          unit.Arcsec // of its stars; NaN not known
}

// What a solution cannot know of itself: how far the air moves all stars of a
// frame together, and the stars' own motion since the catalogue. Common
// practice, no source.
const (
	sightFloor unit.Arcsec = 0.3
	unknownRMS unit.Arcsec = 1 // where a solution does not state its own
)

// doubt returns the standard errors of where a solved frame points, along one
// axis, and of its turn.
//
// Source: rms over the root of the number of stars; a turn moves a star by its
// distance from the middle, whose mean square over the frame is (w^2+h^2)/12. The
// air moves the stars of a frame against each other by a tenth of what it moves
// them together.
func (f *SolvedFrame) doubt() (sight unit.Arcsec, turn unit.Rad) {
	rms, n := float64(f.RMS), float64(max(f.Matched, 4))
	if !(rms > 0) {
		rms = float64(unknownRMS)
	}
	one := rms / math.Sqrt(n)
	arm := float64(f.WCS.Scale().Arcsec(unit.Px(math.Sqrt((float64(f.Width)*float64(f.Width) + float64(f.Height)*float64(f.Height)) / 12))))
	return unit.Arcsec(math.Hypot(one, float64(sightFloor))), unit.Rad(math.Hypot(one, 0.1*float64(sightFloor)/math.Sqrt(n)) / arm)
}
