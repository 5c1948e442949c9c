package solve

import (
	"math"
	"runtime"
	"sync"

	"holdfast/internal/catalog"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// A layer is a table of the quads whose faintest star, the one in the middle,
// lies in a range of magnitudes, on a chart of all stars down to the faint end
// of that range.
type layer struct {
	chart    *chart
	table    *table
	skip     int     // triples that are left out
	arms     int     // neighbours of which quads are made
	guess    float64 // radius that holds about that many, radians
	closest  float64 // neighbours nearer than that are left out, radians
	widest   float64 // and those further than that
	from, to float32 // magnitudes
	perSr    float64 // stars to a steradian
}

// newLayer returns the layer of the chart's stars fainter than from and not
// fainter than to, where the chart has perSr stars per steradian. Its quads
// are made of arms neighbours, without those that the nearest bare of them
// would give.
func newLayer(c *chart, from, to float32, bare, arms int, perSr float64) *layer {
	typical := math.Sqrt(float64(arms) / (math.Pi * perSr))
	l := &layer{
		chart: c, skip: choices(bare), arms: arms, from: from, to: to, perSr: perSr,
		guess:   1.2 * typical,
		closest: 0.01 * typical,
		widest:  min(4*typical, 15*math.Pi/180),
	}
	parts := make([]*quads, min(runtime.GOMAXPROCS(0), len(c.bands)))
	var wait sync.WaitGroup
	band := 0
	for p := range parts {
		from := band
		for band < len(c.bands) && c.bands[band].cell*len(parts) < (p+1)*(len(c.first)-1) {
			band++
		}
		to := band
		parts[p] = new(quads)
		wait.Go(func() { l.fill(parts[p], from, to) })
	}
	wait.Wait()
	l.table = newTable(parts...)
	return l
}

// fill appends the quads about the stars in bands from to to-1.
func (l *layer) fill(q *quads, from, to int) {
	c := l.chart
	n := 0
	for i := from; i < to; i++ {
		for _, m := range c.marks[c.first[c.bands[i].cell]:c.first[c.bands[i].cell+c.bands[i].cells]] {
			if m.mag > l.from && m.mag <= l.to {
				n++
			}
		}
	}
	q.grow(n * (choices(l.arms) - l.skip))
	var room, best []near
	var runs [][2]uint32
	var arms [maxArms]arm
	least := float32(l.closest * l.closest)
	sure := float32(4 * math.Sin(c.height/2) * math.Sin(c.height/2))
	for b := from; b < to; b++ {
		for k := range c.bands[b].cells {
			i, end := c.first[c.bands[b].cell+k], c.first[c.bands[b].cell+k+1]
			if i == end || !(c.marks[end-1].mag > l.from) {
				continue
			}
			runs = c.block(runs[:0], b, k)
			for ; i < end; i++ {
				m := c.marks[i]
				if !(m.mag > l.from && m.mag <= l.to) {
					continue
				}
				// The neighbours in the block are the nearest if they lie
				// within a band's height; else they are looked for afresh.
				best = best[:0]
				limit := sure
				for _, r := range runs {
					marks := c.marks[r[0]:r[1]]
					for j := range marks {
						o := &marks[j]
						x, y, z := o.x-m.x, o.y-m.y, o.z-m.z
						d := x*x + y*y + z*z
						if d < limit && o.mag <= m.mag && d > least {
							best = insert(best, near{float64(d), r[0] + uint32(j)}, l.arms)
							if len(best) == l.arms {
								limit = float32(best[l.arms-1].chord2)
							}
						}
					}
				}
				if len(best) < l.arms {
					room = l.neighbours(room, i)
					best = append(best[:0], room...)
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

// neighbours returns the neighbours of a star of which its quads are made.
func (l *layer) neighbours(dst []near, index uint32) []near {
	return l.chart.brighter(dst, index, l.chart.marks[index].mag, l.arms, l.guess, l.closest, l.widest)
}

// rungs are the faint ends of the layers in VT and the number of neighbours in
// each: from 2,700 stars of the whole sky fourfold to the whole catalogue.
// Where the deepest layers fail their quads are made of more neighbours.
var rungs = []struct {
	to         float32
	arms, more int
}{{5.5, 7, 7}, {6.75, 6, 6}, {8, 5, 5}, {9.3, 5, 5}, {10.5, 4, 5}, {99, 4, 5}}

// atlas holds the layers of the whole sky, made when first asked for: those
// of few neighbours, and what more neighbours add to them.
var atlas [6]struct {
	chart       *chart
	first, more *layer
	once, twice sync.Once
}

// wholeSky returns layer i of the whole sky.
func wholeSky(i int) *layer {
	a := &atlas[i]
	a.once.Do(func() {
		a.chart = skyChart(i)
		a.first = newLayer(a.chart, floor(i), rungs[i].to, 0, rungs[i].arms, skyDensity(i))
	})
	return a.first
}

// moreOfWholeSky returns the quads that more neighbours add to layer i of the
// whole sky, nil if none.
func moreOfWholeSky(i int) *layer {
	if rungs[i].more == rungs[i].arms {
		return nil
	}
	a := &atlas[i]
	wholeSky(i)
	a.twice.Do(func() {
		a.more = newLayer(a.chart, floor(i), rungs[i].to, rungs[i].arms, rungs[i].more, skyDensity(i))
	})
	return a.more
}

func skyDensity(i int) float64 { return rungCount[i] / (4 * math.Pi) }

// skyChart returns the chart of all stars of layer i and the ones before.
func skyChart(i int) *chart {
	return newChart(allMarks(rungs[i].to, rungCount[i]), vec{0, 0, 1}, math.Pi, skyDensity(i))
}

// floor returns the bright end of layer i.
func floor(i int) float32 {
	if i == 0 {
		return -99
	}
	return rungs[i-1].to
}

// allMarks returns the stars of the whole sky not fainter than a magnitude, of
// which there are about count.
func allMarks(faintest float32, count float64) []mark {
	var half [2][]mark
	var wait sync.WaitGroup
	for i := range half {
		wait.Go(func() { half[i] = marksAround(sky.Direction{Dec: unit.Deg(180*i - 90)}, 90, faintest, int(0.6*count)) })
	}
	wait.Wait()
	return append(half[0], half[1]...)
}

// marksAround returns the stars within radius of a direction, of which there
// are about room.
func marksAround(d sky.Direction, radius unit.Deg, faintest float32, room int) []mark {
	stars := catalog.Cone(make([]catalog.Star, 0, room), d.RA, d.Dec, radius, unit.Mag(faintest))
	marks := make([]mark, len(stars))
	for i, s := range stars {
		v := vecOf(sky.Direction{RA: s.RA, Dec: s.Dec})
		marks[i] = mark{float32(v[0]), float32(v[1]), float32(v[2]), float32(s.VT)}
	}
	return marks
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
	marks := marksAround(d, unit.Deg(reach), rungs[i].to, int(rungCount[i]*(1-math.Cos(reach*math.Pi/180))*0.6))
	if len(marks) < 4 {
		return nil
	}
	radius := float64(unit.Deg(reach).Rad())
	perSr := float64(len(marks)) / (2 * math.Pi * (1 - math.Cos(radius)))
	return newLayer(newChart(marks, vecOf(d), radius, perSr), floor(i), rungs[i].to, 0, arms, perSr)
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
