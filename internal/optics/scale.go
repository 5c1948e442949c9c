package optics

import (
	"math"

	"holdfast/internal/unit"
)

// Scale returns the angle on the sky that one pixel covers at the centre of a
// flat field. NaN if either length is not positive. The small-angle form is
// within 1e-9 of the exact one for pixels below F/10000; distortion is not
// included.
//
// Source: definition; 1 rad = 206264.806 arcsec.
func Scale(pixel unit.Micron, focal unit.MM) unit.Scale {
	if bad(float64(pixel), float64(focal)) {
		return unit.Scale(math.NaN())
	}
	return unit.Scale(unit.ArcsecPerRad * 1e-3 * float64(pixel) / float64(focal))
}

// ShiftAngle returns the angle on the sky by which a star moves when its image
// moves by shift across the focal plane, with the sign of shift. NaN if focal
// is not positive.
//
// Source: definition, exact on the axis of a flat field (arc tangent).
func ShiftAngle(shift unit.Micron, focal unit.MM) unit.Arcsec {
	if bad(float64(focal)) {
		return unit.Arcsec(math.NaN())
	}
	return unit.Rad(math.Atan(float64(shift.MM()) / float64(focal))).Arcsec()
}

// FieldOfView returns the full angle on the sky seen by a length of sensor
// centred on the axis: 2 atan(length/2F). NaN if either is not positive.
// Exact for a flat field without distortion.
//
// Source: definition.
func FieldOfView(length, focal unit.MM) unit.Deg {
	if bad(float64(length), float64(focal)) {
		return unit.Deg(math.NaN())
	}
	return unit.Rad(2 * math.Atan(float64(length)/float64(focal)/2)).Deg()
}

// FieldOfViewSmall returns the small-angle field of view, length/F, which is
// what pixels times scale gives: 0.007 % more than FieldOfView at 1.7 degrees.
// NaN if either is not positive.
//
// Source: definition.
func FieldOfViewSmall(length, focal unit.MM) unit.Deg {
	if bad(float64(length), float64(focal)) {
		return unit.Deg(math.NaN())
	}
	return unit.Rad(float64(length) / float64(focal)).Deg()
}

// NyquistMTF returns the contrast that a Gaussian star of the given FWHM still
// has at half a cycle per pixel, 0 to 1. It measures how far pixels undersample
// the star: 0.03 at 2 px (well sampled), 0.14 at 1.5 px, 0.41 at 1 px (the
// centroid depends on where in its pixel the star falls). NaN if fwhm is not
// positive. The averaging by the pixel itself is not included.
//
// Source: Fourier transform of a Gaussian, exp(-2 pi^2 sigma^2 f^2) at f = 1/2.
func NyquistMTF(fwhm unit.Px) float64 {
	if bad(float64(fwhm)) {
		return math.NaN()
	}
	sigma := float64(fwhm) / fwhmPerSigma
	return math.Exp(-math.Pi * math.Pi * sigma * sigma / 2)
}
