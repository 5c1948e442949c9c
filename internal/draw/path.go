package draw

import (
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// LightPath is a guide telescope from its lens to the sensor, seen from the
// side. Distances are along the light; focus lies at Focal behind the lens, and
// further by Glass.
type LightPath struct {
	Aperture, Focal unit.MM
	BackFocus       unit.MM // rear thread to focal plane with the focuser fully in
	Glass           unit.MM // by which filters move the focal plane away
	Travel          unit.MM // of the focuser
	Out             unit.MM // the focuser from fully in
	Turns           float64 // the same in turns; NaN without a thread
	Slide           unit.MM // the nosepiece is drawn out
	Spacers         []unit.MM
	Flange          unit.MM // camera face to sensor
	Sensor          unit.MM // its height
}

// The measures of a light path, in its own units.
const (
	pathWide  = 760.0
	pathSide  = 24.0
	pathAxis  = 120.0
	pathHigh  = 262.0
	camera    = 34.0 // body behind the sensor, in millimetres of the drawing
	tubeShare = 0.5  // of the drawn height that the aperture takes at most
)

// SVG draws the path to scale along the light; across it tubes are drawn as wide
// as their light needs.
func (p LightPath) SVG() string {
	focus := float64(p.Focal + p.Glass)
	rear := float64(p.Focal-p.BackFocus) + float64(p.Out)
	at := rear
	for _, s := range p.Spacers {
		at += float64(s)
	}
	at += float64(p.Slide)
	face := at
	sensor := face + float64(p.Flange)
	miss := sensor - focus
	end := math.Max(sensor, focus) + camera
	scale := (pathWide - 2*pathSide) / end
	x := func(mm float64) float64 { return pathSide + mm*scale }
	half := math.Min(float64(p.Aperture)/2*scale, tubeShare*pathAxis)
	label := fmt.Sprintf("The light path from the side: lens of %.0f mm, focus %.0f mm behind it, sensor %.1f mm behind it", float64(p.Aperture), focus, sensor)
	if math.Abs(miss) < 0.05 {
		label += "; the sensor lies in focus"
	} else {
		label += fmt.Sprintf("; the sensor misses focus by %.1f mm", math.Abs(miss))
	}
	s := begin(pathWide, pathHigh, "train", label)
	y := pathAxis
	box := func(from, to, h float64, fill, more string) {
		s.linef(`<rect x="%s" y="%s" width="%s" height="%s" fill="%s" stroke="var(--ink)" stroke-width="1.4"%s/>`, num(x(from)), num(y-h), num((to-from)*scale), num(2*h), fill, space(more))
	}
	tubeEnd := math.Max(rear-float64(p.Travel)-6, 12)
	s.path("soft", 0.8, `stroke-dasharray="14 4 3 4"`, "M%s %sH%s", num(8), num(y), num(pathWide-8))
	box(0, tubeEnd, half+5, "none", "")                     // the tube
	box(tubeEnd, rear, math.Max(half*0.62, 22), "none", "") // the drawtube, as far out as it is
	full := rear - float64(p.Out) + float64(p.Travel)       // where it would end fully out
	box(rear, math.Max(full, rear+0.01), 20, "none", `stroke-dasharray="4 4" opacity="0.55"`)
	lens := 7 + half*0.08
	s.linef(`<path d="M%s %sQ%s %s %s %sQ%s %s %s %sZ" fill="var(--ink)" fill-opacity="0.12" stroke="var(--ink)" stroke-width="1.2"/>`,
		num(x(0)), num(y-half), num(x(0)+lens), num(y), num(x(0)), num(y+half), num(x(0)-lens*0.5), num(y), num(x(0)), num(y-half))
	s.path("soft", 0.9, "", "M%s %sL%s %sM%s %sL%s %s", num(x(0)), num(y-half), num(x(focus)), num(y), num(x(0)), num(y+half), num(x(focus)), num(y))
	// The spacers, hatched, then the nosepiece and the camera.
	s.hatch("path-hatch", 6)
	from := rear
	for _, sp := range p.Spacers {
		box(from, from+float64(sp), 26, "url(#path-hatch)", "")
		from += float64(sp)
	}
	if p.Slide > 0 {
		box(from, face, 16, "none", "")
	}
	box(face, sensor+camera, 30, "var(--sheet)", `fill-opacity="0.6"`)
	tall := math.Max(float64(p.Sensor)/2*scale, 6)
	s.path("ink", 4, "", "M%s %sV%s", num(x(sensor)), num(y-tall), num(y+tall))
	s.path("mark", 2, `stroke-dasharray="6 4"`, "M%s %sV%s", num(x(focus)), num(y-92), num(y+56))
	if math.Abs(miss) < 0.05 {
		s.text(math.Min(x(focus), pathWide-130), y-98, 13, "mark", "middle", `font-weight="700"`, "focus, on the sensor")
	} else {
		where := "behind"
		if miss > 0 {
			where = "in front of"
		}
		s.text(math.Min(x(focus), pathWide-150), y-98, 13, "mark", "middle", `font-weight="700"`, fmt.Sprintf("focus, %.1f mm %s the sensor", math.Abs(miss), where))
	}
	// Dimensions.
	row := y + 70
	s.dimension(x(0), x(focus), row+46, fmt.Sprintf("%.4g mm from lens to focus", focus))
	turns := ""
	if !math.IsNaN(p.Turns) {
		turns = fmt.Sprintf(", %.1f turns", p.Turns)
	}
	s.dimension(x(rear-float64(p.Out)), x(rear), row, fmt.Sprintf("%.1f mm out%s", float64(p.Out), turns))
	from = rear
	for _, sp := range p.Spacers {
		s.dimension(x(from), x(from+float64(sp)), row+22, fmt.Sprintf("%.3g", float64(sp)))
		from += float64(sp)
	}
	s.dimension(x(face), x(sensor), row, fmt.Sprintf("%.3g", float64(p.Flange)))
	s.text(pathSide, 16, 12, "soft", "start", "", "lens")
	s.text(x((tubeEnd+rear)/2), y-math.Max(half*0.62, 22)-6, 12, "soft", "middle", "", "focuser")
	s.text(x(sensor+camera)-4, y-36, 12, "soft", "end", "", "camera")
	if len(p.Spacers) > 0 {
		s.text(x((rear+from)/2), y+44, 12, "soft", "middle", "", plural(len(p.Spacers), "spacer", "spacers"))
	}
	return s.end()
}

// plural returns the word that goes with a number.
func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// dimension draws a dimension line under the parts.
func (s *sheet) dimension(from, to, y float64, text string) {
	s.path("soft", 1, "", "M%s %sv9M%s %sv9M%s %sH%s", num(from), num(y-4), num(to), num(y-4), num(from), num(y), num(to))
	s.text((from+to)/2, y+14, 12, "ink", "middle", "", text)
}

// Shoe is the holder of a guide telescope seen from behind.
type Shoe struct {
	Screws  int         // per ring
	PerTurn unit.Arcmin // of pointing for a turn at one ring
}

// SVG draws both rings with their screws numbered against the clock from the
// top, and which way each moves the view.
func (h Shoe) SVG() string {
	s := begin(560, 270, "shoe", fmt.Sprintf("The two rings from behind, %d screws each, numbered against the clock from the top", h.Screws))
	for i, name := range []string{"front ring", "rear ring"} {
		cx := 140 + 280*float64(i)
		s.linef(`<circle cx="%s" cy="130" r="86" fill="none" stroke="var(--ink)" stroke-width="1.4"/><circle cx="%s" cy="130" r="74" fill="none" stroke="var(--ink)" stroke-width="1.4"/><circle cx="%s" cy="130" r="44" fill="var(--sheet)" stroke="var(--ink)" stroke-width="1.8"/>`, num(cx), num(cx), num(cx))
		for k := range h.Screws {
			a := 2 * math.Pi * float64(k) / float64(h.Screws)
			sin, cos := math.Sin(a), math.Cos(a)
			at := func(r float64) string { return num(cx-r*sin) + " " + num(130-r*cos) }
			s.path("ink", 5, "", "M%sL%s", at(45), at(92))
			s.path("ink", 11, "", "M%sL%s", at(92), at(100))
			s.linef(`<text x="%s" y="%s" font-size="14" font-weight="700" fill="var(--ink)" text-anchor="middle">%s%d</text>`, num(cx-114*sin), num(135-114*cos), string("FR"[i]), k+1)
		}
		s.text(cx, 264, 13, "soft", "middle", "", name)
	}
	s.text(280, 134, 12, "soft", "middle", "", fmt.Sprintf("%.0f′ a turn", float64(h.PerTurn)))
	return s.end()
}

// PickOff is a pick-off prism seen from the front, as the sky lies.
type PickOff struct {
	SensorWidth, SensorHeight unit.MM // imaging
	PrismWidth, PrismHeight   unit.MM // tangential and radial
	OffAxis                   unit.MM // to the prism's centre
	Angle                     unit.Deg
	Stars                     []unit.Deg // angles at which a star is caught, the best first
}

// SVG draws the sensor, the prism and the circle that it can sweep.
func (p PickOff) SVG() string {
	reach := float64(p.OffAxis) + float64(p.PrismHeight)/2
	diag := math.Hypot(float64(p.SensorWidth), float64(p.SensorHeight)) / 2
	scale := 165 / math.Max(reach, diag)
	s := begin(400, 400, "pickoff", fmt.Sprintf("The pick-off from the front: the prism's centre %.1f mm off the axis at %.0f degrees; %d angles catch a star", float64(p.OffAxis), float64(p.Angle), len(p.Stars)))
	w, h := float64(p.SensorWidth)*scale, float64(p.SensorHeight)*scale
	s.linef(`<rect x="%s" y="%s" width="%s" height="%s" fill="var(--sheet)" stroke="var(--ink)" stroke-width="1.8"/>`, num(200-w/2), num(200-h/2), num(w), num(h))
	s.text(200, 204, 12, "soft", "middle", "", "imaging sensor")
	for _, r := range []float64{float64(p.OffAxis) - float64(p.PrismHeight)/2, reach} {
		s.linef(`<circle cx="200" cy="200" r="%s" fill="none" stroke="var(--soft)" stroke-dasharray="5 5"/>`, num(math.Max(r, 0)*scale))
	}
	s.hatch("prism-hatch", 6)
	pw, ph := float64(p.PrismWidth)*scale, float64(p.PrismHeight)*scale
	s.linef(`<g transform="translate(200 200) rotate(%s)"><rect x="%s" y="%s" width="%s" height="%s" fill="url(#prism-hatch)" stroke="var(--mark)" stroke-width="2"/></g>`,
		num(-float64(p.Angle)), num(-pw/2), num(-float64(p.OffAxis)*scale-ph/2), num(pw), num(ph))
	for i, a := range p.Stars {
		r := (reach + 1.2) * scale
		sin, cos := math.Sincos(float64(a.Rad()))
		s.linef(`<circle cx="%s" cy="%s" r="%s" fill="var(--ink)"/>`, num(200-r*sin), num(200-r*cos), num(math.Max(5-0.7*float64(i), 2)))
	}
	s.path("ink", 1.4, "", "M200 24V8m-4 6l4 -6l4 6")
	s.text(212, 18, 13, "ink", "start", `font-weight="700"`, "N")
	s.text(10, 204, 13, "ink", "start", `font-weight="700"`, "E")
	return s.end()
}

// hatch defines a pattern of slanted lines; fill with "url(#id)".
func (s *sheet) hatch(id string, gap float64) {
	s.linef(`<defs><pattern id="%s" width="%s" height="%s" patternUnits="userSpaceOnUse" patternTransform="rotate(35)"><path d="M0 0V%s" stroke="var(--ink)" stroke-width="1.1"/></pattern></defs>`, id, num(gap), num(gap), num(gap))
}
