package solve

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"holdfast/internal/catalog"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// A drawn field: the spots of a camera that looks at the catalogue's sky.
type drawn struct {
	spots         []Spot
	width, height int
	centre        sky.Direction
	scale         unit.Scale
	rotation      unit.Deg
	mirrored      bool
	stars         int // catalogue stars in the frame
	lost, false_  int
	wide          unit.Deg
	sigma         float64
	k             float64
}

// camera maps the sky to pixels without help from the code under test: a
// rotation matrix, a gnomonic projection, a radial distortion.
type camera struct {
	x, y, z [3]float64
	perPx   float64 // radians
	flip    float64
	w, h    int
	k       float64 // fraction by which the corner is drawn out
}

func aim(centre sky.Direction, rotation unit.Deg, scale unit.Scale, mirrored bool, w, h int, k float64) camera {
	sa, ca := math.Sincos(float64(centre.RA.Rad()))
	sd, cd := math.Sincos(float64(centre.Dec.Rad()))
	east := [3]float64{-sa, ca, 0}
	north := [3]float64{-sd * ca, -sd * sa, cd}
	s, c := math.Sincos(float64(rotation.Rad()))
	cam := camera{z: [3]float64{cd * ca, cd * sa, sd}, perPx: float64(scale) / unit.ArcsecPerRad, flip: -1, w: w, h: h, k: k}
	if mirrored {
		cam.flip = 1
	}
	for i := range 3 {
		cam.y[i] = c*north[i] + s*east[i]
		cam.x[i] = cam.flip * (c*east[i] - s*north[i])
	}
	return cam
}

func (c *camera) pixel(d sky.Direction) (x, y float64, ok bool) {
	sa, ca := math.Sincos(float64(d.RA.Rad()))
	sd, cd := math.Sincos(float64(d.Dec.Rad()))
	v := [3]float64{cd * ca, cd * sa, sd}
	dot := func(a [3]float64) float64 { return a[0]*v[0] + a[1]*v[1] + a[2]*v[2] }
	z := dot(c.z)
	if z < 0.5 {
		return 0, 0, false
	}
	x, y = dot(c.x)/z/c.perPx, dot(c.y)/z/c.perPx
	corner := math.Hypot(float64(c.w), float64(c.h)) / 2
	f := 1 + c.k*(x*x+y*y)/(corner*corner)
	x, y = x*f+float64(c.w-1)/2, y*f+float64(c.h-1)/2
	return x, y, x > -0.5 && y > -0.5 && x < float64(c.w)-0.5 && y < float64(c.h)-0.5
}

// trouble bounds what is done to the stars of a drawn field.
type trouble struct {
	lost, spurious float64 // largest shares
	sigma          [2]float64
	mag            float64 // scatter of the brightness
	k              float64
}

var usual = trouble{0.3, 0.3, [2]float64{0.1, 0.5}, 0.3, 0.005}

// draw returns a random field with at least ten stars of the catalogue.
func draw(r *rand.Rand, tr trouble, narrow, wide float64) drawn {
	sizes := [][2]int{{1280, 960}, {650, 500}, {3008, 2008}, {1936, 1096}, {1024, 1024}, {640, 480}, {6248, 4176}}
	for {
		d := drawn{}
		size := sizes[r.IntN(len(sizes))]
		d.width, d.height = size[0], size[1]
		d.wide = unit.Deg(narrow * math.Pow(wide/narrow, r.Float64()))
		d.scale = unit.Scale(2 * math.Tan(float64(d.wide.Rad())/2) / float64(d.width) * unit.ArcsecPerRad)
		d.centre = sky.Direction{RA: unit.Deg(360 * r.Float64()), Dec: unit.Rad(math.Asin(2*r.Float64() - 1)).Deg()}
		switch r.IntN(10) {
		case 0:
			d.centre.Dec = unit.Deg((90 - 3*r.Float64()) * float64(2*r.IntN(2)-1))
		case 1:
			d.centre.RA = unit.Deg(math.Mod(360+2*(r.Float64()-0.5), 360))
		}
		d.rotation = unit.Deg(360 * r.Float64())
		d.mirrored = r.IntN(2) == 0
		d.k = tr.k * (2*r.Float64() - 1)
		d.sigma = tr.sigma[0] + (tr.sigma[1]-tr.sigma[0])*r.Float64()
		cam := aim(d.centre, d.rotation, d.scale, d.mirrored, d.width, d.height, d.k)
		want := int(math.Exp(math.Log(20) + r.Float64()*math.Log(15))) // 20 to 300 stars show
		area := float64(d.wide) * float64(d.wide) * float64(d.height) / float64(d.width)
		radius := unit.Rad(math.Atan(math.Hypot(float64(d.width), float64(d.height)) / 2 * cam.perPx)).Deg()
		stars := catalog.Cone(nil, d.centre.RA, d.centre.Dec, radius*1.02, magnitudeOf(2.5*float64(want)/area)+1)
		type shown struct {
			x, y, m float64
		}
		var in []shown
		for _, s := range stars {
			if x, y, ok := cam.pixel(sky.Direction{RA: s.RA, Dec: s.Dec}); ok {
				in = append(in, shown{x, y, float64(s.VT)})
			}
		}
		if len(in) < 10 {
			continue
		}
		slices.SortFunc(in, func(a, b shown) int { return cmp.Compare(a.m, b.m) })
		in = in[:min(len(in), want)]
		d.stars = len(in)
		lost, spurious := tr.lost*r.Float64(), tr.spurious*r.Float64()
		var all []shown
		d.lost = int(lost * float64(len(in)))
		gone := map[int]bool{}
		for _, i := range r.Perm(len(in))[:d.lost] {
			gone[i] = true
		}
		for i, s := range in {
			if gone[i] {
				continue
			}
			s.x += d.sigma * r.NormFloat64()
			s.y += d.sigma * r.NormFloat64()
			s.m += tr.mag * r.NormFloat64()
			all = append(all, s)
		}
		d.false_ = int(spurious * float64(len(in)))
		for range d.false_ {
			m := in[r.IntN(len(in))].m + 0.3*r.NormFloat64()
			all = append(all, shown{r.Float64()*float64(d.width) - 0.5, r.Float64()*float64(d.height) - 0.5, m})
		}
		for _, s := range all {
			d.spots = append(d.spots, Spot{unit.Px(s.x), unit.Px(s.y), math.Pow(10, -0.4*(s.m-20))})
		}
		slices.SortFunc(d.spots, func(a, b Spot) int { return cmp.Compare(b.Flux, a.Flux) })
		return d
	}
}

// off says in words what is wrong with a solution of the field, "" if nothing.
func (d *drawn) off(s Solution) string {
	cam := aim(d.centre, d.rotation, d.scale, d.mirrored, d.width, d.height, d.k)
	if s.Mirrored != d.mirrored {
		return "parity"
	}
	x, y, _ := cam.pixel(s.Centre)
	if dist := math.Hypot(x-float64(d.width-1)/2, y-float64(d.height-1)/2); !(dist < 3) {
		return "centre"
	}
	// A step along the position angle that the solution gives for y.
	sin, cos := math.Sincos(float64(s.Rotation.Rad()))
	up := s.Scale.Arcsec(unit.Px(d.height) / 4).Deg()
	ux, uy, _ := cam.pixel(sky.NewTangent(s.Centre).Direction(up*unit.Deg(sin), up*unit.Deg(cos)))
	if turn := math.Atan2(ux-x, uy-y); !(math.Abs(turn) < 0.01) {
		return "rotation"
	}
	for _, c := range [][2]float64{{0, 0}, {1, 0}, {0, 1}, {1, 1}} {
		cx, cy := c[0]*float64(d.width-1), c[1]*float64(d.height-1)
		x, y, _ := cam.pixel(s.WCS.Sky(unit.Px(cx), unit.Px(cy)))
		if dist := math.Hypot(x-cx, y-cy); !(dist < 5+2*math.Abs(d.k)*float64(d.width)) {
			return "corner"
		}
	}
	if f := float64(s.Scale / d.scale); !(math.Abs(f-1) < 0.01) {
		return "scale"
	}
	return ""
}
