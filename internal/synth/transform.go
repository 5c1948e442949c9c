package synth

import "math"

// transform is the discrete Fourier transform of n numbers, of many such sets at
// once: set q of w has its k-th number at k*w+q, so that the inner loops run
// through memory in order. It is some ten times as fast as transforming row
// after row and column after column, which is why it is here.
//
// Source: the self-sorting algorithm attributed to Stockham, as in Swarztrauber
// 1984, Parallel Computing 1, 45, "FFT algorithms for vector computers".
type transform struct {
	n       int
	twiddle []complex128 // exp(-2 pi i k/n)
}

// suitable returns the least number not below n that a transform takes and that
// is a multiple of four: a power of two, or three times one.
func suitable(n int) int {
	for p := 4; ; p *= 2 {
		if p >= n {
			return p
		}
		if p >= 8 && p/2*3 >= n {
			return p / 2 * 3
		}
	}
}

func newTransform(n int) *transform {
	t := &transform{n: n, twiddle: make([]complex128, n)}
	for k := range t.twiddle {
		sin, cos := math.Sincos(-2 * math.Pi * float64(k) / float64(n))
		t.twiddle[k] = complex(cos, sin)
	}
	return t
}

// run transforms the w sets in x and returns the result, which lies in x or in
// the equally long y and is not divided by n; the other holds what was on the
// way. back turns the direction.
func (t *transform) run(x, y []complex128, w int, back bool) []complex128 {
	stride := w
	for n := t.n; n > 1; {
		r := 4
		switch {
		case n%3 == 0:
			r = 3
		case n%4 != 0:
			r = 2
		}
		m := n / r
		for p := range m {
			w1, w2, w3 := t.turn(p, n, back), t.turn(2*p, n, back), t.turn(3*p, n, back)
			in := func(k int) []complex128 { return x[stride*(p+k*m):][:stride] }
			out := func(k int) []complex128 { return y[stride*(r*p+k):][:stride] }
			switch r {
			case 4:
				fourth(in(0), in(1), in(2), in(3), out(0), out(1), out(2), out(3), w1, w2, w3, back)
			case 3:
				third(in(0), in(1), in(2), out(0), out(1), out(2), w1, w2, back)
			default:
				second(in(0), in(1), out(0), out(1), w1)
			}
		}
		n, stride = m, stride*r
		x, y = y, x
	}
	return x
}

// turn returns exp(-2 pi i p/n), or its conjugate.
func (t *transform) turn(p, n int, back bool) complex128 {
	w := t.twiddle[p*(t.n/n)%t.n]
	if back {
		return complex(real(w), -imag(w))
	}
	return w
}

func second(a, b, ya, yb []complex128, w1 complex128) {
	b, ya, yb = b[:len(a)], ya[:len(a)], yb[:len(a)]
	for q, u := range a {
		v := b[q]
		ya[q], yb[q] = u+v, (u-v)*w1
	}
}

func third(a, b, c, ya, yb, yc []complex128, w1, w2 complex128, back bool) {
	b, c, ya, yb, yc = b[:len(a)], c[:len(a)], ya[:len(a)], yb[:len(a)], yc[:len(a)]
	h := math.Sqrt(3) / 2
	if back {
		h = -h
	}
	for q, u := range a {
		sum, d := b[q]+c[q], b[q]-c[q]
		mid := complex(real(u)-real(sum)/2, imag(u)-imag(sum)/2)
		v := complex(h*imag(d), -h*real(d)) // -i h d
		ya[q], yb[q], yc[q] = u+sum, (mid+v)*w1, (mid-v)*w2
	}
}

func fourth(a, b, c, d, ya, yb, yc, yd []complex128, w1, w2, w3 complex128, back bool) {
	b, c, d = b[:len(a)], c[:len(a)], d[:len(a)]
	ya, yb, yc, yd = ya[:len(a)], yb[:len(a)], yc[:len(a)], yd[:len(a)]
	if back {
		b, d = d, b
	}
	for q, u := range a {
		v := c[q]
		s, e := u+v, u-v
		f, g := b[q]+d[q], b[q]-d[q]
		g = complex(-imag(g), real(g)) // i g
		ya[q], yb[q], yc[q], yd[q] = s+f, (e-g)*w1, (s-f)*w2, (e+g)*w3
	}
}
