package sky

import (
	"math"

	"holdfast/internal/unit"
)

// course is the daily path of one thing through a night: its intermediate
// place every hour, interpolated between, and the turning of the Earth. It
// answers in a tenth of a microsecond, for the scan that finds rise and set.
// Six-point interpolation of the Moon, whose parallax swings most, errs by
// 0.005 h^6 times 1 degree: 0.01 arcsec.
type course struct {
	node       [coursePoints][4]float64 // unit vector (true equator, CIO), angular radius
	eral       float64                  // local Earth rotation angle at the start
	sphi, cphi float64
	lift       func(sin, cos float64) float64
}

const coursePoints = 25

// course returns the path of what place describes: an intermediate place and an
// angular radius, all in radians.
func (n *Night) course(place func(o *Observer) (ra, dec, radius float64)) *course {
	c := new(course)
	o := new(Observer)
	for i := range c.node {
		n.span.observe(o, n.Start.Add(unit.Second(i*3600)))
		ra, dec, radius := place(o)
		v := spherical(ra, dec)
		c.node[i] = [4]float64{v[0], v[1], v[2], radius}
		if i == 0 {
			c.eral = o.astrom.Eral
		}
	}
	c.sphi, c.cphi, c.lift = o.astrom.Sphi, o.astrom.Cphi, o.lift
	return c
}

// at returns the true altitude, the altitude with refraction and the angular
// radius in radians, sec seconds after the start of the night.
func (c *course) at(sec float64) (alt, lifted, radius float64) {
	x := sec / 3600
	first := min(max(int(x)-2, 0), coursePoints-6)
	s := x - float64(first)
	// Lagrange's weights for six equal steps: product of (s-j) over j != k.
	var v [4]float64
	for k, scale := range [6]float64{-1.0 / 120, 1.0 / 24, -1.0 / 12, 1.0 / 12, -1.0 / 24, 1.0 / 120} {
		w := scale
		for j := range 6 {
			if j != k {
				w *= s - float64(j)
			}
		}
		for m := range v {
			v[m] += w * c.node[first+k][m]
		}
	}
	sr, cr := math.Sincos(c.eral + sec*(2*math.Pi*siderealRate/daySec))
	// Towards the meridian and towards the east, then over the horizon.
	mer, east := v[0]*cr+v[1]*sr, v[1]*cr-v[0]*sr
	sin := c.cphi*mer + c.sphi*v[2]
	cos := math.Hypot(c.sphi*mer-c.cphi*v[2], east)
	alt = math.Atan2(sin, cos)
	return alt, alt + c.lift(sin, cos), v[3]
}

// body returns the path of a body.
func (n *Night) body(b Body) *course {
	return n.course(func(o *Observer) (ra, dec, radius float64) {
		sun := o.toSun()
		v := o.to(b, sun)
		ra, dec = o.apparent(v, sun)
		return ra, dec, math.Asin(bodyRadiusKM[b] / (norm(v) * auKM))
	})
}

// fixed returns the path of a direction among the stars.
func (n *Night) fixed(d Direction) *course {
	return n.course(func(o *Observer) (ra, dec, radius float64) {
		ra, dec = o.intermediate(d)
		return ra, dec, 0
	})
}
