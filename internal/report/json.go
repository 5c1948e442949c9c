// Package report draws results for people and programs: text, JSON, SVG. It
// computes nothing; the same result structs feed every form.
package report

import (
	"context"
	"encoding"
	"encoding/json"
	"errors"
	"io"
	"math"
	"reflect"
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
	var b strings.Builder
	encode(&b, reflect.ValueOf(v), "")
	b.WriteByte('\n')
	_, err := io.WriteString(w, b.String())
	return err
}

// encode writes v at the given indentation.
func encode(b *strings.Builder, v reflect.Value, indent string) {
	if !v.IsValid() {
		b.WriteString("null")
		return
	}
	if v.Kind() != reflect.Pointer && v.Kind() != reflect.Interface || !v.IsNil() {
		if at, ok := v.Interface().(time.Time); ok && at.IsZero() {
			b.WriteString("null") // it does not happen
			return
		}
		if m, ok := v.Interface().(interface{ Names() []string }); ok { // a set of flags
			encode(b, reflect.ValueOf(m.Names()), indent)
			return
		}
		if m, ok := v.Interface().(encoding.TextMarshaler); ok {
			text, err := m.MarshalText()
			if err == nil {
				quote(b, string(text))
				return
			}
		}
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			b.WriteString("null")
			return
		}
		encode(b, v.Elem(), indent)
	case reflect.Float32, reflect.Float64:
		f := v.Float()
		if math.IsNaN(f) || math.IsInf(f, 0) {
			b.WriteString("null")
			return
		}
		b.WriteString(number(f))
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		b.WriteString(strconv.FormatInt(v.Int(), 10))
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		b.WriteString(strconv.FormatUint(v.Uint(), 10))
	case reflect.Bool:
		b.WriteString(strconv.FormatBool(v.Bool()))
	case reflect.String:
		quote(b, v.String())
	case reflect.Slice, reflect.Array:
		inner := indent + "  "
		b.WriteByte('[')
		for i := range v.Len() {
			if i > 0 {
				b.WriteByte(',')
			}
			b.WriteString("\n" + inner)
			encode(b, v.Index(i), inner)
		}
		if v.Len() > 0 {
			b.WriteString("\n" + indent)
		}
		b.WriteByte(']')
	case reflect.Struct:
		inner := indent + "  "
		first := true
		b.WriteByte('{')
		fields(v, func(name string, f reflect.Value) {
			if !first {
				b.WriteByte(',')
			}
			first = false
			b.WriteString("\n" + inner)
			quote(b, name)
			b.WriteString(": ")
			encode(b, f, inner)
		})
		if !first {
			b.WriteString("\n" + indent)
		}
		b.WriteByte('}')
	default:
		panic("report: no JSON for a " + v.Kind().String())
	}
}

// fields calls f for each exported field that has a json tag, those of
// embedded structs in place.
func fields(v reflect.Value, f func(string, reflect.Value)) {
	for i := range v.NumField() {
		field := v.Type().Field(i)
		tag, opts, _ := strings.Cut(field.Tag.Get("json"), ",")
		switch {
		case field.Anonymous && tag == "":
			fields(v.Field(i), f)
		case tag == "" || tag == "-" || !field.IsExported():
		case opts == "omitempty" && v.Field(i).IsZero():
		default:
			f(tag, v.Field(i))
		}
	}
}

// number writes f with at most nine significant digits, enough for a position
// in degrees to a hundredth of an arcsecond.
func number(f float64) string {
	r, err := strconv.ParseFloat(strconv.FormatFloat(f, 'e', 8, 64), 64)
	if err != nil {
		r = f
	}
	return strconv.FormatFloat(r, 'g', -1, 64)
}

// quote writes s as a JSON string, leaving <, > and & as they are.
func quote(b *strings.Builder, s string) {
	var q strings.Builder
	enc := json.NewEncoder(&q)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s) // a string always encodes
	b.WriteString(strings.TrimSuffix(q.String(), "\n"))
}
