package proof

import (
	"math"
	"slices"
)

// guide is what the series shows of one axis, RA (east) or declination (north).
type guideAxis struct {
	Var      float64 // of the measured place within subs, arcsec^2, the mean of each sub taken off
	Lag1     float64 // autocorrelation from one exposure to the next, within subs
	Slow     float64 // variance of running means over ten exposures, within subs
	Step     float64 // variance of half the difference of neighbours: what is quick
	Mean     float64 // of the place within subs, arcsec
	Wander   float64 // rms of the mean places of subs
	Response float64 // change of the place to the change asked for, after large moves
	ResponseSigma,
	After, // the same for moves that reverse the one before
	AfterSigma float64
	Line, Period float64 // amplitude of the strongest slow wave of the drive, corrections taken back, arcsec; its period, s
	LineLeft     float64 // amplitude of that wave in what the corrections left
	Drift        float64 // of the drive, corrections taken back, arcsec/h
	Gain         float64 // correction asked for over the place it was asked at
	Kurtosis     float64
	PerSub       []float64 // variance within each sub
	Ends         []float64 // place at the end of each sub less that at its beginning
}

// guideFacts is what the series shows.
type guideFacts struct {
	Axis    [2]guideAxis
	Cross   [2][2]float64 // response of the place (first index) to the move asked for (second)
	CrossOK bool
	Tilt    float64        // angle by which the moves asked for are turned from the place they were asked at, degrees; NaN
	Sense   float64        // 1 where declination is asked the way of RA, -1 where it is asked the other way; NaN
	Uneven  float64        // logarithm of the largest variance within a sub over the median
	Peaked  float64        // logarithm of the larger kurtosis over that of noise
	Chase   float64        // correlation of RA with the declination before, less that of declination with the RA before, halved
	Cov     []([3]float64) // of the measured place within each sub: east, north, cross
	Cycle   float64        // s
	Samples int
	Lost    float64
	LostSub []float64
	SNR     float64 // median
	SNRFall float64 // logarithm of the least tenth over the median
	Jumps   int     // sudden moves of the place that no correction asked for, within subs
	JumpSub []bool
	JumpRMS float64
}

// spanOf are the samples first to last-1 within a sub.
type spanOf struct{ first, last int }

// guideOf works the series out. spans are the subs in it; where their times are
// not known the whole series is one.
func guideOf(s *Series, spans []spanOf) *guideFacts {
	g := &guideFacts{Samples: len(s.Samples)}
	n := len(s.Samples)
	at := [2][]float64{make([]float64, n), make([]float64, n)}
	move := [2][]float64{make([]float64, n), make([]float64, n)}
	var gaps, snr []float64
	lost := 0
	moved := false
	for i, k := range s.Samples {
		at[0][i], at[1][i] = float64(k.East), float64(k.North)
		move[0][i], move[1][i] = float64(k.MoveE), float64(k.MoveN)
		if math.IsNaN(at[0][i]) || math.IsNaN(at[1][i]) {
			lost++
		}
		if !math.IsNaN(move[0][i]) && (move[0][i] != 0 || move[1][i] != 0) {
			moved = true
		}
		if i > 0 {
			gaps = append(gaps, float64(k.Time-s.Samples[i-1].Time))
		}
		if !math.IsNaN(k.SNR) {
			snr = append(snr, k.SNR)
		}
	}
	g.Cycle = median(gaps)
	g.Lost = float64(lost) / float64(max(n, 1))
	g.SNR = median(snr)
	g.SNRFall = math.NaN()
	if len(snr) > 20 {
		sorted := slices.Clone(snr)
		slices.Sort(sorted)
		g.SNRFall = math.Log(sorted[len(sorted)/10] / g.SNR)
	}
	for _, sp := range spans {
		l := 0
		for i := sp.first; i < sp.last; i++ {
			if math.IsNaN(at[0][i]) {
				l++
			}
		}
		g.LostSub = append(g.LostSub, float64(l)/float64(max(sp.last-sp.first, 1)))
		g.Cov = append(g.Cov, covOf(at[0][sp.first:sp.last], at[1][sp.first:sp.last]))
	}
	// The exposure at the end of a sub may have seen the mount being moved.
	skip := make([]bool, n)
	for _, sp := range spans {
		for i := sp.last; i < min(sp.last+3, n); i++ {
			skip[i] = true
		}
	}
	for a := range 2 {
		g.Axis[a] = axisOf(at[a], move[a], spans, skip, g.Cycle, moved)
	}
	g.Tilt, g.Sense = math.NaN(), math.NaN()
	g.unevenness()
	if moved {
		g.asked(at, move)
		g.cross(at, move, skip)
		g.chase(at, spans)
	}
	g.jumps(at, move, spans)
	return g
}

// covOf returns the covariance of places about their mean, lost ones left out.
func covOf(e, n []float64) [3]float64 {
	var me, mn, k float64
	for i := range e {
		if !math.IsNaN(e[i]) && !math.IsNaN(n[i]) {
			me += e[i]
			mn += n[i]
			k++
		}
	}
	var c [3]float64
	for i := range e {
		if !math.IsNaN(e[i]) && !math.IsNaN(n[i]) {
			de, dn := e[i]-me/k, n[i]-mn/k
			c[0] += de * de / k
			c[1] += dn * dn / k
			c[2] += de * dn / k
		}
	}
	if k < 3 {
		return [3]float64{math.NaN(), math.NaN(), math.NaN()}
	}
	return c
}

// axisOf works one axis out.
func axisOf(at, move []float64, spans []spanOf, skip []bool, cycle float64, moved bool) guideAxis {
	nan := math.NaN()
	a := guideAxis{Response: nan, ResponseSigma: nan, After: nan, AfterSigma: nan, Line: nan, Period: nan, LineLeft: nan, Drift: nan, Gain: nan}
	var sum, one, steps, slow, k, k1, ks, fourth float64
	var means []float64
	for _, sp := range spans {
		v := at[sp.first:sp.last]
		m, c := 0.0, 0.0
		for _, x := range v {
			if !math.IsNaN(x) {
				m += x
				c++
			}
		}
		if c < 5 {
			a.PerSub = append(a.PerSub, nan)
			a.Ends = append(a.Ends, nan)
			continue
		}
		m /= c
		means = append(means, m)
		s0 := 0.0
		for i, x := range v {
			if math.IsNaN(x) {
				continue
			}
			s0 += (x - m) * (x - m)
			fourth += sq(sq(x - m))
			if i > 0 && !math.IsNaN(v[i-1]) {
				one += (x - m) * (v[i-1] - m)
				steps += (x - v[i-1]) * (x - v[i-1]) / 2
				k1++
			}
		}
		sum += s0
		k += c
		a.PerSub = append(a.PerSub, s0/c)
		const ten = 10
		var run []float64
		for i := 0; i+ten <= len(v); i += ten {
			if x := mean(v[i : i+ten]); !math.IsNaN(x) {
				run = append(run, x)
				slow += sq(x - m)
				ks++
			}
		}
		end := nan
		if len(run) >= 4 {
			end = run[len(run)-1] - run[0]
		}
		a.Ends = append(a.Ends, end)
	}
	a.Var, a.Step = sum/k, steps/k1
	a.Lag1 = one / k1 / a.Var
	a.Slow = slow / ks
	a.Kurtosis = fourth / k / sq(a.Var)
	a.Mean = mean(means)
	w := 0.0
	for _, m := range means {
		w += m * m / float64(len(means))
	}
	a.Wander = math.Sqrt(w)
	if !moved {
		return a
	}
	a.respond(at, move, skip)
	a.wave(at, move, spans, cycle)
	return a
}

// mean returns the mean of the numbers that are known; NaN if half are not.
func mean(v []float64) float64 {
	s, k := 0.0, 0
	for _, x := range v {
		if !math.IsNaN(x) {
			s += x
			k++
		}
	}
	if 2*k <= len(v) {
		return math.NaN()
	}
	return s / float64(k)
}

// respond works out how the place answers to moves, from those well above the
// scatter: what noise alone asks for is answered by noise alone.
func (a *guideAxis) respond(at, move []float64, skip []bool) {
	var gx, gy float64
	var plain, turned [][2]float64
	floor := 7 * math.Sqrt(a.Step)
	before := 0.0
	for i := 0; i+1 < len(at); i++ {
		m := move[i]
		if math.IsNaN(m) || m == 0 {
			continue
		}
		if !math.IsNaN(at[i]) {
			gx += at[i] * at[i]
			gy -= at[i] * m
		}
		if !math.IsNaN(at[i]) && !math.IsNaN(at[i+1]) && math.Abs(m) > 0.1*floor && math.Abs(at[i]) > floor && !skip[i] {
			d := at[i+1] - at[i]
			if before*m < 0 {
				turned = append(turned, [2]float64{m, d})
			} else {
				plain = append(plain, [2]float64{m, d})
			}
		}
		before = m
	}
	if gx > 0 {
		a.Gain = gy / gx
	}
	a.Response, a.ResponseSigma = ratio(plain)
	a.After, a.AfterSigma = ratio(turned)
}

// ratio returns the median of the answers over the moves that were asked for.
func ratio(v [][2]float64) (float64, float64) {
	if len(v) < 4 {
		return math.NaN(), math.NaN()
	}
	var r, off []float64
	for _, p := range v {
		r = append(r, p[1]/p[0])
	}
	m := median(r)
	for _, x := range r {
		off = append(off, math.Abs(x-m))
	}
	return m, 1.4826*median(off)/math.Sqrt(float64(len(r))) + 0.03
}

// wave takes the corrections back and looks for the strongest slow wave and the
// drift of the drive beneath, a level of its own for each sub.
func (a *guideAxis) wave(at, move []float64, spans []spanOf, cycle float64) {
	type point struct {
		t, y, left float64
		sub        int
	}
	var pts []point
	total := 0.0
	sub, open := 0, make([]float64, len(at))
	for i := range at {
		open[i] = at[i] - total
		if !math.IsNaN(move[i]) {
			total += move[i]
		}
	}
	longest := 0.0
	for s, sp := range spans {
		longest = math.Max(longest, float64(sp.last-sp.first)*cycle)
		for i := sp.first; i < sp.last; i++ {
			if !math.IsNaN(open[i]) {
				pts = append(pts, point{float64(i) * cycle, open[i], at[i], s})
			}
		}
		sub++
	}
	if len(pts) < 60 || longest < 30*cycle {
		return
	}
	// Thin out: slow waves need no more than a few hundred points.
	every := max(len(pts)/1500, 1)
	var thin []point
	for i := 0; i+every <= len(pts); i += every {
		p := pts[i]
		if pts[i+every-1].sub != p.sub {
			continue
		}
		p.t, p.y, p.left = 0, 0, 0
		for _, q := range pts[i : i+every] {
			p.t += q.t / float64(every)
			p.y += q.y / float64(every)
			p.left += q.left / float64(every)
		}
		thin = append(thin, p)
	}
	fit := func(period float64, left bool) (amplitude, drift, rest float64) {
		// Levels of subs are taken off each column; then three unknowns.
		cols := make([][4]float64, len(thin))
		sums := make([][5]float64, sub)
		for i, p := range thin {
			sin, cos := math.Sincos(2 * math.Pi * p.t / period)
			y := p.y
			if left {
				y = p.left
			}
			cols[i] = [4]float64{sin, cos, p.t / 3600, y}
			for c := range 4 {
				sums[p.sub][c] += cols[i][c]
			}
			sums[p.sub][4]++
		}
		var m [3][3]float64
		var b [3]float64
		var yy float64
		for i, p := range thin {
			for c := range 4 {
				cols[i][c] -= sums[p.sub][c] / sums[p.sub][4]
			}
			for r := range 3 {
				b[r] += cols[i][r] * cols[i][3]
				for c := range 3 {
					m[r][c] += cols[i][r] * cols[i][c]
				}
			}
			yy += sq(cols[i][3])
		}
		x, ok := solve3(m, b)
		if !ok {
			return 0, 0, yy
		}
		return math.Hypot(x[0], x[1]), x[2], (yy - x[0]*b[0] - x[1]*b[1] - x[2]*b[2]) / float64(len(thin))
	}
	best := math.Inf(1)
	span := thin[len(thin)-1].t - thin[0].t
	for period := math.Max(20*cycle, 60); period <= math.Min(1600, 1.5*longest+600); period *= 1 + 0.2*math.Min(math.Max(period/span, 0.01), 0.15) {
		amp, drift, rest := fit(period, false)
		if rest < best && amp < 1e4 {
			best = rest
			a.Line, a.Period, a.Drift = amp, period, drift
		}
	}
	if !math.IsNaN(a.Period) {
		a.LineLeft, _, _ = fit(a.Period, true)
	}
}

// solve3 solves three linear equations; false where they are singular.
func solve3(m [3][3]float64, b [3]float64) ([3]float64, bool) {
	for i := range 3 {
		p := i
		for r := i + 1; r < 3; r++ {
			if math.Abs(m[r][i]) > math.Abs(m[p][i]) {
				p = r
			}
		}
		m[i], m[p] = m[p], m[i]
		b[i], b[p] = b[p], b[i]
		if math.Abs(m[i][i]) < 1e-12 {
			return b, false
		}
		for r := range 3 {
			if r == i {
				continue
			}
			f := m[r][i] / m[i][i]
			for c := range 3 {
				m[r][c] -= f * m[i][c]
			}
			b[r] -= f * b[i]
		}
	}
	for i := range 3 {
		b[i] /= m[i][i]
	}
	return b, true
}

// cross works out how the place on each axis answers to moves asked of either,
// from large moves, and by how much one axis follows the other.
func (g *guideFacts) cross(at, move [2][]float64, skip []bool) {
	floor := 7 * math.Sqrt(math.Max(g.Axis[0].Step, g.Axis[1].Step))
	var m [2][2]float64
	var b [2][2]float64
	used := 0
	for i := 0; i+1 < len(at[0]); i++ {
		e, n := move[0][i], move[1][i]
		de, dn := at[0][i+1]-at[0][i], at[1][i+1]-at[1][i]
		if math.IsNaN(e+n+de+dn) || skip[i] || math.Hypot(at[0][i], at[1][i]) < floor {
			continue
		}
		w := 1 / (sq(floor) + e*e + n*n)
		used++
		m[0][0] += w * e * e
		m[0][1] += w * e * n
		m[1][1] += w * n * n
		b[0][0] += w * de * e
		b[0][1] += w * de * n
		b[1][0] += w * dn * e
		b[1][1] += w * dn * n
	}
	m[1][0] = m[0][1]
	det := m[0][0]*m[1][1] - m[0][1]*m[1][0]
	if used < 12 || det < 1e-6*m[0][0]*m[1][1] {
		return
	}
	for r := range 2 {
		g.Cross[r][0] = (b[r][0]*m[1][1] - b[r][1]*m[0][1]) / det
		g.Cross[r][1] = (b[r][1]*m[0][0] - b[r][0]*m[0][1]) / det
	}
	g.CrossOK = true
}

// jumps counts sudden moves within subs, far beyond the scatter of what
// corrections leave unexplained.
func (g *guideFacts) jumps(at, move [2][]float64, spans []spanOf) {
	var all []float64
	type seen struct{ sub, at int }
	var where []seen
	for s, sp := range spans {
		for i := sp.first; i+1 < sp.last; i++ {
			d := 0.0
			for a := range 2 {
				x := at[a][i+1] - at[a][i]
				if !math.IsNaN(move[a][i]) {
					x -= move[a][i]
				}
				d += x * x
			}
			if !math.IsNaN(d) {
				all = append(all, math.Sqrt(d))
				where = append(where, seen{s, i})
			}
		}
	}
	g.JumpSub = make([]bool, len(spans))
	if len(all) < 30 {
		return
	}
	sorted := slices.Clone(all)
	slices.Sort(sorted)
	limit := math.Max(7*sorted[len(sorted)/2]/1.177, 0) // median of a Rayleigh distribution is 1.177 sigma
	last := -100
	for i, d := range all {
		if d > limit {
			if where[i].at-last > 5 {
				g.Jumps++
				g.JumpRMS += d * d
			}
			last = where[i].at
			g.JumpSub[where[i].sub] = true
		}
	}
	if g.Jumps > 0 {
		g.JumpRMS = math.Sqrt(g.JumpRMS / float64(g.Jumps))
	}
}

// chase works out by how much the axes follow each other within subs: they do
// where a correction turns the error instead of taking it away.
func (g *guideFacts) chase(at [2][]float64, spans []spanOf) {
	var ab, ba, aa, bb float64
	for _, sp := range spans {
		ma, mb := mean(at[0][sp.first:sp.last]), mean(at[1][sp.first:sp.last])
		for i := sp.first + 1; i < sp.last; i++ {
			a0, a1, b0, b1 := at[0][i-1]-ma, at[0][i]-ma, at[1][i-1]-mb, at[1][i]-mb
			if math.IsNaN(a0 + a1 + b0 + b1) {
				continue
			}
			ab += a1 * b0
			ba += b1 * a0
			aa += a1 * a1
			bb += b1 * b1
		}
	}
	g.Chase = (ab - ba) / 2 / math.Sqrt(math.Max(aa*bb, 1e-30))
}

// asked works out how the moves that are asked for follow from the place: each
// axis from its own, or turned.
func (g *guideFacts) asked(at, move [2][]float64) {
	var m, b [2][2]float64
	for i := range at[0] {
		e, n, ce, cn := at[0][i], at[1][i], move[0][i], move[1][i]
		if math.IsNaN(e + n + ce + cn) {
			continue
		}
		m[0][0] += e * e
		m[0][1] += e * n
		m[1][1] += n * n
		b[0][0] -= ce * e
		b[0][1] -= ce * n
		b[1][0] -= cn * e
		b[1][1] -= cn * n
	}
	m[1][0] = m[0][1]
	det := m[0][0]*m[1][1] - m[0][1]*m[1][0]
	if !(det > 1e-9*m[0][0]*m[1][1]) {
		return
	}
	var a [2][2]float64
	for r := range 2 {
		a[r][0] = (b[r][0]*m[1][1] - b[r][1]*m[0][1]) / det
		a[r][1] = (b[r][1]*m[0][0] - b[r][0]*m[0][1]) / det
	}
	g.Axis[0].Gain, g.Axis[1].Gain = math.Hypot(a[0][0], a[0][1]), math.Hypot(a[1][0], a[1][1])
	if g.Axis[0].Gain < 1e-3 || g.Axis[1].Gain < 1e-3 {
		return
	}
	// Rows (g cos, g sin) and (-g sin, g cos), the second with its sign.
	g.Sense = math.Copysign(1, a[0][0]*a[1][1]-a[0][1]*a[1][0])
	ra, dec := math.Atan2(a[0][1], a[0][0]), math.Atan2(-g.Sense*a[1][0], g.Sense*a[1][1])
	s, c := math.Sin(ra)+math.Sin(dec), math.Cos(ra)+math.Cos(dec)
	g.Tilt = math.Atan2(s, c) * 180 / math.Pi
}

// unevenness says how far one sub stands out.
func (g *guideFacts) unevenness() {
	g.Uneven, g.Peaked = math.NaN(), math.NaN()
	var v []float64
	most := 0.0
	for i := range g.Axis[0].PerSub {
		if x := g.Axis[0].PerSub[i] + g.Axis[1].PerSub[i]; !math.IsNaN(x) {
			v = append(v, x)
			most = math.Max(most, x)
		}
	}
	if len(v) >= 4 {
		g.Uneven = math.Log(most / median(v))
	}
	g.Peaked = math.Log(math.Max(g.Axis[0].Kurtosis, g.Axis[1].Kurtosis) / 3)
}
