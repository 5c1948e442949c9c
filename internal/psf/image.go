package psf

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"holdfast/internal/unit"
)

// Image draws the star of the given causes, of unit flux, into dst, nx by ny
// pixels row by row, with its centre at x, y ((0, 0) is the centre of the
// first pixel). A value is the intensity at the pixel's centre times the
// pixel's area: the light the pixel collects, if Box(scale, angle) is among
// the kernels. angle is the position angle of +y, and the sky is seen from
// below: +x is 90 degrees from +y toward west. It adds nothing to what was in
// dst but replaces it; nil allocates.
//
// The star is drawn from its transfer function, folded at the pixels' Nyquist
// frequency as sampling folds it, on a field at least twice as wide; light of
// the wings beyond that returns from the other side, less than 1e-4 of the
// peak if the field is ten FWHM wide. For tests and single stars: it takes
// milliseconds. NaN where Star is.
//
// It panics if dst is neither nil nor nx*ny long, or if nx or ny is not
// positive.
func Image(dst []float64, nx, ny int, x, y unit.Px, scale unit.Scale, angle unit.Deg, kernels ...Kernel) []float64 {
	if nx <= 0 || ny <= 0 {
		panic("psf: Image: the field has no pixels")
	}
	if dst == nil {
		dst = make([]float64, nx*ny)
	}
	if len(dst) != nx*ny {
		panic("psf: Image: dst is not nx*ny long")
	}
	end := bandwidth(kernels)
	if math.IsNaN(end) || !(scale > 0) || math.IsInf(end, 0) {
		for i := range dst {
			dst[i] = math.NaN()
		}
		return dst
	}
	s := float64(scale)
	sinA, cosA := math.Sincos(float64(angle.Rad()))
	major, _, _ := total(kernels).Axes()
	n := 16
	for n < 2*max(nx, ny) || float64(n) < 24*float64(major)/s {
		n *= 2
	}
	folds := int(min(max(math.Ceil(end*s-0.5), 0), 16))

	spectrum := make([]complex128, n*n)
	for j := range n {
		for i := range n {
			var sum complex128
			for b := -folds; b <= folds; b++ {
				for a := -folds; a <= folds; a++ {
					fx, fy := frequency(i, n)+float64(a), frequency(j, n)+float64(b) // cycles per pixel
					u, v := (fy*sinA-fx*cosA)/s, (fy*cosA+fx*sinA)/s
					if u*u+v*v > end*end {
						continue
					}
					sin, cos := math.Sincos(-2 * math.Pi * (fx*float64(x) + fy*float64(y)))
					sum += complex(product(kernels, u, v), 0) * complex(cos, sin)
				}
			}
			spectrum[j*n+i] = sum
		}
	}
	fft := fourier.NewCmplxFFT(n)
	line := make([]complex128, n)
	for j := range n {
		row := spectrum[j*n : (j+1)*n]
		fft.Sequence(row, row)
	}
	for i := range nx {
		for j := range n {
			line[j] = spectrum[j*n+i]
		}
		fft.Sequence(line, line)
		for j := range ny {
			dst[j*nx+i] = real(line[j]) / float64(n*n)
		}
	}
	return dst
}

// frequency returns that of bin i of n, in cycles per sample, -1/2 to 1/2.
func frequency(i, n int) float64 {
	if 2*i > n {
		i -= n
	}
	return float64(i) / float64(n)
}
