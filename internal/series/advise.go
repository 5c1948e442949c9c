package series

import (
	"fmt"
	"math"
	"slices"

	"holdfast/internal/loop"
	"holdfast/internal/unit"
)

// steps lists the jumps between pieces and counts single wild exposures.
func (s *study) steps() {
	d := s.out
	lines := [2]*Periodic{d.Lines.RA, d.Lines.Dec}
	if lines[0].Steps == nil || lines[1].Steps == nil {
		return
	}
	var begin, count []int
	for i := range s.f.t {
		if i == 0 || s.f.reset[i] {
			begin, count = append(begin, i), append(count, 0)
		}
		count[len(count)-1]++
	}
	before, lone := -1, 0
	for k := range begin {
		if count[k] < 3 && k > 0 && k+1 < len(begin) {
			lone += count[k]
			continue
		}
		if before >= 0 {
			// The wild exposures on the way belong to it.
			at := begin[before+1]
			if i := s.f.at[at]; !slices.Contains(s.rec.Stretches, i) {
				j := Jump{Time: unit.Second(s.f.t[at])}
				var size [2]float64
				for axis, p := range lines {
					size[axis] = float64(p.Steps[k] - p.Steps[before])
				}
				j.RA, j.Dec = unit.Arcsec(size[0]), unit.Arcsec(size[1])
				limit := 4 * float64(d.Motion)
				if math.IsNaN(limit) || math.Hypot(size[0], size[1]) > limit {
					d.Jumps = append(d.Jumps, j)
				}
			}
		}
		before = k
	}
	d.Spikes = lone
}

// regular returns the usual time between jumps if they come as dithers do: four
// or more, at even distances.
func (d *Drive) regular() (unit.Second, bool) {
	if len(d.Jumps) < 4 {
		return 0, false
	}
	var gaps []float64
	for i := 1; i < len(d.Jumps); i++ {
		gaps = append(gaps, float64(d.Jumps[i].Time-d.Jumps[i-1].Time))
	}
	usual := median(slices.Clone(gaps))
	near := 0
	for _, g := range gaps {
		// One that was not seen leaves a whole multiple.
		n := math.Round(g / usual)
		if n >= 1 && math.Abs(g-n*usual) < 0.12*usual*math.Sqrt(n) {
			near++
		}
	}
	return unit.Second(usual), 3*near >= 2*len(gaps)
}

// stiction compares the answers to small and to large corrections in
// declination.
func (s *study) stiction() {
	f := s.f
	if !s.out.Freed || s.play.width > 0 {
		return
	}
	var sizes []float64
	for _, c := range f.c[1] {
		if c != 0 {
			sizes = append(sizes, math.Abs(c))
		}
	}
	if len(sizes) < 80 {
		return
	}
	limit := median(sizes)
	small, large := make([]float64, len(f.t)), make([]float64, len(f.t))
	for i := 1; i < len(f.t); i++ {
		c := f.sum[1][i] - f.sum[1][i-1]
		small[i], large[i] = small[i-1], large[i-1]
		if math.Abs(c) <= limit {
			small[i] += c
		} else {
			large[i] += c
		}
	}
	m := tell(f.cycles(), f.e[1], append([][]float64{small, large}, s.pushes()...), f.reset, predictors)
	if m.k == nil || math.IsNaN(m.k[0]+m.k[1]) {
		return
	}
	yes := m.k[1] > 0.6 && m.k[0] < 0.3 && m.k[1]-m.k[0] > 5*math.Hypot(m.se[0], m.se[1])
	s.out.Stiction = &yes
}

// advise fills what is concluded.
func (s *study) advise() {
	d := s.out
	s.stiction()
	switch {
	case s.play.width > 0:
		d.Backlash, d.BacklashSigma = unit.Arcsec(s.play.width), unit.Arcsec(s.play.sigma)
	case !d.Guided:
		d.BacklashWhy = "no corrections in the record to answer to"
	case !d.Freed:
		d.BacklashWhy = "the star does not answer as the record says"
	case s.play.reversals < 2:
		d.BacklashWhy = "declination was never reversed"
	default:
		d.BacklashWhy = "none that shows, or corrections too small to cross it"
	}
	say := func(format string, args ...any) { d.Advice = append(d.Advice, fmt.Sprintf(format, args...)) }
	angle := float64(d.CalibrationAngle)
	d.Verdict = Steady
	worst := func(verdict, format string, args ...any) {
		if d.Why == "" {
			d.Verdict, d.Why = verdict, fmt.Sprintf(format, args...)
		}
	}
	if s.deaf {
		worst(Deaf, "the star does not answer to its corrections: its place varies at random by %.2f arcsec and forgets at once", float64(d.RMSRA))
		say("look at what is held: a hot pixel does not move with the mount; move the mount by hand and see whether it does, and take darks off the guide frames")
		say("if it is a star, the corrections do not reach the mount: check the cable, the driver and that guiding is allowed")
		nan := unit.Arcsec(math.NaN())
		d.Motion, d.MotionSigma, d.MotionRA, d.MotionDec, d.Seeing, d.SeeingTimes = nan, nan, nan, nan, nan, math.NaN()
	}
	if len(d.SignWrong) > 0 {
		what := s.out.AxisName(slices.Index([]string{"ra", "dec"}, d.SignWrong[0]))
		worst(Misset, "%s is corrected the wrong way: each correction makes the error larger", what)
		say("calibrate again on this side of the pier, or reverse the direction of %s after a flip", what)
	}
	if !math.IsNaN(angle) && math.Abs(angle) > max(10, 4*float64(d.CalibrationAngleSigma)) {
		worst(Misset, "corrections miss the direction of the error by %.0f ± %.0f degrees", angle, math.Ceil(float64(d.CalibrationAngleSigma)))
		say("calibrate again: the guide camera has turned by %.0f degrees since, or its calibration was poor", math.Abs(angle))
	}
	for _, o := range d.Oscillation {
		axis := slices.Index([]string{"ra", "dec"}, o.Axis)
		switch o.Cause {
		case "gain":
			worst(Oscillates, "%s swings to and fro every %.0f cycles: each correction takes off %.2f of the error, and %.2f is the limit", s.out.AxisName(axis), o.Cycles, o.Gain, o.Limit)
			say("lower the gain of %s to %.2f", s.out.AxisName(axis), s.better(axis, 0.5))
		case "delay":
			worst(Oscillates, "%s swings every %.0f cycles: corrections come %d cycle late, and with that a gain of %.2f is near the limit of %.2f", s.out.AxisName(axis), o.Cycles, d.Loop[axis].Delay, o.Gain, o.Limit)
			say("lower the gain of %s to %.2f, or lengthen the interval until a correction has acted before the next exposure", s.out.AxisName(axis), s.better(axis, 0.3))
		default:
			if o.Axis == "dec" && s.play.width > 0 {
				say("declination swings every %.0f cycles though its gain is modest: play does that; lower its gain, or correct it one way only", o.Cycles)
			} else {
				say("%s swings every %.0f cycles, which its gain does not explain: see whether the mount shakes, or whether corrections arrive late", s.out.AxisName(axis), o.Cycles)
			}
		}
	}
	if s.play.width > 0 && s.play.width > 4*float64(d.Motion) {
		worst(Playing, "declination has %.1f arcsec of play: after each reversal corrections do nothing until it is crossed", s.play.width)
		say("correct declination one way only, the way it drifts (%s), or offset the polar axis a little so that it drifts steadily; adjust the mesh of the worm if it can be", toward(d.DriftDec))
	}
	if a := d.Answer; a != nil && a.Used && s.rec.Moves == Asked && s.play.width == 0 && a.DecDec < 0.7 && 1-a.DecDec > 4*a.DecDecSigma {
		say("declination moves by %.2f ± %.2f of what is asked of it: look for play or friction there; its drift and periods are not to be trusted", a.DecDec, a.DecDecSigma)
		d.Periods = slices.DeleteFunc(d.Periods, func(p Period) bool { return p.Axis == "dec" })
	}
	if d.Stiction != nil && *d.Stiction {
		worst(Playing, "small corrections in declination do nothing: the axis sticks")
		say("balance declination finely and loosen what is tight; a longer least correction avoids those that do nothing")
	}
	if i := slices.IndexFunc(d.Periods, func(p Period) bool { return p.Axis == "ra" }); i >= 0 && d.Why == "" {
		p := d.Periods[i]
		what := fmt.Sprintf("the drive's error repeats every %.1f s with an amplitude of %.2f arcsec", float64(p.Period), float64(p.Amplitude))
		switch {
		case d.Guided && s.leftOf(p) < 1.5*float64(d.Motion):
			worst(Steady, "%s; corrections leave %.2f arcsec of that, beside %.2f arcsec at random", what, s.leftOf(p), float64(d.Motion))
		default:
			worst(Periodicity, "%s (%.1f peak to peak)", what, 2*float64(p.Amplitude))
		}
	}
	if !d.Guided && s.opt.Gain == 0 && d.Why == "" {
		if v := math.Hypot(d.DriftRA, d.DriftDec); v*float64(d.Span)/60 > 4*float64(d.RMSRA) || v > 0.1 {
			worst(Drifting, "the star drifts by %.2f arcsec a minute", v)
		}
	}
	worst(Steady, "no period and no play show; the star varies by %.2f arcsec at random", float64(d.Motion))
	if !d.Guided && s.opt.Gain == 0 {
		if math.Abs(d.DriftDec) > 4*d.DriftDecSigma && math.Abs(d.DriftDec) > 0.1 && s.rec.Sky {
			say("declination drifts by %.2f arcsec a minute: the polar axis is off by %.1f arcmin or more", d.DriftDec, 3.809*math.Abs(d.DriftDec))
		}
	} else if d.Freed && math.Abs(d.DriftDec) > 4*d.DriftDecSigma && math.Abs(d.DriftDec) > 1 {
		say("without corrections declination would drift by %.1f arcsec a minute: align the polar axis (off by %.0f arcmin or more)", d.DriftDec, 3.809*math.Abs(d.DriftDec))
	}
	if len(d.Oscillation) == 0 && !s.deaf {
		for axis := range d.Loop {
			l := &d.Loop[axis]
			if math.IsNaN(l.Gain) || math.IsNaN(l.Better) || l.BetterTo > 0.95*l.Left {
				continue
			}
			if axis == 1 && s.play.width > 0 {
				continue // the replay knows no play
			}
			every := ""
			if l.Longer > 1 {
				every = fmt.Sprintf(" every %d cycles", l.Longer)
			}
			say("a gain of %.2f%s in %s would have left the star %.2f arcsec rms instead of %.2f", l.Better, every, s.out.AxisName(axis), float64(l.BetterTo), float64(l.Left))
		}
	}
	if every, ok := d.regular(); ok {
		s.note("%d jumps come about every %s, as dithers do", len(d.Jumps), every.Say())
	} else if n := len(d.Jumps); n > 0 && n <= 20 {
		j := slices.MaxFunc(d.Jumps, func(a, b Jump) int {
			return int(math.Copysign(1, math.Hypot(float64(a.RA), float64(a.Dec))-math.Hypot(float64(b.RA), float64(b.Dec))))
		})
		by := math.Hypot(float64(j.RA), float64(j.Dec))
		if n == 1 {
			say("the star jumped by %.1f arcsec at %.0f s: look for what happened then (cable, clutch, wind, a hand, a dither)", by, float64(j.Time))
		} else {
			say("the star jumped %d times, most at %.0f s, by %.1f arcsec: look for what happened then (cable, clutch, wind, a hand, a dither)", n, float64(j.Time), by)
		}
	}
	if d.Span < 4*s.longest() && len(d.Periods) > 0 {
		s.note("the record holds %.1f turns of its longest period; four or more tell it apart from drift", float64(d.Span/s.longest()))
	}
	if !d.Guided && s.opt.Gain == 0 {
		s.note("no corrections in the record: it is taken as uncorrected")
	}
}

// leftOf returns what the loop leaves of a period, arcsec of amplitude.
func (s *study) leftOf(p Period) float64 {
	if len(s.out.Loop) == 0 || !(s.out.Loop[0].Gain > 0) {
		return float64(p.Amplitude)
	}
	l := loop.Linear{Gain: s.out.Loop[0].Gain, Exposure: s.opt.Exposure, Cycle: s.out.Cycle, Delay: s.out.Loop[0].Delay}
	if r := l.Rejection(1 / float64(p.Period)); !math.IsNaN(r) {
		return r * float64(p.Amplitude)
	}
	return float64(p.Amplitude)
}

// better returns the gain that would have done better, or a usual one.
func (s *study) better(axis int, usual float64) float64 {
	if axis < len(s.out.Loop) && !math.IsNaN(s.out.Loop[axis].Better) {
		return s.out.Loop[axis].Better
	}
	return usual
}

// longest returns the longest period found.
func (s *study) longest() unit.Second {
	t := unit.Second(0)
	for _, p := range s.out.Periods {
		t = max(t, p.Period)
	}
	return t
}

// toward says a direction of declination.
func toward(rate float64) string {
	if rate < 0 {
		return "south"
	}
	return "north"
}
