package rig

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"pgregory.net/rapid"
)

// TestTemplateReadsBack requires of every rig that its file is TOML and reads
// back as the same rig, also with every comment taken away from its entries.
func TestTemplateReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRig(t)
		if r == nil {
			return
		}
		var b bytes.Buffer
		if err := r.Write(&b); err != nil {
			t.Fatal(err)
		}
		var any map[string]any
		if err := toml.Unmarshal(b.Bytes(), &any); err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		same := func(src []byte) {
			t.Helper()
			again, err := Parse("starter.toml", src)
			if err != nil {
				if _, empty := r.given["name"]; len(any) > 0 || !empty {
					t.Fatalf("%v\n%s", err, src)
				}
				return
			}
			if again.Hash() == r.Hash() {
				return
			}
			for i := range schema {
				if a, b := schema[i].show(r), schema[i].show(again); a != b {
					t.Errorf("%s: was %s, reads %s", schema[i].Path, a, b)
				}
			}
			t.Fatalf("reads back as another rig:\n%s", src)
		}
		same(b.Bytes())
		var all []string
		for _, l := range strings.Split(b.String(), "\n") {
			if len(l) > 1 && l[0] == '#' && l[1] != ' ' {
				l = l[1:]
			}
			all = append(all, l)
		}
		same([]byte(strings.Join(all, "\n")))
	})
}

func TestTemplate(t *testing.T) {
	var b bytes.Buffer
	if err := Template(&b, map[string]string{"name": "Larkspur", "imaging.aperture": "4 in", "guide.kind": "pickoff", "guide.spacers": "17 mm, 5 mm"}); err != nil {
		t.Fatal(err)
	}
	s := b.String()
	for _, want := range []string{
		"# Larkspur: a rig file of holdfast.", "name = \"Larkspur\"\n", "aperture = \"4 in\"\n", "seeing = \"2.5 ± 0.6 arcsec\"\n", "#reducer = 1\n",
		"# factor of a reducer or extender on the focal length; 1 is none (0.2 to 6). Assumed:\n# none mentioned\n", "spacers = [\"17 mm\", \"5 mm\"]\n", "#before_filter = true\n", "[guide.prism]\n", "#interval = \"plan\"\n",
	} {
		if !strings.Contains(s, want) {
			t.Errorf("no %q in\n%s", want, s)
		}
	}
	for _, l := range strings.Split(s, "\n") {
		if n := len([]rune(l)); n > 92 {
			t.Errorf("a line of %d characters: %s", n, l)
		}
	}
	if strings.Contains(s, "[guide.shoe]") {
		t.Error("the holder of a telescope that is not there")
	}
	err := Template(&b, map[string]string{"imaging.focl": "3 mm", "imaging.aperture": "3"})
	if err == nil || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("got %v, want both choices refused", err)
	}
}

// TestReference keeps docs/rig-file.md in step with the table of entries.
func TestReference(t *testing.T) {
	const file = "../../docs/rig-file.md"
	var b bytes.Buffer
	if err := WriteReference(&b); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(have, b.Bytes()) {
		t.Error("docs/rig-file.md is not what the table of entries says; run with -update")
	}
	for _, e := range Entries() {
		_, key := section(e.Path)
		if !strings.Contains(b.String(), "| `"+key+"` | "+strings.ReplaceAll(e.Doc, "|", `\|`)+" |") {
			t.Errorf("%s is not in the reference", e.Path)
		}
	}
}
