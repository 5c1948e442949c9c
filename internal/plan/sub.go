package plan

import (
	"fmt"
	"math"

	"holdfast/internal/detector"
	"holdfast/internal/ledger"
	"holdfast/internal/optics"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// shortestSub and longestSub bound the search for the longest round sub; a
// longer one is reported as the bound.
const (
	shortestSub unit.Second = 0.5
	longestSub  unit.Second = 3600
)

// longestRound returns the longest sub whose stars meet the ellipticity goal at
// the centre and in the corner and are not wider than those of the shortest sub
// by more than the goal allows, between half a second and an hour, to 1 %; zero
// when not even the shortest does. A mount that errs on both axes alike would
// else keep stars round for ever, as discs.
func (s *scene) longestRound() unit.Second {
	widest := s.evaluate(shortestSub, steady).pair.Centre.FWHM() * unit.Arcsec(s.rig.Goal.FWHMRatio.V)
	round := func(t unit.Second) bool {
		o := s.evaluate(t, steady)
		v := o.verdict()
		return (v == ledger.Round || v == ledger.Soft) && o.pair.Centre.FWHM() <= widest
	}
	lo, hi := shortestSub, longestSub
	if round(hi) {
		return hi
	}
	if !round(lo) {
		return 0
	}
	for hi > 1.01*lo {
		mid := unit.Second(math.Sqrt(float64(lo) * float64(hi)))
		if round(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// imageScale returns the scale of the imaging camera's binned pixels.
func (s *scene) imageScale() unit.Scale {
	return optics.Scale(s.rig.Imaging.Camera.BinnedPixel(), s.rig.Imaging.FocalLength())
}

// bestSub returns the sub that turns most of the clock into picture: read noise
// asks for long ones, overhead too, spoiled subs for short ones; the longest
// round one is the ceiling.
func (s *scene) bestSub(longest unit.Second) (unit.Second, string) {
	r := s.rig
	c := &r.Imaging.Camera
	light := detector.Collector{Aperture: r.Imaging.Aperture.V, Obstruction: r.Imaging.Obstruction.V,
		Transmission: r.Imaging.Transmission.V, ZeroPointElectronPerSCm2: c.ZeroPointElectronPerSCm2.V}
	bin2 := c.Bin.V * c.Bin.V
	skyRate := light.Sky(s.place.sky, s.imageScale()) + c.DarkElectronPerS.V*bin2
	overhead := r.Sub.Overhead.V
	if r.Sub.Dither.V > 0 {
		overhead += r.Sub.Settle.V
	}
	best := detector.SubPlan{Overhead: overhead, SpoiledPerHour: r.Sub.SpoiledPerHour.V,
		ReadNoise: c.ReadNoise.V, SkyElectronPerS: skyRate}.Best()
	quiet := detector.ReadNoiseSub(c.ReadNoise.V, skyRate, 0.05)
	why := fmt.Sprintf("read noise is 5 %% of the sky's noise at %s; overhead and spoiled subs balance at %s", quiet.Say(), best.Say())
	if math.IsInf(float64(best), 1) || best > longestSub {
		best = longestSub
		why = fmt.Sprintf("read noise is 5 %% of the sky's noise at %s; nothing asks for shorter subs", quiet.Say())
	}
	if longest > 0 && best > longest {
		return longest, why + "; stars stay round for no longer than this"
	}
	return best, why
}

// polarLimits returns the reasons to align the polar axis, one by one, each
// with the error at which it begins to matter, the strictest first.
func (s *scene) polarLimits(sub unit.Second, n *night) []PolarLimit {
	r := s.rig
	if r.Mount.Kind == rig.AltAzimuth {
		return nil
	}
	scale := s.imageScale()
	cosDec := math.Cos(float64(s.place.at.Dec.Rad()))
	turn := sky.EarthRateRad // radians per second
	arm := s.arm()
	g := goal(r)
	// The trail that alone would take the star, were all else perfect, to its
	// limit.
	drawnCorner := s.trailFor(g.EllipticityCorner)
	drawn := s.trailFor(g.Ellipticity)
	arcmin := func(rad float64) unit.Arcmin { return unit.Rad(rad).Arcsec().Arcmin() }

	ls := []PolarLimit{{
		Why:    fmt.Sprintf("field rotation draws the corner of one %s sub", sub.Say()),
		Arcmin: arcmin(float64(drawnCorner) / float64(arm) * cosDec / (turn * float64(sub))),
	}}
	if _, holdsDec := s.holds(); !holdsDec {
		ls = append(ls, PolarLimit{
			Why:    fmt.Sprintf("declination drift, which nothing corrects, draws one %s sub", sub.Say()),
			Arcmin: arcmin(float64(drawn.Rad()) / (turn * float64(sub))),
		})
	} else {
		const gap = 60.0
		ls = append(ls, PolarLimit{
			Why:    fmt.Sprintf("a %.0f s cloud over the guide star lets the star drift until it is drawn", gap),
			Arcmin: arcmin(float64(drawn.Rad()) / (turn * gap)),
		})
		lag := scale.Arcsec(0.5)
		ls = append(ls, PolarLimit{
			Why:    "the correction lags by half a pixel of the imaging camera",
			Arcmin: arcmin(float64(lag.Rad()) * s.hold.gainDec / (turn * float64(s.hold.cycle))),
		})
	}
	// Over the window the field turns by error times chord over cos dec.
	chord := n.chord()
	c := &r.Imaging.Camera
	half := math.Hypot(float64(c.Width.V), float64(c.Height.V)) / 2
	ls = append(ls, PolarLimit{
		Why:    fmt.Sprintf("the field turns by 1 %% of the half diagonal (%.0f px) over the window, which stacking must crop", half/100),
		Arcmin: arcmin(0.01 * cosDec / chord),
	})
	sortBy(ls, func(l PolarLimit) float64 { return float64(l.Arcmin) })
	return ls
}

// trailFor returns the length of the trail that draws the unavoidable star to
// the given ellipticity.
func (s *scene) trailFor(ellipticity float64) unit.Arcsec {
	base := s.unavoidable()
	lo, hi := unit.Arcsec(0), base.Star().FWHM()*20
	for range 30 {
		mid := (lo + hi) / 2
		row := ledger.Row{Term: ledger.Drift}.Trail(ledger.Move{North: mid})
		if append(base[:len(base):len(base)], row).Star().Ellipticity() < ellipticity {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// unavoidable returns the rows of a star held and focused perfectly.
func (s *scene) unavoidable() ledger.Ledger {
	return s.opticalRows(turbulence(s.rig).At(s.place.airmass)).Unavoidable()
}
