package plan

import (
	"fmt"
	"math"
	"strings"

	"holdfast/internal/catalog"
	"holdfast/internal/mech"
	"holdfast/internal/optics"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// Finding is one thing to know about the rig as it is bolted together.
type Finding struct {
	Part string `json:"part"`
	OK   bool   `json:"ok"`
	Text string `json:"text"`
}

// Stack is a set of spacers that reaches focus.
type Stack struct {
	Spacers    []unit.MM `json:"spacers_mm"`
	Length     unit.MM   `json:"length_mm"`
	FocuserOut unit.MM   `json:"focuser_out_mm"`
	Turns      float64   `json:"turns"` // from fully in
	Slide      unit.MM   `json:"slide_mm"`
}

// PickOff is the geometry of the prism.
type PickOff struct {
	FieldWidth   unit.Arcmin `json:"field_width_arcmin"`
	FieldHeight  unit.Arcmin `json:"field_height_arcmin"`
	FieldDeg2    float64     `json:"field_deg2"`
	OffAxis      unit.Arcmin `json:"off_axis_arcmin"`
	Shadow       float64     `json:"shadow"`           // largest fraction of light lost on the imaging sensor
	Clearance    unit.MM     `json:"clearance_mm"`     // between the sensor's light and the prism; negative where they overlap
	GuideNeeds   unit.MM     `json:"guide_needs_mm"`   // prism to guide sensor for common focus
	GuideHas     unit.MM     `json:"guide_has_mm"`     // as the rig has it
	FaintestPart float64     `json:"dimmest_fraction"` // of the light in the patch's dimmest corner
	Target       string      `json:"target"`           // the rig's goal.target, "" without one
	Angles       []PrismTurn `json:"prism_angles"`     // where turning it about the axis brings a catalogue star of the target in
}

// Path is how the light reaches focus and how the parts hold together.
type Path struct {
	Rig        string      `json:"rig"`
	Kind       string      `json:"kind"`
	NeedMin    unit.MM     `json:"spacer_min_mm"` // total length of spacers that reaches focus
	NeedMax    unit.MM     `json:"spacer_max_mm"`
	NeedMiddle unit.MM     `json:"spacer_middle_mm"` // puts focus in the middle of the travel
	TravelTurn float64     `json:"focuser_turns"`    // end to end
	Glass      unit.MM     `json:"filter_shift_mm"`
	Zone       float64     `json:"zone_turns"` // half of the zone in which focus does not matter
	Stacks     []Stack     `json:"stacks"`
	Reaches    bool        `json:"reaches_focus"`
	PickOff    *PickOff    `json:"pickoff"`
	TiltPerKey unit.Arcmin `json:"pointing_arcmin_per_turn"` // of a ring's screw
	Load       unit.Kg     `json:"load_kg"`
	LoadShare  float64     `json:"load_share"`
	Findings   []Finding   `json:"findings"`
}

// MakePath returns the light path of a rig.
func MakePath(r *rig.Rig) (*Path, error) {
	nan := math.NaN()
	p := &Path{Rig: r.Name, Kind: string(r.Guide.Kind), NeedMin: unit.MM(nan), NeedMax: unit.MM(nan), NeedMiddle: unit.MM(nan),
		TravelTurn: nan, Zone: nan, TiltPerKey: unit.Arcmin(nan), Reaches: true}
	switch r.Guide.Kind {
	case rig.Piggyback:
		if err := p.guideTelescope(r); err != nil {
			return nil, fmt.Errorf("plan: %w", err)
		}
		p.shoe(r)
	case rig.Pickoff:
		if err := p.prism(r); err != nil {
			return nil, fmt.Errorf("plan: %w", err)
		}
	default:
		p.note("guiding", true, "there is no guide camera: nothing to bring to focus")
	}
	p.load(r)
	return p, nil
}

// note adds a finding.
func (p *Path) note(part string, ok bool, format string, args ...any) {
	p.Findings = append(p.Findings, Finding{Part: part, OK: ok, Text: fmt.Sprintf(format, args...)})
}

// guideTelescope finds the spacer stacks of a guide telescope and checks its
// joints.
func (p *Path) guideTelescope(r *rig.Rig) error {
	g := &r.Guide
	p.Glass = optics.GlassShift(g.FilterGlass.V, optics.CrownIndex)
	path := mech.LightPath{BackFocus: g.BackFocus.V, GlassShift: p.Glass, Travel: g.Focuser.Travel.V, Pitch: g.Focuser.Pitch.V,
		Flange: g.Camera.Flange.V, Slide: g.NosepieceSlide.V, Spacers: g.Spacers}
	need, err := path.Need()
	if err != nil {
		return err
	}
	stacks, err := path.Stacks()
	if err != nil {
		return err
	}
	p.NeedMin, p.NeedMax, p.NeedMiddle = need.Min, need.Max, need.Middle
	for _, s := range stacks {
		p.Stacks = append(p.Stacks, Stack{Spacers: s.Spacers, Length: s.Length, FocuserOut: s.FocuserOut, Turns: s.Turns, Slide: s.Slide})
	}
	p.Reaches = len(stacks) > 0
	pitch := g.Focuser.Pitch.V
	if pitch > 0 {
		p.TravelTurn = float64(g.Focuser.Travel.V / pitch)
	}
	switch {
	case need.TooLong > 0:
		p.note("focus", false, "the camera cannot come close enough: it and its fittings are %.1f mm too long, and no spacer helps; it needs a shorter camera body or less between", float64(need.TooLong))
	case !p.Reaches && len(g.Spacers) > 0:
		p.note("focus", false, "none of the spacers on hand (%s mm) reaches focus: they must add up to between %.1f and %.1f mm, best %.1f", lengths(g.Spacers), float64(need.Min), float64(need.Max), float64(need.Middle))
	case !p.Reaches:
		p.note("focus", false, "without a spacer the camera does not reach focus: between %.1f and %.1f mm are missing, best %.1f; the focuser's %.1f mm of travel (%.0f turns) cannot make that up",
			float64(need.Min), float64(need.Max), float64(need.Middle), float64(g.Focuser.Travel.V), p.TravelTurn)
	default:
		s := p.Stacks[0]
		with := "no spacer"
		if len(s.Spacers) > 0 {
			with = lengths(s.Spacers) + " mm of spacer"
		}
		p.note("focus", true, "with %s the focus for stars lies %.1f turns from fully in (%.1f mm of %.1f)", with, s.Turns, float64(s.FocuserOut), float64(g.Focuser.Travel.V))
		if margin := min(s.FocuserOut, g.Focuser.Travel.V-s.FocuserOut); margin < 0.1*g.Focuser.Travel.V {
			p.note("focus", false, "that leaves only %.1f mm to the end of the travel; a different spacer would put it nearer the middle", float64(margin))
		}
	}
	n := float64(g.Focal.V / g.Aperture.V)
	zone := optics.CriticalZone(r.Imaging.Wavelength.V, n, g.Camera.BinnedPixel(), 1)
	if pitch > 0 {
		p.Zone = float64(zone.MM() / pitch)
		p.note("focuser", true, "one turn is %.2f mm; within %.3f of a turn (%.0f degrees, %.0f um) of best focus it no longer matters", float64(pitch), p.Zone, 360*p.Zone, float64(zone))
		if lock := g.Focuser.LockShift.V; lock > zone {
			p.note("focuser", false, "locking it moves focus by about %.0f um, more than that zone: check focus again after locking", float64(lock))
		}
	}
	if g.FilterGlass.V > 0 {
		p.note("filter", true, "%.1f mm of glass moves focus %.2f mm away from the telescope", float64(g.FilterGlass.V), float64(p.Glass))
	}
	p.joint(r)
	diagonal := unit.MM(math.Hypot(float64(g.Camera.Width.V), float64(g.Camera.Height.V))) * g.Camera.Pixel.V.MM()
	p.note("sensor", diagonal <= g.FieldDiameter.V, "the guide sensor's diagonal is %.1f mm, the telescope lights up a circle of %.1f mm", float64(diagonal), float64(g.FieldDiameter.V))
	return nil
}

// joint checks whether the camera joins the telescope's rear thread. A camera
// is known by its flange distance.
func (p *Path) joint(r *rig.Rig) {
	g := &r.Guide
	rear, err := mech.ParseThread(g.RearThread)
	if err != nil {
		p.note("thread", false, "%s", strings.TrimPrefix(err.Error(), "mech: "))
		return
	}
	camera := mech.CMount
	for _, t := range []mech.Thread{mech.CMount, mech.CSMount, mech.T2} {
		if math.Abs(float64(t.Flange-g.Camera.Flange.V)) < 0.3 {
			camera = t
		}
	}
	if g.NosepieceSlide.V > 0 {
		camera = mech.Barrel125
	}
	fit := mech.Mates(rear, camera)
	switch {
	case fit.OK:
		p.note("thread", true, "the camera's %s joins the telescope's %s", camera.Name, rear.Name)
	case fit.Adapter != "":
		p.note("thread", true, "the camera's %s needs an adapter to the telescope's %s: %s; its length counts as spacer", camera.Name, rear.Name, fit.Adapter)
	default:
		p.note("thread", false, "the camera's %s and the telescope's %s do not join: %s", camera.Name, rear.Name, fit.Why)
	}
}

// shoe checks the holder.
func (p *Path) shoe(r *rig.Rig) {
	s := &r.Guide.Shoe
	if diff, fits := mech.ShoeFits(s.BoltSpacing.V, s.BaseSpacing.V, mech.ShoePlay); fits {
		p.note("shoe", true, "its holes, %.1f mm apart, fit the telescope's", float64(s.BoltSpacing.V))
	} else {
		p.note("shoe", false, "its holes are %.1f mm apart, the telescope's %.1f: %.1f mm off, which clearance does not forgive", float64(s.BoltSpacing.V), float64(s.BaseSpacing.V), math.Abs(float64(diff)))
	}
	tilt := mech.TiltPerTurn(s.ScrewPitch.V, s.RingsApart.V)
	p.TiltPerKey = tilt.Arcmin()
	if s.Screws.V >= 3 && s.Kind != rig.ORingBracket {
		p.note("shoe", true, "a turn of the tube's centre at one ring points the guide telescope %.0f arcmin away; loosen the opposite screws first, and never all screws of a ring", float64(p.TiltPerKey))
	} else {
		p.note("shoe", false, "a holder with rubber or fewer than three screws a ring creeps and sags: two rings of three screws hold better")
	}
}

// prism checks the pick-off.
func (p *Path) prism(r *rig.Rig) error {
	g := &r.Guide
	po := pickOff(r)
	pixel := g.Camera.Pixel.V.MM()
	side := func(n unit.Px, pixel unit.MM) unit.MM { return unit.MM(n) * unit.MM(float64(pixel)) }
	f := po.Field(g.Focal.V, side(g.Camera.Width.V, pixel), side(g.Camera.Height.V, pixel))
	im := &r.Imaging.Camera
	shade := po.Shade(side(im.Width.V, im.Pixel.V.MM()), side(im.Height.V, im.Pixel.V.MM()))
	p.Glass = optics.GlassShift(g.FilterGlass.V, optics.CrownIndex)
	imagingGlass := unit.MM(0)
	if g.Prism.BeforeFilter {
		imagingGlass = p.Glass
	}
	needs := po.GuideDistance(imagingGlass, 0)
	out := &PickOff{FieldWidth: f.Width.Arcmin(), FieldHeight: f.Height.Arcmin(), FieldDeg2: f.AreaDeg2, OffAxis: f.Centre.Arcmin(),
		Shadow: shade.Worst, Clearance: shade.Clearance, GuideNeeds: needs, GuideHas: g.Prism.ToGuide.V, FaintestPart: f.Faintest}
	p.PickOff = out
	if shade.Worst > 0 {
		p.note("prism", false, "it takes up to %.0f %% of the light from the imaging sensor: move it %.1f mm farther from the axis", 100*shade.Worst, -float64(shade.Clearance))
	} else {
		p.note("prism", true, "it stays %.1f mm clear of the light of the imaging sensor", float64(shade.Clearance))
	}
	off := float64(g.Prism.ToGuide.V - needs)
	zone := float64(optics.CriticalZone(r.Imaging.Wavelength.V, r.Imaging.FNumber(), g.Camera.BinnedPixel(), 1).MM())
	p.Reaches = math.Abs(off) <= float64(g.Focuser.Travel.V)+zone
	switch {
	case math.Abs(off) <= zone:
		p.note("focus", true, "the guide sensor lies %.1f mm from the prism, where both cameras focus together", float64(g.Prism.ToGuide.V))
	case p.Reaches:
		p.note("focus", true, "the guide sensor must sit %.1f mm from the prism; it is set %.1f mm, within its adjustment", float64(needs), float64(g.Prism.ToGuide.V))
	default:
		p.note("focus", false, "the guide sensor must sit %.1f mm from the prism to focus together with the imaging camera, and is %.1f mm away: %s by %.1f mm", float64(needs), float64(g.Prism.ToGuide.V), inOut(off), math.Abs(off))
	}
	p.note("field", f.AreaDeg2 > 0, "the guide camera sees %.1f x %.1f arcmin, %.1f arcmin off the axis (%.4f square degrees); turning the whole assembly brings other stars in", float64(out.FieldWidth), float64(out.FieldHeight), float64(out.OffAxis), f.AreaDeg2)
	if r.Goal.Target == "" {
		p.note("angle", true, "at which angle a star comes in depends on the target: the verb stars tells, and goal.target names one here")
		return nil
	}
	target, err := catalog.ParseTarget(r.Goal.Target)
	if err != nil {
		return err
	}
	// As seen at a usual height, two seconds exposed.
	view := viewOf(r, &place{airmass: 1.2, sky: r.Site.Sky.V})
	out.Target = target.Name
	if out.Angles, err = prismTurns(r, direction(target.RA, target.Dec), view, 2); err != nil {
		return err
	}
	if len(out.Angles) == 0 {
		p.note("angle", false, "no position of the prism shows a catalogue star of %s in two seconds; fainter ones there may be", target.Name)
		return nil
	}
	best := out.Angles[0]
	p.note("angle", true, "for %s turn the prism to position angle %.0f degrees, where a star of VT %.1f stands", target.Name, float64(best.Angle), float64(best.VT))
	return nil
}

// inOut says which way a sensor that is off by some millimetres must go.
func inOut(off float64) string {
	if off > 0 {
		return "move it in"
	}
	return "move it out"
}

// load checks the mount's load.
func (p *Path) load(r *rig.Rig) {
	p.Load = r.Imaging.Weight.V
	if r.Guide.Kind != rig.NoGuide {
		p.Load += r.Guide.Weight.V
	}
	p.LoadShare = mech.PayloadFraction(p.Load, r.Mount.Payload.V)
	text := "the mount carries %.1f kg, %.0f %% of its rating"
	switch {
	case p.LoadShare > 1:
		p.note("payload", false, text+": overloaded, do not use it like this", float64(p.Load), 100*p.LoadShare)
	case p.LoadShare > mech.PayloadShareMax:
		p.note("payload", false, text+"; for exposures of minutes half of it is wise, six tenths the most", float64(p.Load), 100*p.LoadShare)
	default:
		p.note("payload", true, text, float64(p.Load), 100*p.LoadShare)
	}
	switch r.Mount.Drive {
	case rig.Worm:
		p.note("balance", true, "leave a little weight for the worm to lift, against its motion, on either side of the pier; change it over after a flip")
	case rig.Direct:
		p.note("balance", true, "balance it exactly on both axes")
	}
}

// lengths lists lengths as people write them.
func lengths(l []unit.MM) string {
	s := make([]string, len(l))
	for i, v := range l {
		s[i] = fmt.Sprintf("%.3g", float64(v))
	}
	return strings.Join(s, " + ")
}
