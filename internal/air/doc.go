// Package air says what the turbulent air does to a star: how wide it makes
// it, how far and how fast it moves it, how much of that motion two telescopes
// share, and how the wind gusts.
//
// Lengths of turbulence (Fried length, outer scale) are in metres, seen from a
// line of sight; wavelengths in micrometres; frequencies in Hz; spectra are
// one-sided, so that the integral from 0 to infinity is the variance. Image
// motion is per axis. "Motion" is that of the centroid (gradient tilt), unless
// wavefront tilt is named. The outer scale may be +Inf (Kolmogorov).
//
// The model is one frozen layer in front of the aperture, near field, a clear
// round pupil. Real air has several layers and a slow one near the ground: no
// figure from here deserves better than 30 %.
package air
