package solve

import (
	"math"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// invert fits InvA and InvB, polynomials of fifth order without constant term,
// to the inverse of the distortion on a grid over a frame that reaches halfX
// and halfY from the reference pixel, and sets InvErr. Readers that know the
// inverse polynomials only take them as they are; Pixel does not need them.
//
// Source: linear least squares.
func (w *WCS) invert(halfX, halfY float64) {
	const top, side = 5, 15
	var exps [][2]int
	for n := 1; n <= top; n++ {
		for p := n; p >= 0; p-- {
			exps = append(exps, [2]int{p, n - p})
		}
	}
	k := len(exps)
	size := math.Hypot(halfX, halfY)
	a, bu, bv := make([]float64, k*k), make([]float64, k), make([]float64, k)
	row := make([]float64, k)
	type node struct{ u, v, f, g float64 }
	var nodes []node
	for i := range side {
		for j := range side {
			u := halfX * (2*float64(i)/(side-1) - 1)
			v := halfY * (2*float64(j)/(side-1) - 1)
			nodes = append(nodes, node{u, v, u + sum(w.A, u, v), v + sum(w.B, u, v)})
		}
	}
	fill := func(n node) {
		for i, e := range exps {
			row[i] = power(n.f/size, e[0]) * power(n.g/size, e[1])
		}
	}
	for _, n := range nodes {
		fill(n)
		for r := range k {
			for c := range k {
				a[r*k+c] += row[r] * row[c]
			}
			bu[r] += row[r] * (n.u - n.f)
			bv[r] += row[r] * (n.v - n.g)
		}
	}
	w.InvA, w.InvB, w.InvErr = nil, nil, unit.Px(math.NaN())
	if !num.InvertPositive(a, k) {
		return
	}
	cu, cv := make([]float64, k), make([]float64, k)
	for r, e := range exps {
		for c := range k {
			cu[r] += a[r*k+c] * bu[c]
			cv[r] += a[r*k+c] * bv[c]
		}
		n := math.Pow(size, float64(e[0]+e[1]))
		w.InvA = append(w.InvA, Term{e[0], e[1], cu[r] / n})
		w.InvB = append(w.InvB, Term{e[0], e[1], cv[r] / n})
	}
	worst := 0.0
	for _, n := range nodes {
		u, v := n.f+sum(w.InvA, n.f, n.g), n.g+sum(w.InvB, n.f, n.g)
		worst = max(worst, math.Hypot(u-n.u, v-n.v))
	}
	w.InvErr = unit.Px(worst)
}
