package fitting

import (
	"fmt"
	"math"
	"math/rand/v2"
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
