package fitting

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"holdfast/internal/frame"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// Shot is one frame taken for focus.
type Shot struct {
	Frame  star.Frame
	Radial *Radial // nil if it can not be had: then the half-flux diameter alone is used

	averaged int // the frame was measured averaged so many by so many
}

// coarse are the averages in which a frame is looked at for stars far out of
// focus before it is looked at as it is: there they stand out, and are found in
// a fraction of the time.
var coarse = [...]int{16, 4}

// surely is the half-flux diameter, in averaged pixels, of discs that need no
// finer look; hardly is that of those which a whole frame without stars may
// still be judged by.
const surely, hardly = 12, 8

// wholeMost is the size of frames, pixels, whose edges are looked for as they are.
const wholeMost = 10_000_000

// Examine measures the stars of a frame for focus. Stars wider than some fifty
// pixels are measured on the frame averaged four by four or more; its numbers
// are given in pixels of the whole frame, its fluxes are those of the averaged
// one. The error is that of reading the frame; a frame without stars is none.
func Examine(f *frame.Frame, opt star.Options) (Shot, error) {
	s := Shot{averaged: 1}
	var second *star.Frame // what to fall back on
	var secondOf *frame.Frame
	var secondScale int
	for _, n := range coarse {
		if f.Width < 48*n || f.Height < 48*n {
			continue
		}
		b, err := f.Binned(n)
		if err != nil {
			return s, err
		}
		m, err := star.Measure(b, opt)
		if err != nil {
			return s, err
		}
		// Only discs count: what is a point here may be anything.
		if m.Flags&star.Defocused == 0 || m.Measured == 0 || !(m.HFD > hardly) {
			continue
		}
		if m.HFD > surely {
			s.take(f, b, m, n)
			return s, nil
		}
		second, secondOf, secondScale = &m, b, n
	}
	for _, n := range [...]int{16, 8} {
		if ok, err := s.ringed(f, n); ok || err != nil {
			return s, err
		}
	}
	m, err := star.Measure(f, opt)
	if err != nil {
		return s, err
	}
	if m.StarsFound == 0 && second != nil {
		s.take(f, secondOf, *second, secondScale)
		return s, nil
	}
	// Discs whose flat tops were taken for full pixels are read too.
	if m.Measured == 0 {
		for _, n := range [...]int{4, 2, 1} {
			if n == 1 && f.Width*f.Height > wholeMost {
				break
			}
			if ok, err := s.ringed(f, n); ok || err != nil {
				return s, err
			}
		}
	}
	s.take(f, f, m, 1)
	return s, nil
}

// take fills the shot from a measurement of the frame averaged n by n.
func (s *Shot) take(whole, looked *frame.Frame, m star.Frame, n int) {
	s.Frame = m
	if m.StarsFound > 0 {
		if r, err := NewRadial(looked, m); err == nil {
			s.Radial = r
		}
	}
	s.enlarge(whole, n)
}

// enlarge turns what was measured on the frame averaged n by n into pixels of
// the whole frame.
func (s *Shot) enlarge(whole *frame.Frame, n int) {
	if n == 1 {
		return
	}
	s.averaged = n
	s.Frame = enlarged(s.Frame, float64(n))
	s.Frame.Width, s.Frame.Height = whole.Width, whole.Height
	if s.Radial != nil {
		s.Radial = s.Radial.enlarged(float64(n))
	}
}

// enlarged returns the measurement of a frame averaged down in pixels of the
// whole frame. Fluxes are those of the averaged frame.
func enlarged(m star.Frame, k float64) star.Frame {
	grow := func(lengths ...*unit.Px) {
		for _, l := range lengths {
			*l *= unit.Px(k)
		}
	}
	grow(&m.FWHM, &m.FWHMSigma, &m.HFD, &m.HFDSigma)
	m.Stars = slices.Clone(m.Stars)
	for i := range m.Stars {
		s := &m.Stars[i]
		grow(&s.X, &s.Y, &s.XSigma, &s.YSigma, &s.Major, &s.Minor, &s.MomentMajor, &s.MomentMinor, &s.HFD)
		s.X, s.Y = s.X+unit.Px((k-1)/2), s.Y+unit.Px((k-1)/2)
	}
	return m
}

// enlarged returns the profile in pixels k times smaller.
func (p *Radial) enlarged(k float64) *Radial {
	out := &Radial{HFD: p.HFD * unit.Px(k), Stars: p.Stars}
	for i := range p.Radius {
		out.Radius = append(out.Radius, p.Radius[i]*unit.Px(k))
		out.Light = append(out.Light, p.Light[i]/(k*k))
		out.Sigma = append(out.Sigma, p.Sigma[i]/(k*k))
	}
	return out
}

// mostMisfit is the reduced chi squared up to which a disc is believed to be the
// pupil's. Discs drawn alone leave 0.1 to 1, in a crowd up to 5: common practice,
// no source.
const mostMisfit = 20

// Sample returns what the shot says of focus behind the telescope. An obstruction
// of NaN is found from the disc; without focal ratio or pixel the disc is taken for
// geometry's. Of a frame whose stars show no disc, or one that no pupil makes, Disc
// is zero and the half-flux diameter stands alone. File, position and time are left
// open.
//
// A disc shows if no star in focus of any width, with wings or without, describes
// the light as well as the pupil's image spread by such a star does, by 12 of chi
// squared, and if it is at least 1.2 times as wide as that star.
func (s Shot) Sample(l Light) Sample {
	m := s.Frame
	k := Sample{Position: math.NaN(), HFD: unit.Unknown[unit.Px](), Hole: math.NaN(), Misfit: math.NaN()}
	if m.StarsFound == 0 || math.IsNaN(float64(m.HFD)) {
		k.Why = strings.TrimPrefix(m.Error, "star: ")
		if k.Why == "" {
			k.Why = fmt.Sprintf("none of %d stars is fit to measure", m.StarsFound)
		}
		return k
	}
	k.HFD, k.Stars = unit.Est[unit.Px]{V: m.HFD, SE: m.HFDSigma}, max(m.Measured, 1)
	if !(m.HFDSigma > 0) {
		k.HFD.SE = m.HFD / 20 // of a few stars that do not tell their scatter
	}
	if s.Radial == nil {
		return k
	}
	p, ok := s.Radial.fit(l.Obstruction, l.airy())
	if !ok || !p.resolved || p.misfit > mostMisfit {
		return k
	}
	k.Disc = unit.Est[unit.Px]{V: unit.Px(p.disc), SE: unit.Px(p.discSigma)}
	k.Hole, k.Misfit = p.hole, p.misfit
	if s.averaged == 1 {
		k.InFocus = unit.Est[unit.Px]{V: unit.Px(p.fwhm), SE: unit.Px(p.fwhmSigma)}
	}
	return k
}
