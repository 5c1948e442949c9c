package series

import (
	"math"
	"slices"

	"holdfast/internal/loop"
	"holdfast/internal/unit"
)

// law is how corrections follow from errors: c = -(own e_own + cross e_other) of
// the exposure delay rows before.
type law struct {
	own, cross     float64
	ownSE, crossSE float64
	delay          int
	fit            float64 // share of the corrections' variance
	n              int
}

// lawOf finds the law of an axis. Corrections that were not made (dead band,
// shortest move) and those as long as can be do not follow it and are left out,
// as are rows that break it.
func (s *study) lawOf(axis int) (law, bool) {
	best := law{fit: math.Inf(-1)}
	f := s.f
	c := f.c[axis]
	// A value that comes again and again at the extreme is a limit.
	limit := 0.0
	for _, v := range c {
		limit = max(limit, math.Abs(v))
	}
	same := 0
	for _, v := range c {
		if math.Abs(v) > 0.999*limit {
			same++
		}
	}
	if same < 3 {
		limit = math.Inf(1)
	}
	for delay := range 4 {
		var rows []int
		for i := delay; i < len(c); i++ {
			if c[i] != 0 && math.Abs(c[i]) < 0.999*limit && f.at[i]-f.at[i-delay] == delay {
				rows = append(rows, i)
			}
		}
		var k law
		for range 4 {
			if len(rows) < 12 {
				break
			}
			var aa, bb, ab, ac, bc, cc float64
			for _, i := range rows {
				a, b := f.e[axis][i-delay], f.e[1-axis][i-delay]
				aa += a * a
				bb += b * b
				ab += a * b
				ac += a * c[i]
				bc += b * c[i]
				cc += c[i] * c[i]
			}
			det := aa*bb - ab*ab
			if !(det > 1e-12*aa*bb) {
				break
			}
			own, cross := (ac*bb-bc*ab)/det, (bc*aa-ac*ab)/det
			left := make([]float64, len(rows))
			sum := 0.0
			for j, i := range rows {
				left[j] = c[i] - own*f.e[axis][i-delay] - cross*f.e[1-axis][i-delay]
				sum += left[j] * left[j]
			}
			n := float64(len(rows))
			v := sum / max(n-2, 1)
			k = law{own: -own, cross: -cross, ownSE: math.Sqrt(v * bb / det), crossSE: math.Sqrt(v * aa / det), delay: delay, fit: 1 - sum/cc, n: len(rows)}
			far := 6*spread(slices.Clone(left)) + 1e-4
			var kept []int
			for j, i := range rows {
				if math.Abs(left[j]) <= far {
					kept = append(kept, i)
				}
			}
			if len(kept) == len(rows) || len(kept) < len(rows)/2 {
				break
			}
			rows = kept
		}
		if k.n > 0 && k.fit > best.fit {
			best = k
		}
	}
	return best, best.n > 0 && best.fit > 0.3
}

// law finds gains, delays, the calibration's angle and signs.
func (s *study) law() {
	d := s.out
	if !d.Guided || d.Answer == nil || !d.Answer.Used && !s.deaf {
		return
	}
	var laws [2]law
	var ok [2]bool
	for axis := range 2 {
		laws[axis], ok[axis] = s.lawOf(axis)
		l := Loop{Axis: s.name(axis), Gain: math.NaN(), Fit: math.NaN(), Added: unit.Arcsec(math.NaN()), Left: unit.Arcsec(math.NaN()), Free: unit.Arcsec(math.NaN()), Better: math.NaN(), BetterTo: unit.Arcsec(math.NaN())}
		if ok[axis] {
			l.Gain, l.Delay, l.Fit = laws[axis].own, laws[axis].delay, laws[axis].fit
		}
		d.Loop = append(d.Loop, l)
	}
	if s.deaf {
		return
	}
	s.angle(laws, ok)
	for axis := range 2 {
		if !ok[axis] {
			continue
		}
		l := &d.Loop[axis]
		// The gain along the error itself, whatever the angle.
		if turned := math.Hypot(laws[axis].own, laws[axis].cross); laws[axis].own > 0 {
			l.Gain = turned
		} else {
			l.Gain = -turned
		}
		g := loop.Linear{Gain: l.Gain, Exposure: s.opt.Exposure, Cycle: d.Cycle, Delay: l.Delay}
		l.Added = unit.Arcsec(math.Sqrt(g.NoiseGain()) * float64([2]unit.Arcsec{d.MotionRA, d.MotionDec}[axis]))
	}
}

// angle finds by how much corrections miss the direction of the error.
func (s *study) angle(laws [2]law, ok [2]bool) {
	d := s.out
	// Which way an axis is corrected.
	wrong := [2]bool{}
	for axis := range 2 {
		if ok[axis] && laws[axis].own < -4*laws[axis].ownSE && math.Abs(laws[axis].own) > 2*math.Abs(laws[axis].cross) {
			wrong[axis] = true
		}
	}
	mirrored := 1.0
	switch {
	case wrong[0] && wrong[1]:
	case wrong[0] || wrong[1]:
		mirrored = -1
	}
	for axis := range 2 {
		if wrong[axis] && mirrored < 0 {
			d.SignWrong = append(d.SignWrong, s.name(axis))
		}
	}
	var x, y, w float64
	for axis, sign := range []float64{1, -1} {
		if !ok[axis] {
			continue
		}
		k := laws[axis]
		own, cross := k.own, k.cross
		if wrong[axis] && mirrored < 0 {
			own = -own
		}
		size := math.Hypot(own, cross)
		if size == 0 {
			continue
		}
		se := math.Hypot(own*k.crossSE, cross*k.ownSE)/(size*size) + 0.01 // half a degree of what is not in the law
		x += own / size / (se * se)
		y += sign * cross / size / (se * se)
		w += 1 / (se * se)
	}
	if w == 0 {
		return
	}
	angle := math.Atan2(y, x)
	se := 1 / math.Sqrt(w)
	// The star may also answer askew.
	if a := d.Answer; s.rec.Moves == Asked && a.RARA > 0 && a.RARASigma > 0 {
		skew := math.Atan2(a.DecRA, a.RARA)
		skewSE := a.DecRASigma / a.RARA
		if math.Abs(skew) > 5*skewSE && math.Abs(skew) > 0.17 {
			angle -= skew
			se = math.Hypot(se, skewSE)
		}
	}
	d.CalibrationAngle = unit.Rad(math.Remainder(angle, 2*math.Pi)).Deg()
	d.CalibrationAngleSigma = unit.Rad(se).Deg()
}
