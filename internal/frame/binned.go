package frame

import (
	"fmt"
	"math"
)

// keepPixels is the size up to which a binned frame is held in memory.
const keepPixels = 4 << 20

// Binned returns the frame with n by n pixels averaged into one; rows and
// columns that do not fill one are left out. Only pixels of the lattice take
// part, and the result is full. Where one of them is at the ceiling so is the
// average; where none has a value it is NaN. Frames of up to four million
// averaged pixels are read at once and held; larger ones are averaged as rows
// are asked for. It panics if n is not positive or larger than the frame.
func (f *Frame) Binned(n int) (*Frame, error) {
	if n < 1 || n > f.Width || n > f.Height {
		panic(fmt.Sprintf("frame: bins of %d in a frame of %d by %d", n, f.Width, f.Height))
	}
	g := &Frame{Width: f.Width / n, Height: f.Height / n, Header: f.Header, Bits: f.Bits, Ceiling: f.Ceiling, Gain: f.Gain, Notes: f.Notes}
	g.rows = func(y0, y1 int, dst []float32) error {
		band := make([]float32, n*f.Width)
		for y := y0; y < y1; y++ {
			if err := f.Rows(n*y, n*y+n, band); err != nil {
				return err
			}
			for x := range g.Width {
				dst[(y-y0)*g.Width+x] = f.mean(band, n*x, n*y, n)
			}
		}
		return nil
	}
	if g.Width*g.Height > keepPixels {
		return g, nil
	}
	pixels := make([]float32, g.Width*g.Height)
	if err := g.rows(0, g.Height, pixels); err != nil {
		return nil, err
	}
	g.rows = func(y0, y1 int, dst []float32) error {
		copy(dst, pixels[y0*g.Width:y1*g.Width])
		return nil
	}
	return g, nil
}

// mean averages the n by n pixels from column x of the n rows from y in band.
func (f *Frame) mean(band []float32, x, y, n int) float32 {
	sum, count := float32(0), 0
	for j := range n {
		row := band[j*f.Width+x:][:n]
		for i, v := range row {
			if v != v || !f.Lattice.Holds(x+i, y+j) {
				continue
			}
			if float64(v) >= float64(f.Ceiling) {
				return v
			}
			sum += v
			count++
		}
	}
	if count == 0 {
		return float32(math.NaN())
	}
	return sum / float32(count)
}
