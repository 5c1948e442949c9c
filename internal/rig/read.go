package rig

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

const (
	maxFile   = 1 << 20 // bytes of a rig file
	maxErrors = 20      // listed for one file
	maxParts  = 20000   // commas and opening brackets in a file, and
	maxLine   = 4096    // bytes of a line: together a bound on what the parser builds
)

// Read reads a rig file. name is used in messages only. At most a megabyte is
// read. Every error of the file is reported together, as *Errors; an error of
// src itself is returned wrapped.
func Read(name string, src io.Reader) (*Rig, error) {
	data, err := io.ReadAll(io.LimitReader(src, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("rig: %s: %w", name, err)
	}
	return Parse(name, data)
}

// Parse reads a rig file that is in memory; otherwise as Read. src is not kept
// and not changed.
func Parse(name string, src []byte) (*Rig, error) {
	d := &decoder{name: name, rig: &Rig{given: map[string]Given{}}, seen: map[string]int{}, tables: map[string]int{}}
	if e := d.refuse(src); e != nil {
		return nil, &Errors{List: []*FieldError{e}}
	}
	d.src = bytes.TrimPrefix(src, bom)
	d.bom = len(src) - len(d.src)
	d.src = d.src[:len(d.src):len(d.src)]
	d.run()
	if len(d.errs) == 0 && len(d.seen) == 0 {
		d.fail(0, "", "no entry", `a rig file gives at least one, such as aperture = "80 mm" under [imaging]`)
	}
	if len(d.errs) == 0 {
		d.strict()
	}
	if len(d.errs) == 0 {
		d.rig.complete()
		for _, e := range d.rig.conflicts() {
			d.fail(d.seen[e.Path], e.Path, e.Found, e.Want)
		}
	}
	if len(d.errs) > 0 {
		return nil, d.all()
	}
	return d.rig, nil
}

var bom = []byte("\xef\xbb\xbf")

// decoder reads one file and collects what is wrong with it.
type decoder struct {
	name   string
	src    []byte // without byte order mark
	bom    int
	rig    *Rig
	seen   map[string]int // offset of each entry's value by path
	tables map[string]int // offset of each section's header
	errs   []placed
}

type placed struct {
	at  int
	err *FieldError
}

// fail notes an error at an offset of src.
func (d *decoder) fail(at int, path, found, want string) {
	d.errs = append(d.errs, placed{at, &FieldError{File: d.name, Path: path, Found: found, Want: want}})
}

// enough reports whether the file is so bad that reading on helps nobody.
func (d *decoder) enough() bool { return len(d.errs) >= 10*maxErrors }

// all returns the errors in the order of the file.
func (d *decoder) all() *Errors {
	slices.SortStableFunc(d.errs, func(a, b placed) int { return cmp.Compare(a.at, b.at) })
	out := &Errors{}
	for i, p := range d.errs {
		if i == maxErrors {
			out.More = len(d.errs) - i
			break
		}
		p.err.Line, p.err.Column = d.place(p.at)
		out.List = append(out.List, p.err)
	}
	return out
}

// place turns an offset into a line and a column, both from 1, the column in
// characters.
func (d *decoder) place(at int) (line, column int) {
	at = max(0, min(at, len(d.src)))
	start := bytes.LastIndexByte(d.src[:at], '\n') + 1
	return bytes.Count(d.src[:at], []byte("\n")) + 1, utf8.RuneCount(d.src[start:at]) + 1
}

func (d *decoder) line(at int) int { n, _ := d.place(at); return n }

// refuse recognises what is no rig file at all.
func (d *decoder) refuse(src []byte) *FieldError {
	bad := func(at int, found, want string) *FieldError {
		d.src = src
		line, column := d.place(at)
		return &FieldError{File: d.name, Line: line, Column: column, Found: found, Want: want}
	}
	const text = "a rig file is a short text file"
	if len(src) > maxFile {
		return bad(0, "more than a megabyte", text+" of a few kilobytes")
	}
	for _, k := range []struct{ magic, what string }{
		{"SIMPLE  =", "a FITS image"}, {"\x1f\x8b", "a compressed file"}, {"PK\x03\x04", "an archive"}, {"BZh", "a compressed file"},
		{"\x89PNG", "a picture"}, {"\xff\xd8\xff", "a picture"}, {"II*\x00", "a picture"}, {"MM\x00*", "a picture"}, {"\x7fELF", "a program"}, {"MZ\x90", "a program"}, {"%PDF", "a PDF document"},
		{"\xff\xfe", "text in UTF-16"}, {"\xfe\xff", "text in UTF-16"}, {"{\\rtf", "a word processor's document"},
	} {
		if bytes.HasPrefix(src, []byte(k.magic)) {
			return bad(0, k.what, text+" in UTF-8")
		}
	}
	if i := bytes.IndexByte(src, 0); i >= 0 {
		return bad(i, "a zero byte", text+" in UTF-8")
	}
	if !utf8.Valid(src) {
		i := 0
		for i < len(src) {
			r, n := utf8.DecodeRune(src[i:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			i += n
		}
		return bad(i, fmt.Sprintf("the byte %#02x, which is no UTF-8", src[i]), "save the file as UTF-8; for ± and µ you may write +- and um")
	}
	if len(bytes.TrimSpace(bytes.TrimPrefix(src, bom))) == 0 {
		return bad(0, "an empty file", "a rig file gives at least one entry; the verb init writes a starter")
	}
	if n := bytes.Count(src, []byte(",")) + bytes.Count(src, []byte("[")) + bytes.Count(src, []byte("{")); n > maxParts {
		return bad(0, fmt.Sprintf("%d commas and brackets", n), "a rig file has a few dozen entries")
	}
	for i := 0; i < len(src); {
		n := lineEnd(src, i) - i
		if n > maxLine {
			return bad(i, fmt.Sprintf("a line of %d bytes", n), fmt.Sprintf("lines of at most %d bytes", maxLine))
		}
		i += n + 1
	}
	return nil
}

// run reads the file, taking up again on the line after a syntax error.
func (d *decoder) run() {
	var p unstable.Parser
	start := 0 // of the part being parsed
	section, known := "", true
	for {
		part := d.src[start:]
		p.Reset(part)
		end := start
		for !d.enough() && p.NextExpression() {
			n := p.Expression()
			switch n.Kind {
			case unstable.Table, unstable.ArrayTable:
				path, at, last := key(n, start)
				end = lineEnd(d.src, last)
				section, known = path, d.header(n.Kind, path, at)
			case unstable.KeyValue:
				end = start + int(n.Raw.Offset+n.Raw.Length)
				if known {
					d.keyValue(section, n, start)
				}
			}
		}
		err := p.Error()
		if err == nil || d.enough() {
			return
		}
		at := len(d.src)
		var pe *unstable.ParserError
		if errors.As(err, &pe) {
			at = start + len(part) - cap(pe.Highlight)
		}
		at = max(start, min(at, len(d.src)))
		begin := d.statement(end, at)
		if !d.syntax(section, begin, at, err.Error()) {
			return
		}
		if d.src[begin] == '[' {
			known = false // whose entries these are cannot be said
		}
		next := bytes.LastIndexByte(d.src[:at], '\n') + 1 // the line of the error, if the statement began above it
		if next <= begin {
			if next = lineEnd(d.src, at) + 1; next >= len(d.src) {
				return
			}
		}
		start = next
	}
}

// key returns a node's dotted key, cut off where it is longer than any entry's,
// and where its last part begins and ends.
func key(n *unstable.Node, start int) (path string, at, end int) {
	it := n.Key()
	for it.Next() {
		k := it.Node()
		switch {
		case path == "":
			path = string(k.Data)
		case len(path) < 100:
			path += "." + string(k.Data)
		}
		at = start + int(k.Raw.Offset)
		end = at + int(k.Raw.Length)
	}
	return path, at, end
}

// header notes a section and reports whether its entries are worth reading.
func (d *decoder) header(k unstable.Kind, path string, at int) bool {
	if _, entry := index[path]; entry {
		_, name := section(path)
		d.fail(at, path, "["+path+"]", "this is an entry, not a section: write "+name+" = …")
		return false
	}
	if !slices.ContainsFunc(sections, func(s Section) bool { return s.Path == path }) {
		d.fail(at, shorten(path), "["+shorten(path)+"]", "no such section; "+noSection(path))
		return false
	}
	if k == unstable.ArrayTable {
		d.fail(at, path, "[["+path+"]]", "there is one of each section: ["+path+"]")
		return true
	}
	if first, twice := d.tables[path]; twice {
		d.fail(at, path, "["+path+"] a second time", fmt.Sprintf("the section begins on line %d; join the two", d.line(first)))
		return true
	}
	d.tables[path] = at
	return true
}

// shorten cuts what a stranger may have made long.
func shorten(s string) string {
	q := quote(s)
	return q[1 : len(q)-1]
}

// keyValue reads one line, or a pair of an inline table.
func (d *decoder) keyValue(prefix string, n *unstable.Node, start int) {
	path, at, _ := key(n, start)
	if prefix != "" {
		path = prefix + "." + path
	}
	v := n.Value()
	i, ok := index[path]
	if !ok {
		isSection := slices.ContainsFunc(sections, func(s Section) bool { return s.Path == path })
		switch {
		case isSection && v.Kind == unstable.InlineTable:
			if first, twice := d.tables[path]; twice {
				d.fail(at, path, path+" a second time", fmt.Sprintf("the section begins on line %d; join the two", d.line(first)))
			} else {
				d.tables[path] = at
			}
			it := v.Children()
			for !d.enough() && it.Next() {
				if it.Node().Kind == unstable.KeyValue {
					d.keyValue(path, it.Node(), start)
				}
			}
		case isSection:
			d.fail(at, path, raw(d, v, start), "this is a section: write ["+path+"] and its entries below")
		default:
			_, name := section(path)
			d.fail(at, shorten(path), "an unknown entry "+quote(name), unknown(path))
		}
		return
	}
	if first, twice := d.seen[path]; twice {
		d.fail(at, path, "the entry a second time", fmt.Sprintf("it stands on line %d already; keep one", d.line(first)))
		return
	}
	d.seen[path] = at
	e := &schema[i]
	text, textAt, ok := d.text(e, v, at, start)
	if !ok {
		return
	}
	d.seen[path] = textAt
	val, p := e.read(text)
	if p != nil {
		if textAt += p.offset; v.Kind != unstable.String || int(v.Raw.Length) != len(v.Data)+2 {
			textAt -= p.offset // escapes: offsets in the text are not those of the file
		}
		d.fail(textAt, path, p.found, p.want)
		return
	}
	e.put(d.rig, val)
	d.rig.given[path] = Given{Text: text, Line: d.line(at)}
}

// raw returns a value as it stands in the file.
func raw(d *decoder, v *unstable.Node, start int) string {
	switch v.Kind {
	case unstable.Array:
		return "a list"
	case unstable.InlineTable:
		return "a table"
	case unstable.LocalDate, unstable.LocalDateTime, unstable.DateTime:
		return "the date " + string(v.Data)
	case unstable.LocalTime:
		return "the time of day " + string(v.Data)
	}
	if o := start + int(v.Raw.Offset); v.Raw.Length > 0 && o+int(v.Raw.Length) <= len(d.src) {
		return shorten(string(d.src[o : o+int(v.Raw.Length)]))
	}
	return shorten(string(v.Data))
}

// text returns the text of a value that fits the kind of entry and where it
// begins; otherwise it notes an error.
func (d *decoder) text(e *Entry, v *unstable.Node, keyAt, start int) (text string, at int, ok bool) {
	at = keyAt
	if v.Raw.Length > 0 {
		at = start + int(v.Raw.Offset)
	} else if i := bytes.IndexByte(d.src[keyAt:], '='); i >= 0 {
		at = keyAt + i + 1
		for at < len(d.src) && (d.src[at] == ' ' || d.src[at] == '\t') {
			at++
		}
	}
	_, name := section(e.Path)
	found := raw(d, v, start)
	wrong := func(want string) (string, int, bool) {
		d.fail(at, e.Path, found, want+"; accepted: "+e.Accepted())
		return "", at, false
	}
	if v.Kind == unstable.String && e.Kind != Lengths {
		if e.Kind == Switch {
			return wrong(fmt.Sprintf("without quotes, %s = true or %s = false", name, name))
		}
		if int(v.Raw.Length) == len(v.Data)+2 {
			at++
		}
		return string(v.Data), at, true
	}
	switch e.Kind {
	case Number:
		number := v.Kind == unstable.Integer || v.Kind == unstable.Float
		if !number {
			return wrong(fmt.Sprintf("a quantity in quotes, as in %s = %q", name, e.example()))
		}
		f, err := tomlNumber(string(v.Data))
		if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
			return wrong("a number of ordinary size")
		}
		text = strconv.FormatFloat(f, 'g', -1, 64)
		if _, p := e.readNumber(text); p != nil && strings.Contains(p.want, "needs a unit") {
			return wrong(fmt.Sprintf("a number needs its unit, in quotes: %s = \"%s %s\"", name, found, e.Unit))
		}
		return text, at, true
	case Word:
		return wrong(fmt.Sprintf("a word in quotes, as in %s = %q", name, e.Choices[0]))
	case Text:
		return wrong(fmt.Sprintf("text stands in quotes: %s = %q", name, found))
	case Switch:
		if v.Kind != unstable.Bool {
			return wrong("a yes or no")
		}
		return string(v.Data), at, true
	}
	// Lengths
	if v.Kind != unstable.Array {
		return wrong(fmt.Sprintf("a list in brackets, as in %s = [\"17 mm\", \"5 mm\"]", name))
	}
	var parts []string
	it := v.Children()
	for it.Next() {
		item := it.Node()
		if item.Kind == unstable.Comment {
			continue
		}
		if item.Raw.Length > 0 {
			at = start + int(item.Raw.Offset)
		}
		if item.Kind != unstable.String {
			found = raw(d, item, start)
			return wrong(fmt.Sprintf("each in quotes with its unit, as in %s = [\"17 mm\", \"5 mm\"]", name))
		}
		part := string(item.Data)
		if _, p := e.readNumber(part); p != nil {
			d.fail(at, e.Path, p.found, p.want)
			return "", at, false
		}
		if strings.Contains(part, "±") || strings.Contains(part, "+") {
			found = quote(part)
			return wrong("a length without ±")
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ", "), at, true
}

// example returns a value that the entry would take.
func (e *Entry) example() string {
	if e.compute == nil && e.text != e.Unset {
		return e.text
	}
	v := math.Sqrt(math.Max(e.Min, 1) * e.Max)
	v, _ = strconv.ParseFloat(sig(v, 1), 64)
	return strings.TrimSpace(sig(min(max(v, e.Min), e.Max), 2) + " " + e.Unit)
}

// tomlNumber reads an integer or float as TOML writes it.
func tomlNumber(s string) (float64, error) {
	s = strings.ReplaceAll(s, "_", "")
	if len(s) > 2 && s[0] == '0' && strings.ContainsRune("xob", rune(s[1])) {
		n, err := strconv.ParseUint(s, 0, 64)
		return float64(n), err
	}
	return strconv.ParseFloat(s, 64)
}

// strict lets the TOML library judge what reading line by line does not see:
// a section that was defined in two ways.
func (d *decoder) strict() {
	var ignore map[string]any
	err := toml.Unmarshal(d.src, &ignore)
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return
	}
	row, column := de.Position()
	at := 0
	for ; row > 1; row-- {
		at += bytes.IndexByte(d.src[at:], '\n') + 1
	}
	at += column - 1
	path := strings.Join(de.Key(), ".")
	d.fail(at, shorten(path), "a second definition of the same section", "write the section once, as ["+shorten(path)+"], with all its entries below it")
}
