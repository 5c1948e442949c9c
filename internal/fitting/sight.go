package fitting

import (
	"fmt"
	"math"

	"holdfast/internal/mech"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Pose is where a solved frame points and how its camera sits.
type Pose struct {
	Centre   sky.Direction
	Scale    unit.Scale
	Rotation unit.Deg    // position angle of +y, north through east
	Mirrored bool        // +x lies a quarter turn before +y (to the east where +y is north)
	RMS      unit.Arcsec // of the stars about the solution; 0 not known
}

// Spotted is a bright target on an unsolved frame.
type Spotted struct {
	X, Y          unit.Px // of the target; (0,0) is the centre of the first pixel
	Width, Height unit.Px // of the frame
	Scale         unit.Scale
	Rotation      unit.Est[unit.Deg] // position angle of +y; NaN is not known
	Mirrored      bool
	Doubt         unit.Px // of the target's place; less than a pixel counts as one
}

// offset returns the target's place from the frame's centre on the sky, and
// how far the unknown of the camera's angle may move it.
func (s Spotted) offset() (at sky.Shift, sigma unit.Arcsec) {
	x, y := float64(s.Scale.Arcsec(s.X-(s.Width-1)/2)), float64(s.Scale.Arcsec(s.Y-(s.Height-1)/2))
	if s.Mirrored {
		x = -x
	}
	turn, turnSigma := float64(s.Rotation.V.Rad()), float64(s.Rotation.SE.Rad())
	if !s.Rotation.Known() {
		turn, turnSigma = 0, math.Pi/2
	} else if math.IsNaN(turnSigma) {
		turnSigma = 0
	}
	sin, cos := math.Sincos(turn)
	at = sky.Shift{East: unit.Arcsec(-x*cos + y*sin), North: unit.Arcsec(x*sin + y*cos)}
	// The doubt of the target's place, and the chord of the angle's.
	return at, unit.Arcsec(math.Hypot(float64(s.Scale.Arcsec(max(s.Doubt, 1))), math.Hypot(x, y)*2*math.Sin(min(turnSigma, math.Pi)/2)))
}

// Bracket is the two rings that hold the guide telescope.
type Bracket struct {
	Front, Rear mech.Ring // Front.Front is true and Rear.Front false
	Up          unit.Deg  // position angle on the sky of what the rings call up
	UpFrom      string    // how Up is known, for a person
}

// ScrewTravel is how far a screw of a ring is taken to reach either way:
// common practice, no source.
const ScrewTravel unit.MM = 3

// NewBracket returns the bracket of a rig, the first screw of each ring on top
// and the others evenly around; up and upFrom as in Bracket, travel what the
// screws have left. The error names a rig without a guide telescope, or whose
// holder has nothing to turn.
func NewBracket(r *rig.Rig, up unit.Deg, upFrom string, travel unit.MM) (*Bracket, error) {
	s := &r.Guide.Shoe
	n := int(s.Screws.V)
	if r.Guide.Kind != rig.Piggyback {
		return nil, fmt.Errorf("fitting: guide.kind is %s; only a guide telescope of its own has a bracket to adjust", r.Guide.Kind)
	}
	sprung := s.Kind == rig.ORingBracket
	if n < 3 && !(sprung && n == 2) {
		return nil, fmt.Errorf("fitting: guide.shoe.screws is %d a ring; a ring is adjusted by three or more, or by two against a spring", n)
	}
	ring := mech.Ring{Apart: s.RingsApart.V, Pitch: s.ScrewPitch.V, Travel: travel, Sprung: sprung && n == 2}
	for i := range n {
		a := 90 + 360/float64(n)*float64(i)
		if n == 2 {
			a = 45 + 90*float64(i)
		}
		ring.Angles = append(ring.Angles, unit.Deg(math.Mod(a, 360)))
	}
	b := &Bracket{Front: ring, Rear: ring, Up: up, UpFrom: upFrom}
	b.Front.Front = true
	return b, nil
}

// RidesUp returns the position angle on the sky of the direction from the
// imaging telescope to a guide telescope that rides on it, on the far side of
// the mount's saddle: east or west on an equatorial mount with the tube east or
// west of the pier, for its declination axis always lies along the hour circle's
// perpendicular; north on a fork, whose tube carries it on top; the zenith's
// direction, the parallactic angle, without a polar axis.
//
// Source: geometry of the mounts.
func RidesUp(kind rig.MountKind, tubeWest bool, parallactic unit.Deg) unit.Deg {
	switch kind {
	case rig.Equatorial:
		if tubeWest {
			return 270
		}
		return 90
	case rig.ForkWedge:
		return 0
	}
	return unit.Deg(math.Mod(float64(parallactic)+360, 360))
}

// SightOptions is what is known beside the two frames.
type SightOptions struct {
	Parallactic unit.Deg    // position angle of the zenith there; NaN not known
	Bracket     *Bracket    // nil: no advice on screws
	Tolerance   unit.Arcmin // offset that harms nothing, +Inf any; NaN not known
	TolerantOf  string      // why, for a person
}

// Orientation is how a camera sits.
type Orientation struct {
	Scale    unit.Scale `json:"scale_arcsec_px"`
	Rotation unit.Deg   `json:"rotation_deg"` // position angle of +y; NaN not known
	Mirrored bool       `json:"mirrored"`
	Says     string     `json:"says"`
}

// Screw is how far one screw turns in all, in (clockwise on an ordinary thread)
// for positive.
type Screw struct {
	Ring  string   `json:"ring"`  // front or rear
	Screw int      `json:"screw"` // from 1, in the order of the ring's angles
	At    string   `json:"at"`    // where it sits, seen from behind
	Angle unit.Deg `json:"angle_deg"`
	Turns float64  `json:"turns"`
}

// Step is one movement of one screw.
type Step struct {
	Ring  string  `json:"ring"`
	Screw int     `json:"screw"`
	Turns float64 `json:"turns"`
	Do    string  `json:"do"` // the same in words
}

// Sight is how far apart two telescopes point, and how to bring them together.
type Sight struct {
	Offset      unit.Arcmin `json:"offset_arcmin"` // of the guide telescope's axis from the imaging telescope's
	OffsetSigma unit.Arcmin `json:"offset_sigma_arcmin"`
	East        unit.Arcmin `json:"east_arcmin"`
	North       unit.Arcmin `json:"north_arcmin"`
	Right       unit.Arcmin `json:"right_arcmin"` // as someone sees it who faces that part of the sky
	Up          unit.Arcmin `json:"up_arcmin"`
	Tolerance   unit.Arcmin `json:"tolerance_arcmin"`
	Matters     *bool       `json:"matters"` // nil where the tolerance is not known
	Imaging     Orientation `json:"imaging"`
	Guide       Orientation `json:"guide"`
	Screws      []Screw     `json:"screws"`
	Steps       []Step      `json:"steps"`
	Reaches     float64     `json:"reaches"` // share of the offset that the screws take away at once
	Left        unit.Arcmin `json:"left_arcmin"`
	Why         string      `json:"why"`
}

// SightSolved returns the sight of two solved frames taken without moving the
// mount between.
//
// Source: gnomonic projection of one axis about the other.
func SightSolved(imaging, guide Pose, opt SightOptions) (*Sight, error) {
	xi, eta := sky.NewTangent(imaging.Centre).Project(guide.Centre)
	s := &Sight{East: xi.Arcmin(), North: eta.Arcmin(),
		Imaging: orientation(imaging.Scale, unit.Exact(imaging.Rotation), imaging.Mirrored),
		Guide:   orientation(guide.Scale, unit.Exact(guide.Rotation), guide.Mirrored)}
	s.OffsetSigma = unit.Arcsec(math.Hypot(float64(imaging.RMS), float64(guide.RMS))).Arcmin()
	if math.IsNaN(float64(xi)) {
		return nil, fmt.Errorf("fitting: the imaging frame points to RA %.2f Dec %+.2f and the guide frame to RA %.2f Dec %+.2f, a quarter of the sky apart or more: one of the two is not what it is taken for",
			float64(imaging.Centre.RA), float64(imaging.Centre.Dec), float64(guide.Centre.RA), float64(guide.Centre.Dec))
	}
	return s.finish(opt)
}

// SightOnTarget returns the sight of two frames that hold the same bright
// target, taken without moving the mount between. What is not known of the
// cameras' angles widens the uncertainty.
//
// Source: the target's place from each axis, subtracted.
func SightOnTarget(imaging, guide Spotted, opt SightOptions) (*Sight, error) {
	ti, si := imaging.offset()
	tg, sg := guide.offset()
	s := &Sight{East: (ti.East - tg.East).Arcmin(), North: (ti.North - tg.North).Arcmin(),
		OffsetSigma: unit.Arcsec(math.Hypot(float64(si), float64(sg))).Arcmin(),
		Imaging:     orientation(imaging.Scale, imaging.Rotation, imaging.Mirrored),
		Guide:       orientation(guide.Scale, guide.Rotation, guide.Mirrored)}
	if math.IsNaN(float64(s.East)) || math.IsNaN(float64(s.North)) {
		return nil, fmt.Errorf("fitting: the target is at %v, %v and %v, %v px with %v and %v arcsec a pixel; want numbers for all of them",
			float64(imaging.X), float64(imaging.Y), float64(guide.X), float64(guide.Y), float64(imaging.Scale), float64(guide.Scale))
	}
	return s.finish(opt)
}

// finish fills what follows from the offset.
func (s *Sight) finish(opt SightOptions) (*Sight, error) {
	s.Offset = unit.Arcmin(math.Hypot(float64(s.East), float64(s.North)))
	s.Right, s.Up = mech.RightUp(s.East, s.North, opt.Parallactic)
	s.Tolerance, s.Reaches, s.Left = opt.Tolerance, math.NaN(), unit.Arcmin(math.NaN())
	s.Why = fmt.Sprintf("the guide telescope points %s of the imaging telescope", s.aside())
	if !math.IsNaN(float64(opt.Tolerance)) {
		m := s.Offset > opt.Tolerance
		s.Matters = &m
		if m {
			s.Why += fmt.Sprintf("; this plan bears %.0f arcmin", float64(opt.Tolerance))
		} else {
			s.Why += "; that does not matter for this plan, and the screws may be left alone"
		}
		if opt.TolerantOf != "" {
			s.Why += " (" + opt.TolerantOf + ")"
		}
	}
	if opt.Bracket == nil {
		return s, nil
	}
	if s.OffsetSigma > s.Offset/2 && s.OffsetSigma > 1 {
		s.Why += fmt.Sprintf("; the cameras' angles leave it open by %.0f arcmin, too much to name a screw: solve the frames, or turn one screw and see which way the target moves", float64(s.OffsetSigma))
		return s, nil
	}
	return s, s.turn(opt.Bracket)
}

// aside says an offset as people do.
func (s *Sight) aside() string {
	way := func(v unit.Arcmin, plus, minus string) string {
		if v < 0 {
			plus = minus
		}
		return fmt.Sprintf("%.1f arcmin %s", math.Abs(float64(v)), plus)
	}
	text := way(s.East, "east", "west") + " and " + way(s.North, "north", "south")
	if !math.IsNaN(float64(s.Up)) {
		text += " (as you face it " + way(s.Right, "right", "left") + " and " + way(s.Up, "up", "down") + ")"
	}
	return text
}

// oneRing is the most turns of one screw that are asked of the front ring
// alone; more is shared with the rear ring, so that no screw comes near its end.
const oneRing = 0.5

// turn fills the screws that take the offset away.
func (s *Sight) turn(b *Bracket) error {
	right, up := mech.RightUp(-s.East, -s.North, b.Up)
	front, err := b.Front.Advise(right, up)
	if err != nil {
		return fmt.Errorf("fitting: the front ring: %w", err)
	}
	rear := mech.Advice{Turns: make([]float64, len(b.Rear.Angles)), Share: 1}
	split := 1.0
	if front.Share < 1 || most(front.Turns) > oneRing {
		split = float64(b.Front.Travel / (b.Front.Travel + b.Rear.Travel))
		if front, err = b.Front.Advise(right*unit.Arcmin(split), up*unit.Arcmin(split)); err != nil {
			return fmt.Errorf("fitting: the front ring: %w", err)
		}
		if rear, err = b.Rear.Advise(right*unit.Arcmin(1-split), up*unit.Arcmin(1-split)); err != nil {
			return fmt.Errorf("fitting: the rear ring: %w", err)
		}
	}
	s.Reaches = split*front.Share + (1-split)*rear.Share
	s.Left = s.Offset * unit.Arcmin(1-s.Reaches)
	for _, r := range []struct {
		name   string
		ring   mech.Ring
		advice mech.Advice
	}{{"front", b.Front, front}, {"rear", b.Rear, rear}} {
		for i, a := range r.ring.Angles {
			s.Screws = append(s.Screws, Screw{Ring: r.name, Screw: i + 1, At: seat(a), Angle: a, Turns: r.advice.Turns[i]})
		}
		for _, t := range r.advice.Steps {
			s.Steps = append(s.Steps, Step{Ring: r.name, Screw: t.Screw + 1, Turns: t.Turns, Do: order(r.name, seat(r.ring.Angles[t.Screw]), t.Turns)})
		}
	}
	if len(s.Steps) == 0 {
		return nil
	}
	all := ""
	if s.Matters != nil && !*s.Matters {
		all = "to bring them together all the same, "
	}
	s.Why += "; " + all + "turn the screws in the order given, out before in, so that some always hold the tube; then solve again"
	if b.UpFrom != "" {
		s.Why += fmt.Sprintf("; up at the bracket is taken as position angle %.0f degrees (%s)", float64(b.Up), b.UpFrom)
	}
	if s.Reaches < 1 {
		s.Why += fmt.Sprintf("; the screws reach %.0f %% of it and leave %.1f arcmin: bring the rings back to the middle and turn the shoe or shim it", 100*s.Reaches, float64(s.Left))
	}
	return nil
}

// most returns the largest absolute value.
func most(v []float64) float64 {
	m := 0.0
	for _, x := range v {
		m = max(m, math.Abs(x))
	}
	return m
}

// seats are the places of screws around a tube, every 45 degrees from the right.
var seats = [...]string{"right", "upper right", "top", "upper left", "left", "lower left", "bottom", "lower right"}

// seat names the place of a screw.
func seat(a unit.Deg) string {
	k := int(math.Round(math.Mod(math.Mod(float64(a), 360)+360, 360)/45)) % 8
	// Only the four that lie straight are straight; between, it is a corner.
	if k%2 == 0 && math.Abs(math.Remainder(float64(a), 90)) > 10 {
		if math.Remainder(float64(a)-45*float64(k), 360) > 0 {
			k++
		} else {
			k += 7
		}
	}
	return seats[k%8]
}

// order says a step in words.
func order(ring, seat string, turns float64) string {
	sense := "in (clockwise)"
	verb := "turn"
	if turns < 0 {
		sense, verb = "out (anticlockwise)", "loosen"
	}
	return fmt.Sprintf("%s ring, %s screw: %s it %.2f turn %s", ring, seat, verb, math.Abs(turns), sense)
}

// orientation states how a camera sits.
func orientation(scale unit.Scale, turn unit.Est[unit.Deg], mirrored bool) Orientation {
	o := Orientation{Scale: scale, Rotation: turn.V, Mirrored: mirrored}
	if !turn.Known() {
		o.Says = "its angle is not known"
		return o
	}
	o.Rotation = unit.Deg(math.Mod(math.Mod(float64(turn.V), 360)+360, 360))
	o.Says = fmt.Sprintf("its +y points %.1f degrees from north through east", float64(o.Rotation))
	if mirrored {
		o.Says += ", mirrored"
	}
	return o
}
