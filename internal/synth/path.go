package synth

import (
	"math"

	"holdfast/internal/unit"
)

// Path is how the image of the sky wanders over the sensor during an exposure:
// where each star's light falls, relative to the place it is given for. Each
// sample stands for an equal share of the light, so that what lies between two
// of them is not drawn: let a step be less than a quarter of the star's width.
//
// The part common to the field is sampled finely. What differs over the field
// is linear in the place and slower: a star at the place p (arcseconds east and
// north of the middle of the frame) is at
//
//	common(t) + M(t) (p - pivot)
//
// The two kinds of samples spread evenly over the exposure, each of the slower
// ones standing for as many of the others. A zero Path does not move.
type Path struct {
	East, North []unit.Arcsec // common; equally long
	Linear      []Linear      // M; nil where the field is rigid
	PivotEast   unit.Arcsec
	PivotNorth  unit.Arcsec
}

// Linear is a 2 by 2 matrix of pure numbers: a place east e and north n of the
// pivot moves by EE e + EN n east and NE e + NN n north.
type Linear struct{ EE, EN, NE, NN float64 }

// Turn returns the turning of the field by an angle, from north through east.
func Turn(angle unit.Rad) Linear {
	sin, half := math.Sin(float64(angle)), math.Sin(float64(angle)/2)
	return Linear{EE: -2 * half * half, EN: sin, NE: -sin, NN: -2 * half * half}
}

// Plus returns the sum of the two.
func (l Linear) Plus(m Linear) Linear {
	return Linear{l.EE + m.EE, l.EN + m.EN, l.NE + m.NE, l.NN + m.NN}
}

// track is a path in pixels of a frame: the common part about its mean, the
// linear part about its mean, and the means.
type track struct {
	x, y         []float64
	linear       []Linear // in pixels: EE is of x by x, EN of x by y, ...
	pivotX       float64  // from the middle of the frame
	pivotY       float64
	meanX, meanY float64
	mean         Linear
}

// newTrack returns the path on the frame of a field. It panics if the parts
// differ in length.
func newTrack(p Path, f Field) track {
	if len(p.East) != len(p.North) {
		panic("synth: Path: East and North differ in length")
	}
	m := f.matrix()
	var t track
	t.pivotX, t.pivotY = m.px(float64(p.PivotEast), float64(p.PivotNorth))
	t.x, t.y = make([]float64, len(p.East)), make([]float64, len(p.East))
	for i := range p.East {
		t.x[i], t.y[i] = m.px(float64(p.East[i]), float64(p.North[i]))
		t.meanX += t.x[i]
		t.meanY += t.y[i]
	}
	if n := float64(len(t.x)); n > 0 {
		t.meanX /= n
		t.meanY /= n
	}
	for i := range t.x {
		t.x[i] -= t.meanX
		t.y[i] -= t.meanY
	}
	for _, l := range p.Linear {
		// The columns of the matrix in pixels are what becomes of x and of y.
		column := func(x, y float64) (float64, float64) {
			e, n := m.sky(x, y)
			return m.px(l.EE*e+l.EN*n, l.NE*e+l.NN*n)
		}
		var q Linear
		q.EE, q.NE = column(1, 0)
		q.EN, q.NN = column(0, 1)
		t.linear = append(t.linear, q)
		t.mean = t.mean.Plus(q)
	}
	if n := float64(len(t.linear)); n > 0 {
		t.mean = Linear{t.mean.EE / n, t.mean.EN / n, t.mean.NE / n, t.mean.NN / n}
	}
	for i := range t.linear {
		l := &t.linear[i]
		*l = Linear{l.EE - t.mean.EE, l.EN - t.mean.EN, l.NE - t.mean.NE, l.NN - t.mean.NN}
	}
	return t
}

// shift returns by how much the light of a star x, y from the middle is off its
// place in the mean.
func (t *track) shift(x, y float64) (dx, dy float64) {
	x, y = x-t.pivotX, y-t.pivotY
	return t.meanX + t.mean.EE*x + t.mean.EN*y, t.meanY + t.mean.NE*x + t.mean.NN*y
}

// samples returns how many samples a local path has.
func (t *track) samples() int { return max(len(t.x), len(t.linear)) }

// local calls f with the places that a star x, y from the middle passes, about
// their mean: all samples of the finer of the two parts.
func (t *track) local(x, y float64, f func(dx, dy float64)) {
	x, y = x-t.pivotX, y-t.pivotY
	n, slow := t.samples(), len(t.linear)
	if n == 0 {
		f(0, 0)
		return
	}
	for k := range max(slow, 1) {
		var lx, ly float64
		if slow > 0 {
			l := &t.linear[k]
			lx, ly = l.EE*x+l.EN*y, l.NE*x+l.NN*y
		}
		if len(t.x) < n { // the linear part is the finer
			if len(t.x) == 0 {
				f(lx, ly)
			} else {
				i := k * len(t.x) / slow
				f(lx+t.x[i], ly+t.y[i])
			}
			continue
		}
		from, to := 0, n
		if slow > 0 {
			from, to = k*n/slow, (k+1)*n/slow
		}
		for i := from; i < to; i++ {
			f(lx+t.x[i], ly+t.y[i])
		}
	}
}

// spread returns the greatest distance, along an axis, of a sample from the
// mean over a frame of the given half sides, and the greatest by which the
// linear part changes it.
func (t *track) spread(halfX, halfY float64) (reach, differs float64) {
	for i := range t.x {
		reach = max(reach, math.Abs(t.x[i]), math.Abs(t.y[i]))
	}
	halfX, halfY = halfX+math.Abs(t.pivotX), halfY+math.Abs(t.pivotY)
	for _, l := range t.linear {
		differs = max(differs, math.Abs(l.EE)*halfX+math.Abs(l.EN)*halfY, math.Abs(l.NE)*halfX+math.Abs(l.NN)*halfY)
	}
	return reach + differs, differs
}

// sag returns the variance, at most and along the axis where it is greater, that
// a mixture of the paths at the corners of a cell of the given sides has beyond
// that of the path of a star between them.
//
// Derived: the linear part adds the variance <(EE x + EN y)^2> along x, a
// parabola in x and in y; a chord lies above a parabola a t^2 by a d^2/4 at most.
func (t *track) sag(cellX, cellY float64) float64 {
	var x, y float64
	for _, l := range t.linear {
		x += l.EE*l.EE*cellX*cellX + l.EN*l.EN*cellY*cellY
		y += l.NE*l.NE*cellX*cellX + l.NN*l.NN*cellY*cellY
	}
	return max(x, y) / 4 / float64(max(len(t.linear), 1))
}
