package sky

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestAirmassFormulas(t *testing.T) {
	for _, tt := range []struct {
		z                                      unit.Deg
		secant, hardie, kastenYoung, pickering float64
	}{
		{0, 1, 1, 1, 1}, // Kasten & Young print 0.9997 here; no path is shorter than to the zenith
		{30, 1.1547, 1.15435, 1.15399, 1.15406},
		{60, 2, 1.9945, 1.99429, 1.99315},
		{70, 2.9238, 2.90391, 2.90315, 2.90014},
		{80, 5.75877, 5.59791, 5.58604, 5.58074},
		{85, 11.4737, 10.2106, 10.3058, 10.3337},
	} {
		a := 90 - tt.z
		testkit.NearRel(t, AirmassHardie(a), tt.hardie, 5e-6, "Hardie 1962, computed with numpy")
		testkit.NearRel(t, AirmassKastenYoung(a), tt.kastenYoung, 5e-6, "Kasten & Young 1989, computed with numpy")
		testkit.NearRel(t, Airmass(a), tt.pickering, 5e-6, "Pickering 2002, computed with numpy")
		if tt.z <= 70 {
			testkit.NearRel(t, Airmass(a), 1/math.Sin(float64(a.Rad())), 0.01, "limit: a flat atmosphere")
			testkit.NearRel(t, 1/math.Sin(float64(a.Rad())), tt.secant, 5e-6, "computed with numpy: secant")
		}
	}
	testkit.Near(t, AirmassKastenYoung(0), 37.92, 1e-3, "Kasten & Young 1989: 37.92 at the horizon")
	testkit.Near(t, Airmass(0), 38.75, 1e-2, "Pickering 2002: about 38.75 at the horizon")
	testkit.NearRel(t, Airmass(0), 38.7494, 2e-6, "computed with numpy")
	// An exponential atmosphere of scale height 8 km around a round Earth.
	column := func(z float64) float64 {
		const steps = 20000
		sum := 0.0
		for i := range steps {
			h := 120 * (float64(i) + 0.5) / steps
			s := math.Sin(z*math.Pi/180) * 6371 / (6371 + h)
			sum += math.Exp(-h/8) / math.Sqrt(1-s*s)
		}
		return sum
	}
	testkit.NearRel(t, AirmassKastenYoung(15), column(75)/column(0), 0.004, "integral through an exponential shell")
	testkit.NearRel(t, AirmassKastenYoung(15), 3.81291, 5e-6, "computed with numpy")
	testkit.Near(t, AirmassKastenYoung(90-60.095), 2, 1e-4, "computed with scipy: airmass 2 at z = 60.095")
	for _, got := range []float64{Airmass(-1), Airmass(91), AirmassHardie(4), AirmassKastenYoung(-0.1)} {
		if !math.IsNaN(got) {
			t.Errorf("airmass outside its domain = %v, want NaN", got)
		}
	}
}
