package star

import (
	"math"
	"slices"
	"sync"

	"holdfast/internal/frame"
)

// meshPx is the side of a mesh, sampleRows the rows of each that are looked at.
const (
	meshPx     = 64
	sampleRows = 16
)

// background is the level and noise of the sky on a grid of meshes.
type background struct {
	nx, ny       int
	stepX, stepY float64   // distance of mesh centres
	level, noise []float32 // ny by nx
	smooth       float64   // noise of the smoothed frame over what white noise would make it, at level 0
	zero         float64   // fraction of the pixels looked at that hold 0 or less
	pixels       int       // that were looked at
}

// at returns level and noise at a pixel, straight between mesh centres.
func (b *background) at(x, y float64) (level, noise float64) {
	i, fx := b.cell(x/b.stepX-0.5, b.nx)
	j, fy := b.cell(y/b.stepY-0.5, b.ny)
	i1, j1 := min(i+1, b.nx-1), min(j+1, b.ny-1)
	mix := func(v []float32) float64 {
		a := float64(v[j*b.nx+i])*(1-fx) + float64(v[j*b.nx+i1])*fx
		c := float64(v[j1*b.nx+i])*(1-fx) + float64(v[j1*b.nx+i1])*fx
		return a*(1-fy) + c*fy
	}
	return mix(b.level), mix(b.noise)
}

// binned returns the background of the frame with n by n pixels averaged into
// one, the noise divided by quieter.
func (b *background) binned(n, quieter float64) *background {
	c := *b
	c.stepX, c.stepY = b.stepX/n, b.stepY/n
	c.noise = slices.Clone(b.noise)
	for i := range c.noise {
		c.noise[i] /= float32(quieter)
	}
	return &c
}

// cell returns the mesh before t and how far t is beyond its centre; outside
// the outermost centres the slope goes on for half a mesh.
func (b *background) cell(t float64, n int) (int, float64) {
	if n == 1 {
		return 0, 0
	}
	i := max(0, min(n-2, int(math.Floor(t))))
	return i, max(-0.5, min(1.5, t-float64(i)))
}

// estimate measures the background of the frame.
func estimate(f *frame.Frame, workers int) (*background, error) {
	b := &background{nx: max(1, (f.Width+meshPx/2)/meshPx), ny: max(1, (f.Height+meshPx/2)/meshPx)}
	b.stepX, b.stepY = float64(f.Width)/float64(b.nx), float64(f.Height)/float64(b.ny)
	b.level, b.noise = make([]float32, b.nx*b.ny), make([]float32, b.nx*b.ny)
	smooth := make([]float64, b.ny)
	zeros, counts := make([]int, b.ny), make([]int, b.ny)
	every := max(1, b.ny/8)
	err := parallel(workers, b.ny, func() func(int) error {
		var band rows
		var near tally
		mesh := make([]float32, 0, (int(b.stepX)+2)*sampleRows)
		return func(j int) error {
			rows := min(sampleRows, f.Height)
			y0 := max(0, min(f.Height-rows, int(b.stepY*(float64(j)+0.5))-rows/2)) &^ 1
			rows = min(rows, f.Height-y0)
			if err := band.load(f, y0, y0+rows); err != nil {
				return err
			}
			var level, noise float32 // of the mesh before, about those of the next
			near.reach = 0           // which rows came before is chance
			for i := range b.nx {
				x0, x1 := int(b.stepX*float64(i)), int(b.stepX*float64(i+1))
				n, zero, ok := 0, 0, false
				if f.IsUint16() && f.Lattice == frame.Full && noise > 0.5 {
					level, noise, zero, ok = near.settled(&band, x0, x1, level, noise)
					n = (x1 - x0) * rows
				}
				if !ok {
					mesh = band.gather(mesh[:0], x0, x1)
					n, zero = len(mesh), 0
					for _, v := range mesh {
						if v <= 0 {
							zero++
						}
					}
					level, noise = clipped(mesh)
				}
				zeros[j] += zero
				counts[j] += n
				b.level[j*b.nx+i], b.noise[j*b.nx+i] = level, noise
			}
			if j%every == every/2 && rows >= 10 {
				smooth[j] = b.smoothNoise(&band, j)
			}
			return nil
		}
	})
	if err != nil {
		return nil, err
	}
	b.fill()
	zero := 0
	for j := range zeros {
		zero += zeros[j]
		b.pixels += counts[j]
	}
	b.zero = float64(zero) / float64(max(b.pixels, 1))
	smooth = slices.DeleteFunc(smooth, func(v float64) bool { return !(v > 0) })
	b.smooth = 1
	if len(smooth) > 0 {
		slices.Sort(smooth)
		b.smooth = max(1, smooth[len(smooth)/2])
	}
	return b, nil
}

// smoothNoise returns the noise of the rows smoothed as detection smooths them,
// over what the noise of single pixels makes it if no pixel knows of another.
// The background within the rows is taken as constant in each mesh.
func (b *background) smoothNoise(band *rows, j int) float64 {
	f := band.f
	n, half := f.Width/2, (band.y1-band.y0)/2
	sums := make([]float32, n*half)
	for r := range half {
		row := sums[r*n:][:n]
		if f.IsUint16() {
			sumPairs(row, band.whole[2*r*f.Width:][:f.Width], band.whole[(2*r+1)*f.Width:][:f.Width], f.Lattice, band.y0+2*r)
		} else {
			sumPairs(row, band.v[2*r*f.Width:][:f.Width], band.v[(2*r+1)*f.Width:][:f.Width], f.Lattice, band.y0+2*r)
		}
	}
	var s smoother
	s.reset(n)
	var ratio []float64
	var values []float32
	out := make([]float32, n)
	per := int(b.stepX) / 2
	every := max(1, b.nx/32) // some 32 meshes of a row tell
	for r := range half {
		if !s.push(sums[r*n:][:n], out) {
			continue
		}
		for i := j % every; i < b.nx; i += every {
			x0 := int(b.stepX*float64(i)) / 2
			values = append(values[:0], out[max(1, x0):min(n-1, x0+per)]...)
			_, rms := clipped(values)
			if noise := b.noise[j*b.nx+i]; noise > 0 && rms > 0 {
				ratio = append(ratio, float64(rms)/(smoothGain(f.Lattice)*float64(noise)))
			}
		}
	}
	if len(ratio) == 0 {
		return 0
	}
	slices.Sort(ratio)
	return ratio[len(ratio)/2]
}

// gather appends the pixels of the lattice in columns x0 to x1-1 to dst.
func (r *rows) gather(dst []float32, x0, x1 int) []float32 {
	for y := r.y0; y < r.y1; y++ {
		at := (y - r.y0) * r.f.Width
		for x := x0; x < x1; x++ {
			if !r.f.Lattice.Holds(x, y) {
				continue
			}
			if r.f.IsUint16() {
				dst = append(dst, float32(r.whole[at+x]))
			} else {
				dst = append(dst, r.v[at+x])
			}
		}
	}
	return dst
}

// tally adds up number, sum and squares of whole pixels by a table, all three in
// one word: from the top 12, 21 and 31 bits, enough for 1536 pixels.
type tally struct {
	reach int // to either side of the middle
	entry [1024]uint64
}

const tallySum, tallyCount = 1 << 31, 1 << 52

// set makes the table ready for values within reach of some middle: at most 511.
func (t *tally) set(reach int) {
	if t.reach == reach {
		return
	}
	t.reach = reach
	clear(t.entry[:])
	for d := range 2*reach + 1 {
		k := uint64(d)
		t.entry[d] = tallyCount + k*tallySum + k*k
	}
}

// settled is clipped for whole pixels in columns x0 to x1-1 whose level and
// noise are about those given: what is within two standard deviations is
// averaged as it stands. It also counts the zeros. ok is false, and level and
// noise unchanged, if they are not about those.
func (t *tally) settled(r *rows, x0, x1 int, level, noise float32) (_, _ float32, zeros int, ok bool) {
	center, reach := int(math.Round(float64(level))), int(2*noise+0.5)
	if max(reach-t.reach, t.reach-reach) > reach/16 { // near enough to be undone below
		t.set(min(reach, len(t.entry)/2-1))
	}
	total := (x1 - x0) * (r.y1 - r.y0)
	lowest := center - t.reach
	if t.reach < reach*15/16 || total > 1536 {
		return level, noise, 0, false
	}
	var all uint64
	for y := r.y0; y < r.y1; y++ {
		for _, p := range r.whole[(y-r.y0)*r.f.Width:][x0:x1] {
			if d := uint(int(p) - lowest); d < uint(len(t.entry)) {
				all += t.entry[d]
			} else if p == 0 {
				zeros++
			}
		}
	}
	if lowest <= 0 {
		zeros = r.zeros(x0, x1)
	}
	n := int(all / tallyCount)
	if n < total*7/8 {
		return level, noise, 0, false
	}
	m := float64(all/tallySum%(tallyCount/tallySum)) / float64(n)
	square := float64(all%tallySum)/float64(n) - m*m
	m -= float64(t.reach)
	// A Gaussian cut at its center plus and minus two standard deviations keeps
	// 0.8796 of its own; cut a little beside its center its mean moves by 0.774
	// of that.
	cut := (float64(t.reach) + 0.5) / float64(noise) // whole numbers up to half beyond
	sd := math.Sqrt(math.Max(square, 0)) / kept(cut)
	if noise := float64(noise); !(math.Abs(m) < 0.4*noise && sd > 0.8*noise && sd < 1.25*noise) {
		return level, float32(noise), 0, false
	}
	return float32(float64(center) + m/moved(cut)), float32(sd), zeros, true
}

// zeros counts the whole pixels in columns x0 to x1-1 that are 0.
func (r *rows) zeros(x0, x1 int) int {
	n := 0
	for y := r.y0; y < r.y1; y++ {
		for _, p := range r.whole[(y-r.y0)*r.f.Width:][x0:x1] {
			if p == 0 {
				n++
			}
		}
	}
	return n
}

// kept returns the standard deviation of a Gaussian of unit standard deviation
// cut at plus and minus c, and moved how far its mean moves if it is shifted a
// little between the cuts: 1 - 2 c phi(c)/P(c) is the variance and the move.
func kept(c float64) float64  { return math.Sqrt(moved(c)) }
func moved(c float64) float64 { return 1 - 2*c*gaussDensity(c)/math.Erf(c/math.Sqrt2) }

func gaussDensity(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

// within returns the mean, from center, of the values within reach of it, their
// standard deviation as if they were the middle of a Gaussian cut at twice its
// own, and their number.
func within(v []float32, center, reach float32) (mean, sigma float32, n int) {
	var sum, sq float32
	for _, x := range v {
		if d := x - center; d >= -reach && d <= reach {
			sum += d
			sq += d * d
			n++
		}
	}
	if n == 0 {
		return 0, 0, 0
	}
	m := sum / float32(n)
	// A Gaussian cut at two standard deviations keeps 0.8796 of its own.
	return m, float32(math.Sqrt(float64(max(sq/float32(n)-m*m, 0)))) / 0.8796, n
}

// clipped returns mean and standard deviation of the values less than two
// standard deviations from their median, both undone of the cut, which is
// symmetric so that stars shift it little. NaN are left out; NaN, NaN if a
// quarter of the values or less are left. It reorders v.
func clipped(v []float32) (mean, sigma float32) {
	nan := float32(math.NaN())
	total := len(v)
	k := 0
	for _, x := range v {
		if x == x {
			v[k] = x
			k++
		}
	}
	v = v[:k]
	if len(v) < 8 || len(v)*4 < total {
		return nan, nan
	}
	// Median and spread from a sample spread over the values.
	var few [256]float32
	s := few[:0]
	step := max(1, len(v)/len(few))
	for i := 0; i < len(v) && len(s) < len(few); i += step {
		s = append(s, v[i])
	}
	med := quickselect(s, len(s)/2)
	for i, x := range s {
		s[i] = max(x-med, med-x)
	}
	spread := 1.4826 * quickselect(s, len(s)/2)
	if spread == 0 {
		// More than half of the values are equal: whole numbers of little noise.
		spread = 0.5
	}
	center := med
	for range 3 {
		m, sd, n := within(v, center, 2*spread)
		if n < 4 {
			return nan, nan
		}
		done := max(sd-spread, spread-sd) < 0.03*spread && max(m, -m) < 0.03*spread
		center += m
		spread = sd
		if done || sd == 0 {
			break
		}
	}
	return center, spread
}

// quickselect returns the element of rank k, reordering v so that none before it
// is greater and none after it is less.
func quickselect[T float32 | float64](v []T, k int) T {
	lo, hi := 0, len(v)-1
	for lo < hi {
		p := v[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < p {
				i++
			}
			for v[j] > p {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// fill gives meshes without a level that of their neighbours, and makes all even
// with those around them: a star lifts the mesh it lies in.
func (b *background) fill() {
	var room [8]float32
	for range b.nx + b.ny {
		missing := false
		old := slices.Clone(b.level)
		for k, v := range old {
			if v == v {
				continue
			}
			missing = true
			if l := b.around(room[:0], old, k); len(l) > 0 {
				b.level[k] = quickselect(l, len(l)/2)
				l = b.around(room[:0], b.noise, k)
				if len(l) > 0 {
					b.noise[k] = quickselect(l, len(l)/2)
				}
			}
		}
		if !missing {
			break
		}
	}
	level, noise := slices.Clone(b.level), slices.Clone(b.noise)
	for k := range level {
		l := b.around(room[:0], level, k)
		if len(l) < 3 {
			continue
		}
		med := quickselect(l, len(l)/2)
		n := b.around(room[:0], noise, k)
		quiet := quickselect(n, len(n)/2)
		if d := level[k] - med; d > 0.5*quiet && noise[k] > 1.15*quiet {
			b.level[k] = med
		} else if l, ok := b.even(level, k); ok && abs32(l-level[k]) < 0.5*quiet {
			b.level[k] = l // what is more is the sky's
		}
		if noise[k] > 1.3*quiet {
			b.noise[k] = quiet
		}
	}
}

func abs32(v float32) float32 { return max(v, -v) }

// even returns the median of the k-th value and the means of the four pairs of
// values opposite each other around it, which a slope does not change. ok is
// false at the edges, where pairs are missing.
func (b *background) even(v []float32, k int) (median float32, ok bool) {
	if x, y := k%b.nx, k/b.nx; x == 0 || y == 0 || x == b.nx-1 || y == b.ny-1 {
		return v[k], false
	}
	five := [5]float32{v[k]}
	for i, step := range [4]int{1, b.nx - 1, b.nx, b.nx + 1} {
		five[i+1] = (v[k-step] + v[k+step]) / 2
	}
	return quickselect(five[:], 2), true
}

// around appends to dst the values of the up to eight meshes around the k-th
// that have one.
func (b *background) around(dst, v []float32, k int) []float32 {
	x, y := k%b.nx, k/b.nx
	for j := max(0, y-1); j <= min(b.ny-1, y+1); j++ {
		for i := max(0, x-1); i <= min(b.nx-1, x+1); i++ {
			if w := v[j*b.nx+i]; w == w && (i != x || j != y) {
				dst = append(dst, w)
			}
		}
	}
	return dst
}

// median returns the medians of level and noise over the meshes.
func (b *background) median() (level, noise float64) {
	l, n := slices.Clone(b.level), slices.Clone(b.noise)
	return float64(quickselect(l, len(l)/2)), float64(quickselect(n, len(n)/2))
}

// parallel calls the functions that start returns, one a worker, with the
// numbers from 0 to n-1, each once. It returns the error of the lowest number
// that had one.
func parallel(workers, n int, start func() func(int) error) error {
	var (
		wg   sync.WaitGroup
		mu   sync.Mutex
		next int
		at   = n
		err  error
	)
	for range min(workers, n) {
		wg.Go(func() {
			do := start()
			for {
				mu.Lock()
				i := next
				next++
				stop := i >= n || err != nil
				mu.Unlock()
				if stop {
					return
				}
				if e := do(i); e != nil {
					mu.Lock()
					if i < at {
						at, err = i, e
					}
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	return err
}
