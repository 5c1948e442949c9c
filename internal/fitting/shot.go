package fitting

import (
	"math"
	"slices"
	"time"

	"holdfast/internal/frame"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// Shot is one frame taken for focus.
type Shot struct {
	Frame    star.Frame
	Radial   *Radial   // nil if it can not be had: then the half-flux diameter alone is used
	Position float64   // of the focuser, as it counts; NaN not known
	Turned   float64   // turns of the focuser since the frame before, out positive; NaN not known
	Sense    int       // of that turn where its size is not known: +1 out, -1 in, 0 not known
	Start    time.Time // of the exposure; zero not known
}

// coarse are the averages in which a frame is looked at for stars far out of
// focus before it is looked at as it is: there they stand out, and are found in
// a fraction of the time.
var coarse = [...]int{16, 4}

// surely is the half-flux diameter, in averaged pixels, of discs that need no
// finer look; hardly is that of those which a whole frame without stars may
// still be judged by.
const surely, hardly = 12, 8

// Examine measures the stars of a frame for focus. Stars wider than some fifty
// pixels are measured on the frame averaged four by four or more; its numbers
// are given in pixels of the whole frame, its fluxes are those of the averaged
// one. Positions, turns and times are left not known. The error is that of
// reading the frame; a frame without stars is none.
func Examine(f *frame.Frame, opt star.Options) (Shot, error) {
	s := Shot{Position: math.NaN(), Turned: math.NaN()}
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
	m, err := star.Measure(f, opt)
	if err != nil {
		return s, err
	}
	if m.StarsFound == 0 && second != nil {
		s.take(f, secondOf, *second, secondScale)
		return s, nil
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
	if n == 1 {
		return
	}
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
