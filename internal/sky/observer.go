package sky

import (
	"math"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Observer is a site at an instant: everything that does not depend on the
// star, worked out once. Make one with Site.At (exact, about 0.2 ms) or, for
// many instants of one night, with Span.At (about 1 us). A star then takes less
// than 1 us.
type Observer struct {
	site     Site
	t        Instant
	tt1, tt2 float64
	earthSun [2]vec // of the Earth from the Sun, au and au/day
	earthSSB [2]vec // of the Earth from the solar-system barycentre
	span     *Span  // nil: the Moon is computed afresh
	astrom   gofa.ASTROM
}

// Place is where a direction stands in the sky of one site at one instant.
type Place struct {
	Alt, Az     unit.Deg  // azimuth north through east, 0 to 360
	HourAngle   unit.Hour // west positive, -12 to 12
	Dec         unit.Deg  // of date, refracted if Alt is
	Parallactic unit.Deg  // position angle of the zenith, -180 to 180
	Airmass     float64   // Airmass(Alt); NaN below the horizon
}

// At returns the observer at t.
func (s Site) At(t Instant) *Observer {
	o := new(Observer)
	n := newNode(t)
	var refa, refb float64
	gofa.Refco(float64(s.Pressure), float64(s.Temp), s.Humidity, float64(s.Wavelength), &refa, &refb)
	o.set(s, t, n, refa, refb)
	return o
}

// node is the state of the Earth at one instant.
type node struct {
	tt1, tt2 float64
	ut1, ut2 float64
	earthSun [2]vec
	earthSSB [2]vec
	x, y, s  float64 // of the celestial intermediate pole, and the CIO locator
}

// newNode computes the state of the Earth from the full models.
func newNode(t Instant) node {
	var n node
	n.tt1, n.tt2, n.ut1, n.ut2 = t.scales()
	if math.IsNaN(n.tt1) {
		nan := vec{math.NaN(), math.NaN(), math.NaN()}
		n.earthSun, n.earthSSB = [2]vec{nan, nan}, [2]vec{nan, nan}
		n.x, n.y, n.s = math.NaN(), math.NaN(), math.NaN()
		return n
	}
	gofa.Epv00(n.tt1, n.tt2, &n.earthSun, &n.earthSSB)
	var bpn [3][3]float64
	gofa.Pnm06a(n.tt1, n.tt2, &bpn)
	gofa.Bpn2xy(bpn, &n.x, &n.y)
	n.s = gofa.S06(n.tt1, n.tt2, n.x, n.y)
	return n
}

// set makes o the observer at t from the state of the Earth then.
func (o *Observer) set(s Site, t Instant, n node, refa, refb float64) {
	o.site, o.t = s, t
	o.tt1, o.tt2 = n.tt1, n.tt2
	o.earthSun, o.earthSSB = n.earthSun, n.earthSSB
	gofa.Apco(n.tt1, n.tt2, n.earthSSB, n.earthSun[0], n.x, n.y, n.s, gofa.Era00(n.ut1, n.ut2),
		radians(s.Lon), radians(s.Lat), float64(s.Height), 0, 0, gofa.Sp00(n.tt1, n.tt2), refa, refb, &o.astrom)
}

// Instant returns the instant of the observer.
func (o *Observer) Instant() Instant { return o.t }

// Site returns the site of the observer.
func (o *Observer) Site() Site { return o.site }

// Observed returns the place of a direction with refraction: where a telescope
// must point. It agrees with ERFA to 1e-5 arcsec; refraction itself is that of
// Refraction, good to a few arcseconds down to 10 degrees of altitude, and
// frozen below 2.9 degrees. Parallax and proper motion of stars are left to
// the caller.
//
// Source: IAU SOFA, astrometry tools (2021).
func (o *Observer) Observed(d Direction) Place {
	ra, dec := o.intermediate(d)
	return o.place(ra, dec, &o.astrom)
}

// Topocentric returns the place of a direction without refraction, and the
// airmass of that altitude.
//
// Source: IAU SOFA, astrometry tools (2021).
func (o *Observer) Topocentric(d Direction) Place {
	ra, dec := o.intermediate(d)
	vacuum := o.astrom
	vacuum.Refa, vacuum.Refb = 0, 0
	return o.place(ra, dec, &vacuum)
}

// intermediate returns the place in the celestial intermediate system: light
// deflection, aberration, precession and nutation applied.
func (o *Observer) intermediate(d Direction) (ra, dec float64) {
	gofa.Atciqz(radians(d.RA), radians(d.Dec), &o.astrom, &ra, &dec)
	return ra, dec
}

// place turns an intermediate place into one over the horizon.
func (o *Observer) place(ra, dec float64, astrom *gofa.ASTROM) Place {
	var az, zd, ha, decObs, raObs float64
	gofa.Atioq(ra, dec, astrom, &az, &zd, &ha, &decObs, &raObs)
	alt := degrees(math.Pi/2 - zd)
	hour, decl := unit.Rad(gofa.Anpm(ha)).Hour(), degrees(decObs)
	return Place{
		Alt:         alt,
		Az:          degrees(az),
		HourAngle:   hour,
		Dec:         decl,
		Parallactic: Parallactic(o.site.Lat, hour, decl),
		Airmass:     Airmass(alt),
	}
}

// altitude returns the altitude in radians of an intermediate place.
func (o *Observer) altitude(ra, dec float64, refracted bool) float64 {
	v := spherical(ra-o.astrom.Eral, dec)
	sin := o.astrom.Cphi*v[0] + o.astrom.Sphi*v[2]
	cos := math.Hypot(o.astrom.Sphi*v[0]-o.astrom.Cphi*v[2], v[1])
	alt := math.Atan2(sin, cos)
	if refracted {
		alt += o.lift(sin, cos)
	}
	return alt
}

// lift returns the refraction in radians at the true altitude of the given
// sine and cosine, by the approximation of SOFA's atioq.
func (o *Observer) lift(sin, cos float64) float64 {
	z := math.Max(sin, 0.05)
	tz := cos / z
	w := o.astrom.Refb * tz * tz
	return (o.astrom.Refa + w) * tz / (1 + (o.astrom.Refa+3*w)/(z*z))
}
