package loop

import (
	"math"
	"math/rand/v2"

	"holdfast/internal/unit"
)

// Wave is a line with its phase: a sine in time.
type Wave struct {
	Line  Line
	Phase unit.Rad // at time 0
}

// Waves is a periodic disturbance in time: worm, its harmonic, gears, a
// strain-wave drive's lines, whatever has been put into lines.
type Waves []Wave

// NewWaves returns the lines with phases drawn at random. A line keeps its mean
// square exactly. The lines of PeriodicError so have, on average over phases,
// the peak to peak they were made from; one night's differs by 4 % (rms) for
// harmonics of 0.3 to 0.5.
func NewWaves(lines []Line, rng *rand.Rand) Waves {
	w := make(Waves, len(lines))
	for i, l := range lines {
		w[i] = Wave{l, unit.Rad(2 * math.Pi * rng.Float64())}
	}
	return w
}

// At returns the disturbance at a time. The drive's corrections are too small
// to shift the phase of a worm, and do not.
func (w Waves) At(t unit.Second) unit.Arcsec {
	sum := 0.0
	for _, v := range w {
		sum += math.Sqrt(2*v.Line.MeanSquareArcsec2) * math.Sin(2*math.Pi*v.Line.FrequencyHz*float64(t)+float64(v.Phase))
	}
	return unit.Arcsec(sum)
}
