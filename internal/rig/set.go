package rig

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"holdfast/internal/unit"
)

// Default returns the rig of which nothing is known: every entry is assumed.
func Default() *Rig {
	r := &Rig{given: map[string]Given{}}
	r.complete()
	return r
}

// New returns a rig with the given entries, by path, and defaults for the
// rest. All errors are reported together, as *Errors sorted by path.
func New(entries map[string]string) (*Rig, error) {
	r := &Rig{given: make(map[string]Given, len(entries))}
	var errs []*FieldError
	for _, path := range slices.Sorted(maps.Keys(entries)) {
		e, v, err := lookUp(path, entries[path])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		e.put(r, v)
		r.given[path] = Given{Text: entries[path]}
	}
	r.complete()
	if len(errs) == 0 {
		errs = r.conflicts()
	}
	if len(errs) > 0 {
		return nil, &Errors{List: errs}
	}
	return r, nil
}

// complete gives every entry that was not given its default. The table is run
// twice because a default may depend on an entry further down.
func (r *Rig) complete() {
	for pass := range 2 {
		for i := range schema {
			e := &schema[i]
			if _, ok := r.given[e.Path]; ok {
				continue
			}
			if e.compute != nil || pass == 0 {
				v, _, _ := e.settle(r)
				e.put(r, v)
			}
		}
	}
}

// lookUp finds an entry and reads text for it.
func lookUp(path, text string) (*Entry, value, *FieldError) {
	i, ok := index[path]
	if !ok {
		return nil, value{}, &FieldError{Path: path, Found: "an entry that does not exist", Want: unknown(path)}
	}
	e := &schema[i]
	v, p := e.read(text)
	if p != nil {
		return nil, value{}, &FieldError{Path: path, Found: p.found, Want: p.want}
	}
	return e, v, nil
}

// With returns a copy of the rig in which one entry is set from text as it
// would stand in a rig file, without quotes. Assumed entries that depend on it
// are worked out anew. The error is a *FieldError or, for entries that
// contradict each other, *Errors.
func (r *Rig) With(path, quantity string) (*Rig, error) {
	e, v, err := lookUp(path, quantity)
	if err != nil {
		return nil, err
	}
	return r.with(e, v, quantity)
}

// WithFloat returns a copy of the rig in which a number is set, exactly, in
// the unit of its field (see Get); NaN leaves an entry open that can be left
// open. Otherwise as With.
func (r *Rig) WithFloat(path string, base float64) (*Rig, error) {
	i, ok := index[path]
	if !ok {
		return nil, &FieldError{Path: path, Found: "an entry that does not exist", Want: unknown(path)}
	}
	e := &schema[i]
	if e.Kind != Number {
		return nil, &FieldError{Path: path, Found: fmt.Sprint(base), Want: "this entry is not a number; accepted: " + e.Accepted()}
	}
	text := unit.Format(base, 0, e.Dim, e.Unit)
	if math.IsNaN(base) && e.Unset != "" {
		text = e.Unset
	}
	if p := e.check(base, 0, text); p != nil {
		return nil, &FieldError{Path: path, Found: p.found, Want: p.want}
	}
	v := value{v: base}
	if math.IsNaN(base) {
		v.se = base
	}
	return r.with(e, v, text)
}

// Without returns a copy of the rig in which an entry is assumed again.
func (r *Rig) Without(path string) *Rig {
	next := r.onlyGiven()
	if i, ok := index[path]; ok {
		delete(next.given, path)
		schema[i].put(next, value{})
	}
	next.complete()
	return next
}

func (r *Rig) with(e *Entry, v value, text string) (*Rig, error) {
	next := r.onlyGiven()
	next.given[e.Path] = Given{Text: text}
	e.put(next, v)
	next.complete()
	if errs := next.conflicts(); len(errs) > 0 {
		return nil, &Errors{List: errs}
	}
	return next, nil
}

// onlyGiven returns a rig with r's given entries and nothing else yet.
func (r *Rig) onlyGiven() *Rig {
	next := &Rig{given: maps.Clone(r.given)}
	if next.given == nil {
		next.given = map[string]Given{}
	}
	for path := range r.given {
		schema[index[path]].copy(next, r)
	}
	return next
}

// Get returns a number's value and its standard error in the unit of its
// field, and that unit ("mm", "arcsec/h", "" for a pure number). A value left
// open is NaN. ok is false when there is no such entry or it is no number.
func (r *Rig) Get(path string) (value, sigma float64, unitName string, ok bool) {
	i, found := index[path]
	if !found || schema[i].Kind != Number {
		return 0, 0, "", false
	}
	value, sigma = schema[i].number(r)
	return value, sigma, schema[i].Unit, true
}

// Show returns an entry's value as it would stand in a rig file, without
// quotes: "50 mm", "worm", "17 mm, 5 mm", or "" when there is no such entry.
func (r *Rig) Show(path string) string {
	i, ok := index[path]
	if !ok {
		return ""
	}
	return schema[i].show(r)
}

// Given returns where an entry came from; ok is false when it was assumed.
func (r *Rig) Given(path string) (g Given, ok bool) {
	g, ok = r.given[path]
	return g, ok
}

// IsAssumed reports whether an entry exists and was not given.
func (r *Rig) IsAssumed(path string) bool {
	_, ok := index[path]
	return ok && !r.has(path)
}

// Assumed is an entry that nobody gave, the value it took and why.
type Assumed struct{ Entry, Value, Why string }

// Assumed returns the entries that matter in this rig and were not given, in
// the order of the file.
func (r *Rig) Assumed() []Assumed {
	var out []Assumed
	for i := range schema {
		e := &schema[i]
		if r.has(e.Path) || !e.Applies(r) || e.Path == "name" {
			continue
		}
		text, why := e.Default(r)
		out = append(out, Assumed{e.Path, text, why})
	}
	return out
}

// unknown says what to write instead of a path that does not exist.
func unknown(path string) string {
	table, key := section(path)
	var keys, homes []string
	for i := range schema {
		t, k := section(schema[i].Path)
		if t == table {
			keys = append(keys, k)
		}
		if k == key && t != table {
			homes = append(homes, home(t))
		}
	}
	for _, s := range sections {
		if t, k := section(s.Path); t == table {
			keys = append(keys, k)
		}
	}
	isSection := table == "" || slices.ContainsFunc(sections, func(s Section) bool { return s.Path == table })
	if len(homes) > 0 {
		return fmt.Sprintf("%s belongs to %s", key, either(homes))
	}
	if !isSection {
		return noSection(table)
	}
	want := "accepted here: " + strings.Join(keys, ", ")
	if s := nearest(key, keys); s != "" {
		return fmt.Sprintf("did you mean %s? %s", s, want)
	}
	var all []string
	for i := range schema {
		_, k := section(schema[i].Path)
		all = append(all, k)
	}
	if s := nearest(key, all); s != "" {
		homes = homes[:0]
		for i := range schema {
			if t, k := section(schema[i].Path); k == s {
				homes = append(homes, home(t))
			}
		}
		return fmt.Sprintf("did you mean %s? it belongs to %s", s, either(homes))
	}
	return want
}

// home names a section as it stands in the file.
func home(table string) string {
	if table == "" {
		return "the top of the file"
	}
	return "[" + table + "]"
}

// noSection says which sections there are.
func noSection(table string) string {
	var all []string
	for _, s := range sections {
		all = append(all, s.Path)
	}
	if s := nearest(table, all); s != "" {
		return fmt.Sprintf("did you mean [%s]? accepted: %s", s, strings.Join(all, ", "))
	}
	_, last := section(table)
	for _, s := range all {
		if _, k := section(s); k == last && s != table {
			return fmt.Sprintf("did you mean [%s]? accepted: %s", s, strings.Join(all, ", "))
		}
	}
	return "accepted: " + strings.Join(all, ", ")
}

// either joins names with "or".
func either(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}
