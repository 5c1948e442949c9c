package rig

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Template writes a commented starter rig to w. choices are the entries a
// person has settled, by path; the entries that a person should settle first
// are written as well, with their defaults, and all others that matter stand
// there as comments with their default and its reason. What it writes reads
// back as a rig with the same hash. An unusable choice is an *Errors.
func Template(w io.Writer, choices map[string]string) error {
	r, err := New(choices)
	if err != nil {
		return err
	}
	return r.Write(w)
}

// Write writes the rig as a commented file, as Template does: given entries as
// they were given, the rest with their defaults.
func (r *Rig) Write(w io.Writer) error {
	b := bufio.NewWriter(w)
	title := "A rig"
	if r.Name != "" {
		title = r.Name
	}
	comment(b, title+": a rig file of holdfast. A value is a quantity with its unit, in quotes; what follows ± is one standard deviation. "+
		"A line that begins with # is not read: take the # away and set your own value. What is not given is assumed as the comment says, and every answer that leans on it says so.")
	table := ""
	for i := range schema {
		e := &schema[i]
		g, given := r.given[e.Path]
		if !given && !e.Applies(r) {
			continue
		}
		t, key := section(e.Path)
		if t != table {
			table = t
			fmt.Fprintf(b, "\n[%s]\n", table)
			for _, s := range sections {
				if s.Path == table {
					comment(b, s.Doc)
				}
			}
		}
		b.WriteByte('\n')
		text, why := e.Default(r)
		switch {
		case given:
			comment(b, e.Doc+" ("+e.Accepted()+")")
			fmt.Fprintf(b, "%s = %s\n", key, e.toml(g.Text))
		case e.Main && text != "":
			comment(b, e.Doc+" ("+e.Accepted()+"). Until you know better: "+why)
			fmt.Fprintf(b, "%s = %s\n", key, e.toml(text))
		default:
			comment(b, e.Doc+" ("+e.Accepted()+"). Assumed: "+why)
			fmt.Fprintf(b, "#%s = %s\n", key, e.toml(text))
		}
	}
	return b.Flush()
}

// comment writes text as comment lines of readable width.
func comment(b *bufio.Writer, text string) {
	const width = 88
	n := 0
	for _, w := range strings.Fields(text) {
		l := utf8.RuneCountInString(w)
		switch {
		case n == 0:
			b.WriteString("#")
			n = 1
		case n+1+l > width:
			b.WriteString("\n#")
			n = 1
		}
		b.WriteByte(' ')
		b.WriteString(w)
		n += 1 + l
	}
	b.WriteByte('\n')
}

// toml writes an entry's text as a TOML value.
func (e *Entry) toml(text string) string {
	switch e.Kind {
	case Switch:
		v, _ := e.read(text)
		return fmt.Sprint(v.on)
	case Lengths:
		if strings.TrimSpace(text) == "" {
			return "[]"
		}
		parts := strings.Split(text, ",")
		for i, p := range parts {
			parts[i] = tomlString(strings.TrimSpace(p))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	if e.Kind == Number && plain(text) {
		return text
	}
	return tomlString(text)
}

// plain reports whether text is a number that TOML reads without quotes.
func plain(text string) bool {
	whole, decimals, point := strings.Cut(text, ".")
	digits := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	return digits(whole) && (whole == "0" || whole[0] != '0') && len(whole) < 16 && (!point || digits(decimals))
}

// tomlString quotes s so that TOML reads it back: plainly where it can, else
// in single quotes, else with escapes.
func tomlString(s string) string {
	if !strings.ContainsAny(s, "\"\\") {
		return `"` + s + `"`
	}
	if !strings.Contains(s, "'") {
		return "'" + s + "'"
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}
