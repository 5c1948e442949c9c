package psf

import (
	"errors"
	"fmt"
	"math"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// fitReach is how far FitImage looks from the star's centre, in FWHM along
// each axis: as far as Star does.
const fitReach = 3

// FitImage returns the profile that describes the star in an image without
// noise and background, nx by ny pixels row by row, and where its centre is
// ((0, 0) is the centre of the first pixel). The image need not be symmetric:
// Star for what no kernels describe. scale and angle are those of Image, and
// so is the hand of the axes; Peak is in units of all the light in the image.
//
// The pixels are points of the plane, not areas: let them be at most a fifth
// of the star's least width (of finer ones every second or third is used) and
// have the width of the camera's pixels in the light. The image should reach 3
// FWHM from the star; less of a star is fitted by what there is. Good to 0.2 %
// in width and 0.001 in ellipticity against Star.
//
// The error says that the image holds no star or that no profile fits it; the
// latter wraps num.ErrNoConverge. It panics if image is not nx*ny long or the
// scale is not positive.
func FitImage(image []float64, nx, ny int, scale unit.Scale, angle unit.Deg) (p Profile, x, y unit.Px, err error) {
	if len(image) != nx*ny {
		panic("psf: FitImage: image is not nx*ny long")
	}
	if !(scale > 0) {
		panic("psf: FitImage: the scale is not positive")
	}
	var s spot
	nan := unit.Px(math.NaN())
	flux, ok := s.begin(image, nx, ny)
	if !ok {
		return nowhere(), nan, nan, errors.New("psf: there is no star in the image: want a peak of at least four pixels above its half")
	}
	for tol := 0.03; ; tol = 1e-4 {
		// The reach is the first profile's, then that of one near to the last.
		s.gather(image, nx, ny)
		if err := s.fit(tol); err != nil {
			return nowhere(), nan, nan, fmt.Errorf("psf: no profile fits the image: %w", err)
		}
		if tol < 0.03 {
			break
		}
	}
	// From columns and rows to the sky: x runs 90 degrees from y toward west.
	k := 4 * HalfMaximum(s.tail) / s.det() * float64(scale) * float64(scale)
	wxx, wxy, wyy := k*s.yy, -k*s.xy, k*s.xx
	sin, cos := math.Sincos(float64(angle.Rad()))
	a2, b2, pa := Cov{
		EastArcsec2:  wxx*cos*cos - 2*wxy*cos*sin + wyy*sin*sin,
		NorthArcsec2: wxx*sin*sin + 2*wxy*cos*sin + wyy*cos*cos,
		CrossArcsec2: (wyy-wxx)*cos*sin + wxy*(sin*sin-cos*cos),
	}.principal()
	p = Profile{unit.Arcsec(math.Sqrt(a2)), unit.Arcsec(math.Sqrt(b2)), pa, s.tail, s.peak / flux / (float64(scale) * float64(scale))}
	return p, unit.Px(s.x), unit.Px(s.y), nil
}

// spot is a profile in pixels with the pixels it is fitted to.
type spot struct {
	peak, x, y float64
	xx, xy, yy float64 // quadratic form
	tail       float64

	dx, dy, v []float64 // of the pixels, from the origin
	x0, y0    float64
}

func (s *spot) det() float64 { return s.xx*s.yy - s.xy*s.xy }

// begin takes the first profile from the pixels above half of the highest:
// inside an ellipse the second moments are a quarter of the squared half axes.
func (s *spot) begin(image []float64, nx, ny int) (flux float64, ok bool) {
	for _, v := range image {
		s.peak = max(s.peak, v)
		flux += v
	}
	var n, sx, sy, xx, xy, yy float64
	for j := range ny {
		for i, v := range image[j*nx : (j+1)*nx] {
			if v > s.peak/2 {
				x, y := float64(i), float64(j)
				n++
				sx += x
				sy += y
				xx += x * x
				xy += x * y
				yy += y * y
			}
		}
	}
	if n < 4 || !(flux > 0) || math.IsInf(flux, 0) {
		return flux, false
	}
	s.x, s.y = sx/n, sy/n
	xx, xy, yy = xx/n-s.x*s.x, xy/n-s.x*s.y, yy/n-s.y*s.y
	s.tail = 0.1
	k := HalfMaximum(s.tail) / 4 / (xx*yy - xy*xy)
	s.xx, s.xy, s.yy = k*yy, -k*xy, k*xx
	return flux, s.det() > 0 && !math.IsInf(s.det(), 0)
}

// gather takes the pixels inside the reach of the profile, every so many that
// four of them span its least width.
func (s *spot) gather(image []float64, nx, ny int) {
	mean, d := (s.xx+s.yy)/2, math.Hypot((s.xx-s.yy)/2, s.xy)
	half := HalfMaximum(s.tail)
	step := max(1, int(2*math.Sqrt(half/(mean+d))/4))
	end := 4 * fitReach * fitReach * half
	rx, ry := math.Sqrt(end*s.yy/s.det()), math.Sqrt(end*s.xx/s.det())
	s.x0, s.y0 = s.x, s.y
	s.dx, s.dy, s.v = s.dx[:0], s.dy[:0], s.v[:0]
	for j := max(0, int(math.Ceil(s.y-ry))); j < ny && float64(j) <= s.y+ry; j += step {
		dy := float64(j) - s.y
		for i := max(0, int(math.Ceil(s.x-rx))); i < nx && float64(i) <= s.x+rx; i += step {
			dx := float64(i) - s.x
			if s.xx*dx*dx+2*s.xy*dx*dy+s.yy*dy*dy <= end {
				s.dx, s.dy, s.v = append(s.dx, dx), append(s.dy, dy), append(s.v, image[j*nx+i])
			}
		}
	}
}

// fit changes the profile into that which fits the gathered pixels best.
func (s *spot) fit(tol float64) error {
	peak := s.peak
	normal := func(x, jtj, jtr []float64) (sumSq float64) {
		a, cx, cy, xx, xy, yy, tail := x[0], x[1], x[2], x[3], x[4], x[5], x[6]
		if !(xx*yy > xy*xy) {
			return math.NaN()
		}
		var row [7]float64
		for k, v := range s.v {
			dx, dy := s.dx[k]-cx, s.dy[k]-cy
			m, dq, dtail := Falloff(xx*dx*dx+2*xy*dx*dy+yy*dy*dy, tail)
			r, f := a*m-v/peak, a*dq
			row = [7]float64{m, -2 * f * (xx*dx + xy*dy), -2 * f * (xy*dx + yy*dy), f * dx * dx, 2 * f * dx * dy, f * dy * dy, a * dtail}
			sumSq += r * r
			for p, dp := range row {
				jtr[p] += dp * r
				for q := range p + 1 {
					jtj[p*7+q] += dp * row[q]
				}
			}
		}
		return sumSq
	}
	inf := math.Inf(1)
	x := []float64{1, s.x - s.x0, s.y - s.y0, s.xx, s.xy, s.yy, s.tail}
	_, err := num.LeastSquares(x, normal, num.Options{
		StepTol: tol,
		Lower:   []float64{0, -inf, -inf, 0, -inf, 0, 0},
		Upper:   []float64{inf, inf, inf, inf, inf, inf, MaxTail},
	})
	if err != nil {
		return err
	}
	s.peak, s.x, s.y = x[0]*peak, x[1]+s.x0, x[2]+s.y0
	s.xx, s.xy, s.yy, s.tail = x[3], x[4], x[5], x[6]
	if !(s.det() > 0) {
		return num.ErrNoConverge
	}
	return nil
}
