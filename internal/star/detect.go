package star

import (
	"cmp"
	"math"
	"slices"
	"sync/atomic"

	"holdfast/internal/frame"
)

// threshold is how many times the noise of the smoothed picture a peak must
// reach: of the two million independent places of a large frame, one in a
// thousand frames has one that high by chance.
const threshold = 6

// bandRows is how many rows a worker takes at a time, bandMargin how many it
// reads beyond on either side: two pixels of the third scale.
const (
	bandRows   = 256
	bandMargin = 16
)

// levels is the number of scales: two by two pixels summed, four by four, and
// so on. The first two are searched in bands, the others in the mapScale of the
// whole frame.
const (
	levels   = 7
	mapLevel = 2
	mapScale = 8
)

// candidate is a peak of the smoothed picture.
type candidate struct {
	x, y float32 // in pixels of the frame
	snr  float32 // over the noise of the smoothed picture
	kept int32   // which of the pixels kept are those around it
	flat bool    // its top is flat: on the finest scale, see plateau
}

// keepHalf is how far around a peak of the finest scale its pixels are kept, so
// that the frame need not be read again to measure small stars, and keepMost of
// how many peaks: 26 MB. A frame with more is read again.
const (
	keepHalf = bandMargin
	keepMost = 12000
)

// finding is what the search of a frame brought.
type finding struct {
	peaks [levels][]candidate // of each scale, sorted by y, then x
	sky   [levels]*background // of the scale; those of the first two are the frame's
	hot   int                 // hot pixels left out
	flat  []plateau           // peaks whose top is flat
	kept  []rows              // the pixels around each peak of the finest scale; nil if not kept

	thumb       []float32 // the picture summed for scale next, not yet searched
	thumbW      int
	thumbH      int
	next, scale int
}

// band is one worker's room.
type band struct {
	raw16 []uint16
	raw   []float32
	room  []uint16 // for the pixels kept
	sums  [2]picture
	scan  scanner
}

// find searches the frame.
func find(f *frame.Frame, b *background, workers int) (*finding, error) {
	mapW, mapH := f.Width/mapScale, f.Height/mapScale
	thumb := make([]float32, mapW*mapH)
	found := &finding{thumb: thumb, thumbW: mapW, thumbH: mapH, next: mapLevel, scale: mapScale}
	found.sky[0], found.sky[1] = b, b
	bands := (f.Height + bandRows - 1) / bandRows
	parts := make([]part, bands)
	var kept atomic.Int32
	err := parallel(workers, bands, func() func(int) error {
		var w band
		return func(k int) error {
			p := &parts[k]
			return w.search(f, b, k, thumb, mapW, p, &kept)
		}
	})
	if err != nil {
		return nil, err
	}
	for k := range parts {
		found.hot += parts[k].hot
		found.flat = append(found.flat, parts[k].flat...)
		if kept.Load() <= keepMost {
			for i := range parts[k].peaks[0] {
				parts[k].peaks[0][i].kept += int32(len(found.kept))
			}
			found.kept = append(found.kept, parts[k].kept...)
		}
		for l, c := range parts[k].peaks {
			found.peaks[l] = append(found.peaks[l], c...)
		}
	}
	sortPeaks(found.peaks[0])
	sortPeaks(found.peaks[1])
	return found, nil
}

func sortPeaks(c []candidate) {
	slices.SortFunc(c, func(a, b candidate) int { return cmp.Or(cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x)) })
}

// part is what one band has.
type part struct {
	peaks [2][]candidate
	flat  []plateau
	kept  []rows
	hot   int
}

// search searches the k-th band and draws its part of the map. kept counts the
// peaks whose pixels are kept.
func (w *band) search(f *frame.Frame, b *background, k int, thumb []float32, mapW int, out *part, kept *atomic.Int32) error {
	own0, own1 := k*bandRows, min((k+1)*bandRows, f.Height)
	y0, y1 := max(0, own0-bandMargin), min(f.Height, own1+bandMargin)
	n, half := f.Width/2, (y1-y0)/2
	if n < 2 || half < 2 {
		return nil
	}
	sums, twice := &w.sums[0], &w.sums[1]
	const most = bandRows + 2*bandMargin // whichever band comes first, the room is for all
	sums.reset(n, min(most, f.Height)/2, f.IsUint16())
	sums.reset(n, half, f.IsUint16())
	const chunk = 16
	if f.IsUint16() {
		resize(&w.raw16, f.Width*min(most, f.Height))
		raw := resize(&w.raw16, f.Width*(y1-y0))
		for y := y0; y < y1; y += chunk {
			end := min(y+chunk, y1)
			if err := f.RowsUint16(y, end, raw[(y-y0)*f.Width:(end-y0)*f.Width]); err != nil {
				return err
			}
			for r := (y - y0) / 2; r < (end-y0)/2; r++ {
				packPairs(sums.packed(r), raw[2*r*f.Width:][:f.Width], raw[(2*r+1)*f.Width:][:f.Width], n, f.Lattice, y0+2*r)
			}
		}
	} else {
		resize(&w.raw, f.Width*min(most, f.Height))
		raw := resize(&w.raw, f.Width*(y1-y0))
		if err := f.Rows(y0, y1, raw); err != nil {
			return err
		}
		tame(raw)
		for r := range half {
			p, q := raw[2*r*f.Width:][:f.Width], raw[(2*r+1)*f.Width:][:f.Width]
			row := sums.row(r)
			sumPairs(row, p, q, f.Lattice, y0+2*r)
			for i, v := range row {
				if v != v {
					level, _ := b.at(float64(2*i)+0.5, float64(y0+2*r)+0.5)
					row[i] = float32(4 * level)
				}
			}
		}
	}
	var all []candidate
	w.scan.peaks(sums, 2, y0, b, smoothGain(f.Lattice)*b.smooth, &all)
	for _, c := range all {
		inside := c.y >= float32(own0)-0.5 && c.y < float32(own1)-0.5
		x, y, excess, flat := w.top(f, b, c, y0, y1)
		if c.flat = flat.equal > 4; inside && c.flat {
			out.flat = append(out.flat, flat)
		}
		if excess > 0 {
			// Leave no trace of it on the coarser scales.
			if i, r := x/2, (y-y0)/2; i < n && r < half {
				if f.Lattice != frame.Full {
					excess *= 2
				}
				sums.lower(i, r, excess)
			}
			if inside {
				out.hot++
			}
			continue
		}
		if !inside {
			continue
		}
		if f.IsUint16() && kept.Add(1) <= keepMost {
			c.kept = int32(len(out.kept))
			whole := rows{f: f, x1: f.Width, y0: y0, y1: y1, whole: w.raw16}
			out.kept = append(out.kept, whole.part(&w.room, int(math.Round(float64(c.x))), int(math.Round(float64(c.y))), keepHalf))
		}
		out.peaks[0] = append(out.peaks[0], c)
	}
	if n/2 < 2 || half/2 < 2 {
		return nil
	}
	twice.halve(sums)
	all = all[:0]
	w.scan.peaks(twice, 4, y0, b, 2*smoothGain(f.Lattice)*b.smooth, &all)
	for _, c := range all {
		if c.y >= float32(own0)-0.5 && c.y < float32(own1)-0.5 {
			out.peaks[1] = append(out.peaks[1], c)
		}
	}
	for r := own0 / mapScale; r < own1/mapScale; r++ {
		if q := (r*mapScale - y0) / 4; q+1 < twice.rows {
			twice.pair(thumb[r*mapW:][:mapW], q)
		}
	}
	return nil
}

func resize[T any](buf *[]T, n int) []T {
	if cap(*buf) < n {
		*buf = make([]T, n)
	}
	*buf = (*buf)[:n]
	return *buf
}

// plateau is the flat top of a peak: the value of its fullest pixel and how many
// of five by five pixels hold it.
type plateau struct {
	value float64
	equal int
}

// ceiling returns the value at which pixels stop to rise, as the flat tops tell
// it: the least that two peaks share, or that a third of the pixels of one hold.
// +Inf if none does.
func (found *finding) ceiling() float64 {
	seen := map[float64]bool{}
	least := math.Inf(1)
	for _, p := range found.flat {
		if p.equal > 8 || seen[p.value] {
			least = math.Min(least, p.value)
		}
		seen[p.value] = true
	}
	return least
}

// top looks at the pixels of a peak. An excess above 0 says that it is a single
// hot pixel, and x, y which: its neighbours hold less than a tenth of its light;
// a star of 1.5 pixels FWHM gives them a third. flat is filled if the peak
// stands far above the noise.
func (w *band) top(f *frame.Frame, b *background, c candidate, y0, y1 int) (x, y int, excess float32, flat plateau) {
	value := func(x, y int) float32 {
		if f.IsUint16() {
			return float32(w.raw16[(y-y0)*f.Width+x])
		}
		return w.raw[(y-y0)*f.Width+x]
	}
	cx, cy := int(math.Round(float64(c.x))), int(math.Round(float64(c.y)))
	best, equal := float32(math.Inf(-1)), 0
	for j := max(cy-2, y0); j <= min(cy+2, y1-1); j++ {
		for i := max(cx-2, 0); i <= min(cx+2, f.Width-1); i++ {
			switch v := value(i, j); {
			case !f.Lattice.Holds(i, j):
			case v > best:
				best, x, y, equal = v, i, j, 1
			case v == best:
				equal++
			}
		}
	}
	level, noise := b.at(float64(x), float64(y))
	peak := float64(best) - level
	if peak > 50*noise {
		flat = plateau{float64(best), equal}
	}
	if !(peak > 12*noise) {
		return x, y, 0, flat
	}
	steps := [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}}
	if f.Lattice != frame.Full {
		steps = [4][2]int{{1, 1}, {-1, -1}, {1, -1}, {-1, 1}}
	}
	sum, n := 0.0, 0
	for _, s := range steps {
		i, j := x+s[0], y+s[1]
		if i < 0 || j < y0 || i >= f.Width || j >= y1 {
			continue
		}
		if v := float64(value(i, j)); v == v {
			sum += v - level
			n++
		}
	}
	if n < 2 || sum/float64(n) > 0.1*peak+noise {
		return x, y, 0, flat
	}
	return x, y, float32(peak), flat
}

// at returns the peaks of scale l, searching the map that far; none beyond the
// last scale.
func (found *finding) at(l int) []candidate {
	for found.next <= min(l, levels-1) {
		n, rows, scale := found.thumbW, found.thumbH, found.scale
		k := found.next
		found.next++
		if n < 8 || rows < 8 {
			found.sky[k] = found.sky[k-1]
			continue
		}
		b := coarseSky(found.thumb, n, rows, scale)
		found.sky[k] = b
		var w scanner
		// The noise of b is that of the smoothed sums, brought to one pixel.
		w.peaks(&picture{n: n, rows: rows, v: found.thumb}, scale, 0, b, 6*float64(scale), &found.peaks[k])
		sortPeaks(found.peaks[k])
		half := make([]float32, (n/2)*(rows/2))
		for r := range rows / 2 {
			halve(half[r*(n/2):][:n/2], found.thumb[2*r*n:][:n], found.thumb[(2*r+1)*n:][:n])
		}
		found.thumb, found.thumbW, found.thumbH, found.scale = half, n/2, rows/2, 2*scale
	}
	if l >= levels {
		return nil
	}
	return found.peaks[l]
}

// coarseSky measures the background of a map in meshes of 32 of its pixels,
// brought to one pixel of the frame. The noise is that of the smoothed map
// divided by what smoothing makes of white noise, so that unevenness of the
// sky counts as noise.
func coarseSky(sums []float32, n, rows, scale int) *background {
	const side = 32
	b := &background{nx: max(1, (n+side/2)/side), ny: max(1, (rows+side/2)/side), smooth: 1}
	b.stepX, b.stepY = float64(n*scale)/float64(b.nx), float64(rows*scale)/float64(b.ny)
	b.level, b.noise = make([]float32, b.nx*b.ny), make([]float32, b.nx*b.ny)
	var s smoother
	s.reset(n)
	smooth := make([]float32, n*rows)
	s.push(sums[:n], nil)
	for r := range rows {
		s.push(sums[r*n:][:n], smooth[max(r-1, 0)*n:][:n])
	}
	s.push(sums[(rows-1)*n:][:n], smooth[(rows-1)*n:][:n])
	var v []float32
	for j := range b.ny {
		for i := range b.nx {
			v = v[:0]
			for y := rows * j / b.ny; y < rows*(j+1)/b.ny; y++ {
				v = append(v, smooth[y*n+n*i/b.nx:y*n+n*(i+1)/b.nx]...)
			}
			level, noise := clipped(v)
			b.level[j*b.nx+i] = level / float32(scale*scale*smoothSum)
			b.noise[j*b.nx+i] = noise / float32(6*scale)
		}
	}
	b.fill()
	return b
}
