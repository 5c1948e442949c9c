package series

import (
	"math"

	"holdfast/internal/num"
)

// predictor foretells an axis from its past: a level and a rate that follow
// each surprise by the shares alpha and beta, which is what a Kalman filter of
// a wandering level and rate seen through white noise settles to. The noise is
// then the share 1-alpha of the surprises' variance.
//
// Source: Kalata 1984, IEEE Trans. Aerosp. Electron. Syst. 20, 174 (alpha-beta
// filter); Durbin and Koopman 2012, "Time series analysis by state space
// methods", chapter 2.
type predictor struct{ alpha, beta float64 }

// run fills dst with the surprises of x at times t, in cycles. Where reset, the
// past is forgotten but for the rate and the surprise is NaN. The first samples
// after that count as much as they know: a mean of k has the share 1/(k+1), and
// a straight line through k has 6/(k(k+1)) in its slope.
func (p predictor) run(dst, t, x []float64, reset []bool) {
	var level, rate float64
	since, all := 0.0, 0.0
	for i, v := range x {
		if i == 0 {
			level = v
			dst[i] = math.NaN()
			since, all = 1, 1
			continue
		}
		dt := min(t[i]-t[i-1], 50)
		ahead := level + rate*dt
		if reset[i] {
			level = v
			dst[i] = math.NaN()
			since = 1
			continue
		}
		d := v - ahead
		dst[i] = d
		since++
		all++
		// A gap leaves less of the past to trust.
		a := p.alpha
		if dt > 1.5 {
			a = 1 - (1-p.alpha)/dt
		}
		b := p.beta
		if a < 1/since {
			a = 1 / since
		}
		if b > 0 && all == since && all < 60 {
			a = max(a, 2*(2*all-1)/(all*(all+1)))
			b = max(b, 6/(all*(all+1)))
			if all == 2 {
				a, b = 1, 1
			}
		}
		level = ahead + a*d
		rate += b * d / dt
	}
}

// told is what an axis's own past, and known pushes, tell of it.
type told struct {
	by      predictor
	k       []float64 // answer to each push
	se      []float64
	sumSq   float64
	n       int
	surpris []float64 // what is left of each sample, NaN where not told
}

// sigma returns the standard deviation of what is left.
func (f *told) sigma() float64 { return math.Sqrt(f.sumSq / float64(max(f.n-len(f.k)-2, 1))) }

// noise returns the standard deviation of the white noise of the samples.
func (f *told) noise() float64 { return f.sigma() * math.Sqrt(1-f.by.alpha) }

// predictors are those that are tried.
var predictors = func() (out []predictor) {
	for _, a := range []float64{0.002, 0.005, 0.01, 0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.27, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.93, 1} {
		for _, share := range []float64{0, 0.1, 0.5} {
			out = append(out, predictor{a, share * a * a / (2 - a)})
		}
	}
	return out
}()

// tell explains x at times t (in cycles) by its own past and by pushes, each the
// sum of all that was sent up to then: x = k pushes + something that wanders +
// white noise. Corrections answer to the noise of the measurement before them,
// so differences regressed on corrections would credit them with undoing it;
// surprises do not know the future, and their regression is free of that.
//
// Source: prediction-error identification in a closed loop, Ljung 1999, "System
// identification", chapter 13.
func tell(t, x []float64, pushes [][]float64, reset []bool, among []predictor) told {
	m := len(pushes)
	best := told{sumSq: math.Inf(1)}
	fx := make([]float64, len(x))
	fu := make([][]float64, m)
	for j := range fu {
		fu[j] = make([]float64, len(x))
	}
	ft := make([]float64, len(x))
	row := make([]float64, m+1)
	for _, p := range among {
		p.run(fx, t, x, reset)
		p.run(ft, t, t, reset)
		for j, u := range pushes {
			p.run(fu[j], t, u, reset)
		}
		// With a rate that is followed a steady drift tells itself.
		q := m
		if p.beta == 0 {
			q++
		}
		a, b := make([]float64, q*q), make([]float64, q)
		yy, n := 0.0, 0
		for i := range x {
			if math.IsNaN(fx[i]) {
				continue
			}
			n++
			for j := range pushes {
				row[j] = fu[j][i]
			}
			row[m] = ft[i]
			yy += fx[i] * fx[i]
			for j := range q {
				b[j] += row[j] * fx[i]
				for k := range q {
					a[j*q+k] += row[j] * row[k]
				}
			}
		}
		if n < 10*(q+1) {
			continue
		}
		dead := make([]bool, q) // pushes that never were
		for j := range q {
			if a[j*q+j] < 1e-18*(1+yy) {
				for k := range q {
					a[j*q+k], a[k*q+j] = 0, 0
				}
				a[j*q+j], b[j], dead[j] = 1, 0, true
			}
		}
		if q > 0 && !num.InvertPositive(a, q) {
			continue
		}
		k := make([]float64, q)
		sum := yy
		for j := range q {
			for i := range q {
				k[j] += a[j*q+i] * b[i]
			}
		}
		for j := range q {
			sum -= k[j] * b[j]
		}
		sum = max(sum, 0)
		if sum >= best.sumSq {
			continue
		}
		best = told{by: p, k: k[:m:m], sumSq: sum, n: n, se: make([]float64, m)}
		for j := range m {
			best.se[j] = math.Sqrt(sum / float64(max(n-q, 1)) * a[j*q+j])
			if dead[j] {
				best.k[j], best.se[j] = math.NaN(), math.NaN()
			}
		}
		best.surpris = best.surpris[:0]
		var steady float64
		if q > m {
			steady = k[m]
		}
		best.surpris = make([]float64, len(x))
		for i := range x {
			v := fx[i]
			for j := range m {
				if !dead[j] {
					v -= k[j] * fu[j][i]
				}
			}
			v -= steady * ft[i]
			best.surpris[i] = v
		}
	}
	return best
}
