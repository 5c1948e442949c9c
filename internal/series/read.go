package series

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/internal/unit"
)

// Layout says what the columns of a text mean. The zero value is for a text in
// the columns that a rehearsal writes, whose names say it.
type Layout struct {
	// Columns holds for each quantity, one of Quantities, the number of its
	// column from 1 or its name in the line of names.
	Columns map[string]string
	// Unit is that of the offsets: "arcsec", "arcmin" or "px". "" is arcsec.
	Unit string
	// Scale turns px into arcsec.
	Scale unit.Scale
}

// Quantities are what a column can hold. A direction is a column of two words
// (such as the letters of two directions) that stand for the signs of the
// correction beside it; which is which is found out.
var Quantities = []string{"time", "ra", "dec", "ra_correction", "dec_correction", "snr", "ra_direction", "dec_direction"}

const (
	colTime = iota
	colRA
	colDec
	colMoveRA
	colMoveDec
	colSNR
	colWayRA
	colWayDec
	columnCount
)

// own are the names of our own columns.
var own = [columnCount]string{"time_s", "ra_arcsec", "dec_arcsec", "ra_correction_arcsec", "dec_correction_arcsec", "snr", "", ""}

// limits of what is read.
const (
	mostSamples = 4 << 20
	longestLine = 1 << 16
)

// ParseColumns reads "time=1,ra=3,dec=Dec error" into Layout.Columns.
func ParseColumns(text string) (map[string]string, error) {
	out := map[string]string{}
	for _, part := range strings.Split(text, ",") {
		k, v, ok := strings.Cut(part, "=")
		k, v = strings.TrimSpace(k), strings.TrimSpace(v)
		if !ok || v == "" || !slices.Contains(Quantities, k) {
			return nil, fmt.Errorf("series: found %.40q: want quantity=column with one of %s and a column's number from 1 or its name, such as time=1,ra=3,dec=4", part, strings.Join(Quantities, ", "))
		}
		if n, err := strconv.Atoi(v); err == nil && (n < 1 || n > 1000) {
			return nil, fmt.Errorf("series: %s: found column %d: want a number from 1", k, n)
		}
		if _, twice := out[k]; twice {
			return nil, fmt.Errorf("series: found %s twice: want it once", k)
		}
		out[k] = v
	}
	for _, k := range Quantities[:colDec+1] {
		if out[k] == "" {
			return nil, fmt.Errorf("series: found no column for %s: want time, ra and dec at least", k)
		}
	}
	return out, nil
}

// reader is the state of reading one text.
type reader struct {
	name    string
	l       Layout
	line    int
	sep     rune // 0 for blanks
	columns [columnCount]int
	named   bool // the columns are known
	factor  float64

	recs   []*Record
	cur    *Record
	brk    bool // the next sample begins a stretch
	day    float64
	clock  float64
	epoch  time.Time
	start  time.Time
	words  [2]map[string]float64
	rows   int
	bad    int
	firstE error
	names  string // a line that looks like one of names, for an error
	total  int
}

// Read reads a record of guide offsets as delimited text, under a name for
// messages. Each time the clock goes back a new record begins; the first has
// the earliest lines. Lines that are no rows of the table are skipped: prose, lines of names, empty ones;
// after an empty line or a line of names the star is taken to be held anew. A cell that is
// empty or no number is a quantity that is not known. Commas, semicolons, tabs,
// bars or blanks separate cells, whichever makes a table; where it is not the
// comma, numbers may have a decimal comma. Time is in seconds, a date with time
// as in ISO 8601, or a time of day, which may pass midnight.
//
// The error names line, column, what was found and what was expected.
func Read(name string, r io.Reader, l Layout) ([]*Record, error) {
	rd := &reader{name: name, l: l, factor: 1}
	switch l.Unit {
	case "", "arcsec":
	case "arcmin":
		rd.factor = 60
	case "px":
		if !(l.Scale > 0) || math.IsInf(float64(l.Scale), 0) {
			return nil, fmt.Errorf("series: %s: offsets in px need the scale of the guide camera in arcsec per pixel", name)
		}
		rd.factor = float64(l.Scale)
	default:
		return nil, fmt.Errorf("series: found the unit %.20q: want arcsec, arcmin or px", l.Unit)
	}
	scan := bufio.NewScanner(r)
	scan.Buffer(make([]byte, 0, 4096), longestLine)
	// The first lines show what separates the cells.
	var head []string
	for len(head) < 400 && scan.Scan() {
		head = append(head, scan.Text())
	}
	if len(head) > 0 {
		head[0] = strings.TrimPrefix(head[0], "\uFEFF")
	}
	rd.sep = separator(head)
	for _, line := range head {
		if err := rd.take(line); err != nil {
			return nil, err
		}
	}
	for scan.Err() == nil && scan.Scan() {
		if err := rd.take(scan.Text()); err != nil {
			return nil, err
		}
	}
	if err := scan.Err(); err != nil {
		rd.line++
		if err == bufio.ErrTooLong {
			return nil, rd.fail("found a line longer than %d characters, want a table", longestLine)
		}
		return nil, rd.fail("%v", err)
	}
	return rd.finish()
}

func (rd *reader) fail(format string, args ...any) error {
	return fmt.Errorf("series: %s: line %d: "+format, append([]any{rd.name, rd.line}, args...)...)
}

// separator returns what separates the cells of a table among the lines: the
// one that makes the most lines of numbers with equally many cells.
func separator(lines []string) rune {
	best, most := ',', 0
	for _, sep := range []rune{',', ';', '\t', '|', 0} {
		counts := map[int]int{}
		for _, line := range lines {
			cells := split(line, sep)
			numbers := 0
			for _, c := range cells {
				if _, ok := cellNumber(c, sep); ok || c == "" {
					numbers++
				}
			}
			if len(cells) >= 3 && 2*numbers >= len(cells) {
				counts[len(cells)] += len(cells)
			}
		}
		for _, n := range counts {
			if n > most {
				best, most = sep, n
			}
		}
	}
	return best
}

// split returns the cells of a line without blanks and quotes around them.
func split(line string, sep rune) []string {
	var cells []string
	if sep == 0 {
		cells = strings.Fields(line)
	} else {
		cells = strings.Split(line, string(sep))
	}
	for i, c := range cells {
		cells[i] = strings.TrimSpace(strings.Trim(strings.TrimSpace(c), `"`))
	}
	return cells
}

// cellNumber reads a finite number.
func cellNumber(c string, sep rune) (float64, bool) {
	if sep != ',' && strings.Count(c, ",") == 1 && !strings.Contains(c, ".") {
		c = strings.Replace(c, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(strings.Replace(c, "−", "-", 1), 64)
	return v, err == nil && math.Abs(v) < 1e15 && !strings.ContainsAny(c, "xX_")
}

// take takes one line.
func (rd *reader) take(line string) error {
	rd.line++
	line = strings.TrimSpace(line)
	if line == "" {
		rd.brk = true
		return nil
	}
	if text, ok := strings.CutPrefix(line, "#"); ok {
		if text, ok = strings.CutPrefix(strings.TrimSpace(text), "start_utc:"); ok {
			at, err := time.Parse(time.RFC3339, strings.TrimSpace(text))
			if err != nil {
				return rd.fail("start_utc: found %.40q, want a time such as 2026-08-14T21:00:00Z", strings.TrimSpace(text))
			}
			rd.start = at.UTC()
			return nil
		}
	}
	cells := split(line, rd.sep)
	if rd.names == "" && len(cells) >= 3 {
		words := 0
		for _, c := range cells {
			if _, ok := cellNumber(c, rd.sep); !ok && c != "" {
				words++
			}
		}
		if words >= 3 && words == len(cells) {
			rd.names = line
		}
	}
	if rd.header(cells) {
		rd.brk = true
		return nil
	}
	if !rd.named {
		return nil
	}
	return rd.row(cells)
}

// header takes a line of names, or settles columns given by number, and reports
// whether the line was one of names.
func (rd *reader) header(cells []string) bool {
	var want [columnCount]string
	byNumber := true
	if len(rd.l.Columns) == 0 {
		want, byNumber = own, false
	} else {
		for i, q := range Quantities {
			want[i] = rd.l.Columns[q]
			if _, err := strconv.Atoi(want[i]); err != nil && want[i] != "" {
				byNumber = false
			}
		}
	}
	var at [columnCount]int
	for i, w := range want {
		at[i] = -1
		if w == "" {
			continue
		}
		if n, err := strconv.Atoi(w); err == nil && len(rd.l.Columns) > 0 {
			at[i] = n - 1
		} else {
			at[i] = slices.IndexFunc(cells, func(c string) bool { return strings.EqualFold(strings.TrimPrefix(c, "# "), w) })
		}
	}
	if byNumber {
		first := !rd.named
		rd.columns, rd.named = at, true
		// A line of words where the numbers should be is one of names.
		if first {
			return false
		}
		for _, i := range []int{colTime, colRA, colDec} {
			if at[i] >= len(cells) {
				return false
			}
			c := cells[at[i]]
			if _, ok := cellNumber(c, rd.sep); ok || c == "" || !strings.ContainsFunc(c, letter) {
				return false
			}
			if _, _, ok := rd.clockOf(c); ok {
				return false
			}
		}
		return true
	}
	for i := range want {
		given := len(rd.l.Columns) > 0 && want[i] != ""
		if at[i] < 0 && (i <= colDec || given) {
			return false
		}
	}
	rd.columns, rd.named = at, true
	return true
}

func letter(r rune) bool { return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' }

// dates are how a date with its time is written.
var dates = []string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999", "2006-01-02 15:04:05.999999999Z07:00", "2006-01-02 15:04:05.999999999", "2006/01/02 15:04:05.999999999"}

// clockOf reads a cell that tells the time: a date, or seconds, of the day or
// since any moment.
func (rd *reader) clockOf(c string) (seconds float64, date time.Time, ok bool) {
	if v, ok := cellNumber(c, rd.sep); ok {
		return v, time.Time{}, true
	}
	if len(c) < 5 || len(c) > 40 || c[0] < '0' || c[0] > '9' {
		return 0, time.Time{}, false
	}
	for _, f := range dates {
		if t, err := time.Parse(f, c); err == nil {
			return 0, t.UTC(), true
		}
	}
	parts := strings.Split(c, ":")
	if len(parts) != 3 {
		return 0, time.Time{}, false
	}
	h, err1 := strconv.Atoi(parts[0])
	m, err2 := strconv.Atoi(parts[1])
	s, ok3 := cellNumber(parts[2], rd.sep)
	if err1 != nil || err2 != nil || !ok3 || h < 0 || h > 47 || m < 0 || m > 59 || s < 0 || s >= 61 {
		return 0, time.Time{}, false
	}
	return float64(h)*3600 + float64(m)*60 + s, time.Time{}, true
}

// row takes a row of the table; a line that is none is skipped.
func (rd *reader) row(cells []string) error {
	cell := func(i int) string {
		if k := rd.columns[i]; k >= 0 && k < len(cells) {
			return cells[k]
		}
		return ""
	}
	text := cell(colTime)
	seconds, date, ok := rd.clockOf(text)
	if !ok {
		if text != "" && rd.firstE == nil {
			rd.firstE = rd.fail("column %d: found %.30q as time, want seconds, a date with time or a time of day", rd.columns[colTime]+1, text)
		}
		if rd.sep == ',' && len(cells) >= 3 && len(rd.l.Columns) == 0 {
			return rd.fail("column %s: found %.20q, want a time in every row", own[colTime], text)
		}
		return nil
	}
	if k := max(rd.columns[colRA], rd.columns[colDec]); k >= len(cells) && rd.sep != ',' && len(cells) < 2 {
		return nil
	}
	var v [columnCount]float64
	for i := colRA; i <= colSNR; i++ {
		v[i] = math.NaN()
		c := cell(i)
		if x, ok := cellNumber(c, rd.sep); ok {
			v[i] = x
		} else if c != "" {
			if len(rd.l.Columns) == 0 {
				return rd.fail("column %s: found %.20q, want a number or nothing", own[i], c)
			}
			if i <= colDec && rd.firstE == nil {
				rd.firstE = rd.fail("column %d: found %.20q as %s, want a number", rd.columns[i]+1, c, Quantities[i])
			}
		}
	}
	for i, k := range []int{colWayRA, colWayDec} {
		if rd.columns[k] < 0 {
			continue
		}
		v[colMoveRA+i] *= rd.way(i, cell(k))
	}
	rd.rows++
	if math.IsNaN(v[colRA]) || math.IsNaN(v[colDec]) {
		rd.bad++
	}
	t := seconds
	if !date.IsZero() {
		if rd.epoch.IsZero() {
			rd.epoch = date
		}
		t = date.Sub(rd.epoch).Seconds()
	} else if strings.Contains(text, ":") {
		if rd.cur != nil && seconds+rd.day < rd.clock-43200 {
			rd.day += 86400
		}
		t = seconds + rd.day
	}
	if rd.cur == nil || t < rd.clock {
		start := rd.start
		if !date.IsZero() {
			start, rd.epoch, t = date, date, 0
		} else if rd.cur != nil && rd.start.Equal(rd.cur.Start) {
			start = time.Time{} // it was for the record before
		}
		rd.cur = &Record{Name: rd.name, Start: start, Exposure: unit.Second(math.NaN()), Sky: true}
		rd.recs = append(rd.recs, rd.cur)
		rd.brk = true
	}
	rd.clock = t
	if rd.total++; rd.total > mostSamples {
		return rd.fail("found more than %d exposures", mostSamples)
	}
	if rd.brk {
		rd.cur.Stretches = append(rd.cur.Stretches, len(rd.cur.Samples))
		rd.brk = false
	}
	rd.cur.Samples = append(rd.cur.Samples, Sample{unit.Second(t), unit.Arcsec(v[colRA] * rd.factor), unit.Arcsec(v[colDec] * rd.factor), unit.Arcsec(v[colMoveRA]), unit.Arcsec(v[colMoveDec]), v[colSNR]})
	return nil
}

// way returns the sign that a word stands for: the first word met is plus. A
// correction without a direction is none.
func (rd *reader) way(axis int, word string) float64 {
	if word == "" {
		return 0
	}
	m := rd.words[axis]
	if m == nil {
		m = map[string]float64{}
		rd.words[axis] = m
	}
	word = strings.ToLower(word)
	if s, ok := m[word]; ok {
		return s
	}
	s := 1.0
	switch len(m) {
	case 0:
	case 1:
		s = -1
	default:
		s = 0
	}
	if len(m) < 8 {
		m[word] = s
	}
	return s
}

// finish returns the records.
func (rd *reader) finish() ([]*Record, error) {
	if rd.rows == 0 || rd.bad == rd.rows {
		switch {
		case rd.firstE != nil:
			return nil, rd.firstE
		case rd.rows > 0:
			return nil, rd.fail("found %d rows, none of them with a number for ra and dec: are the columns right?", rd.rows)
		case !rd.named && len(rd.l.Columns) == 0:
			if rd.names != "" {
				return nil, fmt.Errorf("series: %s: found the columns %.200q: want %s, or to be told which are which, such as --columns time=1,ra=3,dec=4", rd.name, rd.names, strings.Join(own[:colDec+1], ", "))
			}
			return nil, fmt.Errorf("series: %s: found no line with the names of the columns in %d lines: want %s, or to be told which are which, such as --columns time=1,ra=3,dec=4", rd.name, rd.line, strings.Join(own[:colDec+1], ", "))
		case !rd.named:
			var w []string
			for _, q := range Quantities {
				if c := rd.l.Columns[q]; c != "" {
					w = append(w, c)
				}
			}
			if rd.names != "" {
				return nil, fmt.Errorf("series: %s: found the columns %.200q: want %s among them", rd.name, rd.names, strings.Join(w, ", "))
			}
			return nil, fmt.Errorf("series: %s: found no line with the names %s in %d lines", rd.name, strings.Join(w, ", "), rd.line)
		default:
			return nil, fmt.Errorf("series: %s: found no row of numbers in %d lines", rd.name, rd.line)
		}
	}
	for _, r := range rd.recs {
		for _, s := range r.Samples {
			if !math.IsNaN(float64(s.MoveRA)) || !math.IsNaN(float64(s.MoveDec)) {
				r.Moves = Unnamed
				if len(rd.l.Columns) == 0 {
					r.Moves = Asked
				}
				break
			}
		}
	}
	return rd.recs, nil
}
