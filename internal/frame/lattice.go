package frame

import (
	"math"
	"sort"
	"strings"
)

// A Lattice says which pixels of a frame saw the same colour.
type Lattice uint8

// The lattices.
const (
	Full      Lattice = iota // every pixel
	GreenEven                // the pixels whose x + y is even: the green ones of a mosaic that begins with green
	GreenOdd                 // the pixels whose x + y is odd
)

// String returns "full", "green, x+y even" or "green, x+y odd".
func (l Lattice) String() string {
	return [...]string{"full", "green, x+y even", "green, x+y odd"}[l]
}

// Holds reports whether the pixel belongs to the lattice.
func (l Lattice) Holds(x, y int) bool {
	return l == Full || (x+y)&1 == int(l-GreenEven)
}

// findLattice sets the lattice from the header or the pixels.
func (f *Frame) findLattice() error {
	even, odd, mosaic, err := f.parity()
	if err != nil {
		return err
	}
	pattern, x, y := "", 0, 0
	if m, ok := f.Header.Mosaic(); ok {
		pattern, x, y = m.Pattern, m.X, m.Y
	} else if s, ok := f.Header.Text("FILTER"); ok {
		pattern = strings.ToUpper(strings.TrimSpace(s))
	}
	said := Full
	switch pattern {
	case "RGGB", "BGGR":
		said = GreenOdd
	case "GRBG", "GBRG":
		said = GreenEven
	}
	if said != Full && (x+y)&1 == 1 {
		said = GreenEven + GreenOdd - said
	}
	// The two greens of a mosaic agree; red and blue seldom do. Where the
	// pixels are clear they win over a header that knows nothing of a crop or
	// of rows turned over.
	seen := Full
	if mosaic {
		switch {
		case even < 0.3*odd:
			seen = GreenEven
		case odd < 0.3*even:
			seen = GreenOdd
		}
	}
	switch {
	case said == Full && !mosaic:
	case said != Full && (seen == Full || seen == said):
		f.Lattice = said
		f.note("colour mosaic %s: the green pixels are used", pattern)
	case seen != Full && said != Full:
		f.Lattice = seen
		f.note("colour mosaic %s, but the two like pixels lie on the other diagonal: those are used as green", pattern)
	case seen != Full:
		f.Lattice = seen
		f.note("colour mosaic, not declared: the two like pixels of four are used as green")
	default:
		f.Lattice = f.brighter()
		f.note("colour mosaic, not declared: the brighter diagonal is used as green")
	}
	return nil
}

// parity returns by how much the two pixels on either diagonal of two by two
// differ (those with x+y even, those with x+y odd), and whether the four differ
// as in a mosaic: the two diagonals differ, by more than a fifth of the noise.
func (f *Frame) parity() (even, odd float64, mosaic bool, err error) {
	m, noise, err := f.quads()
	if err != nil || noise == 0 {
		return 0, 0, false, err
	}
	even, odd = math.Abs(m[0]-m[3]), math.Abs(m[1]-m[2])
	cross := math.Abs(m[0]+m[3]-m[1]-m[2]) / 2
	return even, odd, cross > 0.2*noise && min(even, odd) < 0.5*cross, nil
}

// brighter returns the lattice of the brighter diagonal.
func (f *Frame) brighter() Lattice {
	if m, _, err := f.quads(); err == nil && m[0]+m[3] < m[1]+m[2] {
		return GreenOdd
	}
	return GreenEven
}

// quads returns the median in each place of two by two, those of the first row
// first, and the noise of a pixel among its like, from a sample of row pairs.
// Medians of whole numbers are smoothed by the mean around them.
func (f *Frame) quads() (m [4]float64, noise float64, err error) {
	if f.Width < 16 || f.Height < 16 {
		return m, 0, nil
	}
	const pairs = 12
	band := make([]float32, 2*f.Width)
	var v [4][]float64
	for i := range v {
		v[i] = make([]float64, 0, pairs*(f.Width/max(2, f.Width/400&^1)+1))
	}
	for k := range pairs {
		y := int(float64(f.Height-2)*(float64(k)+0.5)/pairs) &^ 1
		if err := f.Rows(y, y+2, band); err != nil {
			return m, 0, err
		}
		// A pixel is compared with the mean of the four like it around, so
		// that a sloping sky does not matter: the local mean is taken off.
		stride := max(2, f.Width/400&^1)
		for x := 0; x+2 <= f.Width; x += stride {
			a, b, c, d := band[x], band[x+1], band[f.Width+x], band[f.Width+x+1]
			mean := float64(a+b+c+d) / 4
			if math.IsNaN(mean) || math.IsInf(mean, 0) {
				continue
			}
			for i, p := range []float32{a, b, c, d} {
				v[i] = append(v[i], float64(p)-mean)
			}
		}
	}
	var spread []float64
	for i := range v {
		if len(v[i]) < 50 {
			return m, 0, nil
		}
		sort.Float64s(v[i])
		n := len(v[i])
		cut := v[i][n/4 : n-n/4]
		for _, x := range cut {
			m[i] += x / float64(len(cut))
		}
		spread = append(spread, (v[i][n-n/4-1]-v[i][n/4])/1.349)
	}
	sort.Float64s(spread)
	return m, spread[0] * 2 / math.Sqrt(3), nil
}
