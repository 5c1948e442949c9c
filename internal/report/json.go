// Package report draws results for people and programs: text, JSON, SVG. It
// computes nothing; the same result structs feed every form.
package report

import (
	"bytes"
	"context"
	"encoding"
	"encoding/json"
	"errors"
	"io"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Envelope is what every verb prints with --json.
type Envelope struct {
	Tool     string    `json:"tool"`
	Version  string    `json:"version"`
	Verb     string    `json:"verb"`
	Assumed  []Assumed `json:"assumed"`
	Cautions []string  `json:"cautions"`
	Result   any       `json:"result"`
	Error    string    `json:"error,omitempty"` // what could not be done; Result is then null
}

// NewEnvelope returns the envelope of a verb's answer, or of the message that
// says why there is none.
func NewEnvelope(version, verb string, n Notes, result any, message string) Envelope {
	return Envelope{Tool: "holdfast", Version: version, Verb: verb, Assumed: n.Assumed, Cautions: n.Texts(), Result: result, Error: message}
}

// packages are the names that lines of an error may begin with.
var packages = []string{"app: ", "rig: ", "plan: ", "catalog: ", "sky: ", "mech: ", "fits: ", "frame: ", "star: ", "solve: ", "fitting: ", "rehearsal: ", "synth: ", "photo: ", "series: ", "proof: ", "web: "}

// Plainly returns an error's message as a person reads it, without the names of
// the packages that its lines begin with.
func Plainly(err error) string {
	if errors.Is(err, context.Canceled) {
		return "stopped before it was done"
	}
	lines := strings.Split(err.Error(), "\n")
	for i, l := range lines {
		for _, name := range packages {
			l = strings.TrimPrefix(l, name)
		}
		lines[i] = l
	}
	return strings.Join(lines, "\n")
}

// Assumed is one rig entry that was not given.
type Assumed struct {
	Entry string `json:"entry"`
	Value string `json:"value"`
	Why   string `json:"why"`
}

// JSON writes v as indented JSON. Numbers are written with at most nine
// significant digits; NaN and infinities, which stand for unknown, as null; nil
// slices as empty lists.
func JSON(w io.Writer, v any) error {
	e := encoder{layouts: map[reflect.Type]*layout{}}
	e.encode(reflect.ValueOf(v), 0)
	e.b = append(e.b, '\n')
	_, err := w.Write(e.b)
	return err
}

// encoder gathers what is written.
type encoder struct {
	b       []byte
	layouts map[reflect.Type]*layout
}

// layout is how a type is written: what is asked of it, and its fields.
type layout struct {
	time, names, text bool
	fields            []field
}

// field is a field of a struct that is written: where it is, its name as JSON.
type field struct {
	index     []int
	name      string
	omitEmpty bool
}

var (
	timeType  = reflect.TypeFor[time.Time]()
	namesType = reflect.TypeFor[interface{ Names() []string }]() // a set of flags
	textType  = reflect.TypeFor[encoding.TextMarshaler]()
)

// layout returns the layout of a type.
func (e *encoder) layout(t reflect.Type) *layout {
	p, ok := e.layouts[t]
	if !ok {
		p = &layout{time: t == timeType, names: t.Implements(namesType), text: t.Implements(textType)}
		if t.Kind() == reflect.Struct {
			p.fields = fields(nil, t, nil)
		}
		e.layouts[t] = p
	}
	return p
}

// fields appends the exported fields of a struct that have a json tag, those of
// embedded structs in place.
func fields(out []field, t reflect.Type, index []int) []field {
	for i := range t.NumField() {
		f := t.Field(i)
		tag, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		at := append(slices.Clone(index), i)
		switch {
		case f.Anonymous && tag == "":
			out = fields(out, f.Type, at)
		case tag == "" || tag == "-" || !f.IsExported():
		default:
			out = append(out, field{at, string(quoted(nil, tag)) + ": ", opts == "omitempty"})
		}
	}
	return out
}

// newline begins a line at a depth.
func (e *encoder) newline(depth int) {
	e.b = append(e.b, '\n')
	for range depth {
		e.b = append(e.b, "  "...)
	}
}

// encode writes v at the given depth.
func (e *encoder) encode(v reflect.Value, depth int) {
	if !v.IsValid() {
		e.b = append(e.b, "null"...)
		return
	}
	p := e.layout(v.Type())
	if v.Kind() != reflect.Pointer && v.Kind() != reflect.Interface || !v.IsNil() {
		switch {
		case p.time && v.IsZero():
			e.b = append(e.b, "null"...) // it does not happen
			return
		case p.names:
			e.encode(reflect.ValueOf(v.Interface().(interface{ Names() []string }).Names()), depth)
			return
		case p.text:
			if text, err := v.Interface().(encoding.TextMarshaler).MarshalText(); err == nil {
				e.b = quoted(e.b, string(text))
				return
			}
		}
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			e.b = append(e.b, "null"...)
			return
		}
		e.encode(v.Elem(), depth)
	case reflect.Float32, reflect.Float64:
		e.b = number(e.b, v.Float())
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		e.b = strconv.AppendInt(e.b, v.Int(), 10)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		e.b = strconv.AppendUint(e.b, v.Uint(), 10)
	case reflect.Bool:
		e.b = strconv.AppendBool(e.b, v.Bool())
	case reflect.String:
		e.b = quoted(e.b, v.String())
	case reflect.Slice, reflect.Array:
		e.b = append(e.b, '[')
		for i := range v.Len() {
			if i > 0 {
				e.b = append(e.b, ',')
			}
			e.newline(depth + 1)
			e.encode(v.Index(i), depth+1)
		}
		if v.Len() > 0 {
			e.newline(depth)
		}
		e.b = append(e.b, ']')
	case reflect.Struct:
		first := true
		e.b = append(e.b, '{')
		for i := range p.fields {
			f := &p.fields[i]
			value := v.FieldByIndex(f.index)
			if f.omitEmpty && value.IsZero() {
				continue
			}
			if !first {
				e.b = append(e.b, ',')
			}
			first = false
			e.newline(depth + 1)
			e.b = append(e.b, f.name...)
			e.encode(value, depth+1)
		}
		if !first {
			e.newline(depth)
		}
		e.b = append(e.b, '}')
	default:
		panic("report: no JSON for a " + v.Kind().String())
	}
}

// number appends f with at most nine significant digits, enough for a position
// in degrees to a hundredth of an arcsecond; null if it is not known.
func number(b []byte, f float64) []byte {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return append(b, "null"...)
	}
	var room [32]byte
	digits := strconv.AppendFloat(room[:0], f, 'e', 8, 64)
	if r, err := strconv.ParseFloat(string(digits), 64); err == nil {
		f = r
	}
	return strconv.AppendFloat(b, f, 'g', -1, 64)
}

// quoted appends s as a JSON string, leaving <, > and & as they are.
func quoted(b []byte, s string) []byte {
	plain := true
	for i := range len(s) {
		plain = plain && s[i] >= ' ' && s[i] < 0x7f && s[i] != '"' && s[i] != '\\'
	}
	if plain {
		b = append(b, '"')
		b = append(b, s...)
		return append(b, '"')
	}
	var q bytes.Buffer
	enc := json.NewEncoder(&q)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s) // a string always encodes
	return append(b, bytes.TrimSuffix(q.Bytes(), []byte("\n"))...)
}
