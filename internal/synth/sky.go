package synth

import (
	"fmt"
	"math"

	"holdfast/internal/catalog"
	"holdfast/internal/detector"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Light is a star of the sky.
type Light struct {
	sky.Direction
	V  unit.Mag // Johnson, above the air
	ID uint64   // the same wherever and with whatever telescope the star is seen
}

// cellSide is the side of the cells of the sky, in degrees, in which stars too
// faint for the catalogue are drawn.
const cellSide = 0.5

// binSide is the step in magnitude in which they are counted.
const binSide = 0.25

// faintMost is the VT magnitude to which the counts reach.
const faintMost = 16

// Lights returns the stars within radius of a direction and not fainter than a
// VT magnitude: those of the catalogue, and as many fainter ones as the counts
// expect, at places drawn for the seed. Together they are as many in each
// quarter of a magnitude as the sky has on average there. The stars of the
// same seed are the same whatever the centre and the radius.
//
// The error says that the direction is none, the radius not from 0 to 20
// degrees, or the magnitude beyond 16, where the counts end.
func Lights(centre sky.Direction, radius unit.Deg, faintest unit.Mag, seed uint64) ([]Light, error) {
	if !(math.Abs(float64(centre.Dec)) <= 90) || math.IsNaN(float64(centre.RA)) || math.IsInf(float64(centre.RA), 0) {
		return nil, fmt.Errorf("synth: stars about %v, %v: want a direction", float64(centre.RA), float64(centre.Dec))
	}
	if !(radius >= 0 && radius <= 20) {
		return nil, fmt.Errorf("synth: stars within %v degrees: want 0 to 20", float64(radius))
	}
	if !(faintest <= faintMost) {
		return nil, fmt.Errorf("synth: stars to magnitude %v: want no fainter than %d, where the counts end", float64(faintest), faintMost)
	}
	var out []Light
	for _, s := range catalog.Cone(nil, centre.RA, centre.Dec, radius, faintest) {
		out = append(out, Light{sky.Direction{RA: s.RA, Dec: s.Dec}, s.V(), key(1, math.Float64bits(float64(s.RA)), math.Float64bits(float64(s.Dec)))})
	}
	dice := newDice()
	zones := int(180 / cellSide)
	from := max(0, int(math.Floor((float64(centre.Dec-radius)+90)/cellSide)))
	to := min(zones-1, int(math.Floor((float64(centre.Dec+radius)+90)/cellSide)))
	for z := from; z <= to; z++ {
		low := -90 + cellSide*float64(z)
		middle := (low + cellSide/2) * math.Pi / 180
		n := max(1, int(math.Round(360/cellSide*math.Cos(middle))))
		for k := range n {
			at := sky.Direction{RA: unit.Deg(360 * (float64(k) + 0.5) / float64(n)), Dec: unit.Deg(low + cellSide/2)}
			// A cell's corner is less than its side from its middle.
			if sky.Separation(at, centre) > radius+cellSide {
				continue
			}
			for _, l := range hidden(at, n, z, k, faintest, seed, dice) {
				if sky.Separation(l.Direction, centre) <= radius {
					out = append(out, l)
				}
			}
		}
	}
	return out, nil
}

// hidden returns the stars of the k-th of n cells of a zone, whose middle is
// given, that the counts expect beyond those of the catalogue.
func hidden(at sky.Direction, n, z, k int, faintest unit.Mag, seed uint64, dice dice) []Light {
	counts := catalog.Around(at.RA, at.Dec, 1)
	low := float64(at.Dec) - cellSide/2
	sinLow, sinHigh := math.Sin(low*math.Pi/180), math.Sin((low+cellSide)*math.Pi/180)
	wide := 360 / float64(n)
	deg2 := wide * (sinHigh - sinLow) * 180 / math.Pi
	first := math.Floor(float64(counts.Limit)/binSide) * binSide
	bins := int(math.Ceil((faintMost - first) / binSide))
	listed := make([]float64, bins)
	for _, s := range catalog.Cone(nil, at.RA, at.Dec, cellSide, unit.Mag(math.Inf(1))) {
		b := int(math.Floor((float64(s.VT) - first) / binSide))
		east := math.Remainder(float64(s.RA-at.RA), 360)
		if b >= 0 && b < bins && s.VT >= counts.Limit && math.Abs(east) <= wide/2 && math.Abs(float64(s.Dec-at.Dec)) <= cellSide/2 {
			listed[b]++
		}
	}
	dice.at(key(seed, 2, uint64(z), uint64(k)))
	var out []Light
	for b := range bins {
		bright := max(unit.Mag(first+binSide*float64(b)), counts.Limit)
		faint := unit.Mag(min(first+binSide*float64(b+1), faintMost))
		below, above := counts.Density(bright), counts.Density(faint)
		// Drawn for all bins and all magnitudes, so that another limit asked
		// for leaves the stars as they are.
		for i := range int(dice.poisson((above-below)*deg2 - listed[b])) {
			// Counts grow exponentially within a bin.
			f := math.Log1p(dice.unit()*(above/below-1)) / math.Log(above/below)
			vt := bright + (faint-bright)*unit.Mag(f)
			ra := float64(at.RA) + wide*(dice.unit()-0.5)
			dec := math.Asin(sinLow+(sinHigh-sinLow)*dice.unit()) * 180 / math.Pi
			if vt > faintest {
				continue
			}
			out = append(out, Light{sky.Direction{RA: unit.Deg(ra), Dec: unit.Deg(dec)}, vt - catalog.VTMinusV(0.7), key(seed, 3, uint64(z), uint64(k), uint64(b), uint64(i))})
		}
	}
	return out
}

// Place returns the stars as they fall into the frame of a field, with a margin
// around it, through a telescope and so much extinction.
func (f Field) Place(lights []Light, c detector.Collector, extinction unit.Mag, margin unit.Px) []Star {
	plane := sky.NewTangent(f.Centre)
	m := f.matrix()
	cx, cy := f.Middle()
	var out []Star
	for _, l := range lights {
		xi, eta := plane.Project(l.Direction)
		dx, dy := m.px(float64(xi.Arcsec()), float64(eta.Arcsec()))
		x, y := cx+unit.Px(dx), cy+unit.Px(dy)
		if x >= -margin && y >= -margin && x <= unit.Px(f.Width)+margin && y <= unit.Px(f.Height)+margin {
			out = append(out, Star{X: x, Y: y, ElectronPerS: c.Star(l.V + extinction), ID: l.ID})
		}
	}
	return out
}
