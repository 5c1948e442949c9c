package fitting

import (
	"fmt"
	"math"
	"strings"
	"time"

	"holdfast/internal/optics"
	"holdfast/internal/unit"
)

// Light is the telescope in front of the sensor whose focus is sought.
type Light struct {
	FNumber     float64
	Obstruction float64     // diameter of the central obstruction over the aperture's; NaN, which Sample alone takes, is not known
	Pixel       unit.Micron // binned
	Wavelength  unit.Micron // 0 is 0.55
	Pitch       unit.MM     // by which a turn of the focuser moves the focus; 0 where it does not turn or is not known
	InTurns     bool        // positions are counted in turns
	Sharp       unit.Px     // half-flux diameter of a star in focus; 0 is not known
	SharpSE     unit.Px     // its standard error; 0 is a thirtieth of it
}

// airy returns the wavelength times the focal ratio in pixels, 0 if that is not
// known.
func (l Light) airy() float64 {
	if !(l.FNumber > 0) || !(l.Pixel > 0) {
		return 0
	}
	if l.Wavelength == 0 {
		l.Wavelength = wavelengthUsual
	}
	return l.FNumber * float64(l.Wavelength/l.Pixel)
}

// wavelengthUsual is the middle of what an eye sees.
const wavelengthUsual unit.Micron = 0.55

// sharpAssumed is the half-flux diameter taken for a star in focus where none
// is known, good to a fifth: common practice, no source.
const sharpAssumed unit.Px = 2.5

// Sample is what one frame says of focus. A larger position is taken to be
// farther out.
type Sample struct {
	File     string
	Position float64           // of the focuser; NaN where it is not known
	HFD      unit.Est[unit.Px] // half-flux diameter of its stars; NaN without any
	Disc     unit.Est[unit.Px] // outer diameter of the pupil's disc; 0 where none shows
	InFocus  unit.Est[unit.Px] // FWHM of the star that the disc spreads; 0 where it is not known
	Hole     float64           // of the disc, over its diameter
	Misfit   float64           // reduced chi squared of the disc
	Stars    int
	Start    time.Time // of the exposure; zero where it is not known
	Locked   bool      // taken after the focuser was locked
	Why      string    // why there are no stars
}

// shows reports whether the frame shows the pupil's disc.
func (k Sample) shows() bool { return k.Disc.V > 0 }

// The verdicts on focus.
const (
	InFocus    = "in focus"
	OutOfFocus = "out of focus"
	Found      = "found"       // the best position is inside the run
	Beyond     = "beyond"      // it lies outside the run, by extrapolation
	TooShallow = "too shallow" // what the frames show does not stand out of what they scatter
	NoStars    = "no stars"
)

// The measures a distance comes from.
const (
	byDisc = "disc"
	byHFD  = "half-flux diameter"
	byRun  = "run"
)

// Focus is what frames say about focus. Numbers that are not known are NaN.
type Focus struct {
	Verdict   string `json:"verdict"`
	Why       string `json:"why"`
	Direction string `json:"direction"` // in, out or unknown: where the focuser must go

	Defocus      unit.MM `json:"defocus_mm"` // distance of the sensor from focus at the last frame, unsigned
	DefocusSigma unit.MM `json:"defocus_sigma_mm"`
	By           string  `json:"defocus_by"` // disc, half-flux diameter, run, or nothing
	Turns        float64 `json:"turns"`      // of the focuser that make it up
	TurnsSigma   float64 `json:"turns_sigma"`

	BestPosition      float64 `json:"best_position"` // when approached as Approach says
	BestPositionSigma float64 `json:"best_position_sigma"`
	Approach          string  `json:"approach"`   // in, out or unknown: how the best position is to be reached
	LastMove          string  `json:"last_move"`  // in, out or unknown: how the focuser came to where the last frame was taken
	Hysteresis        float64 `json:"hysteresis"` // play of the focuser, in its counts: by so much more must it go out than in
	HysteresisSigma   float64 `json:"hysteresis_sigma"`
	Step              unit.MM `json:"step_mm"` // by which one count moves the focus
	StepSigma         unit.MM `json:"step_sigma_mm"`
	Slope             float64 `json:"slope_px"` // by which a count widens the half-flux diameter far from focus
	SlopeSigma        float64 `json:"slope_sigma_px"`

	Zone       unit.MM `json:"zone_mm"` // half of the zone in which it does not matter
	ZoneTurns  float64 `json:"zone_turns"`
	ZoneCounts float64 `json:"zone_counts"` // the same in counts of the focuser

	Blur         unit.Px `json:"blur_px"` // disc of the last frame
	BlurSigma    unit.Px `json:"blur_sigma_px"`
	SharpPx      unit.Px `json:"sharp_hfd_px"` // half-flux diameter in focus, found or assumed
	SharpSigma   unit.Px `json:"sharp_hfd_sigma_px"`
	SharpAssumed bool    `json:"sharp_assumed"`
	LimitedBy    string  `json:"limited_by"`        // air, sensor or unknown: what keeps a star in focus from being smaller
	Scatter      unit.Px `json:"seeing_scatter_px"` // of the width in focus from frame to frame, beyond the errors of measurement
	Drift        float64 `json:"seeing_drift"`      // part by which the width in focus grew over the run, which is taken out; NaN if that can not be told

	Lock *Lock `json:"lock"` // nil if no frame was taken locked

	Frames []Reading `json:"frames"`
	Used   int       `json:"frames_used"`
	Left   []string  `json:"frames_left_out"` // with the reason
}

// Reading is one frame of the answer.
type Reading struct {
	File      string  `json:"file"`
	Position  float64 `json:"position"`
	Locked    bool    `json:"locked"`
	HFD       unit.Px `json:"hfd_px"`
	HFDSigma  unit.Px `json:"hfd_sigma_px"`
	Disc      unit.Px `json:"disc_px"` // NaN where none shows
	DiscSigma unit.Px `json:"disc_sigma_px"`
	Hole      float64 `json:"hole"`
	Misfit    float64 `json:"misfit"`
	Stars     int     `json:"stars"`
}

// FindFocus returns what the looks say: from one frame a distance, from two
// which way is better, from a run with positions the best one, from frames before
// and after locking what the lock moved. Frames without stars are left out and
// named. Looks stand in the order in which they were taken.
//
// The distance of a frame is that of its disc, if its stars show one; otherwise
// that of its half-flux diameter, which needs the width of a star in focus.
//
// Source: geometric image of the pupil (optics.BlurDefocus); half-flux diameter
// of a Gaussian star spread by it (optics.DefocusedHalfFlux).
func FindFocus(looks []Sample, l Light) Focus {
	nan := math.NaN()
	if l.Wavelength == 0 {
		l.Wavelength = wavelengthUsual
	}
	f := Focus{Defocus: unit.MM(nan), DefocusSigma: unit.MM(nan), Turns: nan, TurnsSigma: nan, Direction: "unknown", Approach: "unknown", LastMove: "unknown", LimitedBy: "unknown", Drift: nan,
		BestPosition: nan, BestPositionSigma: nan, Hysteresis: nan, HysteresisSigma: nan, Step: unit.MM(nan), StepSigma: unit.MM(nan), Slope: nan, SlopeSigma: nan,
		Zone: unit.MM(nan), ZoneTurns: nan, ZoneCounts: nan, Blur: unit.Px(nan), BlurSigma: unit.Px(nan), Scatter: unit.Px(nan),
		SharpPx: l.Sharp, SharpSigma: l.SharpSE}
	if l.Sharp == 0 {
		f.SharpPx, f.SharpSigma, f.SharpAssumed = sharpAssumed, sharpAssumed/5, true
	} else if l.SharpSE == 0 {
		f.SharpSigma = l.Sharp / 30
	}
	if l.InTurns && l.Pitch > 0 {
		f.Step, f.StepSigma = l.Pitch, 0
	}
	var free, locked []Sample
	asked := false
	for _, k := range looks {
		f.Frames = append(f.Frames, k.reading())
		asked = asked || k.Locked
		switch {
		case k.Stars == 0 || !k.HFD.Known():
			why := k.Why
			if why == "" {
				why = "no stars"
			}
			f.Left = append(f.Left, k.File+": "+why)
		case k.Locked:
			locked = append(locked, k)
		default:
			free = append(free, k)
		}
	}
	f.Used = len(free) + len(locked)
	f.LastMove = lastMove(free)
	s := &search{Light: l, shape: shapeOf(l.Obstruction), Focus: &f}
	s.zone()
	switch {
	case f.Used == 0:
		f.Verdict, f.Why = NoStars, "no frame shows stars to focus on: aim at a brighter field, expose longer, or come nearer to focus first"
	case len(free) == 0:
		s.judge(locked)
	default:
		s.judge(free)
	}
	if asked {
		s.lock(free, locked)
	}
	return f
}

// reading returns the frame as the answer lists it.
func (k Sample) reading() Reading {
	nan := math.NaN()
	r := Reading{File: k.File, Position: k.Position, Locked: k.Locked, HFD: k.HFD.V, HFDSigma: k.HFD.SE, Disc: unit.Px(nan), DiscSigma: unit.Px(nan), Hole: nan, Misfit: nan, Stars: k.Stars}
	if k.shows() {
		r.Disc, r.DiscSigma, r.Hole, r.Misfit = k.Disc.V, k.Disc.SE, k.Hole, k.Misfit
	}
	return r
}

// search is a focus in the making.
type search struct {
	Light
	*shape
	*Focus
}

// measurable reports whether widths are lengths.
func (s *search) measurable() bool { return s.FNumber > 0 && s.Pixel > 0 }

// mmPerPx is the distance from focus per pixel of the disc.
func (s *search) mmPerPx() float64 { return float64(s.Pixel) * s.FNumber / 1000 }

// zone fills the zone in which focus does not matter.
func (s *search) zone() {
	if !s.measurable() {
		return
	}
	star := unit.Micron(float64(s.Pixel) * float64(s.SharpPx))
	s.Zone = optics.CriticalZone(s.Wavelength, s.FNumber, star, 0.5).MM()
	if s.Pitch > 0 {
		s.ZoneTurns = float64(s.Zone / s.Pitch)
	}
	if s.Step > 0 {
		s.ZoneCounts = float64(s.Zone / s.Step)
	}
	// What diffraction and the pixel alone would leave: the half-flux diameters of
	// an Airy disc, 1.06 lambda N, and of a pixel, 0.8 of it, from memory.
	floor := math.Hypot(1.06*float64(s.Wavelength)*s.FNumber/float64(s.Pixel), 0.8)
	switch {
	case s.SharpAssumed:
		s.LimitedBy = "unknown"
	case float64(s.SharpPx) > 1.5*floor:
		s.LimitedBy = "air"
	default:
		s.LimitedBy = "sensor"
	}
}

// places counts the distinct known positions.
func places(looks []Sample) int {
	seen := map[float64]bool{}
	for _, k := range looks {
		if !math.IsNaN(k.Position) {
			seen[k.Position] = true
		}
	}
	return len(seen)
}

// judge answers from the frames of one state of the lock.
func (s *search) judge(looks []Sample) {
	if places(looks) >= 3 {
		s.run(looks)
		return
	}
	here, before := lastTwo(looks)
	now := s.together(here)
	s.single(now, len(here))
	if len(before) > 0 {
		s.compare(s.together(before), now)
	}
}

// lastTwo returns the frames taken where the last one was, and those where the
// focuser stood before that. Without positions every frame stands for itself.
func lastTwo(looks []Sample) (here, before []Sample) {
	back := func(end int) int {
		i := end - 1
		for i > 0 && looks[i-1].Position == looks[end-1].Position {
			i--
		}
		return i
	}
	i := back(len(looks))
	here = looks[i:]
	if i > 0 {
		before = looks[back(i):i]
	}
	return here, before
}

// lastMove returns in which direction the focuser came to its last position.
func lastMove(looks []Sample) string {
	for i := len(looks) - 1; i > 0; i-- {
		switch a, b := looks[i-1].Position, looks[i].Position; {
		case b > a:
			return "out"
		case b < a:
			return "in"
		}
	}
	return "unknown"
}

// together returns the mean of frames taken in one place. What they scatter
// beyond their errors is the air's, and widens the error.
func (s *search) together(looks []Sample) Sample {
	k := looks[len(looks)-1]
	if len(looks) == 1 {
		return k
	}
	var v, se []float64
	discs := true
	for _, o := range looks {
		v, se = append(v, float64(o.HFD.V)), append(se, float64(o.HFD.SE))
		discs = discs && o.shows()
	}
	mean, sigma, scatter := pooled(v, se)
	k.HFD = unit.Est[unit.Px]{V: unit.Px(mean), SE: unit.Px(sigma)}
	if len(looks) >= 3 {
		s.Scatter = unit.Px(scatter)
	}
	k.Disc = unit.Est[unit.Px]{}
	if discs {
		v, se = v[:0], se[:0]
		least := math.Inf(1)
		for _, o := range looks {
			v, se = append(v, float64(o.Disc.V)), append(se, float64(o.Disc.SE))
			least = min(least, float64(o.Disc.SE))
		}
		mean, sigma, _ = pooled(v, se)
		// Most of a disc's error is the same in every frame.
		k.Disc = unit.Est[unit.Px]{V: unit.Px(mean), SE: unit.Px(max(sigma, 0.7*least))}
	}
	return k
}

// pooled returns the weighted mean of values with standard errors, its standard
// error, and the scatter that must be added to the errors for them to agree.
//
// Source: Paule and Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377, "Consensus
// values and weighting factors".
func pooled(v, se []float64) (mean, sigma, scatter float64) {
	at := func(extra float64) (chi float64) {
		sw, swv := 0.0, 0.0
		for i := range v {
			w := 1 / (sq(se[i]) + extra)
			sw, swv = sw+w, swv+w*v[i]
		}
		mean, sigma = swv/sw, math.Sqrt(1/sw)
		for i := range v {
			chi += sq(v[i]-mean) / (sq(se[i]) + extra)
		}
		return chi
	}
	free := float64(len(v) - 1)
	if at(0) <= free {
		return mean, sigma, 0
	}
	lo, hi := 0.0, 1.0
	for at(hi) > free {
		hi *= 4
	}
	for range 60 {
		if mid := (lo + hi) / 2; at(mid) > free {
			lo = mid
		} else {
			hi = mid
		}
	}
	at(hi)
	return mean, sigma, math.Sqrt(hi)
}

// blur returns the disc of a frame, px, with its standard error and the least
// and most that it may be at two of them; and what it was read from.
func (s *search) blur(k Sample) (disc, sigma, least, most float64, by string) {
	if k.shows() {
		d, se := float64(k.Disc.V), float64(k.Disc.SE)
		return d, se, max(d-2*se, 0), d + 2*se, byDisc
	}
	h, sharp := float64(k.HFD.V), float64(s.SharpPx)
	of := func(h, sharp float64) float64 {
		sharp = max(sharp, 0.3)
		return sharp * s.disc(max(h, 1e-3)/sharp)
	}
	disc = of(h, sharp)
	two, wide := 2*math.Hypot(float64(k.HFD.SE), h*wings(disc/max(sharp, 0.3))), 2*float64(s.SharpSigma)
	// The two errors are independent: their effects add in squares, either way.
	least = disc - math.Hypot(disc-of(h-two, sharp), disc-of(h, sharp+wide))
	most = disc + math.Hypot(of(h+two, sharp)-disc, of(h, sharp-wide)-disc)
	return disc, (most - least) / 4, max(least, 0), most, byHFD
}

// wings is how uncertain the shape is, as a part of the width, for a disc of u
// times the width in focus: real stars have wings, which the shape's have not.
//
// Source: psf.HalfFluxDiameter of the air's star and a disc, which is wider than
// the shape by 3.2 % at u of 1.75 and by less on either side.
func wings(u float64) float64 {
	const most = 1.75
	return 0.02 * 2 * (u / most) / (1 + sq(u/most))
}

// single fills the distance from one frame, or several of one place.
func (s *search) single(k Sample, frames int) {
	disc, sigma, least, most, by := s.blur(k)
	s.By, s.Blur, s.BlurSigma = by, unit.Px(disc), unit.Px(sigma)
	if by == byDisc && s.SharpAssumed && k.InFocus.V > 0 {
		s.SharpPx, s.SharpSigma, s.SharpAssumed = k.InFocus.V, max(k.InFocus.SE, k.InFocus.V/10), false
		s.zone()
	}
	if !s.measurable() {
		s.Verdict, s.Why = OutOfFocus, fmt.Sprintf("the stars are spread over %s px; without the focal ratio and the pixel that is no distance", PlusMinus(disc, sigma))
		if least <= 0.5*float64(s.SharpPx) {
			s.Verdict, s.Why = InFocus, fmt.Sprintf("half of a star's light lies within %.2f px, as of a star in focus", float64(k.HFD.V))
		}
		return
	}
	mm := s.mmPerPx()
	s.far(disc*mm, sigma*mm)
	read := s.read(k)
	zone := float64(s.Zone)
	switch {
	case least*mm > zone:
		s.Verdict = OutOfFocus
		s.Why = s.turn() + "; which way is not known from one frame: " + s.little() + " and take another"
		if frames > 1 {
			s.Why = s.turn() + "; which way is not known from one place: " + s.little() + " and take another frame"
		}
		s.Why += " (" + read + ")"
	case disc*mm <= zone && (!s.SharpAssumed || most*mm <= 3*zone):
		s.Verdict, s.Why = InFocus, fmt.Sprintf("nothing to turn: %s, at most %s mm from focus, where ±%s mm does not matter", read, short(most*mm), short(zone))
	default:
		s.Verdict = TooShallow
		s.Why = fmt.Sprintf("one frame cannot tell: %s and show no disc, which is a sharp star in soft air or one up to %s mm from focus: %s, take another and compare", read, short(most*mm), s.little())
	}
}

// far fills the distance.
func (s *search) far(mm, sigma float64) {
	s.Defocus, s.DefocusSigma = unit.MM(mm), unit.MM(sigma)
	if s.Pitch > 0 {
		s.Turns, s.TurnsSigma = mm/float64(s.Pitch), sigma/float64(s.Pitch)
	}
}

// read says what a frame shows.
func (s *search) read(k Sample) string {
	if k.shows() {
		return fmt.Sprintf("the stars are discs of %s px", PlusMinus(float64(k.Disc.V), float64(k.Disc.SE)))
	}
	return fmt.Sprintf("the stars hold half of their light within %s px", PlusMinus(float64(k.HFD.V), float64(k.HFD.SE)))
}

// turn says how far to go.
func (s *search) turn() string {
	if s.Pitch > 0 {
		return fmt.Sprintf("turn the focuser %s turns", PlusMinus(s.Turns, s.TurnsSigma))
	}
	return fmt.Sprintf("move the focus by %s mm", PlusMinus(float64(s.Defocus), float64(s.DefocusSigma)))
}

// little says by how much to move so that a second frame tells the way: a
// quarter of the distance, and not less than the zone.
func (s *search) little() string {
	mm := max(float64(s.Defocus)/4, 1.5*float64(s.Zone))
	if s.Pitch > 0 {
		turns := mm / float64(s.Pitch)
		switch {
		case turns < 0.09:
			return fmt.Sprintf("turn it %.0f degrees in", max(math.Round(turns*72)*5, 5))
		case turns < 0.18:
			return "turn it an eighth in"
		case turns < 0.38:
			return "turn it a quarter in"
		case turns < 0.75:
			return "turn it half a turn in"
		case turns < 1.5:
			return "turn it once in"
		}
		return fmt.Sprintf("turn it %.0f turns in", turns)
	}
	return fmt.Sprintf("move it %s mm in", short(mm))
}

// compare fills the direction from two places.
func (s *search) compare(before, after Sample) {
	diff, noise := float64(after.HFD.V-before.HFD.V), math.Hypot(float64(before.HFD.SE), float64(after.HFD.SE))
	if s.Scatter > 0 {
		noise = math.Hypot(noise, float64(s.Scatter))
	}
	moved := after.Position - before.Position
	known := !math.IsNaN(moved) && moved != 0
	misfit := ""
	if known && s.Step > 0 && s.measurable() {
		told, fits := s.sides(before, after, moved)
		if told {
			return
		}
		if !fits {
			misfit = fmt.Sprintf("; the two distances do not fit a travel of %s mm, so mind the pitch, the focal ratio and whether the focuser slips", short(math.Abs(moved*float64(s.Step))))
		}
	}
	went := fmt.Sprintf("half of a star's light went from %.2f to %.2f px", float64(before.HFD.V), float64(after.HFD.V))
	switch {
	case !(math.Abs(diff) >= 2.5*noise) || diff == 0:
		s.Why += "; " + went + ", which is within the noise: make a larger turn"
	case !known:
		way, was := "back, against the last turn", "the wrong way"
		if diff < 0 {
			way, was = "on, as in the last turn", "the right way"
		}
		s.Why = s.ahead(way) + went + ": the last turn was " + was
	default:
		s.Direction = "in"
		if (moved > 0) == (diff < 0) {
			s.Direction = "out"
		}
		s.Why = s.ahead(s.Direction) + fmt.Sprintf("%s as the focuser went from %g to %g", went, before.Position, after.Position)
		if diff < 0 {
			s.Why += ", unless focus was passed on the way"
		}
	}
	s.Why += misfit
}

// ahead begins a sentence with what is to be turned and which way.
func (s *search) ahead(way string) string {
	if math.IsNaN(float64(s.Defocus)) || s.Verdict != OutOfFocus {
		return "go " + way + ": "
	}
	return s.turn() + " " + way + ": "
}

// sides finds on which side of focus two places lie, if the travel between them
// is known, and reports whether that can be told and whether the travel fits.
//
// Source: of the four ways to lay two distances about the focus, the one whose
// travel is the focuser's.
func (s *search) sides(before, after Sample, moved float64) (told, fits bool) {
	d1, s1, _, _, _ := s.blur(before)
	d2, s2, _, _, _ := s.blur(after)
	mm := s.mmPerPx()
	travel := moved * float64(s.Step)
	d1, s1, d2, s2 = d1*mm, s1*mm, d2*mm, s2*mm
	// The focuser's travel may be wrong by a twentieth: common practice, no source.
	sigma := math.Sqrt(sq(s1) + sq(s2) + sq(0.05*travel))
	type way struct{ off, at float64 }
	var best, second way
	best.off, second.off = math.Inf(1), math.Inf(1)
	for _, a := range [2]float64{-1, 1} {
		for _, b := range [2]float64{-1, 1} {
			w := way{math.Abs(b*d2-a*d1-travel) / sigma, b * d2} // where the last place lies from focus
			switch {
			case w.off < best.off:
				if best.at*w.at < 0 || math.IsInf(second.off, 1) {
					second = best
				}
				best = w
			case w.off < second.off && w.at*best.at <= 0:
				second = w
			}
		}
	}
	if best.off > 3 || second.off < best.off+2 || second.off < 3 {
		return false, best.off <= 3
	}
	weight := 1 / (1/sq(s2) + 1/(sq(s1)+sq(0.05*travel)))
	s.Direction = "out"
	if best.at > 0 {
		s.Direction = "in"
	}
	s.BestPosition, s.BestPositionSigma = after.Position-best.at/float64(s.Step), math.Sqrt(weight)/float64(s.Step)
	s.Approach = s.Direction
	if s.Verdict != InFocus {
		s.Why = fmt.Sprintf("%s %s, to %s (%s; the frame before tells the side)", s.turn(), s.Direction, s.Best(), s.read(after))
	}
	return true, true
}

// Best writes the best position with its standard error, no more digits than
// that deserves.
func (f *Focus) Best() string { return PlusMinus(f.BestPosition, f.BestPositionSigma) }

// PlusMinus writes a number with its standard error, no more digits than that
// deserves: two of the error if it begins with 1, otherwise one. An error that is
// not known is left out.
func PlusMinus(v, sigma float64) string {
	if !(sigma > 0) || math.IsInf(sigma, 0) {
		return short(v)
	}
	digits := int(-math.Floor(math.Log10(sigma)))
	if sigma*math.Pow(10, float64(digits)) < 1.95 {
		digits++
	}
	digits = min(max(digits, 0), 9)
	return fmt.Sprintf("%.*f ± %.*f", digits, v, digits, sigma)
}

// short writes a number with two significant digits, or all before the point.
func short(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Sprint(v)
	}
	digits := max(1-int(math.Floor(math.Log10(math.Abs(v)))), 0)
	text := fmt.Sprintf("%.*f", digits, v)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}
