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
	peak       float64 // of the profile, share of the light in a pixel
	x, y       float64 // from the mean of the path to the centre of the profile
	hfd        float64
	top        float64 // greatest share of the light that a pixel can get
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
		s = shape{nan, nan, nan, nan, nan, 0, 0, nan, nan}
		x, y = unit.Px(n/2), unit.Px(n/2)
	} else {
		// At angle 0 +y is north and +x west: position angles run from +y
		// towards -x.
		a, b := float64(p.Major), float64(p.Minor)
		sin, cos := math.Sincos(float64((p.PA + 90).Rad()))
		s = shape{
			xx: a*a*cos*cos + b*b*sin*sin, xy: (a*a - b*b) * sin * cos, yy: a*a*sin*sin + b*b*cos*cos,
			tail: p.Tail, peak: p.Peak, x: (float64(x) - float64(n/2)) / over, y: (float64(y) - float64(n/2)) / over,
		}
	}
	s.hfd = halfFlux(image, n, float64(x), float64(y), 4*over*math.Sqrt(math.Sqrt(s.xx*s.yy-s.xy*s.xy))) / over
	for _, v := range image {
		s.top = max(s.top, v)
	}
	return s
}

// halfFlux returns the diameter of the circle round x, y of an image of n by n
// that holds half of the light within a radius; of all of it if that is NaN or
// reaches beyond the image.
func halfFlux(image []float64, n int, x, y, radius float64) float64 {
	limit := float64(n/2) - 2
	if radius < limit {
		limit = radius
	}
	// Rings of a quarter of a sample, in which a sample spreads evenly over
	// as much radius as it is wide.
	const fine = 4
	ring := make([]float64, int(limit+1)*fine+fine+1)
	total := 0.0
	for j := max(0, int(y-limit)); j < n && float64(j) <= y+limit; j++ {
		dy := float64(j) - y
		reach := math.Sqrt(max(limit*limit-dy*dy, 0))
		for i := max(0, int(math.Ceil(x-reach))); i < n && float64(i) <= x+reach; i++ {
			v := image[j*n+i]
			total += v
			first := int((math.Hypot(float64(i)-x, dy) - 0.5) * fine)
			for k := max(first, 0); k < first+fine; k++ {
				ring[k] += v / fine
			}
			if first < 0 {
				ring[0] += v / fine * float64(min(-first, fine))
			}
		}
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
		s.peak += w * n.peak
		s.x += w * n.x
		s.y += w * n.y
		s.hfd += w * n.hfd
		s.top += w * n.top
	}
	return s
}
