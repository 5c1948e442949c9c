// Package fitting turns what frames taken at the telescope say into the next
// movement of a hand: how far from focus, and which way.
//
// Conventions. "Out" moves the camera away from the sky, "in" toward it.
// Numbers that are not known are NaN, and poor data gets an answer with a
// reason, not an error.
package fitting
