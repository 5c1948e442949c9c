// Package star finds the stars on a frame and measures them: where they are,
// how much light they have, how wide and how long they are, and how good the
// frame as a whole is.
//
// A position is x, y in pixels with (0, 0) at the centre of the first pixel
// stored. Angles run from +x towards +y. Levels and fluxes are in ADU above the
// background. Sigmas are one standard deviation.
//
// # Finding
//
// The background and its noise are measured in meshes of 64 pixels. The frame,
// summed two by two (and again by two, up to stars of hundreds of pixels), is
// smoothed by a small Gaussian; a star is a peak at least six times the noise
// of that. Which of the scales suits the frame is decided by its bright stars,
// so that a frame far out of focus is found to be one. Single hot pixels and
// the marks of cosmic rays are narrower than the frame's stars and are dropped.
//
// # Measuring
//
// Widths are those of the elliptical Moffat profile that package psf defines,
// fitted without weights to the pixels inside 2.5 times the FWHM, the
// background taken from the meshes. The exponent is fitted to the bright stars
// of the frame; fainter stars share their median.
//
// The centroid uses the fitted profile as window: pixels weigh by their slope
// over their noise, which is the estimate of greatest likelihood and as good as
// any can be if the profile is the star's. Its noise is the background's and,
// where the gain is known, that of the star's own light.
//
// The half-flux diameter is that of the image: the circle round the centroid
// that holds half of the light. A star far out of focus, flat or with a hole, is
// placed by its moments; its light and half-flux diameter are those inside 1.3
// such diameters. Its width is still that of the profile that fits it best.
package star
