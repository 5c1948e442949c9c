package mech

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestTiltPerTurn(t *testing.T) {
	for _, tt := range []struct {
		pitch, apart unit.MM
		deg          unit.Deg
		arcmin       unit.Arcmin
		tenDegrees   unit.Arcsec
	}{
		{0.7, 100, 0.401064, 24.0638, 40.1064},
		{0.7, 60, 0.66842, 40.1052, 66.842},
		{0.5, 100, 0.286477, 17.1886, 28.6477},
		{0.8, 120, 0.381966, 22.918, 38.1966},
		{1, 100, 0.572939, 34.3763, 57.2939},
	} {
		got := TiltPerTurn(tt.pitch, tt.apart)
		src := "computed with numpy: atan(p/L)"
		testkit.NearRel(t, got, tt.deg, 5e-6, src)
		testkit.NearRel(t, got.Arcmin(), tt.arcmin, 5e-6, src)
		testkit.NearRel(t, got.Arcsec()/36, tt.tenDegrees, 5e-6, src)
		testkit.NearRel(t, float64(got.Rad()), float64(tt.pitch/tt.apart), 1e-4, "limit: p/L")
	}
}

// three is the usual ring: top, lower left, lower right.
func three(front bool) Ring {
	return Ring{Front: front, Apart: 100, Pitch: 0.7, Angles: []unit.Deg{90, 210, 330}, Travel: 3}
}

func TestAdvances(t *testing.T) {
	a := three(true).Advances(0, -0.35)
	sum := unit.MM(0)
	for i, want := range []unit.MM{0.35, -0.175, -0.175} {
		testkit.Near(t, a[i], want, 1e-12, "computed with numpy: -u.n")
		testkit.Near(t, float64(a[i]/0.7), []float64{0.5, -0.25, -0.25}[i], 1e-12, "computed with numpy: turns of 0.7 mm")
		sum += a[i]
	}
	testkit.Near(t, sum, 0, 1e-12, "closed form: three even screws sum to zero")
	r := three(true)
	r.TubeRadius = 25
	testkit.NearRel(t, r.Advances(0, -0.35)[1], -0.173162, 3e-6, "computed with numpy: screw line meets a circle of 25 mm")
}

func TestAdvise(t *testing.T) {
	got, err := three(true).Advise(9, 6)
	if err != nil {
		t.Fatal(err)
	}
	src := "computed with numpy: 9 arcmin right, 6 up, front ring, 100 mm, 0.7 mm"
	testkit.NearRel(t, got.X, 0.261799, 2e-6, src)
	testkit.NearRel(t, got.Y, 0.174533, 2e-6, src)
	for i, want := range []float64{-0.249333, 0.448559, -0.199226} {
		testkit.NearRel(t, got.Turns[i], want, 3e-6, src)
	}
	testkit.Near(t, got.Share, 1, 0, "within the travel")
	rear, err := three(false).Advise(9, 6)
	if err != nil {
		t.Fatal(err)
	}
	for i := range rear.Turns {
		testkit.Near(t, rear.Turns[i], -got.Turns[i], 1e-12, "symmetry: the rear ring moves the other way")
	}
	// Out first, then in.
	if len(got.Steps) != 3 || got.Steps[0].Screw != 0 || got.Steps[1].Screw != 2 || got.Steps[2].Screw != 1 {
		t.Errorf("steps %v, want out at 0, out at 2, in at 1", got.Steps)
	}
	none, err := three(true).Advise(0, 0)
	if err != nil || len(none.Steps) != 0 {
		t.Errorf("nothing to do: %+v, %v", none, err)
	}
}

// Whatever is asked, the steps add up, loosen first, hold the tube and keep
// within the travel; and the tube ends where it should point.
func TestAdviseAlways(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for n := range 500 {
		r := Ring{Front: n%2 == 0, Apart: unit.MM(50 + 100*rng.Float64()), Pitch: 0.7, Travel: unit.MM(0.3 + 3*rng.Float64())}
		if n%3 == 0 {
			r.TubeRadius = unit.MM(25 + 20*rng.Float64())
		}
		screws := 3 + rng.IntN(3)
		for i := range screws {
			r.Angles = append(r.Angles, unit.Deg(360/float64(screws)*(float64(i)+0.5*rng.Float64())))
		}
		right, up := unit.Arcmin(60*rng.NormFloat64()), unit.Arcmin(60*rng.NormFloat64())
		a, err := r.Advise(right, up)
		if err != nil {
			t.Fatalf("%+v: %v", r, err)
		}
		total := make([]float64, screws)
		for i, s := range a.Steps {
			total[s.Screw] += s.Turns
			if math.Abs(s.Turns) > 0.5+1e-9 {
				t.Fatalf("%+v: step %v exceeds half a turn", a, s)
			}
			if i > 0 && s.Turns < 0 && a.Steps[i-1].Turns > 0 {
				// A new round: the one before must be complete.
				for k := range total {
					done := total[k]
					if k == s.Screw {
						done -= s.Turns
					}
					if math.Abs(done/a.Turns[k]-total[a.Steps[i-1].Screw]/a.Turns[a.Steps[i-1].Screw]) > 1e-9 && math.Abs(a.Turns[k]) > 1.0/720 {
						t.Fatalf("%+v: a round begins before the last is done", a)
					}
				}
			}
		}
		out := 0
		for k, turns := range a.Turns {
			if math.Abs(turns) > 1.0/720 {
				testkit.Near(t, total[k], turns, 1e-9, "the steps add up")
			}
			if math.Abs(turns)*0.7 > float64(r.Travel)*(1+1e-9) {
				t.Fatalf("screw %d turns %v, beyond the travel %v mm", k, turns, r.Travel)
			}
			if turns < 0 {
				out++
			}
		}
		if out == screws {
			t.Fatalf("%+v: all screws are loosened", a)
		}
		lever := float64(r.Apart)
		if !r.Front {
			lever = -lever
		}
		testkit.Near(t, float64(a.X), a.Share*float64(right.Rad())*lever, 1e-9, "closed form: tilt times distance")
		testkit.Near(t, float64(a.Y), a.Share*float64(up.Rad())*lever, 1e-9, "closed form: tilt times distance")
	}
}

func TestAdviseTravel(t *testing.T) {
	r := three(true)
	r.Travel = 0.35
	a, err := r.Advise(0, 60)
	if err != nil {
		t.Fatal(err)
	}
	testkit.NearRel(t, a.Turns[0], -0.5, 1e-9, "closed form: top screw at its travel of half a turn")
	testkit.NearRel(t, a.Share, 0.35/(100*math.Pi/180), 1e-9, "closed form: travel over the wanted 1.745 mm")
}

func TestAdviseRefuses(t *testing.T) {
	for _, tt := range []struct {
		change func(*Ring)
		want   string
	}{
		{func(r *Ring) { r.Apart = 0 }, "rings 0 mm apart"},
		{func(r *Ring) { r.Pitch = 0 }, "screw pitch 0 mm"},
		{func(r *Ring) { r.Travel = 0 }, "travel 0 mm"},
		{func(r *Ring) { r.Angles = r.Angles[:2] }, "2 screws"},
		{func(r *Ring) { r.Angles = []unit.Deg{0, 60, 120} }, "gap of 240 degrees"},
		{func(r *Ring) { r.Angles = []unit.Deg{0, 180}; r.Sprung = true }, "in line"},
		{func(r *Ring) { r.Angles[1] = unit.Deg(math.NaN()) }, "NaN"},
		{func(r *Ring) { r.Travel, r.TubeRadius = 80, 1 }, "beyond its own radius"},
	} {
		r := three(true)
		tt.change(&r)
		_, err := r.Advise(60, 60)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: error %v, want one with %q", r, err, tt.want)
		}
	}
	if _, err := three(true).Advise(unit.Arcmin(math.NaN()), 0); err == nil {
		t.Error("an unknown change was accepted")
	}
	sprung := Ring{Apart: 100, Pitch: 0.7, Angles: []unit.Deg{30, 150}, Travel: 3, Sprung: true}
	if _, err := sprung.Advise(5, 5); err != nil {
		t.Errorf("two screws against a spring: %v", err)
	}
}

func TestRightUp(t *testing.T) {
	// Zenith 39.6761 degrees east of north: latitude 45, hour angle 30 west, declination 22.
	right, up := RightUp(0, 1, 39.6761)
	testkit.NearRel(t, up, 0.769666, 2e-6, "computed with numpy: north component of up is cos q")
	testkit.Near(t, right, unit.Arcmin(math.Sin(39.6761*math.Pi/180)), 1e-9, "closed form: sin q")
	// A camera angle wrong by a degree misplaces an offset of 20 arcmin.
	r1, u1 := RightUp(20, 0, 1)
	r0, u0 := RightUp(20, 0, 0)
	testkit.NearRel(t, unit.Arcmin(math.Hypot(float64(r1-r0), float64(u1-u0))).Arcsec(), 20.944, 2e-5, "computed with numpy: 20 arcmin times a degree")
	right, up = RightUp(1, 0, 0)
	testkit.Near(t, right, -1, 1e-12, "north up, east is left")
	testkit.Near(t, up, 0, 1e-12, "north up, east is level")
}
