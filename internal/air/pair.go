package air

import (
	"math"

	"holdfast/internal/unit"
)

// Pair is two round apertures whose beams cross the same frozen layer apart
// from each other: two telescopes side by side (the layer at the ground), one
// telescope looking at two stars (the angle between them times the layer's
// distance), or both.
type Pair struct {
	First, Second unit.Metre // diameters
	Separation    unit.Metre // of the beams in the layer
	Outer         unit.Metre // outer scale; +Inf allowed
}

// Direction is a direction of motion relative to the line between two beams.
type Direction int

// The directions.
const (
	MeanDirection Direction = iota // mean of the two variances
	Longitudinal                   // along the line
	Transverse                     // across it
)

// BeamSeparation returns how far apart two beams are at the given distance
// when the angle between them is theta and they start side by side
// perpendicular to it.
func BeamSeparation(theta unit.Arcsec, distance, sideBySide unit.Metre) unit.Metre {
	return unit.Metre(math.Hypot(float64(theta.Rad())*float64(distance), float64(sideBySide)))
}

func (p Pair) valid() bool {
	return p.First > 0 && p.Second > 0 && p.Separation >= 0 && p.Outer > 0
}

// power returns the variances of the two motions and that of their difference
// in units of lambda^2 r0^(-5/3) First^(-1/3).
func (p Pair) power(d Direction) (first, second, difference float64) {
	if !p.valid() {
		return math.NaN(), math.NaN(), math.NaN()
	}
	q := float64(p.First / p.Outer)
	ratio := float64(p.Second / p.First)
	s := float64(p.Separation / p.First)
	start := 0.05 / math.Max(1, math.Max(ratio, s))
	if q > 0 {
		start = math.Min(start, q/2)
	}
	end := 5 * radialEnd / math.Min(1, ratio) // close beams differ in fine detail alone
	// Beyond 3000 turns of the separation's phase its mean, nothing, does.
	shared := math.Min(end, 3000/s)
	widest := math.Min(0.5/math.Max(1, ratio), 1/math.Max(s, 1e-9))
	law := func(x float64) float64 {
		return 2 * math.Pi * phasePower * x * x * x * math.Pow(x*x+q*q, -11./6)
	}
	integral := func(f func(x float64) float64) float64 {
		return overScales(f, start, widest, shared) + tail(f, shared, end)
	}
	filter := func(x float64) (h1, h2 float64) { return jinc(math.Pi * x), jinc(math.Pi * x * ratio) }
	first = integral(func(x float64) float64 { h, _ := filter(x); return law(x) * h * h / 2 })
	second = integral(func(x float64) float64 { _, h := filter(x); return law(x) * h * h / 2 })
	difference = integral(func(x float64) float64 {
		h1, h2 := filter(x)
		w := 0.0
		if x <= shared {
			w = phaseWeight(2*math.Pi*x*s, d)
		}
		return law(x) * ((h1*h1+h2*h2)/2 - 2*h1*h2*w)
	})
	return first, second, difference
}

// tail integrates a smooth function from a to b.
func tail(f func(float64) float64, a, b float64) float64 {
	sum := 0.0
	for a < b {
		next := math.Min(a*1.5, b)
		sum += panel(f, a, next)
		a = next
	}
	return sum
}

// phaseWeight returns the mean over directions of cos^2 (or sin^2) times the
// cosine of the separation's phase, z = 2 pi f s; 1/2 at z = 0.
func phaseWeight(z float64, d Direction) float64 {
	transverse := 0.5 - z*z/16
	if z > 1e-3 {
		transverse = math.J1(z) / z
	}
	switch d {
	case Longitudinal:
		return math.J0(z) - transverse
	case Transverse:
		return transverse
	}
	return math.J0(z) / 2
}

// Differential returns the variance of the difference of the two motions over
// that of the first, for exposures too short to blur it; 2 far apart and equal
// apertures. NaN if a length is not positive or the separation negative.
// Within 0.5 %.
//
// Source: Tokovinin (2002, Publ. Astron. Soc. Pacific 114, 1156), whose fits
// it meets to 0.3 %.
func (p Pair) Differential(d Direction) float64 {
	first, _, difference := p.power(d)
	return difference / first
}

// DifferentialMotion returns the rms of the difference of the two motions
// along one axis, for exposures too short to blur it.
func (p Pair) DifferentialMotion(t Turbulence, d Direction) unit.Arcsec {
	_, _, difference := Pair{p.First, p.Second, p.Separation, t.Outer}.power(d)
	return unit.Arcsec(math.Sqrt(difference * motionScale(p.First, t)))
}

// Correlation returns the correlation of the two motions, the mean over axes,
// and the rms of the first over that of the second, when each is averaged over
// an exposure during which the wind carries the air the distance blown, at the
// given angle to the line between the beams. NaN as Differential. Within 0.01.
func (p Pair) Correlation(blown unit.Metre, windAngle unit.Deg) (correlation, ratio float64) {
	if !p.valid() || !(blown >= 0) {
		return math.NaN(), math.NaN()
	}
	if float64(blown) < 0.01*math.Min(float64(p.First), float64(p.Second)) {
		first, second, difference := p.power(MeanDirection)
		return (first + second - difference) / 2 / math.Sqrt(first*second), math.Sqrt(first / second)
	}
	d1, d2 := float64(p.First), float64(p.Second)
	k := 1 / float64(p.Outer)
	sin, cos := math.Sincos(float64(windAngle.Rad()))
	sx, sy := math.Abs(float64(p.Separation)*cos), math.Abs(float64(p.Separation)*sin)
	small := math.Min(d1, d2)
	endX := math.Min(20/float64(blown), radialEnd/small)
	endY := 2.5 / small // the second lobe of the finer filter
	var c [3]float64    // first, second, shared
	inner := func(x float64) (c [3]float64) {
		// As far as the separation's phase turns 60 times; beyond, its mean.
		turning := math.Min(endY, 60/math.Max(sy, 1e-9))
		start := math.Max(0.3*math.Hypot(x, k), 1e-9)
		add := func(from, to float64, phase bool) {
			a, b := math.Cbrt(from), math.Cbrt(to)
			for i, g := range gaussX {
				u := a + (b-a)*g
				y := u * u * u
				r2 := x*x + y*y
				h1, h2 := jinc(math.Pi*d1*math.Sqrt(r2)), jinc(math.Pi*d2*math.Sqrt(r2))
				w := gaussW[i] * (b - a) * 3 * u * u * r2 * math.Pow(r2+k*k, -11./6)
				c[0] += w * h1 * h1
				c[1] += w * h2 * h2
				if phase {
					c[2] += w * h1 * h2 * math.Cos(2*math.Pi*y*sy)
				}
			}
		}
		from, to := 0.0, start
		for from < endY {
			phase := from < turning
			if phase {
				to = math.Min(to, math.Min(from+1/math.Max(sy, 1e-9), turning))
			}
			to = math.Min(to, endY)
			add(from, to, phase)
			from, to = to, to*2
		}
		return c
	}
	add := func(from, to float64) {
		a, b := math.Cbrt(from), math.Cbrt(to)
		for i, g := range gaussX {
			u := a + (b-a)*g
			x := u * u * u
			s := sinc(x * float64(blown))
			w := gaussW[i] * (b - a) * 3 * u * u * s * s
			in := inner(x)
			c[0] += w * in[0]
			c[1] += w * in[1]
			c[2] += w * in[2] * math.Cos(2*math.Pi*x*sx)
		}
	}
	longest := math.Max(float64(blown), sx)
	first := 0.1 / math.Max(longest, small)
	if k > 0 {
		first = math.Min(first, k/2)
	}
	add(0, first)
	for from := first; from < endX; {
		to := math.Min(math.Min(from*1.5, from+1/longest), endX)
		add(from, to)
		from = to
	}
	return c[2] / math.Sqrt(c[0]*c[1]), math.Sqrt(c[0] / c[1])
}
