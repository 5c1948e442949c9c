package unit_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestParseAs(t *testing.T) {
	const def = "definition of the unit"
	for _, tt := range []struct {
		text string
		dim  unit.Dimension
		v    float64
		se   float64
		src  string
	}{
		{"50 mm", unit.Length, 50, 0, def},
		{"50mm", unit.Length, 50, 0, def},
		{" 5 cm ", unit.Length, 50, 0, def},
		{"0.05 m", unit.Length, 50, 0, def},
		{"3/4 in", unit.Length, 19.05, 0, "closed form: 0.75 x 25.4 (inch of 25.4 mm, 1959 agreement)"},
		{"1 1/4 in", unit.Length, 31.75, 0, "closed form: 1.25 x 25.4"},
		{"1-1/4 in", unit.Length, 31.75, 0, "closed form: 1.25 x 25.4"},
		{`1-1/4"`, unit.Length, 31.75, 0, "closed form: 1.25 x 25.4"},
		{"1.25 inch", unit.Length, 31.75, 0, "closed form: 1.25 x 25.4"},
		{"1 ft", unit.Length, 304.8, 0, "closed form: 12 x 25.4"},
		{"550 nm", unit.Length, 0.00055, 0, def},
		{"3.76 um", unit.PixelPitch, 3.76, 0, def},
		{"3.76 µm", unit.PixelPitch, 3.76, 0, def},
		{"3.76 μm/px", unit.PixelPitch, 3.76, 0, def},
		{"3.76 micron per pixel", unit.PixelPitch, 3.76, 0, def},
		{"0.75 mm/turn", unit.ThreadPitch, 0.75, 0, def},
		{"2.5 ± 0.6 arcsec", unit.Angle, 2.5, 0.6, def},
		{"2.5 arcsec ± 0.6 arcsec", unit.Angle, 2.5, 0.6, def},
		{"2.5 arcsec ±0.6", unit.Angle, 2.5, 0.6, def},
		{"2.5+-0.6 arcsec", unit.Angle, 2.5, 0.6, def},
		{"2.5 +/- 0.6\"", unit.Angle, 2.5, 0.6, def},
		{"(2.5 ± 0.6) arcsec", unit.Angle, 2.5, 0.6, def},
		{"2.5 arcsec ± 20 %", unit.Angle, 2.5, 0.5, "closed form: a fifth of 2.5"},
		{"5 arcmin ± 30 arcsec", unit.Angle, 300, 30, def},
		{"5'", unit.Angle, 300, 0, def},
		{"1°", unit.Angle, 3600, 0, def},
		{"1 rad", unit.Angle, 206264.80624709636, 0, "closed form: 180 x 3600/pi"},
		{"\u22123.5 arcmin", unit.Angle, -210, 0, def},
		{"2.5\u00a0arcsec", unit.Angle, 2.5, 0, def},
		{"2.5\u2009±\u20090.6\u202farcsec", unit.Angle, 2.5, 0.6, def},
		{"47d12m30s", unit.Angle, 169950, 0, "closed form: 47 x 3600 + 12 x 60 + 30"},
		{"-47° 12′ 30″", unit.Angle, -169950, 0, "closed form: 47 x 3600 + 12 x 60 + 30"},
		{"47.2 deg N", unit.Latitude, 47.2, 0, def},
		{"N 47.2 deg", unit.Latitude, 47.2, 0, def},
		{"33.9 deg S", unit.Latitude, -33.9, 0, def},
		{"33d52m S", unit.Latitude, -33.86666666666667, 0, "closed form: 33 + 52/60"},
		{"47d12m30s N", unit.Latitude, 47.208333333333336, 0, "closed form: 47 + 12/60 + 30/3600"},
		{"122 deg W", unit.Longitude, -122, 0, def},
		{"122 deg west", unit.Longitude, -122, 0, def},
		{"-122°", unit.Longitude, -122, 0, def},
		{"122.5 ± 0.1 deg E", unit.Longitude, 122.5, 0.1, def},
		{"300 s", unit.Time, 300, 0, def},
		{"300s", unit.Time, 300, 0, def},
		{"5 min", unit.Time, 300, 0, def},
		{"1.5 h", unit.Time, 5400, 0, def},
		{"20 ms", unit.Time, 0.02, 0, def},
		{"-8 h", unit.Time, -28800, 0, def},
		{"2.2 lb", unit.Mass, 0.997903214, 0, "closed form: 2.2 x 0.45359237 kg"},
		{"900 g", unit.Mass, 0.9, 0, def},
		{"36 km/h", unit.Speed, 10, 0, "closed form: 36000/3600"},
		{"10 mph", unit.Speed, 4.4704, 0, "closed form: 1609.344/3600 per mph"},
		{"10 kn", unit.Speed, 5.144444444444445, 0, "closed form: 18520/3600"},
		{"10 m / s", unit.Speed, 10, 0, def},
		{"14 °F", unit.Temperature, -10, 0, "closed form: (14-32) x 5/9"},
		{"263.15 K", unit.Temperature, -10, 0, "closed form: 263.15 - 273.15"},
		{"-10 ± 2 deg C", unit.Temperature, -10, 2, def},
		{"50 ± 9 F", unit.Temperature, 10, 5, "closed form: (50-32) x 5/9, 9 x 5/9"},
		{"1 K/h", unit.TemperatureRate, 1, 0, def},
		{"5 arcsec/h", unit.AngleRate, 5, 0, def},
		{`5"/h`, unit.AngleRate, 5, 0, def},
		{"0.25 arcsec per min", unit.AngleRate, 15, 0, "closed form: 0.25 x 60"},
		{"1 arcsec/s", unit.AngleRate, 3600, 0, "closed form: 3600 s in an hour"},
		{"30 ± 22 arcsec/g", unit.Compliance, 30, 22, def},
		{"4.83 arcsec/px", unit.ImageScale, 4.83, 0, def},
		{"1280 px", unit.Pixels, 1280, 0, def},
		{"3 e-", unit.Electrons, 3, 0, def},
		{"3e-", unit.Electrons, 3, 0, def},
		{"3e-1 e-", unit.Electrons, 0.3, 0, def},
		{"3 e\u2212", unit.Electrons, 3, 0, def},
		{"51 ke-", unit.Electrons, 51000, 0, def},
		{"500 ADU", unit.Counts, 500, 0, def},
		{"0.25 e-/ADU", unit.Gain, 0.25, 0, def},
		{"0.5 e-/s", unit.ElectronRate, 0.5, 0, def},
		{"0.5 e-/px/s", unit.ElectronRate, 0.5, 0, def},
		{"36 e-/h/px", unit.ElectronRate, 0.01, 0, "closed form: 36/3600"},
		{"3.0e6 e-/s/cm2", unit.ZeroPoint, 3e6, 0, def},
		{"3.0e10 e-/s/m²", unit.ZeroPoint, 3e6, 0, "closed form: 1e4 cm2 in a m2"},
		{"0.25 mag/airmass", unit.Extinction, 0.25, 0, def},
		{"0.25 mag", unit.Extinction, 0.25, 0, def},
		{"21.2 mag/arcsec2", unit.SurfaceBrightness, 21.2, 0, def},
		{"21.2 mag/arcsec^2", unit.SurfaceBrightness, 21.2, 0, def},
		{"21.2 mag/arcsec²", unit.SurfaceBrightness, 21.2, 0, def},
		{"21.2 mag per square arcsec", unit.SurfaceBrightness, 21.2, 0, def},
		{"2 /h", unit.EventRate, 2, 0, def},
		{"2 per hour", unit.EventRate, 2, 0, def},
		{"0.1/min", unit.EventRate, 6, 0, "closed form: 60 min in an hour"},
		{"0.5 x", unit.Pure, 0.5, 0, def},
		{"0.5 ± 0.1", unit.Pure, 0.5, 0.1, def},
		{"35 %", unit.Pure, 0.35, 0, def},
		{"1/2", unit.Pure, 0.5, 0, def},
		{"50 ppm", unit.Parts, 50, 0, def},
		{"0.01 %", unit.Parts, 100, 0, "closed form: 1e4 ppm in a per cent"},
		{"12 bit", unit.Bits, 12, 0, def},
		{"12", unit.Bits, 12, 0, def},
	} {
		q, err := unit.ParseAs(tt.text, tt.dim)
		if err != nil {
			t.Errorf("%q: %v", tt.text, err)
			continue
		}
		tol := 2e-15 * math.Max(1, math.Abs(tt.v))
		testkit.Near(t, q.Value, tt.v, tol, tt.text+": "+tt.src)
		testkit.Near(t, q.SE, tt.se, 2e-15*math.Max(1, tt.se), tt.text+", uncertainty: "+tt.src)
	}
	if q, err := unit.ParseAs("infinite", unit.Length); err != nil || !math.IsInf(q.Value, 1) {
		t.Errorf("infinite: got %v, %v", q, err)
	}
}

// TestExactDecimals holds the promise that a number asked for in the unit it
// was written in comes back as written.
func TestExactDecimals(t *testing.T) {
	for _, tt := range []struct {
		text, unit string
		dim        unit.Dimension
		want       float64
	}{
		{"3.76 um", "um", unit.Length, 3.76},
		{"0.55 um", "um", unit.Length, 0.55},
		{"0.05 m", "mm", unit.Length, 50},
		{"3.3 cm", "um", unit.Length, 33000},
		{"31.75 mm", "in", unit.Length, 1.25},
		{"20 min", "h", unit.Time, 1.0 / 3},
		{"-8 h", "h", unit.Time, -8},
	} {
		q, err := unit.ParseAs(tt.text, tt.dim)
		if err != nil {
			t.Fatal(err)
		}
		got, _, ok := q.In(tt.unit)
		if !ok || got != tt.want {
			t.Errorf("%s in %s: got %v, %v, want %v", tt.text, tt.unit, got, ok, tt.want)
		}
	}
	q, _ := unit.ParseAs("3 mm", unit.Length)
	if _, _, ok := q.In("arcsec"); ok {
		t.Error("a length in arcsec was given")
	}
}

func TestParseAsRefuses(t *testing.T) {
	for _, tt := range []struct {
		text   string
		dim    unit.Dimension
		offset int
		found  string
		want   string // part of it
	}{
		{"714", unit.Length, 0, `"714"`, "a length needs a unit; accepted: mm, cm, m, in, um"},
		{"", unit.Length, 0, "nothing", "a length needs a unit"},
		{"mm", unit.Length, 0, `"mm"`, "a number comes first"},
		{"50 arcsec", unit.Length, 3, `"arcsec"`, "the unit of an angle, and a length is wanted"},
		{"50 mn", unit.Length, 3, `"mn"`, "not a unit known here"},
		{"2,5 arcsec", unit.Angle, 0, `"2,5"`, "a decimal point, not a comma: 2.5"},
		{"6,248 px", unit.Pixels, 0, `"6,248"`, "no comma between thousands: 6248, or a decimal point: 6.248"},
		{"10 000 e-", unit.Electrons, 0, `"10 000 e-"`, "one number without spaces"},
		{"2.5 ± -0.6 arcsec", unit.Angle, 7, "a negative uncertainty", "zero or more"},
		{"2.5 ± arcsec", unit.Angle, 7, `"arcsec"`, "a number comes first"},
		{"2.5 ± inf arcsec", unit.Angle, 7, "an infinite uncertainty", "leave the ± out"},
		{"2.5 ± 0.6", unit.Angle, 0, `"2.5 ± 0.6"`, "an angle needs a unit"},
		{"2.5 arcsec ± 0.6 mm", unit.Angle, 18, `"mm"`, "the unit of a length"},
		{"0.5 ± 10 %", unit.Pure, 7, `"10 %"`, "per cent of the value or of one?"},
		{"1/0 in", unit.Length, 0, `"1/0"`, "not zero"},
		{"1e999 mm", unit.Length, 0, `"1e999"`, "below 1e300"},
		{"nan mm", unit.Length, 0, `"nan mm"`, "a number comes first"},
		{"47d72m", unit.Angle, 3, `"47d72m"`, "below 60"},
		{"47d12.5m30s", unit.Angle, 3, `"47d12.5m30s"`, "decimals in the last part only"},
		{"47 N", unit.Latitude, 0, `"47 N"`, "a latitude needs a unit; accepted: deg, deg N, deg S"},
		{"-47 deg N", unit.Latitude, 8, `a minus sign and "N"`, "one of the two"},
		{"50", unit.Parts, 0, `"50"`, "needs a unit"},
		{"5 mm mm", unit.Length, 2, `"mm mm"`, "not a unit"},
		{"(5 mm", unit.Length, 5, "the end", "a closing bracket"},
		{"5 mm)", unit.Length, 4, `")"`, "nothing more"},
		{"5 mm\n", unit.Length, 4, `"\n"`, "nothing more"},
		{strings.Repeat("1", 200), unit.Length, 120, "200 bytes", "a number and a unit"},
	} {
		_, err := unit.ParseAs(tt.text, tt.dim)
		var e *unit.QuantityError
		if !errors.As(err, &e) {
			t.Errorf("%q: got %v, want a *QuantityError", tt.text, err)
			continue
		}
		if e.Offset != tt.offset || e.Found != tt.found || !strings.Contains(e.Want, tt.want) {
			t.Errorf("%q:\n got %d, %s: %s\nwant %d, %s: …%s…", tt.text, e.Offset, e.Found, e.Want, tt.offset, tt.found, tt.want)
		}
	}
}

func TestParseTellsTheDimension(t *testing.T) {
	for _, tt := range []struct {
		text string
		want unit.Dimension
	}{
		{"0.5", unit.Pure}, {"50 mm", unit.Length}, {`3"`, unit.Angle}, {"300 s", unit.Time}, {"3 kg", unit.Mass}, {"30 arcsec/g", unit.Compliance},
		{"5 arcsec/h", unit.AngleRate}, {"-3 C", unit.Temperature}, {"20.5 mag/arcsec2", unit.SurfaceBrightness}, {"0.3 e-/ADU", unit.Gain},
		{"47 deg N", unit.Latitude}, {"47 deg W", unit.Longitude}, {"0.7 mm/turn", unit.ThreadPitch},
	} {
		q, err := unit.Parse(tt.text)
		if err != nil || q.Dim != tt.want {
			t.Errorf("%s: got %v, %v, want %v", tt.text, q.Dim, err, tt.want)
		}
	}
	if _, err := unit.Parse("3 furlongs"); err == nil {
		t.Error("furlongs were read")
	}
}

// every dimension with the units its message offers.
func offered(t testing.TB) map[unit.Dimension][]string {
	out := map[unit.Dimension][]string{}
	for d := unit.Pure; d <= unit.EventRate; d++ {
		for _, u := range strings.Split(d.Accepted(), ", ") {
			if u == "no unit" {
				u = ""
			}
			if strings.Contains(u, "d1") || strings.HasPrefix(u, "per ") || strings.HasPrefix(u, "deg ") {
				continue
			}
			out[d] = append(out[d], u)
		}
	}
	return out
}

// TestAcceptedUnitsAreAccepted reads a number in each unit that a message
// offers.
func TestAcceptedUnitsAreAccepted(t *testing.T) {
	for d, units := range offered(t) {
		for _, u := range units {
			if _, err := unit.ParseAs("2.5 "+u, d); err != nil {
				t.Error(err)
			}
		}
	}
}

func TestFormat(t *testing.T) {
	for _, tt := range []struct {
		got, want string
	}{
		{unit.Format(50, 0, unit.Length, "mm"), "50 mm"},
		{unit.Format(2.5, 0.6, unit.Angle, "arcsec"), "2.5 ± 0.6 arcsec"},
		{unit.Format(0.1+0.2, 0, unit.Length, "mm"), "0.3 mm"},
		{unit.Format(3e6, 0, unit.ZeroPoint, "e-/s/cm2"), "3e6 e-/s/cm2"},
		{unit.Format(3e9, 0, unit.ZeroPoint, "e-/s/cm2"), "3e9 e-/s/cm2"},
		{unit.Format(-33.5, 0.1, unit.Latitude, "deg"), "33.5 ± 0.1 deg S"},
		{unit.Format(0, 0, unit.Longitude, "deg"), "0 deg E"},
		{unit.Format(0.5, math.NaN(), unit.Pure, ""), "0.5"},
		{unit.Format(math.Inf(1), 0, unit.Length, "m"), "infinite"},
		{unit.Format(math.NaN(), 0, unit.Length, "m"), "unknown"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}

func TestFormatRoundTrip(t *testing.T) {
	all := offered(t)
	rapid.Check(t, func(t *rapid.T) {
		d := unit.Dimension(rapid.IntRange(0, int(unit.EventRate)).Draw(t, "dimension"))
		u := rapid.SampledFrom(all[d]).Draw(t, "unit")
		v := rapid.Float64Range(-1e12, 1e12).Draw(t, "value") * math.Pow(10, float64(rapid.IntRange(-15, 3).Draw(t, "power")))
		se := math.Abs(rapid.Float64Range(0, 1).Draw(t, "se"))
		if d == unit.Pure && u == "%" || d == unit.Parts {
			se = 0 // "± %" is refused there or means itself
		}
		text := unit.Format(v, se, d, u)
		q, err := unit.ParseAs(text, d)
		if err != nil {
			t.Fatal(err)
		}
		gv, gse, ok := q.In(u)
		if !ok || math.Abs(gv-v) > 1e-9*math.Abs(v) || math.Abs(gse-se) > 1e-9*se {
			t.Fatalf("%s: got %v ± %v, want %v ± %v", text, gv, gse, v, se)
		}
		if again := unit.Format(gv, gse, d, u); again != text {
			t.Fatalf("written again: got %q, want %q", again, text)
		}
	})
}

func FuzzParseAs(f *testing.F) {
	for _, s := range []string{"2.5 ± 0.6 arcsec", "1-1/4 in", "47d12m30s N", "3e-1 e-/s/px", "(5±1) mm", "infinite", "−3 °F ± 10 %", "2 per hour", "1 1/0", "±", "e-/", "5 mag/\"²"} {
		for d := unit.Pure; d <= unit.EventRate; d += 5 {
			f.Add(s, uint8(d))
		}
	}
	f.Fuzz(func(t *testing.T, s string, d uint8) {
		dim := unit.Dimension(d % uint8(unit.EventRate+1))
		q, err := unit.ParseAs(s, dim)
		if err != nil {
			var e *unit.QuantityError
			if !errors.As(err, &e) || e.Found == "" || e.Want == "" || e.Offset < 0 || e.Offset > len(s) {
				t.Fatalf("%q: %#v", s, err)
			}
			return
		}
		if math.IsNaN(q.Value) || math.IsNaN(q.SE) || q.SE < 0 || math.IsInf(q.SE, 0) {
			t.Fatalf("%q: %v ± %v", s, q.Value, q.SE)
		}
		if math.IsInf(q.Value, 0) {
			return
		}
		text := unit.Format(q.Value, q.SE, dim, dim.Base())
		again, err := unit.ParseAs(text, dim)
		if err != nil || math.Abs(again.Value-q.Value) > 1e-9*math.Abs(q.Value) {
			t.Fatalf("%q written as %q: %v, %v", s, text, again, err)
		}
	})
}

func BenchmarkParseAs_uncertainty(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := unit.ParseAs("2.5 ± 0.6 arcsec", unit.Angle); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleParseAs() {
	q, _ := unit.ParseAs("1-1/4 in", unit.Length)
	fmt.Println(q.Value, q.Dim.Base())
	_, err := unit.ParseAs("714", unit.Length)
	fmt.Println(err)
	// Output:
	// 31.75 mm
	// unit: "714": at byte 0 found "714": a length needs a unit; accepted: mm, cm, m, in, um
}
