package rig

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

func FuzzParse(f *testing.F) {
	for _, glob := range []string{"testdata/broken/*.toml", "../../examples/*.toml"} {
		files, err := filepath.Glob(glob)
		if err != nil {
			f.Fatal(err)
		}
		for _, file := range files {
			src, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			if len(src) < 1<<14 {
				f.Add(src)
			}
		}
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		r, err := Parse("fuzz.toml", src)
		if err != nil {
			var list *Errors
			if !errors.As(err, &list) || len(list.List) == 0 || len(list.List) > maxErrors {
				t.Fatalf("%#v", err)
			}
			line := 0
			for _, e := range list.List {
				if e.Line < 1 || e.Column < 1 || e.Found == "" || e.Want == "" || e.Line < line || strings.ContainsAny(e.Error(), "\n\r\x00") || len(e.Error()) > 2000 {
					t.Fatalf("%q", e.Error())
				}
				line = e.Line
			}
			return
		}
		r.Cautions()
		r.Assumed()
		d := r.Sample(rand.New(rand.NewPCG(1, 1)))
		var b strings.Builder
		if err := r.Write(&b); err != nil {
			t.Fatal(err)
		}
		again, err := Parse("again.toml", []byte(b.String()))
		if err != nil || again.Hash() != r.Hash() {
			t.Fatalf("written and read again: %v\n%s", err, b.String())
		}
		if len(d.Hash()) != 32 {
			t.Fatal("no hash")
		}
	})
}

func FuzzWith(f *testing.F) {
	for i := range schema {
		text, _ := schema[i].Default(Default())
		f.Add(schema[i].Path, text)
	}
	f.Add("imaging.focl", "3 mm")
	f.Add("", "")
	f.Add("guide.spacers", "1 mm,,")
	base := Default()
	f.Fuzz(func(t *testing.T, path, text string) {
		r, err := base.With(path, text)
		if err != nil {
			var fe *FieldError
			if !errors.As(err, &fe) || fe.Found == "" || fe.Want == "" {
				t.Fatalf("%#v", err)
			}
			return
		}
		if r.IsAssumed(path) {
			t.Fatalf("%s was set and is assumed", path)
		}
		again, err := r.With(path, r.Show(path))
		if err != nil || again.Hash() != r.Hash() {
			t.Fatalf("%s = %q shows as %q: %v", path, text, r.Show(path), err)
		}
	})
}

// TestHostileFiles holds files made to exhaust a parser to their bound.
func TestHostileFiles(t *testing.T) {
	for name, src := range map[string]string{
		"brackets":     "a = " + strings.Repeat("[", 4000),
		"braces":       "a = " + strings.Repeat("{b =\n", 19000),
		"many entries": strings.Repeat("a = 1\n", maxFile/6),
		"many slips":   strings.Repeat("=\n", maxFile/2),
		"long key":     strings.Repeat("a", maxFile-10) + " = 1",
		"long dotted":  strings.Repeat("a.", maxFile/2-10) + "b = 1",
		"dotted":       strings.Repeat(strings.Repeat("a.", 2000)+"b = 1\n", maxFile/4010),
		"deep list":    "[guide]\nspacers = " + strings.Repeat("[\n", 19000),
		"long string":  "a = \"" + strings.Repeat("\\n", maxFile/2-10) + "\"",
		"long number":  "imaging.reducer = " + strings.Repeat("1", maxFile-40),
		"long word":    "imaging.kind = \"" + strings.Repeat("x", maxFile-40) + "\"",
		"inline":       "imaging = { " + strings.Repeat("a = 1,\n", 19000) + "b = 1 }",
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Parse("hostile.toml", []byte(src))
		runtime.ReadMemStats(&after)
		if err == nil || len(err.Error()) > 1<<16 {
			t.Errorf("%s: got an error of %d bytes", name, len(err.Error()))
		}
		if grown := after.TotalAlloc - before.TotalAlloc; grown > 64<<20 {
			t.Errorf("%s: %d bytes were allocated", name, grown)
		}
	}
}

func BenchmarkParse_larkspur(b *testing.B) {
	src, err := os.ReadFile("../../examples/larkspur.toml")
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("larkspur.toml", src); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWithFloat_larkspur(b *testing.B) {
	r := example(b, "larkspur.toml")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.WithFloat("imaging.focal", 1000); err != nil {
			b.Fatal(err)
		}
	}
}
