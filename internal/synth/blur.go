package synth

import (
	"fmt"
	"math"
	"sync"

	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Optics is what spreads a star at every instant.
type Optics struct {
	// Kernels are the same all over the frame: the air's short exposure,
	// diffraction, defocus, the charge's diffusion. The pixel is not among
	// them; it is added.
	Kernels []psf.Kernel
	// Local returns further ones at a place in the frame; nil means none.
	Local func(x, y unit.Px) []psf.Kernel
	// CellsX by CellsY cells divide the frame; at their corners the star is
	// computed and between them interpolated. 0 means 6 and 4. Where nothing
	// differs over the frame one place serves all.
	CellsX, CellsY int
}

// A Blur is the optics on the frame of a field. Its methods may be called from
// several goroutines at once.
type Blur struct {
	field    Field
	optics   Optics
	nodes    []node
	over     int // samples of the tables to a pixel
	coarse   int // samples to a pixel that a fit needs
	wings    int // pixels from the centre that a resting star's table reaches
	end      float64
	variance float64 // of the narrowest star along its narrower axis, in square pixels

	mu     sync.Mutex
	lenses map[raster]*lens
}

// node is a corner of a cell, in pixels, and its kernels.
type node struct {
	x, y    float64
	kernels []psf.Kernel
}

// lens is the transfer function of the optics on the frequencies of a table:
// rows of all frequencies along y, each with the non-negative ones along x up to
// the band's end.
type lens struct {
	columns int
	otf     [][]float64 // by node; one serves all if it is alone
}

// Accuracy of the tables: samples to the width of a star with its pixels, and
// without. Interpolation by third-order polynomials is then good to 0.0002 of
// the peak.
const (
	perWidth    = 12
	perWidthRaw = 5
	perFit      = 5 // and to the width, for a profile to be fitted
	maxOver     = 32
)

// NewBlur returns the blur of the optics on the frame. The error says that the
// field or the kernels make no star, or one that is too wide to draw.
func NewBlur(f Field, o Optics) (*Blur, error) {
	if f.Width < 1 || f.Height < 1 || !(f.Scale > 0) || math.IsInf(float64(f.Scale), 0) {
		return nil, fmt.Errorf("synth: a field of %d by %d pixels of %v arcsec: want all positive", f.Width, f.Height, float64(f.Scale))
	}
	if o.CellsX <= 0 {
		o.CellsX = 6
	}
	if o.CellsY <= 0 {
		o.CellsY = 4
	}
	b := &Blur{field: f, optics: o, lenses: map[raster]*lens{}}
	for j := range o.CellsY + 1 {
		for i := range o.CellsX + 1 {
			n := node{x: float64(f.Width-1) * float64(i) / float64(o.CellsX), y: float64(f.Height-1) * float64(j) / float64(o.CellsY)}
			n.kernels = append(n.kernels, o.Kernels...)
			if o.Local != nil {
				n.kernels = append(n.kernels, o.Local(unit.Px(n.x), unit.Px(n.y))...)
			}
			b.nodes = append(b.nodes, n)
		}
	}
	differ := b.nodes
	if o.Local == nil {
		differ = b.nodes[:1]
	}
	least, leastRaw, most := math.Inf(1), math.Inf(1), 0.0
	box := psf.Box(unit.Arcsec(f.Scale), f.Angle)
	for _, n := range differ {
		p := psf.Star(append([]psf.Kernel{box}, n.kernels...)...)
		if math.IsNaN(float64(p.Major)) {
			return nil, fmt.Errorf("synth: the kernels make no star at %.0f, %.0f: want at least one of finite size and none out of range", n.x, n.y)
		}
		least = min(least, float64(f.Scale.Px(p.Minor)))
		most = max(most, float64(f.Scale.Px(p.Major)))
		if raw := psf.Star(n.kernels...); !math.IsNaN(float64(raw.Minor)) {
			leastRaw = min(leastRaw, float64(f.Scale.Px(raw.Minor)))
		}
	}
	b.variance = least * least / (8 * math.Ln2)
	b.over = 2
	for b.over < maxOver && (float64(b.over)*least < perWidth || float64(b.over)*leastRaw < perWidthRaw) {
		b.over *= 2
	}
	b.coarse = 2
	for b.coarse < maxOver && float64(b.coarse)*least < perFit {
		b.coarse *= 2
	}
	b.wings = int(math.Ceil(5*most)) + 12
	if b.wings > 1000 {
		return nil, fmt.Errorf("synth: a star %.0f pixels wide: want less than 200", most)
	}
	b.end = b.band(differ)
	return b, nil
}

// cell returns the sides of a cell in pixels.
func (b *Blur) cell() (x, y float64) {
	return float64(b.field.Width-1) / float64(b.optics.CellsX), float64(b.field.Height-1) / float64(b.optics.CellsY)
}

// Field returns the field the blur was made for.
func (b *Blur) Field() Field { return b.field }

// transfer returns the transfer function of the kernels and the pixel at a
// frequency in cycles per pixel.
func (b *Blur) transfer(kernels []psf.Kernel, fx, fy float64) float64 {
	m := b.field.matrix()
	s2 := m.square()
	u, v := (m.ex*fx+m.ey*fy)/s2, (m.nx*fx+m.ny*fy)/s2
	otf := sinc(fx) * sinc(fy)
	for i := range kernels {
		if math.Abs(otf) < 1e-9 {
			return 0
		}
		otf *= kernels[i].OTF(u, v)
	}
	return otf
}

// band returns a frequency beyond which no star has more than 1e-5 of its
// power, at most that of the table.
func (b *Blur) band(nodes []node) float64 {
	const steps, angles = 256, 12
	top := float64(b.over) / 2
	end := 0.0
	for _, n := range nodes {
		for k := steps; k > 0; k-- {
			f := top * float64(k) / steps
			if f <= end {
				break
			}
			for a := range angles {
				sin, cos := math.Sincos(math.Pi * float64(a) / angles)
				if math.Abs(b.transfer(n.kernels, f*cos, f*sin)) > 1e-5 {
					end = f
					break
				}
			}
		}
	}
	return min(end*(1+1.0/steps)+top/steps, top)
}

// lens returns the transfer functions for a raster.
func (b *Blur) lens(r raster) *lens {
	b.mu.Lock()
	defer b.mu.Unlock()
	if l := b.lenses[r]; l != nil {
		return l
	}
	n := r.side * r.over
	step := 1 / float64(r.side) // cycles per pixel
	l := &lens{columns: min(n/2, int(b.end/step)) + 1}
	nodes := b.nodes
	if b.optics.Local == nil {
		nodes = nodes[:1]
	}
	// What all nodes have in common is computed once.
	common := b.table(r, l.columns, func(fx, fy float64) float64 { return b.transfer(b.optics.Kernels, fx, fy) })
	m := b.field.matrix()
	s2 := m.square()
	for _, node := range nodes {
		own := node.kernels[len(b.optics.Kernels):]
		if len(own) == 0 {
			l.otf = append(l.otf, common)
			continue
		}
		t := b.table(r, l.columns, func(fx, fy float64) float64 {
			otf := 1.0
			for i := range own {
				otf *= own[i].OTF((m.ex*fx+m.ey*fy)/s2, (m.nx*fx+m.ny*fy)/s2)
			}
			return otf
		})
		for i := range t {
			t[i] *= common[i]
		}
		l.otf = append(l.otf, t)
	}
	b.lenses[r] = l
	return l
}

// table returns the function at the frequencies of a lens, 0 beyond the band.
func (b *Blur) table(r raster, columns int, f func(fx, fy float64) float64) []float64 {
	n, step := r.side*r.over, 1/float64(r.side)
	out := make([]float64, columns*n)
	for i := range columns {
		for j := range n {
			k := j
			if 2*j > n {
				k -= n
			}
			fx, fy := float64(i)*step, float64(k)*step
			if fx*fx+fy*fy <= b.end*b.end {
				out[j*columns+i] = f(fx, fy)
			}
		}
	}
	return out
}

// sinc returns sin(pi x)/(pi x).
func sinc(x float64) float64 {
	x *= math.Pi
	if math.Abs(x) < 1e-4 {
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}
