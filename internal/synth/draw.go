package synth

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"

	"holdfast/internal/unit"
)

// A Star is a point of light in the frame or beside it.
type Star struct {
	X, Y         unit.Px // its place without the path
	ElectronPerS float64 // all of its light, vignetting and filters not taken off
	ID           uint64  // of the star among all, on which its noise in tables depends
}

// Exposure is one frame to be drawn.
type Exposure struct {
	Stars             []Star
	Sensor            Sensor
	Length            unit.Second
	SkyElectronPerSPx float64
	Seed, Number      uint64 // of the noise: the same numbers, the same noise
	Workers           int    // goroutines that share the work; 0 means 2
}

// A Drawing is an exposure ready to be drawn, any part of it any number of
// times. Its methods may be called from several goroutines at once.
type Drawing struct {
	Width, Height int // pixels

	image   *Image
	e       Exposure
	sensor  Sensor
	placed  []placed // in the order of the stars
	sky     float64  // electrons per pixel, vignetting not taken off
	dark    float64
	filters [4]float64
}

// placed is a star with the electrons of the exposure and how far it is drawn.
type placed struct {
	star      Star
	x, y      float64 // where its light falls in the mean
	electrons float64
	radius    float64
}

// leftOut is the light of a star, over the noise of the sky, that may be
// missing in a pixel beyond where it is drawn.
const leftOut = 0.003

// bandRows is how many rows are drawn at once.
const bandRows = 32

// Drawing returns the drawing of an exposure in which the stars are the image.
// Stars that do not reach into the frame take no part. The error says which
// number is out of its range.
func (im *Image) Drawing(e Exposure) (*Drawing, error) {
	d, err := im.prepare(e)
	if err != nil {
		return nil, err
	}
	d.image = im
	f := im.blur.field
	tol := leftOut * d.noise()
	mx, my := f.Middle()
	t := float64(e.Length)
	for _, star := range e.Stars {
		n := star.ElectronPerS * t
		x, y := float64(star.X), float64(star.Y)
		dx, dy := im.track.shift(x-float64(mx), y-float64(my))
		p := placed{star, x + dx, y + dy, n, im.radius(n, tol)}
		if n > 0 && p.x > -p.radius && p.y > -p.radius && p.x < float64(f.Width)+p.radius && p.y < float64(f.Height)+p.radius {
			d.placed = append(d.placed, p)
		}
	}
	slices.SortStableFunc(d.placed, func(a, b placed) int { return cmp.Compare(a.y, b.y) })
	return d, nil
}

// prepare checks an exposure and works out what all of its pixels have in
// common.
func (o *Outline) prepare(e Exposure) (*Drawing, error) {
	s, err := e.Sensor.check()
	if err != nil {
		return nil, err
	}
	t := float64(e.Length)
	if !(t >= 0) || math.IsInf(t, 0) {
		return nil, fmt.Errorf("synth: an exposure of %v s: want at least 0", t)
	}
	if !(e.SkyElectronPerSPx >= 0) || math.IsInf(e.SkyElectronPerSPx, 0) {
		return nil, fmt.Errorf("synth: a sky of %v electrons: want at least 0", e.SkyElectronPerSPx)
	}
	for i, star := range e.Stars {
		if n := star.ElectronPerS * t; !(n >= 0) || math.IsInf(n, 0) {
			return nil, fmt.Errorf("synth: star %d of %v electrons per second: want at least 0", i, star.ElectronPerS)
		}
	}
	f := o.blur.field
	return &Drawing{Width: f.Width, Height: f.Height, e: e, sensor: s, filters: s.filters(),
		sky: e.SkyElectronPerSPx * t, dark: s.DarkElectronPerS * t * float64(s.Bin*s.Bin)}, nil
}

// noise returns that of a pixel of sky, in electrons.
func (d *Drawing) noise() float64 {
	r := float64(d.sensor.ReadNoise)
	q := d.sensor.ElectronPerADU
	return math.Sqrt(d.sky + d.dark + r*r + q*q/12)
}

// Region is a rectangle of pixels of the frame: from X0, Y0 to before X1, Y1.
type Region struct{ X0, Y0, X1, Y1 int }

// Draw draws the frame band by band and hands the rows to yield in their
// order, several at a time; the slice is used again afterwards. It stops at
// the first error of yield and returns it.
func (d *Drawing) Draw(yield func(rows []uint16) error) error {
	bands := (d.Height + bandRows - 1) / bandRows
	workers := d.workers()
	free := make(chan []uint16, 2*workers)
	for range cap(free) {
		free <- make([]uint16, bandRows*d.Width)
	}
	done := make([]chan []uint16, bands)
	for k := range done {
		done[k] = make(chan []uint16, 1)
	}
	type job struct {
		band int
		rows []uint16
	}
	jobs := make(chan job)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		defer close(jobs)
		for k := range bands {
			select {
			case rows := <-free:
				jobs <- job{k, rows}
			case <-stop:
				return
			}
		}
	})
	for range workers {
		wg.Go(func() {
			p := newPainter(d)
			for j := range jobs {
				y0, y1 := j.band*bandRows, min((j.band+1)*bandRows, d.Height)
				rows := j.rows[:(y1-y0)*d.Width]
				p.paint(rows, Region{0, y0, d.Width, y1})
				done[j.band] <- rows
			}
		})
	}
	var err error
	for k := range bands {
		rows := <-done[k]
		if err = yield(rows); err != nil {
			break
		}
		free <- rows[:cap(rows)]
	}
	close(stop)
	wg.Wait()
	return err
}

// Pixels draws the whole frame.
func (d *Drawing) Pixels() []uint16 {
	out := make([]uint16, d.Width*d.Height)
	bands := (d.Height + bandRows - 1) / bandRows
	parallel(d.workers(), bands, func() func(int) {
		p := newPainter(d)
		return func(k int) {
			y0, y1 := k*bandRows, min((k+1)*bandRows, d.Height)
			p.paint(out[y0*d.Width:y1*d.Width], Region{0, y0, d.Width, y1})
		}
	})
	return out
}

// Part draws a region of the frame, row by row, as it is in the whole; nil dst
// allocates. It panics if the region is not inside the frame or dst not as
// long.
func (d *Drawing) Part(dst []uint16, r Region) []uint16 {
	n := d.inside(r)
	if dst == nil {
		dst = make([]uint16, n)
	}
	if len(dst) != n {
		panic("synth: Part: dst is not as long as the region")
	}
	newPainter(d).paint(dst, r)
	return dst
}

// Mean returns the electrons that the pixels of a region collect in the mean
// of many exposures: light and dark current, no noise, no ceiling, and every
// star as far as its table reaches. It panics if the region is not inside the
// frame.
func (d *Drawing) Mean(r Region) []float64 {
	d.inside(r)
	p := newPainter(d)
	p.whole = true
	p.light(r)
	out := make([]float64, len(p.mean))
	for i := range out {
		x, y := r.X0+i%(r.X1-r.X0), r.Y0+i/(r.X1-r.X0)
		out[i] = p.expect(float64(p.mean[i]), x, y)
	}
	return out
}

func (d *Drawing) inside(r Region) int {
	if r.X0 < 0 || r.Y0 < 0 || r.X1 > d.Width || r.Y1 > d.Height || r.X0 >= r.X1 || r.Y0 >= r.Y1 {
		panic(fmt.Sprintf("synth: region %v of a frame of %d by %d", r, d.Width, d.Height))
	}
	return (r.X1 - r.X0) * (r.Y1 - r.Y0)
}

func (d *Drawing) workers() int {
	if d.e.Workers < 1 {
		return 2
	}
	return d.e.Workers
}

// painter is one goroutine's room for drawing.
type painter struct {
	d     *Drawing
	dice  dice
	mean  []float32 // light of the stars
	whole bool
}

func newPainter(d *Drawing) *painter { return &painter{d: d, dice: newDice()} }

// light fills mean with the light of the stars in a region.
func (p *painter) light(r Region) {
	w, h := r.X1-r.X0, r.Y1-r.Y0
	if cap(p.mean) < w*h {
		p.mean = make([]float32, w*h)
	}
	p.mean = p.mean[:w*h]
	clear(p.mean)
	im := p.d.image
	most := float64(im.half)
	// Stars are sorted by y.
	from, _ := slices.BinarySearchFunc(p.d.placed, float64(r.Y0)-most-1, func(s placed, y float64) int { return cmp.Compare(s.y, y) })
	for i := from; i < len(p.d.placed) && p.d.placed[i].y < float64(r.Y1)+most+1; i++ {
		s := &p.d.placed[i]
		radius := s.radius
		if p.whole {
			radius = float64(im.half - 2)
		}
		im.add(p.mean, r.X0, r.Y0, w, h, float64(s.star.X), float64(s.star.Y), s.electrons, radius)
	}
}

// lit returns the share of the light that vignetting lets through to a place.
func (d *Drawing) lit(x, y float64) float64 {
	if d.sensor.Vignetting == 0 {
		return 1
	}
	cx, cy := float64(d.Width-1)/2, float64(d.Height-1)/2
	return 1 - d.sensor.Vignetting*((x-cx)*(x-cx)+(y-cy)*(y-cy))/max(cx*cx+cy*cy, 1)
}

// expect returns the mean electrons of a pixel that gets so many from stars.
func (p *painter) expect(stars float64, x, y int) float64 {
	d := p.d
	mean := (stars+d.sky)*d.filters[y&1<<1|x&1]*d.lit(float64(x), float64(y)) + d.dark
	if d.sensor.HotFraction > 0 {
		mean += d.sensor.hotPixel(x, y) * float64(d.e.Length)
	}
	return mean
}

// paint draws a region.
func (p *painter) paint(dst []uint16, r Region) {
	p.light(r)
	d := p.d
	s := &d.sensor
	well, perADU, offset, top, read := float64(s.FullWell), 1/s.ElectronPerADU, float64(s.Offset)+0.5, s.top(), float64(s.ReadNoise)
	w := r.X1 - r.X0
	for y := r.Y0; y < r.Y1; y++ {
		row := key(d.e.Seed, d.e.Number, uint64(y))
		mean := p.mean[(y-r.Y0)*w:][:w]
		out := dst[(y-r.Y0)*w:][:w]
		for i, stars := range mean {
			x := r.X0 + i
			p.dice.at(mix(row + uint64(x)*golden))
			n := p.dice.poisson(p.expect(float64(stars), x, y))
			if n > well {
				n = well
			}
			if read > 0 {
				n += read * p.dice.r.NormFloat64()
			}
			v := n*perADU + offset
			switch {
			case v < 1:
				out[i] = 0
			case v >= top:
				out[i] = uint16(top)
			default:
				out[i] = uint16(v)
			}
		}
	}
}
