// Package solve answers where a frame points, from a list of its stars and the
// catalogue the program carries, and how two frames of one field lie to each
// other. It refuses when the stars do not settle it.
//
// Method. Four stars make a quad, whose shape does not change with place,
// scale and rotation. Quads of the frame are looked up among quads of the
// catalogue; each agreement is a pose of the camera, which predicts where the
// other stars of the frame have to be. A pose is believed when chance is a
// worse explanation for what it predicts by odds of a million, and then
// refined by least squares on the tangent plane with a distortion of up to
// third order. docs/solve.md derives the odds and lists what was measured.
//
// Conventions. x and y are pixels with (0,0) at the centre of the first pixel
// stored, x along a row; nothing is assumed about where the first row lies in
// the picture. Places on the sky are ICRS; the catalogue holds no proper
// motions, so they are those of J2000.0 (a star that moves 0.1 arcsec a year
// is 2.7 arcsec off in 2027 and counts as an outlier where that matters).
package solve
