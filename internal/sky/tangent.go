package sky

import (
	"math"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Tangent is the plane touching the sphere at a point, onto which a telescope
// without distortion projects the sky (TAN).
type Tangent struct {
	centre         Direction
	ra             float64
	sinDec, cosDec float64
}

// NewTangent returns the plane that touches at centre.
func NewTangent(centre Direction) Tangent {
	s, c := math.Sincos(radians(centre.Dec))
	return Tangent{centre, radians(centre.RA), s, c}
}

// Centre returns where the plane touches.
func (t Tangent) Centre() Direction { return t.centre }

// Project returns the place of a direction on the plane, xi towards east and
// eta towards north, as angles of the plane (its length over the radius, not
// angles on the sky); NaN for a direction 90 degrees or more from the centre.
//
// Source: Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3.
func (t Tangent) Project(d Direction) (xi, eta unit.Deg) {
	s, c := math.Sincos(radians(d.Dec))
	sa, ca := math.Sincos(radians(d.RA) - t.ra)
	w := t.sinDec*s + t.cosDec*c*ca
	if !(w > 0) {
		return unit.Deg(math.NaN()), unit.Deg(math.NaN())
	}
	return degrees(c * sa / w), degrees((t.cosDec*s - t.sinDec*c*ca) / w)
}

// Direction returns the direction at a place on the plane: the inverse of
// Project.
//
// Source: Calabretta & Greisen 2002, A&A 395, 1077.
func (t Tangent) Direction(xi, eta unit.Deg) Direction {
	x, y := radians(xi), radians(eta)
	w := t.cosDec - y*t.sinDec
	return Direction{
		RA:  degrees(gofa.Anp(t.ra + math.Atan2(x, w))),
		Dec: degrees(math.Atan2(t.sinDec+y*t.cosDec, math.Hypot(x, w))),
	}
}

// Stretch returns by what fraction the plane exaggerates radial lengths at an
// angle from its centre, tan^2; NaN at 90 degrees and beyond.
//
// Source: derivative of the tangent.
func Stretch(from unit.Deg) float64 {
	if !(math.Abs(float64(from)) < 90) {
		return math.NaN()
	}
	t := math.Tan(radians(from))
	return t * t
}

// UpRight resolves an offset on the sky (east, north) along the vertical as
// someone facing that part of the sky sees it: up towards the zenith, right at
// a right angle clockwise from it. q is the parallactic angle there. With the
// zenith to the north (q = 0) east is to the left.
//
// Source: rotation by q.
func UpRight(offset Shift, q unit.Deg) (right, up unit.Arcsec) {
	s, c := math.Sincos(radians(q))
	e, n := float64(offset.East), float64(offset.North)
	return unit.Arcsec(n*s - e*c), unit.Arcsec(n*c + e*s)
}
