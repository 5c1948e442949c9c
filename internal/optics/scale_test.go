package optics

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestScale(t *testing.T) {
	testkit.Near(t, Scale(1000, 1000), 206.265, 5e-4, "206264.806 arcsec per radian, definition")
	for _, tt := range []struct {
		pixel unit.Micron
		focal unit.MM
		want  unit.Scale
	}{
		{3.75, 160, 4.83433},
		{2.9, 160, 3.73855},
		{3.76, 714, 1.08621},
		{9, 2032, 0.913574},
	} {
		got := Scale(tt.pixel, tt.focal)
		testkit.NearRel(t, got, tt.want, 1e-5, "computed with numpy: 206.265 p/F")
		exact := unit.Scale(math.Atan(float64(tt.pixel)*1e-3/float64(tt.focal)) * unit.ArcsecPerRad)
		testkit.NearRel(t, got, exact, 1e-9, "closed form: atan(p/F)")
	}
	for _, got := range []unit.Scale{Scale(0, 160), Scale(3.75, 0), Scale(3.75, unit.MM(math.NaN())), Scale(-1, 160)} {
		if !math.IsNaN(float64(got)) {
			t.Errorf("Scale outside its domain = %v, want NaN", got)
		}
	}
}

func TestScaleRatio(t *testing.T) {
	guide := Scale(3.75, 160)
	for _, tt := range []struct {
		focal unit.MM
		want  float64
	}{{714, 4.45063}, {2000, 12.4668}, {3556, 22.1659}} {
		testkit.NearRel(t, float64(guide/Scale(3.76, tt.focal)), tt.want, 1e-5, "computed with numpy: (3.75/160)/(3.76/F)")
	}
	testkit.NearRel(t, Scale(3.76, 3556), 0.218098, 1e-5, "computed with numpy: 206.265 p/F")
	arcsec := guide.Arcsec(0.1)
	testkit.NearRel(t, arcsec, 0.4834, 1e-4, "computed with numpy: 0.1 px of 4.834 arcsec")
	testkit.NearRel(t, Scale(3.76, 714).Px(arcsec), 0.445038, 1e-4, "computed with numpy: the same in image pixels of 1.0862 arcsec")
	testkit.NearRel(t, Scale(3.76, 714).Px(1.0/6), 0.153438, 1e-5, "computed with numpy: 1 arcsec/h for 10 min over the scale")
}

func TestShiftAngle(t *testing.T) {
	for _, tt := range []struct {
		focal unit.MM
		want  unit.Arcsec
	}{{160, 1.28916}, {200, 1.03132}, {400, 0.515662}, {714, 0.288886}, {2000, 0.103132}} {
		testkit.NearRel(t, ShiftAngle(1, tt.focal), tt.want, 1e-5, "computed with numpy: 206265 x/F")
		testkit.NearRel(t, ShiftAngle(-1, tt.focal), -tt.want, 1e-5, "symmetry")
	}
	testkit.NearRel(t, ShiftAngle(20, 160), 25.7831, 1e-5, "computed with numpy: 20 um at 160 mm")
}

func TestFieldOfView(t *testing.T) {
	for _, tt := range []struct {
		pixels, pixel float64
		focal         unit.MM
		exact, small  unit.Deg
	}{
		{1280, 3.75, 160, 1.71874, 1.71887},
		{960, 3.75, 160, 1.2891, 1.28916},
		{6248, 3.76, 714, 1.88501, 1.88518},
		{4176, 3.76, 714, 1.25996, 1.26001},
	} {
		length := unit.MM(tt.pixels * tt.pixel / 1000)
		testkit.NearRel(t, FieldOfView(length, tt.focal), tt.exact, 5e-6, "computed with numpy: 2 atan(w/2F)")
		testkit.NearRel(t, FieldOfViewSmall(length, tt.focal), tt.small, 5e-6, "computed with numpy: w/F")
	}
}

func TestNyquistMTF(t *testing.T) {
	for _, tt := range []struct {
		fwhm unit.Px
		want float64
	}{
		{1, 0.410686}, {1.5, 0.13502}, {2, 0.0284471}, {2.5, 0.00384092}, {3, 0.000332343}, {3.5, 1.84287e-5},
	} {
		got := NyquistMTF(tt.fwhm)
		testkit.NearRel(t, got, tt.want, 1e-5, "computed with numpy: exp(-2 pi^2 sigma^2/4)")
		// The transform itself, summed over a finely sampled Gaussian.
		sigma := float64(tt.fwhm) / 2.3548200450309493
		sum, norm := 0.0, 0.0
		for x := -8 * sigma; x <= 8*sigma; x += sigma / 50 {
			g := math.Exp(-x * x / 2 / sigma / sigma)
			sum += g * math.Cos(math.Pi*x)
			norm += g
		}
		testkit.Near(t, got, sum/norm, 1e-9, "numerical Fourier transform")
	}
}

func TestReducer(t *testing.T) {
	r := Reducer{Focal: 160, Distance: 60}
	testkit.Near(t, r.Magnification(), 0.625, 1e-12, "computed with numpy: thin-lens trace d/s, s = 96 mm")
	testkit.Near(t, r.InwardShift(), 36, 1e-9, "computed with numpy: 96 - 60")
	longer := r.Spaced(5).Magnification()
	testkit.Near(t, longer, 0.59375, 1e-12, "computed with numpy: 1 - 65/160")
	testkit.Near(t, 100*(longer/r.Magnification()-1), -5, 1e-9, "computed with numpy: per cent")
	testkit.Near(t, Reducer{Focal: 160}.InwardShift(), 0, 0, "limit: a lens at the sensor does nothing")
	for _, r := range []Reducer{{0, 10}, {160, 160}, {160, -1}, {-160, 10}} {
		if got := r.Magnification(); !math.IsNaN(got) {
			t.Errorf("%v: magnification %v, want NaN", r, got)
		}
	}
}
