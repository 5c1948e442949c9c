package rehearsal

import (
	"math"

	"holdfast/internal/air"
	"holdfast/internal/catalog"
	"holdfast/internal/detector"
	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/synth"
	"holdfast/internal/unit"
)

// GuideCamera draws what the guide camera of a night sees. Make one with
// NewGuideCamera.
type GuideCamera struct {
	n            *Night
	r            *rig.Rig
	t            trouble
	field        synth.Field
	sensor       synth.Sensor
	stars        []skyStar
	offE, offN   float64 // of the field's middle from the target, arcsec
	focal        unit.MM
	fNumber      float64
	electronPerS detector.Collector
}

// NewGuideCamera returns the guide camera of a night under the true sky, as far
// as the catalogue knows it. The field of a pick-off is taken where its prism
// sits. The error is that of a night that cannot be played or has no guide
// camera.
func NewGuideCamera(n *Night) (*GuideCamera, error) {
	if err := n.check(); err != nil {
		return nil, err
	}
	t := troubleOf(n)
	r := t.rig
	g := &r.Guide
	bin := g.Camera.Bin.V
	c := &GuideCamera{n: n, r: r, t: t, focal: g.Focal.V, fNumber: float64(g.Focal.V / g.Aperture.V)}
	c.offE, c.offN = float64(g.OffsetEast.V.Arcsec()), float64(g.OffsetNorth.V.Arcsec())
	angle := g.Camera.Angle.V
	if g.Kind == rig.Pickoff {
		out := float64(optics.ShiftAngle(unit.Micron(1000*float64(g.Prism.OffAxis.V)), g.Focal.V))
		sin, cos := math.Sincos(float64(g.Prism.Angle.V.Rad()))
		c.offE, c.offN, angle = out*sin, out*cos, g.Prism.Angle.V
	}
	target := sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec}
	c.field = synth.Field{
		Width: int(float64(g.Camera.Width.V) / bin), Height: int(float64(g.Camera.Height.V) / bin),
		Centre: sky.NewTangent(target).Direction(unit.Arcsec(c.offE).Deg(), unit.Arcsec(c.offN).Deg()),
		Scale:  optics.Scale(g.Camera.BinnedPixel(), g.Focal.V), Angle: angle,
	}
	c.sensor = synth.Sensor{
		ElectronPerADU: g.Camera.GainElectronPerADU.V, Offset: g.Camera.Offset.V, ReadNoise: g.Camera.ReadNoise.V, FullWell: g.Camera.FullWell.V,
		Bits: int(g.Camera.Bits.V), Bin: int(bin), DarkElectronPerS: g.Camera.DarkElectronPerS.V, HotFraction: 1e-4, HotElectronPerS: 200, Seed: n.Seed + 1,
	}
	c.electronPerS = detector.Collector{Aperture: g.Aperture.V, Obstruction: g.Obstruction.V, Transmission: g.Transmission.V, ZeroPointElectronPerSCm2: g.Camera.ZeroPointElectronPerSCm2.V}
	radius := c.field.Scale.Arcsec(unit.Px(math.Hypot(float64(c.field.Width), float64(c.field.Height)) / 2)).Deg()
	plane := sky.NewTangent(target)
	for _, s := range catalog.Cone(nil, c.field.Centre.RA, c.field.Centre.Dec, radius, 99) {
		xi, eta := plane.Project(sky.Direction{RA: s.RA, Dec: s.Dec})
		c.stars = append(c.stars, skyStar{float64(xi.Arcsec()), float64(eta.Arcsec()), s.VT, uint64(len(c.stars))})
	}
	return c, nil
}

// Draw returns an exposure ready to be drawn.
func (c *GuideCamera) Draw(s *GuideShot, workers int) (*synth.Drawing, error) {
	f := c.field
	if s.Flipped {
		f.Angle += 180
	}
	r, g := c.r, &c.r.Guide
	lambda := r.Imaging.Wavelength.V
	defocus := g.Defocus.V + c.t.guideDefocus
	blur, err := synth.NewBlur(f, synth.Optics{Kernels: []psf.Kernel{
		psf.ShortAir(s.Air.FWHM(lambda), air.ImageMotion(g.Aperture.V.Metre(), s.Air), lambda, g.Aperture.V),
		psf.Gaussian(s.Quick),
		psf.Airy(lambda, g.Aperture.V, g.Obstruction.V),
		psf.Gaussian(psf.Round(optics.ShiftAngle(g.Spot.V, g.Focal.V) / fwhmPerSigma)),
		psf.Defocus(optics.ShiftAngle(optics.Blur(defocus, c.fNumber), g.Focal.V), lambda, g.Aperture.V, g.Obstruction.V),
	}})
	if err != nil {
		return nil, err
	}
	path := synth.Path{East: make([]unit.Arcsec, len(s.East)), North: make([]unit.Arcsec, len(s.North))}
	mean := stand{m: s.Field}
	for i := range s.East {
		mean.east += float64(s.East[i]) / float64(len(s.East))
		mean.north += float64(s.North[i]) / float64(len(s.East))
	}
	for i := range s.East {
		path.East[i], path.North[i] = s.East[i]-unit.Arcsec(mean.east), s.North[i]-unit.Arcsec(mean.north)
	}
	image, err := blur.Expose(path, workers)
	if err != nil {
		return nil, err
	}
	e := synth.Exposure{Sensor: c.sensor, Length: c.n.Held.Interval, SkyElectronPerSPx: c.electronPerS.Sky(s.Sky, f.Scale), Seed: c.n.Seed + 1, Number: uint64(s.Number), Workers: workers}
	dim := detector.Extinction(r.Site.Extinction.V, s.Airmass) + s.Dimming
	for _, k := range c.stars {
		east, north := mean.at(k.east, k.north)
		x, y := place(f, east-c.offE, north-c.offN)
		e.Stars = append(e.Stars, synth.Star{X: x, Y: y, ElectronPerS: c.electronPerS.Star(k.vt + dim), ID: k.id})
	}
	return image.Drawing(e)
}
