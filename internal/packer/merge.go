package main

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"holdfast/internal/catalog"
	"holdfast/internal/unit"
)

// The rules by which a Hipparcos star is taken for one of Tycho-2's. Both lists
// are at J2000.0, but a Tycho-2 star without a proper motion stands where it
// was in 1991, and Hipparcos may give a close pair as one star.
const (
	same     unit.Arcsec = 1.5 // the same star, unless it is fainter by faintMag: then a companion
	pair     unit.Arcsec = 5   // the same if the magnitudes are within pairMag
	joint    unit.Arcsec = 20  // the same if the light of the stars within it adds up to within movedMag
	moved    unit.Arcsec = 36  // the same if the magnitudes are within movedMag; alpha Cen moved 32 arcsec
	pairMag  unit.Mag    = 1.0
	movedMag unit.Mag    = 0.3
	faintMag unit.Mag    = 2.5
)

// merged counts what merge did.
type merged struct {
	matched  int // found in Tycho-2, which lends its place and magnitude
	replaced int // found in Tycho-2, the place taken from Hipparcos
	added    int // not in Tycho-2
}

// merge returns the Tycho-2 stars with the colours of Hipparcos and the
// Hipparcos stars that Tycho-2 lacks. A Tycho-2 star that stands at an older
// epoch takes the place Hipparcos gives. It changes tycho.
func merge(tycho []catalog.Star, list []hip) ([]catalog.Star, merged) {
	byDec := make([]int, len(tycho))
	for i := range byDec {
		byDec[i] = i
	}
	slices.SortFunc(byDec, func(a, b int) int {
		return cmp.Or(cmp.Compare(tycho[a].Dec, tycho[b].Dec), cmp.Compare(tycho[a].RA, tycho[b].RA))
	})
	type near struct {
		star int
		dist unit.Arcsec
	}
	// around returns the Tycho-2 stars within radius, the nearest first.
	around := func(s catalog.Star, radius unit.Arcsec) []near {
		var out []near
		from := sort.Search(len(byDec), func(k int) bool { return tycho[byDec[k]].Dec >= s.Dec-radius.Deg() })
		for _, i := range byDec[from:] {
			if tycho[i].Dec > s.Dec+radius.Deg() {
				break
			}
			if d := separation(s, tycho[i]); d <= radius {
				out = append(out, near{i, d})
			}
		}
		slices.SortStableFunc(out, func(a, b near) int { return cmp.Compare(a.dist, b.dist) })
		return out
	}

	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b hip) int { return cmp.Or(cmp.Compare(a.VT, b.VT), cmp.Compare(a.number, b.number)) })
	taken := make([]bool, len(tycho))
	var count merged
	var rest []hip
	for _, h := range list {
		found := around(h.Star, same)
		if len(found) == 0 || tycho[found[0].star].VT-h.VT > faintMag {
			rest = append(rest, h)
			continue
		}
		count.matched++
		i := found[0].star
		if !taken[i] && abs(tycho[i].VT-h.VT) < pairMag {
			tycho[i].BV = h.BV
		}
		taken[i] = true
	}
	type move struct {
		star int
		to   hip
	}
	var moves []move // made at the end: byDec must stay in order
	var added []catalog.Star
next:
	for _, h := range rest {
		var free []near
		var flux float64  // of every star within joint, as 10^(-0.4 VT)
		var spare float64 // of those not taken
		for _, n := range around(h.Star, moved) {
			light := 0.0
			if n.dist <= joint {
				light = math.Pow(10, -0.4*float64(tycho[n.star].VT))
			}
			flux += light
			if !taken[n.star] {
				spare += light
				free = append(free, n)
			}
		}
		for _, n := range free {
			if abs(tycho[n.star].VT-h.VT) < movedMag {
				taken[n.star] = true
				moves = append(moves, move{n.star, h})
				count.replaced++
				continue next
			}
		}
		if len(free) > 0 {
			first := free[0]
			close := first.dist < pair
			if addsUp(spare, h.VT) || close && (addsUp(flux, h.VT) || abs(tycho[first.star].VT-h.VT) < pairMag) {
				taken[first.star] = true
				count.matched++
				if abs(tycho[first.star].VT-h.VT) < pairMag {
					tycho[first.star].BV = h.BV
				}
				continue
			}
		}
		added = append(added, h.Star)
		count.added++
	}
	for _, m := range moves {
		s := &tycho[m.star]
		s.RA, s.Dec, s.BV, s.Hipparcos = m.to.RA, m.to.Dec, m.to.BV, true
	}
	return append(tycho, added...), count
}

// addsUp reports whether light, a sum of 10^(-0.4 VT), is that of a star of
// magnitude vt.
func addsUp(light float64, vt unit.Mag) bool {
	return abs(unit.Mag(-2.5*math.Log10(light))-vt) < movedMag
}

func abs(m unit.Mag) unit.Mag { return unit.Mag(math.Abs(float64(m))) }

// separation returns the angle between two stars.
func separation(a, b catalog.Star) unit.Arcsec {
	sd := math.Sin(float64((a.Dec - b.Dec).Rad()) / 2)
	sa := math.Sin(float64((a.RA - b.RA).Rad()) / 2)
	hav := sd*sd + math.Cos(float64(a.Dec.Rad()))*math.Cos(float64(b.Dec.Rad()))*sa*sa
	return unit.Rad(2 * math.Asin(math.Sqrt(min(1, hav)))).Arcsec()
}
