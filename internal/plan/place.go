package plan

import (
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
	turn      sky.RotationRate // of the field on a mount without a polar axis
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
	p.turn = sky.AltAzRotation(p.lat, p.at.Alt, p.at.Az)
	p.king = sky.RefractionDrift(sky.TruePole, p.lat, p.at.HourAngle, p.at.Dec, p.refracted)
	return p
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
