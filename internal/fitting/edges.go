package fitting

import (
	"cmp"
	"math"
	"slices"

	"holdfast/internal/frame"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// ring is a place round which the light falls off at one distance in all
// directions: the edge of a disc.
type ring struct {
	x, y, radius float64
	fall         float64 // by how much, in three of four directions at least
}

// The radii, in averaged pixels, at which edges are looked for, and the
// directions.
const ringLeast, ringMost, ringWays = 4.0, 9.0, 24

// edgesLeast is the least width and height of a frame in which edges are looked
// for: that of the largest disc and its surroundings.
const edgesLeast = 2*ringMost + 8

// edges returns the discs of a frame that is averaged so far that they are 8 to
// 18 pixels wide, those of the most frequent size, clear ones first; nil if there
// is none. It finds a single disc, discs with holes and discs that overlap,
// where package star wants several alike that stand alone.
//
// Source: derived. In every direction from a disc's centre the light falls at
// the edge by the disc's own surface brightness, whatever lies beneath, so the
// lower quartile over the directions of the fall from just inside a circle to
// just outside stands out at the centre, at that radius alone.
func edges(f *frame.Frame) ([]ring, error) {
	w, h := f.Width, f.Height
	if w < edgesLeast || h < edgesLeast {
		return nil, nil
	}
	pix := make([]float32, w*h)
	if err := f.Rows(0, h, pix); err != nil {
		return nil, err
	}
	// The noise, by neighbours; the sky's level, low so that a crowded frame has
	// one too.
	var diffs, some []float64
	for i := 1; i < len(pix); i++ {
		if d := float64(pix[i] - pix[i-1]); d == d && i%w != 0 {
			diffs = append(diffs, math.Abs(d))
			some = append(some, float64(pix[i]))
		} else if d != d {
			pix[i] = pix[i-1]
		}
	}
	if len(diffs) < 100 {
		return nil, nil
	}
	slices.Sort(diffs)
	slices.Sort(some)
	sigma := max(diffs[len(diffs)/2]/(0.6745*math.Sqrt2), 1e-6)
	low := some[len(some)/10]

	// Sums over rectangles, to pass by what is empty.
	sums := make([]float64, (w+1)*(h+1))
	for j := range h {
		row := 0.0
		for i := range w {
			row += float64(pix[j*w+i])
			sums[(j+1)*(w+1)+i+1] = sums[j*(w+1)+i+1] + row
		}
	}
	var sin, cos [ringWays]float64
	for k := range ringWays {
		sin[k], cos[k] = math.Sincos(2 * math.Pi * (float64(k) + 0.5) / ringWays)
	}
	at := func(x, y float64) float64 {
		i, j := int(x), int(y)
		fx, fy := float32(x-float64(i)), float32(y-float64(j))
		p := pix[j*w+i:]
		q := pix[(j+1)*w+i:]
		return float64((p[0]*(1-fx)+p[1]*fx)*(1-fy) + (q[0]*(1-fx)+q[1]*fx)*fy)
	}
	// Near the frame's edge two of three directions must do. Where more than a
	// quarter of the directions fall by less than least nothing is found; most
	// places are done with after seven.
	fall := func(x, y, r, least float64) float64 {
		const step = 1.5
		var d [ringWays]float64
		n, low, out := 0, 0, 0
		for k := range ringWays {
			k = k * 7 % ringWays // all round soon
			ox, oy := x+(r+step)*cos[k], y+(r+step)*sin[k]
			if !(ox >= 0 && oy >= 0 && ox < float64(w-1) && oy < float64(h-1)) {
				if out++; out > ringWays/3 {
					return 0
				}
				continue
			}
			d[n] = at(x+(r-step)*cos[k], y+(r-step)*sin[k]) - at(ox, oy)
			if d[n] < least {
				if low++; low > ringWays/4 {
					return 0
				}
			}
			n++
		}
		slices.Sort(d[:n])
		return max(d[n/4], 0)
	}
	var found []ring
	const margin = 5
	for j := margin; j < h-margin; j++ {
		for i := margin; i < w-margin; i++ {
			const half = 3
			box := sums[(j+half+1)*(w+1)+i+half+1] - sums[(j-half)*(w+1)+i+half+1] - sums[(j+half+1)*(w+1)+i-half] + sums[(j-half)*(w+1)+i-half]
			if box/((2*half+1)*(2*half+1)) < low+3*sigma {
				continue
			}
			best := ring{}
			for r := ringLeast; r <= ringMost; r += 0.5 {
				if v := fall(float64(i), float64(j), r, 4*sigma); v > best.fall {
					best = ring{float64(i), float64(j), r, v}
				}
			}
			if best.fall > 0 {
				found = append(found, best)
			}
		}
	}
	if len(found) == 0 {
		return nil, nil
	}
	// The clearest first; what lies beside a clearer one is the same disc.
	slices.SortFunc(found, func(a, b ring) int { return cmp.Compare(b.fall, a.fall) })
	var out []ring
	for _, c := range found {
		if c.fall < 0.15*found[0].fall || len(out) == 200 {
			break
		}
		// So is a smaller ring that touches one: a part of its rim.
		if slices.ContainsFunc(out, func(o ring) bool {
			d := math.Hypot(o.x-c.x, o.y-c.y)
			return d < 0.7*o.radius || c.radius < 0.8*o.radius && d < o.radius+c.radius
		}) {
			continue
		}
		out = append(out, c)
	}
	// All discs of a frame are of one size: the one that the clearest agree on.
	size, votes := 0.0, 0.0
	for _, c := range out {
		v := 0.0
		for _, o := range out {
			if math.Abs(o.radius/c.radius-1) < 0.1 {
				v += o.fall
			}
		}
		if v > votes {
			size, votes = c.radius, v
		}
	}
	out = slices.DeleteFunc(out, func(c ring) bool { return math.Abs(c.radius/size-1) > 0.1 })
	if size <= ringLeast || size >= ringMost {
		return nil, nil // the edge may lie beyond the radii looked at
	}
	if len(out) > mostRadial {
		out = out[:mostRadial]
	}
	for i := range out {
		out[i].centre(func(x, y, r float64) float64 { return fall(x, y, r, 0) })
	}
	return out, nil
}

// centre moves a ring to where the fall is greatest, by a parabola along each
// axis.
func (c *ring) centre(fall func(x, y, r float64) float64) {
	peak := func(a, b, d float64) float64 {
		if bend := a - 2*b + d; bend < 0 {
			return max(-0.5, min(0.5, (a-d)/2/bend))
		}
		return 0
	}
	dx := peak(fall(c.x-1, c.y, c.radius), c.fall, fall(c.x+1, c.y, c.radius))
	dy := peak(fall(c.x, c.y-1, c.radius), c.fall, fall(c.x, c.y+1, c.radius))
	c.x, c.y = c.x+dx, c.y+dy
}

// ringed looks for discs by their edges in the frame averaged n by n, and
// reports whether the shot was filled with what was found. Discs that stand alone
// are read if there are any, otherwise all.
func (s *Shot) ringed(f *frame.Frame, n int) (bool, error) {
	if f.Width < edgesLeast*n || f.Height < edgesLeast*n {
		return false, nil
	}
	b := f
	if n > 1 {
		var err error
		if b, err = f.Binned(n); err != nil {
			return false, err
		}
	}
	found, err := edges(b)
	if err != nil || len(found) == 0 {
		return false, err
	}
	r, p := soleRings(b, found, n)
	if r == nil {
		return false, nil
	}
	m := star.Frame{StarsFound: len(found), Measured: r.Stars, Flags: star.Defocused, Width: b.Width, Height: b.Height}
	// Where discs overlap, their light can not be summed.
	m.HFD = unit.Px(math.Hypot(p.disc*math.Sqrt((1+sq(p.hole))/2), p.fwhm))
	m.HFDSigma = m.HFD / 50
	m.FWHM, m.FWHMSigma = unit.Px(math.NaN()), unit.Px(math.NaN())
	s.Frame, s.Radial = m, r
	s.enlarge(f, n)
	return true, nil
}

// soleRings returns the radial profile of the discs that have no other near, or of
// all, and the disc that geometry reads from it; nil if neither shows the pupil.
// The frame is averaged n by n.
func soleRings(f *frame.Frame, found []ring, n int) (*Radial, pupil) {
	var alone []ring
	for i, c := range found {
		if !slices.ContainsFunc(found, func(o ring) bool { return o != found[i] && math.Hypot(o.x-c.x, o.y-c.y) < 2.4*c.radius }) {
			alone = append(alone, c)
		}
	}
	for _, some := range [][]ring{alone, found} {
		var spots []spot
		for _, c := range some {
			spots = append(spots, spot{c.x, c.y, 1.5 * c.radius, c.fall * math.Pi * c.radius * c.radius})
		}
		if len(spots) == 0 {
			continue
		}
		r, err := radialAt(f, spots, true)
		if err != nil {
			continue // too near the edge: no disc to read
		}
		// Air that spreads a star by a third of such a disc is none, but discs that
		// overlap look so.
		soft := 0.45
		if n >= 8 {
			soft = 0.3
		}
		if p, ok := r.fit(math.NaN(), 0); ok && p.resolved && p.disc >= 1.5*ringLeast && p.fwhm <= soft*p.disc {
			return r, p
		}
	}
	return nil, pupil{}
}
