package air

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"holdfast/internal/unit"
)

// Layer is a layer of turbulent air, frozen and carried by its wind.
type Layer struct {
	Distance unit.Metre // along the line of sight; 0 for air about the telescope
	Share    float64    // of the turbulence, that is of r0^(-5/3); the layers' add up to 1
	Wind     unit.MPS
	Toward   unit.Deg // where the wind blows to, from x towards y
}

// Beam is the light of one star into one telescope. Several guide stars in one
// telescope are as many beams that stand in one place.
type Beam struct {
	Aperture         unit.Metre
	X, Y             unit.Metre  // where the telescope stands, seen along the line of sight
	OffsetX, OffsetY unit.Arcsec // of the star from the line of sight; the beam leans that way
}

// SeriesParams is what a Series depends on.
type SeriesParams struct {
	Air    Turbulence // of all layers together, along the line of sight
	Layers []Layer
	Beams  []Beam
	Step   unit.Second // over which positions are averaged
}

// Shift is how far a star's image stands from where it would without air, on
// the axes x and y.
type Shift struct{ X, Y unit.Arcsec }

// Series is the image motion of several beams in time, each position the mean
// over one step. It is stationary from the first step on, takes the same room
// however long it runs, and never comes back to the same air. Make one with
// NewSeries.
//
// A layer at a distance moves the beams alike as far as they cross the same air
// there, and later downwind; what the beams have in common follows from the
// layer, their places and the angles between their stars (see Pair).
type Series struct {
	layers []*layerSeries
}

// NewSeries returns the series; it depends on the state of rng at the call
// alone, which is moved on by two numbers a layer. The positions are NaN if a
// length, a wind or the step is not positive, or a share negative; a layer with
// no share is left out.
//
// Spectra along and across the wind are those of Motion within 1 %, their
// variance over exposures within 1 % of AveragedVariance, for waves as slow as
// NewColoured follows. Correlations between beams are within 0.01 of
// Pair.Correlation; waves shorter than a thirtieth of the greatest distance
// across the wind between beams count as shared only by beams that stand close.
// It takes about 0.1 s to make, 1 s for six beams.
//
// Derived: a wave of the layer's phase with the spatial frequency (kx, ky),
// x along the wind V, is seen at the temporal frequency f = -kx V. For beams a
// and b at the places (xa, ya) and (xb, yb) in the layer, the cross spectrum of
// the motions along i and j is
//
//	2 lambda^2/V Int W(k) ki kj ha hb exp(2 pi i (kx (xa-xb) + ky (ya-yb))) dky
//
// with W the phase's spectrum and h the gradient filters of Motion. The phase
// of kx is a delay (xa-xb)/V; what is left is a real symmetric matrix once
// motions across the wind are turned by a quarter, and is not negative because
// it is a sum over ky of squares.
func NewSeries(p SeriesParams, rng *rand.Rand) *Series {
	s := &Series{}
	for _, layer := range p.Layers {
		if layer.Share != 0 {
			s.layers = append(s.layers, newLayerSeries(p, layer, rng))
		}
	}
	return s
}

// Next fills dst, which must have an element for each beam, with the mean
// positions over the next step. It does not allocate.
func (s *Series) Next(dst []Shift) {
	clear(dst)
	for _, l := range s.layers {
		l.add(dst)
	}
}

// layerSeries is what one layer does to the beams.
type layerSeries struct {
	p        *process
	sin, cos float64     // of the wind's direction
	moved    []float64   // along and across the wind for each beam, before delays
	late     [][]float64 // ring for each of moved
	at       []int
}

func newLayerSeries(p SeriesParams, layer Layer, rng *rand.Rand) *layerSeries {
	n := len(p.Beams)
	l := &layerSeries{moved: make([]float64, 2*n), late: make([][]float64, 2*n), at: make([]int, 2*n)}
	l.sin, l.cos = math.Sincos(float64(layer.Toward.Rad()))
	air := p.Air
	air.Fried *= unit.Metre(math.Pow(layer.Share, -3./5))
	wind, step := float64(layer.Wind), float64(p.Step)

	motion := make([]*Motion, 2*n) // along and across, beam by beam
	at := make([]place, n)
	first := math.Inf(1)
	for i, b := range p.Beams {
		x := float64(b.X) + float64(layer.Distance)*float64(b.OffsetX.Rad())
		y := float64(b.Y) + float64(layer.Distance)*float64(b.OffsetY.Rad())
		at[i] = place{float64(b.Aperture), x*l.cos + y*l.sin, y*l.cos - x*l.sin}
		first = math.Min(first, at[i].along)
		for j, axis := range []Axis{Along, Across} {
			motion[2*i+j] = NewMotion(MotionParams{b.Aperture, layer.Wind, air, axis})
		}
	}
	// Delays are whole steps, kept in rings, and the rest, left to the process.
	rest := make([]float64, n)
	for i := range at {
		steps := 0
		if delay := (at[i].along - first) / wind / step; delay >= 0 && delay < 1e9 {
			steps = int(math.Round(delay))
			rest[i] = (delay - float64(steps)) * step
		}
		for j := range 2 {
			l.late[2*i+j] = make([]float64, steps+1)
		}
	}
	table := newCoherence(at, 1/float64(p.Air.Outer), wind)
	root := make([]float64, 2*n)
	turn := make([]complex128, n)
	l.p = newProcess(2*n, step, func(f float64, s []complex128) {
		row, frac := table.at(f)
		for i := range turn {
			sin, cos := math.Sincos(-2 * math.Pi * f * rest[i])
			turn[i] = complex(cos, sin)
		}
		for a := range root {
			root[a] = math.Sqrt(motion[a].PSD(f))
			s[a*2*n+a] = complex(root[a]*root[a], 0)
			for b := range a {
				k := a*(a+1)/2 + b
				z := complex((row[0][k]*(1-frac)+row[1][k]*frac)*root[a]*root[b], 0)
				z *= turn[a/2] * cmplx.Conj(turn[b/2])
				switch {
				case a%2 > b%2: // a across, b along: undo the quarter turn of a
					z *= -1i
				case a%2 < b%2:
					z *= 1i
				}
				s[a*2*n+b] = z
			}
		}
	}, rng)
	longest := 0
	for _, ring := range l.late {
		longest = max(longest, len(ring))
	}
	for range longest { // fill the rings
		l.step()
	}
	return l
}

// step makes the next positions; those that are due are in the rings at at.
func (l *layerSeries) step() {
	l.p.next(l.moved)
	for i, v := range l.moved {
		ring := l.late[i]
		ring[l.at[i]] = v
		if l.at[i]++; l.at[i] == len(ring) {
			l.at[i] = 0
		}
	}
}

func (l *layerSeries) add(dst []Shift) {
	l.step()
	for i := range dst {
		along, across := l.late[2*i][l.at[2*i]], l.late[2*i+1][l.at[2*i+1]]
		dst[i].X += unit.Arcsec(along*l.cos - across*l.sin)
		dst[i].Y += unit.Arcsec(along*l.sin + across*l.cos)
	}
}

// place is where a beam crosses a layer.
type place struct{ aperture, along, across float64 }

// coherence is the lower triangle of the real matrix of NewSeries over the
// roots of its diagonal, on an even grid in the logarithm of frequency.
type coherence struct {
	start float64 // of ln f
	rows  [][]float64
}

const coherenceStep = 0.1 // of ln f

// at returns the two rows around a frequency and how far it is from the first.
func (c *coherence) at(f float64) (rows [2][]float64, frac float64) {
	position := math.Min(math.Max((math.Log(f)-c.start)/coherenceStep, 0), float64(len(c.rows)-1))
	i := min(int(position), len(c.rows)-2)
	return [2][]float64{c.rows[i], c.rows[i+1]}, position - float64(i)
}

// newCoherence returns the matrix for beams at the given places in a layer with
// outer scale 1/k0.
func newCoherence(at []place, k0, wind float64) *coherence {
	small, apart := math.Inf(1), 0.0
	for _, a := range at {
		small = math.Min(small, a.aperture)
		for _, b := range at {
			apart = math.Max(apart, math.Abs(a.across-b.across))
		}
	}
	n := 2 * len(at)
	c := &coherence{start: math.Log(1e-6)}
	if !(small > 0) || !(wind > 0) || math.IsInf(small, 1) || math.IsNaN(apart) {
		c.rows = [][]float64{make([]float64, n*(n+1)/2), make([]float64, n*(n+1)/2)}
		return c
	}
	end := math.Log(10 * wind / small)
	re, im := make([]float64, n), make([]float64, n)
	for lnF := c.start; lnF < end || len(c.rows) < 2; lnF += coherenceStep {
		x := math.Exp(lnF) / wind
		row := make([]float64, n*(n+1)/2)
		// node adds the square of one wave; panel is the width it stands for.
		node := func(y, weight, panel float64) {
			r2 := x*x + y*y
			weight *= math.Pow(r2+k0*k0, -11./6)
			h := 0.0
			for i, a := range at {
				if i == 0 || a.aperture != at[i-1].aperture {
					h = jinc(math.Pi * a.aperture * math.Sqrt(r2))
				}
				sin, cos := 0.0, 1.0
				if a.across != at[0].across {
					sin, cos = math.Sincos(2 * math.Pi * y * (a.across - at[0].across))
				}
				re[2*i], im[2*i] = -x*h*cos, -x*h*sin
				re[2*i+1], im[2*i+1] = -y*h*sin, y*h*cos // turned by a quarter
			}
			k := 0
			for a := range n {
				for b := range a + 1 {
					// The phase between far beams turns within the panel: no mean.
					if panel*math.Abs(at[a/2].across-at[b/2].across) <= 1.01 {
						row[k] += weight * (re[a]*re[b] + im[a]*im[b])
					}
					k++
				}
			}
		}
		last := 2.5 / small // the second lobe of the finest filter
		turning := 30 / math.Max(apart, 1e-9)
		for from, to := 0.0, math.Max(0.3*math.Hypot(x, k0), 1e-9); from < last; from, to = to, to*2 {
			if from < turning {
				to = math.Min(to, from+1/math.Max(apart, 1e-9))
			}
			to = math.Min(to, last)
			a, b := math.Cbrt(from), math.Cbrt(to)
			for i, g := range gaussX {
				u := a + (b-a)*g
				node(u*u*u, gaussW[i]*(b-a)*3*u*u, to-from)
			}
		}
		for a := n - 1; a >= 0; a-- {
			for b := range a {
				row[a*(a+1)/2+b] /= math.Sqrt(row[a*(a+1)/2+a] * row[b*(b+1)/2+b])
			}
		}
		for a := range n {
			row[a*(a+1)/2+a] = 1
		}
		c.rows = append(c.rows, row)
	}
	return c
}
