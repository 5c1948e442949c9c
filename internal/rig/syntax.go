package rig

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"
)

// comma finds a number with a decimal comma.
var comma = regexp.MustCompile(`^[-+]?[0-9]+,[0-9]`)

// statement returns where the statement begins that could not be read: the
// first line from end on that is not blank or a comment.
func (d *decoder) statement(end, at int) int {
	i := end
	for i < at {
		rest := d.src[i:]
		n := len(rest) - len(bytes.TrimLeft(rest, " \t\r\n"))
		i += n
		if i >= at || d.src[i] != '#' {
			break
		}
		nl := bytes.IndexByte(d.src[i:], '\n')
		if nl < 0 {
			break
		}
		i += nl + 1
	}
	return min(i, at)
}

// syntax notes that the statement at start, in a section, could not be read
// from at on. The
// library's words are not shown; they only tell the cases apart. It reports
// whether reading on makes sense: not when something was left open to the end.
func (d *decoder) syntax(table string, start, at int, said string) bool {
	// The statement's line up to a comment, which is what a person looks at.
	line := d.src[start:]
	if i := bytes.IndexByte(line, '\n'); i >= 0 {
		line = line[:i]
	}
	text := strings.TrimRight(string(line), " \t\r")
	has := func(parts ...string) bool {
		for _, p := range parts {
			if strings.Contains(said, p) {
				return true
			}
		}
		return false
	}
	key, value, assigned := strings.Cut(text, "=")
	key = strings.TrimSpace(key)
	valueAt := start + len(text) - len(strings.TrimLeft(value, " \t"))
	value = strings.TrimSpace(value)
	if i := strings.IndexByte(value, '#'); i >= 0 && !strings.ContainsAny(value, `"'`) {
		value = strings.TrimSpace(value[:i])
	}
	const form = "a line is a [section], an entry such as aperture = \"80 mm\", or a # comment"
	r, _ := utf8.DecodeRune(d.src[min(at, len(d.src)):])
	bare := assigned && value != "" && !strings.ContainsAny(value[:1], `"'[{`)
	path, accepted := "", ""
	name := strings.TrimSpace(key)
	if !assigned {
		name, _, _ = strings.Cut(name, ":")
		name, _, _ = strings.Cut(name, " ")
	}
	if table != "" {
		name = table + "." + name
	}
	if i, ok := index[name]; ok {
		path, accepted = name, "; accepted: "+schema[i].Accepted()
	}

	switch {
	case has("nested"):
		d.fail(at, "", "lists or tables nested without end", form)
	case has("array is incomplete"), has("expected ',' or ']'") && at > start+len(line):
		d.fail(start, path, quote(text), "a list ends with a bracket ]")
	case has("inline table is incomplete"):
		d.fail(start, path, quote(text), "a table in braces ends with }")
	case has("multiline", "too many quotes"):
		d.fail(start, path, quote(text), "text in three quotes ends with three quotes; a rig file needs only one")
	case has("carriage return"), r == '\r':
		d.fail(at, "", "a carriage return without a line feed", "lines that end in LF or CR LF")
	case strings.ContainsAny(value, "“”„‟″") && !strings.HasPrefix(value, `"`):
		d.fail(valueAt, path, quote(value), `straight quotes, as in "50 mm"`)
	case has("control character"):
		d.fail(at, "", fmt.Sprintf("the control character %#02x", r), "printable text")
	case has("escape", "need a character after", "hexadecimal"):
		d.fail(at, "", quote(string(d.src[at:min(at+2, len(d.src))])), `a backslash in double quotes begins an escape; write single quotes, or leave it out`)
	case has("cannot have new lines", "unterminated"):
		at = start
		if assigned {
			at = valueAt
			text = value
		}
		d.fail(at, path, quote(text), "the closing quote is missing on this line")
	case has("close table name", "close array table name"), strings.HasPrefix(text, "[") && has("start of key"):
		d.fail(start, path, quote(text), "a section stands alone in brackets, as in [imaging]")
	case assigned && value == "", has("expected value, not end"):
		d.fail(max(start, start+len(text)-1), path, "nothing after "+quote(key+" ="), "a value stands after the equals sign"+accepted)
	case bare && comma.MatchString(value):
		d.fail(valueAt, path, quote(value), fmt.Sprintf("a decimal point, not a comma, and a quantity in quotes: %s = \"%s\"%s", shorten(key), shorten(strings.Replace(value, ",", ".", 1)), accepted))
	case bare:
		d.fail(valueAt, path, quote(value), fmt.Sprintf("a value stands in quotes: %s = \"%s\"%s", shorten(key), shorten(strings.Trim(value, `"'`)), accepted))
	case has("expected newline") && strings.HasPrefix(text, "["):
		d.fail(at, path, quote(text), "a section stands alone on its line")
	case has("expected newline") && assigned && (r == ',' || r == ';'):
		d.fail(at, path, quote(value), "one entry a line, and nothing after its value but a # comment")
	case has("expected newline") && assigned:
		d.fail(at, path, quote(value), "one value in one pair of quotes; for the marks of inch and arcsecond write in and arcsec, or put the whole in single quotes")
	case has("expected ','", "unexpected comma", "expected value", "unexpected character", "strings must be quoted", "expected keyword", "expected number", "expected digit"):
		d.fail(at, "", quote(string(d.src[at:lineEnd(d.src, at)])), "values in a list or table stand in quotes with a comma between them")
	case has("expected '=' after key") && strings.Contains(text, ":"):
		d.fail(start, path, quote(text), "an equals sign, not a colon: aperture = \"80 mm\"")
	case has("expected '=' after key"):
		d.fail(start, path, quote(text), "an equals sign between entry and value: aperture = \"80 mm\"")
	default:
		d.fail(at, "", quote(string(d.src[at:lineEnd(d.src, at)])), form)
	}
	return start < len(d.src) && !has("nested", "incomplete", "multiline", "too many quotes")
}

// lineEnd returns where the line at i ends.
func lineEnd(s []byte, i int) int {
	if n := bytes.IndexByte(s[i:], '\n'); n >= 0 {
		return i + n
	}
	return len(s)
}
