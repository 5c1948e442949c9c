// Package psf convolves the profiles of everything that spreads a star into
// the star a camera records, and measures it: the one definition of width and
// ellipticity in holdfast.
//
// # Causes
//
// A Kernel is the profile of one cause, normalised to unit flux and given by
// its optical transfer function: its Fourier transform at u, v cycles per
// arcsecond toward east and north. All kernels are centrally symmetric, so the
// transforms are real, and a convolution is their product. Position angles run
// from north through east.
//
// # The definition of width
//
// The widths quoted for a star are those of the elliptical Moffat profile
//
//	M = A (1 + g Q)^(-1/g),  Q a positive quadratic form of the position,  0 <= g <= 1/1.2
//
// that fits the star's image, the pixel's own extent included, best by
// unweighted least squares over the whole plane, with no background. 1/g is
// Moffat's exponent beta; g = 0 is the Gaussian exp(-Q), to which the family
// tends smoothly, and it is taken whenever the star is more flat-topped than
// that. FWHM is the full width at half maximum of M along its principal axes,
// the width of a star is the geometric mean of the two, ellipticity is 1 - b/a
// and the position angle is that of the major axis.
//
// Why so. A contour is undefined on pixels as wide as the star; second moments
// are infinite for the air's and the pupil's wings and depend on where one
// stops; a window's width is a parameter. The fit needs none, exists for every
// star, weights where the light is, and is what a measurement of a real frame
// does. The plane need not be whole: fitting inside an ellipse of twice the
// FWHM in radius changes the FWHM of air by 0.12 %, of a trail as long as the
// air is wide by 0.07 %, of a defocused star not at all; 2.5 times, 0.02 %.
// Inside 1.5 times it is 0.5 %, so measure in 2 or more. Forcing beta <= 50
// instead of letting g reach 0 would narrow a pixel-integrated Gaussian by
// 0.7 %; hence g, not beta, is the parameter.
//
// What it is not. Of air alone the fitted FWHM is 1.3 % below the contour's.
// Of a trail it is below the contour's and above the moments': a trail of 4"
// on 2" of air is 3.82" by 2.15" (ellipticity 0.44); by contour it is 4.10" by
// 2.06" (0.50). The profile is a description, not a model: the light of a hard
// donut does not follow it.
//
// Star computes the fit for a sum of kernels, FitImage for an image. Excess,
// Air and Trailed go the way back, from a measured profile to the cause that
// must be added. Peak, Enclosed and HalfFluxDiameter are those of the image
// itself, not of the profile. Image draws it.
package psf
