package loop

import (
	"math"

	"holdfast/internal/unit"
)

// DriveParams is what an axis is like. The zero value of every field means none
// of it.
type DriveParams struct {
	RateArcsecPerS    float64     // of the motor while a correction runs: guide rate times sidereal
	TurningArcsecPerS float64     // of the motor always: sidereal in right ascension, 0 in declination
	MaxArcsecPerS     float64     // that the motor can do, both ways; 0 for no limit
	Play              unit.Arcsec // between motor and axis, full width
	Stick             unit.Arcsec // by which the motor must strain the gear before a resting axis breaks away
	Slide             unit.Arcsec // strain while the axis slides; not above Stick
}

// Drive is an axis that carries out corrections. Make one with NewDrive.
//
// The motor is rigid and exact. The axis follows it through play, in which it
// stays where it is, and then through the strain of the gear: an axis at rest
// breaks away when the strain exceeds Stick, springs on until only Slide is
// left, and follows until the motor stops or turns back. It then keeps its
// strain. So a reversal costs Play + Stick + Slide of the motor's way, each new
// start in the same direction Stick - Slide, which the axis makes up in one hop;
// corrections too short for that move nothing until they have added up. With
// Slide equal to Stick friction is the same as Play wider by twice Stick.
//
// An axis whose motor never stops nor turns back, as in right ascension at
// guide rates below sidereal, neither crosses its play nor sticks: both cost
// nothing. A pull to one side (balance, wind) that opens the play is not
// modelled.
type Drive struct {
	p       DriveParams
	strain  float64 // motor less axis, play included
	sliding float64 // direction in which the axis moves: -1, 1, 0 at rest
	ahead   float64 // the axis's position less its steady motion
}

// NewDrive returns the axis at rest in the middle of its play or, if it turns,
// sliding on its flank. Its positions are NaN if a field is negative (but
// TurningArcsecPerS) or Slide is above Stick.
func NewDrive(p DriveParams) *Drive {
	d := &Drive{p: p}
	if !(p.RateArcsecPerS >= 0) || !(p.MaxArcsecPerS >= 0) || !(p.Play >= 0) ||
		!(p.Slide >= 0) || !(p.Stick >= p.Slide) {
		d.ahead = math.NaN()
	}
	if p.TurningArcsecPerS != 0 {
		d.sliding = math.Copysign(1, p.TurningArcsecPerS)
		d.strain = d.sliding * float64(p.Play/2+p.Slide)
	}
	return d
}

// Step lets the axis move for dt, of which a correction runs for the given time,
// signed, not longer than dt. It returns the axis's change beside its steady
// motion.
func (d *Drive) Step(dt, run unit.Second) unit.Arcsec {
	steady := d.p.TurningArcsecPerS * float64(dt)
	move := steady + d.p.RateArcsecPerS*float64(run)
	if most := d.p.MaxArcsecPerS * float64(dt); most > 0 {
		move = math.Min(math.Max(move, -most), most)
	}
	if !(move*d.sliding > 0) {
		d.sliding = 0
	}
	d.strain += move
	// What the gear is strained by, beyond the play.
	hold := float64(d.p.Stick)
	if d.sliding != 0 {
		hold = float64(d.p.Slide)
	}
	moved := 0.0
	if strain := math.Abs(d.strain) - float64(d.p.Play/2); strain > hold {
		d.sliding = math.Copysign(1, d.strain)
		moved = d.sliding * (strain - float64(d.p.Slide))
		d.strain -= moved
	}
	change := moved - steady
	d.ahead += change
	return unit.Arcsec(change)
}

// Position returns the sum of the changes so far: where the axis is beside its
// steady motion.
func (d *Drive) Position() unit.Arcsec { return unit.Arcsec(d.ahead) }
