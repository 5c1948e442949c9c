package rehearsal

import (
	"math"
	"math/rand/v2"

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

// Camera draws the shots of a night as the imaging camera takes them, one at a
// time. Make one with NewCamera.
type Camera struct {
	n      *Night
	r      *rig.Rig // with the night's faults
	field  synth.Field
	sensor synth.Sensor
	stars  []skyStar
	turn   float64 // of the camera in its adapter, radians a second
	last   outlined
}

// skyStar is a star of the imaging field.
type skyStar struct {
	east, north float64 // from the target on the tangent plane, arcsec
	vt          unit.Mag
	id          uint64
}

// faintestDrawn is the magnitude down to which fainter stars are put in: the
// counts go no farther.
const faintestDrawn unit.Mag = 16

// NewCamera returns the imaging camera of a night under the true sky: the
// catalogue's stars, and below its limit as many more as the counts expect,
// strewn at random. The error is that of a night that cannot be played.
func NewCamera(n *Night) (*Camera, error) {
	if err := n.check(); err != nil {
		return nil, err
	}
	t := troubleOf(n)
	r := t.rig
	im := &r.Imaging
	bin := im.Camera.Bin.V
	c := &Camera{n: n, r: r, turn: t.turning}
	c.field = synth.Field{
		Width: int(float64(im.Camera.Width.V) / bin), Height: int(float64(im.Camera.Height.V) / bin),
		Centre: sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec}, Scale: optics.Scale(im.Camera.BinnedPixel(), im.FocalLength()), Angle: im.Camera.Angle.V,
	}
	c.sensor = synth.Sensor{
		ElectronPerADU: im.Camera.GainElectronPerADU.V, Offset: im.Camera.Offset.V, ReadNoise: im.Camera.ReadNoise.V, FullWell: im.Camera.FullWell.V,
		Bits: int(im.Camera.Bits.V), Bin: int(bin), DarkElectronPerS: im.Camera.DarkElectronPerS.V,
		HotFraction: 2e-5, HotElectronPerS: 20, Vignetting: 0.2, Seed: n.Seed,
	}
	if im.Camera.Colour {
		c.sensor.Mosaic = "RGGB"
	}
	c.strew()
	return c, nil
}

// strew puts the stars into the field, a margin around it included.
func (c *Camera) strew() {
	f := c.field
	w, h := float64(f.Scale.Arcsec(unit.Px(f.Width))), float64(f.Scale.Arcsec(unit.Px(f.Height)))
	radius := math.Hypot(w, h)/2 + 120
	plane := sky.NewTangent(f.Centre)
	for _, s := range catalog.Cone(nil, f.Centre.RA, f.Centre.Dec, unit.Arcsec(radius).Deg(), 99) {
		xi, eta := plane.Project(sky.Direction{RA: s.RA, Dec: s.Dec})
		c.stars = append(c.stars, skyStar{float64(xi.Arcsec()), float64(eta.Arcsec()), s.VT, uint64(len(c.stars))})
	}
	counts := catalog.Around(f.Centre.RA, f.Centre.Dec, max(unit.Arcsec(radius).Deg(), 1))
	rng := rand.New(rand.NewPCG(math.Float64bits(float64(f.Centre.RA)), math.Float64bits(float64(f.Centre.Dec))))
	area := math.Pow(2*radius/3600, 2)
	total := counts.Hidden(faintestDrawn) * area
	if !(total > 0) {
		return
	}
	n := int(total + math.Sqrt(total)*rng.NormFloat64())
	for range max(n, 0) {
		// The magnitude down to which so many are expected.
		want := rng.Float64() * total / area
		lo, hi := counts.Limit, faintestDrawn
		for hi-lo > 0.01 {
			if mid := (lo + hi) / 2; counts.Hidden(mid) < want {
				lo = mid
			} else {
				hi = mid
			}
		}
		c.stars = append(c.stars, skyStar{radius * (2*rng.Float64() - 1), radius * (2*rng.Float64() - 1), hi, uint64(len(c.stars))})
	}
}

// Draw returns a shot ready to be drawn.
func (c *Camera) Draw(s *Shot, workers int) (*synth.Drawing, error) {
	path, mean := c.path(s)
	blur, err := c.blur(s)
	if err != nil {
		return nil, err
	}
	image, err := blur.Expose(path, workers)
	if err != nil {
		return nil, err
	}
	return image.Drawing(c.exposure(s, mean, workers))
}

// blur returns what spreads stars in a shot, but for their path.
func (c *Camera) blur(s *Shot) (*synth.Blur, error) {
	f := c.standing(s)
	return synth.NewBlur(f, c.optics(s, f))
}

// exposure returns what the camera collects in a shot.
func (c *Camera) exposure(s *Shot, mean stand, workers int) synth.Exposure {
	im := &c.r.Imaging
	light := detector.Collector{Aperture: im.Aperture.V, Obstruction: im.Obstruction.V, Transmission: im.Transmission.V, ZeroPointElectronPerSCm2: im.Camera.ZeroPointElectronPerSCm2.V}
	e := synth.Exposure{Sensor: c.sensor, Length: s.Length, SkyElectronPerSPx: light.Sky(s.Sky, c.field.Scale), Seed: c.n.Seed, Number: uint64(s.Number), Workers: workers}
	f := c.standing(s)
	dim := detector.Extinction(c.r.Site.Extinction.V, s.Airmass) + s.Dimming
	for _, k := range c.stars {
		east, north := mean.at(k.east, k.north)
		x, y := place(f, east, north)
		e.Stars = append(e.Stars, synth.Star{X: x, Y: y, ElectronPerS: light.Star(k.vt + dim), ID: k.id})
	}
	return e
}

// standing returns the field as the camera sees it in a shot.
func (c *Camera) standing(s *Shot) synth.Field {
	f := c.field
	if s.Flipped {
		f.Angle += 180
	}
	return f
}

// stand is where the field stands on average through a shot.
type stand struct {
	m           Linear
	east, north float64
}

// at returns where a place of the sky, east and north of the target in arcsec,
// stands.
func (m stand) at(east, north float64) (float64, float64) {
	return east + m.m.EE*east + m.m.EN*north + m.east, north + m.m.NE*east + m.m.NN*north + m.north
}

// place returns the pixel of a place on the focal plane, arcsec from the middle
// of the frame.
func place(f synth.Field, east, north float64) (x, y unit.Px) {
	d := sky.NewTangent(f.Centre).Direction(unit.Arcsec(east).Deg(), unit.Arcsec(north).Deg())
	return f.Pixel(d)
}

// path returns the path of a shot about where the field stands in it.
func (c *Camera) path(s *Shot) (synth.Path, stand) {
	var mean stand
	path := synth.Path{East: make([]unit.Arcsec, len(s.East)), North: make([]unit.Arcsec, len(s.North))}
	for i := range s.East {
		path.East[i], path.North[i] = s.East[i]+s.AirEast[i], s.North[i]+s.AirNorth[i]
		mean.east += float64(path.East[i]) / float64(len(s.East))
		mean.north += float64(path.North[i]) / float64(len(s.East))
	}
	for i := range path.East {
		path.East[i] -= unit.Arcsec(mean.east)
		path.North[i] -= unit.Arcsec(mean.north)
	}
	field := make([]Linear, len(s.Field))
	for i, m := range s.Field {
		m = c.turned(m, s, i)
		field[i] = m
		mean.m.EE += m.EE / float64(len(field))
		mean.m.EN += m.EN / float64(len(field))
		mean.m.NE += m.NE / float64(len(field))
		mean.m.NN += m.NN / float64(len(field))
	}
	// What differs from the mean, as a function of where the star stands then.
	back := inverse(Linear{1 + mean.m.EE, mean.m.EN, mean.m.NE, 1 + mean.m.NN})
	for _, m := range field {
		d := Linear{m.EE - mean.m.EE, m.EN - mean.m.EN, m.NE - mean.m.NE, m.NN - mean.m.NN}
		path.Linear = append(path.Linear, synth.Linear{
			EE: d.EE*back.EE + d.EN*back.NE, EN: d.EE*back.EN + d.EN*back.NN,
			NE: d.NE*back.EE + d.NN*back.NE, NN: d.NE*back.EN + d.NN*back.NN,
		})
	}
	path.PivotEast, path.PivotNorth = unit.Arcsec(mean.east), unit.Arcsec(mean.north)

	return path, mean
}

// turned adds the turning of the camera in its adapter to a sample of the field.
func (c *Camera) turned(m Linear, s *Shot, i int) Linear {
	if c.turn == 0 {
		return m
	}
	t := float64(s.Begin) + float64(s.Length)*(float64(i)+0.5)/float64(len(s.Field))
	sin, cos := math.Sincos(c.turn * t)
	// Turned after the field: R (1+m) - 1.
	a := Linear{1 + m.EE, m.EN, m.NE, 1 + m.NN}
	return Linear{cos*a.EE + sin*a.NE - 1, cos*a.EN + sin*a.NN, cos*a.NE - sin*a.EE, cos*a.NN - sin*a.EN - 1}
}

// inverse returns the inverse of a matrix.
func inverse(m Linear) Linear {
	d := m.EE*m.NN - m.EN*m.NE
	return Linear{m.NN / d, -m.EN / d, -m.NE / d, m.EE / d}
}

// optics returns what spreads a star at every instant of a shot.
func (c *Camera) optics(s *Shot, f synth.Field) synth.Optics {
	im := &c.r.Imaging
	focal := im.FocalLength()
	lambda := im.Wavelength.V
	o := synth.Optics{CellsX: 4, CellsY: 3, Kernels: []psf.Kernel{
		psf.ShortAir(s.Air.FWHM(lambda), air.ImageMotion(im.Aperture.V.Metre(), s.Air), lambda, im.Aperture.V),
		psf.Gaussian(s.Quick), // the path has the rest of the motion
		psf.Airy(lambda, im.Aperture.V, im.Obstruction.V),
		psf.Disc(optics.ShiftAngle(optics.Blur(s.Defocus, im.FNumber()), focal), im.Obstruction.V),
	}}
	centre, corner := float64(im.Spot.V), float64(im.SpotCorner.V)
	mx, my := f.Middle()
	far := math.Hypot(float64(mx), float64(my))
	o.Local = func(x, y unit.Px) []psf.Kernel {
		// Aberrations of the field's curvature grow as the square of the distance.
		r := math.Hypot(float64(x-mx), float64(y-my)) / far
		spot := math.Sqrt(centre*centre + (corner*corner-centre*centre)*r*r)
		return []psf.Kernel{psf.Gaussian(psf.Round(optics.ShiftAngle(unit.Micron(spot), focal) / fwhmPerSigma))}
	}
	return o
}
