package solve

import (
	"cmp"
	"math"
	"runtime"
	"slices"
	"sync"

	"holdfast/internal/catalog"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// vec is a unit vector: ICRS on the sky, or in a frame with the third axis
// along the line of sight of its centre.
type vec [3]float64

func (a vec) dot(b vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func (a vec) cross(b vec) vec {
	return vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func (a vec) normal() vec {
	n := 1 / math.Sqrt(a.dot(a))
	return vec{a[0] * n, a[1] * n, a[2] * n}
}

// mark is a star on a chart. Single precision places it within 0.02 arcsec.
type mark struct {
	x, y, z float32
	mag     float32
}

func (m mark) vec() vec { return vec{float64(m.x), float64(m.y), float64(m.z)} }

// A chart holds stars sorted into cells of about equal area: bands of
// declination, each cut in right ascension. Within a cell they go from bright
// to faint.
//
// It may cover a part of the sky only: the declinations from south on as far
// as there are bands, and half the right ascensions of a turn or less to
// either side of middle.
type chart struct {
	south  float64 // where the first band begins, radians
	height float64 // of a band, radians
	middle float64 // right ascension, radians
	reach  float64 // how far the cells go to either side of it; pi for the whole circle
	bands  []band
	first  []uint32 // the first star of each cell, and the end
	marks  []mark
}

type band struct {
	cell  int     // index of its first cell
	cells int     // number of cells
	perRA float64 // cells per radian of right ascension
}

// newChart sorts the stars into cells that hold about four where the sky has
// perSr of them per steradian. They all lie within radius of d.
func newChart(stars []catalog.Star, d sky.Direction, radius unit.Deg, perSr float64) *chart {
	dec, r := float64(d.Dec.Rad()), float64(radius.Rad())
	const slack = 1e-6
	south, north := max(dec-r-slack, -math.Pi/2), min(dec+r+slack, math.Pi/2)
	h := math.Sqrt(4 / max(perSr, 1))
	n := min(max(int(math.Ceil((north-south)/h)), 1), 4000)
	c := &chart{south: south, height: (north - south) / float64(n), bands: make([]band, n)}
	c.middle = math.Remainder(float64(d.RA.Rad()), 2*math.Pi)
	c.reach = reachOf(dec, r+slack)
	total := 0
	for i := range c.bands {
		// No cell is narrower than a band is high.
		lo, hi := south+c.height*float64(i), south+c.height*float64(i+1)
		narrowest := math.Cos(max(math.Abs(lo), math.Abs(hi)))
		k := max(1, int(2*c.reach*narrowest/c.height))
		c.bands[i] = band{total, k, float64(k) / (2 * c.reach)}
		total += k
	}
	c.place(stars, total)
	return c
}

// place sorts the stars into so many cells.
func (c *chart) place(stars []catalog.Star, cells int) {
	marks, cell := make([]mark, len(stars)), make([]uint32, len(stars))
	share(len(stars), func(from, to int) {
		for i := from; i < to; i++ {
			s := &stars[i]
			ra, dec := float64(s.RA.Rad()), float64(s.Dec.Rad())
			sa, ca := math.Sincos(ra)
			sd, cd := math.Sincos(dec)
			marks[i] = mark{float32(cd * ca), float32(cd * sa), float32(sd), float32(s.VT)}
			b := &c.bands[min(max(c.bandOf(dec), 0), len(c.bands)-1)]
			cell[i] = uint32(b.cell + min(max(int(c.along(ra)*b.perRA), 0), b.cells-1))
		}
	})
	c.first = make([]uint32, cells+1)
	for _, k := range cell {
		c.first[k+1]++
	}
	for k := range cells {
		c.first[k+1] += c.first[k]
	}
	next := slices.Clone(c.first[:cells])
	c.marks = make([]mark, len(marks))
	for i, m := range marks {
		k := cell[i]
		c.marks[next[k]] = m
		next[k]++
	}
	share(cells, func(from, to int) {
		for k := from; k < to; k++ {
			brightFirst(c.marks[c.first[k]:c.first[k+1]])
		}
	})
}

// brightFirst sorts the stars of a cell, which are few as a rule.
func brightFirst(s []mark) {
	if len(s) > 12 {
		slices.SortStableFunc(s, func(a, b mark) int { return cmp.Compare(a.mag, b.mag) })
		return
	}
	for i := 1; i < len(s); i++ {
		for j := i; j > 0 && s[j].mag < s[j-1].mag; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
}

// share divides n things among the processors if they are many.
func share(n int, do func(from, to int)) {
	workers := 1
	if n > 1<<14 {
		workers = runtime.GOMAXPROCS(0)
	}
	var wait sync.WaitGroup
	for i := range workers {
		wait.Go(func() { do(i*n/workers, (i+1)*n/workers) })
	}
	wait.Wait()
}

// cut returns where to divide the bands from to to-1 into parts with about as
// many stars each: the first band of every part, and to.
func (c *chart) cut(from, to, parts int) []int {
	at := func(b int) int {
		if b == len(c.bands) {
			return len(c.marks)
		}
		return int(c.first[c.bands[b].cell])
	}
	cuts := []int{from}
	b := from
	for p := 1; p < parts; p++ {
		for b < to && (at(b)-at(from))*parts < p*(at(to)-at(from)) {
			b++
		}
		cuts = append(cuts, b)
	}
	return append(cuts, to)
}

// reachOf returns how far in right ascension a circle about a declination
// reaches.
func reachOf(dec, radius float64) float64 {
	if math.Abs(dec)+radius >= math.Pi/2 {
		return math.Pi
	}
	return math.Asin(min(1, math.Sin(radius)/math.Cos(dec)))
}

// along returns a right ascension from the chart's western edge, in radians.
func (c *chart) along(ra float64) float64 {
	d := ra - c.middle
	if d < -math.Pi {
		d += 2 * math.Pi
	} else if d > math.Pi {
		d -= 2 * math.Pi
	}
	return d + c.reach
}

// bandOf returns the band of a declination; there is none if it is negative or
// too large.
func (c *chart) bandOf(dec float64) int { return int(math.Floor((dec - c.south) / c.height)) }

// near is a star of a chart and its distance from a place: the chord squared.
type near struct {
	chord2 float64
	index  uint32
}

// around appends the stars within an angle of v and not fainter than mag.
func (c *chart) around(dst []near, v vec, angle float64, mag float32) []near {
	dec := math.Asin(min(max(v[2], -1), 1))
	ra := c.along(math.Atan2(v[1], v[0]))
	s := 2 * math.Sin(min(angle, math.Pi)/2)
	limit := s * s
	const slack = 1e-6
	half := reachOf(dec, angle) + slack
	for b := max(c.bandOf(dec-angle-slack), 0); b <= min(c.bandOf(dec+angle+slack), len(c.bands)-1); b++ {
		d := &c.bands[b]
		lo := int(math.Floor((ra - half) * d.perRA))
		hi := int(math.Floor((ra + half) * d.perRA))
		round := c.reach == math.Pi
		if !round {
			lo, hi = max(lo, 0), min(hi, d.cells-1)
		} else if hi-lo+1 >= d.cells {
			lo, hi = 0, d.cells-1
		}
		for k := lo; k <= hi; k++ {
			cell := k
			if cell < 0 {
				cell += d.cells
			} else if cell >= d.cells {
				cell -= d.cells
			}
			for i, end := c.first[d.cell+cell], c.first[d.cell+cell+1]; i < end; i++ {
				m := &c.marks[i]
				if m.mag > mag {
					break
				}
				x, y, z := float64(m.x)-v[0], float64(m.y)-v[1], float64(m.z)-v[2]
				if r := x*x + y*y + z*z; r <= limit {
					dst = append(dst, near{r, i})
				}
			}
		}
	}
	return dst
}

// brighter returns up to k of the nearest stars that are not fainter than mag,
// from near to far, without the star index itself and what is so near to it
// that a frame may show the two as one. It looks up to widest away, first
// within an angle of guess; dst is room for the answer.
func (c *chart) brighter(dst []near, index uint32, mag float32, k int, guess, closest, widest float64) []near {
	v := c.marks[index].vec()
	for angle := guess; ; angle *= 1.7 {
		angle = min(angle, widest)
		dst = c.around(dst[:0], v, angle, mag)
		n := 0
		for _, s := range dst {
			if s.index != index && s.chord2 > closest*closest {
				dst[n] = s
				n++
			}
		}
		dst = dst[:n]
		if n >= k || angle >= widest {
			break
		}
	}
	best := dst[:0]
	for _, d := range dst {
		best = insert(best, d, k)
	}
	return best
}

// insert puts a star where it belongs among the k nearest, from near to far.
// best may lie in front of where d comes from.
func insert(best []near, d near, k int) []near {
	n := len(best)
	if n == k {
		if d.chord2 >= best[k-1].chord2 {
			return best
		}
		n--
	} else {
		best = append(best, d)
	}
	for ; n > 0 && best[n-1].chord2 > d.chord2; n-- {
		best[n] = best[n-1]
	}
	best[n] = d
	return best
}

// block appends the runs of stars that hold every star of the chart within so
// many bands' height of any place in cell k of band b.
func (c *chart) block(dst [][2]uint32, b, k, reach int) [][2]uint32 {
	at := &c.bands[b]
	west, east := float64(k)/at.perRA, float64(k+1)/at.perRA
	south := c.south + c.height*float64(b)
	half := reachOf(max(math.Abs(south), math.Abs(south+c.height)), float64(reach)*c.height)
	round := c.reach == math.Pi
	for i := max(b-reach, 0); i <= min(b+reach, len(c.bands)-1); i++ {
		d := &c.bands[i]
		lo, hi := int(math.Floor((west-half)*d.perRA)), int(math.Floor((east+half)*d.perRA))
		if !round {
			lo, hi = max(lo, 0), min(hi, d.cells-1)
		} else if hi-lo+1 >= d.cells {
			lo, hi = 0, d.cells-1
		}
		// Cells of a band that lie side by side are one run.
		add := func(lo, hi int) {
			if from, to := c.first[d.cell+lo], c.first[d.cell+hi+1]; lo <= hi && from < to {
				dst = append(dst, [2]uint32{from, to})
			}
		}
		switch {
		case lo > hi:
		case lo < 0:
			add(lo+d.cells, d.cells-1)
			add(0, hi)
		case hi >= d.cells:
			add(lo, d.cells-1)
			add(0, hi-d.cells)
		default:
			add(lo, hi)
		}
	}
	return dst
}

// basis returns two unit vectors that span the plane touching at v, such that
// e, n and v are right-handed: east and north on the sky. At a pole of the
// third axis they are any such pair.
func basis(v vec) (e, n vec) {
	h := math.Sqrt(v[0]*v[0] + v[1]*v[1])
	if h < 1e-12 {
		e = vec{1, 0, 0}
	} else {
		e = vec{-v[1] / h, v[0] / h, 0}
	}
	return e, v.cross(e)
}

// onPlane returns the place of u on the plane touching at v with the axes e
// and n.
func onPlane(u, v, e, n vec) arm {
	w := 1 / u.dot(v)
	return arm{u.dot(e) * w, u.dot(n) * w}
}
