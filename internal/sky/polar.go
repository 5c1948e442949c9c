package sky

import (
	"math"

	"holdfast/internal/unit"
)

// EarthRateRad is the turn of the sky in radians per second of time.
// Source: IERS Conventions (2010), nominal mean angular velocity of the Earth.
const EarthRateRad = 7.292115e-5

// PolarError says how the polar axis of a mount misses the pole above its
// horizon: Alt positive if the axis points too high, Az positive if it points
// east of the pole. Az is an angle of the azimuth bearing; on the sky it is
// smaller by the cosine of the latitude.
type PolarError struct {
	Alt, Az unit.Arcmin
}

// Axis is the polar axis of a mount as a unit vector in the hour-angle frame,
// the end that lies towards the north celestial pole (below the horizon for a
// southern site).
type Axis [3]float64

// TruePole is the axis of a perfectly aligned mount.
var TruePole = Axis{0, 0, 1}

// AxisOf returns the axis of a mount at a latitude, exactly. The equator
// counts as northern.
//
// Source: rotation of the horizon frame into the hour-angle frame.
func AxisOf(e PolarError, lat unit.Deg) Axis {
	alt, az := math.Abs(radians(lat))+float64(e.Alt.Rad()), float64(e.Az.Rad())
	sp, cp := math.Sincos(radians(lat))
	sa, ca := math.Sincos(alt)
	sz, cz := math.Sincos(az)
	if lat < 0 {
		// East of south: azimuth 180 - e. The end kept is the northern one.
		n := fromHorizon(-ca*cz, ca*sz, sa, sp, cp)
		return Axis{-n[0], -n[1], -n[2]}
	}
	return Axis(fromHorizon(ca*cz, ca*sz, sa, sp, cp))
}

// fromHorizon turns a vector (north, east, up) into the hour-angle frame.
func fromHorizon(north, east, up, sinLat, cosLat float64) vec {
	return vec{up*cosLat - north*sinLat, -east, up*sinLat + north*cosLat}
}

// toHorizon turns a vector of the hour-angle frame into (north, east, up).
func toHorizon(v vec, sinLat, cosLat float64) (north, east, up float64) {
	return v[2]*cosLat - v[0]*sinLat, -v[1], v[0]*cosLat + v[2]*sinLat
}

// Error returns the polar error of an axis at a latitude: the inverse of
// AxisOf.
func (a Axis) Error(lat unit.Deg) PolarError {
	sp, cp := math.Sincos(radians(lat))
	n, e, u := toHorizon(vec(a), sp, cp)
	if lat < 0 {
		e, u = -e, -u // the southern end, azimuth counted from south through east
	}
	alt := math.Atan2(u, math.Hypot(n, e))
	return PolarError{
		Alt: unit.Rad(alt - math.Abs(radians(lat))).Arcsec().Arcmin(),
		Az:  unit.Rad(math.Atan2(e, n)).Arcsec().Arcmin(),
	}
}

// OffPole returns the angle between the axis and the celestial pole.
func (a Axis) OffPole() unit.Arcmin {
	return unit.Rad(math.Atan2(math.Hypot(a[0], a[1]), a[2])).Arcsec().Arcmin()
}

// Drift is how a star moves against the telescope, on the sky, and how the
// field turns about the star.
type Drift struct {
	EastArcsecPerMin     float64
	NorthArcsecPerMin    float64
	RotationArcsecPerMin float64 // of the telescope's up against the sky, north through east, while the star is held
}

// Drift returns how a star at an hour angle and declination moves in a
// telescope that turns about the axis at exactly the sidereal rate, and how
// fast the field turns if the star is held by correcting both axes. Exact at
// the instant. To first order in the error eps, with the axis displaced
// towards hour angle hp: north -eps W sin(h-hp), whatever the declination;
// west eps W sin(dec) cos(h-hp); rotation eps W cos(h-hp)/cos(dec).
//
// Source: the sky turns as W z x u, the telescope as W n x u; the rotation is
// the rate of the position angle of the axis seen from the star, to first
// order that of Hook 1989, JBAA 99, 19.
func (a Axis) Drift(ha unit.Hour, dec unit.Deg) Drift {
	h, d := float64(ha.Rad()), radians(dec)
	u, north, east := tangents(h, d)
	v := cross(minus(vec{0, 0, 1}, vec(a)), u)
	const perMin = EarthRateRad * unit.ArcsecPerRad * 60
	// Position angle of the axis seen from the star, and its change with the
	// hour angle.
	e, n := dot(vec(a), east), dot(vec(a), north)
	sh, ch := math.Sincos(h)
	sd := math.Sin(d)
	de := a[0]*ch + a[1]*sh
	dn := sd * (a[0]*sh - a[1]*ch)
	return Drift{
		EastArcsecPerMin:     perMin * dot(v, east),
		NorthArcsecPerMin:    perMin * dot(v, north),
		RotationArcsecPerMin: perMin * (de*n - e*dn) / (e*e + n*n),
	}
}

// tangents returns the unit vector of a star in the hour-angle frame and those
// towards north and east on the sky there, angles in radians.
func tangents(ha, dec float64) (u, north, east vec) {
	sh, ch := math.Sincos(ha)
	sd, cd := math.Sincos(dec)
	return vec{cd * ch, cd * sh, sd}, vec{-sd * ch, -sd * sh, cd}, vec{sh, -ch, 0}
}

// Rotation returns by how much the field turns about a star that is held from
// one hour angle to another: the change of the position angle of the
// telescope's up, north through east. Exact.
//
// Source: the position angle of the axis seen from the star, before and after.
func (a Axis) Rotation(dec unit.Deg, from, to unit.Hour) unit.Arcmin {
	up := func(ha unit.Hour) float64 {
		_, north, east := tangents(float64(ha.Rad()), radians(dec))
		return math.Atan2(dot(vec(a), east), dot(vec(a), north))
	}
	return unit.Rad(math.Remainder(up(to)-up(from), 2*math.Pi)).Arcsec().Arcmin()
}

// PolarTolerance returns the polar error at which a star trails by at most
// trail at the sensor through field rotation, at the worst hour angle: exposure
// is the length of one sub, dist the distance from the guide star, focal the
// focal length. NaN unless all are positive.
//
// Source: Hook 1989, JBAA 99, 19, whose constant 750 goes with degrees, 45019
// with arcminutes; derived from Axis.Drift.
func PolarTolerance(trail unit.Micron, focal unit.MM, dec unit.Deg, exposure unit.Second, dist unit.Deg) unit.Arcmin {
	if !(trail > 0 && focal > 0 && exposure > 0 && dist > 0) {
		return unit.Arcmin(math.NaN())
	}
	eps := float64(trail) / (float64(focal) * 1000) * math.Cos(radians(dec)) / (EarthRateRad * float64(exposure) * radians(dist))
	return unit.Rad(eps).Arcsec().Arcmin()
}

// PolarFromDrift returns the least polar error that explains a declination
// drift (arcseconds per minute, either sign), the one that shows fully at the
// hour angle of the measurement: 3.809 arcminutes per arcsecond a minute.
//
// Source: Axis.Drift at its peak.
func PolarFromDrift(d Drift) unit.Arcmin {
	return unit.Rad(math.Abs(d.NorthArcsecPerMin) / (EarthRateRad * unit.ArcsecPerRad * 60)).Arcsec().Arcmin()
}
