package rehearsal

import (
	"context"
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// example reads a rig of the examples folder and sets entries, in pairs.
func example(t testing.TB, name string, entries ...string) *rig.Rig {
	t.Helper()
	b, err := os.ReadFile("../../examples/" + name + ".toml")
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.Parse(name, b)
	for i := 0; i+1 < len(entries) && err == nil; i += 2 {
		r, err = r.With(entries[i], entries[i+1])
	}
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// quiet are entries that take away everything that moves a star but the sky and
// the axis.
var quiet = []string{"mount.periodic_error", "0 arcsec", "mount.gear_line", "0 arcsec", "mount.rate_error", "0 ppm", "mount.shake", "0 arcsec", "mount.backlash", "0 arcsec",
	"site.wind", "0 m/s", "sub.dither", "0 px", "flexure.compliance", "0 arcsec/g", "flexure.axial", "0 arcsec/g"}

// nightOf returns a night of some subs on a target.
func nightOf(t testing.TB, r *rig.Rig, target string, start time.Time, subs int, sub unit.Second) *Night {
	t.Helper()
	o, err := catalog.ParseTarget(target)
	if err != nil {
		t.Fatal(err)
	}
	return &Night{Rig: r, Target: o, Start: sky.NewInstant(start), Subs: subs, Sub: sub, Seed: 3, Exact: true}
}

// held returns a way to hold a star some arcminutes north of the target.
func held(n *Night, north unit.Arcmin, interval unit.Second, gain float64) *Held {
	at := sky.NewTangent(sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec}).Direction(0, north.Deg())
	return &Held{Stars: []catalog.Star{{RA: at.RA, Dec: at.Dec, VT: 7}}, Interval: interval, GainRA: gain, GainDec: gain}
}

// shots plays a night and returns its subs.
func shots(t testing.TB, n *Night) []*Shot {
	t.Helper()
	var out []*Shot
	if err := Play(context.Background(), n, Listener{Shot: func(s *Shot) error { out = append(out, s); return nil }}); err != nil {
		t.Fatal(err)
	}
	return out
}

var summer = time.Date(2026, 8, 15, 4, 30, 0, 0, time.UTC)

// TestDriftIsGeometry: with nothing else wrong, a star drifts and the field turns
// as the axis and refraction make them, by another package's closed forms.
func TestDriftIsGeometry(t *testing.T) {
	for _, pole := range [][2]string{{"0 arcmin", "0 arcmin"}, {"10 arcmin", "0 arcmin"}, {"0 arcmin", "-12 arcmin"}, {"-5 arcmin", "8 arcmin"}} {
		r := example(t, "larkspur", append(quiet, "polar.altitude", pole[0], "polar.azimuth", pole[1])...)
		n := nightOf(t, r, "M27", summer, 1, 240)
		s := shots(t, n)[0]
		site, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
		if err != nil {
			t.Fatal(err)
		}
		site.Temp = r.Site.Temperature.V
		o := site.At(n.Start.Add(s.Begin + 120))
		p := o.Observed(sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec})
		axis := sky.AxisOf(sky.PolarError{Alt: r.Polar.Altitude.V, Az: r.Polar.Azimuth.V}, site.Lat)
		d := axis.Drift(p.HourAngle, p.Dec)
		king := sky.RefractionDrift(sky.TruePole, site.Lat, p.HourAngle, p.Dec, site.Refraction())
		last := len(s.East) - 1
		minutes := 4 * float64(last) / float64(len(s.East))
		src := "drift by the axis (" + pole[0] + ", " + pole[1] + ") and by refraction"
		testkit.Near(t, float64(s.East[last]-s.East[0])/minutes, d.EastArcsecPerMin+king.EastArcsecPerMin, 0.01, src+", east")
		testkit.Near(t, float64(s.North[last]-s.North[0])/minutes, d.NorthArcsecPerMin+king.NorthArcsecPerMin, 0.01, src+", north")
		first, end := s.Field[0], s.Field[len(s.Field)-1]
		turn := ((end.EN - end.NE) - (first.EN - first.NE)) / 2 * unit.ArcsecPerRad
		// Field and instrument turn opposite ways. The closed form is for a star that
		// is held by moving the axis, which turns the instrument by the move times
		// tan dec; here the star is left to drift. Refraction squeezes but does not turn.
		minutes = 4 * float64(len(s.Field)-1) / float64(len(s.Field))
		want := -(d.RotationArcsecPerMin + d.EastArcsecPerMin*math.Tan(float64(p.Dec.Rad())))
		testkit.Near(t, turn/minutes, want, 0.01+0.01*math.Abs(want), src+", rotation")
	}
}

// TestFieldTurns: without a polar axis the field turns as the closed form says.
func TestFieldTurns(t *testing.T) {
	r := example(t, "altaz", quiet...)
	n := nightOf(t, r, "M27", time.Date(2026, 8, 14, 21, 0, 0, 0, time.UTC), 1, 60)
	s := shots(t, n)[0]
	want := sky.AltAzRotation(r.Site.Latitude.V, s.Altitude, s.Azimuth)
	first, end := s.Field[0], s.Field[len(s.Field)-1]
	turn := ((end.EN - end.NE) - (first.EN - first.NE)) / 2 * unit.ArcsecPerRad
	lasting := 60 * float64(len(s.Field)-1) / float64(len(s.Field))
	testkit.NearRel(t, math.Abs(turn)/lasting, math.Abs(want.ArcsecPerSecond), 0.02, "W cos(latitude) cos(azimuth)/cos(altitude)")
}

// TestFlexureAcrossAFlip: what bends sideways keeps its sense on the sky, what
// bends along the tube turns round.
func TestFlexureAcrossAFlip(t *testing.T) {
	// From hour angle 10 to 25 degrees at latitude 50, declination 30.
	const side, axial = 7, 4
	r := example(t, "larkspur", append(quiet, "polar.altitude", "0 arcmin", "polar.azimuth", "0 arcmin", "site.latitude", "50 deg", "flexure.compliance", fmt.Sprintf("%d arcsec/g", side), "flexure.axial", fmt.Sprintf("%d arcsec/g", axial))...)
	at := func(deg float64) [3]float64 {
		g := sky.GravityAt(50, unit.Hour(deg/15), 30)
		return [3]float64{g.East, g.North, g.Axis}
	}
	drift := func(sense float64) (east, north float64) {
		e0, n0 := bend(r, at(10), sense, 1)
		e1, n1 := bend(r, at(25), sense, 1)
		return e1 - e0, n1 - n0
	}
	const src = "published method: nadir resolved on the tangents; computed with numpy for latitude 50, declination 30, hour angles 10 and 25 degrees"
	// cos 50 (sin 25 - sin 10), cos 50 sin 30 (cos 25 - cos 10), and -cos 50 cos 30
	// (cos 25 - cos 10) for lateral gravity and for that along the tube.
	lat, dec := unit.Deg(50).Rad(), unit.Deg(30).Rad()
	west := math.Cos(float64(lat)) * (math.Sin(25*math.Pi/180) - math.Sin(10*math.Pi/180))
	north := math.Cos(float64(lat)) * math.Sin(float64(dec)) * (math.Cos(25*math.Pi/180) - math.Cos(10*math.Pi/180))
	along := -math.Cos(float64(lat)) * math.Cos(float64(dec)) * (math.Cos(25*math.Pi/180) - math.Cos(10*math.Pi/180))
	for _, sense := range []float64{1, -1} {
		e, n := drift(sense)
		testkit.Near(t, e, -side*west, 1e-9, src)
		testkit.Near(t, n, side*north+sense*axial*along, 1e-9, src)
	}
	// In a night the held guide star takes the imaging telescope's star with it.
	n := nightOf(t, r, "20h35m +30d", summer, 1, 900)
	n.Held = held(n, 10, 2, 0.5)
	s := shots(t, n)[0]
	stiff := *n
	stiff.Rig = example(t, "larkspur", append(quiet, "polar.altitude", "0 arcmin", "polar.azimuth", "0 arcmin", "site.latitude", "50 deg")...)
	still := shots(t, &stiff)[0]
	site, err := sky.NewSite(50, r.Site.Longitude.V, r.Site.Height.V)
	if err != nil {
		t.Fatal(err)
	}
	p := site.At(n.Start.Add(s.Begin + 450)).Observed(sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec})
	g := sky.GravityRate(50, p.HourAngle, p.Dec)
	// The slope of the path, by least squares.
	slope := func(v, without []unit.Arcsec) float64 {
		var st, stt, sv, stv float64
		for i := range v {
			x := v[i] - without[i] // the same air and noise
			t := float64(i) / float64(len(v))
			st, stt, sv, stv = st+t, stt+t*t, sv+float64(x), stv+t*float64(x)
		}
		m := float64(len(v))
		return (m*stv - st*sv) / (m*stt - st*st)
	}
	testkit.Near(t, slope(s.East, still.East), -0.25*side*g.EastPerHour, 0.01, "the guide star stands still, so the other image moves the other way")
	testkit.Near(t, slope(s.North, still.North), -0.25*(side*g.NorthPerHour+axial*g.AxisPerHour), 0.01, "the guide star stands still, so the other image moves the other way")
}

// TestStillStar: with everything still the star is that of air, pupil, optics and
// pixels.
func TestStillStar(t *testing.T) {
	r := example(t, "larkspur", append(quiet, "polar.altitude", "0 arcmin", "polar.azimuth", "0 arcmin", "imaging.focus_error", "0 um", "site.cooling", "0 K/h")...)
	// In a minute refraction moves the star by a tenth of its width at most.
	n := nightOf(t, r, "M27", summer, 8, 60)
	c, err := NewCamera(n)
	if err != nil {
		t.Fatal(err)
	}
	mean, want := 0.0, 0.0
	for _, s := range shots(t, n) {
		centre, _, err := c.Shapes(s, 2)
		if err != nil {
			t.Fatal(err)
		}
		mean += float64(centre.FWHM) / 8
		want += float64(c.Unavoidable(s)) / 8
		if centre.Ellipticity > 0.03 {
			t.Errorf("ellipticity %.3f with nothing moving but the air", centre.Ellipticity)
		}
	}
	testkit.NearRel(t, mean, want, 0.01, "the kernels convolved, the air as one long exposure")
}

// TestSameSeedSameNight: a night is its seed's.
func TestSameSeedSameNight(t *testing.T) {
	n := nightOf(t, example(t, "larkspur"), "M27", summer, 2, 30)
	n.Held = held(n, 10, 1, 0.5)
	n.Exact = false
	a, b := shots(t, n), shots(t, n)
	if !reflect.DeepEqual(a, b) {
		t.Error("the same seed gave two nights")
	}
	n.Seed++
	if c := shots(t, n); reflect.DeepEqual(a[0].East, c[0].East) {
		t.Error("another seed gave the same night")
	}
}

// TestFaults: every kind of fault can be played, and changes what the cameras
// see; one that a rig cannot have is refused with the reason.
func TestFaults(t *testing.T) {
	base := nightOf(t, example(t, "larkspur", "site.wind", "6 m/s", "mount.backlash", "0 arcsec"), "M27", summer, 2, 60) // wind, so that drives turn back
	if testing.Short() {
		base.Sub = 20
	}
	base.Held = held(base, 10, 1, 0.5)
	sound := shots(t, base)
	for _, k := range FaultKinds() {
		n := *base
		n.Faults = []Fault{{k.Kind, math.Sqrt(max(k.Least, 0.01) * k.Most)}}
		if k.Least == 0 {
			n.Faults[0].Amount = 1
		}
		got := shots(t, &n)
		a, err := NewCamera(base)
		if err != nil {
			t.Fatal(err)
		}
		b, err := NewCamera(&n)
		if err != nil {
			t.Fatal(err)
		}
		sa, ca, err := a.Shapes(sound[1], 2)
		if err != nil {
			t.Fatal(err)
		}
		sb, cb, err := b.Shapes(got[1], 2)
		same := err == nil && sa == sb && ca == cb && got[1].Dimming == sound[1].Dimming
		if same {
			t.Errorf("fault %s of %g %s changes nothing", k.Kind, n.Faults[0].Amount, k.Unit)
		}
	}
	for _, c := range []struct {
		f    Fault
		want string
	}{
		{Fault{"gremlins", 1}, "want one of seeing"},
		{Fault{"flexure", -3}, "want 0.1 to 3600 arcsec/h"},
		{Fault{"flexure", math.NaN()}, "want 0.1"},
	} {
		n := *base
		n.Faults = []Fault{c.f}
		if err := Play(t.Context(), &n, Listener{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.f, err, c.want)
		}
	}
	alone := nightOf(t, example(t, "tracker"), "M8", summer, 1, 10)
	alone.Faults = []Fault{{"backlash", 20}}
	if err := Play(t.Context(), alone, Listener{}); err == nil || !strings.Contains(err.Error(), "no guide camera") {
		t.Errorf("backlash without correction: %v", err)
	}
}

// TestMatter: a fault that matters takes the star beyond its goal, and not far.
func TestMatter(t *testing.T) {
	n := nightOf(t, example(t, "larkspur"), "M27", summer, 4, 180)
	kinds := []string{"flexure"}
	if testing.Short() {
		n.Subs, n.Sub = 2, 90
	} else {
		kinds = append(kinds, "focus", "periodic_error", "wind", "optics", "jump", "hot_pixel", "field_rotation", "seeing", "calibration")
	}
	n.Held = held(n, 10, 1, 0.6)
	before, err := Excess(t.Context(), n, 2)
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range kinds {
		f, err := Matter(t.Context(), n, kind)
		if err != nil {
			t.Errorf("%s: %v", kind, err)
			continue
		}
		with := *n
		with.Faults = []Fault{f}
		x, err := Excess(t.Context(), &with, 2)
		if err != nil {
			t.Fatal(err)
		}
		if x < 1.3 || x < before+0.2 {
			t.Errorf("%s of %g comes to %.2f times the goal, %.2f without", kind, f.Amount, x, before)
		}
		t.Logf("%s: %.3g, %.2f times the goal", kind, f.Amount, x)
	}
}

// TestFlip: an equatorial mount changes sides once, and goes on holding.
func TestFlip(t *testing.T) {
	n := nightOf(t, example(t, "larkspur"), "M27", time.Date(2026, 8, 15, 5, 40, 0, 0, time.UTC), 12, 180)
	n.Held = held(n, 10, 1, 0.6)
	flips := 0
	all := shots(t, n)
	for i, s := range all {
		if i > 0 && s.Flipped != all[i-1].Flipped {
			flips++
		}
		var me, v float64
		for _, x := range s.North {
			me += float64(x) / float64(len(s.North))
		}
		for _, x := range s.North {
			v += (float64(x) - me) * (float64(x) - me) / float64(len(s.North))
		}
		if math.Sqrt(v) > 1.2 {
			t.Errorf("sub %d: the path is %.2f arcsec rms in declination", i, math.Sqrt(v))
		}
	}
	if flips != 1 {
		t.Errorf("%d flips, want one", flips)
	}
}

// TestQuick: the covariance that a step hides is that of the motion less its
// mean over the step, and vanishes with the step.
func TestQuick(t *testing.T) {
	r := example(t, "larkspur")
	p := &player{r: r, rng: newRand(1)}
	layers := p.layers()
	all := quickOf(turbulence(r), layers, 0.1, 1e6)
	none := quickOf(turbulence(r), layers, 0.1, 1e-6)
	if none.EastArcsec2 > 1e-3*all.EastArcsec2 || none == (psf.Cov{}) {
		t.Errorf("a step of a microsecond hides %+v of %+v", none, all)
	}
}

// BenchmarkPlay: a night of twenty subs of five minutes, held each second; the
// figure of merit is simulated seconds a second.
func BenchmarkPlay(b *testing.B) {
	n := nightOf(b, example(b, "larkspur"), "M27", summer, 20, 300)
	n.Held = held(n, 10, 1, 0.5)
	b.ReportAllocs()
	for b.Loop() {
		shots(b, n)
	}
	b.ReportMetric(float64(n.Lasting())*float64(b.N)/b.Elapsed().Seconds(), "simulated_s/s")
}
