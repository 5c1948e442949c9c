package rig

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdfast/internal/unit"
)

// leaves lists the fields of a rig that hold a value, by name.
func leaves(v reflect.Value, name string, out map[string]reflect.Value) {
	switch {
	case v.Kind() == reflect.Struct && v.NumField() == 2 && v.Type().Field(0).Name == "V":
		out[name] = v
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				leaves(v.Field(i), name+"."+v.Type().Field(i).Name, out)
			}
		}
	default:
		out[name] = v
	}
}

// TestEveryFieldHasItsEntry sets each entry of an empty rig in turn and
// requires that exactly one field changes, a different one each time, and that
// no field is left without an entry.
func TestEveryFieldHasItsEntry(t *testing.T) {
	owner := map[string]string{}
	for _, e := range Entries() {
		var r Rig
		e.put(&r, value{v: 7, se: 3, word: "x", on: true, list: []unit.MM{1}})
		fields := map[string]reflect.Value{}
		leaves(reflect.ValueOf(&r).Elem(), "", fields)
		var changed []string
		for name, f := range fields {
			if !f.IsZero() {
				changed = append(changed, name)
			}
		}
		if len(changed) != 1 {
			t.Errorf("%s sets %v, want one field", e.Path, changed)
			continue
		}
		if other, twice := owner[changed[0]]; twice {
			t.Errorf("%s and %s set %s", e.Path, other, changed[0])
		}
		owner[changed[0]] = e.Path
		if e.Kind == Number {
			if v, se := e.number(&r); v != 7 || se != 3 {
				t.Errorf("%s: got %v ± %v, want 7 ± 3", e.Path, v, se)
			}
		}
	}
	var r Rig
	fields := map[string]reflect.Value{}
	leaves(reflect.ValueOf(&r).Elem(), "", fields)
	for name := range fields {
		if owner[name] == "" {
			t.Errorf("no entry sets %s", name)
		}
	}
}

func TestSchemaIsInOrder(t *testing.T) {
	var tables []string
	for _, e := range Entries() {
		table, key := section(e.Path)
		if key == "" || strings.ToLower(e.Path) != e.Path || strings.ContainsAny(e.Path, "- ") {
			t.Errorf("%q is not in lower case with underscores", e.Path)
		}
		if e.Doc == "" {
			t.Errorf("%s has no description", e.Path)
		}
		if n := len(tables); n == 0 || tables[n-1] != table {
			tables = append(tables, table)
		}
		if e.Kind == Number && !(e.Min < e.Max) {
			t.Errorf("%s: range %v to %v", e.Path, e.Min, e.Max)
		}
		if e.Kind == Word && len(e.Choices) < 2 {
			t.Errorf("%s: %d choices", e.Path, len(e.Choices))
		}
	}
	want := []string{""}
	for _, s := range Sections() {
		want = append(want, s.Path)
		if s.Doc == "" {
			t.Errorf("[%s] has no description", s.Path)
		}
	}
	if fmt.Sprint(tables) != fmt.Sprint(want) {
		t.Errorf("sections in the table of entries: got %v, want %v, each once", tables, want)
	}
}

// anyText draws a text that an entry accepts.
func anyText(t *rapid.T, e *Entry) string {
	switch e.Kind {
	case Word:
		return rapid.SampledFrom(e.Choices).Draw(t, e.Path)
	case Text:
		return rapid.SampledFrom([]string{"", "M31", `4" "x"`, `it's a "`, `back\slash`, "±µ"}).Draw(t, e.Path)
	case Switch:
		return rapid.SampledFrom([]string{"true", "false"}).Draw(t, e.Path)
	case Lengths:
		return rapid.SampledFrom([]string{"", "17 mm", "5 mm, 1 in", "0.1 mm"}).Draw(t, e.Path)
	}
	if e.Unset != "" && rapid.IntRange(0, 3).Draw(t, "open") == 0 {
		return e.Unset
	}
	lo, hi := e.Min, e.Max
	u := rapid.Float64Range(0, 1).Draw(t, e.Path)
	v := lo + u*(hi-lo)
	if lo > 0 {
		v = lo * math.Pow(hi/lo, u)
	}
	if e.Whole {
		return unit.Format(math.Round(v), 0, e.Dim, e.Unit)
	}
	se := 0.0
	if rapid.Bool().Draw(t, "±") {
		se = rapid.Float64Range(0, 0.5).Draw(t, "se") * math.Abs(v)
	}
	v = math.Min(math.Max(v, lo), hi)
	if p := e.check(roundTo10(v), se, ""); p != nil {
		v, se = lo, 0
	}
	return unit.Format(v, se, e.Dim, e.Unit)
}

// roundTo10 is v as ten digits leave it.
func roundTo10(v float64) float64 {
	var out float64
	fmt.Sscan(fmt.Sprintf("%.9e", v), &out)
	return out
}

// anyRig draws a rig with a few given entries; nil where they contradict each
// other.
func anyRig(t *rapid.T) *Rig {
	given := map[string]string{}
	for range rapid.IntRange(0, 12).Draw(t, "entries") {
		e := &schema[rapid.IntRange(0, len(schema)-1).Draw(t, "entry")]
		given[e.Path] = anyText(t, e)
	}
	for _, path := range []string{"imaging.kind", "guide.kind", "mount.kind", "mount.drive", "guide.shoe.kind"} {
		if rapid.Bool().Draw(t, path) {
			given[path] = anyText(t, &schema[index[path]])
		}
	}
	r, err := New(given)
	if err != nil {
		for _, e := range err.(*Errors).List {
			if e.Path != "mount.period" && e.Path != "loop.min_pulse" && e.Path != "loop.max_pulse" {
				t.Fatalf("%v: %v", given, err)
			}
		}
		return nil
	}
	return r
}

// TestDefaultsSettle requires of every rig that its defaults are read without
// error, lie in their entries' ranges, have a reason, and do not change when
// they are worked out once more.
func TestDefaultsSettle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRig(t)
		if r == nil {
			return
		}
		for i := range schema {
			e := &schema[i]
			if r.has(e.Path) {
				continue
			}
			text, why := e.Default(r)
			v, p := e.read(text)
			if p != nil || why == "" {
				t.Fatalf("default of %s: %q, %q: %+v", e.Path, text, why, p)
			}
			if e.Kind == Number {
				got, se := e.number(r)
				if got != v.v && !(math.IsNaN(got) && math.IsNaN(v.v)) || se != v.se && !math.IsNaN(se) {
					t.Fatalf("%s is %v ± %v and its default now %v ± %v", e.Path, got, se, v.v, v.se)
				}
			} else if got := e.show(r); got != e.show2(v) {
				t.Fatalf("%s is %q and its default now %q", e.Path, got, e.show2(v))
			}
		}
		before := r.Hash()
		r.complete()
		if after := r.Hash(); after != before {
			t.Fatal("the defaults move when they are worked out again")
		}
	})
}

// show2 writes a value as show writes a field.
func (e *Entry) show2(v value) string {
	var r Rig
	e.put(&r, v)
	return e.show(&r)
}

func TestAssumed(t *testing.T) {
	r, err := New(map[string]string{"imaging.aperture": "102 mm", "guide.shoe.kind": "rings-on-plate"})
	if err != nil {
		t.Fatal(err)
	}
	at := -1
	seen := map[string]Assumed{}
	for _, a := range r.Assumed() {
		if i := index[a.Entry]; i <= at {
			t.Errorf("%s is out of order", a.Entry)
		} else {
			at = i
		}
		if a.Why == "" || !r.IsAssumed(a.Entry) {
			t.Errorf("%+v: no reason, or not assumed", a)
		}
		seen[a.Entry] = a
	}
	if _, ok := seen["imaging.aperture"]; ok || r.IsAssumed("imaging.aperture") {
		t.Error("a given entry counts as assumed")
	}
	if _, ok := seen["guide.prism.width"]; ok {
		t.Error("the prism of a rig that has none is listed as assumed")
	}
	if got := seen["flexure.compliance"]; got.Value != "12 ± 6 arcsec/g" || !strings.Contains(got.Why, "rings on a plate drift about 2 arcsec/h") {
		t.Errorf("got %+v", got)
	}
	if r.IsAssumed("imaging.owner") {
		t.Error("an entry that does not exist is assumed")
	}
	if g, ok := r.Given("imaging.aperture"); !ok || g.Text != "102 mm" || g.Line != 0 {
		t.Errorf("got %+v, %v", g, ok)
	}
}
