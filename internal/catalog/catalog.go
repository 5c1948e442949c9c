// Package catalog holds the sky that holdfast carries with it: 1.87 million
// stars, the number of stars too faint for that list, and the names of stars
// and deep-sky objects.
//
// Positions are ICRS at epoch J2000.0; the pack has no proper motions, so a
// nearby star may have moved by some arcseconds since. Magnitudes are VT of
// the Tycho photometer, 0.06 to 0.1 mag fainter than Johnson V for most stars.
// Stars are decoded from the embedded pack as they are asked for: importing
// the package costs nothing at start. The layout of the pack is described in
// docs/star-pack.md.
package catalog

import (
	_ "embed"
	"math"

	"holdfast/internal/unit"
)

//go:embed stars.pack
var packed string

// listing is the embedded pack.
var listing = mustOpen(packed)

// Star is a star of the catalogue.
type Star struct {
	RA, Dec   unit.Deg // ICRS, epoch J2000.0; RA in [0, 360)
	VT        unit.Mag // Tycho VT magnitude, to 0.01
	BV        unit.Mag // Johnson B-V to 0.05, from -0.40 to 2.70; 2.70 stands for redder too; NaN if not known
	Hipparcos bool     // the place is from Hipparcos: Tycho-2 lacks the star or its motion
}

// V returns the star's Johnson V magnitude. A star whose colour is not known
// is taken to have B-V = 0.7, which costs up to 0.1 mag for a very red star.
//
// Source: ESA 1997, The Hipparcos and Tycho Catalogues (SP-1200), vol. 1,
// section 1.3: V = VT - 0.090 (BT-VT), B-V = 0.850 (BT-VT).
func (s Star) V() unit.Mag {
	bv := s.BV
	if math.IsNaN(float64(bv)) {
		bv = 0.7
	}
	return s.VT - VTMinusV(bv)
}

// VTMinusV returns VT - V for a star of Johnson colour B-V, 0.106 (B-V). Good
// to about 0.02 mag for B-V between -0.2 and 1.8. NaN in, NaN out.
//
// Source: as Star.V.
func VTMinusV(bv unit.Mag) unit.Mag { return 0.090 / 0.850 * bv }

// Count returns the number of stars in the catalogue.
func Count() int { return listing.stars }

// Cone appends to dst the stars within radius of a place and not fainter than
// faintest, and returns the longer slice. They come in the order of the pack,
// not sorted by distance or brightness. RA may be any angle; +Inf as faintest
// means all. It appends nothing if an argument is NaN, dec lies outside
// [-90, 90] or radius is negative.
//
// Positions are exact to 0.045 arcsec of the source, magnitudes to 0.005.
func Cone(dst []Star, ra, dec, radius unit.Deg, faintest unit.Mag) []Star {
	return listing.cone(dst, ra, dec, radius, faintest)
}

// Complete is the VT magnitude to which Tycho-2 itself lists the stars of the
// sky: 99 percent of those brighter than V = 11.0.
//
// Source: Høg et al. 2000, The Tycho-2 catalogue of the 2.5 million brightest
// stars, A&A 355, L27.
const Complete unit.Mag = 11.0

// FaintLimit returns the VT magnitude down to which the catalogue lists every
// star everywhere within radius of a place: Complete, or less where the sky is
// so crowded that the list was cut to the ten brightest stars in each 0.141
// square degrees. A radius of zero asks for the place alone. The disc is
// sampled every 0.1 degree, a quarter of a cut cell's side, so a cell that
// reaches into it by a narrow corner may be missed. NaN if an argument is NaN,
// dec lies outside [-90, 90] or radius outside [0, 30].
func FaintLimit(ra, dec, radius unit.Deg) unit.Mag {
	faint := unit.Mag(math.NaN())
	for p := range disc(ra, dec, radius, 0.1) {
		if m := min(Complete, listing.cut(p.ra, p.dec)); math.IsNaN(float64(faint)) || m < faint {
			faint = m
		}
	}
	return faint
}
