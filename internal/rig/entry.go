package rig

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"holdfast/internal/unit"
)

// Kind is what an entry holds.
type Kind uint8

// The kinds of entry.
const (
	Number  Kind = iota // a quantity, perhaps with an uncertainty
	Word                // one of a few words
	Text                // free text
	Switch              // true or false
	Lengths             // a list of lengths
)

// Entry describes one entry of the rig file and is bound to its field of Rig.
// Entries returns them all. Everything that reads, writes, explains or varies
// rigs goes through this table.
type Entry struct {
	Path     string // as in the file: "guide.camera.pixel"
	Doc      string // what it is, for a person
	Kind     Kind
	Dim      unit.Dimension // of a Number
	Unit     string         // of the field, of Min and of Max
	Min, Max float64        // the range of a Number, ends included
	Whole    bool           // a Number that counts things
	Infinite bool           // a Number that may be infinite
	Unset    string         // the word that leaves a Number open ("plan", "unknown", "none"), or ""
	Choices  []string       // of a Word
	Main     bool           // a person should settle it first; active in a starter rig

	text, why string                        // the default, or
	compute   func(*Rig) (text, why string) // a default that depends on other entries
	applies   func(*Rig) bool               // nil: always
	constant  value                         // text, read once
	number    func(*Rig) (v, se float64)    // reads the field
	setNumber func(r *Rig, v, se float64)   //
	word      func(*Rig) string             //
	setWord   func(r *Rig, s string)        //
	flag      func(*Rig) *bool              //
	list      func(*Rig) *[]unit.MM         //
}

// value is what an entry's text says.
type value struct {
	v, se float64
	word  string
	on    bool
	list  []unit.MM
}

// Default returns the text an entry takes in rig r when it is not given, and
// the reason. It may depend on other entries of r.
func (e *Entry) Default(r *Rig) (text, why string) {
	_, text, why = e.settle(r)
	return text, why
}

// settle works the default out. A formula carried outside the entry's range
// gives the end of the range, and says so.
func (e *Entry) settle(r *Rig) (v value, text, why string) {
	if e.compute == nil {
		return e.constant, e.text, e.why
	}
	text, why = e.compute(r)
	v, p := e.read(text)
	if p == nil || e.Kind != Number {
		return v, text, why
	}
	v = value{v: min(max(v.v, e.Min), e.Max), se: min(v.se, e.Max-e.Min)}
	return v, unit.Format(v.v, v.se, e.Dim, e.Unit), why + "; held to the range of the entry"
}

// Applies reports whether the entry matters in rig r: the size of a pick-off
// prism does not when the guide camera has a telescope of its own.
func (e *Entry) Applies(r *Rig) bool { return e.applies == nil || e.applies(r) }

// Accepted says in one line what the entry takes.
func (e *Entry) Accepted() string {
	switch e.Kind {
	case Word:
		return strings.Join(e.Choices, ", ")
	case Text:
		return "text in quotes"
	case Switch:
		return "true, false"
	case Lengths:
		return `a list of lengths, each ` + span(e.Min, e.Max, e.Unit)
	}
	s := span(e.Min, e.Max, e.Unit)
	if e.Whole {
		s = "a whole number, " + s
	}
	if e.Infinite {
		s += `, or "infinite"`
	}
	if e.Unset != "" {
		s += fmt.Sprintf(", or %q", e.Unset)
	}
	return s
}

func span(lo, hi float64, u string) string {
	return strings.TrimSpace(short(lo) + " to " + short(hi) + " " + u)
}

// short writes a limit.
func short(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Section is a table of the rig file.
type Section struct {
	Path string
	Doc  string // what it holds, in a sentence or two
}

// Entries returns the description of every entry, in the order of the file.
// The slice is the caller's.
func Entries() []Entry { return append([]Entry(nil), schema...) }

// Sections returns the tables of the rig file in their order. The slice is the
// caller's.
func Sections() []Section { return append([]Section(nil), sections...) }

// section returns the part of a path before its last dot, and the rest.
func section(path string) (table, key string) {
	if i := strings.LastIndexByte(path, '.'); i >= 0 {
		return path[:i], path[i+1:]
	}
	return "", path
}

// problem is what is wrong with an entry's text, and where in it.
type problem struct {
	offset      int // in bytes
	found, want string
}

// read turns an entry's text into its value.
func (e *Entry) read(text string) (value, *problem) {
	switch e.Kind {
	case Word:
		return e.readWord(text)
	case Text:
		if len(text) > 200 || strings.ContainsFunc(text, unicode.IsControl) {
			return value{}, &problem{0, quote(text), "one line of at most 200 bytes"}
		}
		return value{word: text}, nil
	case Switch:
		switch strings.ToLower(strings.TrimSpace(text)) {
		case "true", "yes", "on":
			return value{on: true}, nil
		case "false", "no", "off":
			return value{}, nil
		}
		return value{}, &problem{0, quote(text), "accepted: " + e.Accepted()}
	case Lengths:
		var out value
		if strings.TrimSpace(text) == "" {
			return out, nil
		}
		for _, part := range strings.Split(text, ",") {
			one, p := e.readNumber(strings.TrimSpace(part))
			if p != nil {
				return value{}, p
			}
			out.list = append(out.list, unit.MM(one.v))
			if len(out.list) > maxList {
				return value{}, &problem{0, fmt.Sprintf("more than %d lengths", maxList), "a shorter list"}
			}
		}
		return out, nil
	}
	return e.readNumber(text)
}

// maxList is the longest list an entry takes.
const maxList = 100

func (e *Entry) readWord(text string) (value, *problem) {
	w := strings.ToLower(strings.TrimSpace(text))
	w = strings.NewReplacer(" ", "-", "_", "-").Replace(w)
	for _, c := range e.Choices {
		if w == c {
			return value{word: c}, nil
		}
	}
	want := "accepted: " + e.Accepted()
	if s := nearest(w, e.Choices); s != "" {
		want = fmt.Sprintf("did you mean %q? %s", s, want)
	}
	return value{}, &problem{0, quote(text), want}
}

func (e *Entry) readNumber(text string) (value, *problem) {
	if e.Unset != "" && strings.EqualFold(strings.TrimSpace(text), e.Unset) {
		return value{v: math.NaN(), se: math.NaN()}, nil
	}
	q, err := unit.ParseAs(text, e.Dim)
	if err != nil {
		qe := err.(*unit.QuantityError)
		p := &problem{qe.Offset, quote(text), qe.Want}
		if !strings.Contains(p.want, "accepted:") {
			p.want += "; accepted: " + e.Accepted()
		}
		if strings.TrimSpace(text) == "" {
			p.found = "nothing between the quotes"
		}
		return value{}, p
	}
	v, se, ok := q.In(e.Unit)
	if !ok {
		panic("rig: " + e.Path + " has no unit " + e.Unit)
	}
	return value{v: v, se: se}, e.check(v, se, quote(text))
}

// check holds a number against the entry's range.
func (e *Entry) check(v, se float64, found string) *problem {
	switch {
	case math.IsNaN(v) && e.Unset != "":
		return nil
	case math.IsInf(v, 1) && e.Infinite && se == 0:
		return nil
	case !(v >= e.Min && v <= e.Max):
		return &problem{0, found, "accepted: " + e.Accepted()}
	case e.Whole && v != math.Trunc(v):
		return &problem{0, found, "accepted: " + e.Accepted()}
	case e.Whole && se > 0:
		return &problem{0, found, "a counted number has no ±; accepted: " + e.Accepted()}
	case se > e.Max-e.Min:
		return &problem{0, found, "a ± no wider than the range; accepted: " + e.Accepted()}
	}
	return nil
}

// put stores a value in the entry's field of r.
func (e *Entry) put(r *Rig, v value) {
	switch e.Kind {
	case Number:
		e.setNumber(r, v.v, v.se)
	case Word, Text:
		e.setWord(r, v.word)
	case Switch:
		*e.flag(r) = v.on
	case Lengths:
		*e.list(r) = v.list
	}
}

// copy moves the entry's field from one rig to another.
func (e *Entry) copy(to, from *Rig) {
	switch e.Kind {
	case Number:
		v, se := e.number(from)
		e.setNumber(to, v, se)
	case Word, Text:
		e.setWord(to, e.word(from))
	case Switch:
		*e.flag(to) = *e.flag(from)
	case Lengths:
		*e.list(to) = *e.list(from)
	}
}

// show writes the entry's value in r as it would stand in a rig file, without
// quotes.
func (e *Entry) show(r *Rig) string {
	switch e.Kind {
	case Word, Text:
		return e.word(r)
	case Switch:
		return strconv.FormatBool(*e.flag(r))
	case Lengths:
		var all []string
		for _, l := range *e.list(r) {
			all = append(all, unit.Format(float64(l), 0, e.Dim, e.Unit))
		}
		return strings.Join(all, ", ")
	}
	v, se := e.number(r)
	if math.IsNaN(v) && e.Unset != "" {
		return e.Unset
	}
	return unit.Format(v, se, e.Dim, e.Unit)
}

// The constructors below keep the table to a line or two an entry.

func num[U unit.Float](path string, dim unit.Dimension, u string, lo, hi float64, at func(*Rig) *unit.Est[U], doc, text, why string) Entry {
	return Entry{Path: path, Doc: doc, Dim: dim, Unit: u, Min: lo, Max: hi, text: text, why: why,
		number:    func(r *Rig) (float64, float64) { e := at(r); return float64(e.V), float64(e.SE) },
		setNumber: func(r *Rig, v, se float64) { e := at(r); e.V, e.SE = U(v), U(se) }}
}

func choice[S ~string](path string, choices []S, at func(*Rig) *S, doc, text, why string) Entry {
	e := Entry{Path: path, Doc: doc, Kind: Word, text: text, why: why,
		word: func(r *Rig) string { return string(*at(r)) }, setWord: func(r *Rig, s string) { *at(r) = S(s) }}
	for _, c := range choices {
		e.Choices = append(e.Choices, string(c))
	}
	return e
}

func words(path string, at func(*Rig) *string, doc, text, why string) Entry {
	e := choice(path, nil, at, doc, text, why)
	e.Kind = Text
	return e
}

func onOff(path string, at func(*Rig) *bool, doc, text, why string) Entry {
	return Entry{Path: path, Doc: doc, Kind: Switch, flag: at, text: text, why: why}
}

func lengths(path string, u string, lo, hi float64, at func(*Rig) *[]unit.MM, doc, text, why string) Entry {
	return Entry{Path: path, Doc: doc, Kind: Lengths, Dim: unit.Length, Unit: u, Min: lo, Max: hi, list: at, text: text, why: why}
}

func (e Entry) whole() Entry                             { e.Whole = true; return e }
func (e Entry) infinite() Entry                          { e.Infinite = true; return e }
func (e Entry) unset(word string) Entry                  { e.Unset = word; return e }
func (e Entry) main() Entry                              { e.Main = true; return e }
func (e Entry) when(f func(*Rig) bool) Entry             { e.applies = f; return e }
func (e Entry) by(f func(*Rig) (text, why string)) Entry { e.compute = f; return e }
