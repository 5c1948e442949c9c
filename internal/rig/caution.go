package rig

import (
	"fmt"
	"math"
	"strings"

	"holdfast/internal/optics"
	"holdfast/internal/unit"
)

// Severity says how much a finding matters.
type Severity uint8

// The severities.
const (
	Note    Severity = iota // worth knowing
	Warning                 // will cost something, or is probably a slip
	Serious                 // will not work, or not safely
)

// String returns the severity in a word.
func (s Severity) String() string {
	switch s {
	case Warning:
		return "warning"
	case Serious:
		return "serious"
	}
	return "note"
}

// Finding is something about the rig that a person should look at, although
// every entry by itself is in order.
type Finding struct {
	Severity Severity
	Entries  []string // paths of the entries it follows from
	Text     string   // what was found, with figures
	Remedy   string   // what to do or to check
}

// conflicts returns contradictions between given entries that no plan could
// make sense of.
func (r *Rig) conflicts() []*FieldError {
	var out []*FieldError
	m := &r.Mount
	if r.has("mount.teeth") && r.has("mount.period") && m.Drive == Worm && m.Teeth.V > 0 {
		want := siderealDay / m.Teeth.V
		if math.Abs(float64(m.Period.V)/want-1) > 0.01 {
			out = append(out, &FieldError{Path: "mount.period", Found: sig(float64(m.Period.V), 6) + " s with " + sig(m.Teeth.V, 6) + " teeth",
				Want: fmt.Sprintf("a wheel of %g teeth turns its worm in %s s (a sidereal day over the teeth); give one of the two", m.Teeth.V, sig(want, 6))})
		}
	}
	if l := &r.Loop; l.MinPulse.V > l.MaxPulse.V {
		path := "loop.max_pulse"
		if !r.has(path) {
			path = "loop.min_pulse"
		}
		out = append(out, &FieldError{Path: path, Found: fmt.Sprintf("a shortest correction of %s s and a longest of %s s", sig(float64(l.MinPulse.V), 3), sig(float64(l.MaxPulse.V), 3)),
			Want: "the longest at or above the shortest"})
	}
	return out
}

// Cautions returns what does not fit together in the rig, in the order of the
// file's sections; nil when all is well. It looks at each entry's value, given
// or assumed, but only speaks of an assumption when something given clashes
// with it.
func (r *Rig) Cautions() []Finding {
	var out []Finding
	add := func(s Severity, text, remedy string, entries ...string) {
		out = append(out, Finding{s, entries, text, remedy})
	}
	r.siteCautions(add)
	r.opticsCautions(add)
	r.cameraCautions(add, "imaging.camera", &r.Imaging.Camera)
	if guided(r) {
		r.cameraCautions(add, "guide.camera", &r.Guide.Camera)
		r.guideCautions(add)
	}
	if pickoff(r) {
		r.prismCautions(add)
	}
	r.mountCautions(add)
	r.loopCautions(add)
	r.unusedCautions(add)
	r.wideCautions(add)
	return out
}

type adder func(s Severity, text, remedy string, entries ...string)

func (r *Rig) siteCautions(add adder) {
	s := &r.Site
	if r.has("site.longitude") && r.has("site.utc_offset") {
		off := func(deg float64) float64 {
			return math.Abs(math.Remainder(deg/15-float64(s.UTCOffset.V), 24))
		}
		lat, long := float64(s.Latitude.V), float64(s.Longitude.V)
		switch {
		case off(long) <= 3.6: // the widest civil offsets from solar time, with summer time
		case off(-long) <= 2:
			add(Warning, fmt.Sprintf("longitude %s and a civil time of UTC %+g h do not fit, but %s would", unit.Format(long, 0, unit.Longitude, "deg"), float64(s.UTCOffset.V), unit.Format(-long, 0, unit.Longitude, "deg")),
				"check the longitude's sign: west is negative, or write W", "site.longitude", "site.utc_offset")
		case r.has("site.latitude") && off(lat) <= 2 && math.Abs(long) <= 75:
			add(Warning, "latitude and longitude look exchanged: the latitude given fits the civil time as a longitude", "check both", "site.latitude", "site.longitude", "site.utc_offset")
		default:
			add(Warning, fmt.Sprintf("longitude %s is %s h from a civil time of UTC %+g h", unit.Format(long, 0, unit.Longitude, "deg"), sig(off(long), 2), float64(s.UTCOffset.V)),
				"check both", "site.longitude", "site.utc_offset")
		}
	}
	if r.has("site.seeing") && s.Seeing.V < 0.8 {
		add(Note, fmt.Sprintf("a seeing of %s arcsec is that of the best mountains on their best nights", sig(float64(s.Seeing.V), 2)), "measure it from short subs near the zenith", "site.seeing")
	}
}

func (r *Rig) opticsCautions(add adder) {
	im := &r.Imaging
	n := im.FNumber()
	switch {
	case im.Focal.V <= im.Aperture.V:
		add(Serious, fmt.Sprintf("the focal length, %s mm, is not longer than the aperture, %s mm", sig(float64(im.Focal.V), 4), sig(float64(im.Aperture.V), 4)),
			"check whether the two are exchanged", "imaging.aperture", "imaging.focal")
	case n < 1.4 || n > 35:
		add(Warning, fmt.Sprintf("the imaging telescope works at f/%s", sig(n, 2)), "check aperture, focal length and reducer", "imaging.aperture", "imaging.focal", "imaging.reducer")
	}
	lens := im.Kind == Refractor || im.Kind == Lens
	if lens && im.Obstruction.V > 0 {
		add(Note, "a "+string(im.Kind)+" has no central obstruction, and one is given", "leave obstruction out, or check kind", "imaging.kind", "imaging.obstruction")
	}
	if !lens && im.Obstruction.V == 0 {
		add(Note, "a telescope with mirrors is given without obstruction", "give the diameter of the secondary mirror over the aperture", "imaging.kind", "imaging.obstruction")
	}
	if im.SpotCorner.V < im.Spot.V {
		add(Note, "the optics are given sharper in the corner than at the centre", "check whether spot and spot_corner are exchanged", "imaging.spot", "imaging.spot_corner")
	}
}

func (r *Rig) cameraCautions(add adder, path string, c *Camera) {
	if !r.has(path+".gain") && !r.has(path+".full_well") && !r.has(path+".bits") {
		return
	}
	top := c.GainElectronPerADU.V * (math.Exp2(c.Bits.V) - float64(c.Offset.V))
	ratio := top / float64(c.FullWell.V)
	entries := []string{path + ".gain", path + ".bits", path + ".full_well"}
	switch {
	case ratio < 0.7:
		add(Note, fmt.Sprintf("the converter ends at %s e-, before the pixel is full at %s e-", sig(top, 3), sig(float64(c.FullWell.V), 3)),
			"the lower of the two saturates a star; if that is not so, check gain (e-/ADU) and bits", entries...)
	case ratio > 3:
		add(Warning, fmt.Sprintf("the converter reaches to %s e-, far above a full pixel of %s e-", sig(top, 3), sig(float64(c.FullWell.V), 3)),
			"check gain: it is e-/ADU, not the number of the camera's setting; frames stretched to 16 bit have bits = 16", entries...)
	}
}

func (r *Rig) guideCautions(add adder) {
	g := &r.Guide
	n := float64(g.Focal.V / g.Aperture.V)
	if piggyback(r) {
		switch {
		case g.Focal.V <= g.Aperture.V:
			add(Serious, fmt.Sprintf("the guide telescope's focal length, %s mm, is not longer than its aperture, %s mm", sig(float64(g.Focal.V), 4), sig(float64(g.Aperture.V), 4)),
				"check whether the two are exchanged", "guide.aperture", "guide.focal")
		case n < 1.4 || n > 35:
			add(Warning, fmt.Sprintf("the guide telescope works at f/%s", sig(n, 2)), "check aperture and focal length", "guide.aperture", "guide.focal")
		}
	}
	c := &g.Camera
	mm := float64(c.Pixel.V) / 1000
	if diagonal := math.Hypot(float64(c.Width.V)*mm, float64(c.Height.V)*mm); piggyback(r) && diagonal > float64(g.FieldDiameter.V) {
		add(Warning, fmt.Sprintf("the guide sensor is %s mm from corner to corner, and its optics light %s mm", sig(diagonal, 3), sig(float64(g.FieldDiameter.V), 3)),
			"its corners are dark: expect no guide star there, or take a smaller sensor", "guide.field", "guide.camera.width", "guide.camera.height", "guide.camera.pixel")
	}
	ratio := float64(c.BinnedPixel()/g.Focal.V.Micron()) / float64(r.Imaging.Camera.BinnedPixel()/r.Imaging.FocalLength().Micron())
	if ratio > 10 {
		severity := Note
		if ratio > 15 {
			severity = Warning
		}
		add(severity, fmt.Sprintf("a guide pixel covers %s imaging pixels: positions have to be good to %s guide pixel for a tenth of an imaging pixel", sig(ratio, 2), sig(0.1/ratio, 1)),
			"a longer guide telescope, or a pick-off prism (up to 4 is easy, 10 the usual limit; common practice)", "guide.focal", "guide.camera.pixel", "imaging.focal", "imaging.camera.pixel")
	}
	if s := &g.Shoe; piggyback(r) && math.Abs(float64(s.BoltSpacing.V-s.BaseSpacing.V)) > 1 {
		add(Warning, fmt.Sprintf("the holder's bolts are %s mm apart and the telescope's holes %s mm", sig(float64(s.BoltSpacing.V), 3), sig(float64(s.BaseSpacing.V), 3)),
			"one bolt alone lets the holder turn: an adapter plate, or a holder with a slot", "guide.shoe.bolt_spacing", "guide.shoe.base_spacing")
	}
}

func (r *Rig) prismCautions(add adder) {
	p, im := &r.Guide.Prism, &r.Imaging
	c := &im.Camera
	f := im.FocalLength()
	if im.Kind == Lens {
		add(Warning, "a photographic lens leaves no room for a pick-off prism before its camera", "a guide telescope beside it", "imaging.kind", "guide.kind")
	}
	if p.ToImaging.V < f {
		shade := optics.PickOff{
			Beam:  optics.Beam{FNumber: im.FNumber(), Obstruction: im.Obstruction.V, Pupil: f},
			Width: p.Width.V, Height: p.Height.V, OffAxis: p.OffAxis.V, ToImaging: p.ToImaging.V,
			Angle: 90 + p.Angle.V - c.Angle.V, // from the sensor's +x; the sensor's sides make the sense of turning indifferent
		}.Shade((c.Pixel.V * unit.Micron(float64(c.Width.V))).MM(), (c.Pixel.V * unit.Micron(float64(c.Height.V))).MM())
		if shade.Worst > 0.02 {
			s := Warning
			if shade.Worst > 0.3 {
				s = Serious
			}
			add(s, fmt.Sprintf("the prism takes up to %s %% of the light from the edge of the imaging sensor", sig(100*shade.Worst, 2)),
				fmt.Sprintf("move it %s mm farther from the axis", sig(math.Max(0.1, float64(-shade.Clearance)), 2)), "guide.prism.off_axis", "guide.prism.height", "guide.prism.to_imaging", "imaging.camera.height")
		}
	}
	if d := float64(p.ToGuide.V - p.ToImaging.V); math.Abs(d) > 1.5 {
		add(Warning, fmt.Sprintf("the guide sensor is %s mm off the focus of the imaging sensor", sig(math.Abs(d), 2)),
			"make both distances from the prism equal, but for a third of the thickness of glass in one of them", "guide.prism.to_guide", "guide.prism.to_imaging")
	}
}

func (r *Rig) mountCautions(add adder) {
	m := &r.Mount
	load := float64(r.Imaging.Weight.V)
	if guided(r) {
		load += float64(r.Guide.Weight.V)
	}
	switch share := load / float64(m.Payload.V); {
	case share > 1:
		add(Serious, fmt.Sprintf("the load, %s kg, is above the mount's rating of %s kg", sig(load, 3), sig(float64(m.Payload.V), 3)), "a lighter telescope or a stronger mount", "mount.payload", "imaging.weight", "guide.weight")
	case share > 0.6:
		add(Warning, fmt.Sprintf("the load, %s kg, is %s %% of the mount's rating", sig(load, 3), sig(100*share, 2)), "for pictures 50 to 60 % is the usual limit (common practice)", "mount.payload", "imaging.weight", "guide.weight")
	}
	if m.Drive != Worm && m.Backlash.V > 0 {
		add(Warning, fmt.Sprintf("a %s drive is given with %s arcsec of backlash, and has hardly any", m.Drive, sig(float64(m.Backlash.V), 3)), "check drive and backlash", "mount.drive", "mount.backlash")
	}
	if m.Drive == Direct && m.PeriodicError.V > 3 {
		add(Note, fmt.Sprintf("a direct drive is given with %s arcsec of periodic error", sig(float64(m.PeriodicError.V), 3)), "check whether its encoder is switched on", "mount.drive", "mount.periodic_error")
	}
	if m.Kind == AltAzimuth && guided(r) {
		add(Note, "the field of an alt-azimuth mount turns about the guide star however well that is held", "short subs, a wedge, or a field rotator", "mount.kind", "guide.kind")
	}
	if r.Mount.Kind == Tracker && guided(r) {
		add(Note, "a tracker has no declination axis: only right ascension is corrected", "align its axis well: the drift in declination stays in the picture", "mount.kind", "guide.kind")
	}
	if a, e := r.Polar.Altitude, r.Polar.Azimuth; polarAligned(r) && r.has("polar.error") && a.Known() && e.Known() {
		sky := math.Hypot(float64(a.V), float64(e.V)*math.Cos(float64(r.Site.Latitude.V.Rad())))
		if math.Abs(sky-float64(r.Polar.Error.V)) > 0.3*math.Max(sky, 0.5) {
			add(Warning, fmt.Sprintf("altitude and azimuth make an error of %s arcmin on the sky, and %s arcmin is given", sig(sky, 2), sig(float64(r.Polar.Error.V), 2)),
				"give either the two parts or the whole", "polar.error", "polar.altitude", "polar.azimuth")
		}
	}
}

func (r *Rig) loopCautions(add adder) {
	if !guided(r) {
		return
	}
	l := &r.Loop
	if l.Interval.Known() && r.Sub.Length.V < l.Interval.V+l.Readout.V {
		add(Warning, fmt.Sprintf("a sub of %s s ends before one cycle of the correction, %s s", sig(float64(r.Sub.Length.V), 3), sig(float64(l.Interval.V+l.Readout.V), 3)),
			"correction does nothing within the sub; a shorter interval, a longer sub, or none", "sub.length", "loop.interval", "loop.readout")
	}
	if r.Mount.Kind == Tracker && l.GainDec.V > 0 {
		add(Warning, "a gain in declination is given for a tracker, which has no declination axis", "leave gain_dec out", "mount.kind", "loop.gain_dec")
	}
	for _, g := range []struct {
		path string
		v    float64
	}{{"loop.gain_ra", l.GainRA.V}, {"loop.gain_dec", l.GainDec.V}} {
		// The loop is stable below 2 sin(pi/(2(2k+1))) with k frames of delay
		// (Franklin, Powell and Workman, Digital Control; from memory).
		if limit := 2 * math.Sin(math.Pi/(2*(2*l.Delay.V+1))); g.v >= limit {
			add(Serious, fmt.Sprintf("a gain of %s swings up without end: with this delay the limit is %s", sig(g.v, 2), sig(limit, 2)), "less than half the limit", g.path, "loop.delay")
		}
	}
}

// unusedCautions speaks of given entries that do not matter in this rig, once
// for each section.
func (r *Rig) unusedCautions(add adder) {
	because := func(table string) (why, entry string) {
		switch strings.SplitN(table, ".", 2)[0] {
		case "guide", "loop":
			return "guide.kind is " + string(r.Guide.Kind), "guide.kind"
		case "polar":
			return "mount.kind is " + string(r.Mount.Kind), "mount.kind"
		case "flexure":
			if guided(r) {
				return "a measured drift replaces it", "flexure.drift"
			}
			return "guide.kind is " + string(r.Guide.Kind), "guide.kind"
		case "imaging":
			return "imaging.kind is " + string(r.Imaging.Kind), "imaging.kind"
		}
		return "of mount.kind " + string(r.Mount.Kind) + " and mount.drive " + string(r.Mount.Drive), "mount.kind"
	}
	var table string
	var unused []string
	flush := func() {
		if len(unused) == 0 {
			return
		}
		why, entry := because(table)
		add(Note, strings.Join(unused, ", ")+": given and not used, as "+why, "nothing, unless "+entry+" is wrong", append([]string{entry}, unused...)...)
		unused = nil
	}
	for i := range schema {
		e := &schema[i]
		if t, _ := section(e.Path); t != table {
			flush()
			table = t
		}
		if r.has(e.Path) && !e.Applies(r) {
			unused = append(unused, e.Path)
		}
	}
	flush()
}

// wideCautions speaks of a given ± that exceeds its value.
func (r *Rig) wideCautions(add adder) {
	for i := range schema {
		e := &schema[i]
		if e.Kind != Number || e.Min < 0 || !r.has(e.Path) {
			continue
		}
		if v, se := e.number(r); se > v && v > 0 {
			add(Note, fmt.Sprintf("%s is given as %s: the ± is larger than the value", e.Path, e.show(r)), "± is one standard deviation, not a limit", e.Path)
		}
	}
}
