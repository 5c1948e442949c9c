package fitting

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/mech"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// rings is a bracket of two rings of three M4 screws, 100 mm apart.
func rings(t testing.TB, up unit.Deg) *Bracket {
	t.Helper()
	b, err := NewBracket(rig.Default(), up, "", ScrewTravel)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range []*mech.Ring{&b.Front, &b.Rear} {
		r.Apart, r.Pitch, r.Angles = 100, 0.7, []unit.Deg{90, 210, 330}
	}
	return b
}

var nowhere = SightOptions{Parallactic: unit.Deg(math.NaN()), Tolerance: unit.Arcmin(math.NaN())}

func TestSightSolved(t *testing.T) {
	imaging := Pose{Centre: sky.Direction{RA: 83.6, Dec: 22}, Scale: 1.2, Rotation: -10}
	guide := Pose{Centre: sky.Direction{RA: 84.1, Dec: 22.3}, Scale: 4.8, Rotation: 95, Mirrored: true}
	opt := nowhere
	opt.Parallactic, opt.Tolerance = 0, 30
	s, err := SightSolved(imaging, guide, opt)
	if err != nil {
		t.Fatal(err)
	}
	const src = "gnomonic projection, computed with astropy: guide 84.1 +22.3 about 83.6 +22.0"
	testkit.Near(t, s.East, 27.7572, 1e-3, src)
	testkit.Near(t, s.North, 18.0461, 1e-3, src)
	testkit.Near(t, s.Offset, 33.1075, 2e-3, "hypotenuse of the two")
	testkit.Near(t, s.Right, -27.7572, 1e-3, "closed form: with north up, east is left")
	testkit.Near(t, s.Up, 18.0461, 1e-3, "closed form: with north up, north is up")
	if s.Matters == nil || !*s.Matters || s.Screws != nil {
		t.Errorf("33 arcmin where 30 are borne: matters %v, screws %v", s.Matters, s.Screws)
	}
	if s.Imaging.Rotation != 350 || s.Imaging.Mirrored || !s.Guide.Mirrored || !strings.Contains(s.Guide.Says, "mirrored") {
		t.Errorf("orientations %+v, %+v", s.Imaging, s.Guide)
	}
	opt.Tolerance = unit.Arcmin(math.Inf(1))
	if s, _ = SightSolved(imaging, guide, opt); s.Matters == nil || *s.Matters {
		t.Error("an offset that is borne without limit matters")
	}
	if s, _ = SightSolved(imaging, guide, nowhere); s.Matters != nil || !math.IsNaN(float64(s.Right)) {
		t.Error("without a tolerance it is known whether it matters")
	}
	guide.Centre = sky.Direction{RA: 263.6, Dec: -22}
	if _, err := SightSolved(imaging, guide, nowhere); err == nil {
		t.Error("telescopes that point apart by half the sky are no error")
	}
}

// TestSightOnTarget: a target on both frames gives the offset that solved frames
// would, whatever the cameras' angles and mirrors.
func TestSightOnTarget(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	on := func(axis, target sky.Direction, scale unit.Scale, turn unit.Deg, mirrored bool) Spotted {
		xi, eta := sky.NewTangent(axis).Project(target)
		e, n := float64(xi.Arcsec()), float64(eta.Arcsec())
		sin, cos := math.Sincos(float64(turn.Rad()))
		x, y := -e*cos+n*sin, e*sin+n*cos
		if mirrored {
			x = -x
		}
		return Spotted{X: scale.Px(unit.Arcsec(x)) + 499.5, Y: scale.Px(unit.Arcsec(y)) + 399.5, Width: 1000, Height: 800, Scale: scale, Rotation: unit.Exact(turn), Mirrored: mirrored}
	}
	for range 200 {
		dec := unit.Deg(70 * (2*rng.Float64() - 1))
		near := func() sky.Direction {
			return sky.Direction{RA: 120 + unit.Deg((rng.Float64()-0.5)/math.Cos(float64(dec.Rad()))), Dec: dec + unit.Deg(rng.Float64()-0.5)}
		}
		axis, guide, target := near(), near(), near()
		a := on(axis, target, 1.5, unit.Deg(360*rng.Float64()), rng.IntN(2) == 0)
		b := on(guide, target, 5, unit.Deg(360*rng.Float64()), rng.IntN(2) == 0)
		got, err := SightOnTarget(a, b, nowhere)
		if err != nil {
			t.Fatal(err)
		}
		want, err := SightSolved(Pose{Centre: axis}, Pose{Centre: guide}, nowhere)
		if err != nil {
			t.Fatal(err)
		}
		// North turns from one axis to the other by their difference in right
		// ascension times sin dec: an arcminute or so in all.
		const src = "the same from the directions; meridians converge between them"
		tol := unit.Arcmin(0.05 + 0.03*math.Abs(math.Tan(float64(dec.Rad())))*float64(want.Offset))
		testkit.Near(t, got.East, want.East, tol, src)
		testkit.Near(t, got.North, want.North, tol, src)
	}
	// A camera whose angle is not known names no screw, unless the target
	// stands in its middle.
	opt := nowhere
	opt.Bracket = rings(t, 0)
	a := Spotted{X: 499.5, Y: 399.5, Width: 1000, Height: 800, Scale: 1, Rotation: unit.Exact(unit.Deg(0))}
	b := Spotted{X: 800, Y: 399.5, Width: 1000, Height: 800, Scale: 5, Rotation: unit.Unknown[unit.Deg]()}
	s, err := SightOnTarget(a, b, opt)
	if err != nil || s.Screws != nil || !strings.Contains(s.Why, "too much to name a screw") {
		t.Errorf("an unknown angle: screws %v, %s (%v)", s.Screws, s.Why, err)
	}
	a.X, a.Scale, b.X = 900, 2, 500
	if s, err = SightOnTarget(a, b, opt); err != nil || s.Screws == nil {
		t.Errorf("a target in the middle of the guide frame: %s (%v)", s.Why, err)
	}
}

func TestScrews(t *testing.T) {
	// To point 9 arcmin right and 6 up by the front ring alone, the screws turn as
	// below; the guide telescope then points 9 left and 6 down now. With up
	// at position angle 0, right is west.
	opt := nowhere
	opt.Bracket = rings(t, 0)
	base := sky.Direction{RA: 100, Dec: 0}
	at := func(east, north unit.Arcmin) Pose {
		return Pose{Centre: sky.NewTangent(base).Direction(east.Deg(), north.Deg())}
	}
	s, err := SightSolved(Pose{Centre: base}, at(9, -6), opt)
	if err != nil {
		t.Fatal(err)
	}
	const src = "computed with numpy: point 9 arcmin right and 6 up, front ring, rings 100 mm apart, pitch 0.7 mm"
	for i, want := range []float64{-0.249333, 0.448559, -0.199226} {
		testkit.Near(t, s.Screws[i].Turns, want, 1e-4, src)
		if s.Screws[i+3].Turns != 0 || s.Screws[i+3].Ring != "rear" {
			t.Errorf("rear screw %d: %+v; a small offset is the front ring's alone", i, s.Screws[i+3])
		}
	}
	if s.Screws[0].At != "top" || s.Screws[1].At != "lower left" || s.Screws[2].At != "lower right" {
		t.Errorf("the screws sit at %s, %s, %s", s.Screws[0].At, s.Screws[1].At, s.Screws[2].At)
	}
	if s.Reaches != 1 || s.Left != 0 {
		t.Errorf("reaches %v, leaves %v", s.Reaches, s.Left)
	}
	// In any direction: loosen before tightening, in each ring one screw at least
	// is never out by more than it was, and no screw beyond its travel.
	for pa := 0.0; pa < 360; pa += 7 {
		for _, off := range []float64{5, 40, 90, 400} {
			sin, cos := math.Sincos(pa * math.Pi / 180)
			s, err := SightSolved(Pose{Centre: base}, at(unit.Arcmin(off*sin), unit.Arcmin(off*cos)), opt)
			if err != nil {
				t.Fatal(err)
			}
			total := map[string][]float64{"front": make([]float64, 3), "rear": make([]float64, 3)}
			for _, step := range s.Steps {
				v := total[step.Ring]
				v[step.Screw-1] += step.Turns
				if math.Abs(step.Turns) > 0.5+1e-9 {
					t.Errorf("a step of %v turns", step.Turns)
				}
				if want := map[bool]string{true: "loosen", false: "turn"}[step.Turns < 0]; !strings.Contains(step.Do, want) {
					t.Errorf("%v turns: %s", step.Turns, step.Do)
				}
				loose := 0
				for _, x := range v {
					if x < -1e-9 {
						loose++
					}
				}
				if loose == 3 {
					t.Fatalf("all screws of the %s ring are loose at %v arcmin, position angle %v", step.Ring, off, pa)
				}
			}
			for _, w := range s.Screws {
				testkit.Near(t, total[w.Ring][w.Screw-1], w.Turns, 0.01, "the steps add up to the screw's turns")
				if math.Abs(w.Turns)*0.7 > float64(ScrewTravel)*(1+1e-9) {
					t.Errorf("a screw of %v mm of travel turns %v", float64(ScrewTravel), w.Turns)
				}
			}
			if off == 400 && (s.Reaches > 0.9 || !strings.Contains(s.Why, "shim") || math.Abs(float64(s.Left)-400*(1-s.Reaches)) > 3) {
				t.Errorf("400 arcmin: reaches %v, leaves %v: %s", s.Reaches, float64(s.Left), s.Why)
			}
		}
	}
	if _, err := NewBracket(mustSet(t, "guide.kind", "none"), 0, "", 3); err == nil {
		t.Error("a rig without a guide telescope has a bracket")
	}
	if b, err := NewBracket(mustSet(t, "guide.shoe.screws", "2", "guide.shoe.kind", "o-ring-bracket"), 0, "", 3); err != nil || !b.Front.Sprung {
		t.Errorf("two screws against a ring of rubber: %v", err)
	}
}

func mustSet(t testing.TB, entries ...string) *rig.Rig {
	t.Helper()
	r := rig.Default()
	for i := 0; i < len(entries); i += 2 {
		next, err := r.With(entries[i], entries[i+1])
		if err != nil {
			t.Fatal(err)
		}
		r = next
	}
	return r
}

// tube is a tube of true radius held by two rings of pointed screws, as a
// hand finds it.
type tube struct {
	radius float64
	screws [2][3]float64 // advances, mm; front and rear
	apart  float64
	upIs   unit.Deg // true position angle of the rings' up
	start  sky.Shift
	angles []unit.Deg
}

// centre returns where the ring's screws hold the tube's middle: the least
// squares of the three contacts, found by Newton's method.
func (u *tube) centre(ring int) (x, y float64) {
	for range 30 {
		var a, b, c, f, g float64
		for i, angle := range u.angles {
			sin, cos := math.Sincos(float64(angle.Rad()))
			// The tip of the screw; the tube touches it where its distance from the
			// middle is the radius.
			tip := u.radius - u.screws[ring][i]
			dx, dy := tip*cos-x, tip*sin-y
			d := math.Hypot(dx, dy)
			r, jx, jy := d-u.radius, -dx/d, -dy/d
			a, b, c = a+jx*jx, b+jx*jy, c+jy*jy
			f, g = f+jx*r, g+jy*r
		}
		det := a*c - b*b
		x, y = x-(c*f-b*g)/det, y-(a*g-b*f)/det
	}
	return x, y
}

// points returns where the tube points on the sky, from the imaging axis.
func (u *tube) points() sky.Shift {
	fx, fy := u.centre(0)
	rx, ry := u.centre(1)
	right := math.Atan((fx-rx)/u.apart) * unit.ArcsecPerRad
	up := math.Atan((fy-ry)/u.apart) * unit.ArcsecPerRad
	sin, cos := math.Sincos(float64(u.upIs.Rad()))
	return sky.Shift{East: u.start.East + unit.Arcsec(-right*cos+up*sin), North: u.start.North + unit.Arcsec(right*sin+up*cos)}
}

// TestSightCloses: 40 arcmin come to under 1 in two rounds for a hand that turns
// to a twelfth of a turn's tenth and a bracket that sits some degrees from where
// it is said to.
func TestSightCloses(t *testing.T) {
	rng := rand.New(rand.NewPCG(40, 1))
	base := sky.Direction{RA: 250, Dec: 41}
	plane := sky.NewTangent(base)
	runs := 300
	late := 0
	for range runs {
		pa := 2 * math.Pi * rng.Float64()
		sin, cos := math.Sincos(pa)
		u := &tube{radius: 30, apart: 100, upIs: unit.Deg(360 * rng.Float64()), angles: []unit.Deg{90, 210, 330},
			start: sky.Shift{East: unit.Arcsec(2400 * sin), North: unit.Arcsec(2400 * cos)}}
		opt := nowhere
		opt.Bracket = rings(t, u.upIs+unit.Deg(2*rng.NormFloat64()))
		for range 2 {
			p := u.points()
			noise := func() unit.Arcsec { return unit.Arcsec(2 * rng.NormFloat64()) }
			guide := Pose{Centre: plane.Direction((p.East + noise()).Deg(), (p.North + noise()).Deg())}
			s, err := SightSolved(Pose{Centre: base}, guide, opt)
			if err != nil {
				t.Fatal(err)
			}
			ring := map[string]int{"front": 0, "rear": 1}
			for _, step := range s.Steps {
				u.screws[ring[step.Ring]][step.Screw-1] += 0.7 * (step.Turns*(1+0.02*rng.NormFloat64()) + rng.NormFloat64()/180)
			}
		}
		p := u.points()
		if off := math.Hypot(float64(p.East), float64(p.North)) / 60; off >= 1 {
			late++
			t.Logf("%.2f arcmin left", off)
		}
	}
	if late > runs/50 {
		t.Errorf("%d of %d brackets are not within an arcminute after two rounds", late, runs)
	}
}

func TestRidesUp(t *testing.T) {
	// The declination axis of an equatorial mount is square to the pole and to
	// where the tube points; the tube sits at its end.
	const src = "closed form: cross product of pole and direction"
	testkit.Near(t, RidesUp(rig.Equatorial, true, 33), 270, 0, src)
	testkit.Near(t, RidesUp(rig.Equatorial, false, 33), 90, 0, src)
	testkit.Near(t, RidesUp(rig.AltAzimuth, false, -30), 330, 1e-12, "closed form: the zenith's position angle")
	testkit.Near(t, RidesUp(rig.ForkWedge, false, -30), 0, 0, "common practice, no source")
}
