// Package rehearsal plays a night in time: a mount that follows the sky as its
// axis makes it, worm and wind and air that move two telescopes together and
// apart, a guide camera that looks and corrects, and an imaging camera that
// opens its shutter now and then. It yields the path that a star's image takes
// during every sub, from which frames and tables of stars are drawn, and what
// the guide camera measured.
//
// It is the second way to the star that the plan predicts, so it shares none of
// its sums: paths are sampled, and stars are drawn from the samples.
//
// Axes. East and north are those of the sky on the instrument's focal plane when
// it was aimed; on a mount without polar axis the sky turns in them through the
// night. A path is where a star's image stands against where it would with
// everything still.
package rehearsal

import (
	"errors"
	"fmt"
	"math"

	"holdfast/internal/catalog"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Night is what is rehearsed.
type Night struct {
	Rig    *rig.Rig       // as it truly is
	Target catalog.Object // in the middle of the imaging field
	Start  sky.Instant    // of the first sub's settling
	Subs   int            // how many
	Sub    unit.Second    // each
	Held   *Held          // how the star is held; nil where nothing corrects
	Seed   uint64         // of everything random
	Exact  bool           // what a rig only gives the size of has that size: focus errors change their sign alone, parts creep one way
	Faults []Fault        // what is wrong beside what the rig says
}

// Held is what the guide camera looks at and how it corrects.
type Held struct {
	Stars           []catalog.Star // whose mean place is held
	Interval        unit.Second    // exposure
	GainRA, GainDec float64
	DeadBand        unit.Arcsec // half width
	Delay           int         // whole frames beyond the first
}

// limits of what can be rehearsed.
const (
	mostSubs                 = 2000
	longestNight unit.Second = 20 * 3600
)

// check returns an error for a night that cannot be played.
func (n *Night) check() error {
	switch {
	case n.Rig == nil:
		return errors.New("rehearsal: no rig")
	case n.Subs < 1 || n.Subs > mostSubs:
		return fmt.Errorf("rehearsal: found %d subs, want 1 to %d", n.Subs, mostSubs)
	case !(n.Sub >= 0.1) || n.Sub > 7200:
		return fmt.Errorf("rehearsal: found subs of %v s, want 0.1 s to two hours", float64(n.Sub))
	case n.Held != nil && n.Rig.Guide.Kind == rig.NoGuide:
		return errors.New("rehearsal: a star is to be held by a rig without a guide camera")
	case n.Held != nil && !(n.Held.Interval >= 0.01):
		return fmt.Errorf("rehearsal: found a guide exposure of %v s, want 0.01 s or more", float64(n.Held.Interval))
	case n.length() > longestNight:
		return fmt.Errorf("rehearsal: %d subs of %s take %.0f hours, want at most %.0f", n.Subs, n.Sub.Say(), float64(n.length())/3600, float64(longestNight)/3600)
	case math.IsNaN(float64(n.Target.RA)) || math.IsNaN(float64(n.Target.Dec)):
		return errors.New("rehearsal: the target has no place")
	}
	for _, f := range n.Faults {
		if err := f.check(n); err != nil {
			return err
		}
	}
	return nil
}

// pause returns the time from the end of one sub to the beginning of the next.
func (n *Night) pause() unit.Second {
	p := n.Rig.Sub.Overhead.V
	if n.Held != nil && n.Rig.Sub.Dither.V > 0 {
		p += n.Rig.Sub.Settle.V
	}
	return p
}

// firstSettle is the time that corrections have before the first sub.
const firstSettle unit.Second = 30

// length returns how long the night lasts, flips apart.
func (n *Night) length() unit.Second {
	return firstSettle + unit.Second(n.Subs)*n.Sub + unit.Second(n.Subs)*n.pause()
}

// besides returns the distance between the axes of the two telescopes, tubes
// nearly touching; a pick-off looks through the imaging telescope itself.
func besides(r *rig.Rig) unit.Metre {
	if r.Guide.Kind == rig.Pickoff {
		return 0
	}
	return (r.Imaging.TubeDiameter.V/2 + r.Guide.Aperture.V).Metre()
}
