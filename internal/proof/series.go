package proof

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

// Sample is one exposure of the guide camera: where its star stood from where it
// is held, and by how much the correction that followed was to change that. A
// star that was lost has NaN for its place.
type Sample struct {
	Time         unit.Second // since the series began
	East, North  unit.Arcsec
	MoveE, MoveN unit.Arcsec // NaN where the series has no corrections
	SNR          float64     // NaN where it is not known
}

// Series is what the guide camera measured through a night.
type Series struct {
	Start   time.Time // zero if it does not say
	Samples []Sample
}

// seriesColumns are the columns of a series, the first three of which it must
// have.
var seriesColumns = []string{"time_s", "ra_arcsec", "dec_arcsec", "ra_correction_arcsec", "dec_correction_arcsec", "snr"}

// mostSamples is how many exposures a series may hold.
const mostSamples = 4 << 20

// ReadSeries reads a series in columns named time_s, ra_arcsec, dec_arcsec and,
// if known, ra_correction_arcsec, dec_correction_arcsec and snr, under a name
// for messages. A line "# start_utc: TIME" says when it began; an empty cell is
// a number that is not known. The error names the line, what was found and what
// was expected.
func ReadSeries(name string, r io.Reader) (*Series, error) {
	s := &Series{}
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, 4096), 1<<16)
	var order []int
	n := 0
	fail := func(format string, args ...any) (*Series, error) {
		return nil, fmt.Errorf("proof: %s: line %d: "+format, append([]any{name, n}, args...)...)
	}
	for lines.Scan() {
		n++
		line := strings.TrimSpace(lines.Text())
		if text, ok := strings.CutPrefix(line, "#"); ok {
			if text, ok = strings.CutPrefix(strings.TrimSpace(text), "start_utc:"); ok {
				at, err := time.Parse(time.RFC3339, strings.TrimSpace(text))
				if err != nil {
					return fail("start_utc: found %.40q, want a time such as 2026-08-14T21:00:00Z", strings.TrimSpace(text))
				}
				s.Start = at.UTC()
			}
			continue
		}
		if line == "" {
			continue
		}
		cells := strings.Split(line, ",")
		if order == nil {
			for _, c := range seriesColumns {
				order = append(order, slices.IndexFunc(cells, func(k string) bool { return strings.TrimSpace(k) == c }))
			}
			for i := range 3 {
				if order[i] < 0 {
					return fail("found %.60q, want the names of the columns, %s among them", line, seriesColumns[i])
				}
			}
			continue
		}
		var v [6]float64
		for i, k := range order {
			v[i] = math.NaN()
			if k < 0 || k >= len(cells) || strings.TrimSpace(cells[k]) == "" {
				continue
			}
			x, err := strconv.ParseFloat(strings.TrimSpace(cells[k]), 64)
			if err != nil || math.IsInf(x, 0) {
				return fail("column %s: found %.20q, want a number", seriesColumns[i], cells[k])
			}
			v[i] = x
		}
		switch {
		case math.IsNaN(v[0]):
			return fail("found no time, want time_s in every line")
		case len(s.Samples) > 0 && unit.Second(v[0]) < s.Samples[len(s.Samples)-1].Time:
			return fail("found the time %g s after a later one: want them in order", v[0])
		case len(s.Samples) == mostSamples:
			return fail("found more than %d exposures", mostSamples)
		}
		s.Samples = append(s.Samples, Sample{unit.Second(v[0]), unit.Arcsec(v[1]), unit.Arcsec(v[2]), unit.Arcsec(v[3]), unit.Arcsec(v[4]), v[5]})
	}
	if err := lines.Err(); err != nil {
		n++
		return fail("%v", err)
	}
	if len(s.Samples) == 0 {
		n++
		return fail("found the end, want a series of guide exposures")
	}
	return s, nil
}
