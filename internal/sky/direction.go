package sky

import (
	"math"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Direction is a point on the sky, ICRS.
type Direction struct {
	RA, Dec unit.Deg // RA 0 to 360
}

// vec is a vector in three dimensions, in the frame its user says.
type vec = [3]float64

func dot(a, b vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func cross(a, b vec) vec {
	return vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func norm(a vec) float64 { return math.Sqrt(dot(a, a)) }

func scaled(a vec, f float64) vec { return vec{a[0] * f, a[1] * f, a[2] * f} }

func plus(a, b vec) vec { return vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }

func minus(a, b vec) vec { return vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }

func unitVec(a vec) vec { return scaled(a, 1/norm(a)) }

// angle returns the angle between two vectors of any length in radians, exact
// for small and for nearly opposite ones.
func angle(a, b vec) float64 { return math.Atan2(norm(cross(a, b)), dot(a, b)) }

// radians returns the angle in radians as a bare number.
func radians(d unit.Deg) float64 { return float64(d.Rad()) }

// degrees returns an angle given in radians.
func degrees(rad float64) unit.Deg { return unit.Rad(rad).Deg() }

// spherical returns the unit vector at longitude lon and latitude lat, radians.
func spherical(lon, lat float64) vec {
	sl, cl := math.Sincos(lon)
	sb, cb := math.Sincos(lat)
	return vec{cb * cl, cb * sl, sb}
}

// vec returns the direction as a unit vector.
func (d Direction) vec() vec { return spherical(radians(d.RA), radians(d.Dec)) }

// directionOf returns the direction of a vector of any length.
func directionOf(v vec) Direction {
	return Direction{
		RA:  degrees(gofa.Anp(math.Atan2(v[1], v[0]))),
		Dec: degrees(math.Atan2(v[2], math.Hypot(v[0], v[1]))),
	}
}

// Separation returns the angle between two directions, 0 to 180 degrees, exact
// for small angles too.
//
// Source: closed form, atan2(|a x b|, a.b).
func Separation(a, b Direction) unit.Deg { return degrees(angle(a.vec(), b.vec())) }

// PositionAngle returns the position angle of b seen from a, from north
// through east, 0 to 360 degrees; 0 if the two coincide.
//
// Source: spherical trigonometry (four-parts formula).
func PositionAngle(a, b Direction) unit.Deg {
	sd, cd := math.Sincos(radians(b.RA - a.RA))
	sa, ca := math.Sincos(radians(a.Dec))
	sb, cb := math.Sincos(radians(b.Dec))
	return degrees(gofa.Anp(math.Atan2(sd*cb, sb*ca-cb*sa*cd)))
}

// Galactic returns galactic longitude (0 to 360) and latitude of a direction.
//
// Source: ESA SP-1200 (1997), the Hipparcos definition, through SOFA.
func (d Direction) Galactic() (l, b unit.Deg) {
	var x, y float64
	gofa.Icrs2g(radians(d.RA), radians(d.Dec), &x, &y)
	return degrees(x), degrees(y)
}
