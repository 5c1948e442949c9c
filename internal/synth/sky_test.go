package synth

import (
	"math"
	"testing"

	"holdfast/internal/catalog"
	"holdfast/internal/detector"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestField: places and directions are each other's inverse, and the axes run
// as the field says.
func TestField(t *testing.T) {
	for _, f := range []Field{
		{Width: 1000, Height: 600, Centre: sky.Direction{RA: 40, Dec: 60}, Scale: 2},
		{Width: 1000, Height: 600, Centre: sky.Direction{RA: 359.9, Dec: -20}, Scale: 2, Angle: 130},
		{Width: 1000, Height: 600, Centre: sky.Direction{RA: 40, Dec: 60}, Scale: 2, Angle: 250, Mirrored: true},
	} {
		for _, p := range [][2]unit.Px{{0, 0}, {999, 0}, {400, 500}} {
			x, y := f.Pixel(f.Direction(p[0], p[1]))
			testkit.Near(t, x, p[0], 1e-6, "there and back")
			testkit.Near(t, y, p[1], 1e-6, "there and back")
		}
		cx, cy := f.Middle()
		up := sky.PositionAngle(f.Centre, f.Direction(cx, cy+100))
		testkit.Near(t, math.Remainder(float64(up-f.Angle), 360), 0, 0.01, "definition: Angle is the position angle of +y")
		right := sky.PositionAngle(f.Centre, f.Direction(cx+100, cy))
		want := f.Angle - 90
		if f.Mirrored {
			want = f.Angle + 90
		}
		testkit.Near(t, math.Remainder(float64(right-want), 360), 0, 0.01, "definition: +x is a right angle from +y, toward west unless mirrored")
		testkit.Near(t, sky.Separation(f.Centre, f.Direction(cx, cy+100)).Arcsec(), 200, 0.01, "definition of the scale")
		e, n := f.Offset(cx, cy+100)
		testkit.Near(t, unit.Arcsec(math.Hypot(float64(e), float64(n))), 200, 1e-6, "definition of the scale")
	}
}

// TestLights: the catalogue's stars are there, the fainter ones are as many as
// the counts say, and neither moves with the centre or the radius.
func TestLights(t *testing.T) {
	for _, centre := range []sky.Direction{{RA: 30, Dec: 40}, {RA: 0.2, Dec: -5}, {RA: 100, Dec: 88.5}} {
		const radius = 1.5
		all, err := Lights(centre, radius, 15, 1)
		if err != nil {
			t.Fatal(err)
		}
		ids := map[uint64]Light{}
		for _, l := range all {
			if _, twice := ids[l.ID]; twice {
				t.Fatalf("two stars have the number %x", l.ID)
			}
			ids[l.ID] = l
		}
		listed := catalog.Cone(nil, centre.RA, centre.Dec, radius, 15)
		if len(all) <= len(listed) {
			t.Fatalf("%d stars, of which the catalogue has %d", len(all), len(listed))
		}
		counts := catalog.Around(centre.RA, centre.Dec, radius)
		area := 2 * math.Pi * (1 - math.Cos(radius*math.Pi/180)) * (180 / math.Pi) * (180 / math.Pi)
		n := 0.0
		for _, l := range all {
			if l.V+catalog.VTMinusV(0.7) > 12.5 {
				n++
			}
		}
		want := (counts.Density(15) - counts.Density(12.5)) * area
		testkit.NearRel(t, n, want, 0.15+4/math.Sqrt(want), "counts about the place; they vary from cell to cell")

		moved := sky.Direction{RA: centre.RA + 0.3, Dec: centre.Dec - 0.2}
		part, err := Lights(moved, 0.7, 14, 1)
		if err != nil {
			t.Fatal(err)
		}
		have := map[uint64]bool{}
		for _, l := range part {
			have[l.ID] = true
			if ids[l.ID] != l && sky.Separation(l.Direction, centre) < radius {
				t.Fatalf("the star %+v is not among those of the larger field", l)
			}
		}
		for _, l := range all {
			if sky.Separation(l.Direction, moved) < 0.699 && l.V < 13.8 && !have[l.ID] {
				t.Fatalf("the star %+v is not among those of the smaller field", l)
			}
		}
		other, err := Lights(centre, radius, 15, 2)
		if err != nil {
			t.Fatal(err)
		}
		same := 0
		for _, l := range other {
			if _, ok := ids[l.ID]; ok {
				same++
			}
		}
		if same != len(listed) {
			t.Errorf("another seed has %d stars in common, want the catalogue's %d", same, len(listed))
		}
	}
	for _, bad := range []struct {
		at       sky.Direction
		radius   unit.Deg
		faintest unit.Mag
	}{{sky.Direction{Dec: 91}, 1, 10}, {sky.Direction{}, 21, 10}, {sky.Direction{}, 1, 17}, {sky.Direction{}, unit.Deg(math.NaN()), 10}} {
		if _, err := Lights(bad.at, bad.radius, bad.faintest, 0); err == nil {
			t.Errorf("%+v gives stars", bad)
		}
	}
}

// TestPlace: a star falls where its direction does and is as bright as the
// telescope makes it; what lies outside the margin is left out.
func TestPlace(t *testing.T) {
	f := plate(500, 400)
	c := detector.Collector{Aperture: 100, Transmission: 0.9, ZeroPointElectronPerSCm2: 3e6}
	lights := []Light{{f.Direction(120, 250), 9, 5}, {f.Direction(-30, 40), 8, 6}, {f.Direction(-60, 40), 8, 7}}
	got := f.Place(lights, c, 0.3, 40)
	if len(got) != 2 || got[0].ID != 5 || got[1].ID != 6 {
		t.Fatalf("got %+v, want the first two", got)
	}
	testkit.Near(t, got[0].X, 120, 1e-6, "where it was put")
	testkit.Near(t, got[0].Y, 250, 1e-6, "where it was put")
	testkit.NearRel(t, got[0].ElectronPerS, c.Star(9.3), 1e-12, "Collector.Star")
}
