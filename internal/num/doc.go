// Package num holds the numerical methods that no library in use provides:
// bounded nonlinear least squares for problems of a few parameters, solved by
// the normal equations so that the caller need not store a Jacobian, and the
// small dense algebra that goes with it.
//
// Matrices are slices in row-major order; a symmetric n by n matrix is stored
// in full. Values are pure numbers: the caller gives them their units.
package num
