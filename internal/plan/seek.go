package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/detector"
	"holdfast/internal/optics"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Limits of what is sought and seen: common practice, no source.
const (
	sunClear   unit.Deg = 30  // nothing nearer to the Sun is ever aimed at
	seekAlt    unit.Deg = 20  // nor lower, where walls and haze are
	showSNR             = 3.0 // of a pixel: seen on a stretched frame without looking for it
	fineSNR             = 100 // of a star for fine focus
	mostBin             = 8   // pixels averaged to look for a patch
	moonClear  unit.Deg = 3   // of a star for fine focus: nearer lies glare
	seekStars           = 8   // of the brightest stars up, looked at
	brightStar unit.Mag = 3   // that a person finds with the eye
)

// Look is how one target looks on the guide camera at one distance from focus.
type Look struct {
	Turns     float64       `json:"turns"`         // of the focuser from focus; NaN where it has no thread
	Defocus   unit.MM       `json:"defocus_mm"`    // either way
	Patch     unit.Px       `json:"patch_px"`      // diameter of the patch of light
	Peak      unit.Electron `json:"peak_e"`        // its brightest pixel in one exposure, above the sky
	SNR       float64       `json:"peak_snr"`      // that pixel over the noise of the sky
	Fill      float64       `json:"peak_fill"`     // 1 is full
	Within    unit.Arcmin   `json:"within_arcmin"` // pointing error, in any direction, up to which part of the patch is on the sensor
	Bin       int           `json:"shows_binned"`  // pixels averaged, side by side, until it shows: 1 as it is, 0 not even so
	Saturates bool          `json:"saturates"`
	Shows     bool          `json:"shows"`
	Says      string        `json:"says"`
}

// SeekTarget is one bright target that is up.
type SeekTarget struct {
	Name       string      `json:"name"`
	Kind       string      `json:"kind"` // Moon, planet or star
	RA         unit.Deg    `json:"ra_deg"`
	Dec        unit.Deg    `json:"dec_deg"`
	Altitude   unit.Deg    `json:"altitude_deg"`
	Azimuth    unit.Deg    `json:"azimuth_deg"`
	V          unit.Mag    `json:"v_mag"`
	Diameter   unit.Arcmin `json:"diameter_arcmin"` // 0 a point
	SunApart   unit.Deg    `json:"sun_separation_deg"`
	Looks      []Look      `json:"looks"`        // from focus outward
	ShowsTurns float64     `json:"shows_turns"`  // out to how many turns from focus it shows; NaN without a thread
	ShowsMM    unit.MM     `json:"shows_mm"`     // the same as a length; 0 if not even in focus
	Everywhere bool        `json:"shows_always"` // over all of the focuser's travel
	Needs      unit.Second `json:"needs_s"`      // exposure in which it shows over all of the travel
	Advice     string      `json:"advice"`
}

// Rung is one step of the way from finding a target to fine focus.
type Rung struct {
	Do       string      `json:"do"`
	Target   string      `json:"target"`
	RA       unit.Deg    `json:"ra_deg"`
	Dec      unit.Deg    `json:"dec_deg"`
	V        unit.Mag    `json:"v_mag"`
	Exposure unit.Second `json:"exposure_s"`
	Bin      int         `json:"bin"`
	From     unit.MM     `json:"from_mm"` // distances from focus for which it serves
	To       unit.MM     `json:"to_mm"`
	Why      string      `json:"why"`
}

// Refused is a target that must not be aimed at.
type Refused struct {
	Name string   `json:"name"`
	Sun  unit.Deg `json:"sun_separation_deg"`
	Why  string   `json:"why"`
}

// Seek is what the bright targets that are up look like on the guide camera,
// and the way from an empty frame to focus.
type Seek struct {
	Rig      string       `json:"rig"`
	UTC      time.Time    `json:"utc"`
	Exposure unit.Second  `json:"exposure_s"`
	Scale    unit.Scale   `json:"guide_scale_arcsec_px"`
	Width    unit.Arcmin  `json:"width_arcmin"` // of the guide camera's field
	Height   unit.Arcmin  `json:"height_arcmin"`
	Travel   unit.MM      `json:"travel_mm"` // of the focuser, as far from focus as it can be
	Pitch    unit.MM      `json:"pitch_mm"`  // per turn; 0 without a thread
	SunAlt   unit.Deg     `json:"sun_altitude_deg"`
	Targets  []SeekTarget `json:"targets"` // the surest first
	Refused  []Refused    `json:"refused"`
	Ladder   []Rung       `json:"ladder"`
	LeftOut  []string     `json:"left_out"` // targets asked for that are not up
	Why      string       `json:"why"`      // what follows if nothing shows
}

// seeker is a guide camera at an instant, looking for something.
type seeker struct {
	r        *rig.Rig
	o        *sky.Observer
	view     guideView // as seen at the zenith
	exposure unit.Second
	n        float64 // focal ratio
	travel   unit.MM
	pitch    unit.MM
	half     unit.Arcmin // of the shorter side of the field
	toSun    sky.Direction
	toMoon   sky.Direction
}

// MakeSeek returns what the bright targets up at an instant look like on the
// rig's guide camera in one exposure, against distance from focus, and the order
// in which to use them. Of the request only the rig and a named star count. While
// the Sun is above Civil nothing is offered; nor, ever, is what stands within
// sunClear of it. It returns ErrNoGuide without a guide camera, and errors for an
// exposure that is not positive and a site that is not on Earth.
//
// Patches are those of a star spread by a defocused pupil, or of a body's lit
// face spread likewise; brightness is good to the zero point's and extinction's
// tenth, the peak of a patch to a twentieth. The glow of
// twilight is not in the sky.
func MakeSeek(q Request, exposure unit.Second, at time.Time) (*Seek, error) {
	r := q.Rig
	if r.Guide.Kind == rig.NoGuide {
		return nil, ErrNoGuide
	}
	if !(exposure > 0) || math.IsInf(float64(exposure), 1) {
		return nil, fmt.Errorf("plan: seek: the exposure is %v s; want a time above zero", float64(exposure))
	}
	site, err := siteOf(r)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	if at.IsZero() || at.Year() < 1900 || at.Year() > 2099 {
		return nil, fmt.Errorf("plan: seek: the instant is %s; want a date from 1900 to 2099", at.Format(time.RFC3339))
	}
	g := &r.Guide
	s := &seeker{r: r, o: site.At(sky.NewInstant(at)), exposure: exposure, n: float64(g.Focal.V / g.Aperture.V)}
	s.view = viewOf(r, &place{airmass: 1, sky: r.Site.Sky.V})
	s.travel, s.pitch = g.Focuser.Travel.V, g.Focuser.Pitch.V
	sun := s.o.See(sky.Sun)
	s.toSun, s.toMoon = sun.Direction, s.o.See(sky.Moon).Direction
	out := &Seek{Rig: r.Name, UTC: at.UTC(), Exposure: exposure, Scale: s.view.scale, Travel: s.travel, Pitch: s.pitch, SunAlt: sun.TrueAlt}
	bin := g.Camera.Bin.V
	out.Width = s.view.scale.Arcsec(unit.Px(float64(g.Camera.Width.V) / bin)).Arcmin()
	out.Height = s.view.scale.Arcsec(unit.Px(float64(g.Camera.Height.V) / bin)).Arcmin()
	s.half = min(out.Width, out.Height) / 2

	if sun.TrueAlt > sky.Civil {
		out.Why = fmt.Sprintf("the Sun stands %s: wait until it is %.0f degrees below the horizon", height(sun.TrueAlt), -float64(sky.Civil))
		return out, nil
	}
	for _, c := range append(s.bodies(), s.stars(q)...) {
		apart := sky.Separation(c.at, s.toSun)
		if c.place.Alt < seekAlt && !(c.asked && c.place.Alt > 0) {
			if c.asked {
				out.LeftOut = append(out.LeftOut, fmt.Sprintf("%s is not up: it stands %s", c.name, height(c.place.Alt)))
			}
			continue
		}
		if apart < sunClear {
			out.Refused = append(out.Refused, Refused{Name: c.name, Sun: apart,
				Why: fmt.Sprintf("the Sun stands %.0f degrees away; nearer than %.0f it may rise while you aim, and one slip blinds and burns", float64(apart), float64(sunClear))})
			continue
		}
		t := s.target(c)
		t.SunApart = apart
		out.Targets = append(out.Targets, t)
	}
	// The surest first: what shows farthest from focus, then what is brightest.
	sortBy(out.Targets, func(t SeekTarget) float64 {
		if t.Everywhere {
			return -1e6 - t.Looks[len(t.Looks)-1].SNR
		}
		return -float64(t.ShowsMM) - 1e-3*t.Looks[0].SNR/(1+t.Looks[0].SNR)
	})
	s.ladder(out)
	out.Why = s.why(out)
	return out, nil
}

// bright is a target as it stands in the sky.
type bright struct {
	name, kind string
	at         sky.Direction
	place      sky.Place
	v          unit.Mag
	diameter   unit.Arcsec // 0 a point
	lit        float64     // of its disc
	asked      bool        // named by the person
}

// bodies returns the Moon and the planets that a person finds with the eye.
func (s *seeker) bodies() []bright {
	var out []bright
	for b := sky.Moon; b <= sky.Saturn; b++ {
		st := s.o.See(b)
		kind := "planet"
		if b == sky.Moon {
			kind = "Moon"
		}
		out = append(out, bright{name: b.String(), kind: kind, at: st.Direction, place: st.Place, v: st.Mag, diameter: 2 * st.Radius.Arcsec(), lit: st.Illuminated})
	}
	return out
}

// stars returns the brightest stars that are up, and the person's own target
// if it is a star.
func (s *seeker) stars(q Request) []bright {
	var out []bright
	for _, c := range brightStars() {
		p := s.o.Observed(direction(c.RA, c.Dec))
		if p.Alt < seekAlt || sky.Separation(direction(c.RA, c.Dec), s.toSun) < sunClear {
			continue
		}
		out = append(out, bright{name: starName(c), kind: "star", at: direction(c.RA, c.Dec), place: p, v: c.V()})
		if len(out) == seekStars {
			break
		}
	}
	if t := q.Target; t.Name != "" && t.Kind == catalog.SingleStar && t.V < 20 {
		d := direction(t.RA, t.Dec)
		known := slices.ContainsFunc(out, func(b bright) bool { return sky.Separation(b.at, d) < 0.02 })
		if !known {
			out = append(out, bright{name: t.Name, kind: "star", at: d, place: s.o.Observed(d), v: t.V, asked: true})
		}
	}
	return out
}

// brightStars returns the catalogue's stars that a person finds with the eye,
// bright first.
func brightStars() []catalog.Star {
	list := catalog.Cone(nil, 0, 90, 180, brightStar)
	sortBy(list, func(c catalog.Star) float64 { return float64(c.VT) })
	return list
}

// names are proper names of the brightest stars. They are found in the
// catalogue's own list; one that it lacks is skipped.
var names = []string{"Sirius", "Canopus", "Rigil Kentaurus", "Arcturus", "Vega", "Capella", "Rigel", "Procyon", "Achernar", "Betelgeuse", "Hadar",
	"Altair", "Acrux", "Aldebaran", "Antares", "Spica", "Pollux", "Fomalhaut", "Deneb", "Mimosa", "Regulus", "Adhara", "Castor", "Shaula", "Gacrux",
	"Bellatrix", "Elnath", "Alnilam", "Alnitak", "Dubhe", "Mirfak", "Alkaid", "Alhena", "Polaris", "Alphard", "Hamal", "Diphda", "Nunki", "Mirach",
	"Alpheratz", "Rasalhague", "Kochab", "Denebola", "Algol", "Alphecca", "Eltanin", "Schedar", "Mizar", "Caph", "Almach"}

// starName names a star after the nearest proper name within two arcminutes,
// else after its place.
func starName(c catalog.Star) string {
	d := direction(c.RA, c.Dec)
	for _, n := range names {
		if o, err := catalog.Find(n); err == nil && sky.Separation(d, direction(o.RA, o.Dec)) < 2./60 {
			return n
		}
	}
	return fmt.Sprintf("star at %02dh%02dm %+03.0fd", int(c.RA/15), int(math.Mod(float64(c.RA)*4, 60)), float64(c.Dec))
}

// steps are the distances from focus at which a target is looked at.
func (s *seeker) steps() []unit.MM {
	var out []unit.MM
	if s.pitch > 0 {
		for _, turns := range []float64{0, 0.125, 0.25, 0.5, 1, 2, 4, 8, 16, 32} {
			if d := unit.MM(turns) * unit.MM(float64(s.pitch)); d < s.travel || turns == 0 {
				out = append(out, d)
			}
		}
	} else {
		for _, mm := range []unit.MM{0, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 25} {
			if mm < s.travel || mm == 0 {
				out = append(out, mm)
			}
		}
	}
	if s.travel > out[len(out)-1] {
		out = append(out, s.travel)
	}
	return out
}

// target works out how a target looks.
func (s *seeker) target(c bright) SeekTarget {
	t := SeekTarget{Name: c.name, Kind: c.kind, RA: c.at.RA, Dec: c.at.Dec, Altitude: c.place.Alt, Azimuth: c.place.Az, V: c.v, Diameter: c.diameter.Arcmin(), ShowsTurns: math.NaN()}
	for _, d := range s.steps() {
		t.Looks = append(t.Looks, s.look(c, d, s.exposure))
	}
	last := t.Looks[len(t.Looks)-1]
	t.Everywhere = last.Shows
	switch {
	case !t.Looks[0].Shows:
	case t.Everywhere:
		t.ShowsMM = last.Defocus
	default: // the patch dims steadily
		lo, hi := unit.MM(0), last.Defocus
		for hi-lo > 1e-3*hi {
			if mid := (lo + hi) / 2; s.look(c, mid, s.exposure).Shows {
				lo = mid
			} else {
				hi = mid
			}
		}
		t.ShowsMM = lo
	}
	if s.pitch > 0 {
		t.ShowsTurns = float64(t.ShowsMM / s.pitch)
	}
	t.Needs = s.needs(c, last.Defocus)
	t.Advice = s.advise(t)
	return t
}

// needs returns the exposure in which a target shows at a distance from focus:
// the signal grows with the time, sky and read noise less.
func (s *seeker) needs(c bright, d unit.MM) unit.Second {
	lo, hi := 1e-4, 3600.0
	if !s.look(c, d, unit.Second(hi)).Shows {
		return unit.Second(math.Inf(1))
	}
	for hi/lo > 1.01 {
		if mid := math.Sqrt(lo * hi); s.look(c, d, unit.Second(mid)).Shows {
			hi = mid
		} else {
			lo = mid
		}
	}
	return unit.Second(hi)
}

// look works out a target at one distance from focus in one exposure.
func (s *seeker) look(c bright, d unit.MM, exposure unit.Second) Look {
	g := &s.r.Guide
	l := Look{Turns: math.NaN(), Defocus: d}
	if s.pitch > 0 {
		l.Turns = float64(d / s.pitch)
	}
	pixel := float64(g.Camera.BinnedPixel())
	blur := float64(optics.Blur(d.Micron(), s.n)) / pixel
	face := float64(s.view.scale.Px(c.diameter))
	star := float64(s.view.fwhm)
	l.Patch = unit.Px(math.Sqrt(star*star + blur*blur + face*face))
	l.Within = s.half + s.view.scale.Arcsec(l.Patch/2).Arcmin()
	flux := s.view.light.Star(c.v+detector.Extinction(s.r.Site.Extinction.V, c.place.Airmass)) * float64(exposure)
	share := patch(s.view.bare, unit.Px(blur), g.Obstruction.V)
	if face > 0 {
		share = min(share, 1/(math.Pi/4*face*face*max(c.lit, 0.01)))
	}
	l.Peak = unit.Electron(flux * share)
	mu := s.o.Sky(c.at, s.r.Site.Sky.V, s.r.Site.Extinction.V)
	if c.kind == "Moon" { // its own light is not sky
		mu = sky.DarkSky(s.r.Site.Sky.V, 90-c.place.Alt, s.r.Site.Extinction.V)
	}
	bin := g.Camera.Bin.V
	ground := (s.view.light.Sky(mu, s.view.scale) + g.Camera.DarkElectronPerS.V*bin*bin) * float64(exposure)
	l.SNR = float64(l.Peak) / math.Sqrt(ground+sq(float64(s.view.readNoise)))
	l.Fill = s.view.well.Fill(l.Peak, 1, unit.Electron(ground))
	l.Saturates = l.Fill >= 1
	l.Shows = l.SNR >= showSNR
	for b := 1; b <= mostBin && (b == 1 || unit.Px(2*b) <= l.Patch); b *= 2 {
		if l.SNR*float64(b) >= showSNR { // noise averages, the patch does not
			l.Bin = b
			break
		}
	}
	switch {
	case l.Saturates:
		l.Says = "white, saturated"
	case l.SNR >= 100:
		l.Says = "bright"
	case l.Shows:
		l.Says = "shows on a stretched frame"
	case l.Bin > 0:
		l.Says = fmt.Sprintf("drowned, but shows with %d x %d pixels averaged", l.Bin, l.Bin)
	default:
		l.Says = "drowned"
	}
	return l
}

// patch returns the share of a star's light that falls into the brightest
// pixel when it is spread by a defocused pupil with a hole: the most, over the
// radius, of the pupil's disc convolved with a Gaussian that holds the star in
// focus and the pixel; in focus that of the pixel itself.
func patch(bare, disc unit.Px, obstruction float64) float64 {
	most := detector.PeakFraction(bare, 0, 0)
	outer := float64(disc) / 2
	inner := outer * obstruction
	area := math.Pi * (outer*outer - inner*inner)
	sigma := math.Sqrt(sq(float64(bare)/fwhmPerSigma) + 1./12)
	if outer < 1e-3*sigma {
		return most
	}
	if outer-inner > 6*sigma { // a plateau
		return min(most, 1/area)
	}
	best := 0.0
	const steps = 12
	for i := range steps {
		r := outer * float64(i) / steps
		best = max(best, covered(r, outer, sigma)-covered(r, inner, sigma))
	}
	return min(most, best/area)
}

// covered returns the share of a round Gaussian, its centre at distance r from
// that of a disc, that falls into the disc.
//
// Derived: in polar coordinates about the Gaussian's centre, ray by ray.
func covered(r, radius, sigma float64) float64 {
	const rays = 64
	beyond := func(d float64) float64 { return math.Exp(-d * d / (2 * sigma * sigma)) }
	sum := 0.0
	for i := range rays {
		sin, cos := math.Sincos(math.Pi * (float64(i) + 0.5) / rays)
		half2 := radius*radius - r*r*sin*sin
		switch {
		case r < radius:
			sum += 1 - beyond(r*cos+math.Sqrt(half2))
		case half2 > 0 && cos > 0:
			sum += beyond(r*cos-math.Sqrt(half2)) - beyond(r*cos+math.Sqrt(half2))
		}
	}
	return sum / rays
}

// advise says what to change for a target.
func (s *seeker) advise(t SeekTarget) string {
	focus := t.Looks[0]
	switch {
	case t.Everywhere:
		return "shows wherever the focuser stands: if it does not, it is not in the field, or a cap is on"
	case t.Needs < 60:
		return fmt.Sprintf("expose %s to see it wherever the focuser stands; at %s it shows %s from focus at most", t.Needs.Say(), s.exposure.Say(), s.way(t.ShowsMM))
	case t.ShowsMM > 0:
		return fmt.Sprintf("shows only within %s of focus at %s", s.way(t.ShowsMM), s.exposure.Say())
	}
	return fmt.Sprintf("does not show in %s even in focus (%.1f of the noise): expose longer", s.exposure.Say(), focus.SNR)
}

// way says a distance along the focuser as a hand counts it.
func (s *seeker) way(d unit.MM) string {
	if s.pitch > 0 {
		return fmt.Sprintf("%.2g turns", float64(d/s.pitch))
	}
	return fmt.Sprintf("%.2g mm", float64(d))
}

// why says what follows if nothing shows.
func (s *seeker) why(out *Seek) string {
	if len(out.Targets) == 0 {
		return "no bright target is up high enough and far enough from the Sun: wait"
	}
	t := out.Targets[0]
	if t.Everywhere {
		return fmt.Sprintf("aim at %s (altitude %.0f, azimuth %.0f): in %s it shows wherever the focuser stands, as a patch of up to %.0f px. If nothing shows, focus is not the reason: it is more than %.0f arcmin off the middle of the field, or a cap is on. Search in steps of %.0f arcmin with a wide eyepiece or the imaging camera as a guide",
			the(t.Name), float64(t.Altitude), float64(t.Azimuth), out.Exposure.Say(), float64(t.Looks[len(t.Looks)-1].Patch), float64(s.half), float64(1.6*s.half))
	}
	// The exposure that decides.
	best := slices.MinFunc(out.Targets, func(a, b SeekTarget) int {
		switch {
		case a.Needs < b.Needs:
			return -1
		case a.Needs > b.Needs:
			return 1
		}
		return 0
	})
	if !(best.Needs < 3600) {
		return fmt.Sprintf("nothing that is up shows over all of the focuser's travel: aim at %s, which shows within %s of focus, and step the focuser through its travel in pieces of twice that", the(t.Name), s.way(t.ShowsMM))
	}
	return fmt.Sprintf("in %s nothing that is up shows over all of the focuser's travel: expose %s on %s (altitude %.0f, azimuth %.0f), or stay with %s and step the focuser in pieces of %s",
		out.Exposure.Say(), best.Needs.Say(), the(best.Name), float64(best.Altitude), float64(best.Azimuth), the(t.Name), s.way(2*t.ShowsMM))
}

// ladder fills the way from finding to fine focus.
func (s *seeker) ladder(out *Seek) {
	if len(out.Targets) == 0 {
		return
	}
	bin := int(s.r.Guide.Camera.Bin.V)
	first := out.Targets[0]
	c := bright{at: direction(first.RA, first.Dec), place: s.o.Observed(direction(first.RA, first.Dec)), v: first.V, diameter: first.Diameter.Arcsec(), lit: 1, kind: first.Kind}
	find := s.exposure
	if !first.Everywhere && first.Needs < 10 {
		find = first.Needs
	}
	find = min(find, s.unsaturated(c, s.travel)) // a patch that is white all over does not show its size
	zone := optics.CriticalZone(s.r.Imaging.Wavelength.V, s.n, s.r.Guide.Camera.BinnedPixel(), 1).MM()
	near := 10 * zone // how near a large patch leads
	out.Ladder = append(out.Ladder, Rung{Do: "find", Target: first.Name, RA: first.RA, Dec: first.Dec, V: first.V, Exposure: find, Bin: bin, From: s.travel, To: near,
		Why: "the surest of what is up: shrink its patch, count the turns, and go back if it grows"})
	// Near focus a bright target fills its pixels and has no width any more: less
	// time, then a star that is bright enough to be measured and no brighter.
	if short := s.unsaturated(c, 0); short < find {
		full := s.fills(c, find)
		out.Ladder[0].To = max(full, near)
		if full > near {
			out.Ladder = append(out.Ladder, Rung{Do: "close in", Target: first.Name, RA: first.RA, Dec: first.Dec, V: first.V, Exposure: short, Bin: bin, From: full, To: near,
				Why: fmt.Sprintf("nearer than %s its pixels are full in %s, and a full patch shows no change: it stays measurable in %s", s.way(full), find.Say(), short.Say())})
		}
	}
	if fine := s.fineStar(c, out); fine != nil {
		fine.From = near
		out.Ladder = append(out.Ladder, *fine)
	}
}

// fills returns the distance from focus within which a target saturates in an
// exposure.
func (s *seeker) fills(c bright, exposure unit.Second) unit.MM {
	lo, hi := unit.MM(0), s.travel
	if s.look(c, hi, exposure).Saturates {
		return hi
	}
	for hi-lo > 1e-3*hi {
		if mid := (lo + hi) / 2; s.look(c, mid, exposure).Saturates {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// the puts the article before the Moon and before a star without a name.
func the(name string) string {
	if name == sky.Moon.String() || strings.HasPrefix(name, "star ") {
		return "the " + name
	}
	return name
}

// height says an altitude.
func height(alt unit.Deg) string {
	if alt < 0 {
		return fmt.Sprintf("%.0f degrees below the horizon", -float64(alt))
	}
	return fmt.Sprintf("%.0f degrees up", float64(alt))
}

// unsaturated returns the exposure that fills a target's brightest pixel to
// four fifths at a distance from focus.
func (s *seeker) unsaturated(c bright, d unit.MM) unit.Second {
	lo, hi := 1e-6, 3600.0
	for hi/lo > 1.01 {
		if mid := math.Sqrt(lo * hi); s.look(c, d, unit.Second(mid)).Fill > mostFill {
			hi = mid
		} else {
			lo = mid
		}
	}
	return unit.Second(lo)
}

// fineStar returns the rung of the star for fine focus: not saturated, bright
// enough to be measured well in one exposure, near to where the telescope looks
// already.
func (s *seeker) fineStar(from bright, out *Seek) *Rung {
	exposure := s.exposure
	exposure = min(max(exposure, 0.5), 4)
	reach := func(snr float64) unit.Mag { return s.view.faintest(snr, exposure) }
	faint := reach(fineSNR)
	limit := faint // the brightest that does not saturate
	for limit > -2 && !s.view.saturates(limit-0.1, exposure) {
		limit -= 0.1
	}
	for radius := unit.Deg(3); radius <= 24; radius *= 2 {
		// The brightest within reach that does not saturate; near ones first.
		var best *catalog.Star
		var apart unit.Deg
		for _, c := range catalog.Cone(nil, from.at.RA, from.at.Dec, radius, min(faint, limit+1)) {
			d := direction(c.RA, c.Dec)
			if c.VT < limit || best != nil && c.VT >= best.VT || s.o.Observed(d).Alt < seekAlt || sky.Separation(d, s.toSun) < sunClear ||
				sky.Separation(d, s.toMoon) < moonClear {
				continue
			}
			if s.lonely(c) {
				apart, best = sky.Separation(d, from.at), &c
			}
		}
		if best != nil {
			return &Rung{Do: "focus finely", Target: starName(*best), RA: best.RA, Dec: best.Dec, V: best.V(), Exposure: exposure, Bin: int(s.r.Guide.Camera.Bin.V),
				Why: fmt.Sprintf("%.1f degrees from %s; it does not saturate in %s and is measured at %.0f times the noise", float64(apart), the(out.Ladder[0].Target), exposure.Say(), s.view.spot(best.VT, exposure).SNR())}
		}
	}
	return nil
}

// lonely reports whether no star at all comparable stands within what a blurred
// star covers.
func (s *seeker) lonely(c catalog.Star) bool {
	around := s.view.scale.Arcsec(30).Deg()
	return len(catalog.Cone(nil, c.RA, c.Dec, around, c.VT+2)) <= 1
}
