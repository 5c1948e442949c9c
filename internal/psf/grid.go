package psf

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// A grid carries a star from its transfer function to its image. Both are
// sampled on polar nodes in coordinates scaled by the star's own principal
// widths, in which every star is nearly the round Gaussian of unit sigma: s =
// (f1 sigma1, f2 sigma2) and t = (x1/sigma1, x2/sigma2), so that f.x = s.t and
// one set of tables serves all. Radii are Gauss-Legendre nodes, angles equally
// spaced over half a turn, the other half being the same by symmetry.
//
// The transform expands the transfer function at each radius s into even
// angular harmonics, carries each to the radius t by the Bessel function of its
// order (Jacobi-Anger), and adds them up at the angles of t:
//
//	I(t, psi) = sum_s w_s sum_m (-1)^m 2 J_2m(2 pi s t) [c_m cos 2m psi + s_m sin 2m psi]
//
// (half for m = 0). There are no periodic images, so the air's and the pupil's
// wings need no care.
//
// The radius of s stops where the fitted profile has no more power: by
// Parseval's theorem what the image holds beyond does not bear on the fit.
type grid struct {
	ns, nphi, nt, npsi int

	s        []float64    // radii of s
	direct   [][2]float64 // cos, sin of the angles of s
	analysis []float64    // [nh][nphi]: harmonics from angles
	hankel   []float64    // [nh][nt][ns]: from s to t, weights included
	synth    []float64    // [nh][npsi]: angles from harmonics
	nh       int          // harmonics: 1, then cosine and sine by turns

	t        []node // positions of the image's samples
	tWeights []float64
}

// node is a sampled position in scaled coordinates: its squares and product.
type node struct{ xx, xy, yy float64 }

// newGrid returns the grid with ns radii up to sMax by nphi angles for the
// transfer function and nt radii up to tMax by npsi angles for the image.
func newGrid(ns, nphi, nt, npsi int, sMax, tMax float64) *grid {
	g := &grid{ns: ns, nphi: nphi, nt: nt, npsi: npsi, nh: nphi}
	var weightS []float64
	g.s, weightS = legendre(ns, sMax)
	radiusT, weightT := legendre(nt, tMax)

	g.direct = make([][2]float64, nphi)
	for l := range g.direct {
		sin, cos := math.Sincos(math.Pi * float64(l) / float64(nphi))
		g.direct[l] = [2]float64{cos, sin}
	}
	g.analysis = make([]float64, g.nh*nphi)
	g.synth = make([]float64, g.nh*npsi)
	g.hankel = make([]float64, g.nh*nt*ns)
	for h := range g.nh {
		m := (h + 1) / 2 // h = 0: 1; odd: cos 2m; even: sin 2m
		wave := func(angle float64) float64 {
			if h > 0 && h%2 == 0 {
				return math.Sin(2 * float64(m) * angle)
			}
			return math.Cos(2 * float64(m) * angle)
		}
		norm := 2.0
		if h == 0 || 2*m == nphi {
			norm = 1 // the constant, and the highest cosine that nphi angles hold
		}
		for l := range nphi {
			g.analysis[h*nphi+l] = norm / float64(nphi) * wave(math.Pi*float64(l)/float64(nphi))
		}
		for p := range npsi {
			g.synth[h*npsi+p] = wave(math.Pi * float64(p) / float64(npsi))
		}
		sign := 1 - 2*float64(m%2)
		for k, t := range radiusT {
			for i, s := range g.s {
				g.hankel[(h*nt+k)*ns+i] = sign * 2 * math.Pi * s * weightS[i] * math.Jn(2*m, 2*math.Pi*s*t)
			}
		}
	}
	for k, t := range radiusT {
		for p := range npsi {
			y, x := math.Sincos(math.Pi * float64(p) / float64(npsi))
			x, y = x*t, y*t
			g.t = append(g.t, node{x * x, x * y, y * y})
			g.tWeights = append(g.tWeights, t*weightT[k])
		}
	}
	return g
}

// legendre returns the n Gauss-Legendre nodes on (0, end), rising, and their
// weights. A test checks each n in use: the library's table for n = 26 (gonum
// v0.17.0) is wrong in the third digit.
func legendre(n int, end float64) (x, weight []float64) {
	x, weight = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, weight, 0, end)
	if x[0] > x[n-1] {
		slices.Reverse(x)
		slices.Reverse(weight)
	}
	return x, weight
}

// starGrid is the grid Star uses: good to 0.15 % in width against four times as
// many nodes each way.
var starGrid = sync.OnceValue(func() *grid { return newGrid(24, 8, 13, 6, 0.66, 7) })

// image returns the image at the nodes t from the transfer function at the
// nodes s (radius by radius), in units of the flux per area of scaled
// coordinates.
func (g *grid) image(otf []float64) []float64 {
	work := make([]float64, g.nh*g.ns+g.nt*g.npsi)
	harmonics, image := work[:g.nh*g.ns], work[g.nh*g.ns:]
	for h := range g.nh {
		row := g.analysis[h*g.nphi : (h+1)*g.nphi]
		for i := range g.ns {
			sum := 0.0
			for l, v := range otf[i*g.nphi : (i+1)*g.nphi] {
				sum += row[l] * v
			}
			harmonics[h*g.ns+i] = sum
		}
	}
	for h := range g.nh {
		in := harmonics[h*g.ns : (h+1)*g.ns]
		synth := g.synth[h*g.npsi : (h+1)*g.npsi]
		for k := range g.nt {
			row := g.hankel[(h*g.nt+k)*g.ns : (h*g.nt+k+1)*g.ns]
			sum := 0.0
			for i, v := range in {
				sum += row[i] * v
			}
			for p, v := range synth {
				image[k*g.npsi+p] += sum * v
			}
		}
	}
	return image
}
