package series

import (
	"math"
	"slices"
	"time"

	"holdfast/internal/unit"
)

// Sample is one exposure of the guide camera. What is not known is NaN; a star
// that was lost has no offset.
type Sample struct {
	Time            unit.Second // since the record began
	RA, Dec         unit.Arcsec // offset from where the star is held
	MoveRA, MoveDec unit.Arcsec // correction that followed: the change of the offset it asked for
	SNR             float64
}

// Found reports whether the star was measured.
func (s Sample) Found() bool { return !math.IsNaN(float64(s.RA + s.Dec)) }

// Meaning is what the corrections of a record are known to mean.
type Meaning uint8

// The meanings.
const (
	NoMoves Meaning = iota // there are none
	Asked                  // the change of the offset that was asked for, arcsec
	Unnamed                // numbers whose unit, sign and axis the record does not say
)

// Record is what the guide camera measured, in order of time.
type Record struct {
	Name      string
	Start     time.Time // of time zero; zero if not known
	Samples   []Sample
	Stretches []int       // where the star was taken hold of anew: indices of first samples, the first of all 0
	Moves     Meaning     // of MoveRA and MoveDec
	Exposure  unit.Second // of the guide camera; NaN if not known
	Sky       bool        // the axes are east and north; otherwise those of the camera, x and y
}

// Span returns the time from the first exposure to the last.
func (r *Record) Span() unit.Second {
	if len(r.Samples) == 0 {
		return 0
	}
	return r.Samples[len(r.Samples)-1].Time - r.Samples[0].Time
}

// Cycle returns the median time from one exposure to the next; NaN for fewer
// than two.
func (r *Record) Cycle() unit.Second {
	if len(r.Samples) < 2 {
		return unit.Second(math.NaN())
	}
	gaps := make([]float64, 0, len(r.Samples)-1)
	for i := 1; i < len(r.Samples); i++ {
		gaps = append(gaps, float64(r.Samples[i].Time-r.Samples[i-1].Time))
	}
	return unit.Second(median(gaps))
}

// lost counts the exposures without a star.
func (r *Record) lost() int {
	n := 0
	for _, s := range r.Samples {
		if !s.Found() {
			n++
		}
	}
	return n
}

// median returns the middle of v, NaN if there is none. It changes the order.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	if n := len(v); n%2 == 0 {
		return (v[n/2-1] + v[n/2]) / 2
	}
	return v[len(v)/2]
}

// spread returns the standard deviation of the bulk of v about zero, from the
// median of the absolute values. It changes v.
//
// Source: the median of the absolute value of a unit normal is 0.67449.
func spread(v []float64) float64 {
	for i := range v {
		v[i] = math.Abs(v[i])
	}
	return median(v) / 0.674490
}
