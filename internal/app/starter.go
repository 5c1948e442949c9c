package app

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"holdfast/internal/rig"
)

// kinds are the rigs one can start from, and the entries that make them.
var kinds = []struct {
	name, doc string
	set       map[string]string
}{
	{"refractor", "a refractor with a small guide telescope beside it", map[string]string{"imaging.kind": "refractor", "guide.kind": "piggyback"}},
	{"newtonian", "a Newtonian with a small guide telescope beside it", map[string]string{"imaging.kind": "newtonian", "guide.kind": "piggyback"}},
	{"moving-mirror", "a compound telescope that focuses with its main mirror, with a guide telescope", map[string]string{"imaging.kind": "moving-mirror", "guide.kind": "piggyback"}},
	{"fixed-mirror", "a compound telescope whose main mirror stays put, with a guide telescope", map[string]string{"imaging.kind": "fixed-mirror", "guide.kind": "piggyback"}},
	{"pickoff", "a compound telescope with a pick-off prism", map[string]string{"imaging.kind": "moving-mirror", "guide.kind": "pickoff"}},
	{"strain-wave", "a refractor on a strain-wave mount", map[string]string{"imaging.kind": "refractor", "guide.kind": "piggyback", "mount.drive": "strain-wave"}},
	{"tracker", "a lens on a tracker with one motor axis, nothing corrected", map[string]string{"imaging.kind": "lens", "guide.kind": "none", "mount.kind": "tracker"}},
	{"alt-azimuth", "a telescope on an alt-azimuth mount, nothing corrected", map[string]string{"imaging.kind": "fixed-mirror", "guide.kind": "none", "mount.kind": "alt-azimuth"}},
}

// Kinds returns the names of the rigs that Starter can begin with, and what
// each is.
func Kinds() (names, docs []string) {
	for _, k := range kinds {
		names = append(names, k.name)
		docs = append(docs, k.doc)
	}
	return names, docs
}

// Starter is a rig file to be written.
type Starter struct {
	File  string   // its path; "-" is Stdout
	Kind  string   // one of Kinds, or "" for the default rig
	Set   []string // "entry=value", each as it would stand in the rig file
	Force bool     // write over a file that is there
}

// Choices returns the entries that the starter settles, by path. Errors are
// *UsageError.
func (s Starter) Choices() (map[string]string, error) {
	choices := map[string]string{}
	if s.Kind != "" {
		names, _ := Kinds()
		i := slices.Index(names, s.Kind)
		if i < 0 {
			return nil, &UsageError{Flag: "kind", Err: fmt.Errorf("found %q: want one of %s", s.Kind, strings.Join(names, ", "))}
		}
		maps.Copy(choices, kinds[i].set)
	}
	for _, set := range s.Set {
		entry, value, err := splitSetting(set)
		if err != nil {
			return nil, &UsageError{Flag: "set", Err: err}
		}
		choices[entry] = value
	}
	return choices, nil
}

// Write writes the starter with its choices and returns the rig. A file that
// is there is left alone unless Force is set; a file is either written whole
// or not at all.
func (s Starter) Write(choices map[string]string, stdout io.Writer) (*rig.Rig, error) {
	r, err := rig.New(choices)
	if err != nil {
		var list *rig.Errors
		if errors.As(err, &list) {
			return nil, &UsageError{Flag: "set", Err: err}
		}
		return nil, err
	}
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		return nil, err
	}
	if s.File == "-" {
		_, err := stdout.Write(b.Bytes())
		return r, err
	}
	if err := s.Free(); err != nil {
		return nil, err
	}
	return r, writeWhole(s.File, b.Bytes(), s.Force)
}

// Free returns an error where the starter's file is there and may not be
// written over.
func (s Starter) Free() error {
	if s.File == "-" {
		return nil
	}
	info, err := os.Stat(s.File)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("app: %s: %s", s.File, cause(err))
	case info.IsDir():
		return fmt.Errorf("app: %s: found a folder: give the path of a file", s.File)
	case !s.Force:
		return fmt.Errorf("app: %s: is there already and was left alone: choose another name, or --force to write over it", s.File)
	}
	return nil
}

// WriteFile writes data to a file, whole or not at all, over one that is
// there.
func WriteFile(name string, data []byte) error { return writeWhole(name, data, true) }

// writeWhole writes a file next to its place and moves it there, so that a
// reader never sees half of it. Without over, a file that appeared meanwhile
// is left alone.
func writeWhole(name string, data []byte, over bool) error {
	fail := func(err error) error { return fmt.Errorf("app: %s: %s", name, cause(err)) }
	tmp, err := os.CreateTemp(filepath.Dir(name), ".holdfast-*")
	if err != nil {
		return fail(err)
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(data)
	err = errors.Join(err, tmp.Chmod(0o644), tmp.Sync(), tmp.Close())
	if err != nil {
		return fail(err)
	}
	if over {
		err = os.Rename(tmp.Name(), name)
	} else if err = os.Link(tmp.Name(), name); err != nil && !errors.Is(err, fs.ErrExist) {
		err = os.Rename(tmp.Name(), name) // a file system without links
	}
	if err != nil {
		return fail(err)
	}
	return nil
}

// Ask asks for the entries that matter first, one a line, and adds the answers
// to choices. An empty answer takes the default. The questions that follow
// suit the answers before them. It returns io.ErrUnexpectedEOF when in ends
// before the last question.
func Ask(in io.Reader, out io.Writer, choices map[string]string) error {
	lines := bufio.NewScanner(in)
	for _, e := range rig.Entries() {
		r, err := rig.New(choices)
		if err != nil {
			return err
		}
		if _, given := choices[e.Path]; given || !e.Main || !e.Applies(r) {
			continue
		}
		text, why := e.Default(r)
		for {
			fmt.Fprintf(out, "\n%s (%s)\n", e.Doc, e.Accepted())
			if why != "" {
				fmt.Fprintf(out, "  if you do not know: %s\n", why)
			}
			fmt.Fprintf(out, "  %s [%s]: ", e.Path, text)
			if !lines.Scan() {
				if err := lines.Err(); err != nil {
					return err
				}
				return io.ErrUnexpectedEOF
			}
			said := strings.TrimSpace(lines.Text())
			if said == "" {
				break
			}
			next := maps.Clone(choices)
			next[e.Path] = said
			if _, err := rig.New(next); err != nil {
				fmt.Fprintf(out, "  %s\n", plainly(err))
				continue
			}
			choices[e.Path] = said // the caller sees it too
			break
		}
	}
	return nil
}
