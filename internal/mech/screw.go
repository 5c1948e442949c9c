package mech

import (
	"fmt"
	"math"
	"slices"

	"holdfast/internal/unit"
)

// TiltPerTurn returns by how much the tube tilts when its centre at one ring is
// moved by one turn of a screw of the given pitch, the other ring being the given
// distance away. NaN if either is not positive.
//
// Source: arc tangent of pitch over distance.
func TiltPerTurn(pitch, apart unit.MM) unit.Deg {
	if bad(float64(pitch), float64(apart)) {
		return unit.Deg(math.NaN())
	}
	return unit.Rad(math.Atan(float64(pitch / apart))).Deg()
}

// RightUp turns an angle on the sky, east and north, into right and up as seen
// facing it, upPA being the position angle (north through east) of the direction
// called up: the parallactic angle for the zenith, 0 for north. With north up,
// east is to the left.
//
// Source: rotation of axes.
func RightUp(east, north unit.Arcmin, upPA unit.Deg) (right, up unit.Arcmin) {
	sin, cos := math.Sincos(float64(upPA.Rad()))
	e, n := float64(east), float64(north)
	return unit.Arcmin(n*sin - e*cos), unit.Arcmin(n*cos + e*sin)
}

// Ring is one of the two rings of screws that hold a tube. Directions are those
// seen from behind, looking where the telescope looks: x right, y up.
type Ring struct {
	Front      bool       // the ring nearer the sky; the other one tilts the tube the opposite way
	Apart      unit.MM    // to the other ring
	Pitch      unit.MM    // of the screws, per turn
	Angles     []unit.Deg // of each screw around the tube, from right towards up; three: 90, 210, 330
	Travel     unit.MM    // that no screw may exceed in one advice
	TubeRadius unit.MM    // 0 takes the tube as flat under each screw, good to 1 % here
	Sprung     bool       // a spring pushes against the screws, so two suffice
}

// Turn is one movement of one screw: positive in (clockwise on an ordinary
// thread, pushing the tube), negative out.
type Turn struct {
	Screw int // index into Ring.Angles
	Turns float64
}

// Advice is what to do to a ring.
type Advice struct {
	X, Y  unit.MM   // by which the tube's centre moves in the ring
	Turns []float64 // of each screw in all, in for positive
	Steps []Turn    // in order: in each round first out, then in, by at most half a turn, and never all screws out
	Share float64   // of the wanted change that this reaches; below 1 when Travel forbids more
}

// stepTurns is the most that one step turns a screw.
const stepTurns = 0.5

// Advise returns how to turn the screws so that the tube points more to the
// right and up by the given angles, as seen from behind. The image on the guide
// sensor moves the opposite way. When a screw would exceed Travel the whole
// movement is scaled down and Share says by how much.
//
// It returns an error for a ring that cannot be turned: no distance, pitch or
// travel, fewer than three screws (two with a spring), or screws that do not
// surround the tube.
//
// Source: tilt = sideways move over Apart; a screw at outward direction n must
// advance by -u.n when the tube moves by u. For evenly spaced screws the advances
// sum to zero.
func (r Ring) Advise(right, up unit.Arcmin) (Advice, error) {
	if err := r.check(); err != nil {
		return Advice{}, err
	}
	lever := r.Apart
	if !r.Front {
		lever = -lever
	}
	x := unit.MM(float64(right.Rad()) * float64(lever))
	y := unit.MM(float64(up.Rad()) * float64(lever))
	if math.IsNaN(float64(x)) || math.IsNaN(float64(y)) || math.IsInf(float64(x), 0) || math.IsInf(float64(y), 0) {
		return Advice{}, fmt.Errorf("mech: bracket: wanted change is %v right, %v up arcmin; want finite angles", float64(right), float64(up))
	}
	// To first order the advances scale with the move, so that a few rounds find
	// the share that brings the largest down to Travel.
	share := 1.0
	flat := r
	flat.TubeRadius = 0
	if most := largest(flat.Advances(x, y)); most > r.Travel {
		share = float64(r.Travel / most)
	}
	var advances []unit.MM
	for range 50 {
		advances = r.Advances(x*unit.MM(share), y*unit.MM(share))
		most := largest(advances)
		if math.IsNaN(float64(most)) {
			return Advice{}, fmt.Errorf("mech: bracket: the tube's centre would move by %.3g mm, beyond its own radius of %v mm; want a smaller travel", share*math.Hypot(float64(x), float64(y)), float64(r.TubeRadius))
		}
		if most <= r.Travel*(1+1e-12) {
			break
		}
		share *= float64(r.Travel / most)
	}
	advice := Advice{X: x * unit.MM(share), Y: y * unit.MM(share), Share: share}
	for _, a := range advances {
		advice.Turns = append(advice.Turns, float64(a/r.Pitch))
	}
	advice.Steps = steps(advice.Turns)
	return advice, nil
}

// largest returns the largest absolute value, NaN if there is a NaN.
func largest(v []unit.MM) unit.MM {
	most := unit.MM(0)
	for _, x := range v {
		most = max(most, unit.MM(math.Abs(float64(x))))
	}
	return most
}

// Advances returns by how much each screw must go in for the tube's centre to
// move by x, y in the ring: minus the move's component along the screw, and with
// a TubeRadius the exact contact of a pointed screw with a round tube. NaN for a
// move beyond the tube's radius.
//
// Source: geometry of a circle; first order in the move over TubeRadius.
func (r Ring) Advances(x, y unit.MM) []unit.MM {
	out := make([]unit.MM, len(r.Angles))
	for i, angle := range r.Angles {
		sin, cos := math.Sincos(float64(angle.Rad()))
		along := float64(x)*cos + float64(y)*sin
		out[i] = unit.MM(-along)
		if radius := float64(r.TubeRadius); radius > 0 {
			across := float64(y)*cos - float64(x)*sin
			out[i] = unit.MM(radius - along - math.Sqrt(radius*radius-across*across))
		}
	}
	return out
}

func (r Ring) check() error {
	if bad(float64(r.Apart), float64(r.Pitch), float64(r.Travel)) || !(r.TubeRadius >= 0) {
		return fmt.Errorf("mech: bracket: rings %v mm apart, screw pitch %v mm, travel %v mm, tube radius %v mm; want positive lengths (radius 0 if not known)",
			float64(r.Apart), float64(r.Pitch), float64(r.Travel), float64(r.TubeRadius))
	}
	for _, a := range r.Angles {
		if math.IsNaN(float64(a)) || math.IsInf(float64(a), 0) {
			return fmt.Errorf("mech: bracket: a screw sits at %v degrees; want a finite angle", float64(a))
		}
	}
	gap := r.widestGap()
	if r.Sprung {
		// Two screws that are not in line, the spring opposite.
		if len(r.Angles) < 2 || gap > 350 || math.Abs(gap-180) < 10 && len(r.Angles) == 2 {
			return fmt.Errorf("mech: bracket: %d screws at %v degrees against a spring; want two that are not in line", len(r.Angles), r.Angles)
		}
		return nil
	}
	if len(r.Angles) < 3 || gap >= 180 {
		return fmt.Errorf("mech: bracket: %d screws at %v degrees leave a gap of %.0f degrees; want three or more around the tube", len(r.Angles), r.Angles, gap)
	}
	return nil
}

// widestGap returns the largest angle between neighbouring screws, 360 for one.
func (r Ring) widestGap() float64 {
	angles := unit.Floats(r.Angles)
	for i, a := range angles {
		angles[i] = math.Mod(math.Mod(a, 360)+360, 360)
	}
	slices.Sort(angles)
	gap := 0.0
	for i, a := range angles {
		next := angles[0] + 360
		if i+1 < len(angles) {
			next = angles[i+1]
		}
		gap = max(gap, next-a)
	}
	return gap
}

// steps splits the turns into rounds of at most stepTurns. In a round the screws
// that go out come first, so that none is forced; at least one stays where it was
// (three screws around a tube are never all to be loosened), so the tube is held.
func steps(turns []float64) []Turn {
	most := 0.0
	order := make([]int, len(turns))
	for i, t := range turns {
		most = max(most, math.Abs(t))
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case turns[a] < turns[b]:
			return -1
		case turns[a] > turns[b]:
			return 1
		}
		return 0
	})
	rounds := int(math.Ceil(most/stepTurns - 1e-9))
	var out []Turn
	for range rounds {
		for _, i := range order {
			if math.Abs(turns[i]) > 1.0/720 { // half a degree of the key
				out = append(out, Turn{i, turns[i] / float64(rounds)})
			}
		}
	}
	return out
}
