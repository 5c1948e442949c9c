package plan

import (
	"fmt"
	"math"

	"holdfast/internal/air"
	"holdfast/internal/catalog"
	"holdfast/internal/detector"
	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// What a guide star must offer, common practice, no source.
const (
	leastSNR  = 10.0 // of one exposure
	mostFill  = 0.8  // of a pixel's range
	longExpo  = unit.Second(4)
	inProfile = unit.Px(2) // the width to which a slight defocus is advised
)

// guideView is how the guide camera sees a star: its scale, its light and the
// star's width.
type guideView struct {
	scale     unit.Scale
	light     detector.Collector
	well      detector.Well
	readNoise unit.Electron
	skyPerS   float64     // electrons per second and pixel, dark current included
	fwhm      unit.Px     // of the star, the pixel included
	bare      unit.Px     // of the star before pixels average it
	peak      float64     // share of its light that the brightest pixel gets at most
	dimming   unit.Mag    // by the air
	floor     unit.Px     // centroid error that no light removes
	coarse    float64     // factor on the centroid error for pixels that undersample the star
	width     unit.Arcsec // of the star, the pixel included
}

// viewOf returns how the rig's guide camera sees stars at a place.
func viewOf(r *rig.Rig, p *place) guideView {
	g := &r.Guide
	pixel := g.Camera.BinnedPixel()
	v := guideView{
		scale: optics.Scale(pixel, g.Focal.V),
		light: detector.Collector{Aperture: g.Aperture.V, Obstruction: g.Obstruction.V, Transmission: g.Transmission.V,
			ZeroPointElectronPerSCm2: g.Camera.ZeroPointElectronPerSCm2.V},
		well: detector.Well{FullWell: g.Camera.FullWell.V, GainElectronPerADU: g.Camera.GainElectronPerADU.V,
			Offset: g.Camera.Offset.V, Bits: g.Camera.Bits.V},
		readNoise: g.Camera.ReadNoise.V,
		dimming:   detector.Extinction(r.Site.Extinction.V, p.airmass),
		floor:     g.CentroidFloor.V,
	}
	bin2 := g.Camera.Bin.V * g.Camera.Bin.V
	v.skyPerS = v.light.Sky(p.sky, v.scale) + g.Camera.DarkElectronPerS.V*bin2
	n := float64(g.Focal.V / g.Aperture.V)
	kernels := []psf.Kernel{
		psf.Air(turbulence(r).At(p.airmass).FWHM(r.Imaging.Wavelength.V)),
		psf.Airy(r.Imaging.Wavelength.V, g.Aperture.V, g.Obstruction.V),
		blur(g.Spot.V, g.Focal.V),
		psf.Defocus(optics.ShiftAngle(optics.Blur(g.Defocus.V, n), g.Focal.V), r.Imaging.Wavelength.V, g.Aperture.V, g.Obstruction.V),
	}
	v.bare = v.scale.Px(psf.Star(kernels...).FWHM())
	v.coarse = 1
	if v.bare < 2.5 { // beyond, within 3 % of 1
		v.coarse = detector.Undersampling(max(v.bare, 0.45))
	}
	kernels = append(kernels, psf.Box(v.scale.Arcsec(1), 0))
	v.peak = psf.Peak(kernels...) * sq(float64(v.scale.Arcsec(1)))
	v.width = psf.Star(kernels...).FWHM()
	v.fwhm = v.scale.Px(v.width)
	return v
}

// turbulence returns the air at the zenith that delivers the rig's seeing with
// its outer scale: the one description from which width and motion both come.
func turbulence(r *rig.Rig) air.Turbulence {
	return air.FromFWHM(r.Site.Seeing.V, air.Reference, r.Site.OuterScale.V)
}

// blur returns the Gaussian kernel of a spot of the given FWHM at a focal
// length.
func blur(fwhm unit.Micron, focal unit.MM) psf.Kernel {
	return psf.Gaussian(psf.Round(optics.ShiftAngle(fwhm, focal) / fwhmPerSigma))
}

// fwhmPerSigma is 2 sqrt(2 ln 2), the FWHM of a Gaussian over its sigma.
const fwhmPerSigma = 2.3548200450309493

// spot returns a star of a magnitude as the guide camera records it in one
// exposure.
func (v guideView) spot(m unit.Mag, exposure unit.Second) detector.Spot {
	t := float64(exposure)
	return detector.Spot{
		Star: unit.Electron(v.light.Star(m+v.dimming) * t), FWHM: v.bare,
		Background: unit.Electron(v.skyPerS * t), ReadNoise: v.readNoise,
	}
}

// centroid returns the one-axis centroid error of one exposure of a star, the
// floor and the price of undersampling included.
func (v guideView) centroid(m unit.Mag, exposure unit.Second) unit.Arcsec {
	c := v.spot(m, exposure).Centroid() * unit.Px(v.coarse)
	return v.scale.Arcsec(detector.WithFloor(c, v.floor))
}

// fill returns how full the brightest pixel of a star is in an exposure.
func (v guideView) fill(m unit.Mag, exposure unit.Second) float64 {
	s := v.spot(m, exposure)
	return v.well.Fill(s.Star, v.peak, s.Background)
}

// saturates reports whether a star of a magnitude fills its brightest pixel
// beyond what is wise.
func (v guideView) saturates(m unit.Mag, exposure unit.Second) bool {
	return v.fill(m, exposure) > mostFill
}

// faintest returns the magnitude of the star whose signal-to-noise ratio just
// reaches the given one in an exposure.
func (v guideView) faintest(snr float64, exposure unit.Second) unit.Mag {
	lo, hi := unit.Mag(-2), unit.Mag(25)
	for hi-lo > 0.01 {
		mid := (lo + hi) / 2
		if v.spot(mid, exposure).SNR() >= snr {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// candidate is a catalogue star on the guide sensor.
type candidate struct {
	star   catalog.Star
	offset sky.Shift // from the target, on the sky
	x, y   unit.Px   // on the guide sensor, (0,0) its first pixel's centre
	edge   unit.Px   // distance to the nearest edge
}

// field is the patch of sky that the guide camera sees.
type field struct {
	rig        geometry
	offset     sky.Shift // of its centre from the target
	width      unit.Arcsec
	height     unit.Arcsec
	angle      unit.Deg // position angle of its +y
	areaDeg2   float64
	counts     catalog.Counts // of the stars to expect here, listed or not
	candidates []candidate    // brightest first
	ra, dec    unit.Deg       // of its centre
}

// fieldOf returns the guide field of a rig on a target with its catalogue
// stars, nil without a guide camera.
func fieldOf(r *rig.Rig, target sky.Direction) *field {
	g := &r.Guide
	if g.Kind == rig.NoGuide {
		return nil
	}
	scale := optics.Scale(g.Camera.BinnedPixel(), g.Focal.V)
	w, h := float64(g.Camera.Width.V)/g.Camera.Bin.V, float64(g.Camera.Height.V)/g.Camera.Bin.V
	f := &field{
		rig:    guideGeometry(r),
		offset: sky.Shift{East: g.OffsetEast.V.Arcsec(), North: g.OffsetNorth.V.Arcsec()},
		width:  scale.Arcsec(unit.Px(w)), height: scale.Arcsec(unit.Px(h)), angle: g.Camera.Angle.V,
	}
	if g.Kind == rig.Pickoff {
		// The prism shows a patch off the axis, its height along the radius.
		seen := pickOff(r).Field(g.Focal.V, unit.MM(w)*g.Camera.BinnedPixel().MM(), unit.MM(h)*g.Camera.BinnedPixel().MM())
		sin, cos := math.Sincos(float64(g.Prism.Angle.V.Rad()))
		out := float64(seen.Centre.Arcsec())
		f.offset = sky.Shift{East: unit.Arcsec(out * sin), North: unit.Arcsec(out * cos)}
		f.width, f.height, f.angle = seen.Width.Arcsec(), seen.Height.Arcsec(), g.Prism.Angle.V
	}
	f.areaDeg2 = float64(f.width.Deg()) * float64(f.height.Deg())
	centre := sky.NewTangent(target).Direction(f.offset.East.Deg(), f.offset.North.Deg())
	f.ra, f.dec = centre.RA, centre.Dec
	plane := sky.NewTangent(centre)
	radius := unit.Arcsec(math.Hypot(float64(f.width), float64(f.height)) / 2)
	f.counts = catalog.Around(f.ra, f.dec, max(radius.Deg(), 1))
	sin, cos := math.Sincos(float64(f.angle.Rad()))
	for _, s := range catalog.Cone(nil, f.ra, f.dec, radius.Deg(), 99) {
		xi, eta := plane.Project(sky.Direction{RA: s.RA, Dec: s.Dec})
		off := sky.Shift{East: xi.Arcsec(), North: eta.Arcsec()}
		e, n := float64(off.East), float64(off.North)
		// +y points along the position angle, +x a quarter turn clockwise from it
		// as the sky is seen (west of north at angle zero).
		up, right := e*sin+n*cos, -e*cos+n*sin
		x, y := scale.Px(unit.Arcsec(right)+f.width/2)-0.5, scale.Px(unit.Arcsec(up)+f.height/2)-0.5
		edge := min(x+0.5, y+0.5, scale.Px(f.width)-0.5-x, scale.Px(f.height)-0.5-y)
		if edge < 0 {
			continue
		}
		f.candidates = append(f.candidates, candidate{star: s, x: x, y: y, edge: edge,
			offset: sky.Shift{East: f.offset.East + off.East, North: f.offset.North + off.North}})
	}
	sortBy(f.candidates, func(c candidate) float64 { return float64(c.star.VT) })
	return f
}

// held is the set of stars a loop holds on to.
type held struct {
	stars    []candidate // best first; empty when the star is one of the counts
	vt       unit.Mag    // of the best star
	offset   sky.Shift   // of their mean place from the target
	variance float64     // arcsec^2, one axis, of one exposure: all stars together
	chance   float64     // that the field holds a star at least this good
}

// edgeMargin keeps guide stars off the sensor's edge: dither, drift and the
// star's own wings need room.
const edgeMargin unit.Px = 12

// hold chooses up to n stars for an exposure: those whose places are measured
// best, none saturated. Where the catalogue has none that is good enough it
// answers with the star that the counts promise.
func (f *field) hold(v guideView, n int, exposure unit.Second) held {
	type rated struct {
		c    candidate
		var1 float64
	}
	var good []rated
	// Stars are sorted by brightness, and centroids worsen with it: the first
	// dozen that do not saturate hold the best.
	for _, c := range f.candidates {
		if c.edge < edgeMargin || v.saturates(c.star.VT, exposure) {
			continue
		}
		if v.spot(c.star.VT, exposure).SNR() < leastSNR || len(good) == n+8 {
			break
		}
		e := float64(v.centroid(c.star.VT, exposure))
		good = append(good, rated{c, e * e})
	}
	sortBy(good, func(g rated) float64 { return g.var1 })
	if len(good) == 0 {
		return f.promised(v, exposure)
	}
	h := held{vt: good[0].c.star.VT, chance: 1}
	var weight float64
	for _, g := range good[:min(n, len(good))] {
		h.stars = append(h.stars, g.c)
		weight += 1 / g.var1
		h.offset.East += g.c.offset.East / unit.Arcsec(min(n, len(good)))
		h.offset.North += g.c.offset.North / unit.Arcsec(min(n, len(good)))
	}
	h.variance = 1 / weight
	return h
}

// promised returns the star that counts below the catalogue's limit promise,
// where the catalogue itself has none: the one at the magnitude that nine such
// fields in ten reach, or, where that is too faint for the camera, the faintest
// that serves in a long exposure, with its probability.
func (f *field) promised(v guideView, exposure unit.Second) held {
	reach := min(v.faintest(leastSNR, longExpo), countsLimit)
	m := min(f.reached(0.9), reach)
	e := float64(v.centroid(m, exposure))
	return held{vt: m, offset: f.offset, variance: e * e, chance: catalog.Chance(f.counts.Hidden(m), f.areaDeg2)}
}

// countsLimit is the faintest magnitude for which there are counts.
const countsLimit unit.Mag = 16

// reached returns the magnitude of the star that the field holds with
// probability p beyond those of the catalogue.
func (f *field) reached(p float64) unit.Mag {
	lo, hi := f.counts.Limit, countsLimit
	for hi-lo > 0.01 {
		mid := (lo + hi) / 2
		if catalog.Chance(f.counts.Hidden(mid), f.areaDeg2) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// advice says what would make the guide star better to measure, "" when
// nothing would.
func (v guideView) advice(r *rig.Rig) string {
	if v.bare >= 1.5 {
		return ""
	}
	// Defocus adds b^2/16 per axis to the variance; the width asked for is in
	// profile widths of a Gaussian.
	want := float64(inProfile) * float64(inProfile) / (fwhmPerSigma * fwhmPerSigma)
	have := float64(v.bare) * float64(v.bare) / (fwhmPerSigma * fwhmPerSigma)
	disc := unit.Micron(4 * math.Sqrt(want-have) * float64(r.Guide.Camera.BinnedPixel()))
	n := float64(r.Guide.Focal.V / r.Guide.Aperture.V)
	out := optics.BlurDefocus(disc, n)
	s := fmt.Sprintf("the guide star is only %.1f px wide; move the guide camera %.0f um from best focus to spread it to about %.0f px", float64(v.bare), float64(out), float64(inProfile))
	if pitch := r.Guide.Focuser.Pitch.V; pitch > 0 && r.Guide.Kind == rig.Piggyback {
		s += fmt.Sprintf(" (%.0f degrees of its focuser)", 360*float64(out.MM()/pitch))
	}
	return s
}

// pickOff returns the geometry of the rig's prism. The sensor's +x lies a
// quarter turn before its +y in position angle.
func pickOff(r *rig.Rig) optics.PickOff {
	p := &r.Guide.Prism
	return optics.PickOff{
		Beam:  optics.Beam{FNumber: r.Imaging.FNumber(), Obstruction: r.Imaging.Obstruction.V, Pupil: r.Imaging.FocalLength()},
		Width: p.Width.V, Height: p.Height.V, OffAxis: p.OffAxis.V, ToImaging: p.ToImaging.V, Angle: p.Angle.V - r.Imaging.Camera.Angle.V + 90,
	}
}
