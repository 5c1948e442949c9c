package plan

import (
	"errors"
	"math"
	"testing"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
)

// TestSightTolerance: what drives the limit moves it, and at the limit the
// corner's ellipticity is the goal's.
func TestSightTolerance(t *testing.T) {
	base := set(t, rig.Default(), "sub.length", "300 s", "polar.error", "20 arcmin", "mount.kind", "equatorial")
	tolerance := func(entries ...string) *Tolerance {
		t.Helper()
		got, err := SightTolerance(Request{Rig: set(t, base, entries...), Target: target(t, "M 27"), Evening: evening})
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	turning := tolerance("polar.error", "60 arcmin")
	if turning.Limit != ledger.FieldRotation || !(turning.Offset > 1) || !(turning.Offset < 300) {
		t.Errorf("with a bad polar axis: %v arcmin, limit %q (%s)", float64(turning.Offset), turning.Limit, turning.Why)
	}
	if better := tolerance("polar.error", "30 arcmin"); !(better.Offset > turning.Offset) {
		t.Errorf("half the polar error: %v arcmin, no more than %v", float64(better.Offset), float64(turning.Offset))
	}
	if longer := tolerance("polar.error", "60 arcmin", "sub.length", "600 s"); !(longer.Offset < turning.Offset) {
		t.Errorf("twice the sub: %v arcmin, no less than %v", float64(longer.Offset), float64(turning.Offset))
	}
	low := tolerance("polar.error", "0 arcmin", "sub.length", "3600 s", "site.horizon", "12 deg")
	if low.Limit != ledger.Refraction {
		t.Errorf("an hour at 12 degrees of altitude: limit %q (%s), want refraction", low.Limit, low.Why)
	}
	if free := tolerance("polar.error", "0 arcmin", "sub.length", "10 s"); !math.IsInf(float64(free.Offset), 1) || free.Limit != "" {
		t.Errorf("subs of 10 s: %v arcmin, limit %q (%s); want none", float64(free.Offset), free.Limit, free.Why)
	}
	// The offset that the rig has now plays no part.
	if moved := tolerance("polar.error", "60 arcmin", "guide.offset_east", "1 arcmin"); math.Abs(float64(moved.Offset/turning.Offset)-1) > 0.1 {
		t.Errorf("with an arcminute of offset in the rig: %v arcmin, want about %v", float64(moved.Offset), float64(turning.Offset))
	}
	if _, err := SightTolerance(Request{Rig: set(t, base, "guide.kind", "none"), Target: target(t, "M 27"), Evening: evening}); !errors.Is(err, ErrNoGuide) {
		t.Errorf("without a guide camera: %v, want ErrNoGuide", err)
	}
	if p := tolerance("guide.kind", "pickoff"); !math.IsInf(float64(p.Offset), 1) {
		t.Errorf("a pick-off: %v, want +Inf", float64(p.Offset))
	}
}
