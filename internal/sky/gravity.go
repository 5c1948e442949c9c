package sky

import (
	"math"

	"holdfast/internal/unit"
)

// Gravity is the pull as a telescope on an equatorial mount feels it, in units
// of g: the part sideways towards east and north on the sky, and along the
// line of sight.
type Gravity struct {
	East, North, Axis float64
}

// GravityAt returns gravity (pointing down) in a telescope that looks at an
// hour angle and declination: East -cos(lat) sin h, North -(sin lat cos dec -
// cos lat sin dec cos h), Axis -sin(altitude).
//
// Source: the nadir resolved along the tangents of the sphere.
func GravityAt(lat unit.Deg, ha unit.Hour, dec unit.Deg) Gravity {
	u, north, east := tangents(float64(ha.Rad()), radians(dec))
	down := scaled(zenithOf(lat), -1)
	return Gravity{East: dot(down, east), North: dot(down, north), Axis: dot(down, u)}
}

// GravityPerHour is a change of gravity in a telescope in g per hour of time.
type GravityPerHour struct {
	EastPerHour, NorthPerHour, AxisPerHour float64
}

// GravityRate returns how fast gravity changes in a telescope that follows the
// sky.
//
// Source: derivative of GravityAt.
func GravityRate(lat unit.Deg, ha unit.Hour, dec unit.Deg) GravityPerHour {
	const w = EarthRateRad * 3600
	cp := math.Cos(radians(lat))
	sd, cd := math.Sincos(radians(dec))
	sh, ch := math.Sincos(float64(ha.Rad()))
	return GravityPerHour{EastPerHour: -w * cp * ch, NorthPerHour: -w * cp * sd * sh, AxisPerHour: w * cp * cd * sh}
}
