package plan

import (
	"math"

	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// place is a target in the sky of a site at one instant: everything that the
// ledger needs of the sky, whatever hangs on the mount.
type place struct {
	instant   sky.Instant
	target    sky.Direction
	lat       unit.Deg
	at        sky.Place // observed
	airmass   float64
	sky       unit.SurfaceMag
	gravity   sky.GravityPerHour
	refracted sky.Refraction
	king      sky.Drift // of a star on a perfectly aligned mount at the sidereal rate
}

// newPlace returns the place of a target at an instant of a span.
func newPlace(r *rig.Rig, span *sky.Span, target sky.Direction, t sky.Instant) *place {
	o := span.At(t)
	p := &place{instant: t, target: target, lat: o.Site().Lat, at: o.Observed(target), refracted: o.Site().Refraction()}
	p.airmass = p.at.Airmass
	p.sky = o.Sky(target, r.Site.Sky.V, r.Site.Extinction.V)
	p.gravity = sky.GravityRate(p.lat, p.at.HourAngle, p.at.Dec)
	p.king = sky.RefractionDrift(sky.TruePole, p.lat, p.at.HourAngle, p.at.Dec, p.refracted)
	return p
}

// turned returns the steady turn of the field that smears as much as the true
// one does in a sub about this instant, on a mount without a polar axis: sqrt 12
// times the standard deviation of the parallactic angle. The rate alone would
// miss that it changes, and vanishes where the star stands due east or west.
func (p *place) turned(sub unit.Second) unit.Arcsec {
	const n = 9
	var q [n]float64
	mean := 0.0
	for i := range q {
		ha := p.at.HourAngle + unit.Hour(float64(sub)/3600*(float64(i)-(n-1)/2)/(n-1))
		q[i] = float64(sky.Parallactic(p.lat, ha, p.at.Dec))
		if i > 0 { // across the half turn
			q[i] = q[i-1] + math.Remainder(q[i]-q[i-1], 360)
		}
		mean += q[i] / n
	}
	v := 0.0
	for _, x := range q {
		// The variance of n equal steps is (n+1)/(n-1) times that of the ramp.
		v += (x - mean) * (x - mean) / n * (n - 1) / (n + 1)
	}
	return unit.Deg(math.Copysign(math.Sqrt(12*v), q[n-1]-q[0])).Arcsec()
}

// siteOf returns the site of a rig with the air of its height and temperature.
func siteOf(r *rig.Rig) (sky.Site, error) {
	s, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		return s, err
	}
	s.Temp = r.Site.Temperature.V
	return s, nil
}

// direction returns the direction of a right ascension and declination.
func direction(ra, dec unit.Deg) sky.Direction { return sky.Direction{RA: ra, Dec: dec} }
