package catalog

import (
	"iter"
	"math"

	"holdfast/internal/unit"
)

// cone is Cone on any pack.
func (p *pack) cone(dst []Star, ra, dec, radius unit.Deg, faintest unit.Mag) []Star {
	if !(math.Abs(float64(dec)) <= 90 && radius >= 0) || math.IsNaN(float64(faintest)) || math.IsNaN(float64(ra)) || math.IsInf(float64(ra), 0) {
		return dst
	}
	const toRad = math.Pi / 180
	ra0, dec0, r := wrap(float64(ra)), float64(dec), min(float64(radius), 180)
	code := 1 << magBits // the first magnitude code too faint
	if limit := float64(faintest); limit < brightest+magStep*(1<<magBits) {
		code = int(math.Floor((limit-brightest)/magStep+1e-6)) + 1
	}
	sinHalf := math.Sin(r * toRad / 2)
	hav := sinHalf * sinHalf
	cosDec := math.Cos(dec0 * toRad)

	h := p.height()
	const slack = 1e-9 // degrees, far above rounding and far below a star's step
	from := max(0, int(math.Floor((dec0-r-slack+90)/h)))
	to := min(p.zones-1, int(math.Floor((dec0+r+slack+90)/h)))
	for z := from; z <= to; z++ {
		zoneStar, zoneCell := p.zoneAt(z)
		zoneEnd, nextCell := p.zoneAt(z + 1)
		n := nextCell - zoneCell
		half := reach(dec0, r, -90+h*float64(z), -90+h*float64(z+1)) + slack
		first := int(math.Floor((ra0 - half) / 360 * float64(n)))
		last := int(math.Floor((ra0 + half) / 360 * float64(n)))
		if last-first+1 >= n {
			first, last = 0, n-1
		}
		whole := farthest(dec0, -90+h*float64(z), -90+h*float64(z+1)) < r-slack
		for k := first; k <= last; k++ {
			c := (k + n) % n
			i, end := zoneStar+u16(p.cell, 2*(zoneCell+c)), zoneEnd
			if c+1 < n {
				end = zoneStar + u16(p.cell, 2*(zoneCell+c)+2)
			}
			for ; i < end; i++ {
				rec := p.record(i)
				if int(rec>>magShift) >= code {
					break // the rest of the cell is fainter
				}
				s := p.decode(rec, z, c, n)
				if whole {
					dst = append(dst, s)
					continue
				}
				sd := math.Sin((float64(s.Dec) - dec0) * toRad / 2)
				sa := math.Sin((float64(s.RA) - ra0) * toRad / 2)
				if sd*sd+math.Cos(float64(s.Dec)*toRad)*cosDec*sa*sa <= hav {
					dst = append(dst, s)
				}
			}
		}
	}
	return dst
}

// reach returns the greatest difference in right ascension, in degrees, that a
// circle of radius r about declination dec0 has within the zone lo to hi.
//
// Derivation: at declination d the circle ends where cos(dRA) = (cos r - sin d
// sin dec0) / (cos d cos dec0); the difference is greatest, asin(sin r / cos
// dec0), where sin d = sin dec0 / cos r. A circle that holds a pole has every
// right ascension.
func reach(dec0, r, lo, hi float64) float64 {
	if dec0+r >= 90 || dec0-r <= -90 {
		return 180
	}
	const toRad = math.Pi / 180
	sin0, cos0 := math.Sincos(dec0 * toRad)
	sinR, cosR := math.Sincos(r * toRad)
	if widest := math.Asin(sin0/cosR) / toRad; widest >= lo && widest <= hi {
		return math.Asin(min(1, sinR/cos0)) / toRad
	}
	at := func(d float64) float64 {
		sin, cos := math.Sincos(d * toRad)
		c := (cosR - sin*sin0) / (cos * cos0)
		return math.Acos(max(-1, min(1, c))) / toRad
	}
	return max(at(lo), at(hi))
}

// farthest returns the distance, in degrees, from declination dec0 of the
// farthest place in the zone lo to hi: half a turn of right ascension away,
// where declination d is 180 - |d + dec0| from it.
func farthest(dec0, lo, hi float64) float64 {
	if lo+dec0 < 0 && hi+dec0 > 0 {
		return 180
	}
	return 180 - min(math.Abs(lo+dec0), math.Abs(hi+dec0))
}

// wrap returns the angle in [0, 360).
func wrap(deg float64) float64 {
	if deg = math.Mod(deg, 360); deg < 0 {
		deg += 360
	}
	if deg >= 360 { // a tiny negative angle
		deg = 0
	}
	return deg
}

// place is a direction in degrees.
type place struct{ ra, dec float64 }

// disc yields the places of a square grid that lie within radius of a place,
// the place itself first, each standing for pitch^2 square degrees. It yields
// none if an argument is NaN, dec lies outside [-90, 90] or radius outside
// [0, 30].
func disc(ra, dec, radius unit.Deg, pitch float64) iter.Seq[place] {
	return func(yield func(place) bool) {
		if !(math.Abs(float64(dec)) <= 90 && radius >= 0 && radius <= 30) || math.IsNaN(float64(ra)) || math.IsInf(float64(ra), 0) {
			return
		}
		if !yield(place{wrap(float64(ra)), float64(dec)}) {
			return
		}
		n := int(float64(radius) / pitch)
		for j := -n; j <= n; j++ {
			for i := -n; i <= n; i++ {
				x, y := float64(i)*pitch, float64(j)*pitch
				if i == 0 && j == 0 || math.Hypot(x, y) > float64(radius) {
					continue
				}
				if !yield(offset(float64(ra), float64(dec), x, y)) {
					return
				}
			}
		}
	}
}

// offset returns the place at the distance hypot(x, y) degrees from ra, dec in
// the direction x towards east and y towards north.
func offset(ra, dec, x, y float64) place {
	const toRad = math.Pi / 180
	dist := math.Hypot(x, y)
	if dist == 0 {
		return place{wrap(ra), dec}
	}
	sinD, cosD := math.Sincos(dist * toRad)
	sin0, cos0 := math.Sincos(dec * toRad)
	north, east := y/dist*sinD, x/dist*sinD
	z := sin0*cosD + cos0*north
	return place{
		wrap(ra + math.Atan2(east, cos0*cosD-sin0*north)/toRad),
		math.Asin(max(-1, min(1, z))) / toRad,
	}
}
