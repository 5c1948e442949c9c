// Package sky answers where things stand and how they move: the observed
// place of a direction, the Sun, the Moon and the planets; refraction and what
// it does to a guide star and its target; the night, its twilights and the
// hours in which a target can be taken; moonlight; the drifts and rotations
// that a misaligned or un-wedged mount lets through; gravity as the telescope
// feels it; and the projection of the sky on a flat sensor.
//
// Conventions. Right ascension and declination are ICRS degrees unless a name
// says otherwise. Azimuth runs from north through east, altitude from the
// horizon up. Hour angle is zero on the upper meridian and grows westward.
// Position angles run from north through east; the parallactic angle is the
// position angle of the zenith. Longitude is east positive, latitude north
// positive. Drifts are of the star against the telescope, east and north
// positive, on the sky (never divided by the cosine of the declination).
//
// The hour-angle frame used by the geometry of mounts has x towards hour angle
// zero on the equator, y towards hour angle +6 h and z towards the north
// celestial pole; increasing hour angle turns x into y. The zenith is then
// (cos lat, 0, sin lat) in either hemisphere.
//
// Positions stand on the IAU SOFA models (IAU 2006/2000A precession-nutation)
// through gofa. Dates from 1900 to 2100 are served, outside every position is
// NaN. Polar motion (up to 0.6 arcsec) is left out, and UT1 equals UTC unless
// Instant.WithDUT1 says otherwise: an error of that difference moves every
// star by 15.04 arcsec cos(dec) per second of time, at most 13.5 arcsec.
package sky
