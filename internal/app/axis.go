package app

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// DefaultSteps is how many values an axis takes when it does not say.
const DefaultSteps = 24

// MostSteps is the largest number of values of one axis.
const MostSteps = 200

// ParseAxis reads "entry=from:to" or "entry=from:to:steps". From and to are
// quantities as they would stand in a rig file, ends included. The values are
// spaced by ratio where the ends are more than a factor of four apart and by
// difference otherwise; those of an entry that counts things are whole.
func ParseAxis(text string) (plan.Axis, error) {
	var none plan.Axis
	name, rest, ok := strings.Cut(text, "=")
	parts := strings.Split(rest, ":")
	if !ok || len(parts) < 2 || len(parts) > 3 {
		return none, fmt.Errorf("found %q: want entry=from:to or entry=from:to:steps, such as imaging.focal=\"200 mm:3 m:30\"", text)
	}
	name = strings.TrimSpace(name)
	entry, err := numberEntry(name)
	if err != nil {
		return none, err
	}
	var ends [2]float64
	for i := range ends {
		q, err := unit.ParseAs(strings.TrimSpace(parts[i]), entry.Dim)
		if err != nil {
			return none, fmt.Errorf("%s: %s", name, plainly(err))
		}
		v, _, ok := q.In(entry.Unit)
		if !ok || v < entry.Min || v > entry.Max || math.IsInf(v, 0) {
			return none, fmt.Errorf("%s: found %q: want %s", name, strings.TrimSpace(parts[i]), entry.Accepted())
		}
		ends[i] = v
	}
	if ends[0] == ends[1] {
		return none, fmt.Errorf("%s: found the same value at both ends: want two", name)
	}
	steps := DefaultSteps
	if len(parts) == 3 {
		steps, err = strconv.Atoi(strings.TrimSpace(parts[2]))
		if err != nil || steps < 2 || steps > MostSteps {
			return none, fmt.Errorf("%s: found %q steps: want a whole number from 2 to %d", name, parts[2], MostSteps)
		}
	}
	slices.Sort(ends[:])
	a := plan.Axis{Entry: name}
	for i := range steps {
		f := float64(i) / float64(steps-1)
		v := ends[0] + f*(ends[1]-ends[0])
		if ends[0] > 0 && ends[1] > 4*ends[0] {
			v = ends[0] * math.Pow(ends[1]/ends[0], f)
		}
		if i == steps-1 {
			v = ends[1]
		} else if i > 0 {
			v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64) // a value a person can set
		}
		if entry.Whole {
			v = math.Round(v)
		}
		if len(a.Values) == 0 || v != a.Values[len(a.Values)-1] {
			a.Values = append(a.Values, v)
		}
	}
	return a, nil
}

// numberEntry returns the entry of a name, which must hold a number.
func numberEntry(name string) (rig.Entry, error) {
	for _, e := range rig.Entries() {
		if e.Path != name {
			continue
		}
		if e.Kind != rig.Number {
			return e, fmt.Errorf("%s: found an entry that is not a number: want one that is, such as imaging.focal or site.seeing", name)
		}
		return e, nil
	}
	// The rig knows which entry is meant.
	_, err := rig.Default().With(name, "0")
	return rig.Entry{}, fmt.Errorf("%s", plainly(err))
}
