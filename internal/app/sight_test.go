package app

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestSight draws the frames of two telescopes a known angle apart and wants it
// back, with and without a rig.
func TestSight(t *testing.T) {
	dir := t.TempDir()
	at := sky.Direction{RA: 311.3, Dec: 30.7}
	off := sky.NewTangent(at).Direction(unit.Arcmin(90).Deg(), unit.Arcmin(-40).Deg())
	imaging, guide := filepath.Join(dir, "i.fits"), filepath.Join(dir, "g.fits")
	drawSky(t, imaging, at, 4)
	drawSky(t, guide, off, 5)
	task := SightTask{Imaging: imaging, Guide: guide}
	a, err := task.Sight(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	s := a.Result
	testkit.Near(t, float64(s.East), 90, 0.05, "what was drawn")
	testkit.Near(t, float64(s.North), -40, 0.05, "what was drawn")
	testkit.NearRel(t, float64(s.Imaging.Scale), 4, 1e-3, "what was drawn")
	testkit.NearRel(t, float64(s.Guide.Scale), 5, 1e-3, "what was drawn")
	if s.Matters != nil || len(s.Screws) != 0 {
		t.Errorf("without a rig: matters %v, %d screws", s.Matters, len(s.Screws))
	}
	task.Rig, task.Date = "../../examples/larkspur.toml", "2026-08-14"
	if a, err = task.Sight(context.Background()); err != nil {
		t.Fatal(err)
	}
	s = a.Result
	if s.Matters == nil || len(s.Screws) != 6 || len(s.Steps) == 0 {
		t.Fatalf("with a rig: matters %v, %d screws, %d steps: %s", s.Matters, len(s.Screws), len(s.Steps), s.Why)
	}
	sums := map[string]float64{}
	for _, k := range s.Screws {
		sums[k.Ring] += k.Turns
	}
	for ring, sum := range sums {
		testkit.Near(t, sum, 0, 0.02, "three screws at 120 degrees: the advances sum to zero ("+ring+")")
	}
	if s.Steps[0].Turns >= 0 {
		t.Errorf("the first step is %s, want a screw loosened", s.Steps[0].Do)
	}
	task.Tube = "up"
	_, err = task.Sight(context.Background())
	if _, ok := errors.AsType[*UsageError](err); !ok {
		t.Errorf("a tube that is up: %v", err)
	}
}

// drawPatch writes a frame with one round patch of light on noise.
func drawPatch(t *testing.T, path string, x, y, radius float64, cards ...fits.Card) {
	t.Helper()
	const w, h = 800, 600
	r := rand.New(rand.NewPCG(5, 2))
	pixels := make([]uint16, w*h)
	for i := range pixels {
		v := 500 + 9*r.NormFloat64()
		if math.Hypot(float64(i%w)-x, float64(i/w)-y) < radius {
			v += 9000
		}
		pixels[i] = uint16(v)
	}
	writeFrame(t, path, w, h, pixels, cards)
}

// TestSightOnTarget: two frames that cannot be solved but hold the same bright
// patch.
func TestSightOnTarget(t *testing.T) {
	dir := t.TempDir()
	card := func(key string, v any) fits.Card {
		c, err := fits.NewCard(key, v, "")
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	imaging, guide := filepath.Join(dir, "i.fits"), filepath.Join(dir, "g.fits")
	// 1 and 4 arcsec a pixel: 1000 mm with 4.848 um, 250 mm with the same.
	pixel := card("XPIXSZ", 4.8481368)
	drawPatch(t, imaging, 399.5+60, 299.5-120, 30, pixel, card("FOCALLEN", 1000.0))
	drawPatch(t, guide, 399.5-150, 299.5+90, 8, pixel, card("FOCALLEN", 250.0))
	task := SightTask{Imaging: imaging, Guide: guide}
	a, err := task.Sight(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	const src = "what was drawn, +y to the north and +x to the west as the angles are not known"
	// From the imaging axis the target stands 60 arcsec west, 120 south; from the
	// guide axis 600 east, 360 north.
	s := a.Result
	testkit.Near(t, float64(s.East), -(60+600)/60.0, 0.05, src)
	testkit.Near(t, float64(s.North), -(120+360)/60.0, 0.05, src)
	if s.OffsetSigma < 10 {
		t.Errorf("the offset is %v ± %v arcmin with cameras at angles nobody knows", s.Offset, s.OffsetSigma)
	}
	task.Rig, task.Date = "../../examples/larkspur.toml", "2026-08-14"
	if a, err = task.Sight(context.Background()); err != nil {
		t.Fatal(err)
	}
	if len(a.Result.Steps) != 0 || !strings.Contains(a.Result.Why, "too much to name a screw") {
		t.Errorf("with unknown angles: %d steps: %s", len(a.Result.Steps), a.Result.Why)
	}
	task.Set = []string{"imaging.camera.angle=0 ± 1 deg", "guide.camera.angle=0 ± 1 deg"}
	if a, err = task.Sight(context.Background()); err != nil {
		t.Fatal(err)
	}
	if len(a.Result.Steps) == 0 || a.Result.OffsetSigma > 2 {
		t.Errorf("with known angles: %d steps, ± %v arcmin: %s", len(a.Result.Steps), a.Result.OffsetSigma, a.Result.Why)
	}
	// Without a scale it says what is missing.
	drawPatch(t, guide, 249, 389, 8)
	task = SightTask{Imaging: imaging, Guide: guide}
	if _, err = task.Sight(context.Background()); err == nil || !strings.Contains(err.Error(), "scale is not known") {
		t.Errorf("without a scale: %v", err)
	}
	drawPatch(t, guide, 0, 0, 0)
	if _, err = task.Sight(context.Background()); err == nil || !strings.Contains(err.Error(), "no bright target") {
		t.Errorf("without a target: %v", err)
	}
}
