package star

import "math"

// The profile and its slopes are computed some hundred times a star and pixel,
// so exponential and logarithm come from tables with a short series between
// their nodes: good to 1e-11, a quarter of the time. The functions that take a
// run of pixels do what falloff does without a call for each.

const (
	expBits, logBits   = 9, 9 // small tables: they stay in the nearest cache
	expSteps, logSteps = 1 << expBits, 1 << logBits
)

var (
	expTable [expSteps]float64 // 2^(-i/expSteps)
	logTable [logSteps]struct{ log2, inverse float64 }
)

func init() {
	for i := range expTable {
		expTable[i] = math.Exp2(-float64(i) / expSteps)
	}
	for i := range logTable {
		c := 1 + (float64(i)+0.5)/logSteps // the middle of the step
		logTable[i].log2, logTable[i].inverse = math.Log2(c), 1/c
	}
}

// exp2Neg returns 2^(-t/expSteps) for 0 <= t < 1020 expSteps.
func exp2Neg(t float64) float64 {
	k := int(t)
	r := (t - float64(k)) * (math.Ln2 / expSteps)
	return math.Float64frombits(uint64(1023-k>>expBits)<<52) * expTable[k&(expSteps-1)] * (1 - r*(1-r*(1.0/2-r*(1.0/6))))
}

// log2 returns the binary logarithm of a finite y >= 1.
func log2(y float64) float64 {
	bits := math.Float64bits(y)
	n := &logTable[bits>>(52-logBits)%logSteps]
	r := math.Float64frombits(bits&(1<<52-1)|1023<<52)*n.inverse - 1
	return float64(int(bits>>52)-1023) + n.log2 + r*(1/math.Ln2-r*(1/(2*math.Ln2)-r*(1/(3*math.Ln2)-r*(1/(4*math.Ln2)))))
}

// expNeg returns exp(-x) for 0 <= x; 0 beyond 700. NaN if x is.
func expNeg(x float64) float64 {
	if !(x < 700) {
		if x != x {
			return x
		}
		return 0
	}
	return exp2Neg(x * (expSteps / math.Ln2))
}

// logOf returns the natural logarithm of a finite y >= 1.
func logOf(y float64) float64 { return log2(y) * math.Ln2 }

// nearTip is the product of tail and q below which falloff is computed by a
// series.
const nearTip = 1e-3

// falloff is psf.Falloff for q >= 0, tail >= 0 and inverse = 1/tail.
func falloff(q, tail, inverse float64) (m, dq, dtail float64) {
	h := tail * q
	if h < nearTip {
		m = expNeg(q * (1 - h*(1.0/2-h*(1.0/3-h*(1.0/4)))))
		return m, -m / (1 + h), m * q * q * (1.0/2 - h*(2.0/3-h*(3.0/4-h*(4.0/5))))
	}
	l := logOf(1+h) * inverse
	m = expNeg(l)
	d := 1 / (1 + h)
	return m, -m * d, m * (l - q*d) * inverse
}

// slope is falloff without the derivative to the tail.
func slope(q, tail, inverse float64) (m, dq float64) {
	h := tail * q
	if h < nearTip {
		m = expNeg(q * (1 - h*(1.0/2-h*(1.0/3-h*(1.0/4)))))
	} else {
		m = expNeg(logOf(1+h) * inverse)
	}
	return m, -m / (1 + h)
}

// form is the q of a run of pixels in one row: (xx dx + line) dx + level, dx
// being x - cx.
type form struct{ cx, xx, line, level float64 }

// most returns the greatest q of a run, which lies at one of its ends.
func (f form) most(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	a, b := x[0]-f.cx, x[len(x)-1]-f.cx
	return max((f.xx*a+f.line)*a, (f.xx*b+f.line)*b) + f.level
}

// falloffs is falloff at the pixels x of a run.
func falloffs(m, dq, dtail, x []float64, f form, tail float64) {
	m, dq, dtail = m[:len(x)], dq[:len(x)], dtail[:len(x)]
	if tail == 0 && f.most(x) < 700 {
		for k, x := range x {
			dx := x - f.cx
			q := max((f.xx*dx+f.line)*dx+f.level, 0)
			v := exp2Neg(q * (expSteps / math.Ln2))
			m[k], dq[k], dtail[k] = v, -v, v*q*q*(1.0/2)
		}
		return
	}
	inverse := 1 / tail
	steps, natural := inverse*expSteps, inverse*math.Ln2
	for k, x := range x {
		dx := x - f.cx
		q := (f.xx*dx+f.line)*dx + f.level
		y := 1 + tail*q
		l := log2(y)
		t := l * steps
		if !(y > 1+nearTip && t < 1000*expSteps) {
			m[k], dq[k], dtail[k] = falloff(math.Max(q, 0), tail, inverse)
			continue
		}
		v, d := exp2Neg(t), 1/y
		m[k], dq[k], dtail[k] = v, -v*d, v*(l*natural-q*d)*inverse
	}
}

// slopes is slope at the pixels x of a run.
func slopes(m, dq, x []float64, f form, tail float64) {
	m, dq = m[:len(x)], dq[:len(x)]
	if tail == 0 && f.most(x) < 700 {
		for k, x := range x {
			dx := x - f.cx
			q := max((f.xx*dx+f.line)*dx+f.level, 0)
			v := exp2Neg(q * (expSteps / math.Ln2))
			m[k], dq[k] = v, -v
		}
		return
	}
	inverse := 1 / tail
	steps := inverse * expSteps
	for k, x := range x {
		dx := x - f.cx
		q := (f.xx*dx+f.line)*dx + f.level
		y := 1 + tail*q
		var t float64
		if h := tail * q; h < nearTip {
			t = max(q, 0) * (1 - h*(1.0/2-h*(1.0/3-h*(1.0/4)))) * (expSteps / math.Ln2)
		} else {
			t = log2(y) * steps
		}
		if !(t < 1000*expSteps) {
			m[k], dq[k] = slope(max(q, 0), tail, inverse)
			continue
		}
		v := exp2Neg(t)
		m[k], dq[k] = v, -v/y
	}
}
