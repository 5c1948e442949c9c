package synth

import (
	"math"

	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// shape is what a measurement without noise says of a star, in pixels and
// angles from +x towards +y. NaN where no profile fits.
type shape struct {
	xx, xy, yy float64 // squares of the full widths at half maximum
	tail       float64
	share      float64 // of the light that the profile holds, its wings to infinity
	x, y       float64 // from the mean of the path to the centre of the profile
	hfd        float64
	top        float64 // greatest share of the light that a pixel can get
	middle     float64 // share that the pixel in the middle gets, the mean over where in it the star is
}

// shape returns the shape of the star in hist.
func (c *convolver) shape() shape {
	image, n, over := c.hist, c.n, float64(c.over)
	if k := c.over / c.o.blur.coarse; k > 1 { // finer than the fit needs
		n /= k
		over /= float64(k)
		image = make([]float64, n*n)
		for j := range n {
			for i := range n {
				image[j*n+i] = c.hist[j*k*c.n+i*k]
			}
		}
	}
	var s shape
	p, x, y, err := psf.FitImage(image, n, n, unit.Scale(1/over), 0)
	if err != nil {
		nan := math.NaN()
		s = shape{nan, nan, nan, nan, nan, 0, 0, nan, nan, nan}
		x, y = unit.Px(n/2), unit.Px(n/2)
	} else {
		// At angle 0 +y is north and +x west: position angles run from +y
		// towards -x.
		a, b := float64(p.Major), float64(p.Minor)
		sin, cos := math.Sincos(float64((p.PA + 90).Rad()))
		s = shape{
			xx: a*a*cos*cos + b*b*sin*sin, xy: (a*a - b*b) * sin * cos, yy: a*a*sin*sin + b*b*cos*cos,
			tail: p.Tail, x: (float64(x) - float64(n/2)) / over, y: (float64(y) - float64(n/2)) / over,
		}
		s.share = p.Peak * s.area()
	}
	// A measurement takes the light beyond the pixels it fits from the profile.
	half := psf.HalfMaximum(s.tail)
	beyond := s.share * (enclosed(fluxQ*half, s.tail) - enclosed(fitQ*half, s.tail))
	s.hfd = halfFlux(image, n, float64(x), float64(y), math.Sqrt(fitQ)/2*over*math.Sqrt(math.Sqrt(s.xx*s.yy-s.xy*s.xy)), beyond) / over
	best := 0
	for i, v := range image {
		if v > s.top {
			s.top, best = v, i
		}
	}
	// The trapezoidal rule over a pixel.
	edge := int(over) / 2
	for j := -edge; j <= edge; j++ {
		for i := -edge; i <= edge; i++ {
			w := 1 / (over * over)
			if i == -edge || i == edge {
				w /= 2
			}
			if j == -edge || j == edge {
				w /= 2
			}
			s.middle += w * image[best+j*n+i]
		}
	}
	return s
}

// area returns the light of the profile over its peak, in pixels.
func (s *shape) area() float64 {
	return math.Pi * math.Sqrt(s.xx*s.yy-s.xy*s.xy) / (4 * psf.HalfMaximum(s.tail)) / (1 - s.tail)
}

// halfFlux returns the diameter of the circle round x, y of an image of n by n
// that holds half of the light within a radius and of a share of the image's
// light beyond it. If the radius is NaN or reaches beyond the image it is half of
// all of it.
func halfFlux(image []float64, n int, x, y, radius, beyond float64) float64 {
	limit := float64(n/2) - 2
	if radius < limit {
		limit = radius
	}
	// Rings of a quarter of a sample, in which a sample spreads evenly over
	// as much radius as it is wide.
	const fine = 4
	ring := make([]float64, int(limit+1)*fine+fine+2)
	total := 0.0
	for j := max(0, int(y-limit)); j < n && float64(j) <= y+limit; j++ {
		dy := float64(j) - y
		reach := math.Sqrt(max(limit*limit-dy*dy, 0))
		for i := max(0, int(math.Ceil(x-reach))); i < n && float64(i) <= x+reach; i++ {
			v := image[j*n+i]
			total += v
			from := max(0, (math.Hypot(float64(i)-x, dy)-0.5)*fine)
			first := int(from)
			part := from - float64(first)
			ring[first] += v / fine * (1 - part)
			for k := first + 1; k < first+fine; k++ {
				ring[k] += v / fine
			}
			ring[first+fine] += v / fine * part
		}
	}
	if limit == radius {
		all := 0.0
		for _, v := range image {
			all += v
		}
		total += beyond * all
	}
	inside := 0.0
	for k, v := range ring {
		if inside+v >= total/2 && v > 0 {
			return 2 * (float64(k) + (total/2-inside)/v) / fine
		}
		inside += v
	}
	return math.NaN()
}

// shape returns the shape of a star at a place, between those of the nodes.
func (o *Outline) shape(x, y float64) shape {
	index, weight := o.weights(x, y)
	var s shape
	for k, w := range weight {
		if w == 0 {
			continue
		}
		n := &o.shapes[index[k]]
		s.xx += w * n.xx
		s.xy += w * n.xy
		s.yy += w * n.yy
		s.tail += w * n.tail
		s.share += w * n.share
		s.x += w * n.x
		s.y += w * n.y
		s.hfd += w * n.hfd
		s.top += w * n.top
		s.middle += w * n.middle
	}
	s.tail = max(s.tail, 0) // parabolas may fall below
	return s
}
