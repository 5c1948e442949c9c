package detector

import (
	"math"

	"holdfast/internal/unit"
)

// Collector is a telescope as a bucket for light, with the detector behind it.
type Collector struct {
	Aperture                 unit.MM
	Obstruction              float64 // diameter of the central obstruction over the aperture's
	Transmission             float64 // of the optics, obstruction apart, 0 to 1
	ZeroPointElectronPerSCm2 float64 // of a star of V = 0 above the air, optics apart
}

// AreaCm2 returns the open area of the aperture. NaN if the aperture is not
// positive or the obstruction not from 0 to below 1.
func (c Collector) AreaCm2() float64 {
	d, e := float64(c.Aperture)/10, c.Obstruction
	if bad(d) || !(e >= 0 && e < 1) {
		return math.NaN()
	}
	return math.Pi / 4 * d * d * (1 - e*e)
}

// rate returns the electrons per second of a star of magnitude 0.
func (c Collector) rate() float64 {
	if bad(c.ZeroPointElectronPerSCm2) || !(c.Transmission >= 0 && c.Transmission <= 1) {
		return math.NaN()
	}
	return c.ZeroPointElectronPerSCm2 * c.AreaCm2() * c.Transmission
}

// Star returns the electrons per second of a star of the given magnitude at the
// ground, that is with extinction added to it. NaN as for AreaCm2, or if the
// transmission or zero point is out of range.
//
// Source: N. R. Pogson 1856.
func (c Collector) Star(m unit.Mag) (electronPerS float64) { return c.rate() * Dimming(m) }

// Sky returns the electrons per second that each pixel of the given scale gets
// from a sky of the given brightness. The brightness of the sky is measured at
// the ground, so it suffers no extinction. NaN as for Star or if the scale is
// not positive.
//
// Source: N. R. Pogson 1856.
func (c Collector) Sky(mu unit.SurfaceMag, scale unit.Scale) (electronPerSPx float64) {
	s := float64(scale)
	if bad(s) {
		return math.NaN()
	}
	return c.rate() * s * s * Dimming(unit.Mag(mu))
}

// SkyOfClass returns the typical brightness of the moonless zenith for the nine
// dark-sky classes, 1 the darkest. NaN outside 1 to 9. Published lists differ by
// up to half a magnitude.
//
// Source: common practice, no source.
func SkyOfClass(class int) unit.SurfaceMag {
	table := [...]unit.SurfaceMag{21.9, 21.6, 21.4, 20.9, 19.9, 18.9, 18.4, 18.0, 17.5}
	if class < 1 || class > len(table) {
		return unit.SurfaceMag(math.NaN())
	}
	return table[class-1]
}
