package star

import (
	"math"

	"holdfast/internal/unit"
)

// unknown returns a summary of which nothing is known.
func unknown() Summary {
	n := math.NaN()
	return Summary{unit.Px(n), unit.Px(n), n, n, unit.Deg(n), unit.Px(n), unit.Px(n), n}
}

// summarise fills the summary and the flags of the frame from its good stars:
// those with no flag that spoils them and a signal-to-noise ratio of 20 or, if
// less than five have that, of 8.
//
// The ellipticity is that of the mean shape: its components along x and along
// the diagonal are averaged (as medians), so that noise, which draws each star
// its own way, cancels instead of adding up.
//
// Most of the stars may share an exponent; what its error, tailSigma, does to
// all of their widths alike is part of the error of the FWHM.
func (f *Frame) summarise(tailSigma float64) {
	good := f.good(20)
	if len(good) < 5 {
		good = f.good(8)
	}
	f.Measured = len(good)
	if len(good) == 0 {
		return
	}
	if len(good) < 5 {
		f.Flags |= FewStars
	}
	var fwhm, hfd, along, across, tail []float64
	soft, shared := 0, 0
	for _, k := range good {
		s := &f.Stars[k]
		if w := math.Sqrt(float64(s.Major) * float64(s.Minor)); w == w {
			fwhm = append(fwhm, w)
		}
		if s.HFD == s.HFD {
			hfd = append(hfd, float64(s.HFD))
		}
		if e := s.Ellipticity; e == e {
			sin, cos := math.Sincos(2 * float64(s.Angle.Rad()))
			along, across = append(along, e*cos), append(across, e*sin)
		}
		if s.Tail == s.Tail {
			tail = append(tail, s.Tail)
		}
		if s.Flags&Defocused != 0 {
			soft++
		}
		if s.Flags&SharedTail != 0 {
			shared++
		}
	}
	w, se := middle(fwhm)
	if 2*shared > len(good) && tailSigma > 0 {
		se = math.Hypot(se, tailNarrows*w*tailSigma)
	}
	f.FWHM, f.FWHMSigma = unit.Px(w), unit.Px(se)
	h, se := middle(hfd)
	f.HFD, f.HFDSigma = unit.Px(h), unit.Px(se)
	a, sa := middle(along)
	c, sc := middle(across)
	f.Ellipticity, f.EllipticitySigma = math.Hypot(a, c), math.Hypot(sa, sc)/math.Sqrt2
	angle := math.Atan2(c, a) / 2 * 180 / math.Pi
	if angle < 0 {
		angle += 180
	}
	f.Angle = unit.Deg(angle)
	f.Tail = median(tail)
	if f.Ellipticity > 0.25 {
		f.Flags |= Trailed
	}
	if 2*soft > len(good) {
		f.Flags |= Defocused
	}
}

// tailNarrows is by what part the profile fitted to a star narrows if its
// exponent is held too large by one: 0.29 for a Gaussian of 2 px to 0.44 for
// the widest tails, from fits to profiles without noise.
const tailNarrows = 0.38

// good returns which stars no flag spoils and whose ratio of signal to noise is
// at least snr, brightest first and at most 1000.
func (f *Frame) good(snr float64) []int {
	var good []int
	for k := range f.Stars {
		if s := &f.Stars[k]; s.Flags&unfit == 0 && s.SNR >= snr && len(good) < 1000 {
			good = append(good, k)
		}
	}
	return good
}

// middle returns the median of v and its standard error as the scatter tells
// it; NaN where there are too few. It reorders v.
func middle(v []float64) (m, se float64) {
	m = median(v)
	if len(v) < 3 {
		return m, math.NaN()
	}
	// The median of Gaussian numbers is 1.2533 times as uncertain as the mean.
	return m, 1.2533 * scatter(v, m) / math.Sqrt(float64(len(v)))
}
