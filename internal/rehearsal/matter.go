package rehearsal

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/optics"
	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/synth"
	"holdfast/internal/unit"
)

// mostTabled is how many stars of a field a table is made of: the brightest, and
// of the others as many as fill it, evenly through all brightnesses, because the
// brightest may be full.
const (
	mostTabled     = 2500
	brightestAlone = 300
)

// Table returns what measuring a shot would say of its stars, without the pixels;
// of a crowded field it lists a part.
func (c *Camera) Table(s *Shot, workers int) (star.Frame, error) {
	o, mean, err := c.outline(s, workers)
	if err != nil {
		return star.Frame{}, err
	}
	e := c.exposure(s, mean, workers)
	if len(e.Stars) > mostTabled {
		slices.SortStableFunc(e.Stars, func(a, b synth.Star) int { return cmp.Compare(b.ElectronPerS, a.ElectronPerS) })
		rest := e.Stars[brightestAlone:]
		const others = mostTabled - brightestAlone
		for i := range others {
			e.Stars[brightestAlone+i] = rest[i*len(rest)/others]
		}
		e.Stars = e.Stars[:mostTabled]
	}
	return o.Table(e)
}

// outlined is the shape of the stars of the shot last looked at.
type outlined struct {
	shot *Shot
	o    *synth.Outline
	mean stand
}

// outline returns the shape of a shot's stars, and where the field stands in it.
func (c *Camera) outline(s *Shot, workers int) (*synth.Outline, stand, error) {
	if c.last.shot == s {
		return c.last.o, c.last.mean, nil
	}
	path, mean := c.path(s)
	blur, err := c.blur(s)
	if err != nil {
		return nil, mean, err
	}
	o, err := blur.Outline(path, workers)
	if err != nil {
		return nil, mean, err
	}
	c.last = outlined{s, o, mean}
	return o, mean, nil
}

// Shape is a star's width and elongation, the pixel included.
type Shape struct {
	FWHM        unit.Arcsec `json:"fwhm_arcsec"`
	Ellipticity float64     `json:"ellipticity"`
	Angle       unit.Deg    `json:"angle_deg"` // on the sensor, from +x towards +y
}

// Shapes returns the star of a shot without noise, in the middle and in each
// corner of the frame.
func (c *Camera) Shapes(s *Shot, workers int) (centre Shape, corners [4]Shape, err error) {
	o, _, err := c.outline(s, workers)
	if err != nil {
		return centre, corners, err
	}
	w, h := float64(c.field.Width), float64(c.field.Height)
	// So bright that noise does not count; none saturates.
	e := synth.Exposure{Sensor: c.sensor, Length: 1, Seed: 1, Workers: workers}
	e.Sensor.FullWell, e.Sensor.HotFraction, e.Sensor.Mosaic, e.Sensor.Vignetting = 0, 0, "", 0
	at := [5][2]float64{{w / 2, h / 2}, {12, 12}, {w - 13, 12}, {12, h - 13}, {w - 13, h - 13}}
	for i, p := range at {
		e.Stars = append(e.Stars, synth.Star{X: unit.Px(p[0]), Y: unit.Px(p[1]), ElectronPerS: 1e12, ID: uint64(i)})
	}
	table, err := o.Table(e)
	if err != nil {
		return centre, corners, err
	}
	var found [5]bool
	for _, k := range table.Stars {
		near := 0
		for i := range at {
			if math.Hypot(float64(k.X)-at[i][0], float64(k.Y)-at[i][1]) < math.Hypot(float64(k.X)-at[near][0], float64(k.Y)-at[near][1]) {
				near = i
			}
		}
		x := Shape{c.field.Scale.Arcsec(unit.Px(math.Sqrt(float64(k.Major) * float64(k.Minor)))), k.Ellipticity, k.Angle}
		found[near] = true
		if near == 0 {
			centre = x
		} else {
			corners[near-1] = x
		}
	}
	nan := Shape{unit.Arcsec(math.NaN()), math.NaN(), unit.Deg(math.NaN())}
	for i, ok := range found {
		switch {
		case !ok && i == 0:
			centre = nan
		case !ok:
			corners[i-1] = nan
		}
	}
	return centre, corners, nil
}

// Unavoidable returns the width of a star that only the air, diffraction, the
// optics and the pixels spread.
func (c *Camera) Unavoidable(s *Shot) unit.Arcsec {
	im := &c.n.Rig.Imaging
	lambda := im.Wavelength.V
	air := turbulence(c.n.Rig).At(s.Airmass)
	return psf.Star(psf.Air(air.FWHM(lambda)), psf.Airy(lambda, im.Aperture.V, im.Obstruction.V),
		psf.Gaussian(psf.Round(optics.ShiftAngle(im.Spot.V, im.FocalLength())/fwhmPerSigma)), psf.Box(c.field.Scale.Arcsec(1), 0)).FWHM()
}

// Lasting returns how long the night lasts, waiting and flips apart.
func (n *Night) Lasting() unit.Second { return n.length() }

// Excess is how far a night's stars are beyond the goal of the rig: 1 is just at
// it, by the worst of the middle's and the corners' elongation and the width.
func Excess(ctx context.Context, n *Night, workers int) (float64, error) {
	c, err := NewCamera(n)
	if err != nil {
		return 0, err
	}
	g := &n.Rig.Goal
	var worst []float64
	err = Play(ctx, n, Listener{Shot: func(s *Shot) error {
		centre, corners, err := c.Shapes(s, workers)
		if err != nil {
			// A star too wide to draw is beyond any goal.
			worst = append(worst, 99)
			return nil
		}
		x := math.Max(centre.Ellipticity/g.Ellipticity.V, (float64(centre.FWHM/c.Unavoidable(s))-1)/(g.FWHMRatio.V-1))
		for _, k := range corners {
			x = math.Max(x, k.Ellipticity/g.EllipticityCorner.V)
		}
		if s.Lost > 0.3 || s.Dimming > 0.7 {
			x = math.Max(x, 2)
		}
		if math.IsNaN(x) {
			x = 99
		}
		worst = append(worst, x)
		return nil
	}})
	if err != nil {
		return 0, err
	}
	// What spoils a third of the subs spoils the night.
	return quantile(worst, 0.75), nil
}

// quantile returns a quantile of numbers, which it sorts.
func quantile(v []float64, q float64) float64 {
	slices.Sort(v)
	return v[min(int(q*float64(len(v))), len(v)-1)]
}

// matters is how far beyond its goal a fault that matters takes the star.
const matters = 1.6

// Matter returns the fault of a kind in the amount that takes this night's stars
// clearly beyond their goal, found by rehearsing six subs again and again. The
// error says that no amount does, or that the night is beyond its goal without.
func Matter(ctx context.Context, n *Night, kind string) (Fault, error) {
	k, err := KindOf(kind)
	if err != nil {
		return Fault{}, err
	}
	try := *n
	try.Faults = append([]Fault(nil), n.Faults...)
	try.Subs = min(n.Subs, 6)
	try.Start = n.Start.Add((n.length() - try.length()) / 2)
	before, err := Excess(ctx, &try, 2)
	if err != nil {
		return Fault{}, err
	}
	want := math.Max(matters, before+0.6)
	at := func(amount float64) (float64, error) {
		try.Faults = append(append([]Fault(nil), n.Faults...), Fault{kind, amount})
		return Excess(ctx, &try, 2)
	}
	if k.Unit == "" && k.Least == 0 { // there or not
		f := Fault{kind, 1}
		x, err := at(1)
		if err == nil && x < want {
			err = fmt.Errorf("rehearsal: fault %s does not matter to this rig: its stars come to %.2f times their goal with it, %.2f without", kind, x, before)
		}
		return f, err
	}
	lo, hi := k.Least, k.Most
	// From small to large, in steps, so that the least amount that matters is met;
	// what matters at both ends, as a gain does, is met at its large end.
	for amount := lo; ; amount *= 2 {
		amount = math.Min(amount, hi)
		x, err := at(amount)
		if err != nil {
			return Fault{}, err
		}
		if x >= want && !(kind == "loop_gain" && amount < 0.9) {
			hi = amount
			break
		}
		if amount == hi {
			return Fault{}, fmt.Errorf("rehearsal: fault %s does not matter to this rig: with %g %s its stars come to %.2f times their goal, %.2f without", kind, hi, k.Unit, x, before)
		}
		lo = amount
	}
	for hi/lo > 1.05 {
		mid := math.Sqrt(lo * hi)
		x, err := at(mid)
		if err != nil {
			return Fault{}, err
		}
		if x >= want {
			hi = mid
		} else {
			lo = mid
		}
	}
	return Fault{kind, math.Min(hi*1.02, k.Most)}, nil
}
