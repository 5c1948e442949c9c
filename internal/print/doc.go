// Package print makes reports of results: each is one HTML file that stands by
// itself, reads on a screen and prints well on A4 and on letter paper. It
// computes nothing.
package print
