package loop

import (
	"math"

	"holdfast/internal/mech"
	"holdfast/internal/unit"
)

// ServoParams is how corrections are made.
type ServoParams struct {
	Exposure  unit.Second // of the guide camera
	Readout   unit.Second // from the exposure's end until a correction starts: reading, measuring, sending
	Cycle     unit.Second // from one exposure's start to the next at least; 0 for as soon as the corrections are over
	Delay     int         // whole frames beyond the first by which a measurement is used late
	RA, Dec   ServoAxis
	GuideRate float64     // speed of a correction over sidereal
	MinPulse  unit.Second // a shorter correction is not made
	MaxPulse  unit.Second // a longer one is made this long; 0 for no limit

	Declination unit.Deg // of the star
	Calibration Calibration
}

// ServoAxis is what each axis has of its own.
type ServoAxis struct {
	Gain     float64
	DeadBand unit.Arcsec // half width: smaller offsets are not corrected
}

// Calibration is what the corrections know of the axes; the zero value is an
// exact one at the equator.
type Calibration struct {
	Angle       unit.Deg // by which the camera's axes have turned since, from x towards y
	Mirrored    bool     // declination answers the other way than it did (after a flip)
	Declination unit.Deg // of the star it was made on
	Compensated bool     // the rate of right ascension is scaled to the star's declination
}

// Tick is what happens during a step.
type Tick struct {
	Exposing bool        // the guide camera sees the star
	Ended    bool        // the exposure ends with this step: Measure is due
	RA, Dec  unit.Second // for how long corrections run, signed; for Drive.Step
}

// Servo makes corrections from what the guide camera measures, in time: it
// exposes, reads out, corrects both axes at once, each for as long as it takes
// at the guide rate, and exposes again when that is over. A positive offset
// gives a positive correction, which moves the axis after the star. Make one
// with NewServo; for each step call Next, move the drives, and give Measure the
// mean offset when an exposure has ended.
//
// Linear describes it as long as corrections are short beside a cycle, neither
// limit bites and the drive neither plays nor sticks. Where it is not linear,
// by simulation:
//   - The time that corrections take lengthens the cycle: Linear's Cycle is the
//     mean one, Exposure + Readout + mean correction. Its rms is then right to
//     1.5 % while the mean correction is a twentieth of the cycle, 3.5 % at a
//     tenth.
//   - A dead band is as Linear.DeadBand says. MinPulse is one more, of half
//     width MinPulse times the rate over the gain.
//   - MaxPulse cuts corrections of rms s at c: with c = 3 s it does nothing,
//     with c = s it injects 0.7 of the noise's variance and follows as much more
//     weakly; a drift or slope beyond c a cycle is not followed at all.
//   - Play is as Backlash says. Friction makes an axis that must follow a slow
//     drift do so by hops of Stick - Slide, which add 0.15 to 0.45 of a hop's
//     square to the variance, with noise of a fifth of a hop or none.
//   - A long correction of one axis delays both.
type Servo struct {
	p                           ServoParams
	step                        float64
	exposure, readout, cycle    int // steps
	stage                       stage
	count, elapsed              int // steps in the stage, since the exposure began
	queue                       []offset
	at                          int // where the next measurement goes
	measured                    bool
	aimX, aimY                  float64
	lost                        int
	ra, dec                     float64 // corrections yet to run, seconds
	raArcsecPerS, decArcsecPerS float64 // speeds on the sky as calibrated
	sin, cos                    float64 // of the calibration's angle
}

type stage int

const (
	exposing stage = iota
	reading
	correcting
)

// offset is a measurement in the axes as calibrated; zero for a lost star.
type offset struct{ ra, dec float64 }

// NewServo returns a servo that begins to expose with the first step, for steps
// of the given length; times are rounded to whole steps, an exposure to at
// least one, corrections are not. It panics if the step is not positive or the
// delay negative. At a pole, or calibrated at one without compensation,
// corrections in right ascension have no end.
func NewServo(p ServoParams, step unit.Second) *Servo {
	if !(step > 0) || p.Delay < 0 {
		panic("loop: NewServo: the step must be positive and the delay not negative")
	}
	steps := func(t unit.Second) int { return int(math.Round(float64(t / step))) }
	s := &Servo{
		p: p, step: float64(step),
		exposure: max(steps(p.Exposure), 1), readout: steps(p.Readout), cycle: steps(p.Cycle),
		queue: make([]offset, p.Delay+1),
	}
	at := p.Calibration.Declination
	if p.Calibration.Compensated {
		at = p.Declination
	}
	s.decArcsecPerS = p.GuideRate * mech.SiderealArcsecPerS
	s.raArcsecPerS = float64(mech.PulseSky(1, p.GuideRate, at))
	if p.Calibration.Mirrored {
		s.decArcsecPerS = -s.decArcsecPerS
	}
	s.sin, s.cos = math.Sincos(float64(p.Calibration.Angle.Rad()))
	return s
}

// Next moves the servo on by one step and says what happens in it. It does not
// allocate.
func (s *Servo) Next() Tick {
	for {
		switch s.stage {
		case exposing:
			s.count++
			s.elapsed++
			t := Tick{Exposing: true}
			if s.count == s.exposure {
				t.Ended = true
				s.stage, s.count, s.measured = reading, 0, false
			}
			return t
		case reading:
			if s.count < s.readout {
				s.count++
				s.elapsed++
				return Tick{}
			}
			s.correct()
			s.stage = correcting
		case correcting:
			if s.ra == 0 && s.dec == 0 && s.elapsed >= s.cycle {
				s.stage, s.count, s.elapsed = exposing, 0, 0
				continue
			}
			s.elapsed++
			return Tick{RA: s.run(&s.ra), Dec: s.run(&s.dec)}
		}
	}
}

// run takes what runs during one step off a correction.
func (s *Servo) run(left *float64) unit.Second {
	now := math.Min(math.Max(*left, -s.step), s.step)
	*left -= now
	return unit.Second(now)
}

// Measure takes the offsets of the star from where it was when the servo
// started, along the camera's axes, averaged over the exposure that has ended: x
// is right ascension on the sky and y declination if the calibration is right.
// found is false when there was no star to measure; then, as for NaN or when
// Measure is not called, this frame corrects nothing.
func (s *Servo) Measure(x, y unit.Arcsec, found bool) {
	if !found || math.IsNaN(float64(x+y)) {
		return
	}
	dx, dy := float64(x)-s.aimX, float64(y)-s.aimY
	s.queue[s.at] = offset{dx*s.cos + dy*s.sin, dy*s.cos - dx*s.sin}
	s.measured = true
}

// correct sets the corrections from the measurement that is due.
func (s *Servo) correct() {
	s.lost++
	if s.measured {
		s.lost = 0
	} else {
		s.queue[s.at] = offset{}
	}
	s.at = (s.at + 1) % len(s.queue)
	due := s.queue[s.at]
	s.ra = s.pulse(due.ra, s.p.RA, s.raArcsecPerS)
	s.dec = s.pulse(due.dec, s.p.Dec, s.decArcsecPerS)
}

// pulse returns the seconds of a correction.
func (s *Servo) pulse(off float64, axis ServoAxis, arcsecPerS float64) float64 {
	if off == 0 || axis.Gain == 0 || math.Abs(off) < float64(axis.DeadBand) {
		return 0
	}
	t := axis.Gain * off / arcsecPerS
	if math.Abs(t) < float64(s.p.MinPulse) {
		return 0
	}
	if most := float64(s.p.MaxPulse); most > 0 {
		t = math.Min(math.Max(t, -most), most)
	}
	return t
}

// Aim moves the place where the star is to be held, for a dither: to the given
// offsets along the camera's axes from where it was when the servo started. The
// corrections that follow take the star there, (1-g)^n of the way being left
// after n cycles without delay if MaxPulse allows.
func (s *Servo) Aim(x, y unit.Arcsec) { s.aimX, s.aimY = float64(x), float64(y) }

// Lost returns how many frames in a row have had no star. What to do about many
// is the caller's to say; the servo waits, and when the star is back corrects it
// at once, MaxPulse at a time.
func (s *Servo) Lost() int { return s.lost }
