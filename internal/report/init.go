package report

import "io"

// Init writes what became of a starter rig.
func Init(w io.Writer, file string, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	p.linef("Wrote %s.", p.bold(file))
	p.para("", "Open it and set what you know: each entry says what it is, in which units, and what is assumed until you do. Then ask")
	p.gap()
	p.linef("  holdfast plan %s", file)
	p.notes(n)
	return p.flush(w)
}
