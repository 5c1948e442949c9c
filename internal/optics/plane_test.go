package optics

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// plate follows a ray of slope angle u towards a focus through a plate.
func plate(thickness, index, u float64) float64 {
	inside := math.Asin(math.Sin(u) / index)
	y := 1 - thickness*math.Tan(inside)
	return thickness + y/math.Tan(u) - 1/math.Tan(u)
}

func TestGlassShift(t *testing.T) {
	for _, tt := range []struct{ thickness, want unit.MM }{{3, 1.02215}, {2, 0.681435}, {1, 0.340717}} {
		got := GlassShift(tt.thickness, CrownIndex)
		testkit.NearRel(t, got, tt.want, 5e-6, "computed with numpy: t (n-1)/n")
		testkit.NearRel(t, got, unit.MM(plate(float64(tt.thickness), CrownIndex, 1e-4)), 1e-6, "ray trace by Snell's law")
	}
	testkit.NearRel(t, 55+GlassShift(3, CrownIndex), 56.0222, 1e-6, "computed with numpy: 55 mm behind 3 mm of glass")
	excess := GlassShiftMarginal(3, CrownIndex, 3.2) - GlassShift(3, CrownIndex)
	testkit.NearRel(t, excess.Micron(), 13.5093, 1e-4, "computed with numpy: ray trace of the marginal ray")
	testkit.NearRel(t, GlassShiftMarginal(3, CrownIndex, 3.2), unit.MM(plate(3, CrownIndex, math.Atan(1/6.4))), 1e-9, "ray trace by Snell's law")
	testkit.NearRel(t, GlassShiftMarginal(3, CrownIndex, 1e4), GlassShift(3, CrownIndex), 1e-6, "limit: a slow beam")
}

func TestNearFocus(t *testing.T) {
	for _, tt := range []struct {
		focal    unit.MM
		distance unit.Metre
		want     unit.MM
	}{
		{160, 50, 0.513644}, {160, 300, 0.0853789}, {160, 10, 2.60163}, {714, 100, 5.13462},
	} {
		got := NearFocusShift(tt.focal, tt.distance)
		testkit.NearRel(t, got, tt.want, 5e-6, "computed with numpy: F^2/(s-F)")
		f, s := float64(tt.focal), float64(tt.distance)*1000
		testkit.NearRel(t, float64(got), 1/(1/f-1/s)-f, 1e-9, "Gauss's lens equation")
		testkit.NearRel(t, NearDistance(tt.focal, got.Micron()), tt.distance, 1e-9, "inverse")
	}
	testkit.NearRel(t, NearDistance(160, 11.264), 2272.89, 1e-5, "computed with numpy: quarter-wave zone of 160 mm at f/3.2")
	testkit.Near(t, NearFocusShift(160, unit.Metre(math.Inf(1))), 0, 0, "limit: a star")
	if got := NearFocusShift(160, 0.1); !math.IsNaN(float64(got)) {
		t.Errorf("object inside the focal length: %v, want NaN", got)
	}
}

// Rays reflected by an exact paraboloid must make the comet of third order.
func TestNewtonianComa(t *testing.T) {
	for _, tt := range []struct {
		n, minutes, tol float64
	}{{5, 10, 0.02}, {5, 25, 0.03}, {8, 15, 0.03}} {
		const focal = 1000.0
		theta := tt.minutes / 60 * math.Pi / 180
		in := [3]float64{math.Sin(theta), 0, -math.Cos(theta)} // down onto the mirror
		var xs, ys []float64
		chief := math.NaN()
		const rings, spokes = 60, 72
		for i := -1; i < rings; i++ {
			for j := range spokes {
				r := focal / (2 * tt.n) * math.Sqrt((float64(i)+0.5)/rings)
				if i < 0 {
					r = 0
				}
				sin, cos := math.Sincos(2 * math.Pi * float64(j) / spokes)
				x, y := r*cos, r*sin
				z := (x*x + y*y) / (4 * focal)
				// Normal of z = r^2/4F.
				nx, ny, nz := -x/(2*focal), -y/(2*focal), 1.0
				l := math.Sqrt(nx*nx + ny*ny + 1)
				nx, ny, nz = nx/l, ny/l, nz/l
				d := in[0]*nx + in[2]*nz
				ox, oy, oz := in[0]-2*d*nx, -2*d*ny, in[2]-2*d*nz
				s := (focal - z) / oz
				px, py := x+s*ox, y+s*oy
				if i < 0 {
					chief = px
					break
				}
				xs, ys = append(xs, px-chief), append(ys, py)
			}
		}
		scale := unit.ArcsecPerRad / focal
		var mx, vx, vy float64
		for i := range xs {
			mx += xs[i]
		}
		mx /= float64(len(xs))
		for i := range xs {
			vx += (xs[i] - mx) * (xs[i] - mx)
			vy += ys[i] * ys[i]
		}
		vx, vy = math.Sqrt(vx/float64(len(xs))), math.Sqrt(vy/float64(len(ys)))
		c := NewtonianComa(unit.Arcmin(tt.minutes), tt.n)
		src := "exact ray trace of a paraboloid"
		// Opposite rays of the outermost ring, rho^2 = 1 - 1/120: their mean is free
		// of astigmatism, which is odd in rho.
		first := (rings - 1) * spokes
		length := math.Abs(xs[first]+xs[first+spokes/2]) / 2 / (1 - 1.0/120)
		testkit.NearRel(t, float64(c.Tangential), length*scale, tt.tol, src)
		testkit.NearRel(t, float64(c.SigmaRadial), vx*scale, tt.tol, src)
		testkit.NearRel(t, float64(c.SigmaTangential), vy*scale, tt.tol, src)
		testkit.NearRel(t, c.Sagittal*3, c.Tangential, 1e-12, "third-order theory: one third")
	}
	testkit.NearRel(t, NewtonianComa(10, 5).Tangential, 4.5, 1e-9, "Schroeder, Astronomical Optics: 3 theta/(16 N^2), 600 arcsec at f/5")
}

func TestFieldSag(t *testing.T) {
	exact := 400 - math.Sqrt(400*400-14*14)
	testkit.NearRel(t, FieldSag(14, 400), unit.Micron(exact*1000), 1e-3, "closed form: sagitta of a sphere")
	testkit.NearRel(t, FieldSag(14, -400), unit.Micron(-exact*1000), 1e-3, "sign of the radius")
}
