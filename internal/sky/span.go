package sky

import (
	"math"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Span is a stretch of time at one site over which observers are cheap: the
// slow motions (precession, nutation, the Earth's and the Moon's orbits) are
// computed at nodes and interpolated, the turning of the Earth is exact.
// Against Site.At places differ by less than 0.01 arcsec. It is safe for
// concurrent use.
type Span struct {
	site       Site
	start      Instant
	length     float64 // days
	nodes      []node  // one a day
	moon       [][2]vec
	refa, refb float64
}

// moonStep is the distance of the Moon's nodes in days. The error of cubic
// Hermite interpolation is (2 pi step/27.3)^4/384: 0.006 arcsec.
const moonStep = 0.25

// NewSpan returns the span of a site between two instants. Instants outside
// give NaN places. It costs about 0.2 ms a day. It panics if to comes before
// from, or more than ten years after it.
func NewSpan(s Site, from, to Instant) *Span {
	sp := &Span{site: s, start: from, length: float64(to.Sub(from)) / daySec}
	if !(sp.length >= 0 && sp.length < 3660) {
		panic("sky: a span must be between nought and ten years long")
	}
	gofa.Refco(float64(s.Pressure), float64(s.Temp), s.Humidity, float64(s.Wavelength), &sp.refa, &sp.refb)
	for day := 0.0; ; day++ {
		sp.nodes = append(sp.nodes, newNode(from.Add(unit.Second(day*daySec))))
		if day > 0 && day >= sp.length {
			break
		}
	}
	n := &sp.nodes[0]
	for day := 0.0; ; day += moonStep {
		var pv [2]vec
		gofa.Moon98(n.tt1, n.tt2+day, &pv)
		sp.moon = append(sp.moon, pv)
		if day > 0 && day >= sp.length {
			break
		}
	}
	return sp
}

// At returns the observer at t.
func (sp *Span) At(t Instant) *Observer {
	o := new(Observer)
	sp.observe(o, t)
	return o
}

// observe makes o the observer at t, without allocating.
func (sp *Span) observe(o *Observer, t Instant) {
	day := float64(t.Sub(sp.start)) / daySec
	i := int(day)
	if !(day >= 0) || i > len(sp.nodes)-1 || day > sp.length+1e-9 {
		o.set(sp.site, t, newNode(Instant{}), sp.refa, sp.refb)
		return
	}
	i = min(i, len(sp.nodes)-2)
	f := day - float64(i)
	a, b := &sp.nodes[i], &sp.nodes[i+1]
	mix := func(p, q float64) float64 { return p + f*(q-p) }
	t1, t2 := t.day, t.frac
	n := node{
		// TT and UT1 differ from UTC by the same seconds at both nodes.
		tt1: t1, tt2: t2 + (a.tt1 - sp.start.day) + (a.tt2 - sp.start.frac) - float64(i),
		ut1: t1, ut2: t2 + (a.ut1 - sp.start.day) + (a.ut2 - sp.start.frac) - float64(i),
		earthSun: hermite(&a.earthSun, &b.earthSun, 1, f),
		earthSSB: hermite(&a.earthSSB, &b.earthSSB, 1, f),
		x:        mix(a.x, b.x),
		y:        mix(a.y, b.y),
		s:        mix(a.s, b.s),
	}
	o.span = sp
	o.set(sp.site, t, n, sp.refa, sp.refb)
}

// hermite returns position and velocity a fraction f through the step between
// a and b, from the positions and velocities at its ends.
func hermite(a, b *[2]vec, step, f float64) (pv [2]vec) {
	f2, f3 := f*f, f*f*f
	for k := range 3 {
		p, q := a[0][k], b[0][k]
		u, v := a[1][k]*step, b[1][k]*step
		pv[0][k] = p*(2*f3-3*f2+1) + u*(f3-2*f2+f) + q*(3*f2-2*f3) + v*(f3-f2)
		pv[1][k] = ((p-q)*(6*f2-6*f) + u*(3*f2-4*f+1) + v*(3*f2-2*f)) / step
	}
	return pv
}

// moonAt returns the Moon from the geocentre in au and au/day at o's instant.
func (o *Observer) moonAt() (pv [2]vec) {
	if o.span == nil {
		if math.IsNaN(o.tt1) {
			return [2]vec{{o.tt1, o.tt1, o.tt1}, {o.tt1, o.tt1, o.tt1}}
		}
		gofa.Moon98(o.tt1, o.tt2, &pv)
		return pv
	}
	x := float64(o.t.Sub(o.span.start)) / daySec / moonStep
	i := max(0, min(int(x), len(o.span.moon)-2))
	return hermite(&o.span.moon[i], &o.span.moon[i+1], moonStep, x-float64(i))
}
