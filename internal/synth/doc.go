// Package synth draws what a camera records of a star field while the image
// wanders over its sensor: frames pixel by pixel, or tables of stars without
// the pixels.
//
// # From causes to a star
//
// What moves the image during an exposure is a Path, sampled in time: the air's
// image motion, the drive, what corrects it. What spreads it at every instant
// are kernels of package psf: the short exposure through the air, diffraction,
// defocus, the optics. A Lens knows the kernels over the frame and an Image
// convolves them with the path, at a grid of places between which stars are
// interpolated; it is the one source of the shapes of stars in frames and
// tables alike.
//
// # Conventions
//
// A place in the frame is x, y in pixels with (0, 0) at the centre of the first
// one. Light is in electrons. Position angles run from north through east; a
// Field says how sky and frame lie on each other. Pixels are the delivered
// ones, after binning, unless something says "of the sensor".
//
// # Randomness
//
// Everything random is a function of seeds and of what it belongs to: the noise
// of a pixel of the sensor's place and the exposure's seed and number, that of
// a star in a table of the star's, a hot pixel of the sensor's seed. So the
// same exposure has the same bytes with any number of workers, and a region of
// it those of the whole. Across architectures rounding may differ.
package synth
