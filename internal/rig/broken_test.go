package rig

import (
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files and docs/rig-file.md")

// placedLine is the form of every message about a file.
var placedLine = regexp.MustCompile(`^rig: [^:]+\.toml:[1-9][0-9]*:[1-9][0-9]*: ([^ ].*: )?found .+: .+$`)

// jargon must not reach a person.
var jargon = regexp.MustCompile(`float64|int64|\bstruct\b|interface|unmarshal|map\[|unstable|toml:|parser|%!|NaN|<nil>|U\+`)

// TestBroken reads files that are wrong in one way each. The goldens beside
// them were checked by hand: each names file, line, column, what stands there
// and what would do.
func TestBroken(t *testing.T) {
	files, err := filepath.Glob("testdata/broken/*.toml")
	if err != nil || len(files) < 100 {
		t.Fatalf("got %d broken files, %v, want at least 100", len(files), err)
	}
	for _, file := range files {
		name := filepath.Base(file)
		src, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Parse(name, src)
		var list *Errors
		if !errors.As(err, &list) {
			t.Errorf("%s: got %v, want *Errors", name, err)
			continue
		}
		lines := strings.Split(err.Error(), "\n")
		if many := strings.HasSuffix(name, "many.toml"); len(lines) > 1 && !many {
			t.Errorf("%s: %d messages for one slip:\n%v", name, len(lines), err)
		}
		for _, l := range lines {
			if !placedLine.MatchString(l) && l != "rig: too-many.toml: and 10 more" || jargon.MatchString(strings.TrimPrefix(l, "rig: "+name+":")) {
				t.Errorf("%s: not a placed message in a person's words: %s", name, l)
			}
		}
		golden := strings.TrimSuffix(file, ".toml") + ".golden"
		got := err.Error() + "\n"
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s:\n got %swant %s", name, got, want)
		}
	}
}

// endless gives lines of a rig file for ever, counting what is taken.
type endless struct{ taken int }

func (e *endless) Read(p []byte) (int, error) {
	const line = "# 0123456789\n"
	for i := range p {
		p[i] = line[(e.taken+i)%len(line)]
	}
	e.taken += len(p)
	return len(p), nil
}

func TestReadIsBounded(t *testing.T) {
	src := &endless{}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := Read("endless.toml", io.LimitReader(src, 100<<20))
	runtime.ReadMemStats(&after)
	if want := "rig: endless.toml:1:1: found more than a megabyte: a rig file is a short text file of a few kilobytes"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	if src.taken > 2<<20 {
		t.Errorf("%d bytes were read", src.taken)
	}
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 16<<20 {
		t.Errorf("%d bytes were allocated", grown)
	}
	_, err = Read("x.toml", failing{})
	if !errors.Is(err, errDisk) {
		t.Errorf("got %v, want the reader's error", err)
	}
}

var errDisk = errors.New("disk")

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errDisk }
