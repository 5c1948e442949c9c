package app

import (
	"context"
	"errors"
	"path/filepath"
	"testing"

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
