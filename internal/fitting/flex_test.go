package fitting

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// bender is a simulated pair of telescopes.
type bender struct {
	site    sky.Site
	c       [2][2]float64 // arcsec per g across
	axial   [2]float64    // arcsec per g along
	creep   [2]float64    // arcsec an hour
	offset  [2]float64    // arcsec, of the guide telescope
	turn    unit.Deg      // of the imaging camera
	noise   float64       // arcsec, per axis and frame
	drifted float64       // degrees by which the camera has turned on the sky per hour
}

// pair returns the frames of both cameras at an hour angle, declination and time.
func (b bender) pair(t unit.Hour, h unit.Hour, d unit.Deg, flipped bool, rng *rand.Rand) (imaging, guide SolvedFrame) {
	at := evening.Add(unit.Second(3600 * t))
	o := b.site.At(at)
	s := hourVec(h, d)
	east := s.cross(vec{0, 0, 1}).normal()
	north := vec{0, 0, 1}.minus(s.times(s[2])).normal()
	// West, north, sight is a proper basis.
	a := attitude{east.times(-1), north, s}.turned(s, b.turn.Rad()+unit.Deg(b.drifted*float64(t)).Rad())
	if flipped {
		a = a.turned(s, math.Pi)
	}
	down := zenith(b.site.Lat).times(-1)
	g := vec{a[0].dot(down), a[1].dot(down), a[2].dot(down)}
	x := b.offset[0] + b.c[0][0]*g[0] + b.c[0][1]*g[1] + b.axial[0]*g[2] + b.creep[0]*float64(t)
	y := b.offset[1] + b.c[1][0]*g[0] + b.c[1][1]*g[1] + b.axial[1]*g[2] + b.creep[1]*float64(t)
	if rng != nil {
		x += b.noise * rng.NormFloat64()
		y += b.noise * rng.NormFloat64()
	}
	aim := a.of(vec{x / unit.ArcsecPerRad, y / unit.ArcsecPerRad, 1}).normal()
	side := aim.beside()
	name := fmt.Sprintf("%.2f", float64(t))
	imaging = camera{1, 3000, 2000, false}.frame(o, a, "i"+name)
	guide = camera{4, 1280, 960, true}.frame(o, attitude{side, aim.cross(side), aim}, "g"+name)
	imaging.FWHM = 3
	return imaging, guide
}

// even is a compliance that is the same in all directions.
func even(c float64) [2][2]float64 { return [2][2]float64{{c, 0}, {0, c}} }

// sweep takes pairs over the sky on both sides of the meridian, flipped on the west.
func (b bender) sweep(n int, flips bool, rng *rand.Rand) (imaging, guide []SolvedFrame) {
	places := []struct {
		h unit.Hour
		d unit.Deg
	}{{-4, 20}, {-2, 55}, {-1, 0}, {-3, -5}, {1, 10}, {3, 40}, {4, 15}, {2, -8}, {-0.5, 35}, {0.7, 60}}
	for i := range n {
		p := places[i%len(places)]
		m, g := b.pair(unit.Hour(i)/6, p.h, p.d, flips && p.h > 0, rng)
		imaging, guide = append(imaging, m), append(guide, g)
	}
	return imaging, guide
}

// TestFlexExact: without noise compliance across and along the tube and creep come
// back from pairs over the sky and across a flip, within what the weak priors pull.
func TestFlexExact(t *testing.T) {
	for _, b := range []bender{
		{c: even(40), axial: [2]float64{0, 0}, turn: 20},
		{c: even(10), axial: [2]float64{30, -40}, creep: [2]float64{2, 1}, offset: [2]float64{900, -1500}, turn: 130},
		{c: even(-25), axial: [2]float64{5, 0}, creep: [2]float64{-3, 4}, offset: [2]float64{-60, 20}, turn: 301},
	} {
		for _, lat := range []unit.Deg{50, -35} {
			b.site = testSite(t, lat)
			imaging, guide := b.sweep(10, true, nil)
			f, err := FindFlex(b.site, imaging, guide, FlexOptions{})
			if err != nil {
				t.Fatal(err)
			}
			src := "what the frames were made with"
			testkit.Near(t, f.Lateral, b.c[0][0], 0.2, src)
			testkit.Near(t, f.Axial, math.Hypot(b.axial[0], b.axial[1]), 1.2, src)
			testkit.Near(t, f.Creep, math.Hypot(b.creep[0], b.creep[1]), 0.5, src)
			if f.Uneven != nil || !math.IsNaN(f.Drift) {
				t.Errorf("uneven %v, drift %v of different fields", f.Uneven, f.Drift)
			}
			if f.RMS > 0.1 {
				t.Errorf("the fit leaves %v arcsec of exact frames", f.RMS)
			}
		}
	}
}

// TestFlexUneven: a compliance that differs between directions is found, and gives
// the drift on the sky of the textbook case on either side of the mount.
func TestFlexUneven(t *testing.T) {
	// The drift from 10 to 25 degrees of hour angle at latitude 50, declination 30.
	for _, tt := range []struct {
		axial         [2]float64
		before, after [2]float64 // west, north
	}{
		{[2]float64{0, 0}, [2]float64{1.5499, -0.0166}, [2]float64{1.5499, -0.0166}},
		{[2]float64{3, -5}, [2]float64{1.6810, -0.2351}, [2]float64{1.4188, 0.2019}},
	} {
		b := bender{site: testSite(t, 50), c: [2][2]float64{{10, 2}, {1, 7}}, axial: tt.axial}
		for _, flipped := range []bool{false, true} {
			want := tt.before
			if flipped {
				want = tt.after
			}
			var o [2][2]float64 // west, north of the guide telescope
			for i, h := range []unit.Deg{10, 25} {
				m, g := b.pair(0, h.Hour(), 30, flipped, nil)
				ob := b.site.At(m.Time)
				at, _ := attitudeOf(ob, m.WCS, m.Width, m.Height)
				c := at.in(seenAt(ob, g.WCS.Ref))
				x, y := c[0]/c[2]*unit.ArcsecPerRad, c[1]/c[2]*unit.ArcsecPerRad
				if flipped {
					x, y = -x, -y
				}
				o[i] = [2]float64{x, y}
			}
			src := "computed with numpy: compliance [[10,2],[1,7]] arcsec/g, latitude 50, declination 30, hour angle 10 to 25 degrees"
			testkit.Near(t, o[1][0]-o[0][0], want[0], 2e-3, src)
			testkit.Near(t, o[1][1]-o[0][1], want[1], 2e-3, src)
		}
	}
	b := bender{site: testSite(t, 50), c: [2][2]float64{{100, 20}, {-30, 40}}, axial: [2]float64{10, -8}, turn: 77}
	imaging, guide := b.sweep(20, true, nil)
	f, err := FindFlex(b.site, imaging, guide, FlexOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if f.Uneven == nil {
		t.Fatal("one compliance for all directions was taken to serve")
	}
	src := "what the frames were made with"
	testkit.Near(t, f.Uneven.XX, 100, 0.7, src)
	testkit.Near(t, f.Uneven.XY, 20, 0.7, src)
	testkit.Near(t, f.Uneven.YX, -30, 0.7, src)
	testkit.Near(t, f.Uneven.YY, 40, 0.7, src)
	testkit.Near(t, f.Lateral, 70, 0.7, src)
}

// TestFlexNoise: with the noise that solutions state, the truth is within the
// stated errors as often as it should be, across a flip and without one.
func TestFlexNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	runs := 100
	if testing.Short() {
		runs = 40
	}
	for _, flips := range []bool{true, false} {
		var sum, sum2, n, sigma float64
		for range runs {
			b := bender{site: testSite(t, 45), c: even(40 * rng.NormFloat64()), axial: [2]float64{40 * rng.NormFloat64(), 40 * rng.NormFloat64()},
				creep: [2]float64{3 * rng.NormFloat64(), 3 * rng.NormFloat64()}, turn: unit.Deg(360 * rng.Float64())}
			m, g := b.pair(0, 0, 10, false, nil)
			s1, _ := m.doubt()
			s2, _ := g.doubt()
			b.noise = math.Hypot(float64(s1), float64(s2))
			imaging, guide := b.sweep(8, flips, rng)
			f, err := FindFlex(b.site, imaging, guide, FlexOptions{Target: "it", At: sky.Direction{RA: 10, Dec: 20}})
			if err != nil {
				t.Fatal(err)
			}
			if math.IsNaN(f.Lateral) {
				continue
			}
			pull := (f.Lateral - b.c[0][0]) / f.LateralSigma
			sum, sum2, n, sigma = sum+pull, sum2+pull*pull, n+1, sigma+f.LateralSigma
		}
		if n < float64(runs)/2 {
			t.Fatalf("flips %v: known in %v of %d runs", flips, n, runs)
		}
		t.Logf("flips %v: pulls mean %.2f spread %.2f, ± %.2f arcsec per g", flips, sum/n, math.Sqrt(sum2/n), sigma/n)
		testkit.Near(t, sum/n, 0, 0.5, "pulls of a right error have no mean")
		testkit.Near(t, math.Sqrt(sum2/n), 0.95, 0.25, "pulls of a right error spread by one")
	}
}

// TestFlexHeld: a run of frames while a star is held, the field turning about it,
// gives the drift of the flexure alone.
func TestFlexHeld(t *testing.T) {
	b := bender{site: testSite(t, 50), c: even(30), turn: 40, offset: [2]float64{2400, 1500}}
	for _, turning := range []float64{0, 0.3} {
		b.drifted = turning // by a polar axis that is off
		var imaging []SolvedFrame
		star := sky.Direction{}
		for i := range 9 {
			// The mount keeps the guide telescope's axis on the star, which stands
			// still among the stars.
			h := unit.Hour(-2 + 0.25*float64(i)*1.0027379)
			m, g := b.pair(unit.Hour(i)/4, h, 20, false, nil)
			if i == 0 {
				star = g.WCS.Ref
			}
			imaging = append(imaging, m)
			// Move the imaging frame so that the guide telescope is on the star.
			o := b.site.At(m.Time)
			a, _ := attitudeOf(o, m.WCS, m.Width, m.Height)
			from, to := seenAt(o, g.WCS.Ref), seenAt(o, star)
			axis := from.cross(to)
			if l := axis.length(); l > 1e-12 {
				a = a.turned(axis.times(1/l), from.apart(to))
			}
			imaging[i] = camera{1, 3000, 2000, false}.frame(o, a, m.File)
			imaging[i].FWHM = 3
		}
		f, err := FindFlexHeld(b.site, imaging, star, FlexOptions{})
		if err != nil {
			t.Fatal(err)
		}
		first, last := sky.GravityAt(50, -2, 20), sky.GravityAt(50, unit.Hour(-2+2*1.0027379), 20)
		want := 30 * math.Hypot(last.East-first.East, last.North-first.North) / 2
		testkit.NearRel(t, f.Drift, want, 0.05, "the change of gravity times the compliance that the frames were made with")
		if f.Verdict != Bends {
			t.Errorf("verdict %s: %s", f.Verdict, f.Why)
		}
		// A trail of 0.712 FWHM draws a star to 0.10.
		worst := 0.0
		for _, o := range f.OnIt {
			worst = math.Max(worst, o.DriftArcsecHr)
		}
		testkit.NearRel(t, float64(f.Longest), 0.712*3/worst*3600, 0.002, "computed with numpy: a trail of 0.712 FWHM makes an ellipticity of 0.10")
	}
}

// TestFlexUnknown: what the frames do not tell is not told.
func TestFlexUnknown(t *testing.T) {
	b := bender{site: testSite(t, 50), c: even(30), turn: 40}
	m1, g1 := b.pair(0, -1, 20, false, nil)
	m2, g2 := b.pair(0.05, -0.95, 20, false, nil)
	f, err := FindFlex(b.site, []SolvedFrame{m1, m2}, []SolvedFrame{g1, g2}, FlexOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsNaN(f.Lateral) || !math.IsNaN(f.Axial) || f.Verdict != FlexUnknown || f.Learned != nil {
		t.Errorf("three minutes tell lateral %v ± %v, axial %v, verdict %s", f.Lateral, f.LateralSigma, f.Axial, f.Verdict)
	}
	if _, err := FindFlex(b.site, []SolvedFrame{m1}, []SolvedFrame{g1}, FlexOptions{}); err == nil || !strings.Contains(err.Error(), "two or more") {
		t.Errorf("one pair: %v", err)
	}
	far, _ := b.pair(0, 5, -20, false, nil)
	if _, err := FindFlex(b.site, []SolvedFrame{m1, m2}, []SolvedFrame{far, far}, FlexOptions{}); err == nil || !strings.Contains(err.Error(), "degrees apart") {
		t.Errorf("frames of different fields: %v", err)
	}
	// Telescopes that hold together are found firm, and nothing is learned.
	b.c = even(1)
	imaging, guide := b.sweep(10, true, rand.New(rand.NewPCG(1, 1)))
	if f, err = FindFlex(b.site, imaging, guide, FlexOptions{}); err != nil {
		t.Fatal(err)
	}
	if f.Verdict != Firm {
		t.Errorf("1 arcsec per g: %s: %s", f.Verdict, f.Why)
	}
}

// TestFlexPressed: joints are ranked, slips told.
func TestFlexPressed(t *testing.T) {
	nan := unit.Unknown[unit.Arcsec]()
	est := func(v, se unit.Arcsec) unit.Est[unit.Arcsec] { return unit.Est[unit.Arcsec]{V: v, SE: se} }
	f, err := FindFlexPressed([]Press{{"rear ring", est(0.4, 0.3), nan}, {"shoe", est(22, 0.3), est(5, 0.3)}, {"nosepiece", est(6, 0.3), est(0.2, 0.3)}})
	if err != nil {
		t.Fatal(err)
	}
	if f.Verdict != Bends || f.Joints[0].Joint != "shoe" || !strings.Contains(f.Joints[0].Says, "slips by 5.0") || !strings.Contains(f.Joints[1].Says, "springs back") || !strings.Contains(f.Joints[2].Says, "firm") {
		t.Errorf("%s: %+v", f.Why, f.Joints)
	}
	if f, _ = FindFlexPressed([]Press{{"shoe", est(0.2, 0.3), nan}}); f.Verdict != Firm {
		t.Errorf("%s: %s", f.Verdict, f.Why)
	}
}
