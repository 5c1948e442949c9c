// Package testkit holds what tests share: a comparison that refuses an
// expectation without a source. Only tests import it.
package testkit

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"holdfast/internal/unit"
)

// Near fails t unless got lies within tol of want. src says where want comes
// from (author, year, title; "closed form: ..."; "from memory"; "common
// practice, no source") and must not be empty. NaN is near nothing.
func Near[U unit.Float](t testing.TB, got, want, tol U, src string) {
	t.Helper()
	if src == "" {
		t.Fatalf("an expectation of %v has no source", want)
	}
	if math.IsNaN(float64(got)) || math.Abs(float64(got)-float64(want)) > float64(tol) {
		t.Errorf("got %.9g, want %.9g ± %.2g (%s)", float64(got), float64(want), float64(tol), src)
	}
}

// NearRel fails t unless got lies within the fraction rel of want; otherwise
// as Near.
func NearRel[U unit.Float](t testing.TB, got, want U, rel float64, src string) {
	t.Helper()
	Near(t, got, want, U(math.Abs(float64(want))*rel), src)
}

// Frames returns the folder of real frames to try things on: HOLDFAST_DATA, or
// shared/data beside the project. Without one the test is skipped by name. The
// frames are open data of other people; they are read here and never copied.
func Frames(t testing.TB) string {
	t.Helper()
	dir := os.Getenv("HOLDFAST_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("%s: 0 frames read: there is no folder of frames; set HOLDFAST_DATA to one", t.Name())
	}
	return dir
}
