package rig

import (
	"bufio"
	"fmt"
	"io"
	"strings"
)

// WriteReference writes the description of the rig file in Markdown: how
// values are written and a table of every entry for each section.
func WriteReference(w io.Writer) error {
	b := bufio.NewWriter(w)
	b.WriteString(referenceHead)
	r := Default()
	cell := strings.NewReplacer("|", `\|`, "\n", " ")
	table := "?"
	for i := range schema {
		e := &schema[i]
		t, key := section(e.Path)
		if t != table {
			table = t
			title, doc := "`["+t+"]`", ""
			if t == "" {
				title, doc = "At the top", "Before the first section."
			}
			for _, s := range sections {
				if s.Path == t {
					doc = s.Doc
				}
			}
			fmt.Fprintf(b, "\n## %s\n\n%s\n\n| entry | what it is | accepted | when not given | why |\n|---|---|---|---|---|\n", title, doc)
		}
		text, why := e.Default(r)
		if text != "" {
			text = "`" + text + "`"
		}
		if e.compute != nil {
			text += " *"
		}
		accepted := e.Accepted()
		if e.Kind == Number {
			if units := e.Dim.Accepted(); units != "no unit, x, %, ppm" {
				accepted += " (" + units + ")"
			}
		}
		fmt.Fprintf(b, "| `%s` | %s | %s | %s | %s |\n", key, cell.Replace(e.Doc), cell.Replace(accepted), cell.Replace(strings.TrimSpace(text)), cell.Replace(why))
	}
	return b.Flush()
}

const referenceHead = `# The rig file

<!-- Written by the tests of internal/rig from its table of entries: go test ./internal/rig -run Reference -update -->

A rig file describes one person's telescopes, mount, site and settings. It is a
[TOML](https://toml.io) file: sections in brackets, one entry a line, comments
after ` + "`#`" + `. An entry that is not given takes the default of the tables below; every
answer that leans on a default says so. Defaults marked * depend on other
entries; the tables show them for a rig of which nothing is given.

How a value is written:

- A quantity is a number and its unit in quotes: ` + "`aperture = \"50 mm\"`" + `. A missing or
  foreign unit is an error. Ratios and counts need no unit and no quotes.
- Fractions and mixed numbers: ` + "`\"3/4 in\"`, `\"1-1/4 in\"`" + `. Decimals take a point, not a
  comma. Exponents: ` + "`\"3.0e6 e-/s/cm2\"`" + `.
- An uncertainty follows ± (or +-, +/-) and is one standard deviation:
  ` + "`\"2.5 ± 0.6 arcsec\"`, `\"714 mm ± 1 %\"`" + `.
- Angles also as ` + "`\"47d12m30s\"`" + `, latitudes and longitudes with their hemisphere:
  ` + "`\"33.4 deg S\"`" + `. The marks " and ' are arcseconds and arcminutes of angle; " is
  an inch of length.
- Words such as ` + "`plan`, `unknown`, `none`" + ` leave an entry open where the table says so.
`
