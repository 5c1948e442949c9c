package psf

import (
	"math"
	"sync"
	"sync/atomic"

	"holdfast/internal/unit"
)

// Defocus returns what defocus adds to the diffraction of a telescope whose
// opening has the given aperture and central obstruction (ratio of the
// diameters, 0 to below 1): the kernel that, convolved with Airy of the same
// three, makes the star that waves draw. diameter is that of the geometric
// image of the opening, distance from focus over focal ratio, as an angle on
// the sky. Far from focus it is Disc but for the rings and the softer rim that
// waves have; near focus it is narrower than Disc.
//
// With W waves of defocus at the rim, W = diameter D/(8 lambda), the OTF at the
// frequency f is the mean over the part which two pupils that are lambda f apart
// have in common of cos(2 pi x f diameter), x being the distance from the middle
// of the two along the line of their centres in diameters of the pupil. It is
// averaged over three colours, 14 % apart, which share the geometric image; 0
// beyond D/lambda, where Airy's ends. The variance is Disc's, d^2 (1 + h^2)/16 on
// every axis, exactly.
//
// Good to 1e-4. NaN for an obstruction out of range, or a wavelength or an
// aperture that is not positive.
//
// Source: Hopkins 1955, Proc. R. Soc. A 231, 91, "The frequency response of a
// defocused optical system".
func Defocus(diameter unit.Arcsec, wavelength unit.Micron, aperture unit.MM, obstruction float64) Kernel {
	lambdaOverD := float64(unit.Rad(float64(wavelength.MM()) / float64(aperture)).Arcsec())
	if !(aperture > 0) || !(lambdaOverD > 0) || !(obstruction >= 0 && obstruction < 1) {
		diameter = unit.Arcsec(math.NaN())
	}
	k := round(defocus, diameter, obstruction, square(diameter)*(1+obstruction*obstruction)/16)
	if k.kind == defocus {
		k.waves = &waveTable{waves: k.size / (8 * lambdaOverD), hole: obstruction}
	}
	return k
}

// waveTable holds the OTF of a Defocus against q, cycles per diameter of the
// geometric image, as far as it has been asked for. It may be used from several
// goroutines at once.
type waveTable struct {
	waves, hole float64
	growing     sync.Mutex
	values      atomic.Pointer[[]float64]
}

// at returns the OTF at q.
func (w *waveTable) at(q float64) float64 {
	if q >= 8*w.waves {
		return 0
	}
	step := tableStep(w.waves)
	need := int(q/step) + 3
	t := w.values.Load()
	if t == nil || len(*t) < need {
		t = w.grow(need, step)
	}
	return lookUp(*t, q/step)
}

// grow makes the table at least so long.
func (w *waveTable) grow(need int, step float64) *[]float64 {
	w.growing.Lock()
	defer w.growing.Unlock()
	var t []float64
	if old := w.values.Load(); old != nil {
		t = *old
	}
	if len(t) < need {
		longer := make([]float64, len(t), need+need/4+8)
		copy(longer, t)
		for i := len(longer); i < cap(longer); i++ {
			longer = append(longer, w.mean(float64(i)*step))
		}
		t = longer
		w.values.Store(&t)
	}
	return &t
}

// mean returns the mean of the cosine over what the pupils have in common.
func (w *waveTable) mean(q float64) float64 {
	var sum, area float64
	for _, c := range colours {
		s, a := overlapOuter(q, w.waves/c)
		t, b := overlapInner(q, w.waves/c, w.hole)
		sum += s - t
		area += a - b
	}
	if !(area > 1e-9) {
		// Where the pupils part the last they have in common is near the middle.
		return 1
	}
	return sum / area
}

// PupilImage is the image of a telescope's opening out of focus, diffraction
// included: what Airy and Defocus make together, for discs and holes that are
// still to be found. The colours' transfer functions are averaged.
type PupilImage struct {
	waves float64
	high  float64     // up to this q it is tabulated; beyond it is 0
	outer []float64   // the integral over the whole pupil, against q
	holes []float64   // the holes over the disc for which the next is tabulated
	inner [][]float64 // what a hole takes away over its square, against q times the hole
}

// tableStep returns the step of the tables in cycles per diameter of the
// geometric image: the functions' own period is 2, but near focus they end soon,
// at 8 waves.
func tableStep(waves float64) float64 { return min(0.08, waves/2) }

// colours are the wavelengths, over the mean one, that make white light.
var colours = [...]float64{0.86, 1, 1.14}

// NewPupilImage tabulates the image for a defocus of the given number of waves at
// the rim, up to so many cycles per diameter of the geometric image, for one hole
// (ratio of the diameters) or, if that is NaN, for all up to 0.8.
//
// Source: as Defocus.
func NewPupilImage(waves, hole, high float64) *PupilImage {
	p := &PupilImage{waves: waves, high: high, holes: []float64{hole}}
	if math.IsNaN(hole) {
		p.holes = []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8}
	}
	table := func(step, high float64, f func(q, waves float64) float64) []float64 {
		t := make([]float64, int(high/step)+4)
		for i := range t {
			for _, c := range colours {
				t[i] += f(float64(i)*step, waves/c) / float64(len(colours))
			}
		}
		return t
	}
	p.outer = table(tableStep(waves), high, func(q, waves float64) float64 {
		sum, _ := overlapOuter(q, waves)
		return sum
	})
	most := p.holes[len(p.holes)-1]
	for _, e := range p.holes {
		if e == 0 {
			p.inner = append(p.inner, nil)
			continue
		}
		p.inner = append(p.inner, table(tableStep(e*waves), high*most, func(q, waves float64) float64 {
			sum, _ := overlapInner(q/e, waves, e)
			return sum / (e * e)
		}))
	}
	return p
}

// OTF returns the transfer function at q cycles per diameter of the geometric
// image for a hole: the one that was given, or any up to 0.8 if none was.
func (p *PupilImage) OTF(q, hole float64) float64 {
	if q >= p.high {
		return 0
	}
	whole, e2 := lookUp(p.outer, q/tableStep(p.waves)), hole*hole
	k := 0
	for k+2 < len(p.holes) && hole > p.holes[k+1] {
		k++
	}
	if p.inner[k] == nil {
		return whole / math.Pi
	}
	at := func(k int) float64 { return lookUp(p.inner[k], q*hole/tableStep(p.holes[k]*p.waves)) }
	taken := at(k)
	if k+1 < len(p.holes) {
		// Against q times the hole this changes slowly and evenly with the hole.
		f := max((hole-p.holes[k])/(p.holes[k+1]-p.holes[k]), 0)
		taken += f * (at(k+1) - taken)
	}
	return (whole - e2*taken) / (math.Pi * (1 - e2))
}

// lookUp returns an even function from its table at so many steps: Catmull and
// Rom's cubic.
func lookUp(t []float64, steps float64) float64 {
	i := min(int(steps), len(t)-3)
	f := steps - float64(i)
	before := t[1]
	if i > 0 {
		before = t[i-1]
	}
	a, b, after := t[i], t[i+1], t[i+2]
	return a + f/2*(b-before+f*(2*before-5*a+4*b-after+f*(3*(a-b)+after-before)))
}

// overlapOuter returns the integral over the overlap of two discs of radius 1,
// apart by as much as q is of the waves, of the cosine of their phases'
// difference, and the overlap's area.
//
// Source: Hopkins 1955: with a phase of 2 pi W r^2 the difference at the place x
// between two pupils that are s apart is 4 pi W s x, and s is q/(4 W).
func overlapOuter(q, waves float64) (sum, area float64) {
	half := q / (8 * waves)
	if half >= 1 {
		return 0, 0
	}
	return segment(q, 1, -half, 0)
}

// overlapInner returns the part of overlapOuter that two holes of the radius e,
// each in one of the discs, take away.
func overlapInner(q, waves, e float64) (sum, area float64) {
	half := q / (8 * waves)
	if 2*half >= 1+e || e == 0 {
		return 0, 0
	}
	// Of the hole what lies inside the other disc, whose rim crosses the hole's
	// at edge.
	sum, area = segment(q, e, half, max(0, half-e))
	if 2*half > 1-e {
		edge := (1 - e*e) / (4 * half)
		s, a := segment(q, e, half, edge)
		t, b := segment(q, 1, -half, edge)
		sum, area = sum-s+t, area-a+b
	}
	return sum, area
}

// segment returns four times the integral from x = from on over half of a circle
// about x = centre, and over half of it again for the other side, of
// cos(pi q x), and of 1.
func segment(q, radius, centre, from float64) (sum, area float64) {
	// x is centre plus radius times the sine of the angle.
	a := math.Asin(min(max((from-centre)/radius, -1), 1))
	nodes := segmentNodes()
	panels := 1 + int(q*radius)
	h := (math.Pi/2 - a) / float64(panels)
	for p := range panels {
		for _, n := range nodes {
			sin, cos := math.Sincos(a + h*(float64(p)+n[0]))
			w := h * n[1] * radius * radius * cos * cos
			sum += w * math.Cos(math.Pi*q*(centre+radius*sin))
			area += w
		}
	}
	return 4 * sum, 4 * area
}

// segmentNodes returns the nodes and weights for one panel: a turn of the cosine
// at most.
var segmentNodes = sync.OnceValue(func() (n [8][2]float64) {
	x, w := legendre(len(n), 1)
	for i := range n {
		n[i] = [2]float64{x[i], w[i]}
	}
	return n
})
