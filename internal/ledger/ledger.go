// Package ledger adds up everything that moves or spreads a star during an
// exposure, turns the sum into a star, and judges it.
//
// Each cause is a Row: a 2x2 covariance in arcsec^2 with axes east and north,
// its uncertainty, the rig entries it comes from and what would lower it. A
// row's covariance is the Gaussian-equivalent second moment of its profile;
// the star is made by convolving the profiles themselves, because air is not
// Gaussian, a trail is not, and neither is a defocused pupil.
//
// A Ledger belongs to one place on the sensor; the centre and the corner have
// one each.
package ledger

import (
	"math"
	"slices"

	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Term names a row. The names are part of the JSON contract.
type Term string

// The terms, in the order in which a ledger lists them.
const (
	Seeing          Term = "seeing"           // long-exposure air
	Diffraction     Term = "diffraction"      // the aperture
	Optics          Term = "optics"           // aberrations
	Pixels          Term = "pixels"           // the pixel's own square
	Focus           Term = "focus"            // distance from best focus
	Tracking        Term = "tracking"         // drive error left after correction
	CorrectionNoise Term = "correction_noise" // what the loop injects
	Wind            Term = "wind"             // shake left after correction
	Backlash        Term = "backlash"         // of the declination axis
	Flexure         Term = "flexure"          // between the two telescopes
	MirrorShift     Term = "mirror_shift"     // of a mirror that moves to focus
	FieldRotation   Term = "field_rotation"   // about the guide star
	Refraction      Term = "refraction"       // between guide star and target
	Drift           Term = "drift"            // what nothing corrects
)

// Terms lists every term in ledger order.
var Terms = []Term{Seeing, Diffraction, Optics, Pixels, Focus, Tracking, CorrectionNoise, Wind,
	Backlash, Flexure, MirrorShift, FieldRotation, Refraction, Drift}

// Given reports whether the term is one that the owner of a rig cannot change
// on the night: the air, the aperture's diffraction and the pixels.
func (t Term) Given() bool { return t == Seeing || t == Diffraction || t == Pixels }

// unavoidable reports whether the term counts toward the star that a perfectly
// held telescope would make, against which the FWHM goal is set.
func (t Term) unavoidable() bool { return t.Given() || t == Optics }

// Move is a straight, steady displacement during one exposure, signed, on the
// sky. A star so displaced is drawn into a uniform trail.
type Move struct{ East, North unit.Arcsec }

// Length returns the length of the trail.
func (m Move) Length() unit.Arcsec { return unit.Arcsec(math.Hypot(float64(m.East), float64(m.North))) }

// kernel returns the trail's profile.
func (m Move) kernel() psf.Kernel {
	pa := unit.Rad(math.Atan2(float64(m.East), float64(m.North)))
	return psf.Trail(m.Length(), pa.Deg())
}

// Row is one cause in the ledger. The zero Row with a Term is a cause that is
// absent.
type Row struct {
	Term Term
	Cov  psf.Cov
	// Sigma is the standard error of each element of Cov in arcsec^2; NaN where
	// it is not known.
	Sigma psf.Cov
	// Unknown marks a row that could not be told from the evidence. It counts
	// nothing in the sum, and is not zero.
	Unknown bool
	Entries []string // rig entries it answers to
	Assumed []string // those of Entries that were assumed
	Remedy  string   // what would lower it

	kernels []psf.Kernel
	moves   []Move
}

// Spread returns the row with a profile added to it: its covariance grows by
// the profile's Gaussian-equivalent moment.
func (r Row) Spread(k psf.Kernel) Row {
	r.Cov = r.Cov.Plus(k.Cov())
	r.kernels = append(slices.Clip(r.kernels), k)
	return r
}

// Trail returns the row with a steady displacement during the exposure added.
func (r Row) Trail(m Move) Row {
	if m.Length() == 0 {
		return r
	}
	r.Cov = r.Cov.Plus(m.kernel().Cov())
	r.moves = append(slices.Clip(r.moves), m)
	return r
}

// RMS returns the row's one-sigma widths along east and north.
func (r Row) RMS() (east, north unit.Arcsec) {
	return unit.Arcsec(math.Sqrt(r.Cov.EastArcsec2)), unit.Arcsec(math.Sqrt(r.Cov.NorthArcsec2))
}

// RMSSigma returns the standard errors of the row's one-sigma widths, from
// those of its variances: sigma(rms) = sigma(var)/(2 rms). A row of zero width
// has none.
func (r Row) RMSSigma() (east, north unit.Arcsec) {
	half := func(v, s float64) unit.Arcsec {
		if v <= 0 {
			return 0
		}
		return unit.Arcsec(s / (2 * math.Sqrt(v)))
	}
	return half(r.Cov.EastArcsec2, r.Sigma.EastArcsec2), half(r.Cov.NorthArcsec2, r.Sigma.NorthArcsec2)
}

// Trace returns the sum of a covariance's variances along its two axes.
func Trace(c psf.Cov) (arcsec2 float64) { return c.EastArcsec2 + c.NorthArcsec2 }

// Ledger is the list of causes at one place on the sensor, in the order of
// Terms.
type Ledger []Row

// Row returns the row of a term and whether the ledger has it.
func (l Ledger) Row(t Term) (Row, bool) {
	for _, r := range l {
		if r.Term == t {
			return r, true
		}
	}
	return Row{Term: t}, false
}

// Total returns the summed covariance of all known rows.
func (l Ledger) Total() psf.Cov {
	var sum psf.Cov
	for _, r := range l {
		if !r.Unknown {
			sum = sum.Plus(r.Cov)
		}
	}
	return sum
}

// Without returns the ledger with the rows of the given terms left out.
func (l Ledger) Without(terms ...Term) Ledger {
	out := make(Ledger, 0, len(l))
	for _, r := range l {
		if !slices.Contains(terms, r.Term) {
			out = append(out, r)
		}
	}
	return out
}

// Unavoidable returns the rows that a perfectly focused and perfectly held
// telescope would still have: air, diffraction, optics and pixels.
func (l Ledger) Unavoidable() Ledger {
	out := make(Ledger, 0, 4)
	for _, r := range l {
		if r.Term.unavoidable() {
			out = append(out, r)
		}
	}
	return out
}

// Star convolves the profiles of all known rows and returns the star they
// make. The moves of different rows are taken as independent: their directions
// are not known against each other.
func (l Ledger) Star() psf.Profile {
	var buf [24]psf.Kernel
	return l.star(l.profiles(buf[:0]))
}

// Image draws the star that Star describes as a camera sees it, of unit flux: a
// row of nx by ny pixels after the other, the star in the middle, angle the
// position angle of +y (see psf.Image). It takes milliseconds.
func (l Ledger) Image(nx, ny int, scale unit.Scale, angle unit.Deg) []float64 {
	return psf.Image(nil, nx, ny, unit.Px(nx-1)/2, unit.Px(ny-1)/2, scale, angle, l.profiles(nil)...)
}

// profiles appends the profiles of all known rows to ks, moves as trails.
func (l Ledger) profiles(ks []psf.Kernel) []psf.Kernel {
	for _, r := range l {
		if r.Unknown {
			continue
		}
		ks = append(ks, r.kernels...)
		for _, m := range r.moves {
			ks = append(ks, m.kernel())
		}
	}
	return ks
}

// star convolves profiles. A star so far out of focus or so long a trail that no
// profile fits it has the widths of its moments.
func (l Ledger) star(ks []psf.Kernel) psf.Profile {
	p := psf.Star(ks...)
	if !math.IsNaN(float64(p.Major)) {
		return p
	}
	var sum psf.Cov
	for _, k := range ks {
		sum = sum.Plus(k.Cov())
	}
	major, minor, pa := sum.Axes()
	return psf.Profile{Major: major * fwhmPerSigma, Minor: minor * fwhmPerSigma, PA: pa}
}

// fwhmPerSigma is 2 sqrt(2 ln 2).
const fwhmPerSigma = 2.3548200450309493

// Together is Star with all moves added as vectors before they are drawn: what
// one night makes of them, where they do have directions against each other.
func (l Ledger) Together() psf.Profile {
	var buf [24]psf.Kernel
	ks := buf[:0]
	var sum Move
	for _, r := range l {
		if r.Unknown {
			continue
		}
		ks = append(ks, r.kernels...)
		for _, m := range r.moves {
			sum.East += m.East
			sum.North += m.North
		}
	}
	if sum.Length() > 0 {
		ks = append(ks, sum.kernel())
	}
	return l.star(ks)
}
