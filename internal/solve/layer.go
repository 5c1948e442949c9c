package solve

import (
	"math"
	"runtime"
	"sync"

	"holdfast/internal/catalog"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// A layer is the quads whose faintest star, the one in the middle, lies in a
// range of magnitudes, on a chart of all stars down to the faint end of that
// range.
type layer struct {
	chart    *chart
	belts    []belt
	skip     int     // triples that are left out
	arms     int     // neighbours of which quads are made
	guess    float64 // radius that holds about that many, radians
	closest  float64 // neighbours nearer than that are left out, radians
	widest   float64 // and those further than that
	from, to float32 // magnitudes
	perSr    float64 // stars to a steradian
}

// A belt is a part of the sky between two declinations, and the table of its
// quads once that has been asked for.
type belt struct {
	south, north int // bands of the chart
	made         sync.Once
	table        *table
}

// newLayer returns the layer of the chart's stars fainter than from and not
// fainter than to, where the chart has perSr stars per steradian. Its quads
// are made of arms neighbours, without those that the nearest bare of them
// would give. The sky is divided into belts of about as many stars each, from
// north to south.
func newLayer(c *chart, from, to float32, bare, arms int, perSr float64, belts int) *layer {
	typical := math.Sqrt(float64(arms) / (math.Pi * perSr))
	l := &layer{
		chart: c, skip: choices(bare), arms: arms, from: from, to: to, perSr: perSr,
		guess:   1.2 * typical,
		closest: 0.01 * typical,
		widest:  min(4*typical, 15*math.Pi/180),
	}
	cuts := c.cut(0, len(c.bands), belts)
	l.belts = make([]belt, belts)
	for i := range l.belts {
		l.belts[i].south, l.belts[i].north = cuts[belts-1-i], cuts[belts-i]
	}
	return l
}

// table returns the table of a belt.
func (l *layer) table(i int) *table {
	b := &l.belts[i]
	b.made.Do(func() {
		parts := make([]*quads, runtime.GOMAXPROCS(0))
		cuts := l.chart.cut(b.south, b.north, len(parts))
		var wait sync.WaitGroup
		for p := range parts {
			parts[p] = new(quads)
			wait.Go(func() { l.fill(parts[p], cuts[p], cuts[p+1]) })
		}
		wait.Wait()
		b.table = newTable(parts...)
	})
	return b.table
}

// fill appends the quads about the stars in bands south to north-1.
func (l *layer) fill(q *quads, south, north int) {
	c := l.chart
	n := 0
	for i := south; i < north; i++ {
		for _, m := range c.marks[c.first[c.bands[i].cell]:c.first[c.bands[i].cell+c.bands[i].cells]] {
			if m.mag > l.from && m.mag <= l.to {
				n++
			}
		}
	}
	q.grow(n * (choices(l.arms) - l.skip))
	var best, wide []near
	var room []pick
	var near1, near2 [][2]uint32
	var arms [maxArms]arm
	for b := south; b < north; b++ {
		for k := range c.bands[b].cells {
			i, end := c.first[c.bands[b].cell+k], c.first[c.bands[b].cell+k+1]
			if i == end || !(c.marks[end-1].mag > l.from) {
				continue
			}
			near1, near2 = c.block(near1[:0], b, k, 1), near2[:0]
			for ; i < end; i++ {
				m := c.marks[i]
				if !(m.mag > l.from && m.mag <= l.to) {
					continue
				}
				// The neighbours in a block are the nearest if they lie within
				// as many bands' height; else they are looked for farther away.
				best, room = l.nearest(best, room, i, near1, 1)
				if len(best) < l.arms {
					if len(near2) == 0 {
						near2 = c.block(near2, b, k, 2)
					}
					best, room = l.nearest(best, room, i, near2, 2)
				}
				if len(best) < l.arms {
					wide = l.neighbours(wide, i)
					best = append(best[:0], wide...)
				}
				if len(best) < 3 {
					continue
				}
				v := m.vec()
				e, n := basis(v)
				for k, s := range best {
					arms[k] = onPlane(c.marks[s.index].vec(), v, e, n)
				}
				for k := l.skip; k < choices(len(best)); k++ {
					t := triples[k]
					q.add(shapeOf(arms[t[0]], arms[t[1]], arms[t[2]]), i<<tripleBits|uint32(k))
				}
			}
		}
	}
}

// pick is a near in half the room.
type pick struct {
	chord2 float32
	index  uint32
}

// nearest returns the neighbours of a star that lie in the runs and within so
// many bands' height. best and room are memory for it to use again.
func (l *layer) nearest(best []near, room []pick, index uint32, runs [][2]uint32, bands float64) ([]near, []pick) {
	c := l.chart
	m := c.marks[index]
	s := 2 * math.Sin(min(bands*c.height, l.widest)/2)
	limit := float32(s * s)
	most := 0
	for _, r := range runs {
		most += int(r[1] - r[0])
	}
	if most > cap(room) {
		room = make([]pick, 2*most)
	}
	room = room[:cap(room)]
	// Whether a star is near and bright enough is as good as random: counting
	// on is cheaper than a jump.
	n := 0
	for _, r := range runs {
		marks := c.marks[r[0]:r[1]]
		for j := range marks {
			o := &marks[j]
			x, y, z := o.x-m.x, o.y-m.y, o.z-m.z
			d := x*x + y*y + z*z
			room[n] = pick{d, r[0] + uint32(j)}
			one := 0
			if d <= limit {
				one = 1
			}
			if o.mag > m.mag {
				one = 0
			}
			n += one
		}
	}
	best = best[:0]
	least, most2 := float32(l.closest*l.closest), limit
	for _, o := range room[:n] {
		if o.chord2 > least && o.chord2 <= most2 {
			best = insert(best, near{float64(o.chord2), o.index}, l.arms)
			if len(best) == l.arms {
				most2 = float32(best[l.arms-1].chord2)
			}
		}
	}
	return best, room
}

// neighbours returns the neighbours of a star of which its quads are made.
func (l *layer) neighbours(dst []near, index uint32) []near {
	return l.chart.brighter(dst, index, l.chart.marks[index].mag, l.arms, l.guess, l.closest, l.widest)
}

// rungs are the faint ends of the layers in VT, the number of neighbours in
// each, and the belts of the whole sky: from 2,700 stars fourfold to the whole
// catalogue. Where the deepest layers fail their quads are made of more
// neighbours.
var rungs = []struct {
	to         float32
	arms, more int
	belts      int
}{{5.5, 7, 7, 1}, {6.75, 6, 6, 1}, {8, 5, 5, 1}, {9.3, 5, 5, 2}, {10.5, 4, 5, 4}, {99, 4, 5, 8}}

// skyLayer is one layer of the whole sky, made when first asked for: the quads
// of few neighbours, and what more neighbours add to them.
type skyLayer struct {
	chart       *chart
	first, more *layer
	once, twice sync.Once
}

// atlas holds the layers of the whole sky.
var atlas = newAtlas()

func newAtlas() []*skyLayer {
	a := make([]*skyLayer, len(rungs))
	for i := range a {
		a[i] = new(skyLayer)
	}
	return a
}

// wholeSky returns layer i of the whole sky.
func wholeSky(i int) *layer {
	a := atlas[i]
	a.once.Do(func() {
		a.chart = skyChart(i)
		a.first = newLayer(a.chart, floor(i), rungs[i].to, 0, rungs[i].arms, skyDensity(i), rungs[i].belts)
	})
	return a.first
}

// moreOfWholeSky returns the quads that more neighbours add to layer i of the
// whole sky, nil if none.
func moreOfWholeSky(i int) *layer {
	if rungs[i].more == rungs[i].arms {
		return nil
	}
	a := atlas[i]
	wholeSky(i)
	a.twice.Do(func() {
		a.more = newLayer(a.chart, floor(i), rungs[i].to, rungs[i].arms, rungs[i].more, skyDensity(i), rungs[i].belts)
	})
	return a.more
}

func skyDensity(i int) float64 { return rungCount[i] / (4 * math.Pi) }

// skyChart returns the chart of all stars of layer i and the ones before.
func skyChart(i int) *chart {
	return newChart(starsOfSky(unit.Mag(rungs[i].to), int(rungCount[i])), sky.Direction{Dec: 90}, 180, skyDensity(i))
}

// floor returns the bright end of layer i.
func floor(i int) float32 {
	if i == 0 {
		return -99
	}
	return rungs[i-1].to
}

// starsOfSky returns the stars of the whole sky not fainter than a magnitude,
// of which there are about count.
func starsOfSky(faintest unit.Mag, count int) []catalog.Star {
	var half [2][]catalog.Star
	var wait sync.WaitGroup
	for i := range half {
		room := make([]catalog.Star, 0, count*6/10)
		wait.Go(func() { half[i] = catalog.Cone(room, 0, unit.Deg(90-180*i), 90, faintest) })
	}
	wait.Wait()
	return append(half[0], half[1]...)
}

// span returns the diagonals, in degrees, of frames in which the stars of
// layer i number about 8 and 400: from there to there it is of use.
func span(i int) (small, large float64) {
	perDeg2 := rungCount[i] / 41253
	return math.Sqrt(8 / perDeg2), math.Sqrt(400 / perDeg2)
}

// layerAround returns layer i of the sky about a place, whose quads may appear
// in a frame that points at most within away from it and measures wide, in
// degrees, across its diagonal. Its quads are made of the given number of
// neighbours. It returns nil if there are fewer than four stars.
func layerAround(i int, d sky.Direction, within unit.Deg, wide float64, arms int) *layer {
	_, large := span(i)
	reach := min(float64(within)+0.6*min(large, wide), 180)
	share := (1 - math.Cos(reach*math.Pi/180)) / 2
	stars := catalog.Cone(make([]catalog.Star, 0, int(1.2*rungCount[i]*share)), d.RA, d.Dec, unit.Deg(reach), unit.Mag(rungs[i].to))
	if len(stars) < 4 {
		return nil
	}
	perSr := float64(len(stars)) / (4 * math.Pi * share)
	return newLayer(newChart(stars, d, unit.Deg(reach), perSr), floor(i), rungs[i].to, 0, arms, perSr, 1)
}

// rungCount is the number of stars of the catalogue down to each rung.
var rungCount = []float64{2658, 11000, 42000, 166000, 536739, 1872529}

// vecOf returns the direction as a unit vector.
func vecOf(d sky.Direction) vec {
	sa, ca := math.Sincos(float64(d.RA.Rad()))
	sd, cd := math.Sincos(float64(d.Dec.Rad()))
	return vec{cd * ca, cd * sa, sd}
}

// directionOf returns the direction of a vector.
func directionOf(v vec) sky.Direction {
	ra := math.Atan2(v[1], v[0])
	if ra < 0 {
		ra += 2 * math.Pi
	}
	return sky.Direction{RA: unit.Rad(ra).Deg(), Dec: unit.Rad(math.Atan2(v[2], math.Hypot(v[0], v[1]))).Deg()}
}
