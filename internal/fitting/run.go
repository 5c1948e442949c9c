package fitting

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// curve is the width of a star against the place of the focuser:
//
//	H = s g(K (y - best)/s),   s = sharp (1 + trend t)
//
// g is the shape, y where the focuser's tube is, t the time from -1 to 1. The
// tube lags behind the counter by the play:
//
//	y = max(x - play/2, min(x + play/2, y of the frame before))
type curve struct {
	best, sharp, slope, trend, play  float64 // positions in counts, the slope in pixels of the disc per count
	bestSE, sharpSE, slopeSE, playSE float64
	bestPlay                         float64 // how best changes with the play
	scatter                          float64 // of s from frame to frame, px
	chi, constant, drifting          float64 // chi squared of the curve, of one width, of one that drifts
	free                             int     // degrees of freedom left
	turned                           bool    // the run went both ways
	drifts                           bool    // the trend is significant
	freed                            bool    // the trend was sought
	first                            float64 // of the first frame's tube: -1 as after moving out, 1 as after moving in
	travelled                        []float64
}

// run is a focus run to be fitted.
type run struct {
	*shape
	at, width, se, when []float64
	mid, half           float64
	turned              bool
	hope, hopeSE        float64 // ln of the width in focus and how sure that is
}

// leastForPlay is how many frames it takes to tell the play from the curve.
const leastForPlay = 6

// newRun returns the run of the looks with known positions.
func newRun(looks []Sample, g *shape, sharp, sure float64) *run {
	r := &run{shape: g, hope: math.Log(sharp), hopeSE: sure}
	timed := true
	for _, k := range looks {
		r.at, r.width = append(r.at, k.Position), append(r.width, float64(k.HFD.V))
		timed = timed && !k.Start.IsZero()
	}
	// The error of a frame with few stars is known badly from their own scatter:
	// it is at least what its number of stars gives at the scatter usual in the run.
	var scatter []float64
	for _, k := range looks {
		scatter = append(scatter, float64(k.HFD.SE/k.HFD.V)*math.Sqrt(float64(max(k.Stars, 1))))
	}
	sorted := slices.Sorted(slices.Values(scatter))
	usual := sorted[len(sorted)/2]
	for i, k := range looks {
		r.se = append(r.se, max(float64(k.HFD.SE), 0.7*usual*float64(k.HFD.V)/math.Sqrt(float64(max(k.Stars, 1)))))
		t := float64(i)
		if timed {
			t = k.Start.Sub(looks[0].Start).Seconds()
		}
		r.when = append(r.when, t)
	}
	lo, hi := slices.Min(r.when), slices.Max(r.when)
	for i := range r.when {
		if hi > lo {
			r.when[i] = 2*(r.when[i]-lo)/(hi-lo) - 1
		} else {
			r.when[i] = 0
		}
	}
	r.mid, r.half = (slices.Min(r.at)+slices.Max(r.at))/2, (slices.Max(r.at)-slices.Min(r.at))/2
	out, in := false, false
	for i := 1; i < len(r.at); i++ {
		out, in = out || r.at[i] > r.at[i-1], in || r.at[i] < r.at[i-1]
	}
	r.turned = out && in && len(r.at) >= leastForPlay
	return r
}

// tube returns where the tube was in every frame, in half spans from the middle.
func (r *run) tube(play, first float64) []float64 {
	y := make([]float64, len(r.at))
	at := r.at[0] + first*play/2
	for i, x := range r.at {
		at = max(x-play/2, min(x+play/2, at))
		y[i] = (at - r.mid) / r.half
	}
	return y
}

// The parameters of a fit: best in half spans from the middle, ln sharp, ln of the
// disc's pixels per half span, trend, wings as a part of the air's.
type params [nParams]float64

const nParams = 5

// The wings of real stars over those of the air: what optics, pixels and jitter
// leave of them. Common practice, no source.
const commonWings, commonWingsSE = 0.7, 0.4

// commonDrift is by what part the width in focus changes from the middle of a run
// to its end: common practice, no source.
const commonDrift = 0.1

// model returns the width at y and t, and how it changes with the width in focus.
func (r *run) model(p params, y, t float64) (h, perSharp float64) {
	s := math.Exp(p[1]) * max(1+p[3]*t, 0.2)
	u := math.Exp(p[2]) * (y - p[0]) / s
	const step = 1e-3
	g := r.winged(u, p[4])
	return s * g, g - u*(r.winged(u+step, p[4])-r.winged(u-step, p[4]))/(2*step)
}

// fit returns the best parameters for given places of the tube and variances,
// their covariance and chi squared. Without drift the trend is zero.
func (r *run) fit(y, variance []float64, drift bool) (params, []float64, float64) {
	n := len(y)
	m := n + 3
	least := math.Inf(1)
	for _, h := range r.width {
		least = min(least, h)
	}
	lower := []float64{-200, math.Log(0.3), math.Log(1e-3), 0, 0}
	upper := []float64{200, math.Log(2*least + 1), math.Log(1e4), 0, 1.5}
	if drift {
		lower[3], upper[3] = -0.7, 0.7
	}
	resid := func(x []float64, out []float64) {
		p := params(x)
		for i := range n {
			h, _ := r.model(p, y[i], r.when[i])
			out[i] = (r.width[i] - h) / math.Sqrt(variance[i])
		}
		out[n] = (x[1] - r.hope) / r.hopeSE
		out[n+1] = x[3] / commonDrift
		out[n+2] = (x[4] - commonWings) / commonWingsSE
	}
	moved := make([]float64, m)
	normal := num.Residuals(m, func(x, out, j []float64) {
		resid(x, out)
		z := slices.Clone(x)
		for k := range z {
			const step = 1e-5
			z[k] += step
			resid(z, moved)
			z[k] = x[k]
			for i := range moved {
				j[i*nParams+k] = (moved[i] - out[i]) / step
			}
		}
	})
	var best params
	var cov []float64
	chi := math.Inf(1)
	for _, start := range r.starts(y, variance) {
		x := start[:]
		res, _ := num.LeastSquares(x, normal, num.Options{MaxIterations: 60, StepTol: 1e-7, Lower: lower, Upper: upper})
		if !(res.SumSq < chi) {
			continue
		}
		c := slices.Clone(res.JTJ)
		for k := range nParams {
			if lower[k] == upper[k] || res.Held[k] {
				for i := range nParams {
					c[k*nParams+i], c[i*nParams+k] = 0, 0
				}
				c[k*nParams+k] = 1e12
			}
		}
		if !num.InvertPositive(c, nParams) {
			continue
		}
		best, cov, chi = params(x), c, res.SumSq
	}
	return best, cov, chi
}

// starts returns where to begin: the two best of a row of places of focus, with
// the hyperbola through the widths for each.
func (r *run) starts(y, variance []float64) []params {
	type start struct {
		p   params
		chi float64
	}
	var all []start
	for _, best := range [...]float64{-80, -40, -20, -13, -9, -6, -4, -3, -2.2, -1.6, -1.2, -0.9, -0.7, -0.5, -0.3, -0.15, 0, 0.15, 0.3, 0.5, 0.7, 0.9, 1.2, 1.6, 2.2, 3, 4, 6, 9, 13, 20, 40, 80} {
		// H^2 = a + b (y-best)^2, each weighed by its error.
		var w, wx, wxx, wy, wxy float64
		for i, h := range r.width {
			q := 1 / (4 * h * h * variance[i])
			x := sq(y[i] - best)
			w, wx, wxx, wy, wxy = w+q, wx+q*x, wxx+q*x*x, wy+q*h*h, wxy+q*x*h*h
		}
		b := (w*wxy - wx*wy) / (w*wxx - wx*wx)
		a := (wy - b*wx) / w
		low := slices.Min(r.width)
		if !(b > 0) {
			continue
		}
		a = max(a, low*low/25)
		s := start{p: params{best, math.Log(a) / 2, math.Log(b/r.tail) / 2, 0, commonWings}}
		for i, h := range r.width {
			s.chi += sq(h*h-a-b*sq(y[i]-best)) / (4 * h * h * variance[i])
		}
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b start) int {
		if a.chi < b.chi {
			return -1
		}
		return 1
	})
	var out []params
	for _, s := range all[:min(2, len(all))] {
		out = append(out, s.p)
	}
	return out
}

// modelError is how far a real star's width is from the shape's: a part of it.
const modelError = 0.003

// least sensitivity of a width to the air's, so that far from focus the scatter
// stays finite.
const leastSensitive = 0.3

// commonScatter is by what part the width in focus changes from frame to frame
// where nothing tells: common practice, no source.
const commonScatter = 0.03

// solve fits the curve: play, scatter and drift with it. The bool is false if
// nothing widens anywhere.
func (r *run) solve() (curve, bool) {
	n := len(r.at)
	variance, sensitive := make([]float64, n), make([]float64, n)
	for i, h := range r.width {
		variance[i] = sq(r.se[i]) + sq(modelError*h)
		sensitive[i] = 1
	}
	base := slices.Clone(variance)
	c := curve{turned: r.turned}
	var p params
	var cov []float64
	var y []float64
	legs := r.longest()
	for pass := range 5 {
		if r.turned {
			if pass < 2 { // afterwards the errors hardly change
				c.play, c.first = r.findPlay(variance, legs, c.drifts)
			}
			c.play = r.narrowPlay(variance, legs, c.drifts, c.play, c.first)
		}
		y = r.tube(c.play, c.first)
		p, cov, c.chi = r.fit(y, variance, false)
		if cov == nil {
			return c, false
		}
		count := 3
		if r.turned {
			count++
		}
		// A drift of the air is sought always: in a run that goes one way it moves
		// the lowest point.
		c.drifts, c.freed = false, false
		if n-count >= 2 {
			if q, covQ, chi := r.fit(y, variance, true); covQ != nil {
				c.drifts, c.freed = c.chi-chi > 9, true
				p, cov, c.chi = q, covQ, chi
				count++
			}
		}
		c.free = n - count
		if pass == 4 {
			break
		}
		// The scatter with which the rest is as large as it should be.
		rest := make([]float64, n)
		for i := range y {
			h, d := r.model(p, y[i], r.when[i])
			rest[i], sensitive[i] = r.width[i]-h, max(d, leastSensitive)
			base[i] = sq(r.se[i]) + sq(modelError*h)
		}
		sharp := math.Exp(p[1])
		if c.free >= 2 {
			c.scatter = excess(rest, base, sensitive, float64(c.free))
		} else {
			c.scatter = commonScatter * sharp // nothing is left to judge it by
		}
		for i := range variance {
			variance[i] = base[i] + sq(c.scatter*sensitive[i])
		}
	}
	c.best, c.sharp, c.slope, c.trend = r.mid+r.half*p[0], math.Exp(p[1]), math.Exp(p[2])/r.half, p[3]
	// What the scatter of the air does not explain widens every error alike.
	wide := 1.0
	if c.free >= 2 {
		wide = math.Sqrt(max(c.chi/float64(c.free), 1))
	}
	c.bestSE, c.sharpSE, c.slopeSE = wide*r.half*math.Sqrt(cov[0]), wide*c.sharp*math.Sqrt(cov[nParams+1]), wide*c.slope*math.Sqrt(cov[2*nParams+2])
	if r.turned {
		r.playError(&c, variance, legs)
		c.playSE *= wide
	}
	if c.free < 2 {
		c.scatter = math.NaN()
	}
	c.constant, c.drifting = r.flat(variance)
	for _, v := range y {
		c.travelled = append(c.travelled, r.mid+r.half*v)
	}
	return c, true
}

// longest returns the longest travel in one direction.
func (r *run) longest() float64 {
	longest, leg := 0.0, 0.0
	for i := 1; i < len(r.at); i++ {
		d := r.at[i] - r.at[i-1]
		if d*leg < 0 {
			leg = 0
		}
		leg += d
		longest = max(longest, math.Abs(leg))
	}
	return longest
}

// playSteps is into how many steps the plays that are tried are cut.
const playSteps = 24

// findPlay returns the play, up to half of the longest leg, and the state of the
// first frame with which the curve fits best, to a step of playSteps.
func (r *run) findPlay(variance []float64, longest float64, drift bool) (play, first float64) {
	best := math.Inf(1)
	step := longest / 2 / playSteps
	for i := range playSteps + 1 {
		for _, u := range [...]float64{-1, 0, 1} {
			if _, _, chi := r.fit(r.tube(float64(i)*step, u), variance, drift); chi < best-1e-9 {
				best, play, first = chi, float64(i)*step, u
			}
		}
	}
	return play, first
}

// narrowPlay returns the play that fits best within a step of the given one, by
// thirds.
func (r *run) narrowPlay(variance []float64, longest float64, drift bool, play, first float64) float64 {
	at := func(play float64) float64 {
		_, _, chi := r.fit(r.tube(play, first), variance, drift)
		return chi
	}
	step := longest / 2 / playSteps
	lo, hi := max(play-step, 0), play+step
	for range 12 {
		if a, b := lo+(hi-lo)/3, hi-(hi-lo)/3; at(a) <= at(b) {
			hi = b
		} else {
			lo = a
		}
	}
	if mid := (lo + hi) / 2; mid > 1e-3*step && at(mid) <= at(play) {
		return mid
	}
	return play
}

// playError fills the error of the play, by where chi squared has grown by one,
// and how the best position changes with the play.
func (r *run) playError(c *curve, variance []float64, longest float64) {
	_, _, chi := r.fit(r.tube(c.play, c.first), variance, c.freed)
	reach := func(sign float64) (float64, float64) {
		h := longest / 2 / playSteps / 64
		for h < longest {
			play := c.play + sign*h
			if play < 0 {
				return math.NaN(), 0
			}
			p, _, up := r.fit(r.tube(play, c.first), variance, c.freed)
			if rise := up - chi; rise >= 1 {
				// Between here and half of it, chi squared is a parabola.
				return h / math.Sqrt(rise), (r.mid + r.half*p[0] - c.best) / (sign * h)
			}
			h *= 1.5
		}
		return math.NaN(), 0
	}
	up, slopeUp := reach(1)
	down, slopeDown := reach(-1)
	switch {
	case math.IsNaN(down):
		c.playSE, c.bestPlay = up, slopeUp
	case math.IsNaN(up):
		c.playSE, c.bestPlay = down, slopeDown
	default:
		c.playSE, c.bestPlay = (up+down)/2, (slopeUp+slopeDown)/2
	}
}

// excess returns the scatter s that, as s^2 sensitive^2 added to base, is the
// likeliest variance of the rest, which a fit has left with so many free of its
// degrees of freedom; 0 if that is none.
//
// Source: derivative of the Gaussian likelihood, the rest enlarged by what the fit
// took.
func excess(rest, base, sensitive []float64, free float64) float64 {
	took := float64(len(rest)) / free
	slope := func(v float64) float64 {
		t := 0.0
		for i := range rest {
			variance := base[i] + v*sq(sensitive[i])
			t += sq(sensitive[i]) / variance * (took*sq(rest[i])/variance - 1)
		}
		return t
	}
	if slope(0) <= 0 {
		return 0
	}
	lo, hi := 0.0, 1e-4
	for slope(hi) > 0 && hi < 1e6 {
		hi *= 4
	}
	for range 60 {
		if mid := (lo + hi) / 2; slope(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return math.Sqrt(hi)
}

// flat returns chi squared of widths that do not change, and of widths that
// change evenly with time.
func (r *run) flat(variance []float64) (constant, drifting float64) {
	var w, wt, wtt, wh, wth float64
	for i, h := range r.width {
		q, t := 1/variance[i], r.when[i]
		w, wt, wtt, wh, wth = w+q, wt+q*t, wtt+q*t*t, wh+q*h, wth+q*t*h
	}
	slope := 0.0
	if det := w*wtt - wt*wt; det > 1e-12*w*w {
		slope = (w*wth - wt*wh) / det
	}
	level := (wh - slope*wt) / w
	for i, h := range r.width {
		constant += sq(h-wh/w) / variance[i]
		drifting += sq(h-level-slope*r.when[i]) / variance[i]
	}
	return constant, drifting
}

// chance returns how often noise alone would lower chi squared by so much with so
// many parameters, of what leaves chi with free degrees.
//
// Source: Fisher's variance ratio if the errors had to be widened to fit;
// otherwise they are taken at their word. The errors of the frames and the usual
// scatter of the air are a belief that counts for four degrees more, without
// which a run of seven frames could not be told from noise whatever it showed.
// Where one degree or none is left the scatter is that belief alone.
func (c curve) chance(drop float64, more int) float64 {
	if !(drop > 0) {
		return 1
	}
	const belief = 4
	if c.free < 2 || !(c.scatter > 0) && c.chi <= float64(c.free) {
		return distuv.ChiSquared{K: float64(more)}.Survival(drop / max(c.chi/float64(max(c.free, 1)), 1))
	}
	scale := max((c.chi+belief)/float64(c.free+belief), 1)
	return distuv.F{D1: float64(more), D2: float64(c.free + belief)}.Survival(drop / float64(more) / scale)
}

// unlikely is the chance below which a change of width with position is believed.
const unlikely = 1e-3

// run fills the best position of a run.
func (s *search) run(looks []Sample) {
	var used []Sample
	for _, k := range looks {
		if !math.IsNaN(k.Position) {
			used = append(used, k)
		} else {
			s.Left = append(s.Left, k.File+": its position is not known")
			s.Used--
		}
	}
	last := used[len(used)-1]
	r := newRun(used, s.shape, float64(s.SharpPx), 1)
	c, ok := r.solve()
	lo, hi := slices.Min(r.at), slices.Max(r.at)
	inside := ok && c.best >= lo && c.best <= hi
	if ok && !inside {
		// Out there the width in focus is not seen: what is known of it counts.
		if d := used[0]; s.SharpAssumed && d.shows() && d.InFocus.V > 0 {
			r.hope = math.Log(float64(d.InFocus.V))
		}
		r.hopeSE = 0.3
		c, ok = r.solve()
		inside = ok && c.best >= lo && c.best <= hi
	}
	least, most := slices.Min(r.width), slices.Max(r.width)
	if !ok {
		s.shallow(least, most, math.NaN(), "they grow to neither side")
		return
	}
	s.Scatter = unit.Px(c.scatter)
	if c.drifts {
		s.Drift = 2 * c.trend
	}
	seen := c.chance(c.constant-c.chi, 2)
	switch {
	case seen > unlikely:
		s.shallow(least, most, r.typical(c), "that is what their scatter alone would do")
		return
	case c.free < fewFree && most < airAlone*least && !shown(used) && least < 3*float64(s.SharpPx):
		s.shallow(least, most, r.typical(c), "so few frames may differ by that much in changing air: take more")
		return
	case inside && c.chance(c.drifting-c.chi, 1) > 0.01:
		s.shallow(least, most, r.typical(c), "a slow change of the air explains them as well as focus does")
		return
	case inside && !(c.bestSE < (hi-lo)/4):
		s.shallow(least, most, r.typical(c), "the lowest point is not held to within the run")
		return
	case lopsided(c.best, lo, hi) && !shown(used) && most < 2*least && least < 3*float64(s.SharpPx) && (!c.turned || c.chance(c.drifting-c.chi, 1) > 0.01):
		s.shallow(least, most, r.typical(c), "the air may have changed by that much: go on, or take the first position again")
		return
	}
	s.place(c, last)
	if inside {
		s.Verdict = Found
		s.SharpPx, s.SharpSigma, s.SharpAssumed = unit.Px(c.sharp), unit.Px(c.sharpSE), false
		s.zone()
	} else {
		s.Verdict = Beyond
		// The shape is good to a thirtieth of the distance: measured on discs.
		s.BestPositionSigma = math.Hypot(s.BestPositionSigma, math.Abs(c.best-r.mid)/30)
	}
	s.distance(c, last)
	s.say(c, least, most, len(used), last)
}

// Runs that leave fewer degrees of freedom than fewFree do not tell the air's
// scatter, so widths near focus must differ by more than the air alone may do:
// common practice, no source.
const fewFree, airAlone = 4, 1.25

// lopsided reports whether the lowest point lies so near an end of the run that
// the widths rise to one side only.
func lopsided(best, lo, hi float64) bool {
	return best < lo+0.15*(hi-lo) || best > hi-0.15*(hi-lo)
}

// shown reports whether every frame shows a disc: that is focus and not the air.
func shown(looks []Sample) bool {
	return !slices.ContainsFunc(looks, func(k Sample) bool { return !k.shows() })
}

// typical returns the error of one frame's width, the air's scatter included.
func (r *run) typical(c curve) float64 {
	sum := 0.0
	for _, se := range r.se {
		sum += sq(se)
	}
	v := sum / float64(len(r.se))
	if c.scatter > 0 {
		v += sq(c.scatter)
	}
	return math.Sqrt(v)
}

// place fills the best position, for the approach that is taken, the play and
// what a count is worth.
func (s *search) place(c curve, last Sample) {
	tube := c.travelled[len(c.travelled)-1]
	s.Direction = "in"
	if c.best > tube {
		s.Direction = "out"
	}
	s.BestPosition, s.BestPositionSigma = c.best, c.bestSE
	s.Slope, s.SlopeSigma = c.slope*math.Sqrt(s.tail), c.slopeSE*math.Sqrt(s.tail)
	if c.turned {
		s.Hysteresis, s.HysteresisSigma = c.play, c.playSE
		// The shortest way there; moving out the counter runs ahead of the tube.
		s.Approach = s.Direction
		sign := 0.5
		if s.Direction == "in" {
			sign = -0.5
		}
		s.BestPosition += sign * c.play
		if c.playSE > 0 {
			s.BestPositionSigma = math.Hypot(c.bestSE, (c.bestPlay+sign)*c.playSE)
		}
	} else {
		s.Approach = "in"
		if c.travelled[len(c.travelled)-1] > c.travelled[0] {
			s.Approach = "out"
		}
	}
}

// distance fills how far the last frame is from focus, by the curve.
func (s *search) distance(c curve, last Sample) {
	counts := c.best - c.travelled[len(c.travelled)-1]
	px := math.Abs(counts) * c.slope
	s.Blur, s.BlurSigma = unit.Px(px), unit.Px(math.Hypot(c.bestSE*c.slope, math.Abs(counts)*c.slopeSE))
	s.By = byRun
	if s.measurable() {
		mm := s.mmPerPx()
		if !(s.Step > 0) {
			s.Step, s.StepSigma = unit.MM(c.slope*mm), unit.MM(c.slopeSE*mm)
			s.zone()
		}
		s.far(px*mm, float64(s.BlurSigma)*mm)
	}
	if s.InTurns {
		s.Turns, s.TurnsSigma = math.Abs(counts), c.bestSE
		if s.Step > 0 {
			s.Defocus, s.DefocusSigma = unit.MM(s.Turns*float64(s.Step)), unit.MM(s.TurnsSigma*float64(s.Step))
		}
	}
}

// say writes the sentence of a run.
func (s *search) say(c curve, least, most float64, n int, last Sample) {
	what := "go to " + s.Best()
	if s.InTurns {
		what = "go to " + s.Best() + " turns"
	}
	switch {
	case s.Verdict == Beyond:
		s.Why = fmt.Sprintf("go %s to about %s and look again: the stars change steadily from %.2f to %.2f px without reaching their least, so that is an extrapolation", s.Direction, s.Best(), most, least)
		return
	case c.turned:
		s.Why = fmt.Sprintf("%s, moving %s", what, s.Approach)
	case s.Approach == s.Direction:
		s.Why = fmt.Sprintf("%s, moving %s as the run did", what, s.Approach)
	default:
		s.Why = fmt.Sprintf("%s: go %s past it and come back moving %s, as the run did", what, s.Direction, s.Approach)
	}
	s.Why += fmt.Sprintf(" (%d frames, %.2f to %.2f px)", n, most, least)
	if c.drifts {
		s.Why += fmt.Sprintf("; the air changed the width in focus by %+.0f %% during the run, which is taken out", 200*c.trend)
	}
}

// shallow refuses to name a position.
func (s *search) shallow(least, most, scatter float64, because string) {
	s.Verdict = TooShallow
	s.BestPosition, s.BestPositionSigma = math.NaN(), math.NaN()
	s.Why = fmt.Sprintf("too shallow to tell: the stars are %.2f to %.2f px wide, and %s: go farther to both sides of focus", least, most, because)
	if scatter > 0 {
		s.Why = fmt.Sprintf("too shallow to tell: the stars are %.2f to %.2f px wide with ±%.2f px a frame, and %s: go farther to both sides of focus", least, most, scatter, because)
	}
}
