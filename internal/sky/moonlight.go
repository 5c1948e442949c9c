package sky

import (
	"math"

	"holdfast/internal/unit"
)

// Moonlight returns the brightness of moonlight scattered into a direction, by
// itself: phase is the Moon's phase angle (0 full), separation its distance
// from the direction, zMoon and zTarget the zenith distances, k the extinction
// in V per airmass. +Inf (no light) if the Moon is below the horizon; NaN if
// the direction is. Good to 8 to 23 %; within 7 degrees of the full phase the
// Moon is up to 35 % brighter than this.
//
// Source: Krisciunas & Schaefer 1991, PASP 103, 1033, equations 3, 15, 18, 20,
// 21.
func Moonlight(phase, separation, zMoon, zTarget unit.Deg, k unit.Mag) unit.SurfaceMag {
	if !(zTarget >= 0 && zTarget <= 90) {
		return unit.SurfaceMag(math.NaN())
	}
	if zMoon > 90 {
		return unit.SurfaceMag(math.Inf(1))
	}
	alpha, rho := math.Abs(float64(phase)), float64(separation)
	c := math.Cos(radians(separation))
	moon := math.Pow(10, -0.4*(3.84+0.026*alpha+4e-9*math.Pow(alpha, 4)))
	scatter := math.Pow(10, 5.36)*(1.06+c*c) + math.Pow(10, 6.15-rho/40)
	through := math.Pow(10, -0.4*float64(k)*skyPath(zMoon))
	caught := 1 - math.Pow(10, -0.4*float64(k)*skyPath(zTarget))
	return fromNanolambert(scatter * moon * through * caught)
}

// skyPath is the path through the scattering air, in zenith units.
//
// Source: Krisciunas & Schaefer 1991, equation 3, after Garstang 1989.
func skyPath(z unit.Deg) float64 {
	s := math.Sin(radians(z))
	return 1 / math.Sqrt(1-0.96*s*s)
}

// DarkSky returns the brightness of the moonless sky at a zenith distance,
// given that at the zenith: a longer path through the glowing air brightens
// it, extinction dims it. NaN below the horizon.
//
// Source: Krisciunas & Schaefer 1991, PASP 103, 1033, equation 2.
func DarkSky(zenith unit.SurfaceMag, z unit.Deg, k unit.Mag) unit.SurfaceMag {
	if !(z >= 0 && z <= 90) {
		return unit.SurfaceMag(math.NaN())
	}
	x := skyPath(z)
	return zenith + unit.SurfaceMag(float64(k)*(x-1)-2.5*math.Log10(x))
}

// AddSky returns the brightness of two glows together. +Inf is no glow.
func AddSky(a, b unit.SurfaceMag) unit.SurfaceMag {
	return fromNanolambert(nanolambert(a) + nanolambert(b))
}

// nanolambert converts V mag/arcsec^2. Source: Garstang 1989, equation 28, in
// Krisciunas & Schaefer 1991, equation 1.
func nanolambert(m unit.SurfaceMag) float64 { return 34.08 * math.Exp(20.7233-0.92104*float64(m)) }

func fromNanolambert(b float64) unit.SurfaceMag {
	return unit.SurfaceMag((20.7233 - math.Log(b/34.08)) / 0.92104)
}

// Sky returns the V brightness of the sky at a direction, from that of the
// moonless zenith, the extinction per airmass, and the Moon as it stands. NaN
// below the horizon. Twilight is not in it.
//
// Source: DarkSky, Moonlight.
func (o *Observer) Sky(d Direction, zenith unit.SurfaceMag, k unit.Mag) unit.SurfaceMag {
	z := 90 - o.Topocentric(d).Alt
	m := o.See(Moon)
	return AddSky(DarkSky(zenith, z, k), Moonlight(m.Phase, Separation(m.Direction, d), 90-m.TrueAlt, z, k))
}
