package loop_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"holdfast/internal/air"
	"holdfast/internal/loop"
	"holdfast/internal/mech"
	"holdfast/internal/unit"
)

// Ten minutes of a small guide telescope beside a larger one: worm, drift of the
// pole, air, centroid noise, play in declination.
func ExampleServo() {
	const step, rate = 0.02, 0.5
	rng := rand.New(rand.NewPCG(1, 2))
	servo := loop.NewServo(loop.ServoParams{
		Exposure: 2, Readout: 0.5, GuideRate: rate, MaxPulse: 1,
		RA: loop.ServoAxis{Gain: 0.6}, Dec: loop.ServoAxis{Gain: 0.4},
	}, step)
	ra := loop.NewDrive(loop.DriveParams{RateArcsecPerS: rate * mech.SiderealArcsecPerS, TurningArcsecPerS: mech.SiderealArcsecPerS, Play: 5})
	dec := loop.NewDrive(loop.DriveParams{RateArcsecPerS: rate * mech.SiderealArcsecPerS, Play: 5})
	worm := loop.NewWaves(loop.PeriodicError(20, 479, 0.3), rng)
	motion := air.NewSeries(air.SeriesParams{
		Air:    air.Turbulence{Fried: 0.05, Outer: 20},
		Layers: []air.Layer{{Share: 0.6, Wind: 3}, {Distance: 8000, Share: 0.4, Wind: 12, Toward: 60}},
		Beams:  []air.Beam{{Aperture: 0.05, OffsetX: 900}, {Aperture: 0.2, Y: 0.25}}, // guide, imaging
		Step:   step,
	}, rng)

	shift := make([]air.Shift, 2)
	var sumX, sumY unit.Arcsec // over the guide camera's exposure
	var exposed, n, square float64
	for i := range int(600 / step) {
		t := unit.Second(i) * step
		tick := servo.Next()
		ra.Step(step, tick.RA)
		dec.Step(step, tick.Dec)
		motion.Next(shift)
		x, y := worm.At(t)-ra.Position(), 0.013*unit.Arcsec(t)-dec.Position()
		if tick.Exposing {
			sumX, sumY, exposed = sumX+x+shift[0].X, sumY+y+shift[0].Y, exposed+1
		}
		if tick.Ended {
			noise := func() unit.Arcsec { return unit.Arcsec(0.2 * rng.NormFloat64()) }
			servo.Measure(sumX/unit.Arcsec(exposed)+noise(), sumY/unit.Arcsec(exposed)+noise(), true)
			sumX, sumY, exposed = 0, 0, 0
		}
		if t > 60 { // the imaging camera's star
			square += math.Pow(float64(x+shift[1].X), 2)
			n++
		}
	}
	fmt.Printf("rms in right ascension %.1f arcsec\n", math.Sqrt(square/n))
	// Output: rms in right ascension 0.8 arcsec
}
