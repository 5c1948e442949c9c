package sky

import (
	"math"

	"holdfast/internal/unit"
)

// siderealDay in seconds. Source: IERS Conventions (2010).
const siderealDay = 86164.0905

// lift returns where a star at true place u appears, both unit vectors in a
// frame with the given zenith; NaN where r is.
func (r Refraction) lift(u, zenith vec) vec {
	c := dot(u, zenith)
	t := minus(zenith, scaled(u, c))
	s := norm(t)
	if s < 1e-12 {
		return u
	}
	lift := float64(r.FromTrue(degrees(math.Atan2(s, c))).Rad())
	sl, cl := math.Sincos(lift)
	return plus(scaled(u, cl), scaled(t, sl/s))
}

// zenithOf returns the zenith in the hour-angle frame.
func zenithOf(lat unit.Deg) vec {
	s, c := math.Sincos(radians(lat))
	return vec{c, 0, s}
}

// RefractedPole returns the axis of a mount aligned on the pole as refraction
// shows it, above the true one; NaN within 3 degrees of the equator.
func RefractedPole(lat unit.Deg, r Refraction) Axis {
	if lat < 0 {
		v := r.lift(vec{0, 0, -1}, zenithOf(lat))
		return Axis{-v[0], -v[1], -v[2]}
	}
	return Axis(r.lift(vec{0, 0, 1}, zenithOf(lat)))
}

// RefractionDrift returns how a star seen through the air drifts in a
// telescope that turns about the given axis at the sidereal rate: what is left
// of polar error and refraction together. North and east are those of the
// axis, as a mount's circles count. The rotation is that of Axis.Drift, without
// the squeezing of the field. NaN below 3 degrees of altitude.
//
// Source: King 1902, Annals of Harvard College Observatory 41, names the
// effect; here the derivative of the refracted place, taken numerically (error
// 1e-7).
func RefractionDrift(axis Axis, lat unit.Deg, ha unit.Hour, dec unit.Deg, r Refraction) Drift {
	const step = 1e-4 // radians of hour angle
	zen := zenithOf(lat)
	h, d := float64(ha.Rad()), radians(dec)
	at := func(h float64) vec {
		u, _, _ := tangents(h, d)
		return r.lift(u, zen)
	}
	here := at(h)
	move := scaled(minus(at(h+step), at(h-step)), 1/(2*step))
	move = minus(move, cross(vec(axis), here)) // the telescope follows n x u
	east := unitVec(cross(here, vec(axis)))
	north := cross(east, here)
	const perMin = EarthRateRad * unit.ArcsecPerRad * 60
	return Drift{
		EastArcsecPerMin:     perMin * dot(move, east),
		NorthArcsecPerMin:    perMin * dot(move, north),
		RotationArcsecPerMin: axis.Drift(ha, dec).RotationArcsecPerMin,
	}
}

// KingPeriod returns the time for one turn of the hour-angle axis that keeps a
// star still in right ascension through refraction, for a mount aligned on the
// refracted pole; onTruePole for one on the true pole. Longer than the
// sidereal day nearly everywhere above the pole. A tan z only: good to 0.1 s
// down to 20 degrees of altitude. NaN below the horizon, and on the equator
// for the refracted pole.
//
// Source: King 1902, 1931; formula derived from dh = -R sin q / cos dec with
// R = A tan z.
func KingPeriod(lat unit.Deg, ha unit.Hour, dec unit.Deg, r Refraction, onTruePole bool) unit.Second {
	sp, cp := math.Sincos(radians(lat))
	sd, cd := math.Sincos(radians(dec))
	ch := math.Cos(float64(ha.Rad()))
	cz := sp*sd + cp*cd*ch
	if cz <= 0 {
		return unit.Second(math.NaN())
	}
	f := cp / cd * (cp*cd + sp*sd*ch) / (cz * cz)
	if !onTruePole {
		f -= cp / sp * sd / cd * ch
	}
	if math.IsInf(f, 0) {
		f = math.NaN()
	}
	return unit.Second(siderealDay * (1 + float64(r.A.Rad())*f))
}

// Shift is a movement on the sky.
type Shift struct {
	East, North unit.Arcsec
}

// DifferentialRefraction returns by how much a target moves against a guide
// star that is held, because refraction lifts the two differently, in the time
// that takes the guide star from one hour angle to a later one. The offset
// of the target is on the tangent plane at the guide star, east and north
// positive, true places. NaN if either comes below 3 degrees of altitude.
//
// Source: derived by projecting refracted unit vectors; no approximation but
// that of Refraction.
func DifferentialRefraction(lat unit.Deg, ha unit.Hour, dec unit.Deg, target Shift, lasting unit.Second, r Refraction) Shift {
	zen := zenithOf(lat)
	offset := func(h float64) (east, north float64) {
		u, n, e := tangents(h, radians(dec))
		t := unitVec(plus(u, plus(scaled(e, float64(target.East.Rad())), scaled(n, float64(target.North.Rad())))))
		a, b := r.lift(u, zen), r.lift(t, zen)
		_, n, e = tangents(math.Atan2(a[1], a[0]), math.Atan2(a[2], math.Hypot(a[0], a[1])))
		return dot(b, e) / dot(b, a), dot(b, n) / dot(b, a)
	}
	h := float64(ha.Rad())
	e0, n0 := offset(h)
	e1, n1 := offset(h + EarthRateRad*float64(lasting))
	return Shift{unit.Rad(e1 - e0).Arcsec(), unit.Rad(n1 - n0).Arcsec()}
}
