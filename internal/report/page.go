package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"holdfast/internal/rig"
)

// Style is how text is laid out for a person.
type Style struct {
	Width int  // columns; 0 is 80; below 60 tables no longer shrink
	Bold  bool // set headings and verdicts in bold, where the terminal can
	All   bool // list everything that was assumed, not only what matters most
}

// Notes is what stands beside a result.
type Notes struct {
	Assumed  []Assumed
	Cautions []Caution
	Looks    []string // what does not fit together in the rig
}

// NewNotes returns what stands beside an answer about a rig, which may be nil.
func NewNotes(r *rig.Rig, assumed []rig.Assumed, cautions []Caution) Notes {
	n := Notes{Cautions: cautions}
	for _, a := range assumed {
		n.Assumed = append(n.Assumed, Assumed{Entry: a.Entry, Value: a.Value, Why: a.Why})
	}
	if r != nil {
		n.Looks = Looks(r, cautions)
	}
	return n
}

// Texts returns cautions and looks as one list, for JSON.
func (n Notes) Texts() []string {
	var out []string
	for _, c := range n.Cautions {
		if c.Danger {
			out = append(out, "Danger. "+c.Text)
		}
	}
	for _, c := range n.Cautions {
		if !c.Danger {
			out = append(out, c.Text)
		}
	}
	return append(out, n.Looks...)
}

// page lays out text in columns. What it prints is collected and written by
// flush.
type page struct {
	b     strings.Builder
	style Style
	width int
}

// labelWidth is the width of the labels in front of a line.
const labelWidth = 15

func newPage(s Style) *page {
	p := &page{style: s, width: s.Width}
	if p.width == 0 {
		p.width = 80
	}
	p.width = max(p.width, 60)
	return p
}

// flush writes the page, without space at the ends of lines.
func (p *page) flush(w io.Writer) error {
	lines := strings.Split(strings.TrimRight(p.b.String(), "\n"), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	_, err := io.WriteString(w, strings.Join(lines, "\n")+"\n")
	return err
}

// bold returns s in bold where the style has it.
func (p *page) bold(s string) string {
	if !p.style.Bold {
		return s
	}
	return "\x1b[1m" + s + "\x1b[0m"
}

// linef prints one line.
func (p *page) linef(format string, args ...any) {
	fmt.Fprintf(&p.b, format, args...)
	p.b.WriteByte('\n')
}

// gap prints an empty line.
func (p *page) gap() { p.b.WriteByte('\n') }

// head prints a heading after an empty line; note stands behind it.
func (p *page) head(title, note string) {
	p.gap()
	if note != "" {
		note = "  " + note
	}
	p.linef("%s%s", p.bold(title), note)
}

// para prints wrapped text: the first line behind first, the others behind as
// many spaces.
func (p *page) para(first, text string) {
	indent := columns(first)
	for i, l := range wrap(text, p.width-indent) {
		if i == 0 {
			p.b.WriteString(first)
		} else {
			p.b.WriteString(strings.Repeat(" ", indent))
		}
		p.linef("%s", l)
	}
}

// field prints a label and its wrapped text.
func (p *page) field(label, text string) {
	p.para(pad("  "+label, labelWidth+2), text)
}

// wrap breaks text into lines of at most width columns. A word longer than
// that has a line of its own.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, w := range strings.Fields(text) {
		switch {
		case line == "":
			line = w
		case columns(line)+1+columns(w) > width:
			lines = append(lines, line)
			line = w
		default:
			line += " " + w
		}
	}
	return append(lines, line)
}

// columns returns how many columns s takes: one for each character, none for
// bold.
func columns(s string) int {
	s = strings.NewReplacer("\x1b[1m", "", "\x1b[0m", "").Replace(s)
	return utf8.RuneCountInString(s)
}

// pad fills s with spaces to a width.
func pad(s string, width int) string { return s + strings.Repeat(" ", max(width-columns(s), 0)) }

// lead fills s with spaces in front to a width.
func lead(s string, width int) string { return strings.Repeat(" ", max(width-columns(s), 0)) + s }

// fixed writes a number with a number of decimals, "-" when it is not known.
func fixed(x float64, decimals int) string {
	switch {
	case math.IsNaN(x):
		return "-"
	case math.IsInf(x, 0):
		return "no end"
	}
	return fmt.Sprintf("%.*f", decimals, x)
}

// deserved returns how many decimals, at most most, a number with a spread
// deserves: two digits of the spread where it begins with a 1 or 2, one
// otherwise.
func deserved(spread float64, most int) int {
	for d := 0; d < most; d++ {
		if spread*math.Pow(10, float64(d)) >= 3 {
			return d
		}
	}
	return most
}

// bar returns a share from 0 to 1 as a bar of at most width columns, drawn to
// an eighth of a column.
func bar(share float64, width int) string {
	if !(share > 0) {
		return ""
	}
	eighths := int(math.Round(min(share, 1) * float64(8*width)))
	s := strings.Repeat("█", eighths/8)
	if r := eighths % 8; r > 0 {
		s += string([]rune(" ▏▎▍▌▋▊▉")[r])
	}
	if s == "" {
		s = "▏"
	}
	return s
}

// notes prints cautions and looks.
func (p *page) notes(n Notes) {
	var plain []Caution
	for _, c := range n.Cautions {
		if !c.Danger {
			plain = append(plain, c)
		}
	}
	if len(n.Looks) > 0 {
		p.head("Worth a look in the rig file", "")
		for _, l := range n.Looks {
			p.para("  - ", l)
		}
	}
	if len(plain) > 0 {
		p.head("Mind", "")
		for _, c := range plain {
			p.para("  - ", c.Text)
		}
	}
}

// dangers prints the cautions that come before everything else.
func (p *page) dangers(n Notes) {
	for _, c := range n.Cautions {
		if c.Danger {
			p.para(p.bold("DANGER  "), c.Text)
			p.gap()
		}
	}
}

// assumed prints what was assumed: everything in style All, otherwise the
// entries picked.
func (p *page) assumed(n Notes, pick func(Assumed) bool) {
	shown := 0
	for _, a := range n.Assumed {
		if !p.style.All && !pick(a) {
			continue
		}
		if shown == 0 {
			p.head("Assumed, because nobody gave it", "")
		}
		shown++
		value := a.Value
		if value == "" {
			value = "left open"
		}
		first := "  " + pad(a.Entry, 24) + " " + pad(value, 16) + " "
		if columns(first) > 44 {
			p.linef("  %s %s", pad(a.Entry, 24), value)
			first = strings.Repeat(" ", 27)
		}
		p.para(first, a.Why)
	}
	if rest := len(n.Assumed) - shown; rest > 0 {
		if shown == 0 {
			p.gap()
			p.linef("  %d entries were assumed; --assumed lists them all", rest)
		} else {
			p.linef("  and %d more entries of less weight; --assumed lists them all", rest)
		}
	}
}
