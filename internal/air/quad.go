package air

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// nodes and weights of the Gauss-Legendre rule on [0, 1] used everywhere here.
var gaussX, gaussW = func() (x, w [8]float64) {
	quad.Legendre{}.FixedLocations(x[:], w[:], 0, 1)
	return x, w
}()

// panel returns the integral of f from a to b by eight points in the cube root
// of the variable, in which spectra that start as x^(-2/3) are smooth.
func panel(f func(x float64) float64, a, b float64) float64 {
	a, b = math.Cbrt(a), math.Cbrt(b)
	sum := 0.0
	for i, g := range gaussX {
		u := a + (b-a)*g
		sum += gaussW[i] * 3 * u * u * f(u*u*u)
	}
	return sum * (b - a)
}

// overScales returns the integral of f from 0 to end. first is where f begins
// to depart from its law near 0; from there panels widen by a half each, but
// none is wider than widest.
func overScales(f func(x float64) float64, first, widest, end float64) float64 {
	sum, a := panel(f, 0, math.Min(first, end)), first
	for a < end {
		b := math.Min(math.Min(a*1.5, a+widest), end)
		sum += panel(f, a, b)
		a = b
	}
	return sum
}
