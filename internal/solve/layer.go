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
	arms     int     // neighbours of which quads are made
	guess    float64 // radius that holds about that many, radians
	closest  float64 // neighbours nearer than that are left out, radians
	widest   float64 // and those further than that
	from, to float32 // magnitudes
	perSr    float64 // stars to a steradian
}

// newLayer returns the layer of the chart's stars fainter than from and not
// fainter than to, where the chart has perSr stars per steradian.
func newLayer(c *chart, from, to float32, arms int, perSr float64) *layer {
	typical := math.Sqrt(float64(arms) / (math.Pi * perSr))
	l := &layer{
		chart: c, arms: arms, from: from, to: to, perSr: perSr,
		guess:   1.2 * typical,
		closest: 0.01 * typical,
		widest:  min(4*typical, 15*math.Pi/180),
	}
	parts := make([]*quads, min(runtime.GOMAXPROCS(0), 8))
	var wait sync.WaitGroup
	for p := range parts {
		parts[p] = new(quads)
		wait.Go(func() {
			n := len(c.marks)
			l.fill(parts[p], uint32(p*n/len(parts)), uint32((p+1)*n/len(parts)))
		})
	}
	wait.Wait()
	l.table = newTable(parts...)
	return l
}

// fill appends the quads about the stars of index i to end.
func (l *layer) fill(q *quads, i, end uint32) {
	var room []near
	var arms [maxArms]arm
	n := int(float64(end-i)) * choices(l.arms)
	q.box, q.code, q.ref = make([]uint32, 0, n), make([]uint32, 0, n), make([]uint32, 0, n)
	guess := l.guess
	for ; i < end; i++ {
		m := l.chart.marks[i]
		if !(m.mag > l.from && m.mag <= l.to) {
			continue
		}
		room = l.neighbours(room, i, guess)
		if len(room) < 3 {
			continue
		}
		if len(room) == l.arms {
			guess = 0.5*guess + 0.6*math.Sqrt(room[l.arms-1].chord2)
		}
		v := m.vec()
		e, n := basis(v)
		for k, s := range room {
			arms[k] = onPlane(l.chart.marks[s.index].vec(), v, e, n)
		}
		for k, t := range triples[:choices(len(room))] {
			q.add(shapeOf(arms[t[0]], arms[t[1]], arms[t[2]]), i<<tripleBits|uint32(k))
		}
	}
}

// neighbours returns the neighbours of a star of which its quads are made.
func (l *layer) neighbours(dst []near, index uint32, guess float64) []near {
	return l.chart.brighter(dst, index, l.chart.marks[index].mag, l.arms, guess, l.closest, l.widest)
}

// rungs are the faint ends of the layers in VT and the number of neighbours in
// each: from 2,700 stars of the whole sky fourfold to the whole catalogue.
var rungs = []struct {
	to   float32
	arms int
}{{5.5, 7}, {6.75, 7}, {8, 6}, {9.3, 6}, {10.5, 5}, {99, 4}}

// coarse is the number of layers that cost next to nothing to make.
const coarse = 4

// atlas holds the layers of the whole sky, made when first asked for.
var atlas [6]struct {
	once  sync.Once
	layer *layer
}

// wholeSky returns layer i of the whole sky.
func wholeSky(i int) *layer {
	a := &atlas[i]
	a.once.Do(func() {
		marks := allMarks(rungs[i].to)
		perSr := float64(len(marks)) / (4 * math.Pi)
		a.layer = newLayer(newChart(marks, vec{0, 0, 1}, math.Pi, perSr), floor(i), rungs[i].to, rungs[i].arms, perSr)
	})
	return a.layer
}

// floor returns the bright end of layer i.
func floor(i int) float32 {
	if i == 0 {
		return -99
	}
	return rungs[i-1].to
}

// allMarks returns the stars of the whole sky not fainter than a magnitude.
func allMarks(faintest float32) []mark {
	var half [2][]mark
	var wait sync.WaitGroup
	for i := range half {
		wait.Go(func() { half[i] = marksAround(sky.Direction{Dec: unit.Deg(180*i - 90)}, 90, faintest) })
	}
	wait.Wait()
	return append(half[0], half[1]...)
}

// marksAround returns the stars within radius of a direction.
func marksAround(d sky.Direction, radius unit.Deg, faintest float32) []mark {
	stars := catalog.Cone(nil, d.RA, d.Dec, radius, unit.Mag(faintest))
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
	marks := marksAround(d, unit.Deg(reach), rungs[i].to)
	if len(marks) < 4 {
		return nil
	}
	radius := float64(unit.Deg(reach).Rad())
	perSr := float64(len(marks)) / (2 * math.Pi * (1 - math.Cos(radius)))
	return newLayer(newChart(marks, vecOf(d), radius, perSr), floor(i), rungs[i].to, arms, perSr)
}

// rungCount is the number of stars of the catalogue down to each rung.
var rungCount = []float64{2658, 11000, 42000, 166000, 536739, 1872530}

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
