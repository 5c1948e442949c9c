package sky

import (
	"math"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Body is one of the bodies of the solar system that matter to a telescope.
type Body int

// The bodies.
const (
	Sun Body = iota
	Moon
	Mercury
	Venus
	Mars
	Jupiter
	Saturn
	Uranus
	Neptune
)

var bodyNames = [...]string{"Sun", "Moon", "Mercury", "Venus", "Mars", "Jupiter", "Saturn", "Uranus", "Neptune"}

// String returns the English name.
func (b Body) String() string {
	if b < 0 || int(b) >= len(bodyNames) {
		return "no body"
	}
	return bodyNames[b]
}

// bodyRadiusKM are equatorial radii. Source: Archinal et al. 2018, Celestial
// Mechanics 130, 22; the Moon's mean radius from the same.
var bodyRadiusKM = [...]float64{695700, 1737.4, 2440.53, 6051.8, 3396.19, 71492, 60268, 25559, 24764}

// plan94 are the bodies' numbers in gofa.Plan94.
var plan94 = [...]int{0, 0, 1, 2, 4, 5, 6, 7, 8}

const (
	auKM     = 149597870.7          // IAU 2012 resolution B2
	lightDay = 499.004782 / 86400.0 // days for light to cross an au; IAU 1976
)

// State is a body as one site sees it at one instant.
type State struct {
	Direction   Direction  // astrometric: as it stands among catalogue stars
	Place       Place      // observed, with refraction
	TrueAlt     unit.Deg   // of the centre, without refraction
	Distance    unit.Metre // from the site
	Radius      unit.Deg   // angular radius
	Phase       unit.Deg   // angle at the body between Sun and site; 0 is full
	Illuminated float64    // lit fraction of the disc, 0 to 1
	Elongation  unit.Deg   // from the Sun
	Mag         unit.Mag   // V, rough
}

// See returns the state of a body. The Sun is good to 0.1 arcsec; the Moon to
// 3 arcsec rms, 11 at worst; Mercury to Neptune to about 1 arcminute from 1900
// to 2100. Magnitudes are good to about 0.3 (the Moon's at mean distance, no
// brightening at the very full). It panics if b is none of the constants.
//
// Source: Earth and Sun, VSOP2000 as abridged by SOFA; Moon, Meeus 1998 after
// ELP-2000/82; planets, Simon et al. 1994, A&A 282, 663; light time and
// aberration as derived in the Explanatory Supplement (2013), chapter 7.
func (o *Observer) See(b Body) State {
	sun := o.toSun()
	v := o.to(b, sun)
	ra, dec := o.apparent(v, sun)
	st := State{
		Direction: directionOf(v),
		Distance:  unit.Metre(norm(v) * auKM * 1000),
		Radius:    degrees(math.Asin(bodyRadiusKM[b] / (norm(v) * auKM))),
	}
	st.Place = o.place(ra, dec, &o.astrom)
	st.TrueAlt = degrees(o.altitude(ra, dec, false))
	if b == Sun {
		st.Illuminated = 1
		st.Mag = unit.Mag(-26.76 + 5*math.Log10(norm(v))) // Source: Willmer 2018, ApJS 236, 47
		return st
	}
	st.Elongation = degrees(angle(v, sun))
	fromSun := minus(v, sun)
	st.Phase = degrees(angle(v, fromSun))
	st.Illuminated = (1 + math.Cos(radians(st.Phase))) / 2
	st.Mag = magnitude(b, float64(st.Phase), norm(fromSun), norm(v), ringTilt(b, v))
	return st
}

// toSun returns the vector to the Sun in au, with light time.
func (o *Observer) toSun() vec {
	pos := minus(o.earthSSB[0], o.earthSun[0])
	vel := minus(o.earthSSB[1], o.earthSun[1])
	v := minus(pos, o.astrom.Eb)
	return minus(v, scaled(vel, norm(v)*lightDay))
}

// to returns the astrometric vector to a body in au: from where the observer
// is now to where the body was when the light left, both in the barycentric
// frame.
func (o *Observer) to(b Body, sun vec) vec {
	switch {
	case b == Sun:
		return sun
	case b == Moon:
		m := o.moonAt()
		pos := minus(plus(m[0], o.earthSSB[0]), o.astrom.Eb)
		vel := plus(m[1], o.earthSSB[1])
		return minus(pos, scaled(vel, norm(pos)*lightDay))
	case b > Moon && b <= Neptune:
		sunSSB := minus(o.earthSSB[0], o.earthSun[0])
		sunVel := minus(o.earthSSB[1], o.earthSun[1])
		var v vec
		tau := 0.0
		for range 3 {
			var pv [2]vec
			gofa.Plan94(o.tt1, o.tt2-tau, plan94[b], &pv)
			v = minus(plus(pv[0], minus(sunSSB, scaled(sunVel, tau))), o.astrom.Eb)
			tau = norm(v) * lightDay
		}
		return v
	}
	panic("sky: no such body")
}

// apparent returns the intermediate place of a body at an astrometric vector,
// the Sun standing at another: bending of light by the Sun, aberration,
// precession and nutation.
func (o *Observer) apparent(v, sun vec) (ra, dec float64) {
	natural := unitVec(v)
	if fromSun := minus(v, sun); fromSun != (vec{}) {
		gofa.Ld(1, natural, unitVec(fromSun), o.astrom.Eh, o.astrom.Em, 1e-6, &natural)
	}
	var proper, cirs vec
	gofa.Ab(natural, o.astrom.V, o.astrom.Em, o.astrom.Bm1, &proper)
	gofa.Rxp(o.astrom.Bpn, proper, &cirs)
	return math.Atan2(cirs[1], cirs[0]), math.Atan2(cirs[2], math.Hypot(cirs[0], cirs[1]))
}

// saturnPole is the direction of Saturn's pole. Source: Archinal et al. 2018.
var saturnPole = Direction{40.589, 83.537}.vec()

// ringTilt returns the sine of the angle by which Saturn's rings are open
// toward us, 0 for another body.
func ringTilt(b Body, v vec) float64 {
	if b != Saturn {
		return 0
	}
	return math.Abs(dot(saturnPole, unitVec(v)))
}

// magnitude returns V from the phase angle in degrees and the distances from
// Sun and observer in au.
//
// Source: planets, Astronomical Almanac from 1984 (Harris), in Meeus 1998,
// chapter 41, with the phase angle for Saturn's difference of longitudes;
// Moon, Krisciunas & Schaefer 1991, PASP 103, 1033.
func magnitude(b Body, i, r, d, ring float64) unit.Mag {
	m := 5 * math.Log10(r*d)
	switch b {
	case Moon:
		return unit.Mag(-12.73 + 0.026*i + 4e-9*i*i*i*i)
	case Mercury:
		m += -0.42 + 0.0380*i - 0.000273*i*i + 0.000002*i*i*i
	case Venus:
		m += -4.40 + 0.0009*i + 0.000239*i*i - 0.00000065*i*i*i
	case Mars:
		m += -1.52 + 0.016*i
	case Jupiter:
		m += -9.40 + 0.005*i
	case Saturn:
		m += -8.88 + 0.044*i - 2.60*ring + 1.25*ring*ring
	case Uranus:
		m += -7.19
	case Neptune:
		m += -6.87
	}
	return unit.Mag(m)
}
