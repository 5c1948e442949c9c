package star

import (
	"math"

	"holdfast/internal/frame"
)

// A smoother smooths rows of a picture by the weights 1 2 1 along and across,
// as they come. At the ends of a row its last pixel stands for what is beyond.
type smoother struct {
	along [3][]float32 // the last three rows, smoothed along
	seen  int
}

// reset makes the smoother ready for rows of n pixels.
func (s *smoother) reset(n int) {
	s.seen = 0
	for i := range s.along {
		if cap(s.along[i]) < n {
			s.along[i] = make([]float32, n)
		}
		s.along[i] = s.along[i][:n]
	}
}

// push takes the next row and, from the third on, fills out with the smoothed
// row before it and returns true.
func (s *smoother) push(row, out []float32) bool {
	n := len(row)
	a := s.along[s.seen%3][:n]
	if n == 1 {
		a[0] = 4 * row[0]
	} else {
		a[0] = 3*row[0] + row[1]
		left, mid := row[0], row[1]
		for i := 2; i < n; i++ {
			right := row[i]
			a[i-1] = left + 2*mid + right
			left, mid = mid, right
		}
		a[n-1] = row[n-2] + 3*row[n-1]
	}
	s.seen++
	if s.seen < 3 {
		return false
	}
	p, q, r := s.along[(s.seen-3)%3][:n], s.along[(s.seen-2)%3][:n], a
	out = out[:n]
	for i := range out {
		out[i] = p[i] + 2*q[i] + r[i]
	}
	return true
}

// smoothSum is the sum of the smoother's weights; smoothSigma the Gaussian
// sigma, in pixels of the frame, of two by two summed and smoothed: variance
// (4-1)/12 of the sum plus 2*4 of the weights over 4.
const (
	smoothSum   = 16
	smoothSigma = 1.5
)

// smoothGain returns the noise of a smoothed sum of two by two pixels over that
// of one pixel, for white noise: 6 from the weights' squares, 2 from the sum.
func smoothGain(l frame.Lattice) float64 {
	if l == frame.Full {
		return 12
	}
	return 12 * math.Sqrt2
}

// sumPairs sets dst[i] to the sum of two by two pixels of two rows of which the
// first is the y-th, y even. Of a mosaic the two green ones count twice.
func sumPairs[T uint16 | float32](dst []float32, a, b []T, l frame.Lattice, y int) {
	a, b = a[:2*len(dst)], b[:2*len(dst)]
	switch l {
	case frame.Full:
		for i := range dst {
			dst[i] = float32(a[2*i]) + float32(a[2*i+1]) + float32(b[2*i]) + float32(b[2*i+1])
		}
	case frame.GreenEven:
		for i := range dst {
			dst[i] = 2 * (float32(a[2*i]) + float32(b[2*i+1]))
		}
	case frame.GreenOdd:
		for i := range dst {
			dst[i] = 2 * (float32(a[2*i+1]) + float32(b[2*i]))
		}
	}
}

// halve sums two by two pixels of the rows a and b into dst.
func halve(dst, a, b []float32) {
	a, b = a[:2*len(dst)], b[:2*len(dst)]
	for i := range dst {
		dst[i] = a[2*i] + a[2*i+1] + b[2*i] + b[2*i+1]
	}
}
