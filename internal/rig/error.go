package rig

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// FieldError says what is wrong with one place of a rig file, or with one
// entry that was set from outside a file.
type FieldError struct {
	File         string // as given to Read; "" when the entry did not come from a file
	Line, Column int    // 1-based, the column in characters; 0 when unknown
	Path         string // of the entry or section, "" when the place belongs to none
	Found        string // what stands there; text from the file is in quotes
	Want         string // what would do
}

// Error returns the message in one line:
// rig: file:line:column: path: found what: what would do.
func (e *FieldError) Error() string {
	var b strings.Builder
	b.WriteString("rig: ")
	if e.File != "" {
		b.WriteString(e.File)
		b.WriteByte(':')
		if e.Line > 0 {
			fmt.Fprintf(&b, "%d:%d:", e.Line, e.Column)
		}
		b.WriteByte(' ')
	}
	if e.Path != "" {
		b.WriteString(e.Path)
		b.WriteString(": ")
	}
	fmt.Fprintf(&b, "found %s: %s", e.Found, e.Want)
	return b.String()
}

// Errors is everything that is wrong with a rig file, sorted by line. It
// unwraps to its FieldErrors.
type Errors struct {
	List []*FieldError
	More int // how many further errors were found and are not listed
}

// Error returns one line for each error.
func (e *Errors) Error() string {
	lines := make([]string, 0, len(e.List)+1)
	for _, f := range e.List {
		lines = append(lines, f.Error())
	}
	if e.More > 0 {
		lines = append(lines, fmt.Sprintf("rig: %s: and %d more", e.List[0].File, e.More))
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the single errors, for errors.As and errors.Is.
func (e *Errors) Unwrap() []error {
	out := make([]error, len(e.List))
	for i, f := range e.List {
		out[i] = f
	}
	return out
}

// quote puts text from a file into quotes for a message, shortened to what a
// person can take in and with unprintable bytes escaped.
func quote(s string) string {
	const most = 48
	if utf8.RuneCountInString(s) > most {
		n := 0
		for i := range s {
			if n == most-1 {
				s = s[:i] + "…"
				break
			}
			n++
		}
	}
	// %q would escape the inch mark, the commonest character of all.
	clean := strings.Map(func(r rune) rune {
		if r < ' ' || r == utf8.RuneError || r == 0x7f {
			return '·'
		}
		return r
	}, s)
	if strings.Contains(clean, `"`) && !strings.Contains(clean, "'") {
		return "'" + clean + "'"
	}
	return `"` + clean + `"`
}

// nearest returns the word that s was most likely meant to be, or "": the one
// with the smallest edit distance, at most a third of its length, or the only
// one of which s is the beginning.
func nearest(s string, among []string) string {
	s = strings.ToLower(s)
	best, bestAt, prefix := len(s), "", ""
	prefixes := 0
	for _, w := range among {
		d := distance(s, w)
		if d < best && d <= max(1, max(len(w), len(s))/3) {
			best, bestAt = d, w
		}
		if len(s) >= 2 && strings.HasPrefix(w, s) || len(w) >= 3 && strings.HasPrefix(s, w) {
			prefix = w
			prefixes++
		}
	}
	if bestAt == "" && prefixes == 1 {
		return prefix
	}
	return bestAt
}

// distance returns the number of insertions, deletions, replacements and
// exchanges of neighbours that turn a into b, counted in bytes.
func distance(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return max(len(a), len(b))
	}
	var rows [3][65]int
	for j := 0; j <= len(b); j++ {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		row, up, upper := &rows[i%3], &rows[(i+2)%3], &rows[(i+1)%3]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(up[j]+1, row[j-1]+1, up[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], upper[j-2]+1)
			}
		}
	}
	return rows[len(a)%3][len(b)]
}
