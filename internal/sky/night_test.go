package sky

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func night(t *testing.T, lat, lon unit.Deg, date string) *Night {
	t.Helper()
	s, err := NewSite(lat, lon, 0)
	if err != nil {
		t.Fatal(err)
	}
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		t.Fatal(err)
	}
	n, err := NewNight(s, day)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestTwilightCourses(t *testing.T) {
	for _, tt := range []struct {
		name   string
		lat    unit.Deg
		date   string
		course SunCourse
		civil  bool // gets civil dark
		astro  bool
	}{
		{"middle", 50, "2026-03-20", SetsAndRises, true, true},
		{"short night", 55, "2026-06-21", SetsAndRises, true, false},
		{"white night", 64, "2026-06-21", SetsAndRises, false, false},
		{"midnight sun", 70, "2026-06-21", PolarDay, false, false},
		{"polar night with noon twilight", 70, "2026-12-21", PolarNight, true, true},
		{"southern midnight sun", -78, "2026-12-21", PolarDay, false, false},
		{"southern polar night", -78, "2026-06-21", PolarNight, false, true}, // Sun at -11 at noon
		{"deep polar night", -89, "2026-06-21", PolarNight, false, false},    // never comes nor goes: dark all day
	} {
		tw := night(t, tt.lat, 20, tt.date).Twilight()
		if tw.Course != tt.course {
			t.Errorf("%s: course %v, want %v", tt.name, tw.Course, tt.course)
		}
		if got := !tw.CivilDusk.IsZero(); got != tt.civil {
			t.Errorf("%s: civil dusk %v", tt.name, tw.CivilDusk.Time())
		}
		if got := !tw.AstronomicalDusk.IsZero(); got != tt.astro {
			t.Errorf("%s: astronomical dusk %v", tt.name, tw.AstronomicalDusk.Time())
		}
		order := []Instant{tw.Sunset, tw.CivilDusk, tw.NauticalDusk, tw.AstronomicalDusk, tw.AstronomicalDawn, tw.NauticalDawn, tw.CivilDawn, tw.Sunrise}
		var last Instant
		for i, e := range order {
			if e.IsZero() {
				continue
			}
			if !last.IsZero() && e.Before(last) {
				t.Errorf("%s: event %d out of order", tt.name, i)
			}
			last = e
		}
	}
	// Dark all day is one window without ends.
	ws := night(t, -89, 20, "2026-06-21").Dark(Astronomical)
	if len(ws) != 1 || ws[0].Opens || ws[0].Closes || ws[0].Length() < 86399 {
		t.Errorf("the south pole in June: got %+v, want one whole day", ws)
	}
}

// The night belongs to the evening of the local calendar, also where the clock
// is far from the Sun.
func TestNightBelongsToEvening(t *testing.T) {
	for _, tt := range []struct {
		name     string
		lon      unit.Deg
		offset   int // hours
		from, to int // local clock hours of sunset at the equator
	}{
		{"Kiritimati", -157.4, 14, 18, 19},
		{"Kashgar", 76, 8, 20, 22},
		{"Honolulu", -157.9, -10, 18, 19},
		{"Auckland", 174.8, 12, 18, 19},
		{"Greenwich", 0, 0, 18, 19},
	} {
		s, err := NewSite(1, tt.lon, 0)
		if err != nil {
			t.Fatal(err)
		}
		zone := time.FixedZone(tt.name, tt.offset*3600)
		n, err := NewNight(s, time.Date(2026, 3, 20, 0, 0, 0, 0, zone))
		if err != nil {
			t.Fatal(err)
		}
		set := n.Twilight().Sunset.Time().In(zone)
		if set.Day() != 20 || set.Hour() < tt.from || set.Hour() > tt.to {
			t.Errorf("%s: sunset %v, want on the 20th at about %d h", tt.name, set, tt.from)
		}
		if l := n.End.Sub(n.Start); math.Abs(float64(l)-86400) > 1e-6 {
			t.Errorf("%s: a night of %v s", tt.name, l)
		}
	}
}

func TestNewNightErrors(t *testing.T) {
	s := greenwich(t)
	for _, day := range []time.Time{time.Date(1850, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)} {
		if _, err := NewNight(s, day); err == nil || !strings.HasPrefix(err.Error(), "sky: ") {
			t.Errorf("%v: got error %v", day, err)
		}
	}
	if _, err := NewNight(Site{Lat: 100}, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)); err == nil {
		t.Error("a site beyond the pole is accepted")
	}
	for _, day := range []time.Time{time.Date(1900, 1, 3, 0, 0, 0, 0, time.UTC), time.Date(2099, 12, 29, 0, 0, 0, 0, time.UTC)} {
		n, err := NewNight(s, day)
		if err != nil {
			t.Fatal(err)
		}
		if tw := n.Twilight(); tw.Sunset.IsZero() || tw.Sunrise.IsZero() {
			t.Errorf("%v: no sunset", day)
		}
	}
}

func TestTarget(t *testing.T) {
	m31 := Direction{10.6847, 41.2688}
	n := night(t, 50, 10, "2026-10-10")
	tn := n.Target(m31, 30)
	if tn.Fallback || tn.SunLimit != Astronomical || len(tn.Usable) != 1 {
		t.Fatalf("got %+v, want one astronomically dark window", tn)
	}
	testkit.Near(t, tn.TransitAlt, 90-50+41.2688, 0.2, "closed form: 90 - lat + dec, precession left out")
	testkit.Near(t, n.At(tn.Transit).Observed(m31).HourAngle, 0, 1e-5, "definition of the transit")
	if tn.Flip != tn.Transit {
		t.Errorf("the flip %v is not the transit %v", tn.Flip.Time(), tn.Transit.Time())
	}
	testkit.Near(t, tn.FlipTime(0.5).Sub(tn.Transit), 1800/1.00273791, 0.01, "closed form: half an hour of hour angle")
	o := n.At(tn.FlipTime(0.5))
	testkit.Near(t, o.Observed(m31).HourAngle, 0.5, 1e-3, "definition, refraction left out")
	// At every end something holds exactly.
	w := tn.Usable[0]
	startAlt, sunAlt := n.At(w.Start).Observed(m31).Alt, n.At(w.Start).See(Sun).TrueAlt
	if math.Abs(float64(startAlt-30)) > 1e-4 && math.Abs(float64(sunAlt+18)) > 1e-4 {
		t.Errorf("the window opens with the target at %v, the Sun at %v", startAlt, sunAlt)
	}
	for x := 0.01; x < 1; x += 0.01 {
		o := n.At(w.Start.Add(unit.Second(x) * w.Length()))
		if o.Observed(m31).Alt < 30 || o.See(Sun).TrueAlt > -18 {
			t.Fatalf("inside the window: target %v, Sun %v", o.Observed(m31).Alt, o.See(Sun).TrueAlt)
		}
	}

	short := night(t, 52, 10, "2026-06-21").Target(m31, 20)
	if !short.Fallback || short.SunLimit != Nautical || len(short.Dark) == 0 {
		t.Errorf("short night: got %+v, want the nautical fallback", short)
	}
	white := night(t, 64, 10, "2026-06-21").Target(m31, 20)
	if len(white.Usable) != 0 || !white.Fallback || len(white.Dark) != 0 {
		t.Errorf("white night: got %+v, want no window", white)
	}
	never := n.Target(Direction{0, -60}, 20)
	if len(never.Up) != 0 || len(never.Usable) != 0 || !never.Flip.IsZero() {
		t.Errorf("a star that never rises: got %+v", never)
	}
	always := n.Target(Direction{0, 85}, 20)
	if len(always.Up) != 1 || always.Up[0].Opens || always.Up[0].Closes {
		t.Errorf("a star that never sets: got %+v", always.Up)
	}
	// Up at both noons: sets and rises again.
	dip := n.Up(Direction{198, 20}, 20)
	if len(dip) != 2 || dip[0].Opens || !dip[0].Closes || !dip[1].Opens || dip[1].Closes {
		t.Errorf("a star up by day: got %+v, want two windows", dip)
	}
}

// The transit is a transit wherever the star is.
func TestTransitEverywhere(t *testing.T) {
	n := night(t, -33, 151, "2027-02-01")
	for ra := unit.Deg(0); ra < 360; ra += 7 {
		for _, dec := range []unit.Deg{-80, -20, 60} {
			tr := n.Transit(Direction{ra, dec})
			if tr.Before(n.Start) || n.End.Before(tr) {
				t.Fatalf("ra %v: transit outside the night", ra)
			}
			testkit.Near(t, n.At(tr).Topocentric(Direction{ra, dec}).HourAngle, 0, 1e-6, "definition")
		}
	}
}

func TestMoonUp(t *testing.T) {
	n := night(t, 50, 10, "2026-10-10")
	for _, w := range n.MoonUp() {
		for _, e := range []struct {
			at Instant
			is bool
		}{{w.Start, w.Opens}, {w.End, w.Closes}} {
			if !e.is {
				continue
			}
			m := n.At(e.at).See(Moon)
			testkit.Near(t, m.TrueAlt+m.Radius, -34.0/60, 1e-4, "definition of the Moon's rise and set")
		}
	}
	up := n.BodyUp(Saturn, 15)
	if len(up) == 0 {
		t.Fatal("Saturn, a week from opposition, is not up")
	}
	testkit.Near(t, n.At(up[0].Start).See(Saturn).Place.Alt, 15, 1e-4, "definition")
}

func TestOverlap(t *testing.T) {
	zero := FromJD(2461000)
	win := func(a, b unit.Second) Window { return Window{zero.Add(a), zero.Add(b), true, false} }
	got := Overlap([]Window{win(0, 100), win(200, 300)}, []Window{win(50, 250), win(280, 400)})
	want := [][2]unit.Second{{50, 100}, {200, 250}, {280, 300}}
	if len(got) != len(want) {
		t.Fatalf("got %d windows, want %d", len(got), len(want))
	}
	for i, w := range got {
		testkit.Near(t, w.Start.Sub(zero), want[i][0], 1e-6, "closed form: intersection")
		testkit.Near(t, w.End.Sub(zero), want[i][1], 1e-6, "closed form: intersection")
	}
	if l := Longest(got); math.Abs(float64(l.Length())-50) > 1e-6 {
		t.Errorf("longest: got %v s, want 50", l.Length())
	}
	if Longest(nil) != (Window{}) {
		t.Error("the longest of none is not nothing")
	}
}

// Sines with a daily period, some of which only just graze zero.
func TestCrossings(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		amp, phase := 20+40*r.Float64(), r.Float64()*2*math.Pi
		offset := amp * (1 - math.Pow(10, -5*r.Float64())) // grazes within 1e-5 of the amplitude
		if r.IntN(2) == 0 {
			offset = -offset
		}
		const w = 2 * math.Pi / 86400
		f := func(s float64) float64 { return amp*math.Sin(w*s+phase) + offset }
		var samples []float64
		for s := 0.0; s <= 86400; s += scanStep {
			samples = append(samples, f(s))
		}
		got := crossings(f, samples)
		if len(got) != 2 {
			t.Fatalf("amplitude %v, offset %v: %d crossings, want 2", amp, offset, len(got))
		}
		for _, c := range got {
			if d := f(c.sec - 0.03); (d < 0) != c.up {
				t.Fatalf("crossing at %v s: %v just before, rising %v", c.sec, d, c.up)
			}
		}
	}
	f := func(s float64) float64 { return math.Sin(2*math.Pi*s/86400) - 1.0000001 }
	var samples []float64
	for s := 0.0; s <= 86400; s += scanStep {
		samples = append(samples, f(s))
	}
	if got := crossings(f, samples); len(got) != 0 {
		t.Errorf("a near miss gives %v", got)
	}
}

// The cheap path through a night against the full models.
func TestCourse(t *testing.T) {
	for _, lat := range []unit.Deg{50, -70, 0} {
		n := night(t, lat, 100, "2029-11-03")
		star := Direction{250, -35}
		moon, sun, fixed := n.body(Moon), n.body(Sun), n.fixed(star)
		var worst unit.Arcsec
		for sec := 0.0; sec <= 86400; sec += 1234 {
			o := n.Site.At(n.Start.Add(unit.Second(sec)))
			m := o.See(Moon)
			alt, lifted, radius := moon.at(sec)
			worst = max(worst, unit.Arcsec(math.Abs(float64((degrees(alt) - m.TrueAlt).Arcsec()))))
			testkit.Near(t, degrees(radius).Arcsec(), m.Radius.Arcsec(), 0.01, "full model")
			if m.TrueAlt > 5 {
				testkit.Near(t, degrees(lifted).Arcsec(), m.Place.Alt.Arcsec(), 0.1, "full model")
			}
			alt, _, _ = sun.at(sec)
			worst = max(worst, unit.Arcsec(math.Abs(float64((degrees(alt) - o.See(Sun).TrueAlt).Arcsec()))))
			alt, lifted, _ = fixed.at(sec)
			p := o.Topocentric(star)
			worst = max(worst, unit.Arcsec(math.Abs(float64((degrees(alt) - p.Alt).Arcsec()))))
			if p.Alt > 5 {
				testkit.Near(t, degrees(lifted).Arcsec(), o.Observed(star).Alt.Arcsec(), 0.1, "full model")
			}
		}
		t.Logf("lat %v: worst %.2g arcsec", lat, worst)
		testkit.Near(t, worst, 0, 0.03, "full model")
	}
}

func TestTrack(t *testing.T) {
	s := greenwich(t)
	d := Direction{10.6847, 41.2688}
	start := NewInstant(time.Date(2026, 9, 1, 20, 0, 0, 0, time.UTC))
	var times []Instant
	for i := range 40 {
		times = append(times, start.Add(unit.Second(700*((i*17)%40)))) // in no order
	}
	got := Track(s, d, times)
	for i, p := range got {
		want := s.At(times[i]).Observed(d)
		testkit.Near(t, apart(p.Alt, p.Az, want.Alt, want.Az), 0, 0.01, "full model")
		testkit.Near(t, p.HourAngle.Deg().Arcsec(), want.HourAngle.Deg().Arcsec(), 0.02, "full model")
		testkit.Near(t, p.Airmass, want.Airmass, 1e-6, "full model")
		testkit.Near(t, p.Parallactic, want.Parallactic, 1e-4, "full model")
		if p.Alt > 20 && p.Alt < 80 {
			alt, az := AltAz(s.Lat, p.HourAngle, p.Dec)
			testkit.Near(t, apart(alt, az, p.Alt, p.Az), 0, 1e-6, "spherical trigonometry")
			// The zenith, seen from the star, by the rule of sines.
			q := math.Sin(radians(p.Parallactic)) * math.Cos(radians(p.Alt))
			testkit.Near(t, q, math.Sin(float64(p.HourAngle.Rad()))*math.Cos(radians(s.Lat)), 1e-9, "rule of sines")
		}
	}
	sparse := Track(s, d, []Instant{start, start.Add(40 * 86400)})
	testkit.Near(t, sparse[1].Alt, s.At(start.Add(40*86400)).Observed(d).Alt, 1e-12, "full model")
	if got := Track(s, d, nil); len(got) != 0 {
		t.Errorf("no instants: got %v", got)
	}
}

func TestSpanOutside(t *testing.T) {
	s := greenwich(t)
	from := FromJD(2461000.5)
	sp := NewSpan(s, from, from.Add(3*daySec))
	for _, off := range []unit.Second{-10, 3*daySec + 10} {
		if p := sp.At(from.Add(off)).Observed(Direction{}); !math.IsNaN(float64(p.Alt)) {
			t.Errorf("%v s from the start: got %v, want NaN", off, p.Alt)
		}
	}
	for _, off := range []unit.Second{0, daySec, 2.5 * daySec, 3 * daySec} {
		got, want := sp.At(from.Add(off)).See(Moon), s.At(from.Add(off)).See(Moon)
		testkit.Near(t, apart(got.Place.Alt, got.Place.Az, want.Place.Alt, want.Place.Az), 0, 0.02, "full model")
	}
	defer func() {
		if recover() == nil {
			t.Error("a span that ends before it begins does not panic")
		}
	}()
	NewSpan(s, from, from.Add(-1))
}
