package series

import (
	"math"

	"holdfast/internal/loop"
	"holdfast/internal/unit"
)

// swing looks for a loop that swings by itself: offsets that come back with the
// other sign after some cycles and with their own after twice as many.
func (s *study) swing() {
	d := s.out
	if len(s.f.t) < 60 {
		return
	}
	yes := false
	for axis := range 2 {
		o := Oscillation{Axis: s.name(axis), Cause: "unknown", Gain: math.NaN(), Limit: math.NaN()}
		if d.Guided && len(d.Loop) == 2 && !math.IsNaN(d.Loop[axis].Gain) {
			o.Gain = d.Loop[axis].Gain
			angle := d.CalibrationAngle
			if math.IsNaN(float64(angle)) {
				angle = 0
			}
			o.Limit = loop.StabilityLimit(d.Loop[axis].Delay, angle)
		}
		half := s.returns(axis)
		if half == 0 {
			continue
		}
		o.Cycles = 2 * float64(half)
		if s.isLine(axis, o.Cycles) {
			continue
		}
		switch {
		case math.IsNaN(o.Gain):
		case o.Gain < 0.6*o.Limit:
			// The settings do not explain a swing of their own; play or a motion of
			// the mount does.
		case d.Loop[axis].Delay > 0 && o.Gain < 1.2:
			o.Cause = "delay"
		default:
			o.Cause = "gain"
		}
		yes = true
		d.Oscillation = append(d.Oscillation, o)
	}
	d.Oscillating = &yes
}

// isLine reports whether the drive has a period of about so many cycles.
func (s *study) isLine(axis int, cycles float64) bool {
	for _, p := range s.out.Periods {
		if r := float64(p.Period) / float64(s.out.Cycle) / cycles; p.Axis == s.name(axis) && r > 0.8 && r < 1.25 {
			return true
		}
	}
	return false
}

// returns returns after how many cycles the offsets of an axis come back with
// the other sign, 0 if they do not.
func (s *study) returns(axis int) int {
	// Differences of neighbours leave out what is slow; within pieces only.
	e := s.f.e[axis]
	n := len(e)
	const most = 12
	mean := s.smooth(axis)
	var r [2*most + 1]float64
	for k := range r {
		sum, count := 0.0, 0.0
		for i := 0; i+k < n; i++ {
			if s.broken(i, i+k) {
				continue
			}
			sum += (e[i] - mean[i]) * (e[i+k] - mean[i+k])
			count++
		}
		if count > 20 {
			r[k] = sum / count
		}
	}
	if !(r[0] > 0) {
		return 0
	}
	for k := 1; k <= most; k++ {
		v := r[k] / r[0]
		if v < -0.4 && (k == 1 || r[k] <= r[k-1]) && r[k] <= r[k+1] {
			if r[2*k]/r[0] > 0.25 {
				return k
			}
			return 0
		}
	}
	return 0
}

// smooth returns the running mean of an axis over 31 exposures, which a swing of
// up to 24 cycles does not follow.
func (s *study) smooth(axis int) []float64 {
	const half = 15
	e := s.f.e[axis]
	out := make([]float64, len(e))
	for i := range e {
		sum, n := 0.0, 0.0
		for j := max(i-half, 0); j <= min(i+half, len(e)-1); j++ {
			if !s.broken(min(i, j), max(i, j)) {
				sum += e[j]
				n++
			}
		}
		out[i] = sum / n
	}
	return out
}

// broken reports whether a jump lies between two samples.
func (s *study) broken(a, b int) bool { return s.f.pieceOf(a) != s.f.pieceOf(b) }

// pieceOf returns the number of the piece of a sample.
func (f *free) pieceOf(i int) int {
	if f.piece == nil {
		f.piece = make([]int, len(f.t))
		k := 0
		for j := range f.t {
			if j > 0 && f.reset[j] {
				k++
			}
			f.piece[j] = k
		}
	}
	return f.piece[i]
}

// settings replays the un-guided record with other gains and intervals.
func (s *study) settings() {
	d := s.out
	if s.deaf || !d.Freed && d.Guided || !d.Guided && s.opt.Gain > 0 {
		return
	}
	if len(d.Loop) == 0 {
		for axis := range 2 {
			nan := unit.Arcsec(math.NaN())
			d.Loop = append(d.Loop, Loop{Axis: s.name(axis), Gain: math.NaN(), Fit: math.NaN(), Added: nan, Left: nan, Free: nan, BetterTo: nan, Better: math.NaN()})
		}
	}
	for axis := range 2 {
		l := &d.Loop[axis]
		l.Better, l.BetterTo = math.NaN(), unit.Arcsec(math.NaN())
		noise := float64([2]unit.Arcsec{d.MotionRA, d.MotionDec}[axis])
		l.Free = [2]unit.Arcsec{d.FreeRMSRA, d.FreeRMSDec}[axis]
		if math.IsNaN(noise) {
			continue
		}
		x := s.seen[axis]
		delay := l.Delay
		if !math.IsNaN(l.Gain) {
			l.Left = unit.Arcsec(replay(x, l.Gain, 1, delay, noise))
		}
		best := math.Inf(1)
		for m := 1; m <= 4; m++ {
			// Half of what makes the loop swing: the usual margin, a factor of two
			// (Franklin, Powell and Workman, Digital Control of Dynamic Systems).
			for g := 0.05; g < 0.5*loop.StabilityLimit(delay, 0)+1e-9; g += 0.05 {
				// A longer interval must earn its place.
				if v := replay(x, g, m, delay, noise); v < best*(1-0.02*float64(min(m-1, 1))) {
					best = v
					l.Better, l.Longer, l.BetterTo = math.Round(100*g)/100, m, unit.Arcsec(v)
				}
			}
		}
	}
}

// replay returns the rms of the star that an integrator of gain g leaves of an
// un-guided record when it corrects every m exposures by their mean, delay
// corrections late. Corrections know only exposures before, whose noise is none
// of the present's, so what is measured less the noise's variance is the star's.
//
// Source: the loop of package loop, c_(n+1) = c_n + g m_(n-k).
func replay(x []float64, g float64, m, delay int, noise float64) float64 {
	if len(x) < 8*m {
		return math.NaN()
	}
	queue := make([]float64, delay+1)
	c := x[0] // held when the record begins
	sum, count := 0.0, 0
	settle := int(6 / max(g, 0.05))
	for a, k := 0, 0; a+m <= len(x); a, k = a+m, k+1 {
		mean := 0.0
		for _, v := range x[a : a+m] {
			mean += (v - c) / float64(m)
			if k >= settle || k*m > len(x)/4 {
				sum += (v - c) * (v - c)
				count++
			}
		}
		queue[k%(delay+1)] = mean
		c += g * queue[(k+1)%(delay+1)]
	}
	return math.Sqrt(max(sum/float64(count)-noise*noise, 0))
}
