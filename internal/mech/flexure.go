package mech

import (
	"math"

	"holdfast/internal/unit"
)

// Holder is how a guide telescope is held.
type Holder string

// The kinds of holder.
const (
	FinderShoe   Holder = "finder-shoe"
	RingsOnPlate Holder = "rings-on-plate"
	ORingBracket Holder = "o-ring-bracket"
)

// DriftGuess is how fast one telescope turns against the other where nobody has
// measured it. The true value lies within Factor either way about two times in
// three.
type DriftGuess struct {
	ArcsecPerHr float64
	Factor      float64
}

// HolderDrift returns the usual flexure drift of a guide telescope in a kind of
// holder; NaN for another kind.
//
// Source: common practice, no source.
func HolderDrift(h Holder) DriftGuess {
	switch h {
	case FinderShoe:
		return DriftGuess{5, 2}
	case RingsOnPlate:
		return DriftGuess{2, 2}
	case ORingBracket:
		return DriftGuess{15, 2}
	}
	return DriftGuess{math.NaN(), math.NaN()}
}

// MirrorDrift returns the usual slow drift of the image of a telescope that
// focuses by moving its main mirror, as the mirror settles on its tube: 5
// arcsec/h at 203 mm of aperture and 20 at 356, and in between and beyond the
// power law through both, 5 (D/203)^2.47. Sudden slips come besides. NaN if the
// aperture is not positive.
//
// Source: common practice, no source, for the two sizes; the power law between
// them is a choice.
func MirrorDrift(aperture unit.MM) DriftGuess {
	if bad(float64(aperture)) {
		return DriftGuess{math.NaN(), math.NaN()}
	}
	power := math.Log(20.0/5) / math.Log(356.0/203)
	return DriftGuess{5 * math.Pow(float64(aperture)/203, power), 2}
}
