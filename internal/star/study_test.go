package star

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// shape is a star of the accuracy study.
type shape struct {
	kind        string // gauss, moffat or air
	fwhm        float64
	ellipticity float64
	beta        float64 // of moffat
	angle       unit.Deg
}

func (s shape) String() string {
	name := s.kind
	if s.kind == "moffat" {
		name = fmt.Sprintf("moffat %.1f", s.beta)
	}
	return fmt.Sprintf("%-10s FWHM %.1f e %.1f", name, s.fwhm, s.ellipticity)
}

// kernels returns the causes that make the star, the pixel included; nil of a
// Moffat profile. Air is lengthened by a trail.
func (s shape) kernels() []psf.Kernel {
	pa := s.angle - 90 // +x is at position angle 270, +y at 0
	switch s.kind {
	case "gauss":
		return gauss(s.fwhm, s.ellipticity, pa)
	case "air":
		if s.ellipticity == 0 {
			return []psf.Kernel{psf.Air(unit.Arcsec(s.fwhm)), psf.Box(1, 0)}
		}
		q := 1 / (1 - s.ellipticity)
		wide := s.fwhm / math.Sqrt(q)
		trail := wide / 2.3548 * math.Sqrt(12*(q*q-1))
		return []psf.Kernel{psf.Air(unit.Arcsec(wide)), psf.Trail(unit.Arcsec(trail), pa), psf.Box(1, 0)}
	}
	return nil
}

// draw draws the star, of unit light, at x, y in a stamp of side by side pixels.
func (s shape) draw(dst []float64, side int, x, y float64) {
	if k := s.kernels(); k != nil {
		psf.Image(dst, side, side, unit.Px(x), unit.Px(y), 1, 0, k...)
		return
	}
	q := math.Sqrt(1 - s.ellipticity)
	p := drawnProfile(s.fwhm/q, s.fwhm*q, s.angle, 1/s.beta)
	p.x, p.y = x, y
	p.amp = 1 / p.whole()
	// Integrated over the pixels by the rule of Gauss and Legendre of nine nodes
	// near the centre, where the profile bends, of three elsewhere.
	nine := rule{{0, 0.3302393550012598}, {0.3242534234038089, 0.3123470770400029}, {0.6133714327005904, 0.2606106964029354}, {0.8360311073266358, 0.1806481606948574}, {0.9681602395076261, 0.0812743883615744}}
	three := rule{{0, 8.0 / 9}, {0.7745966692414834, 5.0 / 9}}
	for j := range side {
		for i := range side {
			r := three
			if math.Hypot(float64(i)-x, float64(j)-y) < 4*s.fwhm {
				r = nine
			}
			dst[j*side+i] = r.pixel(&p, float64(i), float64(j))
		}
	}
}

// rule is a rule of integration over -1 to 1: nodes from 0 up and their weights.
type rule []struct{ at, weight float64 }

// pixel integrates a profile over the pixel at x, y.
func (r rule) pixel(p *profile, x, y float64) float64 {
	line := func(y float64) float64 {
		sum := r[0].weight * p.at(x, y)
		for _, n := range r[1:] {
			sum += n.weight * (p.at(x-n.at/2, y) + p.at(x+n.at/2, y))
		}
		return sum / 2
	}
	sum := r[0].weight * line(y)
	for _, n := range r[1:] {
		sum += n.weight * (line(y-n.at/2) + line(y+n.at/2))
	}
	return sum / 2
}

// truth returns what a measurement is to find, by package psf's definition.
func (s shape) truth(t *testing.T) psf.Profile {
	if k := s.kernels(); k != nil {
		return psf.Star(k...)
	}
	// The image at every quarter of a pixel, each value integrated over a pixel.
	const finer = 4
	side := finer*int(7*s.fwhm/math.Sqrt(1-s.ellipticity)) | 1
	image := make([]float64, side*side)
	q := math.Sqrt(1 - s.ellipticity)
	p := drawnProfile(s.fwhm/q, s.fwhm*q, s.angle, 1/s.beta)
	five := rule{{0, 128.0 / 225}, {0.5384693101056831, 0.4786286704993665}, {0.9061798459386640, 0.2369268850561891}}
	for j := range side {
		for i := range side {
			image[j*side+i] = five.pixel(&p, float64(i-side/2)/finer, float64(j-side/2)/finer)
		}
	}
	got, _, _, err := psf.FitImage(image, side, side, 1.0/finer, 0)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// studied is what the study of one kind of star adds up.
type studied struct {
	over   sum // squared errors of places over the squared bound
	pulls  sum // and over what is claimed of them
	pull   float64
	widths []float64 // relative errors of the FWHM at a ratio of 50 and more
}

// trial is a frame of n stars of one shape and one ratio of signal to noise.
type trial struct {
	shape
	stamps []stampOf
	side   int // of a cell that holds one star
	snr    float64
	n      int
	want   psf.Profile
}

// run draws the stars of a trial, measures them and compares. The sky has 400
// electrons a pixel, one an ADU.
func (s *trial) run(t *testing.T, r *rand.Rand, add *studied) {
	const sky, read = 400.0, 4.0
	noise2 := sky + read*read
	// The light that has that ratio, from the first stamp.
	flux := s.snr * math.Sqrt(noise2)
	for range 50 {
		sum := 0.0
		for _, v := range s.stamps[0].light {
			sum += v * v / (noise2 + flux*v)
		}
		flux = s.snr / math.Sqrt(sum)
	}
	across := int(math.Ceil(math.Sqrt(float64(s.n))))
	width := across * s.side
	image := make([]float64, width*width)
	var truth []drawn
	for k := range across * across {
		cx, cy := k%across*s.side, k/across*s.side
		one := &s.stamps[r.IntN(len(s.stamps))]
		for j := range s.side {
			for i := range s.side {
				image[(cy+j)*width+cx+i] = flux * one.light[j*s.side+i]
			}
		}
		truth = append(truth, drawn{float64(cx) + one.x, float64(cy) + one.y, flux})
	}
	pixels := make([]uint16, len(image))
	for i, v := range image {
		// Poisson noise is as good as Gaussian at 400 electrons and more.
		pixels[i] = uint16(math.Round(min(max(sky+v+math.Sqrt(noise2+v)*r.NormFloat64(), 0), 65535)))
	}
	// The bound hangs a little on the place within the pixel: its mean.
	var boundX, boundY float64
	known := 0
	for k := range s.stamps {
		if s.stamps[k].dx != nil {
			x, y := s.stamps[k].bound(flux, noise2)
			boundX += x
			boundY += y
			known++
		}
	}
	boundX, boundY = boundX/float64(known), boundY/float64(known)

	got, err := Measure(frame.FromPixels(width, width, pixels), Options{GainElectronPerADU: 1})
	if err != nil || got.Error != "" {
		t.Errorf("%v SNR %.0f: %v %v", s.shape, s.snr, err, got.Error)
		return
	}
	var frame studied
	found, ratio := 0, 0.0
	for _, d := range truth {
		m, ok := nearest(got.Stars, d)
		if !ok {
			continue
		}
		found++
		dx, dy := float64(m.X)-d.x, float64(m.Y)-d.y
		frame.over.add(dx*dx/boundX, dy*dy/boundY)
		px, py := dx/float64(m.XSigma), dy/float64(m.YSigma)
		frame.pulls.add(px*px, py*py)
		frame.pull += px + py
		ratio += m.SNR
	}
	spare := 0
	if s.snr < 50 {
		spare = 1 // noise may make a faint star too narrow for one, or draw it away
	}
	if found < len(truth)-spare || len(got.Stars) > found+spare {
		t.Errorf("%v SNR %.0f: %d stars of %d, and %d besides", s.shape, s.snr, found, len(truth), len(got.Stars)-found)
	}
	off, e := float64(got.FWHM)/float64(s.want.FWHM())-1, got.Ellipticity-s.want.Ellipticity()
	sigma, sigmaE := float64(got.FWHMSigma)/float64(s.want.FWHM()), got.EllipticitySigma
	turned := math.Abs(math.Remainder(float64(got.Angle-s.want.PA)-90, 180))
	if s.fwhm >= 2 && s.snr >= 50 {
		if math.Abs(off) > max(0.01, 3.5*sigma) || math.Abs(e) > max(0.01, 3.5*sigmaE) {
			t.Errorf("%v SNR %.0f: the FWHM is off by %+.2f ± %.2f %%, the ellipticity by %+.4f ± %.4f", s.shape, s.snr, 100*off, 100*sigma, e, sigmaE)
		}
		if s.ellipticity > 0.1 && turned > 2 {
			t.Errorf("%v SNR %.0f: the angle is off by %.1f degrees", s.shape, s.snr, turned)
		}
		add.widths = append(add.widths, off)
	}
	t.Logf("%v SNR %4.0f (%6.1f): FWHM %+.2f ± %.2f %%, e %+.4f ± %.4f, places %.3f of the bound, pulls %+.2f %.3f",
		s.shape, s.snr, ratio/float64(found), 100*off, 100*sigma, e, sigmaE, frame.over.rms(), frame.pull/float64(frame.pulls.n), frame.pulls.rms())
	add.over = sum{add.over.total + frame.over.total, add.over.n + frame.over.n}
	add.pulls = sum{add.pulls.total + frame.pulls.total, add.pulls.n + frame.pulls.n}
	add.pull += frame.pull
}

// stampOf is a drawn star of unit light at a place within its pixel.
type stampOf struct {
	x, y   float64
	light  []float64
	dx, dy []float64 // its derivatives to the place; nil if not drawn
}

// bound returns the least variance of a place that any unbiased estimate can
// have: the inverse of Fisher's information, light and place being sought.
func (s *stampOf) bound(flux, noise2 float64) (x, y float64) {
	var xx, xy, yy float64
	for k, v := range s.light {
		w := flux * flux / (noise2 + flux*v)
		xx += w * s.dx[k] * s.dx[k]
		xy += w * s.dx[k] * s.dy[k]
		yy += w * s.dy[k] * s.dy[k]
	}
	det := xx*yy - xy*xy
	return yy / det, xx / det
}

// stamps draws a shape at n places within a pixel, of the first few with
// derivatives.
func (s shape) stamps(n, side int, r *rand.Rand) []stampOf {
	out := make([]stampOf, n)
	for k := range out {
		o := &out[k]
		o.x, o.y = float64(side/2)+r.Float64()-0.5, float64(side/2)+r.Float64()-0.5
		o.light = make([]float64, side*side)
		s.draw(o.light, side, o.x, o.y)
		if k < 4 {
			o.dx, o.dy = make([]float64, side*side), make([]float64, side*side)
			const h = 0.02
			before := make([]float64, side*side)
			for _, d := range []struct {
				dst    []float64
				hx, hy float64
			}{{o.dx, h, 0}, {o.dy, 0, h}} {
				s.draw(d.dst, side, o.x+d.hx, o.y+d.hy)
				s.draw(before, side, o.x-d.hx, o.y-d.hy)
				for i := range d.dst {
					d.dst[i] = (d.dst[i] - before[i]) / (2 * h)
				}
			}
		}
	}
	return out
}

// TestAccuracy measures drawn stars of every shape, width and brightness that
// docs/measure.md makes claims about: FWHM within 1 % and ellipticity within
// 0.01, or 3.5 of their standard errors where those are more, from 2 to 8 px
// and up to 0.5 at a signal-to-noise ratio of 50 and more;
// places within 1.05 of the bound of Cramér and Rao for Gaussian stars from 1.5
// to 6 px FWHM at 20 and more, within 1.15 for others; errors as large as is
// said of them from 2 px up, at most a tenth larger below. Gaussian stars and air are drawn by package psf, Moffat's by
// summing over pixels. testdata/ref/grid.py does the same by other means.
func TestAccuracy(t *testing.T) {
	widths, shapes, ratios, count, places := []float64{1.5, 2, 3, 4, 6, 8}, []float64{0, 0.2, 0.5}, []float64{20, 50, 200}, 225, 16
	kinds := []shape{{kind: "gauss"}, {kind: "moffat", beta: 2.5}, {kind: "moffat", beta: 3.5}, {kind: "moffat", beta: 4.7}, {kind: "air"}}
	if testing.Short() {
		widths, shapes, ratios, count, places = []float64{2.5}, []float64{0.2}, []float64{20, 60}, 144, 6
		kinds = []shape{kinds[0], kinds[2]}
	}
	for k, kind := range kinds {
		name := kind.kind
		if kind.beta > 0 {
			name += fmt.Sprint(kind.beta)
		}
		t.Run(name, func(t *testing.T) {
			var off []float64
			for _, w := range widths {
				var add studied
				for _, e := range shapes {
					s := kind
					s.fwhm, s.ellipticity, s.angle = w, e, 30
					// The wings of a star must end before the next begins, or there is no sky.
					side := max(48, 16*int(math.Ceil(w/math.Sqrt(1-e)*0.75)))
					if s.kind != "gauss" {
						side = max(64, 16*int(math.Ceil(1.5*w/math.Sqrt(1-e))))
					}
					r := rand.New(rand.NewPCG(uint64(100*w)+uint64(k), uint64(10*e)))
					stamps, want := s.stamps(places, side, r), s.truth(t)
					for _, snr := range ratios {
						one := trial{s, stamps, side, snr, count, want}
						one.run(t, r, &add)
					}
				}
				limit := 1.15
				if kind.kind == "gauss" {
					limit = 1.05
				}
				n := float64(add.over.n)
				// The rms of n numbers scatters by 1/sqrt(2 n).
				if got := add.over.rms(); w <= 6 && !(got < limit*(1+2/math.Sqrt(2*n))) {
					t.Errorf("FWHM %.1f: places are off by %.3f of the bound, want %.2f", w, got, limit)
				}
				mean, spread := add.pull/n, add.pulls.rms()
				// A star narrower than 2 px is no profile of Moffat's on its pixels,
				// by amounts that hang on its place within the pixel.
				if w < 2 && spread > 1.1 || w >= 2 && (math.Abs(mean) > 3.5/math.Sqrt(n) || math.Abs(spread-1) > 0.05+3/math.Sqrt(2*n)) {
					t.Errorf("FWHM %.1f: pulls have mean %.3f and spread %.3f, want 0 and 1", w, mean, spread)
				}
				t.Logf("FWHM %.1f: places %.3f of the bound, pulls %+.3f and %.3f, of %d", w, add.over.rms(), mean, spread, add.over.n)
				off = append(off, add.widths...)
			}
			bias := 0.0
			for _, v := range off {
				bias += v / float64(len(off))
			}
			if math.Abs(bias) > 0.005 {
				t.Errorf("the FWHM is off by %+.2f %% in the mean of %d frames", 100*bias, len(off))
			}
			t.Logf("the FWHM is off by %+.2f %% in the mean of %d frames", 100*bias, len(off))
		})
	}
}
