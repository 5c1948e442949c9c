package fitting

import "math"

// pupilImage is the image of a pupil out of focus as its waves draw it, as a
// transfer function of q, cycles per diameter of the geometric image: there are
// rings in it, and its rim is fainter than geometry has it, so that a disc looks
// smaller by some percent.
type pupilImage struct {
	high  float64     // up to this q it is tabulated; beyond it is 0
	outer []float64   // the integral over the whole pupil, against q
	holes []float64   // the holes over the disc for which the next is tabulated
	inner [][]float64 // what a hole takes away over its square, against q times the hole
}

// tableStep is the step of the tables; the functions' own period is 2.
const tableStep = 0.08

// colours are the wavelengths, over the mean one, that make white light.
var colours = [...]float64{0.86, 1, 1.14}

// newPupilImage tabulates the image for a defocus of the given number of waves at
// the rim, up to q of high, for one hole or, if that is NaN, for all up to 0.8.
func newPupilImage(waves, hole, high float64) *pupilImage {
	p := &pupilImage{high: high, holes: []float64{hole}}
	if math.IsNaN(hole) {
		p.holes = []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8}
	}
	table := func(high float64, f func(q, waves float64) float64) []float64 {
		t := make([]float64, int(high/tableStep)+4)
		for i := range t {
			for _, c := range colours {
				t[i] += f(float64(i)*tableStep, waves/c) / float64(len(colours))
			}
		}
		return t
	}
	p.outer = table(high, overlapOuter)
	most := p.holes[len(p.holes)-1]
	for _, e := range p.holes {
		if e == 0 {
			p.inner = append(p.inner, nil)
			continue
		}
		p.inner = append(p.inner, table(high*most, func(q, waves float64) float64 {
			return overlapInner(q/e, waves, e) / (e * e)
		}))
	}
	return p
}

// otf returns the transfer function at q for a hole over the disc: the one that
// was given, or any if none was.
func (p *pupilImage) otf(q, hole float64) float64 {
	if q >= p.high {
		return 0
	}
	whole, e2 := lookUp(p.outer, q), sq(hole)
	k := 0
	for k+2 < len(p.holes) && hole > p.holes[k+1] {
		k++
	}
	if p.inner[k] == nil {
		return whole / math.Pi
	}
	taken := lookUp(p.inner[k], q*hole)
	if k+1 < len(p.holes) {
		// Against q times the hole this changes slowly and evenly with the hole.
		f := max((hole-p.holes[k])/(p.holes[k+1]-p.holes[k]), 0)
		taken += f * (lookUp(p.inner[k+1], q*hole) - taken)
	}
	return (whole - e2*taken) / (math.Pi * (1 - e2))
}

// lookUp returns an even function from its table.
func lookUp(t []float64, q float64) float64 {
	i := min(int(q/tableStep), len(t)-3)
	before := t[1]
	if i > 0 {
		before = t[i-1]
	}
	return cubic(before, t[i], t[i+1], t[i+2], q/tableStep-float64(i))
}

// cubic is Catmull and Rom's between a and b.
func cubic(before, a, b, after, f float64) float64 {
	return a + f/2*(b-before+f*(2*before-5*a+4*b-after+f*(3*(a-b)+after-before)))
}

// overlapOuter returns the integral over the overlap of two discs of radius 1,
// apart by as much as q is of the waves, of the cosine of their phases'
// difference.
//
// Source: Hopkins 1955, Proc. R. Soc. A 231, 91, "The frequency response of a
// defocused optical system": with a phase of 2 pi W r^2 the difference at the
// place x between two pupils that are s apart is 4 pi W s x, and s is q/(4 W).
func overlapOuter(q, waves float64) float64 {
	half := q / (8 * waves)
	if half >= 1 {
		return 0
	}
	// x + s/2 is the sine.
	from := math.Asin(half)
	n := 40 + 2*int(2*q)
	step := (math.Pi/2 - from) / float64(n)
	sum := 0.0
	for i := range n + 1 {
		sin, cos := math.Sincos(from + float64(i)*step)
		sum += simpson(i, n) * cos * cos * math.Cos(math.Pi*q*(sin-half))
	}
	return 4 * sum * step / 3
}

// overlapInner returns the part of that which two holes of the radius e, each in
// one of the discs, take away.
func overlapInner(q, waves, e float64) float64 {
	half := q / (8 * waves)
	if half >= 1 || e == 0 {
		return 0
	}
	// x - s/2 is e times the sine; what is taken away is the hole's chord, and no
	// more than that of the overlap.
	from := -math.Asin(min(half/e, 1))
	n := 60 + 2*int(2*q*e)
	step := (math.Pi/2 - from) / float64(n)
	sum := 0.0
	for i := range n + 1 {
		sin, cos := math.Sincos(from + float64(i)*step)
		x := half + e*sin
		chord := min(e*cos, math.Sqrt(max(1-sq(x+half), 0)))
		sum += simpson(i, n) * e * cos * chord * math.Cos(math.Pi*q*x)
	}
	return 4 * sum * step / 3
}

// simpson is the weight of point i of n+1.
func simpson(i, n int) float64 {
	switch {
	case i == 0 || i == n:
		return 1
	case i%2 == 1:
		return 4
	}
	return 2
}
