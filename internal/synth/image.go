package synth

import (
	"fmt"
	"math"
)

// An Outline is the shape of the star that the optics and one path make
// together, all over the frame. Its methods may be called from several
// goroutines at once.
type Outline struct {
	blur   *Blur
	track  track
	nodes  int     // 1, or all of the blur's
	curved bool    // what differs over the field grows too fast to go straight between nodes
	shapes []shape // by node
}

// An Image is that star as a picture, to draw frames from. Its methods may be
// called from several goroutines at once.
type Image struct {
	Outline
	raster
	// One table a node, in blocks by phase: sample (i*over+p, j*over+q) of the
	// table stands in block (q*over+p), column i, row j. A value is the share
	// of the light that a pixel centred there collects.
	tables   [][]float32
	envelope []float64 // greatest share at a distance of so many pixels or more
}

// raster is how a star is sampled: over samples to a pixel, side pixels across,
// the centre half a side from the first sample.
type raster struct{ over, side, half int }

// maxSide is the greatest side of a raster in samples.
const maxSide = 2048

// Expose returns the image of an exposure along a path. workers is how many
// goroutines share the work; 0 means 2. The error says that the path is too
// long to draw or not all of it is finite. It panics if the path's east and
// north differ in length.
//
// It takes some milliseconds a cell of the frame, or some altogether if nothing
// differs over the frame, and a megabyte a cell.
func (b *Blur) Expose(p Path, workers int) (*Image, error) {
	o, r, err := b.follow(p, b.over)
	if err != nil {
		return nil, err
	}
	im := &Image{Outline: o, raster: r, tables: make([][]float32, o.nodes)}
	im.compute(r, workers, func(k int, c *convolver) { im.tables[k] = c.table() })
	im.findEnvelope()
	return im, nil
}

// Outline returns the shape alone, in a fraction of the time; otherwise it is
// as Expose.
func (b *Blur) Outline(p Path, workers int) (*Outline, error) {
	o, r, err := b.follow(p, b.coarse)
	if err != nil {
		return nil, err
	}
	o.compute(r, workers, func(int, *convolver) {})
	return &o, nil
}

// follow begins an outline along a path and returns the raster it needs.
func (b *Blur) follow(p Path, over int) (Outline, raster, error) {
	o := Outline{blur: b, track: newTrack(p, b.field), nodes: 1}
	reach, differs := o.track.spread(float64(b.field.Width)/2, float64(b.field.Height)/2)
	if math.IsNaN(reach) || math.IsInf(reach, 0) {
		return o, raster{}, fmt.Errorf("synth: the path is not a number of arcseconds all along: want every sample finite")
	}
	if b.optics.Local != nil || differs > 0.02 {
		o.nodes = len(b.nodes)
		o.curved = o.track.sag(b.cell()) > mostSag*b.variance
	}
	side := suitable(2 * (b.wings + int(math.Ceil(min(reach, maxSide))) + 1))
	if side*over > maxSide {
		return o, raster{}, fmt.Errorf("synth: the path reaches %.0f pixels from its middle, and %d samples must span a pixel of such stars: want a path of at most %d", reach, over, max(0, maxSide/2/over-b.wings))
	}
	o.shapes = make([]shape, o.nodes)
	return o, raster{over, side, side / 2}, nil
}

// mostSag is the part of a star's variance that may be added to it by going
// straight from node to node: widths are then good to 0.25 %.
const mostSag = 0.005

// compute convolves the star of every node, fits its shape and calls f.
func (o *Outline) compute(r raster, workers int, f func(k int, c *convolver)) {
	l := o.blur.lens(r)
	parallel(workers, o.nodes, func() func(int) {
		c := newConvolver(o, r)
		return func(k int) {
			c.convolve(k, l)
			o.shapes[k] = c.shape()
			f(k, c)
		}
	})
}

// convolver is one goroutine's room for tables.
type convolver struct {
	o *Outline
	raster
	n    int // samples across
	t    *transform
	hist []float64    // the path's, then the star, row after row
	a, b []complex128 // sets of the transforms
}

func newConvolver(o *Outline, r raster) *convolver {
	n := r.side * r.over
	return &convolver{o: o, raster: r, n: n, t: newTransform(n), hist: make([]float64, n*n),
		a: make([]complex128, n*n), b: make([]complex128, n*n)}
}

// table returns the star in hist as a table.
func (c *convolver) table() []float32 {
	n, over, side := c.n, c.over, c.side
	out := make([]float32, n*n)
	for j := range n {
		line := c.hist[j*n : (j+1)*n]
		for p := range over {
			block := out[((j%over)*over+p)*side*side+(j/over)*side:][:side]
			for i := range block {
				block[i] = float32(line[i*over+p])
			}
		}
	}
	return out
}

// convolve fills hist with the star of a node: the share of the light that a
// pixel centred on each place collects.
func (c *convolver) convolve(k int, l *lens) {
	n, columns := c.n, l.columns
	clear(c.hist)
	from, to := c.deposit(k)

	// Along x, two real rows at once as the parts of complex numbers: set m
	// holds rows from+2m and the next.
	pairs := (to - from + 1) / 2
	x, y := c.a[:n*pairs], c.b[:n*pairs]
	for m := range pairs {
		first := c.hist[(from+2*m)*n:][:n]
		second := c.hist[(from+2*m+1)*n:][:n]
		for i, v := range first {
			x[i*pairs+m] = complex(v, second[i])
		}
	}
	z := c.t.run(x, y, pairs, false)

	// Along y, the columns of the band.
	x = c.other(z)[:n*columns]
	clear(x)
	for i := range columns {
		p, q := z[i*pairs:][:pairs], z[(n-i)%n*pairs:][:pairs]
		for m, v := range p {
			u := complex(real(q[m]), -imag(q[m]))
			even, odd := (v+u)/2, (v-u)/2
			x[(from+2*m)*columns+i] = even
			x[(from+2*m+1)*columns+i] = complex(imag(odd), -real(odd))
		}
	}
	z = c.t.run(x, c.other(x)[:n*columns], columns, false)
	otf := l.otf[min(k, len(l.otf)-1)]
	scale := float64(c.over*c.over) / float64(n) / float64(n)
	for j := range n {
		row := z[j*columns:][:columns]
		for i := range row {
			row[i] *= complex(otf[j*columns+i]*scale, 0)
		}
	}
	z = c.t.run(z, c.other(z)[:n*columns], columns, true)

	// And back along x, two rows at once again.
	half := n / 2
	x = c.other(z)[:n*half]
	clear(x)
	for m := range half {
		p, q := z[2*m*columns:][:columns], z[(2*m+1)*columns:][:columns]
		for i, u := range p {
			v := q[i]
			x[i*half+m] = complex(real(u)-imag(v), imag(u)+real(v))
			if i > 0 {
				x[(n-i)*half+m] = complex(real(u)+imag(v), real(v)-imag(u))
			}
		}
	}
	z = c.t.run(x, c.other(x)[:n*half], half, true)
	for m := range half {
		first, second := c.hist[2*m*n:][:n], c.hist[(2*m+1)*n:][:n]
		for i := range first {
			v := z[i*half+m]
			first[i], second[i] = real(v), imag(v)
		}
	}
}

// other returns the room that x is not in.
func (c *convolver) other(x []complex128) []complex128 {
	if &x[0] == &c.a[0] {
		return c.b
	}
	return c.a
}

// deposit lays the local path of a node into the histogram, each sample shared
// among the sixteen places around it so that moments up to the third are kept
// wherever it falls. It returns the rows between which the path lies, an even
// number of them.
func (c *convolver) deposit(k int) (from, to int) {
	n, o := c.n, c.o
	node := o.blur.nodes[k]
	mx, my := o.blur.field.Middle()
	x, y := node.x-float64(mx), node.y-float64(my)
	if o.nodes == 1 {
		x, y = o.track.pivotX, o.track.pivotY
	}
	each := 1 / float64(max(o.track.samples(), 1))
	over, centre := float64(c.over), float64(n/2)
	from, to = n, 0
	o.track.local(x, y, func(dx, dy float64) {
		fx, fy := centre+dx*over, centre+dy*over
		i, j := int(fx), int(fy)
		u, v := lagrange(fx-float64(i)), lagrange(fy-float64(j))
		u0, u1, u2, u3 := u[0]*each, u[1]*each, u[2]*each, u[3]*each
		at := (j-1)*n + i - 1
		for _, w := range v {
			row := c.hist[at : at+4 : at+4]
			row[0] += u0 * w
			row[1] += u1 * w
			row[2] += u2 * w
			row[3] += u3 * w
			at += n
		}
		from, to = min(from, j-1), max(to, j+3)
	})
	if (to-from)%2 == 1 {
		to++
	}
	return from, to
}

// findEnvelope fills the envelope.
func (im *Image) findEnvelope() {
	im.envelope = make([]float64, im.half+2)
	centre := float64(im.half)
	for _, t := range im.tables {
		// One phase stands for all: the star is smooth on the scale of pixels.
		for j := range im.side {
			for i := range im.side {
				r := int(math.Hypot(float64(i)-centre, float64(j)-centre))
				if r < len(im.envelope) {
					im.envelope[r] = max(im.envelope[r], math.Abs(float64(t[j*im.side+i])))
				}
			}
		}
	}
	for r := len(im.envelope) - 2; r >= 0; r-- {
		im.envelope[r] = max(im.envelope[r], im.envelope[r+1])
	}
}

// radius returns how far from its centre a star of so many electrons must be
// drawn for no more than tol to be left out of any pixel.
func (im *Image) radius(electrons, tol float64) float64 {
	limit := im.half - 2
	for r := 3; r < limit; r++ {
		// The next ring, since a pixel's place in the table is rounded.
		if electrons*im.envelope[r-1] <= tol {
			return float64(r)
		}
	}
	return float64(limit)
}

// weights returns the nodes around a place and what they count, the rest being
// 0. Straight between nodes a star is the mixture of those at the corners of its
// cell. Its variance grows with the square of the distance from the pivot, so
// that the mixture is too wide; the parabola through three nodes each way keeps
// variances whatever their distance.
func (o *Outline) weights(x, y float64) (index [9]int, weight [9]float64) {
	if o.nodes == 1 {
		return index, [9]float64{1}
	}
	cells, f := o.blur.optics, o.blur.field
	i, u := o.along(x, f.Width, cells.CellsX)
	j, v := o.along(y, f.Height, cells.CellsY)
	for k := range index {
		index[k] = min(j+k/3, cells.CellsY)*(cells.CellsX+1) + min(i+k%3, cells.CellsX)
		weight[k] = u[k%3] * v[k/3]
	}
	return index, weight
}

// along returns the first of three nodes along an axis and what they count.
func (o *Outline) along(at float64, width, cells int) (first int, weight [3]float64) {
	t := max(0, min(at/float64(max(width-1, 1)), 1)) * float64(cells)
	if !o.curved || cells < 2 {
		first = min(int(t), cells-1)
		t -= float64(first)
		return first, [3]float64{1 - t, t, 0}
	}
	middle := max(1, min(int(math.Round(t)), cells-1))
	t -= float64(middle)
	return middle - 1, [3]float64{t * (t - 1) / 2, 1 - t*t, t * (t + 1) / 2}
}

// lagrange returns the weights of the samples at -1, 0, 1, 2 for a place t in
// [0, 1) by the polynomial through them.
func lagrange(t float64) [4]float64 {
	return [4]float64{
		-t * (t - 1) * (t - 2) / 6,
		(t + 1) * (t - 1) * (t - 2) / 2,
		-(t + 1) * t * (t - 2) / 2,
		(t + 1) * t * (t - 1) / 6,
	}
}

// add adds the light of a star at x, y to rows of a frame: dst holds w by h
// pixels, the first of which is x0, y0 of the frame. Pixels farther than radius
// from the star are left out.
func (im *Image) add(dst []float32, x0, y0, w, h int, x, y, electrons, radius float64) {
	mx, my := im.blur.field.Middle()
	dx, dy := im.track.shift(x-float64(mx), y-float64(my))
	cx, cy := x+dx, y+dy
	if !(math.Abs(cx) < 1e9 && math.Abs(cy) < 1e9) {
		return
	}
	ja, jb := max(y0, int(math.Ceil(cy-radius))), min(y0+h-1, int(math.Floor(cy+radius)))
	if ja > jb || cx+radius < float64(x0) || cx-radius > float64(x0+w-1) {
		return
	}
	index, weight := im.weights(x, y)
	// The sample of the table under pixel 0 of the frame is at a.
	phases := func(c float64) (first int, taps [4]float64) {
		a := float64(im.half*im.over) - c*float64(im.over)
		k := math.Floor(a)
		return int(k) - 1, lagrange(a - k)
	}
	firstX, tapX := phases(cx)
	firstY, tapY := phases(cy)
	block := im.side * im.side
	for j := ja; j <= jb; j++ {
		reach := math.Sqrt(max(radius*radius-(float64(j)-cy)*(float64(j)-cy), 0))
		ia, ib := max(x0, int(math.Ceil(cx-reach))), min(x0+w-1, int(math.Floor(cx+reach)))
		if ia > ib {
			continue
		}
		row := dst[(j-y0)*w+ia-x0 : (j-y0)*w+ib-x0+1]
		for ly, ty := range tapY {
			sy := firstY + ly
			qy, ty0 := mod(sy, im.over)
			if r := ty0 + j; r < 0 || r >= im.side {
				continue
			}
			for lx, tx := range tapX {
				qx, tx0 := mod(firstX+lx, im.over)
				from := tx0 + ia
				if from < 0 || from+len(row) > im.side {
					continue // not with a radius inside the table
				}
				at := (qy*im.over+qx)*block + (ty0+j)*im.side + from
				for k, wn := range weight {
					if wn == 0 {
						continue
					}
					f := float32(electrons * wn * tx * ty)
					src := im.tables[index[k]][at : at+len(row)]
					for i, v := range src {
						row[i] += f * v
					}
				}
			}
		}
	}
}

// mod returns a modulo n and the quotient, rounded down.
func mod(a, n int) (rest, quotient int) {
	rest = a % n
	if rest < 0 {
		rest += n
	}
	return rest, (a - rest) / n
}
