package app

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

func TestTonight(t *testing.T) {
	at := func(s string) time.Time {
		v, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, tt := range []struct {
		now  string
		lon  unit.Deg
		want string
	}{
		{"2026-08-14T20:00:00Z", 0, "2026-08-14"},    // evening in Greenwich
		{"2026-08-15T03:00:00Z", 0, "2026-08-14"},    // the same night
		{"2026-08-15T11:59:00Z", 0, "2026-08-14"},    // just before noon
		{"2026-08-15T12:01:00Z", 0, "2026-08-15"},    // the next one
		{"2026-08-15T05:00:00Z", -109, "2026-08-14"}, // evening in the west
		{"2026-08-14T12:00:00Z", 149, "2026-08-14"},  // evening in the east
		{"2026-08-14T00:00:00Z", 149, "2026-08-13"},  // morning there
	} {
		if got := Tonight(at(tt.now), tt.lon).Format(time.DateOnly); got != tt.want {
			t.Errorf("%s at %v degrees: %s, want %s", tt.now, float64(tt.lon), got, tt.want)
		}
	}
}

func TestParseAxis(t *testing.T) {
	a, err := ParseAxis("imaging.focal=200 mm:3.2 m:5")
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{200, 400, 800, 1600, 3200}
	if a.Entry != "imaging.focal" || len(a.Values) != 5 {
		t.Fatalf("%+v", a)
	}
	for i, v := range a.Values {
		if math.Abs(v/want[i]-1) > 1e-3 {
			t.Errorf("value %d is %v, want %v: ends a factor of 16 apart are spaced by ratio", i, v, want[i])
		}
	}
	if a, err = ParseAxis("site.seeing=2 arcsec:4 arcsec:3"); err != nil || a.Values[1] != 3 {
		t.Errorf("%+v, %v: want 2, 3, 4", a, err)
	}
	for _, bad := range []string{"", "site.seeing", "site.seeing=2 arcsec", "site.seeing=2:4", "site.seeing=2 arcsec:2 arcsec", "site.seeing=2 arcsec:400 arcsec",
		"site.seeing=1 arcsec:2 arcsec:1", "site.seeing=1 arcsec:2 arcsec:x", "mount.kind=1:2", "no.such=1:2", "site.seeing=1 arcsec:2 arcsec:3:4"} {
		if _, err := ParseAxis(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

// TestLoad: what a file lacks and what a flag has wrong are told apart.
func TestLoad(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "rig.toml")
	if err := os.WriteFile(file, []byte("name = \"x\"\n[imaging]\nfocal = \"700 mm\"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	r, err := Task{Rig: file, Set: []string{"imaging.focal = 800 mm"}}.Load()
	if err != nil || r.Imaging.Focal.V != 800 {
		t.Errorf("focal %v, %v: want 800", r, err)
	}
	_, err = Task{Rig: file, Set: []string{"imaging.focal=800"}}.Load()
	if _, ok := errors.AsType[*UsageError](err); !ok {
		t.Errorf("a bad flag is %T: %v", err, err)
	}
	_, err = Task{Rig: filepath.Join(dir, "none.toml")}.Load()
	if _, ok := errors.AsType[*UsageError](err); ok || err == nil {
		t.Errorf("a missing file is %T: %v", err, err)
	}
	if err := os.WriteFile(file, []byte("[imaging]\nfocal = \"700\"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	_, err = Task{Rig: file}.Load()
	if _, ok := errors.AsType[*rig.Errors](err); !ok {
		t.Errorf("a bad file is %T: %v", err, err)
	}
}

// TestAssumedTarget: a target and a date that nobody gave are reported first.
func TestAssumedTarget(t *testing.T) {
	a, err := Task{Rig: "../../examples/larkspur.toml", Now: time.Date(2026, 8, 15, 4, 0, 0, 0, time.UTC), Samples: 8}.Plan(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Assumed) < 2 || a.Assumed[0].Entry != "target" || a.Assumed[1].Entry != "date" || a.Assumed[1].Value != "2026-08-14" {
		t.Errorf("assumed: %+v", a.Assumed[:2])
	}
	if a.Result.Target.Name != a.Assumed[0].Value {
		t.Errorf("the target is %s, reported as %s", a.Result.Target.Name, a.Assumed[0].Value)
	}
}

// TestNeverUp keeps its cause.
func TestNeverUp(t *testing.T) {
	_, err := Task{Rig: "../../examples/larkspur.toml", Target: "NGC 104", Date: "2026-08-14"}.Plan(context.Background())
	if !errors.Is(err, plan.ErrNeverUp) {
		t.Errorf("%v does not wrap ErrNeverUp", err)
	}
}

// TestWriteFile writes whole files or none.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "a.svg")
	for _, text := range []string{"one", "another"} {
		if err := WriteFile(name, []byte(text)); err != nil {
			t.Fatal(err)
		}
		if b, _ := os.ReadFile(name); string(b) != text {
			t.Errorf("%q, want %q", b, text)
		}
	}
	if err := WriteFile(filepath.Join(dir, "no", "such", "folder"), nil); err == nil {
		t.Error("a folder that is not there is written to")
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestStarter: every kind of starter makes a rig that reads back the same.
func TestStarter(t *testing.T) {
	names, docs := Kinds()
	if len(names) == 0 || len(names) != len(docs) {
		t.Fatalf("%d kinds, %d descriptions", len(names), len(docs))
	}
	for _, k := range names {
		file := filepath.Join(t.TempDir(), "rig.toml")
		st := Starter{File: file, Kind: k}
		choices, err := st.Choices()
		if err != nil {
			t.Fatal(err)
		}
		made, err := st.Write(choices, nil)
		if err != nil {
			t.Fatalf("%s: %v", k, err)
		}
		read, err := Task{Rig: file}.Load()
		if err != nil {
			t.Fatalf("%s: %v", k, err)
		}
		if made.Hash() != read.Hash() {
			t.Errorf("%s: the rig reads back as another", k)
		}
		if err := st.Free(); err == nil {
			t.Errorf("%s: a file that is there may be written over", k)
		}
	}
}

// TestAsk answers the questions, one of them wrongly at first.
func TestAsk(t *testing.T) {
	choices := map[string]string{}
	var out strings.Builder
	in := strings.NewReader(strings.Repeat("\n", 40))
	if err := Ask(in, &out, choices); err != nil {
		t.Fatal(err)
	}
	if out.Len() == 0 {
		t.Error("nothing is asked")
	}
	if err := Ask(strings.NewReader(""), &out, map[string]string{}); err == nil {
		t.Error("no answers are taken for answers")
	}
}
