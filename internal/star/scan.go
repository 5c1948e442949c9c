package star

import "math"

// picture is the frame, or a band of it, summed scale by scale: rows of n sums,
// packed or as floats.
type picture struct {
	n, rows int
	stride  int // words a row; 0 if the sums are floats
	words   []uint64
	v       []float32
}

// reset makes room for rows of n sums.
func (p *picture) reset(n, rows int, packed bool) {
	p.n, p.rows, p.stride = n, rows, 0
	if packed {
		p.stride = packedWords(n)
		resize(&p.words, p.stride*rows)
		return
	}
	resize(&p.v, n*rows)
}

// row returns the r-th row of a picture of floats, packed that of a packed one.
func (p *picture) row(r int) []float32   { return p.v[r*p.n:][:p.n] }
func (p *picture) packed(r int) []uint64 { return p.words[r*p.stride:][:p.stride] }

// lower takes excess off a sum; a packed one not below zero.
func (p *picture) lower(i, r int, excess float32) {
	if p.stride == 0 {
		p.v[r*p.n+i] -= excess
		return
	}
	row := p.packed(r)
	row[i/2] -= uint64(max(0, min(excess, unpack(row, i)))) << (32 * (i & 1))
}

// halve makes p of two by two sums of q.
func (p *picture) halve(q *picture) {
	p.reset(q.n/2, q.rows/2, q.stride > 0)
	for r := range p.rows {
		if p.stride > 0 {
			halvePacked(p.packed(r), q.packed(2*r), q.packed(2*r+1), p.n)
		} else {
			q.pair(p.row(r), 2*r)
		}
	}
}

// pair sets dst to two by two sums of rows r and r+1.
func (p *picture) pair(dst []float32, r int) {
	if p.stride == 0 {
		halve(dst, p.row(r), p.row(r+1))
		return
	}
	a, b := p.packed(r)[:len(dst)], p.packed(r + 1)[:len(dst)]
	for i := range dst {
		v := a[i] + b[i]
		dst[i] = float32(uint32(v) + uint32(v>>32))
	}
}

// scanner finds the peaks of pictures; it keeps its room from one to the next.
type scanner struct {
	near   smoother
	rows   [3][]float32 // the last three, smoothed
	along  [3][]uint64  // of a packed picture, the last three smoothed along
	packed [3][]uint64  // and the last three smoothed
	mesh   []between    // where each run of a row lies between the mesh centres
	level  []float32    // what a sum must reach at the mesh centres of a row
	limit  []float32    // and in each run of a row
	limits []uint64     // the same, packed
	runs   []int        // those with a sum above
}

// between is a place at part of the way from mesh i to the next.
type between struct {
	i, next int
	part    float32
}

// runSums is the number of sums for which one limit stands.
const runSums = 2 * runWords

// peaks appends the peaks above the threshold of a picture of sums of scale by
// scale pixels, whose first row begins at row y0 of the frame. noiseGain is the
// noise of a smoothed sum over that of one pixel.
func (w *scanner) peaks(p *picture, scale, y0 int, b *background, noiseGain float64, out *[]candidate) {
	s := search{p, scale, y0, b, float64(scale * scale * smoothSum), noiseGain}
	runs := (p.n + runSums - 1) / runSums
	resize(&w.limit, runs)
	resize(&w.limits, runs)
	for k := range resize(&w.mesh, runs) {
		x, _ := s.place(min(k*runSums+runSums/2, p.n-1), 0)
		i, part := b.cell(x/b.stepX-0.5, b.nx)
		w.mesh[k] = between{i, min(i+1, b.nx-1), float32(part)}
	}
	if p.stride > 0 {
		for i := range w.along {
			resize(&w.along[i], p.stride)
			clear(resize(&w.packed[i], p.stride))
		}
		smoothPacked(w.along[0], p.packed(0), p.n) // stands for the row before the first
		smoothPacked(w.along[1], p.packed(0), p.n)
		for r := range p.rows {
			smoothPacked(w.along[(r+2)%3], p.packed(min(r+1, p.rows-1)), p.n)
			acrossPacked(w.packed[r%3], w.along[r%3], w.along[(r+1)%3], w.along[(r+2)%3])
			if r > 0 {
				w.searchPacked(&s, r-1, out)
			}
		}
		w.searchPacked(&s, p.rows-1, out)
		return
	}
	w.near.reset(p.n)
	for i := range w.rows {
		resize(&w.rows[i], p.n)
	}
	w.near.push(p.row(0), nil) // stands for the row before the first
	filled := 0
	for r := range p.rows + 1 {
		if !w.near.push(p.row(min(r, p.rows-1)), w.rows[filled%3]) {
			continue
		}
		if filled++; filled > 1 {
			w.search(&s, filled-2, out)
		}
	}
	w.search(&s, p.rows-1, out)
}

// search is what the search of one picture is about.
type search struct {
	p         *picture
	scale, y0 int
	sky       *background
	area      float64 // a smoothed sum over the level of a pixel
	noiseGain float64 // its noise over that of a pixel
}

// place returns where in the frame a sum lies.
func (s *search) place(i, r int) (x, y float64) {
	mid := float64(s.scale-1) / 2
	return float64(i*s.scale) + mid, float64(s.y0+r*s.scale) + mid
}

// around returns the rows above and below the r-th; those beyond the ends are
// mirrored.
func (s *search) around(r int) (up, down int) {
	return max(r-1, 1-r), min(r+1, 2*s.p.rows-3-r)
}

// bound sets the limits of the runs of a row: the threshold, less one standard
// deviation for what the sky does within the run.
func (w *scanner) bound(s *search, r int) {
	if r%2 == 1 && r > 1 {
		return // those of the row above
	}
	b := s.sky
	_, y := s.place(0, r)
	j, fy := b.cell(y/b.stepY-0.5, b.ny)
	j1 := min(j+1, b.ny-1)
	level := resize(&w.level, b.nx)
	for i := range level {
		l := float64(b.level[j*b.nx+i])*(1-fy) + float64(b.level[j1*b.nx+i])*fy
		n := float64(b.noise[j*b.nx+i])*(1-fy) + float64(b.noise[j1*b.nx+i])*fy
		level[i] = float32(s.area*l + (threshold-1)*s.noiseGain*n)
	}
	for k, m := range w.mesh {
		v := level[m.i] + m.part*(level[m.next]-level[m.i])
		w.limit[k] = v
		if s.p.stride > 0 {
			whole := uint64(math.MaxInt32) // nothing is above what is not known
			if v < math.MaxInt32 {
				whole = uint64(int64(max(v, 0)))
			}
			w.limits[k] = whole<<32 | whole | topBits
		}
	}
}

// search appends the peaks of a smoothed row.
func (w *scanner) search(s *search, r int, out *[]candidate) {
	w.bound(s, r)
	up, down := s.around(r)
	a, b, c := w.rows[up%3], w.rows[r%3], w.rows[down%3]
	for k, limit := range w.limit {
		for i := k * runSums; i < min((k+1)*runSums, s.p.n); i++ {
			if b[i] <= limit {
				continue
			}
			l, q := max(i-1, 0), min(i+1, s.p.n-1)
			s.peak(i, r, &[9]float32{a[l], a[i], a[q], b[l], b[i], b[q], c[l], c[i], c[q]}, out)
		}
	}
}

// searchPacked is search in a packed row.
func (w *scanner) searchPacked(s *search, r int, out *[]candidate) {
	w.bound(s, r)
	up, down := s.around(r)
	a, b, c := w.packed[up%3], w.packed[r%3], w.packed[down%3]
	w.runs = above(w.runs[:0], b, w.limits)
	for _, k := range w.runs {
		for i := k * runSums; i < min((k+1)*runSums, s.p.n); i++ {
			if unpack(b, i) <= w.limit[k] {
				continue
			}
			l, q := max(i-1, 0), min(i+1, s.p.n-1)
			s.peak(i, r, &[9]float32{unpack(a, l), unpack(a, i), unpack(a, q), unpack(b, l), unpack(b, i), unpack(b, q), unpack(c, l), unpack(c, i), unpack(c, q)}, out)
		}
	}
}

// peak appends the smoothed sum i of row r if it is a peak among the nine
// around it, itself in the middle.
func (s *search) peak(i, r int, v *[9]float32, out *[]candidate) {
	top := v[4]
	for k, w := range v {
		// Of two that are equal the one to the right stands for both.
		if w > top || k == 5 && w == top && i < s.p.n-1 {
			return
		}
	}
	x, y := s.place(i, r)
	level, noise := s.sky.at(x, y)
	snr := (float64(top) - s.area*level) / (s.noiseGain * noise)
	if !(snr >= threshold) {
		return
	}
	scale := float64(s.scale)
	x += scale * vertex(v[3], top, v[5])
	y += scale * vertex(v[1], top, v[7])
	*out = append(*out, candidate{x: float32(x), y: float32(y), snr: float32(snr)})
}

// vertex returns where a parabola through three values a step apart is
// highest, from the middle one, at most half a step away.
func vertex(a, b, c float32) float64 {
	d := a - 2*b + c
	if !(d < 0) {
		return 0
	}
	return math.Max(-0.5, math.Min(0.5, float64((a-c)/(2*d))))
}
