package app

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/rehearsal"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
)

// small are entries that make the example's imaging camera small, so that
// frames are drawn quickly.
var small = []string{"imaging.camera.width=1200 px", "imaging.camera.height=900 px"}

// TestRehearse: a night is written as asked, the same for the same seed, read
// back by the other verbs, and never mixed with another.
func TestRehearse(t *testing.T) {
	dir := t.TempDir()
	task := Rehearsal{Task: Task{Rig: "../../examples/larkspur.toml", Set: small, Target: "M27", Date: "2026-08-14", Sub: "20 s", Seed: 5}, Subs: 2, Out: filepath.Join(dir, "a"), Faults: []string{"flexure: 200 arcsec/h"}}
	a, err := task.Rehearse(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Result.Truth.Subs) != 2 || len(a.Result.Truth.Entries) == 0 || len(a.Result.Truth.Faults) != 1 || a.Result.Truth.Faults[0].Cause != "flexure" {
		t.Errorf("truth: %d subs, %d entries, faults %+v", len(a.Result.Truth.Subs), len(a.Result.Truth.Entries), a.Result.Truth.Faults)
	}
	b, err := os.ReadFile(filepath.Join(dir, "a", "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	var back Rehearsing
	if err := json.Unmarshal(b, &back); err != nil || len(back.Truth.Subs) != 2 {
		t.Errorf("truth.json: %v, %d subs", err, len(back.Truth.Subs))
	}
	// The frames measure and solve.
	frames, err := Frames{Files: []string{filepath.Join(dir, "a", "subs")}}.Measure(t.Context())
	if err != nil || len(frames) != 2 {
		t.Fatalf("%d frames, %v", len(frames), err)
	}
	scale := 1.0862
	for i, f := range frames {
		testkit.NearRel(t, float64(f.FWHM)*scale, float64(a.Result.Truth.Subs[i].Star.FWHM), 0.05, "the truth of the night")
	}
	solved, err := Frames{Files: []string{filepath.Join(dir, "a", "subs"), filepath.Join(dir, "a", "guide")}}.Solve(t.Context(), SolveOptions{})
	if err != nil || len(solved) != 4 {
		t.Fatalf("%d frames, %v", len(solved), err)
	}
	for _, s := range solved {
		if !s.Solved {
			t.Errorf("%s: %s", s.File, s.Why)
		}
	}
	// Not twice into one folder; the same seed elsewhere gives the same bytes.
	if _, err := task.Rehearse(t.Context()); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("into a folder that is full: %v", err)
	}
	task.Out, task.Workers = filepath.Join(dir, "b"), 1
	if _, err := task.Rehearse(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"series.csv", "subs/sub-0002.fits", "guide/guide-0001.fits"} {
		x, errX := os.ReadFile(filepath.Join(dir, "a", name))
		y, errY := os.ReadFile(filepath.Join(dir, "b", name))
		if errX != nil || errY != nil || string(x) != string(y) {
			t.Errorf("%s differs between two nights of one seed (%v, %v)", name, errX, errY)
		}
	}
	for _, c := range []struct{ fault, want string }{{"flexure:much", "want a number of arcsec/h"}, {"gremlins:1", "want one of"}, {"flexure:-1", "want 0.1 to"}} {
		task.Out, task.Faults = filepath.Join(dir, "c"), []string{c.fault}
		_, err := task.Rehearse(t.Context())
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("fault %s: %v, want %q", c.fault, err, c.want)
		}
	}
	if _, err := task.Rehearse(t.Context()); err != nil {
		if _, ok := errors.AsType[*UsageError](err); !ok && !strings.Contains(err.Error(), "want 0.1") {
			t.Errorf("a wrong fault is %T", err)
		}
	}
}

// TestTablesAndPixels: a night's tables say what measuring its frames says.
func TestTablesAndPixels(t *testing.T) {
	nights := 30
	if testing.Short() {
		nights = 2
	}
	faults := rehearsal.FaultKinds()
	for i := range nights {
		dir := t.TempDir()
		task := Rehearsal{Task: Task{Rig: "../../examples/larkspur.toml", Set: small, Target: "M27", Date: "2026-08-14", Sub: "40 s", Seed: uint64(i)}, Subs: 1, Out: filepath.Join(dir, "p")}
		if i > 0 {
			k := faults[i%len(faults)]
			amount := math.Sqrt(max(k.Least, 0.02) * k.Most)
			if k.Least == 0 {
				amount = 1
			}
			if k.Kind == "focus" || k.Kind == "calibration" || k.Kind == "jump" {
				amount = k.Least * 4
			}
			task.Faults = []string{k.Kind + ":" + strings.TrimSpace(jsonNumber(amount))}
		}
		if _, err := task.Rehearse(t.Context()); err != nil {
			t.Fatal(err)
		}
		pixels, err := Frames{Files: []string{filepath.Join(dir, "p", "subs")}}.Measure(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		task.Out, task.Tables = filepath.Join(dir, "t"), true
		if _, err := task.Rehearse(t.Context()); err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(filepath.Join(dir, "t", "subs", "sub-0001.csv"))
		if err != nil {
			t.Fatal(err)
		}
		table, notes, err := star.ReadTable("sub", f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		if notes["EXPTIME"] != "40" && notes["EXPTIME"] != "40.0" {
			t.Errorf("the table's exposure is %q", notes["EXPTIME"])
		}
		a, b := pixels[0], table
		src := "the same night in pixels, " + strings.Join(task.Faults, "")
		if math.IsNaN(float64(a.FWHM)) || math.IsNaN(float64(b.FWHM)) || a.Measured < 20 {
			t.Logf("%s: %v px of %d stars in pixels, %v of %d in the table: not compared", src, a.FWHM, a.Measured, b.FWHM, b.Measured)
			continue
		}
		testkit.NearRel(t, float64(b.FWHM), float64(a.FWHM), 0.02, src)
		testkit.Near(t, b.Ellipticity, a.Ellipticity, 0.015, src)
	}
}

// jsonNumber writes a number shortly.
func jsonNumber(v float64) string {
	b, _ := json.Marshal(math.Round(v*1000) / 1000)
	return string(b)
}
