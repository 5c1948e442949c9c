package catalog

import (
	"math"

	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// meanCount is the number of stars brighter than VT 5, 6, ..., 16 in a square
// degree, averaged over the sky. To VT 10 it is counted in this catalogue
// (Tycho-2). To 14 it grows as a public count table of the merged Tycho-2 and
// UCAC4 catalogues does: 9.282, 25.41, 71.65, 178.1 and 417.3 for magnitude 10
// to 14. The last two steps, x 2.25 and x 2.15, continue that by eye.
var meanCount = [...]float64{0.02991, 0.1044, 0.3347, 1.003, 2.892, 7.906, 21.64, 61.03, 151.7, 355.4, 800, 1720}

const meanFirst, meanLast = 5, 16

// latitudes are the middles, in sin|b|, of the bands of latitudeFactor: 0-5,
// 5-10, 10-20, 20-30, 30-50, 50-70 and 70-90 degrees.
var latitudes = [...]float64{0.0436, 0.1304, 0.2578, 0.4210, 0.6330, 0.8529, 0.9698}

// latitudeFactor is the density in each band over the mean of the sky, for the
// magnitudes of latitudeMag. At VT 8, 10 and 11 it is counted in this
// catalogue (at 11 with the stars the cut left out below 20 degrees put back
// so that the mean is 1). At 14 and 16 the bands above 20 degrees are those of
// 11 grown as Bahcall & Soneira 1980 have it, and the rest follows from the mean.
var (
	latitudeMag    = [...]float64{8, 10, 11, 14, 16}
	latitudeFactor = [...][len(latitudes)]float64{
		{1.767, 1.477, 1.238, 0.984, 0.766, 0.666, 0.579},
		{1.987, 1.640, 1.281, 0.969, 0.719, 0.553, 0.479},
		{2.14, 1.80, 1.375, 0.922, 0.650, 0.473, 0.404},
		{2.60, 2.20, 1.52, 0.805, 0.486, 0.318, 0.258},
		{2.70, 2.30, 1.53, 0.828, 0.438, 0.276, 0.215},
	}
)

// Model returns the number of stars brighter than v in a square degree at
// galactic latitude b, averaged over longitude. v is a VT magnitude in [5, 16];
// NaN outside, or if b lies outside [-90, 90]. Half the fields of a degree lie
// within 20 percent of it at VT 10; a cluster or a dark cloud may be off by a
// factor of three. From VT 14 to 16 the model is an extrapolation.
//
// Source: counts in this catalogue to VT 10; beyond, see meanCount and
// latitudeFactor.
func Model(v unit.Mag, b unit.Deg) (perDeg2 float64) {
	if !(v >= meanFirst && v <= meanLast && math.Abs(float64(b)) <= 90) {
		return math.NaN()
	}
	i := min(int(v)-meanFirst, len(meanCount)-2)
	f := float64(v) - float64(meanFirst+i)
	mean := math.Exp((1-f)*math.Log(meanCount[i]) + f*math.Log(meanCount[i+1]))
	return mean * latitude(float64(v), math.Sin(math.Abs(float64(b.Rad()))))
}

// latitude returns the density at sin|b| over the mean of the sky: linear in
// sin|b|, its logarithm linear in magnitude. It is that of VT 8 for brighter
// stars.
func latitude(v, sinB float64) float64 {
	row := func(k int) float64 {
		for i := 1; i < len(latitudes); i++ {
			if sinB < latitudes[i] || i == len(latitudes)-1 {
				f := (sinB - latitudes[i-1]) / (latitudes[i] - latitudes[i-1])
				return (1-f)*latitudeFactor[k][i-1] + f*latitudeFactor[k][i]
			}
		}
		return math.NaN() // not reached
	}
	v = max(v, latitudeMag[0])
	k := 1
	for k < len(latitudeMag)-1 && v > latitudeMag[k] {
		k++
	}
	f := (v - latitudeMag[k-1]) / (latitudeMag[k] - latitudeMag[k-1])
	return math.Exp((1-f)*math.Log(row(k-1)) + f*math.Log(row(k)))
}

// BahcallSoneira returns the number of stars brighter than Johnson V in a
// square degree at galactic longitude l and latitude b, by the closed form of
// Bahcall & Soneira. NaN for |b| under 20 degrees and for V outside [4, 20].
//
// It is a pessimistic floor: against real counts it is right for V < 8 at
// |b| = 20 to 30 and half as many at the poles.
//
// Source: Bahcall & Soneira 1980, ApJS 44, 73, appendix B.
func BahcallSoneira(v unit.Mag, l, b unit.Deg) (perDeg2 float64) {
	m, lat := float64(v), math.Abs(float64(b))
	if !(lat >= 20 && lat <= 90 && m >= 4 && m <= 20) {
		return math.NaN()
	}
	sinB, cosB := math.Sincos(lat * math.Pi / 180)
	cosL := math.Cos(float64(l.Rad()))
	mu, gamma := 0.03, 0.36
	if m > 12 {
		mu, gamma = 0.0075*(m-12)+0.03, 0.04*(12-m)+0.36
	}
	sigma := 1.45 - 0.20*cosB*cosL
	disc := 925 * math.Pow(10, 0.035*(m-15.75)) / math.Pow(1+math.Pow(10, -0.132*(m-15.75)), 3) *
		math.Pow(sinB*(1-mu*cosB/sinB*cosL), -(3-5*gamma))
	spheroid := 1050 * math.Pow(10, 0.087*(m-17.5)) / math.Pow(1+math.Pow(10, -0.18*(m-17.5)), 2.5) *
		math.Pow(1-cosB*cosL, -sigma)
	return disc + spheroid
}

// Counts is the number of stars to expect in one part of the sky: the model
// scaled to what the catalogue has there.
type Counts struct {
	Latitude unit.Deg // galactic latitude
	Limit    unit.Mag // VT to which the catalogue is complete at the place itself
	Factor   float64  // the catalogue's count over the model's, 1 for an average place
	Stars    int      // catalogue stars the factor rests on
}

// priorStars is the weight of the model in Factor, in stars: an average place
// departs from the model by about 1/sqrt(priorStars), 40 percent.
const priorStars = 6

// Around returns the counts for the disc of a radius about a place. The factor
// is the number of catalogue stars, down to the limit of each cell or
// Complete, over the number the model has to the same limits, both with
// priorStars added. Half a degree to three are sensible radii. The Factor is
// NaN, and with it all that follows from it, if an argument is NaN, dec lies
// outside [-90, 90] or radius outside [0, 30].
func Around(ra, dec, radius unit.Deg) Counts {
	_, b := sky.Direction{RA: ra, Dec: dec}.Galactic()
	c := Counts{Latitude: b, Limit: FaintLimit(ra, dec, 0), Factor: math.NaN()}
	if math.IsNaN(float64(c.Limit)) || !(radius >= 0 && radius <= 30) {
		return c
	}
	// A cell that was cut ends at its tenth star. Ten stars over the model's
	// count to the tenth is then the density's most likely value; the limit
	// table rounds down by half a step on average.
	depth := func(ra, dec float64, steps float64) unit.Mag {
		return min(Complete, listing.cut(ra, dec)+unit.Mag(steps*limitStep))
	}
	for _, s := range Cone(nil, ra, dec, radius, Complete) {
		if s.VT < depth(float64(s.RA), float64(s.Dec), 1) {
			c.Stars++
		}
	}
	const points = 12 // to a radius
	want := 0.0
	n := 0
	for p := range disc(ra, dec, radius, max(float64(radius)/points, 1e-6)) {
		_, b := sky.Direction{RA: unit.Deg(p.ra), Dec: unit.Deg(p.dec)}.Galactic()
		want += Model(depth(p.ra, p.dec, 0.5), b)
		n++
	}
	r := float64(radius.Rad())
	deg2 := 2 * math.Pi * (1 - math.Cos(r)) * (180 / math.Pi) * (180 / math.Pi)
	c.Factor = (float64(c.Stars) + priorStars) / (want/float64(n)*deg2 + priorStars)
	return c
}

// Density returns the number of stars brighter than v to expect in a square
// degree. v is a VT magnitude in [5, 16]; NaN outside.
func (c Counts) Density(v unit.Mag) (perDeg2 float64) { return c.Factor * Model(v, c.Latitude) }

// Hidden returns the number of stars brighter than v to expect in a square
// degree that the catalogue does not list: those between Limit and v. Zero if
// v is not fainter than Limit; NaN if v is fainter than 16.
func (c Counts) Hidden(v unit.Mag) (perDeg2 float64) {
	if v <= c.Limit {
		return 0
	}
	return c.Density(v) - c.Density(c.Limit)
}

// Chance returns the probability that an area holds at least one star brighter
// than v, listed or not.
func (c Counts) Chance(v unit.Mag, areaDeg2 float64) float64 { return Chance(c.Density(v), areaDeg2) }

// Reached returns the VT magnitude v for which the area holds, with
// probability p, at least one star brighter than v. -Inf if a star brighter
// than VT 5 is that likely; +Inf if v would be fainter than 16; NaN if p lies
// outside (0, 1) or areaDeg2 is not positive.
func (c Counts) Reached(p, areaDeg2 float64) unit.Mag {
	if !(p > 0 && p < 1 && areaDeg2 > 0) || math.IsNaN(c.Factor) {
		return unit.Mag(math.NaN())
	}
	lo, hi := unit.Mag(meanFirst), unit.Mag(meanLast)
	if c.Chance(lo, areaDeg2) >= p {
		return unit.Mag(math.Inf(-1))
	}
	if c.Chance(hi, areaDeg2) < p {
		return unit.Mag(math.Inf(1))
	}
	for hi-lo > 1e-6 {
		if mid := (lo + hi) / 2; c.Chance(mid, areaDeg2) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// Density returns the number of stars brighter than v to expect in a square
// degree about a place, scaled to the catalogue's stars within one degree. v
// is a VT magnitude in [5, 16]; NaN outside.
func Density(v unit.Mag, ra, dec unit.Deg) (perDeg2 float64) {
	return Around(ra, dec, 1).Density(v)
}

// Chance returns the probability that an area holds at least one star of a
// Poisson field: 1 - exp(-n A). Stars cluster, so sparse fields are emptier
// than that. NaN if an argument is negative or NaN.
func Chance(perDeg2, areaDeg2 float64) float64 {
	if !(perDeg2 >= 0 && areaDeg2 >= 0) {
		return math.NaN()
	}
	return -math.Expm1(-perDeg2 * areaDeg2)
}
