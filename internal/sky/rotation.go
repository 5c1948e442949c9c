package sky

import (
	"math"

	"holdfast/internal/unit"
)

// RotationRate is how fast a field turns, north through east positive.
type RotationRate struct {
	ArcsecPerSecond float64
}

// AltAzRotation returns how fast the sky turns in a telescope on a mount
// without a polar axis, the rate of the parallactic angle:
// -W cos(lat) cos(az)/cos(alt), positive where the star culminates between
// zenith and the far horizon. Without bound at the zenith.
//
// Source: derivative of tan q = sin h/(tan lat cos dec - sin dec cos h).
func AltAzRotation(lat, alt, az unit.Deg) RotationRate {
	return RotationRate{-EarthRateRad * unit.ArcsecPerRad * math.Cos(radians(lat)) * math.Cos(radians(az)) / math.Cos(radians(alt))}
}

// Parallactic returns the position angle of the zenith at an hour angle and
// declination, -180 to 180 degrees: positive west of the meridian for a star
// that culminates on the equator's side of the zenith. 0 at the zenith.
//
// Source: spherical trigonometry, atan2(sin h, tan lat cos dec - sin dec cos h).
func Parallactic(lat unit.Deg, ha unit.Hour, dec unit.Deg) unit.Deg {
	sp, cp := math.Sincos(radians(lat))
	sd, cd := math.Sincos(radians(dec))
	sh, ch := math.Sincos(float64(ha.Rad()))
	return degrees(math.Atan2(cp*sh, sp*cd-cp*sd*ch))
}

// AltAz returns altitude and azimuth (north through east, 0 to 360) of an hour
// angle and declination, no refraction.
func AltAz(lat unit.Deg, ha unit.Hour, dec unit.Deg) (alt, az unit.Deg) {
	sp, cp := math.Sincos(radians(lat))
	u, _, _ := tangents(float64(ha.Rad()), radians(dec))
	n, e, up := toHorizon(u, sp, cp)
	az = degrees(math.Atan2(e, n))
	if az < 0 {
		az += 360
	}
	return degrees(math.Atan2(up, math.Hypot(n, e))), az
}
