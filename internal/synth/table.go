package synth

import (
	"cmp"
	"math"
	"slices"

	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// What star.Measure does: how far it fits, in units of the form at half
// maximum; how far it counts light, likewise; the signal-to-noise ratio from
// which a star's exponent is its own; the least of a star in a frame.
const (
	fitQ     = 25
	fluxQ    = 64
	ownTail  = 100
	faintest = 6
)

// Table returns what star.Measure would say of the exposure without drawing
// it: of each star the place, light and shape that a measurement without noise
// has, changed by noise as great as the measurement's own. Two stars in one
// place are one; neighbours, the frame's edge and full pixels give their flags
// but do not change a number. The summary is left unknown (NaN), as are the
// moments.
//
// Errors are those of the fit: of place and light, Fisher's information, which
// is what XSigma, YSigma and FluxSigma say; of the shape, an unweighted fit's.
// Pixels are taken for much smaller than the star; from an FWHM of two pixels
// on the errors are good to some percent. Of a mosaic, half of the pixels take
// part. The place of a lopsided star is that of the unweighted fit; a
// measurement weighs pixels by their noise and may find it a tenth of the width
// away. Stars so far out of focus that no profile describes them are not for
// tables.
//
// The error is that of Image.Drawing.
func (o *Outline) Table(e Exposure) (star.Frame, error) {
	d, err := o.prepare(e)
	if err != nil {
		return star.Frame{}, err
	}
	perADU := 1 / d.sensor.ElectronPerADU
	nan := math.NaN()
	out := star.Frame{Width: d.Width, Height: d.Height, Gain: d.sensor.ElectronPerADU, GainFrom: "given",
		Ceiling: unit.ADU(d.sensor.ceiling()*perADU) + d.sensor.Offset,
		Summary: star.Summary{FWHM: unit.Px(nan), FWHMSigma: unit.Px(nan), Ellipticity: nan, EllipticitySigma: nan,
			Angle: unit.Deg(nan), HFD: unit.Px(nan), HFDSigma: unit.Px(nan), Tail: nan}}
	mid := d.sight(float64(d.Width)/2, float64(d.Height)/4)
	out.Background = unit.ADU((d.sky*mid+d.dark)*perADU) + d.sensor.Offset
	out.Noise = unit.ADU(d.noiseAt(mid) * perADU)
	if d.sensor.Mosaic != "" {
		out.Flags |= star.Mosaic
	}
	rows := d.rows(o)
	blend(rows)
	const batch = 64 // stars that a goroutine takes at once
	found := make([][]star.Star, (len(rows)+batch-1)/batch)
	parallel(e.Workers, len(found), func() func(int) {
		dice := newDice()
		return func(k int) {
			for i := k * batch; i < min((k+1)*batch, len(rows)); i++ {
				r := &rows[i]
				if r.swallowed {
					continue
				}
				dice.at(key(e.Seed, e.Number, r.id, 0x57a2))
				if s, ok := d.look(r, dice); ok {
					found[k] = append(found[k], s)
				}
			}
		}
	})
	out.Stars = slices.Concat(found...)
	slices.SortStableFunc(out.Stars, func(a, b star.Star) int { return cmp.Compare(b.Flux, a.Flux) })
	out.StarsFound = len(out.Stars)
	return out, nil
}

// tableRow is a star before it is measured.
type tableRow struct {
	shape
	x, y      float64 // centre of the profile
	electrons float64
	amp       float64 // peak of the profile, electrons
	noise     float64 // of a pixel of sky there, electrons
	id        uint64
	blended   bool
	swallowed bool
}

// sight returns the share of the light that reaches the pixels at a place
// which a measurement uses.
func (d *Drawing) sight(x, y float64) float64 {
	v := 1.0
	if d.sensor.Mosaic != "" {
		v = d.sensor.Colour[1]
	}
	return v * d.lit(x, y)
}

// noiseAt returns the noise of a pixel of sky where so much of the light
// arrives, in electrons.
func (d *Drawing) noiseAt(sight float64) float64 {
	r, q := float64(d.sensor.ReadNoise), d.sensor.ElectronPerADU
	return math.Sqrt(d.sky*sight + d.dark + r*r + q*q/12)
}

// rows returns the stars whose centres are in the frame, sorted by y.
func (d *Drawing) rows(o *Outline) []tableRow {
	mx, my := o.blur.field.Middle()
	var out []tableRow
	for _, s := range d.e.Stars {
		x, y := float64(s.X), float64(s.Y)
		r := tableRow{shape: o.shape(x, y), id: s.ID}
		dx, dy := o.track.shift(x-float64(mx), y-float64(my))
		r.x, r.y = x+dx+r.shape.x, y+dy+r.shape.y
		if !(r.x >= -1 && r.y >= -1 && r.x <= float64(d.Width) && r.y <= float64(d.Height)) || math.IsNaN(r.xx) {
			continue
		}
		sight := d.sight(r.x, r.y)
		r.electrons = s.ElectronPerS * float64(d.e.Length) * sight
		r.amp = r.electrons * r.share / r.area()
		r.noise = d.noiseAt(sight)
		if r.amp > 0.05*r.noise {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b tableRow) int { return cmp.Compare(a.y, b.y) })
	return out
}

// blend marks the stars whose neighbours a measurement notices, and gives the
// light of those it does not tell apart to the brighter.
func blend(rows []tableRow) {
	for i := range rows {
		a := &rows[i]
		major := math.Sqrt((a.xx+a.yy)/2 + math.Hypot((a.xx-a.yy)/2, a.xy))
		fwhm := math.Sqrt(math.Sqrt(a.xx*a.yy - a.xy*a.xy))
		for j := i + 1; j < len(rows) && rows[j].y-a.y < 6*major; j++ {
			b := &rows[j]
			dx, dy := b.x-a.x, b.y-a.y
			away := math.Hypot(dx, dy)
			if away > 6*major || a.swallowed || b.swallowed {
				continue
			}
			bright, faint := a, b
			if b.amp > a.amp {
				bright, faint = b, a
			}
			if away < 0.6*fwhm {
				bright.electrons += faint.electrons
				bright.amp += faint.amp
				bright.blended = bright.blended || faint.amp > 0.02*bright.amp
				faint.swallowed = true
				continue
			}
			if away < 2.5*major {
				faint.blended = true
				bright.blended = bright.blended || faint.amp > 0.05*bright.amp && faint.amp > faint.noise
			}
			q := a.form(dx, dy)
			m, _, _ := psf.Falloff(q, a.tail)
			faint.blended = faint.blended || bright.amp*m > 3*faint.noise
			bright.blended = bright.blended || faint.amp*m > 3*bright.noise
		}
	}
}

// form returns the profile's form at a distance from its centre.
func (s *shape) form(dx, dy float64) float64 {
	det := s.xx*s.yy - s.xy*s.xy
	return 4 * psf.HalfMaximum(s.tail) * (s.yy*dx*dx - 2*s.xy*dx*dy + s.xx*dy*dy) / det
}

// look returns the star as measured. It reports whether it is found.
func (d *Drawing) look(r *tableRow, dice dice) (star.Star, bool) {
	n := d.errors(r)
	snr := r.amp / n.amp
	perADU := 1 / d.sensor.ElectronPerADU
	free := snr > ownTail
	w := r.shape
	// The place: the errors along x and y go together as the widths do.
	root := w.root()
	g1, g2 := dice.r.NormFloat64(), dice.r.NormFloat64()
	s := star.Star{
		X: unit.Px(r.x + n.place*(root.xx*g1+root.xy*g2)), Y: unit.Px(r.y + n.place*(root.xy*g1+root.yy*g2)),
	}
	// The shape, and the light found with it.
	grow, dtail := n.growth(free, r.tail, dice)
	amp := r.amp + n.amp*dice.r.NormFloat64() + n.yield[0]*grow - n.yield[1]*dtail
	e1, e2 := n.shear*dice.r.NormFloat64(), n.shear*dice.r.NormFloat64()
	tail := w.tail + dtail
	w = w.strained(root, e1, e2, math.Exp(grow)*psf.HalfMaximum(tail)/psf.HalfMaximum(w.tail))
	if !(amp > faintest*n.amp) || !(amp > 0) || !(w.xx*w.yy > w.xy*w.xy) {
		return s, false
	}
	mean, half := (w.xx+w.yy)/2, math.Hypot((w.xx-w.yy)/2, w.xy)
	angle := math.Atan2(2*w.xy, w.xx-w.yy) / 2
	if angle < 0 {
		angle += math.Pi
	}
	s.Major, s.Minor, s.Angle = unit.Px(math.Sqrt(mean+half)), unit.Px(math.Sqrt(mean-half)), unit.Rad(angle).Deg()
	s.Ellipticity = 1 - float64(s.Minor/s.Major)
	s.Tail = tail
	if float64(s.Minor)*(1+4/snr) < d.narrowest() {
		return s, false // taken for a hot pixel
	}
	// The errors that a measurement states follow from what it found.
	found := tableRow{shape: w, amp: amp, noise: r.noise}
	found.tail = tail
	stated := d.errors(&found)
	s.SNR = amp / stated.amp
	s.XSigma, s.YSigma = unit.Px(stated.place*math.Sqrt(w.xx)), unit.Px(stated.place*math.Sqrt(w.yy))
	inside := enclosed(fluxQ*psf.HalfMaximum(tail), tail)
	w.tail = tail
	s.Flux = unit.ADU(amp * w.area() * inside * perADU)
	s.FluxSigma = s.Flux / unit.ADU(s.SNR)
	s.Peak = unit.ADU((min(r.electrons*r.middle, d.sensor.ceiling()) + r.noise*dice.r.NormFloat64()) * perADU)
	fwhm := math.Sqrt(float64(s.Major * unit.Px(float64(s.Minor))))
	if free {
		s.HFD = unit.Px(r.hfd + n.halfFlux(r)*dice.r.NormFloat64())
	} else {
		s.Flags |= star.SharedTail
		s.HFD = unit.Px(fwhm * math.Sqrt(reaches(inside/2, tail)/psf.HalfMaximum(tail)))
	}
	s.MomentMajor, s.MomentMinor = unit.Px(math.NaN()), unit.Px(math.NaN())
	if r.blended {
		s.Flags |= star.Blended
	}
	if s.SNR >= 20 && s.Ellipticity > 0.25+3/s.SNR {
		s.Flags |= star.Trailed
	}
	reach := math.Ceil(1.5 * float64(s.Major))
	if x, y := math.Round(r.x), math.Round(r.y); x-reach < 0 || y-reach < 0 || x+reach >= float64(d.Width) || y+reach >= float64(d.Height) {
		s.Flags |= star.Edge
	}
	if r.electrons*r.top+d.sky*d.sight(r.x, r.y)+d.dark >= d.sensor.ceiling() {
		s.Flags |= star.Saturated
	}
	return s, true
}

// narrowest returns the FWHM below which a measurement takes a star for a hot
// pixel.
func (d *Drawing) narrowest() float64 {
	if d.sensor.Mosaic != "" {
		return 0.8
	}
	return 1.1
}

// enclosed returns the share of a round profile's light inside the form q.
//
// Source: Moffat's profile integrated.
func enclosed(q, tail float64) float64 {
	if tail < 1e-4 {
		return -math.Expm1(-q)
	}
	return 1 - math.Pow(1+tail*q, 1-1/tail)
}

// reaches returns the form inside which a share of the light lies.
func reaches(share, tail float64) float64 {
	if tail < 1e-4 {
		return -math.Log1p(-share)
	}
	return (math.Pow(1-share, tail/(tail-1)) - 1) / tail
}

// root returns the symmetric square root of the tensor of squared widths.
func (s shape) root() shape {
	d := math.Sqrt(s.xx*s.yy - s.xy*s.xy)
	k := 1 / math.Sqrt(s.xx+s.yy+2*d)
	return shape{xx: (s.xx + d) * k, xy: s.xy * k, yy: (s.yy + d) * k}
}

// strained returns the shape whose squared widths are scaled and drawn by the
// two shears: root (exp -E) root times scale, E = [e1 e2; e2 -e1].
func (s shape) strained(root shape, e1, e2, scale float64) shape {
	m := math.Hypot(e1, e2)
	c, k := math.Cosh(m), 1.0
	if m > 1e-9 {
		k = math.Sinh(m) / m
	}
	a, b, g := c-k*e1, -k*e2, c+k*e1 // exp(-E)
	// root * [a b; b g] * root
	p11, p12 := root.xx*a+root.xy*b, root.xx*b+root.xy*g
	p21, p22 := root.xy*a+root.yy*b, root.xy*b+root.yy*g
	s.xx = scale * (p11*root.xx + p12*root.xy)
	s.xy = scale * (p11*root.xy + p12*root.yy)
	s.yy = scale * (p21*root.xy + p22*root.yy)
	return s
}

// fitErrors are the errors of the fit to one star.
type fitErrors struct {
	amp   float64       // of the peak, electrons
	place float64       // of the centre, in units of the full width along an axis
	shear float64       // of each of the two components of the form's shear
	cov   [3][3]float64 // of peak, growth of the form and tail, all fitted
	along float64       // growth that goes with a tail held elsewhere
	fixed float64       // variance of the growth with the tail held
	yield [2]float64    // by how much the peak found with a wrong profile falls with minus the growth of the form, and with the tail
	light float64       // variance of all the light in the fitted pixels, electrons^2
}

// errors returns the errors of the fit to a star.
//
// Derived: in coordinates in which the form Q is r^2, integrals over the plane
// become integrals over q = r^2, area (pi/sqrt(det Q)) dq. With F the falloff
// and V the variance of a pixel, noise^2 + amp F, the information on the peak
// is the integral of F^2/V, that on the place Q times 2 amp^2 times that of
// q F'^2/V. An unweighted fit has the covariance (J'J)^-1 J'VJ (J'J)^-1; by
// symmetry shear stands apart from peak, growth (q -> q(1+s)) and tail. The
// light is then found by a weighted fit of the peak alone with what came out
// as profile: its noise and the profile's are independent.
func (d *Drawing) errors(r *tableRow) fitErrors {
	const nodes = 48
	share := 1.0
	if d.sensor.Mosaic != "" {
		share = 0.5
	}
	half := psf.HalfMaximum(r.tail)
	area := share * math.Pi * math.Sqrt(r.xx*r.yy-r.xy*r.xy) / (4 * half)
	end := math.Sqrt(fitQ * half)
	var peak, place, shear, shearV, light float64
	var jtj, jtvj [3][3]float64
	var yield [2]float64
	for k := range nodes {
		radius := end * (float64(k) + 0.5) / nodes
		q := radius * radius
		dA := area * 2 * radius * end / nodes
		f, dq, dtail := psf.Falloff(q, r.tail)
		v := r.noise*r.noise + r.amp*f
		light += dA * v
		peak += dA * f * f / v
		place += dA * q * dq * dq / v
		h := r.amp * dq * q
		shear += dA * h * h / 2
		shearV += dA * v * h * h / 2
		row := [3]float64{f, h, r.amp * dtail}
		yield[0] += dA * f * h / v
		yield[1] += dA * f * r.amp * dtail / v
		for a, da := range row {
			for b, db := range row {
				jtj[a][b] += dA * da * db
				jtvj[a][b] += dA * v * da * db
			}
		}
	}
	n := fitErrors{amp: 1 / math.Sqrt(peak), shear: math.Sqrt(shearV) / shear, light: light,
		yield: [2]float64{yield[0] / peak, yield[1] / peak}}
	// Q is 4 half over the squared widths.
	n.place = 1 / math.Sqrt(2*r.amp*r.amp*place*4*half)
	inverse := invert(jtj)
	n.cov = sandwich(inverse, jtvj)
	n.along = inverse[1][2] / inverse[2][2]
	det := jtj[0][0]*jtj[1][1] - jtj[0][1]*jtj[0][1]
	a, b := -jtj[0][1]/det, jtj[0][0]/det // row of the inverse for the growth
	n.fixed = a*a*jtvj[0][0] + 2*a*b*jtvj[0][1] + b*b*jtvj[1][1]
	return n
}

// growth returns a random growth of the squared widths at a given tail, as its
// logarithm, and change of the tail; no change if the tail is not fitted.
func (n *fitErrors) growth(free bool, tail float64, dice dice) (grow, dtail float64) {
	g, h := dice.r.NormFloat64(), dice.r.NormFloat64()
	vs, vt, st := n.cov[1][1], n.cov[2][2], n.cov[1][2]
	if !free || !(vs > 0) || !(vt > 0) {
		return -math.Sqrt(n.fixed) * g, 0
	}
	dtail = math.Sqrt(vt) * g
	s := st/vt*dtail + math.Sqrt(max(vs-st*st/vt, 0))*h
	// A bound of the tail holds it, and the growth follows.
	if held := min(max(tail+dtail, 0), psf.MaxTail) - tail; held != dtail {
		s += n.along * (held - dtail)
		dtail = held
	}
	return -s, dtail
}

// halfFlux returns the error of the half-flux diameter of a star: that of the
// difference of the light inside and outside over how fast it changes.
func (n *fitErrors) halfFlux(r *tableRow) float64 {
	fwhm2 := math.Sqrt(r.xx*r.yy - r.xy*r.xy)
	m, _, _ := psf.Falloff(psf.HalfMaximum(r.tail)*r.hfd*r.hfd/fwhm2, r.tail)
	return math.Sqrt(n.light) / (math.Pi * r.hfd * r.amp * m)
}

// sandwich returns a v a for symmetric matrices.
func sandwich(a, v [3][3]float64) (out [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				for l := range 3 {
					out[i][j] += a[i][k] * v[k][l] * a[l][j]
				}
			}
		}
	}
	return out
}

// invert returns the inverse of a symmetric matrix.
func invert(a [3][3]float64) (inv [3][3]float64) {
	det := 0.0
	for i := range 3 {
		for j := range 3 {
			p, q := (i+1)%3, (i+2)%3
			s, t := (j+1)%3, (j+2)%3
			inv[j][i] = a[p][s]*a[q][t] - a[p][t]*a[q][s]
		}
		det += a[0][i] * inv[i][0]
	}
	for i := range 3 {
		for j := range 3 {
			inv[i][j] /= det
		}
	}
	return inv
}
