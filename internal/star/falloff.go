package star

import "math"

// The profile and its slopes are computed some hundred times a star and pixel,
// so exponential and logarithm come from tables with a short series between
// their nodes: good to 1e-11, a quarter of the time.

const expSteps, logSteps = 256, 128

var (
	expTable [expSteps]float64 // 2^(-i/expSteps)
	logTable [logSteps]struct{ ln, inverse float64 }
)

func init() {
	for i := range expTable {
		expTable[i] = math.Exp2(-float64(i) / expSteps)
	}
	for i := range logTable {
		c := 1 + float64(i)/logSteps
		logTable[i].ln, logTable[i].inverse = math.Log(c), 1/c
	}
}

// expNeg returns exp(-x) for 0 <= x; 0 beyond 700. NaN if x is.
func expNeg(x float64) float64 {
	if !(x < 700) {
		if x != x {
			return x
		}
		return 0
	}
	t := x * (expSteps / math.Ln2)
	k := int(t)
	r := (t - float64(k)) * (math.Ln2 / expSteps)
	scale := math.Float64frombits(uint64(1023-k/expSteps) << 52)
	return scale * expTable[k&(expSteps-1)] * (1 - r*(1-r*(0.5-r*(1.0/6))))
}

// logOf returns the natural logarithm of y >= 1 and finite.
func logOf(y float64) float64 {
	bits := math.Float64bits(y)
	e := int(bits>>52) - 1023
	n := &logTable[bits>>45&(logSteps-1)]
	m := math.Float64frombits(bits&(1<<52-1) | 1023<<52)
	r := m*n.inverse - 1
	return float64(e)*math.Ln2 + n.ln + r*(1-r*(0.5-r*(1.0/3-r*(0.25-r*0.2))))
}

// falloff is psf.Falloff for q >= 0, tail >= 0 and inverse = 1/tail.
func falloff(q, tail, inverse float64) (m, dq, dtail float64) {
	h := tail * q
	if h < 1e-3 {
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
	if h < 1e-3 {
		m = expNeg(q * (1 - h*(1.0/2-h*(1.0/3-h*(1.0/4)))))
		return m, -m / (1 + h)
	}
	m = expNeg(logOf(1+h) * inverse)
	return m, -m / (1 + h)
}

// sheet is slope for one tail, tabulated up to a q: straight between nodes close
// enough that it is good to 1e-5 of the peak.
type sheet struct {
	tail, inverse float64
	perQ          float64 // nodes a unit of q
	node          []struct{ m, dq float64 }
}

// newSheet tabulates the slope of a tail up to q.
func newSheet(tail, q float64) *sheet {
	const nodes = 2048
	s := &sheet{tail: tail, inverse: 1 / tail, perQ: nodes / q}
	s.node = make([]struct{ m, dq float64 }, nodes+2)
	for i := range s.node {
		s.node[i].m, s.node[i].dq = slope(float64(i)/s.perQ, tail, s.inverse)
	}
	return s
}

// at returns the slope at q >= 0, computed beyond the table or where there is
// none.
func (s *sheet) at(q float64) (m, dq float64) {
	t := q * s.perQ
	if i := int(t); i >= 0 && i+1 < len(s.node) {
		a, b, f := &s.node[i], &s.node[i+1], t-float64(i)
		return a.m + f*(b.m-a.m), a.dq + f*(b.dq-a.dq)
	}
	return slope(q, s.tail, s.inverse)
}
