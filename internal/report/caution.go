package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// Caution is something to mind for the sake of eyes, hands and gear. Dangers
// come first and are shown before anything else.
type Caution struct {
	Text   string
	Danger bool
}

// sunNear is how near the Sun a target makes every pointing dangerous: common
// practice.
const sunNear unit.Deg = 30

// heavy is the weight above which a tube wants two people: common practice.
const heavy unit.Kg = 15

// SunCautions warns of a target that stands near the Sun. An angle that is NaN
// warns of nothing.
func SunCautions(apart unit.Deg) []Caution {
	if !(apart < sunNear) {
		return nil
	}
	return []Caution{{Danger: true, Text: fmt.Sprintf("The target stands %.0f degrees from the Sun on this date. Never point a telescope there while the Sun is up: "+
		"an unfiltered guide telescope or finder burns eyes, cameras and cloth in an instant. Keep caps on every telescope until the Sun is well down.", float64(apart))}}
}

// PlanCautions returns what to mind on a planned night.
func PlanCautions(r *rig.Rig, res *plan.Result) []Caution {
	out := SunCautions(res.Night.SunApart)
	out = append(out, loadCautions(r)...)
	n := &res.Night
	if !n.Flip.IsZero() {
		out = append(out, Caution{Text: fmt.Sprintf("The mount flips at %s local time. Before leaving it alone check that tube, cameras and cables clear pier and tripod past the meridian and on the other side, and set its tracking limit.", local(n.Flip, n.UTCOffset))})
	}
	if !n.To.IsZero() && n.DarkTo.Sub(n.To) < time.Minute {
		out = append(out, Caution{Text: fmt.Sprintf("The window runs to the end of darkness, %s local time: cap the telescopes, the small ones too, before the Sun comes up.", local(n.To, n.UTCOffset))})
	}
	return append(out, coldCautions(r)...)
}

// StarsCautions returns what to mind when pointing at a target.
func StarsCautions(sunApart unit.Deg) []Caution { return SunCautions(sunApart) }

// PathCautions returns what to mind when bolting a rig together.
func PathCautions(r *rig.Rig) []Caution {
	out := loadCautions(r)
	if r.Imaging.Weight.V > heavy {
		out = append(out, Caution{Text: fmt.Sprintf("The tube weighs %.0f kg: lift it with two people.", float64(r.Imaging.Weight.V))})
	}
	if r.Mount.Kind == rig.Equatorial && r.Mount.Drive != rig.StrainWave {
		out = append(out, Caution{Text: "Counterweights go on before the telescope and come off after it. Hold the telescope when you release a clutch."})
	}
	if r.Guide.Kind == rig.Piggyback {
		out = append(out,
			Caution{Text: "Never have all screws of a ring loose at once: support the guide tube and tether it first."},
			Caution{Text: "For focusing by day take a mast at least 30 degrees from the Sun, from the shade, and keep both telescopes capped while they move. A small guide telescope is a burning glass: cap it by day."})
	}
	return append(out, outdoorCautions(r)...)
}

// InitCautions returns what to mind with a new rig.
func InitCautions(r *rig.Rig) []Caution { return append(loadCautions(r), outdoorCautions(r)...) }

// loadCautions returns what to mind about what the mount carries. A load that
// the rig's own findings speak of is left to them.
func loadCautions(r *rig.Rig) []Caution {
	var out []Caution
	load := r.Imaging.Weight.V
	if r.Guide.Kind != rig.NoGuide {
		load += r.Guide.Weight.V
	}
	share := float64(load / r.Mount.Payload.V)
	switch {
	case share > 1:
		out = append(out, Caution{Danger: true, Text: fmt.Sprintf("The mount carries %.0f %% of its rated load. Do not use it like this: it may slip, or fall.", 100*share)})
	case share > 0.6:
		out = append(out, Caution{Text: fmt.Sprintf("The mount carries %.0f %% of its rated load; for long exposures half is wise and six tenths the most.", 100*share)})
	case share > 0.5:
		out = append(out, Caution{Text: fmt.Sprintf("The mount carries %.0f %% of its rated load, a little more than the half that long exposures like.", 100*share)})
	}
	if r.Mount.Drive == rig.StrainWave {
		out = append(out, Caution{Text: "A strain-wave mount without a counterweight can tip its tripod: spread the legs, load the stand, point a leg under the telescope. Some let go when the power fails: have a hand under the tube."})
	}
	return out
}

// coldCautions returns what to mind in frost.
func coldCautions(r *rig.Rig) []Caution {
	if r.Site.Temperature.V < 0 {
		return []Caution{{Text: "It freezes: never charge lithium cells below 0 degrees C, and no heater or generator in a closed tent."}}
	}
	return nil
}

// outdoorCautions returns what to mind about electricity in the dew.
func outdoorCautions(r *rig.Rig) []Caution {
	out := []Caution{{Text: "Mains current outdoors in dew: use a residual-current device and leads made for outdoors, plugs off the ground, and go by your local code; " +
		"leave fixed wiring to a qualified person. Low voltage at the mount, fused, is the safer choice."}}
	if r.Guide.Kind != rig.NoGuide {
		out = append(out, Caution{Text: "The plug of a guide cable also fits sockets that carry power: look before plugging."})
	}
	return append(out, coldCautions(r)...)
}

// Looks returns what does not fit together in a rig, each in one sentence with
// what to do. Those about the load are left out where a caution says it.
func Looks(r *rig.Rig, cautions []Caution) []string {
	said := false
	for _, c := range cautions {
		said = said || strings.Contains(c.Text, "rated load")
	}
	var out []string
	for _, f := range r.Cautions() {
		if said && len(f.Entries) > 0 && f.Entries[0] == "mount.payload" {
			continue
		}
		text := upper(f.Text)
		if f.Severity == rig.Serious {
			text = "Serious: " + f.Text
		}
		if f.Remedy != "" {
			text += ": " + f.Remedy
		}
		out = append(out, text+".")
	}
	return out
}

// upper returns s with a capital first letter.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// local returns a time of day in local civil time.
func local(t time.Time, offset unit.Hour) string {
	if t.IsZero() || math.IsNaN(float64(offset)) {
		return "?"
	}
	return t.UTC().Add(time.Duration(float64(offset) * float64(time.Hour))).Round(time.Minute).Format("15:04")
}
