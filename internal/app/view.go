package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"sync"

	"holdfast/internal/frame"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// View is a frame, or a part of one, as a screen shows it: the row that is seen
// on top comes first.
type View struct {
	FrameWidth, FrameHeight int // of the whole frame, pixels
	X, Y                    int // where the part begins in the frame as it is seen
	Width, Height           int // of Pixels
	Bin                     int // pixels of the frame along a side of one of Pixels
	YUp                     bool
	Pixels                  []uint16 // each is From + Step times itself, ADU; what has no value is 0
	From, Step              unit.ADU
	Sky, Noise              unit.ADU // median and scatter of Pixels
	Notes                   []string
}

// The bounds of views.
const (
	leastSide = 64
	largest   = 2048 // pixels along the longer side of an overview
	tileSide  = 512
)

// Overview returns a frame averaged down to at most side pixels along its longer
// side (64 to 2048; others are brought within). Of a mosaic the like pixels are
// averaged. The values keep an eighth of the averaged pixels' noise apart.
func Overview(ctx context.Context, name string, side int) (*View, error) {
	fr, err := open(name)
	if err != nil {
		return nil, err
	}
	defer fr.close()
	side = min(max(side, leastSide), largest)
	n := (max(fr.Width, fr.Height) + side - 1) / side
	if fr.Lattice != frame.Full {
		n = max(2, (n+1)&^1)
	}
	if n > min(fr.Width, fr.Height) {
		return nil, errors.New("app: the frame is too narrow to be shown")
	}
	v := newView(fr.Frame)
	v.Width, v.Height, v.Bin = fr.Width/n, fr.Height/n, n
	sums := make([]float32, v.Width*v.Height)
	if err := averages(ctx, fr.Frame, n, sums, v); err != nil {
		return nil, err
	}
	v.store(sums, false)
	return v, nil
}

// Tile returns the pixels of a frame themselves, 512 by 512 of them or what there
// is, from column x and row y of the frame as it is seen. Between the green
// pixels of a mosaic stands the mean of those beside.
func Tile(ctx context.Context, name string, x, y int) (*View, error) {
	fr, err := open(name)
	if err != nil {
		return nil, err
	}
	defer fr.close()
	if x < 0 || y < 0 || x >= fr.Width || y >= fr.Height {
		return nil, fmt.Errorf("app: found %d, %d: want a pixel of the frame, below %d and %d", x, y, fr.Width, fr.Height)
	}
	v := newView(fr.Frame)
	v.X, v.Y, v.Bin = x, y, 1
	v.Width, v.Height = min(tileSide, fr.Width-x), min(tileSide, fr.Height-y)
	top := y // the first row of the file that is needed
	if v.YUp {
		top = fr.Height - y - v.Height
	}
	// One row more on either side, for the pixels between.
	y0, y1 := max(top-1, 0), min(top+v.Height+1, fr.Height)
	band := make([]float32, (y1-y0)*fr.Width)
	if err := fr.Rows(y0, y1, band); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	at := func(px, py int) float32 {
		if py < y0 || py >= y1 || px < 0 || px >= fr.Width {
			return float32(math.NaN())
		}
		return band[(py-y0)*fr.Width+px]
	}
	values := make([]float32, v.Width*v.Height)
	for j := range v.Height {
		row := top + j
		if v.YUp {
			row = top + v.Height - 1 - j
		}
		for i := range v.Width {
			px := x + i
			value := at(px, row)
			if !fr.Lattice.Holds(px, row) {
				value = meanOf(at(px-1, row), at(px+1, row), at(px, row-1), at(px, row+1))
			}
			values[j*v.Width+i] = value
		}
	}
	v.store(values, fr.Whole)
	return v, nil
}

// newView returns a view with what is known of the whole frame.
func newView(f *frame.Frame) *View {
	up, _ := RowsUp(f)
	return &View{FrameWidth: f.Width, FrameHeight: f.Height, YUp: up, Notes: f.Notes}
}

// meanOf returns the mean of the numbers that are known; NaN if none is.
func meanOf(v ...float32) float32 {
	sum, k := float32(0), float32(0)
	for _, x := range v {
		if x == x {
			sum, k = sum+x, k+1
		}
	}
	return sum / k
}

// averages averages n by n pixels of a frame into each of out, which is in the
// order of a view. Every processor takes some of the rows.
func averages(ctx context.Context, f *frame.Frame, n int, out []float32, v *View) error {
	workers := min(runtime.NumCPU(), v.Height)
	errs := make([]error, workers)
	var wait sync.WaitGroup
	for w := range workers {
		wait.Go(func() {
			var one func(row int, into []float32) error
			if f.IsUint16() {
				one = averager(f, n, f.RowsUint16)
			} else {
				one = averager(f, n, f.Rows)
			}
			for j := w * v.Height / workers; j < (w+1)*v.Height/workers; j++ {
				if errs[w] = ctx.Err(); errs[w] != nil {
					return
				}
				row := j
				if v.YUp {
					row = v.Height - 1 - j
				}
				if errs[w] = one(row, out[j*v.Width:(j+1)*v.Width]); errs[w] != nil {
					return
				}
			}
		})
	}
	wait.Wait()
	return errors.Join(errs...)
}

// averager returns what averages the n rows of a frame that make a row of an
// overview.
func averager[T uint16 | float32](f *frame.Frame, n int, rows func(y0, y1 int, dst []T) error) func(row int, into []float32) error {
	band := make([]T, n*f.Width)
	count := make([]float32, f.Width/n)
	step := 1
	if f.Lattice != frame.Full {
		step = 2
	}
	return func(row int, into []float32) error {
		if err := rows(n*row, n*row+n, band); err != nil {
			return err
		}
		clear(into)
		clear(count)
		for j := range n {
			first := 0
			if !f.Lattice.Holds(0, n*row+j) {
				first = 1
			}
			line := band[j*f.Width:]
			for i := range into {
				// n is even where every second pixel is taken.
				sum, k := float32(0), float32(0)
				for p := i*n + first; p < (i+1)*n; p += step {
					if x := line[p]; x == x {
						sum, k = sum+float32(x), k+1
					}
				}
				into[i] += sum
				count[i] += k
			}
		}
		for i := range into {
			into[i] /= count[i]
		}
		return nil
	}
}

// store turns values into steps: of one ADU where they are whole, otherwise such
// that an eighth of their noise is kept apart, or all of their range.
func (v *View) store(values []float32, whole bool) {
	lo, hi, sample := float32(math.Inf(1)), float32(math.Inf(-1)), []float32{}
	every := max(len(values)/20000, 1)
	for i, x := range values {
		if x != x || math.IsInf(float64(x), 0) {
			continue
		}
		lo, hi = min(lo, x), max(hi, x)
		if i%every == 0 {
			sample = append(sample, x)
		}
	}
	v.Pixels = make([]uint16, len(values))
	v.Step = 1
	if len(sample) == 0 {
		return
	}
	slices.Sort(sample)
	median := sample[len(sample)/2]
	noise := (sample[len(sample)/2] - sample[len(sample)/6]) // 16 % lie below one sigma
	v.Sky, v.Noise = unit.ADU(median), unit.ADU(noise)
	const most = math.MaxUint16
	step := (hi - lo) / most
	if fine := noise / 8; fine > 0 && step > fine {
		step = fine
		lo = max(lo, median-200*fine)
	}
	if !(step > 0) || whole && step <= 1 {
		step = 1
	}
	v.From, v.Step = unit.ADU(lo), unit.ADU(step)
	for i, x := range values {
		if x == x {
			v.Pixels[i] = uint16(min(max((x-lo)/step+0.5, 0), most))
		}
	}
}

// Shapes measures a frame, or reads a table of stars, and says whether its first
// row lies at the bottom.
func Shapes(ctx context.Context, name string) (m star.Frame, yUp bool, err error) {
	head, err := firstBytes(name)
	if err != nil {
		return star.Frame{}, false, fmt.Errorf("app: %s: %s", name, cause(err))
	}
	if star.IsTable(head) {
		data, err := os.ReadFile(name)
		if err != nil {
			return star.Frame{}, false, fmt.Errorf("app: %s: %s", name, cause(err))
		}
		m, _, err := star.ReadTable(name, bytes.NewReader(data))
		return m, true, err
	}
	if err := ctx.Err(); err != nil {
		return star.Frame{}, false, err
	}
	m, _, err = Frames{Opened: func(f *frame.Frame) { yUp, _ = RowsUp(f) }}.look(name)
	return m, yUp, err
}
