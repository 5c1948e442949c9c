package psf

import (
	"math"

	"holdfast/internal/unit"
)

// fwhmPerSigma is the full width at half maximum of a Gaussian in units of its
// standard deviation, 2 sqrt(2 ln 2).
const fwhmPerSigma = 2.3548200450309493

// Cov is a covariance on the sky in square arcseconds, axes east and north.
// Covariances of causes that act independently add.
type Cov struct {
	EastArcsec2  float64 // variance along east
	NorthArcsec2 float64 // variance along north
	CrossArcsec2 float64 // covariance of east and north
}

// Round returns the covariance that has the same one-axis sigma in every
// direction. NaN if sigma is negative.
func Round(sigma unit.Arcsec) Cov {
	v := square(sigma)
	return Cov{EastArcsec2: v, NorthArcsec2: v}
}

// Along returns the covariance of a motion along one line: sigma on the
// position angle pa, nothing across. NaN if sigma is negative.
func Along(sigma unit.Arcsec, pa unit.Deg) Cov {
	east, north := direction(pa)
	v := square(sigma)
	return Cov{v * east * east, v * north * north, v * east * north}
}

// Plus returns the sum of the two covariances.
func (c Cov) Plus(d Cov) Cov {
	return Cov{c.EastArcsec2 + d.EastArcsec2, c.NorthArcsec2 + d.NorthArcsec2, c.CrossArcsec2 + d.CrossArcsec2}
}

// Times returns the covariance with every variance multiplied by k.
func (c Cov) Times(k float64) Cov {
	return Cov{k * c.EastArcsec2, k * c.NorthArcsec2, k * c.CrossArcsec2}
}

// Axes returns the one-sigma widths along the principal axes and the position
// angle of the major one, 0 <= pa < 180; pa is 0 if the two are equal. A width
// is NaN where the variance is negative.
//
// Source: eigenvalues of a symmetric 2x2 matrix.
func (c Cov) Axes() (major, minor unit.Arcsec, pa unit.Deg) {
	a2, b2, angle := c.principal()
	return unit.Arcsec(math.Sqrt(a2)), unit.Arcsec(math.Sqrt(b2)), angle
}

// principal returns the variances along the principal axes and the position
// angle of the larger.
func (c Cov) principal() (major2, minor2 float64, pa unit.Deg) {
	mean, half := (c.NorthArcsec2+c.EastArcsec2)/2, (c.NorthArcsec2-c.EastArcsec2)/2
	d := math.Hypot(half, c.CrossArcsec2)
	if d > 0 {
		pa = unit.Rad(0.5 * math.Atan2(c.CrossArcsec2, half)).Deg()
		if pa < 0 {
			pa += 180
		}
		if pa >= 180 { // rounding of the line above
			pa = 0
		}
	}
	major2, minor2 = mean+d, mean-d
	if math.Abs(minor2) < 1e-14*major2 { // a line: what is left is rounding
		minor2 = 0
	}
	return major2, minor2, pa
}

// square returns the square of a width, NaN if the width is negative.
func square(a unit.Arcsec) float64 {
	if a < 0 {
		return math.NaN()
	}
	return float64(a) * float64(a)
}

// direction returns the east and north components of the unit vector at the
// position angle pa.
func direction(pa unit.Deg) (east, north float64) {
	// Exact on the axes, so that a kernel along east has no width along north.
	switch pa {
	case 0:
		return 0, 1
	case 90:
		return 1, 0
	}
	return math.Sincos(float64(pa.Rad()))
}
