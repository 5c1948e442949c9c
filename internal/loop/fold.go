package loop

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/integrate/quad"

	"holdfast/internal/unit"
)

// Spectrum is a one-sided power spectrum: it returns the power per hertz, in
// square arcseconds, at a frequency in hertz. It should vary on scales of a
// fifth of its frequency or more; put lines apart (Line).
type Spectrum func(fHz float64) (arcsec2PerHz float64)

// The quadrature over the base band, in cycles from 0 to 1/2: slowNodes in the
// cube root of frequency up to half the resonance, then nearNodes crowding
// towards the resonance from either side.
const (
	slowNodes = 20
	nearNodes = 8
	foldNodes = slowNodes + 2*nearNodes
	images    = 3  // whole bands above the base band that are resolved
	bands     = 16 // bands up to which the spectrum is sampled once a band
)

var (
	slowX, slowW = gauss(slowNodes)
	nearX, nearW = gauss(nearNodes)
)

// gauss returns the Gauss-Legendre rule of n points on [0, 1].
func gauss(n int) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
}

// baseBand fills positions and weights for a delay and returns how many there
// are. The resonance at the stability limit is at 1/(2(2k+1)) cycles.
func baseBand(delay int, x, w *[foldNodes]float64) int {
	peak := 0.5 / float64(2*delay+1)
	edge := math.Cbrt(peak / 2)
	n := 0
	for i, g := range slowX {
		u := edge * g
		x[n], w[n] = u*u*u, 3*u*u*edge*slowW[i]
		n++
	}
	crowd := func(from float64) {
		for i, g := range nearX {
			x[n], w[n] = peak+(from-peak)*g*g*g, math.Abs(from-peak)*3*g*g*nearW[i]
			n++
		}
	}
	crowd(peak / 2)
	if delay > 0 {
		crowd(0.5)
	}
	return n
}

// Folded is a spectrum folded into a loop's base band, for loops that differ in
// gain alone. Make one with Fold.
//
// Frequencies that differ by whole multiples of the sampling frequency meet the
// same S, so for each base frequency the powers of its images are summed once;
// a gain then costs one complex division a node.
type Folded struct {
	delay int
	n     int
	node  [foldNodes]foldNode
	open  float64 // variance of frequencies above the base band, untouched by the loop
}

type foldNode struct {
	q        complex128 // z^k (z-1)
	slow     float64    // power at the base frequency
	b, p     complex128 // as in response, at the base frequency
	lost     float64    // 1 - |p|^2
	away     float64    // share of the slow part that a sub's mean takes
	stair    float64    // share of the staircase's power that smears within a sub
	images   float64    // sum over images of power |b|^2
	together complex128 // sum over images of power b conj(p)
}

// Fold returns the spectrum folded for loops with the given exposure, cycle and
// delay and subs of the given length (+Inf for the whole variance). The
// variances from it are within 1 % of a dense integral for gains up to 0.9 of
// the stability limit. NaN results if the times are not positive, the cycle is
// below the exposure or the delay negative.
//
// The first three bands are resolved, higher ones up to the 16th sampled once
// each, their phases kept.
func Fold(s Spectrum, exposure, cycle unit.Second, delay int, sub unit.Second) *Folded {
	f := &Folded{delay: delay}
	t, tc, length := float64(exposure), float64(cycle), float64(sub)
	if !(t > 0) || !(tc >= t) || delay < 0 || !(length > 0) {
		f.open = math.NaN()
		return f
	}
	duty := t / tc
	// Both b and p of an image at (m+x)/tc have simple forms,
	//
	//	|b|^2     = (1 - Re turn)/(2 (pi duty (m+x))^2)
	//	b conj(p) = sin(pi x) exp(-i pi x) (turn - 1)/(2i duty (pi (m+x))^2)
	//
	// with turn = exp(2 pi i (m+x) duty), and at (m-x)/tc the same with
	// exp(2 pi i (x-m) duty) and m-x, conjugated. So two sums do: of the powers
	// over (m+-x)^2, and of those times the turns. Bands sampled once have the
	// same power over m^2 on both sides.
	var phase [images + 1]complex128
	for m := range phase {
		phase[m] = cmplx.Rect(1, 2*math.Pi*float64(m)*duty)
	}
	var far, farTurned float64
	for m := images + 1; m <= bands; m++ {
		a := 2 * s(float64(m)/tc) / float64(m*m)
		far += a
		farTurned += a * math.Cos(2*math.Pi*float64(m)*duty)
	}
	rest := 2 * s(2*bands/tc) / (bands + 0.5)
	far += rest
	farTurned += rest * math.Cos(2*math.Pi*(bands+1)*duty)

	var x, w [foldNodes]float64
	f.n = baseBand(delay, &x, &w)
	for i := range f.n {
		n, x, w := &f.node[i], x[i], w[i]/tc
		n.q = openLoop(x, delay)
		n.b, n.p = wave(x/tc, t, tc)
		n.slow = w * s(x/tc)
		n.lost = lost(x)
		n.away = 1 - lost(x*length/tc)
		n.stair = 1 - (1-n.lost)*n.away
		still, turned := far, complex(farTurned, 0)
		for m := 1; m <= images; m++ {
			up, down := float64(m)+x, float64(m)-x
			upper, lower := s(up/tc), s(down/tc)
			f.open += w * (upper + lower)
			upper /= up * up
			lower /= down * down
			still += upper + lower
			turned += complex(upper, 0)*phase[m] + complex(lower, 0)*cmplx.Conj(phase[m])
		}
		turned *= cmplx.Rect(1, 2*math.Pi*x*duty)
		n.images = w * (still - real(turned)) / (2 * math.Pi * math.Pi * duty * duty)
		sx, cx := math.Sincos(math.Pi * x)
		n.together = complex(w*sx/(2*math.Pi*math.Pi*duty), 0) * complex(cx, -sx) *
			complex(0, -1) * (turned - complex(still, 0))
	}
	f.open += above(s, (images+0.5)/tc)
	return f
}

// above returns the power above the given frequency: panels that widen
// threefold up to 2000 times it, then the power law that the last two follow.
func above(s Spectrum, from float64) float64 {
	sum := 0.0
	const panels = 7
	var last [2]float64
	for range panels {
		to := 3 * from
		part := 0.0
		for i, g := range nearX {
			f := from * math.Pow(3, g)
			part += nearW[i] * math.Log(3) * f * s(f)
		}
		sum += part
		last[0], last[1] = last[1], part
		from = to
	}
	if r := last[1] / last[0]; r < 1 {
		sum += last[1] * r / (1 - r)
	}
	return sum
}

// sum adds what each node contributes for a gain.
func (f *Folded) sum(gain float64, of func(n *foldNode, s complex128) float64) float64 {
	if !(gain >= 0) || !(gain < StabilityLimit(f.delay, 0)) || math.IsNaN(f.open) {
		return math.NaN()
	}
	total := 0.0
	for i := range f.n {
		n := &f.node[i]
		total += of(n, n.q/(n.q+complex(gain, 0)))
	}
	return total
}

// Residual returns what the loop leaves of the spectrum as a common
// disturbance, in square arcseconds. NaN for a gain that is not stable.
func (f *Folded) Residual(gain float64) (arcsec2 float64) {
	return f.open + f.sum(gain, func(n *foldNode, s complex128) float64 {
		t := 1 - s
		own := square(n.p-n.b+n.b*s) + n.lost - square(1-n.b*t*cmplx.Conj(n.p))*n.away
		return n.slow*own + square(t)*n.stair*n.images - 2*real(t*n.together)
	})
}

// Injected returns what the loop adds to the star for the spectrum as a
// disturbance that the guide camera alone sees, in square arcseconds. NaN for a
// gain that is not stable.
func (f *Folded) Injected(gain float64) (arcsec2 float64) {
	return f.sum(gain, func(n *foldNode, s complex128) float64 {
		return square(1-s) * n.stair * (n.slow*square(n.b) + n.images)
	})
}

// Measured returns the variance of what the guide camera measures of the
// spectrum, common or not, in square arcseconds. NaN for a gain that is not
// stable.
func (f *Folded) Measured(gain float64) (arcsec2 float64) {
	return f.sum(gain, func(n *foldNode, s complex128) float64 {
		return square(s) * (n.slow*square(n.b) + n.images)
	})
}

// fold returns the spectrum folded for this loop.
func (l Linear) fold(s Spectrum, sub unit.Second) *Folded {
	return Fold(s, l.Exposure, l.Cycle, l.Delay, sub)
}

// Residual is Fold and Folded.Residual at once.
func (l Linear) Residual(common Spectrum, sub unit.Second) (arcsec2 float64) {
	return l.fold(common, sub).Residual(l.Gain)
}

// Injected is Fold and Folded.Injected at once.
func (l Linear) Injected(guide Spectrum, sub unit.Second) (arcsec2 float64) {
	return l.fold(guide, sub).Injected(l.Gain)
}

// Measured is Fold and Folded.Measured at once.
func (l Linear) Measured(seen Spectrum) (arcsec2 float64) {
	return l.fold(seen, unit.Second(math.Inf(1))).Measured(l.Gain)
}

// InjectedNoise returns what the loop adds to the star, within a sub of the
// given length, for white measurement noise of unit variance: NoiseGain less
// the variance of the mean over the sub.
func (l Linear) InjectedNoise(sub unit.Second) float64 {
	if !l.valid() || !(sub > 0) {
		return math.NaN()
	}
	return foldNoise(l.Delay, float64(sub)/float64(l.Cycle)).injected(l.Gain)
}

// foldedNoise is white measurement noise folded, for loops that differ in gain
// alone.
type foldedNoise struct {
	delay, n int
	q        [foldNodes]complex128
	away     [foldNodes]float64 // what a sub's mean takes of the staircase, per |1-S|^2
}

// foldNoise takes the sub's length in cycles.
func foldNoise(delay int, cycles float64) *foldedNoise {
	f := &foldedNoise{delay: delay}
	var x, w [foldNodes]float64
	f.n = baseBand(delay, &x, &w)
	for i := range f.n {
		f.q[i] = openLoop(x[i], delay)
		f.away[i] = 2 * w[i] * (1 - lost(x[i])) * (1 - lost(x[i]*cycles))
	}
	return f
}

func (f *foldedNoise) injected(gain float64) float64 {
	total := noiseGain(gain, f.delay)
	for i, q := range f.q[:f.n] {
		total -= f.away[i] * square(complex(gain, 0)/(q+complex(gain, 0)))
	}
	return total
}
