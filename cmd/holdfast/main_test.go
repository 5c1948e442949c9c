package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"holdfast": main})
}

// TestScripts runs the scripts of testdata/script: what a person types, and
// what comes back.
func TestScripts(t *testing.T) {
	examples, err := filepath.Abs("../../examples")
	if err != nil {
		t.Fatal(err)
	}
	frames, err := filepath.Abs("testdata/frames")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			e.Setenv("EXAMPLES", examples)
			e.Setenv("FRAMES", frames)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"status": status, "keys": keys},
	})
}

// status runs holdfast and wants an exit status: "status 3 plan rig.toml". What
// it prints goes to the files out and err.
func status(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: status N ARGS...")
	}
	got := 0
	err := ts.Exec("holdfast", args[1:]...)
	if exit, ok := errors.AsType[*exec.ExitError](err); ok {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	ts.Check(os.WriteFile(ts.MkAbs("out"), []byte(ts.ReadFile("stdout")), 0o666))
	ts.Check(os.WriteFile(ts.MkAbs("err"), []byte(ts.ReadFile("stderr")), 0o666))
	if fmt.Sprint(got) != args[0] {
		ts.Fatalf("exit status %d, want %s", got, args[0])
	}
}

// keys wants a JSON file to hold every key of a list of dotted paths; [] steps
// into the first element of a list.
func keys(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: keys FILE PATH...")
	}
	var doc any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &doc))
	for _, path := range args[1:] {
		at := doc
		for _, step := range strings.Split(path, ".") {
			if step == "[]" {
				list, ok := at.([]any)
				if !ok || len(list) == 0 {
					ts.Fatalf("%s: no list, or an empty one", path)
				}
				at = list[0]
				continue
			}
			m, ok := at.(map[string]any)
			if !ok {
				ts.Fatalf("%s: no object before %s", path, step)
			}
			if at, ok = m[step]; !ok {
				ts.Fatalf("%s: no key %s", path, step)
			}
		}
	}
}

// TestEveryExample runs every verb on every example, on an evening of each
// season, and wants an answer: no failure, and JSON that parses.
func TestEveryExample(t *testing.T) {
	files, err := filepath.Glob("../../examples/*.toml")
	if err != nil || len(files) < 7 {
		t.Fatalf("%d examples, %v", len(files), err)
	}
	dates := []string{"2026-03-20", "2026-06-21", "2026-09-22", "2026-12-21"}
	if testing.Short() {
		dates = dates[1:2]
	}
	for _, f := range files {
		for _, date := range dates {
			for _, args := range [][]string{
				{"plan", f, "--date", date}, {"stars", f, "--date", date}, {"path", f}, {"reach", f, "--date", date},
			} {
				noGuide := strings.Contains(f, "tracker") || strings.Contains(f, "altaz")
				var out, errs strings.Builder
				got := run(context.Background(), append(args, "--json"), strings.NewReader(""), &out, &errs)
				if args[0] == "stars" && noGuide {
					if got != failed || !strings.Contains(errs.String(), "no guide camera") {
						t.Errorf("%v: exit status %d, %s; want a word on the missing guide camera", args, got, errs.String())
					}
					continue
				}
				if got == failed || got == misused {
					t.Errorf("%v: exit status %d: %s", args, got, errs.String())
				}
				if !json.Valid([]byte(out.String())) {
					t.Errorf("%v: what is printed is no JSON", args)
				}
				var text strings.Builder
				if again := run(context.Background(), args, strings.NewReader(""), &text, &errs); again != got {
					t.Errorf("%v: exit status %d as JSON, %d as text", args, got, again)
				}
				for line := range strings.Lines(text.String()) {
					if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 {
						t.Errorf("%v: a line of %d columns: %s", args, n, line)
					}
				}
			}
		}
	}
}

// TestInterrupted stops a plan before it begins.
func TestInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var out, errs strings.Builder
	if got := run(ctx, []string{"plan", "../../examples/larkspur.toml", "--date", "2026-08-14"}, strings.NewReader(""), &out, &errs); got != failed {
		t.Errorf("exit status %d, want %d", got, failed)
	}
	if !strings.Contains(errs.String(), "stopped before it was done") || out.String() != "" {
		t.Errorf("stdout %q, stderr %q", out.String(), errs.String())
	}
}

// TestSameSeed: the same seed gives the same bytes, another one does not.
func TestSameSeed(t *testing.T) {
	of := func(seed string) string {
		var out, errs strings.Builder
		run(context.Background(), []string{"plan", "../../examples/larkspur.toml", "--date", "2026-08-14", "--json", "--seed", seed}, strings.NewReader(""), &out, &errs)
		return out.String()
	}
	a, b, c := of("7"), of("7"), of("8")
	if a != b {
		t.Error("the same seed gives two answers")
	}
	if a == c {
		t.Error("two seeds give the same answer")
	}
}
