package synth

import (
	"math"
	"math/rand/v2"
)

// stream is a sequence of random words that any place in any frame can begin
// at no cost: a counter, hashed.
//
// Source: Steele, Lea and Flood 2014, "Fast splittable pseudorandom number
// generators", the generator and mixing function of section 5.
type stream struct{ state uint64 }

const golden = 0x9e3779b97f4a7c15

// mix hashes a word.
func mix(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// key hashes words into one.
func key(words ...uint64) uint64 {
	h := uint64(len(words))
	for _, w := range words {
		h = mix(h*golden + w)
	}
	return h
}

// Uint64 returns the next word.
func (s *stream) Uint64() uint64 {
	s.state += golden
	return mix(s.state)
}

// unit returns a number in [0, 1).
func (s *stream) unit() float64 { return float64(s.Uint64()>>11) / (1 << 53) }

// dice draws numbers of several distributions from a stream.
type dice struct {
	*stream
	r    *rand.Rand
	last *struct{ mean, exp float64 } // exp(-mean), the sky's for pixel after pixel
}

func newDice() dice {
	s := new(stream)
	return dice{s, rand.New(s), &struct{ mean, exp float64 }{0, 1}}
}

// at begins the stream of the key.
func (d dice) at(key uint64) { d.state = key }

// The means at which poisson changes its way.
const (
	byInversion = 12
	byRejection = 80
)

// poisson returns a count of the given mean; 0 if that is not positive. Up to a
// mean of 80 it is exact, beyond it is a normal number with the count's
// variance and skewness, whose distribution is off by less than 0.0005
// everywhere.
//
// Source: inversion (Devroye 1986, "Non-uniform random variate generation",
// section X.3.3); transformed rejection (Hörmann 1993, Insurance: Mathematics
// and Economics 12, 39, "The transformed rejection method for generating
// Poisson random variables", algorithm PTRS); Cornish and Fisher's expansion.
func (d dice) poisson(mean float64) float64 {
	switch {
	case !(mean > 0):
		return 0
	case mean < byInversion:
		if mean != d.last.mean {
			d.last.mean, d.last.exp = mean, math.Exp(-mean)
		}
		p := d.last.exp
		k := 0.0
		for u := d.unit() - p; u >= 0 && k < 200; u -= p {
			k++
			p *= mean / k
		}
		return k
	case mean < byRejection:
		return d.rejected(mean)
	}
	z := d.r.NormFloat64()
	return math.Max(0, math.Floor(mean+math.Sqrt(mean)*z+(z*z-1)/6+0.5))
}

// rejected is algorithm PTRS, for means of 10 and more.
func (d dice) rejected(mean float64) float64 {
	root := math.Sqrt(mean)
	b := 0.931 + 2.53*root
	a := -0.059 + 0.02483*b
	inverse := 1.1239 + 1.1328/(b-3.4)
	bound := 0.9277 - 3.6224/(b-2)
	for {
		u, v := d.unit()-0.5, d.unit()
		us := 0.5 - math.Abs(u)
		k := math.Floor((2*a/us+b)*u + mean + 0.43)
		if us >= 0.07 && v <= bound {
			return k
		}
		if k < 0 || us < 0.013 && v > us {
			continue
		}
		lg, _ := math.Lgamma(k + 1)
		if math.Log(v)+math.Log(inverse)-math.Log(a/(us*us)+b) <= k*math.Log(mean)-mean-lg {
			return k
		}
	}
}
