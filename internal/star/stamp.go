package star

import (
	"math"

	"holdfast/internal/frame"
)

// rows is a part of the frame in memory, in whole numbers if the frame has them:
// columns x0 to x1-1 of rows y0 to y1-1.
type rows struct {
	f              *frame.Frame
	x0, x1, y0, y1 int
	whole          []uint16
	v              []float32
}

// load reads rows y0 to y1-1, as far as they are in the frame.
func (r *rows) load(f *frame.Frame, y0, y1 int) error {
	r.f, r.x0, r.x1, r.y0, r.y1 = f, 0, f.Width, max(y0, 0), min(y1, f.Height)
	n := (r.y1 - r.y0) * f.Width
	if f.IsUint16() {
		return f.RowsUint16(r.y0, r.y1, resize(&r.whole, n))
	}
	if err := f.Rows(r.y0, r.y1, resize(&r.v, n)); err != nil {
		return err
	}
	tame(r.v)
	return nil
}

// tame makes NaN of what no detector counts, so that sums of squares stay
// finite.
func tame(v []float32) {
	const most = 1e12
	nan := float32(math.NaN())
	for i, p := range v {
		if !(p > -most && p < most) {
			v[i] = nan
		}
	}
}

// part copies what the rows, of whole numbers, hold within half pixels of x, y
// into room, which it replaces when there is none left.
func (r *rows) part(room *[]uint16, x, y, half int) rows {
	p := rows{f: r.f, x0: max(x-half, r.x0), x1: min(x+half+1, r.x1), y0: max(y-half, r.y0), y1: min(y+half+1, r.y1)}
	n := (p.x1 - p.x0) * (p.y1 - p.y0)
	if cap(*room)-len(*room) < n {
		*room = make([]uint16, 0, max(n, 1<<17))
	}
	from := len(*room)
	for j := p.y0; j < p.y1; j++ {
		at := (j-r.y0)*(r.x1-r.x0) - r.x0
		*room = append(*room, r.whole[at+p.x0:at+p.x1]...)
	}
	p.whole = (*room)[from : from+n : from+n]
	return p
}

// at returns the pixel.
func (r *rows) at(x, y int) float64 {
	i := (y-r.y0)*(r.x1-r.x0) + x - r.x0
	if r.f.IsUint16() {
		return float64(r.whole[i])
	}
	return float64(r.v[i])
}

// stamp is the pixels around a star, background taken off; NaN where the frame
// has no pixel or one of another colour.
type stamp struct {
	x0, y0, w, h int
	v            []float32
	noise        float64 // of the background, a pixel
	level        float64 // of the background at the middle
}

// cut cuts the stamp that reaches half pixels each way from x, y, as far as the
// rows go. Pixels at the ceiling or above are NaN.
func (r *rows) cut(s *stamp, b *background, x, y float64, half int, ceiling float64) {
	cx, cy := int(math.Round(x)), int(math.Round(y))
	s.x0, s.y0 = max(cx-half, r.x0), max(cy-half, r.y0)
	x1, y1 := min(cx+half+1, r.x1), min(cy+half+1, r.y1)
	s.w, s.h = max(x1-s.x0, 0), max(y1-s.y0, 0)
	v := resize(&s.v, s.w*s.h)
	s.level, s.noise = b.at(x, y)
	if len(v) == 0 {
		return
	}
	// The background is a plane over so few pixels.
	left, _ := b.at(float64(s.x0), y)
	right, _ := b.at(float64(x1-1), y)
	above, _ := b.at(x, float64(s.y0))
	below, _ := b.at(x, float64(y1-1))
	slopeX, slopeY := 0.0, 0.0
	if s.w > 1 {
		slopeX = (right - left) / float64(s.w-1)
	}
	if s.h > 1 {
		slopeY = (below - above) / float64(s.h-1)
	}
	nan := float32(math.NaN())
	for j := range s.h {
		at := (s.y0+j-r.y0)*(r.x1-r.x0) + s.x0 - r.x0
		dst := v[j*s.w:][:s.w]
		level := float32(s.level + slopeY*(float64(s.y0+j)-y) + slopeX*(float64(s.x0)-x))
		step := float32(slopeX)
		if r.f.IsUint16() {
			full := uint16(min(ceiling, math.MaxUint16))
			for i, p := range r.whole[at:][:s.w] {
				dst[i] = float32(p) - level - step*float32(i)
				if p >= full && float64(p) >= ceiling {
					dst[i] = nan
				}
			}
		} else {
			for i, p := range r.v[at:][:s.w] {
				dst[i] = p - level - step*float32(i)
				if float64(p) >= ceiling {
					dst[i] = nan
				}
			}
		}
		if r.f.Lattice != frame.Full {
			for i := range dst {
				if !r.f.Lattice.Holds(s.x0+i, s.y0+j) {
					dst[i] = nan
				}
			}
		}
	}
}

// at returns the pixel, NaN outside.
func (s *stamp) at(x, y int) float64 {
	if x < s.x0 || y < s.y0 || x >= s.x0+s.w || y >= s.y0+s.h {
		return math.NaN()
	}
	return float64(s.v[(y-s.y0)*s.w+x-s.x0])
}

// subtract takes the profile's light off the stamp.
func (s *stamp) subtract(p *profile) {
	for j := range s.h {
		for i := range s.w {
			s.v[j*s.w+i] -= float32(p.at(float64(s.x0+i), float64(s.y0+j)))
		}
	}
}

// blank takes the pixels nearer to x, y than to the star at sx, sy out.
func (s *stamp) blank(sx, sy, x, y float64) {
	nan := float32(math.NaN())
	// Nearer to (x, y) is one side of the line between: px dx + py dy > c.
	dx, dy := x-sx, y-sy
	c := (x*x + y*y - sx*sx - sy*sy) / 2
	for j := range s.h {
		left := c - float64(s.y0+j)*dy - float64(s.x0)*dx
		from, to := 0, s.w
		switch {
		case dx > 0:
			from = min(max(int(math.Floor(left/dx))+1, 0), s.w)
		case dx < 0:
			to = min(max(int(math.Ceil(left/dx)), 0), s.w)
		case left >= 0:
			continue
		}
		for i := from; i < to; i++ {
			s.v[j*s.w+i] = nan
		}
	}
}

// settle returns centre and window-corrected second moments of the star near
// x, y: those of the Gaussian window that, laid on the star, finds itself,
// beginning with a round one of the given sigma. ok is false if it runs away or
// finds no light.
//
// Source: G. M. Bernstein & M. Jarvis 2002, AJ 123, 583, section 3.
func (s *stamp) settle(x, y, sigma float64) (cx, cy float64, c moments, ok bool) {
	cx, cy, c = x, y, moments{sigma * sigma, 0, sigma * sigma}
	for range 60 {
		sx, sy, m, light := s.windowed(cx, cy, c)
		if !(light > 0 && m.xx > 0 && m.yy > 0 && m.xx*m.yy > m.xy*m.xy) {
			return cx, cy, c, false
		}
		// The window halves the moments of a Gaussian like itself.
		next := moments{2 * m.xx, 2 * m.xy, 2 * m.yy}
		// No narrower than a pixel's own light.
		next.xx, next.yy = math.Max(next.xx, 0.15), math.Max(next.yy, 0.15)
		change := math.Abs(next.xx+next.yy-c.xx-c.yy)/(c.xx+c.yy) + math.Hypot(sx, sy)/math.Sqrt(c.xx+c.yy)
		cx, cy, c = cx+2*sx, cy+2*sy, next
		if reach := math.Hypot(cx-x, cy-y); reach > 4*sigma+2 || c.xx+c.yy > float64(s.w*s.w+s.h*s.h)/8 {
			return cx, cy, c, false
		}
		if change < 1e-3 {
			break
		}
	}
	return cx, cy, c, true
}

// windowed returns the centre from cx, cy, the moments around it and the light
// under a Gaussian window of covariance c.
func (s *stamp) windowed(cx, cy float64, c moments) (sx, sy float64, m moments, light float64) {
	w := c.invert()
	reachX, reachY := 4*math.Sqrt(c.xx), 4*math.Sqrt(c.yy)
	for y := max(s.y0, int(cy-reachY)); y <= min(s.y0+s.h-1, int(cy+reachY+1)); y++ {
		for x := max(s.x0, int(cx-reachX)); x <= min(s.x0+s.w-1, int(cx+reachX+1)); x++ {
			v := float64(s.v[(y-s.y0)*s.w+x-s.x0])
			dx, dy := float64(x)-cx, float64(y)-cy
			q := w.xx*dx*dx + 2*w.xy*dx*dy + w.yy*dy*dy
			if q > 16 || v != v {
				continue
			}
			v *= expNeg(q / 2)
			light += v
			sx += v * dx
			sy += v * dy
			m.xx += v * dx * dx
			m.xy += v * dx * dy
			m.yy += v * dy * dy
		}
	}
	sx, sy = sx/light, sy/light
	m.xx, m.xy, m.yy = m.xx/light-sx*sx, m.xy/light-sx*sy, m.yy/light-sy*sy
	return sx, sy, m, light
}
