package fitting

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// icrsOf returns the direction that is seen along a vector of the hour-angle
// frame, by iteration on Observer.Observed.
func icrsOf(o *sky.Observer, v vec) sky.Direction {
	d := sky.Direction{RA: 0, Dec: unit.Deg(math.Asin(v[2]) * 180 / math.Pi)}
	for range 30 {
		at := seenAt(o, d)
		h, _ := hourOf(at)
		want, _ := hourOf(v)
		dh := math.Remainder(float64(want-h), 24) * 15
		dd := (math.Asin(v[2]) - math.Asin(at[2])) * 180 / math.Pi
		d.RA = unit.Deg(math.Mod(float64(d.RA)-dh+720, 360))
		d.Dec = unit.Deg(max(-89.9999, min(89.9999, float64(d.Dec)+dd)))
		if math.Abs(dh)+math.Abs(dd) < 1e-11 {
			break
		}
	}
	return d
}

// camera is a simulated camera.
type camera struct {
	scale         unit.Scale
	width, height unit.Px
	mirrored      bool
}

// frame returns what a camera of an attitude solves to.
func (c camera) frame(o *sky.Observer, a attitude, name string) SolvedFrame {
	rad := float64(c.scale) / unit.ArcsecPerRad
	through := func(x, y float64) sky.Direction {
		if c.mirrored {
			x = -x
		}
		return icrsOf(o, a.of(vec{x * rad, y * rad, 1}).normal())
	}
	w := &solve.WCS{RefX: (c.width + 1) / 2, RefY: (c.height + 1) / 2, Ref: through(0, 0)}
	plane := sky.NewTangent(w.Ref)
	const step = 300
	for k, p := range [2][2]float64{{step, 0}, {0, step}} {
		x1, y1 := plane.Project(through(p[0], p[1]))
		x0, y0 := plane.Project(through(-p[0], -p[1]))
		w.CD[0][k], w.CD[1][k] = float64(x1-x0)/(2*step), float64(y1-y0)/(2*step)
	}
	return SolvedFrame{File: name, Time: o.Instant(), WCS: w, Width: c.width, Height: c.height, Matched: 60, RMS: 0.6}
}

// simulated is a mount with a telescope.
type simulated struct {
	site   sky.Site
	err    sky.PolarError
	cam    camera
	first  attitude // of the camera at the first hour angle
	sag    float64  // arcsec per g of the telescope
	jitter unit.Arcsec
	twist  unit.Arcmin // noise of the turn
}

// newSimulated aims a camera, turned in its adapter and not square to anything,
// at an hour angle and declination.
func newSimulated(site sky.Site, e sky.PolarError, h unit.Hour, d, turn unit.Deg) simulated {
	s := hourVec(h, d)
	x := s.beside()
	a := attitude{x, s.cross(x), s}
	return simulated{site: site, err: e, cam: camera{2, 1800, 1300, false}, first: a.turned(s, turn.Rad())}
}

// at returns the frame after the axis has been turned by an angle, taken at a
// time.
func (m simulated) at(t sky.Instant, angle unit.Deg, rng *rand.Rand, name string) SolvedFrame {
	n := vec(sky.AxisOf(m.err, m.site.Lat))
	a := m.first.turned(n, angle.Rad())
	down := zenith(m.site.Lat).times(-1)
	a = a.kicked(a.sight().cross(down).times(m.sag / unit.ArcsecPerRad))
	if rng != nil {
		j := float64(m.jitter.Rad())
		a = a.kicked(a[0].times(j * rng.NormFloat64()).plus(a[1].times(j * rng.NormFloat64())).plus(a[2].times(float64(m.twist.Rad()) * rng.NormFloat64())))
	}
	return m.cam.frame(m.site.At(t), a, name)
}

func testSite(t testing.TB, lat unit.Deg) sky.Site {
	t.Helper()
	s, err := sky.NewSite(lat, -110, 800)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var evening = sky.NewInstant(time.Date(2026, 8, 15, 4, 0, 0, 0, time.UTC))

func noPlan() PoleOptions { return PoleOptions{Limit: unit.Arcmin(math.NaN())} }

// TestPoleExact: without noise the axis comes back, whatever the camera's angle
// and parity, the site, the size of the error, and the cone error; refraction is
// taken out.
func TestPoleExact(t *testing.T) {
	for _, tt := range []struct {
		lat      unit.Deg
		alt, az  unit.Arcmin
		h        unit.Hour
		dec      unit.Deg
		turn     unit.Deg
		mirrored bool
		angles   []unit.Deg
	}{
		{50, 12, -20, -3, 20, 33, false, []unit.Deg{0, 30, 60}},
		{50, 12, -20, -3, 20, 200, true, []unit.Deg{0, 30, 60}},
		{-34, -7, 15, -2, -40, 100, false, []unit.Deg{0, 30, 60}},
		{32, 0.3, 0.2, 1, 47, 10, false, []unit.Deg{0, -25, -60, -80}},
		{15, 300, 500, -3, 10, 10, false, []unit.Deg{0, 30, 60}},
		{65, -400, 900, -2, 70, 123, false, []unit.Deg{0, 45}},
		{50, 5, 5, 0, 89.2, 0, false, []unit.Deg{0, 40, 80}},
	} {
		site := testSite(t, tt.lat)
		m := newSimulated(site, sky.PolarError{Alt: tt.alt, Az: tt.az}, tt.h, tt.dec, tt.turn)
		m.cam.mirrored = tt.mirrored
		var frames []SolvedFrame
		for i, a := range tt.angles {
			frames = append(frames, m.at(evening.Add(unit.Second(100*i)), a, nil, fmt.Sprint(i)))
		}
		p, err := FindPole(site, frames, noPlan())
		if err != nil {
			t.Errorf("lat %v: %v", tt.lat, err)
			continue
		}
		src := "the axis that the frames were made with"
		testkit.Near(t, p.Altitude, tt.alt, 0.01, src)
		testkit.Near(t, p.AzimuthSky, tt.az*unit.Arcmin(math.Cos(float64(tt.lat.Rad()))), 0.01, src)
		for _, way := range []*Axis{p.ByCentre, p.ByTurn} {
			if way == nil && len(tt.angles) > 2 {
				t.Errorf("lat %v: the centre or the turn alone says nothing", tt.lat)
			} else if way != nil && tt.dec < 89 {
				testkit.Near(t, way.Altitude, tt.alt, 0.05, src)
				testkit.Near(t, way.AzimuthSky, tt.az*unit.Arcmin(math.Cos(float64(tt.lat.Rad()))), 0.05, src)
			}
		}
		if len(tt.angles) > 2 && (p.Agree == nil || !*p.Agree) {
			t.Errorf("lat %v: exact frames do not agree", tt.lat)
		}
		span := math.Abs(float64(tt.angles[len(tt.angles)-1]))
		testkit.Near(t, float64(p.Span), span, 0.01, "the turn that the frames were made with")
	}
}

// TestPoleThreePositions: in a vacuum, from where the frames point alone, the
// answer is that of three unit vectors.
func TestPoleThreePositions(t *testing.T) {
	site := testSite(t, 50)
	site.Pressure = 0
	m := newSimulated(site, sky.PolarError{Alt: 12, Az: -20}, -3, 30, 70)
	var frames []SolvedFrame
	var u []vec
	for i, a := range []unit.Deg{0, 35, 60} {
		at := evening.Add(unit.Second(1000 * i))
		frames = append(frames, m.at(at, a, nil, fmt.Sprint(i)))
		u = append(u, seenAt(site.At(at), frames[i].WCS.Ref))
	}
	p, err := FindPole(site, frames, noPlan())
	if err != nil {
		t.Fatal(err)
	}
	n := u[1].minus(u[0]).cross(u[2].minus(u[1])).normal()
	testkit.Near(t, float64(p.ByCentre.axis.apart(n).Arcsec()), 0, 0.02, "closed form: the normal of the plane through three unit vectors")
	e := sky.Axis(n).Error(50)
	testkit.Near(t, p.ByCentre.Altitude, e.Alt, 1e-3, "closed form: the normal of the plane through three unit vectors")
	testkit.Near(t, p.ByCentre.Azimuth, e.Az, 1e-3, "closed form: the normal of the plane through three unit vectors")
	// Its error over 60 degrees cut in halves: the declination is a cos t + b sin t
	// + c at t = -30, 0, 30 degrees, so that a has the error sqrt(6)/2/(1 - cos 30)
	// and b has 1/(sqrt(2) sin 30).
	for i, a := range []unit.Deg{0, 30, 60} {
		frames[i] = m.at(evening.Add(unit.Second(1000*i)), a, nil, fmt.Sprint(i))
	}
	if p, err = FindPole(site, frames, noPlan()); err != nil {
		t.Fatal(err)
	}
	sight, _ := frames[0].doubt()
	total := math.Sqrt(p.ByCentre.cov[0][0] + p.ByCentre.cov[1][1])
	sin, cos := math.Sincos(math.Pi / 6)
	testkit.NearRel(t, total, math.Hypot(math.Sqrt(1.5)/(1-cos), math.Sqrt(0.5)/sin)*float64(sight.Arcmin()), 0.002, "closed form: both coordinates' errors")
}

// TestPoleNoise: three frames over 60 degrees with the noise of ordinary
// solutions, a telescope that sags and a camera that is not square: within 0.2
// arcmin, and within the stated errors.
func TestPoleNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	runs := 200
	if testing.Short() {
		runs = 60
	}
	var sum2, pull2, pulls float64
	for i := range runs {
		lat := unit.Deg(25 + 40*rng.Float64())
		if i%3 == 0 {
			lat = -lat
		}
		site := testSite(t, lat)
		e := sky.PolarError{Alt: unit.Arcmin(20 * rng.NormFloat64()), Az: unit.Arcmin(20 * rng.NormFloat64())}
		dec := unit.Deg(float64(lat)*0.6 - 15 + 40*rng.Float64())
		m := newSimulated(site, e, -2.2, dec, unit.Deg(360*rng.Float64()))
		// The noise that the solutions state.
		probe := m.at(evening, 0, nil, "")
		sight, turn := probe.doubt()
		m.jitter, m.twist = sight, turn.Arcsec().Arcmin()
		var frames []SolvedFrame
		for k, a := range []unit.Deg{0, 30, 60} {
			frames = append(frames, m.at(evening.Add(unit.Second(60*k)), a, rng, fmt.Sprint(k)))
		}
		p, err := FindPole(site, frames, noPlan())
		if err != nil {
			t.Fatalf("lat %v dec %v: %v", lat, dec, err)
		}
		cos := math.Cos(float64(lat.Rad()))
		da, dz := float64(p.Altitude-e.Alt), float64(p.AzimuthSky)-float64(e.Az)*cos
		sum2 += da*da + dz*dz
		for _, x := range []float64{da / float64(p.AltitudeSigma), dz / float64(p.AzimuthSigma) / cos} {
			pulls += x
			pull2 += x * x
		}
	}
	n := float64(runs)
	rms := math.Sqrt(sum2 / n)
	t.Logf("the axis is off by %.3f arcmin rms; pulls: mean %.2f, spread %.2f", rms, pulls/2/n, math.Sqrt(pull2/2/n))
	if !(rms < 0.2) {
		t.Errorf("the axis is off by %.3f arcmin rms, want less than 0.2", rms)
	}
	testkit.Near(t, pulls/2/n, 0, 0.25, "pulls of a right error have no mean")
	// Where chance spreads three frames the error is widened: pulls are a little
	// narrow on the whole.
	testkit.Near(t, math.Sqrt(pull2/2/n), 0.95, 0.15, "pulls of a right error spread by one")
}

// TestPoleFlexure: a telescope that sags looks like an axis lower by the sag times
// sin(dec) cos(lat), to where the frames point and to how the field turns alike.
func TestPoleFlexure(t *testing.T) {
	for _, tt := range []struct{ lat, dec unit.Deg }{{45, 50}, {45, 0}, {30, -20}, {-35, -50}} {
		site := testSite(t, tt.lat)
		e := sky.PolarError{Alt: 6, Az: 4}
		m := newSimulated(site, e, -2.5, tt.dec, 20)
		m.sag = 60
		var frames []SolvedFrame
		for k := range 6 {
			frames = append(frames, m.at(evening.Add(unit.Second(60*k)), unit.Deg(15*k), nil, fmt.Sprint(k)))
		}
		p, err := FindPole(site, frames, noPlan())
		if err != nil {
			t.Fatal(err)
		}
		src := "closed form: s x g = sin(dec) n x g + what turns with the tube"
		sin, cos := math.Sin(float64(tt.dec.Rad())), math.Cos(float64(tt.lat.Rad()))
		if tt.lat < 0 {
			sin = -sin // the end above the horizon is the southern one
		}
		want := e.Alt - unit.Arcmin(sin*cos)
		for _, a := range []*Axis{&p.Axis, p.ByCentre, p.ByTurn} {
			testkit.Near(t, a.Altitude, want, 0.01, src)
			testkit.Near(t, a.Azimuth, e.Az, 0.02, src)
		}
		testkit.Near(t, e.Alt-unit.Arcmin(60*p.FlexurePull), want, 0.01, src)
	}
}

// TestPoleDisagrees: a declination axis that slips shows as two answers, and the
// knobs are those on which both agree.
func TestPoleDisagrees(t *testing.T) {
	site := testSite(t, 40)
	e := sky.PolarError{Alt: -10, Az: 12}
	m := newSimulated(site, e, -3, 40, 20)
	n := vec(sky.AxisOf(e, site.Lat))
	var frames []SolvedFrame
	for k := range 12 {
		at := m.first.turned(n, unit.Deg(8*k).Rad())
		west := n.cross(at.sight()).normal()
		at = at.kicked(west.times(float64(unit.Arcmin(0.02 * float64(k*k)).Rad())))
		frames = append(frames, m.cam.frame(site.At(evening.Add(unit.Second(1920*k))), at, fmt.Sprint(k)))
	}
	p, err := FindPole(site, frames, noPlan())
	if err != nil {
		t.Fatal(err)
	}
	if p.Agree == nil || *p.Agree || p.Verdict != PoleUnsure {
		t.Fatalf("agree %v, verdict %s", p.Agree, p.Verdict)
	}
	testkit.Near(t, p.ByTurn.Altitude, e.Alt, 0.1, "a slip in declination does not turn the field")
	if p.OffPoleSigma < 0.2 {
		t.Errorf("the stated error is %v arcmin where the ways differ by %v", p.OffPoleSigma, p.ByCentre.Altitude-p.ByTurn.Altitude)
	}
	// Held in declination, the turn alone is the answer.
	o := noPlan()
	o.Held = true
	if p, err = FindPole(site, frames, o); err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, p.Altitude, e.Alt, 0.1, "the axis that the frames were made with")
	if p.ByCentre != nil || p.Verdict != Measured {
		t.Errorf("held: by centre %v, verdict %s", p.ByCentre, p.Verdict)
	}
}

// TestPoleFlip: frames of both sides of the mount give one axis, though the
// declination axis stands elsewhere after the flip.
func TestPoleFlip(t *testing.T) {
	site := testSite(t, 40)
	e := sky.PolarError{Alt: -10, Az: 12}
	m := newSimulated(site, e, -3, 40, 20)
	n := vec(sky.AxisOf(e, site.Lat))
	var frames []SolvedFrame
	for k := range 8 {
		at := m.first.turned(n, unit.Deg(10*k).Rad())
		if k > 4 {
			// About the sight, and not quite back to it.
			at = at.turned(at.sight(), math.Pi).kicked(n.cross(at.sight()).normal().times(0.003)).kicked(at.sight().times(0.004))
		}
		frames = append(frames, m.cam.frame(site.At(evening.Add(unit.Second(2400*k))), at, fmt.Sprint(k)))
	}
	p, err := FindPole(site, frames, noPlan())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range []*Axis{&p.Axis, p.ByCentre, p.ByTurn} {
		testkit.Near(t, a.Altitude, e.Alt, 0.01, "the axis that the frames were made with")
		testkit.Near(t, a.Azimuth, e.Az, 0.02, "the axis that the frames were made with")
	}
	testkit.Near(t, p.Span, 70, 0.5, "the turn that the frames were made with")
	// Three frames of which one is flipped settle it by both ways together at most.
	if p, err = FindPole(site, frames[3:6], noPlan()); err == nil && (p.ByCentre != nil || p.ByTurn != nil) {
		t.Errorf("two frames of one side and one of the other: by centre %v, by turn %v", p.ByCentre, p.ByTurn)
	}
}

// TestPoleKnobs: which knob, which way, in either hemisphere, and how the field
// moves meanwhile.
func TestPoleKnobs(t *testing.T) {
	for _, tt := range []struct {
		lat     unit.Deg
		e       sky.PolarError
		alt, az string
		hand    string
	}{
		{45, sky.PolarError{Alt: 10, Az: 20}, "lower", "west", "left as you face north"},
		{45, sky.PolarError{Alt: -10, Az: -20}, "raise", "east", "right as you face north"},
		{-45, sky.PolarError{Alt: 10, Az: 20}, "lower", "west", "right as you face south"},
		{-45, sky.PolarError{Alt: -10, Az: -20}, "raise", "east", "left as you face south"},
		{-30, sky.PolarError{Alt: 0, Az: 20}, "", "west", "right as you face south"},
		{30, sky.PolarError{Alt: -15, Az: 0}, "raise", "", ""},
	} {
		site := testSite(t, tt.lat)
		m := newSimulated(site, tt.e, -3, tt.lat/3, 20)
		var frames []SolvedFrame
		for k := range 3 {
			frames = append(frames, m.at(evening.Add(unit.Second(60*k)), unit.Deg(30*k), nil, fmt.Sprint(k)))
		}
		o := noPlan()
		o.PerTurnAlt = 20
		p, err := FindPole(site, frames, o)
		if err != nil {
			t.Fatal(err)
		}
		alt, az := "", ""
		for _, k := range p.Knobs {
			if k.Knob == "altitude" {
				alt = k.Direction
				testkit.Near(t, k.Turns, math.Abs(float64(tt.e.Alt))/20, 0.02, "closed form: 20 arcmin a turn")
			} else {
				az = k.Direction
				if !strings.Contains(k.Do, tt.hand) {
					t.Errorf("lat %v: %s, want %s", tt.lat, k.Do, tt.hand)
				}
				if !math.IsNaN(k.Turns) {
					t.Errorf("turns %v of a knob whose pitch is not known", k.Turns)
				}
			}
		}
		if alt != tt.alt || az != tt.az {
			t.Errorf("lat %v, error %+v: %q and %q, want %q and %q", tt.lat, tt.e, alt, az, tt.alt, tt.az)
		}
		// The field moves with the base: in azimuth by the knob, with the altitude
		// about the east-west line.
		at := site.At(frames[2].Time)
		at0 := at.Observed(frames[2].WCS.Ref)
		at1 := at.Observed(sky.Direction{RA: p.Shift.RA, Dec: p.Shift.Dec})
		switch {
		case tt.alt == "":
			testkit.Near(t, float64(at1.Alt), float64(at0.Alt), 2e-3, "closed form: turning the base keeps the altitude")
			testkit.Near(t, math.Remainder(float64(at1.Az-at0.Az), 360)*60, 20, 0.3, "closed form: a turn of the base from east to west over the south pole adds to the azimuth")
		case tt.az == "":
			tip := func(p sky.Place) float64 {
				return math.Atan2(math.Sin(float64(p.Alt.Rad())), math.Cos(float64(p.Alt.Rad()))*math.Cos(float64(p.Az.Rad()))) * 180 / math.Pi * 60
			}
			testkit.Near(t, tip(at1)-tip(at0), 15, 0.3, "closed form: raising the axis tips everything about the east-west line")
		}
	}
}

// TestPoleLimit: what the plan bears decides the verdict.
func TestPoleLimit(t *testing.T) {
	site := testSite(t, 45)
	m := newSimulated(site, sky.PolarError{Alt: 8}, -3, 20, 20)
	var frames []SolvedFrame
	for k := range 3 {
		frames = append(frames, m.at(evening.Add(unit.Second(60*k)), unit.Deg(30*k), nil, fmt.Sprint(k)))
	}
	for _, tt := range []struct {
		limit   unit.Arcmin
		verdict string
		matters bool
	}{{5, Misaligned, true}, {20, Aligned, false}} {
		p, err := FindPole(site, frames, PoleOptions{Limit: tt.limit, LimitOf: "a test"})
		if err != nil {
			t.Fatal(err)
		}
		if p.Verdict != tt.verdict || p.Matters == nil || *p.Matters != tt.matters {
			t.Errorf("limit %v: %s, matters %v", tt.limit, p.Verdict, p.Matters)
		}
	}
	// Two degrees of turn settle nothing.
	var near []SolvedFrame
	for k := range 3 {
		near = append(near, m.at(evening.Add(unit.Second(60*k)), unit.Deg(k), nil, fmt.Sprint(k)))
	}
	p, err := FindPole(site, near, noPlan())
	if err == nil && (p.Verdict != PoleUnsure || len(p.Knobs) > 0) {
		t.Errorf("frames two degrees apart: %s, %d knobs, error %v ± %v", p.Verdict, len(p.Knobs), p.OffPole, p.OffPoleSigma)
	}
	// Below the horizon, or one only, is an error that says so.
	if _, err := FindPole(site, frames[:1], noPlan()); err == nil || !strings.Contains(err.Error(), "at least 2") {
		t.Errorf("one frame: %v", err)
	}
	m.cam.mirrored = true
	frames[1] = m.at(evening, 30, nil, "1")
	if _, err := FindPole(site, frames, noPlan()); err == nil || !strings.Contains(err.Error(), "mirrored") {
		t.Errorf("two cameras: %v", err)
	}
}

// TestPoleByDrift: the drifts of the textbook come back as the axis, in either
// hemisphere, refraction taken out.
func TestPoleByDrift(t *testing.T) {
	vacuum := testSite(t, 45)
	vacuum.Pressure = 0
	// A star in the east drifts north by 0.262516 "/min for an axis 1 arcmin too
	// high, one on the meridian south by 0.185627 for one an arcmin east.
	exact := func(v float64) unit.Est[float64] { return unit.Est[float64]{V: v, SE: 0.002} }
	p, err := FindPoleByDrift(vacuum, []DecDrift{{-6, 10, exact(0.262516)}, {0, 5, exact(0)}}, noPlan())
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, p.Altitude, 1, 1e-3, "computed with numpy: star in the east, axis 1 arcmin too high")
	testkit.Near(t, p.Azimuth, 0, 1e-3, "computed with numpy: star in the east, axis 1 arcmin too high")
	testkit.NearRel(t, float64(p.AltitudeSigma), 0.002/0.262516, 0.01, "closed form: the drift's error over its rate")
	if p, err = FindPoleByDrift(vacuum, []DecDrift{{-6, 10, exact(0)}, {0, 5, exact(-0.185627)}}, noPlan()); err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, p.Azimuth, 1, 1e-3, "computed with numpy: star on the meridian, axis 1 arcmin east, latitude 45")
	testkit.Near(t, p.Altitude, 0, 1e-3, "computed with numpy: star on the meridian, axis 1 arcmin east, latitude 45")
	for _, lat := range []unit.Deg{52, -33} {
		site := testSite(t, lat)
		e := sky.PolarError{Alt: -9, Az: 14}
		var ds []DecDrift
		for _, h := range []unit.Hour{-5, 0.3, 4} {
			d := DecDrift{HourAngle: h, Dec: lat / 3}
			d.NorthArcsecPerMin.V = sky.RefractionDrift(sky.AxisOf(e, lat), lat, h, d.Dec, site.Refraction()).NorthArcsecPerMin
			ds = append(ds, d)
		}
		p, err := FindPoleByDrift(site, ds, noPlan())
		if err != nil {
			t.Fatal(err)
		}
		testkit.Near(t, p.Altitude, e.Alt, 0.01, "the axis that the drifts were made with")
		testkit.Near(t, p.Azimuth, e.Az, 0.01, "the axis that the drifts were made with")
	}
	for _, tt := range []struct {
		d    []DecDrift
		want string
	}{
		{[]DecDrift{{0, 5, exact(1)}}, "want two"},
		{[]DecDrift{{0, 5, exact(1)}, {0.05, 15, exact(1)}}, "too near"},
		{[]DecDrift{{0, 5, exact(1)}, {9, -40, exact(1)}}, "below 3 degrees"},
		{[]DecDrift{{0, 5, exact(900)}, {5, 20, exact(1000)}}, "miss the pole"},
	} {
		if _, err := FindPoleByDrift(vacuum, tt.d, noPlan()); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v: %v, want %q", tt.d, err, tt.want)
		}
	}
}
