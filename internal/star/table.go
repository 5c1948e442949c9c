package star

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"holdfast/internal/unit"
)

// Summarise fills the summary of a frame whose stars came from elsewhere than
// Measure, as Measure does; what it says of an earlier summary is forgotten.
func (f *Frame) Summarise() {
	f.Summary = unknown()
	f.StarsFound = len(f.Stars)
	f.summarise(math.NaN())
}

// tableHead is the first word of a table of stars, with the version of its form.
const tableHead = "# stars: 1"

// column is one number of a star in a table.
type column struct {
	name   string
	digits int
	of     func(*Star) *float64
}

// columns are those of a table, in their order, with units in the names as in
// JSON.
var columns = []column{
	{"x", 4, func(s *Star) *float64 { return (*float64)(&s.X) }},
	{"y", 4, func(s *Star) *float64 { return (*float64)(&s.Y) }},
	{"x_sigma_px", 5, func(s *Star) *float64 { return (*float64)(&s.XSigma) }},
	{"y_sigma_px", 5, func(s *Star) *float64 { return (*float64)(&s.YSigma) }},
	{"flux_adu", 1, func(s *Star) *float64 { return (*float64)(&s.Flux) }},
	{"flux_sigma_adu", 1, func(s *Star) *float64 { return (*float64)(&s.FluxSigma) }},
	{"snr", 2, func(s *Star) *float64 { return &s.SNR }},
	{"peak_adu", 1, func(s *Star) *float64 { return (*float64)(&s.Peak) }},
	{"fwhm_major_px", 4, func(s *Star) *float64 { return (*float64)(&s.Major) }},
	{"fwhm_minor_px", 4, func(s *Star) *float64 { return (*float64)(&s.Minor) }},
	{"angle_deg", 3, func(s *Star) *float64 { return (*float64)(&s.Angle) }},
	{"ellipticity", 5, func(s *Star) *float64 { return &s.Ellipticity }},
	{"tail", 4, func(s *Star) *float64 { return &s.Tail }},
	{"hfd_px", 4, func(s *Star) *float64 { return (*float64)(&s.HFD) }},
}

// WriteTable writes a frame's stars as delimited text: a line that says what it
// is, notes as "# KEY = value", the frame's own numbers likewise, a line of
// column names, and a line for each star. ReadTable reads it back to the digits
// written. Notes are keywords and values without line breaks.
func WriteTable(w io.Writer, f *Frame, notes [][2]string) error {
	b := bufio.NewWriter(w)
	fmt.Fprintln(b, tableHead)
	for _, n := range notes {
		fmt.Fprintf(b, "# %s = %s\n", n[0], n[1])
	}
	for _, n := range f.own() {
		fmt.Fprintf(b, "# %s = %s\n", n.name, strconv.FormatFloat(*n.value, 'g', 9, 64))
	}
	for i, c := range columns {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(c.name)
	}
	b.WriteString(",flags\n")
	var num []byte
	for i := range f.Stars {
		s := &f.Stars[i]
		for _, c := range columns {
			if v := *c.of(s); !math.IsNaN(v) && !math.IsInf(v, 0) {
				num = strconv.AppendFloat(num[:0], v, 'f', c.digits, 64)
				b.Write(num)
			}
			b.WriteByte(',')
		}
		fmt.Fprintf(b, "%d\n", s.Flags)
	}
	return b.Flush()
}

// owned is a number of a frame in a table.
type owned struct {
	name  string
	value *float64
}

// own returns the frame's own numbers that a table keeps; the width and height
// are filled in by whoever reads them.
func (f *Frame) own() []owned {
	w, h := float64(f.Width), float64(f.Height)
	return []owned{{"width_px", &w}, {"height_px", &h}, {"background_adu", (*float64)(&f.Background)}, {"noise_adu", (*float64)(&f.Noise)}, {"ceiling_adu", (*float64)(&f.Ceiling)}, {"gain_electron_adu", &f.Gain}}
}

// IsTable reports whether data begins as a table of stars does.
func IsTable(data []byte) bool { return strings.HasPrefix(string(data), tableHead) }

// mostStars is how many stars a table may list.
const mostStars = 1 << 20

// ReadTable reads a table that WriteTable wrote, under a name for messages, and
// returns the frame, summarised, and the notes. The error names the line, what
// was found and what was expected.
func ReadTable(name string, r io.Reader) (Frame, map[string]string, error) {
	f := Frame{File: name, Summary: unknown(), GainFrom: "given"}
	notes := map[string]string{}
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, 4096), 1<<16)
	fail := func(n int, format string, args ...any) (Frame, map[string]string, error) {
		return f, notes, fmt.Errorf("star: %s: line %d: "+format, append([]any{name, n}, args...)...)
	}
	var order []int
	numbers := f.own()
	n := 0
	for lines.Scan() {
		n++
		line := strings.TrimSpace(lines.Text())
		switch {
		case n == 1:
			if line != tableHead {
				return fail(n, "found %.40q, want %q", line, tableHead)
			}
			continue
		case line == "":
			continue
		case strings.HasPrefix(line, "#"):
			key, value, ok := strings.Cut(strings.TrimSpace(line[1:]), " = ")
			if !ok {
				continue
			}
			if i := slices.IndexFunc(numbers, func(o owned) bool { return o.name == key }); i >= 0 {
				v, err := strconv.ParseFloat(value, 64)
				if err != nil {
					return fail(n, "found %s = %.40q, want a number", key, value)
				}
				*numbers[i].value = v
				continue
			}
			if len(notes) < 1000 {
				notes[key] = value
			}
			continue
		}
		cells := strings.Split(line, ",")
		if order == nil {
			for _, c := range cells {
				order = append(order, slices.IndexFunc(columns, func(k column) bool { return k.name == strings.TrimSpace(c) }))
			}
			if len(cells) < 2 || order[0] < 0 {
				return fail(n, "found %.60q, want the names of the columns, beginning with x,y", line)
			}
			continue
		}
		if len(cells) != len(order) {
			return fail(n, "found %d columns, want the %d that are named", len(cells), len(order))
		}
		if len(f.Stars) == mostStars {
			return fail(n, "found more than %d stars", mostStars)
		}
		nan := math.NaN()
		s := Star{Angle: unit.Deg(nan), MomentMajor: unit.Px(nan), MomentMinor: unit.Px(nan)}
		for i, c := range cells {
			c = strings.TrimSpace(c)
			if order[i] < 0 {
				if i == len(cells)-1 {
					v, err := strconv.ParseUint(c, 10, 32)
					if err != nil || v >= 1<<len(flagNames) {
						return fail(n, "found flags %.20q, want a whole number below %d", c, 1<<len(flagNames))
					}
					s.Flags = Flags(v)
				}
				continue
			}
			v := nan
			if c != "" {
				var err error
				if v, err = strconv.ParseFloat(c, 64); err != nil || math.IsInf(v, 0) {
					return fail(n, "column %s: found %.20q, want a number", columns[order[i]].name, c)
				}
			}
			*columns[order[i]].of(&s) = v
		}
		f.Stars = append(f.Stars, s)
	}
	if err := lines.Err(); err != nil {
		return fail(n+1, "%v", err)
	}
	if order == nil {
		return fail(n+1, "found the end, want a table of stars")
	}
	w, h := *numbers[0].value, *numbers[1].value
	if !(w >= 1 && w < 1<<24 && h >= 1 && h < 1<<24) {
		return fail(n, "found a frame of %v by %v pixels, want width_px and height_px above", w, h)
	}
	f.Width, f.Height = int(w), int(h)
	f.Summarise()
	return f, notes, nil
}
