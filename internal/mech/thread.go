package mech

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/internal/unit"
)

// Thread is how one piece of the light path joins the next: a screw thread or a
// plain barrel held by a clamp.
type Thread struct {
	Name     string
	Diameter unit.MM
	Pitch    unit.MM // 0 for a barrel
	Flange   unit.MM // from the shoulder to the sensor of a camera that keeps the standard; NaN without one
}

// Barrel reports whether the joint is a plain barrel.
func (t Thread) Barrel() bool { return t.Pitch == 0 }

// The standard joints.
var (
	T2        = Thread{"T2", 42, 0.75, 55}                        // M42 x 0.75 with a distance. Source: T-mount convention
	CMount    = Thread{"C", 25.4, 25.4 / 32, 17.526}              // 1-32 UN 2A, 0.69 in. Source: ISO 10935
	CSMount   = Thread{"CS", 25.4, 25.4 / 32, 12.526}             // 5 mm nearer. Source: CS-mount convention, also printed 12.5 and 12.52
	M48       = Thread{"M48x0.75", 48, 0.75, unit.MM(math.NaN())} // filter thread of 2-inch barrels. Source: common practice
	Barrel125 = Thread{"1.25in", 31.75, 0, unit.MM(math.NaN())}   // Source: definition
	Barrel2   = Thread{"2in", 50.8, 0, unit.MM(math.NaN())}       // Source: definition
)

// ParseThread returns the joint a name stands for: T2, C or C-mount, CS,
// 1.25in, 2in, M48 (which is always pitch 0.75), or any metric thread with its
// pitch, as M42x0.75 or M42×1. Case, blanks and hyphens do not matter. A bare
// M42 is refused: it is made with both pitches and they do not fit each other.
func ParseThread(s string) (Thread, error) {
	name := strings.ToLower(strings.TrimSpace(s))
	name = strings.NewReplacer("×", "x", "*", "x", " ", "", "-", "", "_", "", "mount", "", "thread", "", ",", ".").Replace(name)
	switch name {
	case "t2", "t":
		return T2, nil
	case "c", "132un", "132un2a":
		return CMount, nil
	case "cs":
		return CSMount, nil
	case "m48":
		return M48, nil
	case "1.25in", "1.25inch", `1.25"`, "1.25", "31.75mm", "31.7mm", "11/4in", `11/4"`:
		return Barrel125, nil
	case "2in", "2inch", `2"`, "50.8mm":
		return Barrel2, nil
	case "m42":
		return Thread{}, fmt.Errorf("mech: thread %q is made with two pitches that do not fit each other; write M42x0.75 (T2) or M42x1", s)
	}
	if rest, ok := strings.CutPrefix(name, "m"); ok {
		if d, p, ok := strings.Cut(rest, "x"); ok {
			diameter, err1 := strconv.ParseFloat(d, 64)
			pitch, err2 := strconv.ParseFloat(p, 64)
			if err1 == nil && err2 == nil && diameter >= 1 && diameter <= 300 && pitch >= 0.1 && pitch <= 6 && pitch < diameter/2 {
				full := "M" + strconv.FormatFloat(diameter, 'g', -1, 64) + "x" + strconv.FormatFloat(pitch, 'g', -1, 64)
				return Thread{full, unit.MM(diameter), unit.MM(pitch), unit.MM(math.NaN())}, nil
			}
		}
	}
	return Thread{}, fmt.Errorf("mech: thread %q is not known; want T2, C, CS, M48, 1.25in, 2in or a metric thread with its pitch such as M42x0.75", s)
}

// Fit is whether two joints go together.
type Fit struct {
	OK      bool    // they join directly (one of them being the outer half)
	Adapter string  // what to put between; "" when nothing is needed
	Length  unit.MM // that the adapter must have to keep the standard distance; 0 when it may be any
	Why     string
}

// Mates reports whether two joints go together and what adapter they need if
// not. It does not know which half is outside and which inside. Any adapter adds
// its length to the light path.
func Mates(a, b Thread) Fit {
	between := "ring " + a.Name + " to " + b.Name
	switch {
	case a.Barrel() && b.Barrel():
		if sameLength(a.Diameter, b.Diameter) {
			return Fit{OK: true, Why: "both are plain " + a.Name + " barrels"}
		}
		wide, thin := a, b
		if a.Diameter < b.Diameter {
			wide, thin = b, a
		}
		return Fit{Adapter: "reducer " + wide.Name + " to " + thin.Name, Why: "the barrels differ in width"}
	case a.Barrel() != b.Barrel():
		barrel, thread := a, b
		if b.Barrel() {
			barrel, thread = b, a
		}
		return Fit{Adapter: barrel.Name + " nosepiece with " + thread.Name + " thread", Why: "one is a barrel, the other a thread"}
	case sameLength(a.Diameter, b.Diameter) && sameLength(a.Pitch, b.Pitch):
		fit := Fit{OK: true, Why: "the same thread"}
		if step := a.Flange - b.Flange; step != 0 && !math.IsNaN(float64(step)) {
			fit.Length = unit.MM(math.Abs(float64(step)))
			fit.Adapter = strconv.FormatFloat(float64(fit.Length), 'g', 4, 64) + " mm ring"
			fit.Why = fmt.Sprintf("the same thread, but %s expects the sensor at %g mm and %s at %g mm", a.Name, float64(a.Flange), b.Name, float64(b.Flange))
		} else if a.Name != b.Name {
			fit.Why = "the same thread; the distance to the sensor is fixed on one side only"
		}
		return fit
	case sameLength(a.Diameter, b.Diameter):
		return Fit{Adapter: between, Why: fmt.Sprintf("the same width, but pitch %g against %g mm: they start together, then jam; do not force them", float64(a.Pitch), float64(b.Pitch))}
	}
	return Fit{Adapter: between, Why: "the threads differ in width"}
}

// sameLength reports whether two lengths are the same to a hundredth of a millimetre.
func sameLength(a, b unit.MM) bool { return math.Abs(float64(a-b)) < 0.01 }
