package optics

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestCircleRect(t *testing.T) {
	inf := math.Inf(1)
	for _, tt := range []struct {
		x0, x1, y0, y1, want float64
		src                  string
	}{
		{-inf, inf, -inf, inf, math.Pi, "closed form: whole circle"},
		{0, inf, -inf, inf, math.Pi / 2, "closed form: half"},
		{0, inf, -inf, 0, math.Pi / 4, "closed form: quarter"},
		{-0.5, 0.5, -0.5, 0.5, 1, "closed form: a square inside"},
		{2, 3, 0, 1, 0, "closed form: outside"},
		{0.5, inf, -inf, inf, math.Acos(0.5) - 0.5*math.Sqrt(0.75), "closed form: segment"},
		{0.8, 1, 0.8, 1, 0, "closed form: the corner of the box, outside the circle"},
	} {
		testkit.Near(t, circleRect(1, tt.x0, tt.x1, tt.y0, tt.y1), tt.want, 1e-12, tt.src)
	}
	// Random rectangles against counting.
	rng := rand.New(rand.NewPCG(5, 6))
	for range 30 {
		x0, y0 := 3*rng.Float64()-2, 3*rng.Float64()-2
		x1, y1 := x0+2*rng.Float64(), y0+2*rng.Float64()
		const n = 400
		count := 0
		for i := range n {
			for j := range n {
				x, y := x0+(x1-x0)*(float64(i)+0.5)/n, y0+(y1-y0)*(float64(j)+0.5)/n
				if x*x+y*y <= 1 {
					count++
				}
			}
		}
		testkit.Near(t, circleRect(1, x0, x1, y0, y1), float64(count)/n/n*(x1-x0)*(y1-y0), 0.01, "counting points, seed 5, 6")
	}
}

func TestLens(t *testing.T) {
	testkit.Near(t, lens(1, 1, 1), 2*math.Pi/3-math.Sqrt(3)/2, 1e-12, "closed form: vesica piscis")
	testkit.Near(t, lens(1, 3, 0.5), math.Pi, 1e-12, "closed form: one inside the other")
	testkit.Near(t, lens(1, 3, 4), 0, 0, "closed form: touching")
}

func TestStop(t *testing.T) {
	// A 1.25-inch barrel 30 mm in front of an f/5 focus, telescope of 1000 mm.
	b := Beam{FNumber: 5, Pupil: 1000}
	s := Stop{Diameter: 28, Distance: 30}
	f := s.Field(b)
	testkit.NearRel(t, f.Full, 22/0.97, 1e-9, "closed form: (28 - 30/5)/(1 - 30/1000)")
	testkit.NearRel(t, f.Dark, 34/0.97, 1e-9, "closed form: (28 + 30/5)/(1 - 30/1000)")
	testkit.Near(t, s.Illumination(b, f.Full/2), 1, 1e-9, "edge of the fully lit circle")
	testkit.Near(t, s.Illumination(b, f.Dark/2), 0, 1e-9, "edge of the dark")
	testkit.Near(t, s.Illumination(b, f.Half/2), 0.5, 0.05, "edge of the half-lit circle; the stop's curvature costs a little")
	if got := (Stop{Diameter: 5, Distance: 30}).Field(b).Full; got != 0 {
		t.Errorf("a stop narrower than the axial beam: full field %v, want 0", got)
	}
	if got := s.Illumination(Beam{FNumber: 5, Pupil: 20}, 0); !math.IsNaN(got) {
		t.Errorf("a stop before the exit pupil: %v, want NaN", got)
	}
}

func TestPickOffShadow(t *testing.T) {
	p := PickOff{Beam: Beam{FNumber: 5, Pupil: unit.MM(math.Inf(1))}, Width: 8, Height: 8, OffAxis: 16, ToImaging: 50}
	// The beam is 10 mm wide; the prism's inner edge is 12 mm from the axis.
	testkit.Near(t, p.Shadow(7, 0), 0, 1e-12, "closed form: the beam's edge touches the prism")
	if got := p.Shadow(8, 0); !(got > 0) {
		t.Errorf("shadow beyond the touch = %v, want some", got)
	}
	// Centred on the inner edge a prism as wide as the beam hides nearly half.
	wide := p
	wide.Width = 10
	testkit.Near(t, wide.Shadow(12, 0), 0.5, 1e-12, "closed form: half of the beam")
	testkit.Near(t, p.Shadow(-12, 0), 0, 0, "the other side of the axis")
	turned := p
	turned.Angle = 90
	testkit.Near(t, turned.Shadow(0, 11), p.Shadow(11, 0), 1e-12, "symmetry: the prism turned by a right angle")
	turned.Angle = 30
	sin, cos := math.Sincos(math.Pi / 6)
	testkit.Near(t, turned.Shadow(unit.MM(11*cos-2*sin), unit.MM(11*sin+2*cos)), p.Shadow(11, 2), 1e-12, "symmetry: prism and star turned alike")

	// Photons through an obstructed pupil, one by one.
	o := PickOff{Beam: Beam{FNumber: 7, Obstruction: 0.35, Pupil: 600}, Width: 8, Height: 10, OffAxis: 17, ToImaging: 60, Angle: 20}
	rng := rand.New(rand.NewPCG(8, 9))
	const photons = 200000
	x, y := 12.0, 8.0
	hit := 0
	sin, cos = math.Sincos(20 * math.Pi / 180)
	for range photons {
		r := 600.0 / 14 * math.Sqrt(0.35*0.35+(1-0.35*0.35)*rng.Float64())
		ps, pc := math.Sincos(2 * math.Pi * rng.Float64())
		at := func(sensor, pupil float64) float64 { return sensor + (pupil-sensor)*60/600 }
		bx, by := at(x, r*pc), at(y, r*ps)
		radial, across := bx*cos+by*sin, by*cos-bx*sin
		if radial >= 12 && math.Abs(across) <= 4 {
			hit++
		}
	}
	testkit.Near(t, o.Shadow(unit.MM(x), unit.MM(y)), float64(hit)/photons, 0.005, "ray trace, 200000 photons, seed 8, 9")
}

func TestPickOffShade(t *testing.T) {
	p := PickOff{Beam: Beam{FNumber: 5, Pupil: 1000}, Width: 8, Height: 8, OffAxis: 16, ToImaging: 50}
	s := p.Shade(9, 7)
	testkit.Near(t, s.Clearance, 12-4.5*0.95-5, 1e-12, "closed form: edge less reach less beam radius")
	testkit.Near(t, s.Worst, 0, 0, "clear of the light")
	s = p.Shade(23.5, 15.7)
	if !(s.Worst > 0.3) || s.Clearance >= 0 {
		t.Errorf("a large sensor under the prism: %+v, want a deep shadow", s)
	}
	testkit.Near(t, s.X, 11.75, 1e-9, "the side towards the prism")
	testkit.Near(t, s.Y, 0, 0.05, "the middle of that side")
	testkit.Near(t, s.Worst, p.Shadow(11.75, 0), 1e-9, "the shadow there")
	testkit.Near(t, s.Corner, p.Shadow(11.75, 7.85), 1e-12, "the shadow in the corner")
	p.Angle = 90
	if got := p.Shade(23.5, 15.7).Worst; got >= s.Worst {
		t.Errorf("over the long side the shadow %v is not below that over the short side %v", got, s.Worst)
	}
}

func TestPickOffField(t *testing.T) {
	p := PickOff{Beam: Beam{FNumber: 10, Pupil: unit.MM(math.Inf(1))}, Width: 8, Height: 6, OffAxis: 20, ToImaging: 60}
	f := p.Field(2000, 20, 20)
	testkit.NearRel(t, f.AreaDeg2, 0.0393937, 1e-5, "computed with numpy: 6 x 8 mm at 2000 mm")
	testkit.Near(t, f.FullDeg2, 0, 1e-15, "closed form: the beam, 6 mm wide, fills the prism's height")
	g := p.Field(3556, 4.8, 3.6)
	testkit.NearRel(t, g.AreaDeg2, 0.0045, 0.01, "closed form: 4.8 x 3.6 mm at 3556 mm")
	testkit.NearRel(t, g.Centre, 0.322242, 1e-5, "closed form: atan(20/3556)")
	testkit.Near(t, p.GuideLight(0, 0), 1, 1e-12, "the beam just fits the prism")
	testkit.Near(t, p.GuideLight(0, 3), 0.5, 1e-9, "closed form: half of the beam at the prism's edge")
	testkit.NearRel(t, f.Outer, unit.MM(math.Hypot(23, 4)), 1e-9, "closed form: far corner")
	if !f.Lit(47) || f.Lit(46) {
		t.Errorf("patch reaching %v mm: lit by 46 mm: %v, by 47 mm: %v", f.Outer, f.Lit(46), f.Lit(47))
	}
}

func TestGuideDistance(t *testing.T) {
	p := PickOff{ToImaging: 55}
	testkit.Near(t, p.GuideDistance(0, 0), 55, 0, "no glass: equal distances")
	testkit.Near(t, p.GuideDistance(GlassShift(3, CrownIndex), 0), 53.97785, 1e-5, "ray trace: the imaging focus lies 1.02215 mm farther behind its filter")
	testkit.Near(t, p.GuideDistance(0, GlassShift(1, CrownIndex)), 55.34072, 1e-5, "ray trace: a cover glass before the guide sensor")
}

func BenchmarkShade_23x16mm(b *testing.B) {
	p := PickOff{Beam: Beam{FNumber: 5, Pupil: 1000}, Width: 8, Height: 8, OffAxis: 16, ToImaging: 50}
	for b.Loop() {
		p.Shade(23.5, 15.7)
	}
}
