package rehearsal

import (
	"math"

	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// node is the sky in the instrument at one instant, nothing corrected.
type node struct {
	t          unit.Second // since the start of the night
	east       float64     // of the target, arcsec
	north      float64
	m          [4]float64   // how the field differs from what was first seen: see seenField
	stars      [][2]float64 // guide stars from the target, arcsec
	down       [3]float64   // gravity east, north and along the sight, g
	airmass    float64
	ha         unit.Hour
	alt, az    unit.Deg
	brightness unit.SurfaceMag // of the sky about the target
}

// track is the sky in the instrument from one aiming to the next.
type track struct {
	from, to unit.Second // since the start of the night
	side     float64     // +1, after a flip -1: which way the tube's axial bending points
	nodes    []node
}

// nodeEvery is the time between nodes: between them the sky moves straight to a
// thousandth of an arcsecond but for mounts without polar axis near the zenith.
const nodeEvery unit.Second = 4

// probe is how far from the target the field's turning is looked at, degrees.
const probe = 0.25

// newTrack follows the sky with an aim from one time of the night to another.
func newTrack(n *Night, a *aim, start sky.Instant, from, to unit.Second, side float64) *track {
	k := &track{from: from, to: to, side: side}
	plane := sky.NewTangent(a.target)
	probes := [4]sky.Direction{plane.Direction(probe, 0), plane.Direction(-probe, 0), plane.Direction(0, probe), plane.Direction(0, -probe)}
	steps := max(int(math.Ceil(float64((to-from)/nodeEvery))), 1)
	for i := range steps + 1 {
		t := from + unit.Second(i)*(to-from)/unit.Second(steps)
		now := start.Add(t)
		o := a.span.At(now)
		p := a.at(now)
		place := o.Observed(a.target)
		x := node{t: t, airmass: place.Airmass, ha: place.HourAngle, alt: place.Alt, az: place.Az}
		x.east, x.north = arcsec(p.seen(observed(o, a.target)))
		var q [4][2]float64
		for j, d := range probes {
			q[j][0], q[j][1] = arcsec(p.seen(observed(o, d)))
		}
		// The plane's own stretch, tan/angle, is in Direction already: a probe is at
		// exactly this far on it.
		const far = 2 * probe * 3600
		x.m = [4]float64{(q[0][0]-q[1][0])/far - 1, (q[2][0] - q[3][0]) / far, (q[0][1] - q[1][1]) / far, (q[2][1]-q[3][1])/far - 1}
		if n.Held != nil {
			x.stars = make([][2]float64, len(n.Held.Stars))
			for j, s := range n.Held.Stars {
				e, no := arcsec(p.seen(observed(o, sky.Direction{RA: s.RA, Dec: s.Dec})))
				x.stars[j] = [2]float64{e - x.east, no - x.north}
			}
		}
		x.down[0], x.down[1], x.down[2] = a.down(p)
		x.brightness = o.Sky(a.target, n.Rig.Site.Sky.V, n.Rig.Site.Extinction.V)
		k.nodes = append(k.nodes, x)
	}
	return k
}

// arcsec turns a place on the focal plane into arcseconds.
func arcsec(east, north float64) (float64, float64) {
	return east * unit.ArcsecPerRad, north * unit.ArcsecPerRad
}

// at returns the node before a time and how far the time is towards the next.
func (k *track) at(t unit.Second) (a, b *node, w float64) {
	f := float64(t-k.from) / float64(k.to-k.from) * float64(len(k.nodes)-1)
	i := min(max(int(f), 0), len(k.nodes)-2)
	return &k.nodes[i], &k.nodes[i+1], f - float64(i)
}

// between returns a value between two nodes.
func between(a, b, w float64) float64 { return a + w*(b-a) }

// bend returns how far the guide telescope's image stands from the imaging
// telescope's because both bend, arcsec: sideways as gravity pulls sideways, and
// by the axial part towards the tube's own north, which a flip turns round.
func bend(r *rig.Rig, down [3]float64, side, sign float64) (east, north float64) {
	c, axial := r.Flexure.ComplianceArcsecPerG.V, r.Flexure.AxialArcsecPerG.V
	return sign * c * down[0], sign * (c*down[1] + side*axial*down[2])
}
