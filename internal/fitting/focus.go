package fitting

import (
	"fmt"
	"math"
	"slices"

	"holdfast/internal/optics"
	"holdfast/internal/unit"
)

// Light is the telescope in front of the sensor whose focus is sought.
type Light struct {
	FNumber     float64
	Obstruction float64     // diameter of the central obstruction over the aperture's
	Pixel       unit.Micron // binned
	Wavelength  unit.Micron // 0 is 0.55
	Pitch       unit.MM     // of the focuser per turn; 0 where it does not turn
	Sharp       unit.Px     // half-flux diameter of a star in focus; 0 is not known
}

// sharpAssumed is the half-flux diameter taken for a star in focus where none
// is known: common practice, no source.
const sharpAssumed unit.Px = 2.5

// Sample is one frame of a focus run. A larger position is taken to be farther
// out.
type Sample struct {
	File     string
	Position float64           // of the focuser; NaN where it is not known
	HFD      unit.Est[unit.Px] // half-flux diameter of its stars; NaN without any
	Stars    int
	Why      string // why there are no stars
}

// The verdicts on focus.
const (
	InFocus    = "in focus"
	OutOfFocus = "out of focus"
	Found      = "found"       // the best position is inside the run
	Beyond     = "beyond"      // it lies outside the run, by extrapolation
	TooShallow = "too shallow" // the run does not reach far enough to tell
	NoStars    = "no stars"
)

// Focus is what frames say about focus. Numbers that are not known are NaN.
type Focus struct {
	Defocus           unit.MM  `json:"defocus_mm"` // distance of the sensor from focus, unsigned
	DefocusSigma      unit.MM  `json:"defocus_sigma_mm"`
	Turns             float64  `json:"turns"`     // of the focuser that make it up
	Direction         string   `json:"direction"` // in, out or unknown: where the focuser must go
	BestPosition      float64  `json:"best_position"`
	BestPositionSigma float64  `json:"best_position_sigma"`
	Hysteresis        float64  `json:"hysteresis"` // between best positions approached from either side
	Zone              unit.MM  `json:"zone_mm"`    // half of the zone in which it does not matter
	ZoneTurns         float64  `json:"zone_turns"`
	SharpPx           unit.Px  `json:"sharp_hfd_px"` // half-flux diameter in focus, found or assumed
	SharpAssumed      bool     `json:"sharp_assumed"`
	Used              int      `json:"frames_used"`
	Left              []string `json:"frames_left_out"` // with the reason
	Verdict           string   `json:"verdict"`
	Why               string   `json:"why"`
}

// FindFocus returns what the looks say: from one frame a distance, from two
// which way is better, from a run with positions the best one. Frames without
// stars are left out and named.
//
// Source: half-flux diameter of a Gaussian star spread by a defocused pupil
// (optics.DefocusedHalfFlux); hyperbola through a run (optics.FitFocusCurve).
func FindFocus(looks []Sample, l Light) Focus {
	nan := math.NaN()
	if l.Wavelength == 0 {
		l.Wavelength = 0.55
	}
	f := Focus{Defocus: unit.MM(nan), DefocusSigma: unit.MM(nan), Turns: nan, Direction: "unknown", BestPosition: nan, BestPositionSigma: nan,
		Hysteresis: nan, Zone: unit.MM(nan), ZoneTurns: nan, SharpPx: l.Sharp}
	if l.Sharp == 0 {
		f.SharpPx, f.SharpAssumed = sharpAssumed, true
	}
	var good []Sample
	for _, k := range looks {
		if k.Stars == 0 || !k.HFD.Known() {
			why := k.Why
			if why == "" {
				why = "no stars"
			}
			f.Left = append(f.Left, k.File+": "+why)
			continue
		}
		good = append(good, k)
	}
	f.Used = len(good)
	f.zone(l)
	if len(good) == 0 {
		f.Verdict, f.Why = NoStars, "no frame shows stars to focus on: aim at a brighter field, expose longer, or come nearer to focus first"
		return f
	}
	if places(good) >= 3 {
		f.run(good, l)
		return f
	}
	f.single(good[len(good)-1], l)
	if len(good) > 1 {
		f.compare(good[len(good)-2], good[len(good)-1], l)
	}
	return f
}

// zone fills the zone in which focus does not matter.
func (f *Focus) zone(l Light) {
	if !(l.FNumber > 0) || !(l.Pixel > 0) {
		return
	}
	star := unit.Micron(float64(l.Pixel) * float64(f.SharpPx))
	f.Zone = optics.CriticalZone(l.Wavelength, l.FNumber, star, 0.5).MM()
	if l.Pitch > 0 {
		f.ZoneTurns = float64(f.Zone / l.Pitch)
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

// distance returns how far from focus a star of a half-flux diameter is, in mm,
// and by how much that changes with the diameter. The hyperbola of variances is
// up to 7 % wide of the truth: it brackets the answer, and its slope will do.
func (f *Focus) distance(hfd unit.Px, l Light) (d, perPx float64) {
	h, sharp := float64(hfd), float64(f.SharpPx)
	if h <= sharp {
		return 0, 0
	}
	pixel := float64(l.Pixel)
	spread := math.Sqrt(2 / (1 + l.Obstruction*l.Obstruction))
	root := math.Sqrt(h*h - sharp*sharp)
	lo, hi := unit.Micron(0.9*spread*root*pixel), unit.Micron(1.3*spread*root*pixel)
	for range 14 { // to 1e-4
		mid := (lo + hi) / 2
		if optics.DefocusedHalfFlux(unit.Micron(sharp*pixel), mid, l.Obstruction) < unit.Micron(h*pixel) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return float64(optics.BlurDefocus((lo+hi)/2, l.FNumber).MM()), spread * h / root * pixel * l.FNumber / 1000
}

// single fills the distance from one frame.
func (f *Focus) single(k Sample, l Light) {
	if !(l.FNumber > 0) || !(l.Pixel > 0) {
		f.Verdict, f.Why = OutOfFocus, fmt.Sprintf("half of a star's light lies within %.2f px; without the focal ratio and the pixel that is no distance", float64(k.HFD.V))
		if k.HFD.V <= f.SharpPx*1.06 {
			f.Verdict = InFocus
		}
		return
	}
	d, slope := f.distance(k.HFD.V, l)
	f.Defocus = unit.MM(d)
	// What is not known of the star in focus counts too: a fifth of its width
	// where it was assumed.
	sharp := 0.0
	if f.SharpAssumed {
		g := *f
		g.SharpPx = f.SharpPx * 1.2
		wider, _ := g.distance(k.HFD.V, l)
		sharp = wider - d
	}
	f.DefocusSigma = unit.MM(math.Hypot(slope*float64(k.HFD.SE), sharp))
	if l.Pitch > 0 {
		f.Turns = d / float64(l.Pitch)
	}
	if f.Defocus <= f.Zone {
		f.Verdict, f.Why = InFocus, fmt.Sprintf("half of a star's light lies within %.2f px: %.3f mm from focus at most, inside the zone of ±%.3f mm", float64(k.HFD.V), d, float64(f.Zone))
		return
	}
	f.Verdict = OutOfFocus
	f.Why = fmt.Sprintf("half of a star's light lies within %.2f px: %.2f mm from focus; one frame cannot tell which way, a second after a small turn can", float64(k.HFD.V), d)
}

// compare fills the direction from two frames.
func (f *Focus) compare(before, after Sample, l Light) {
	diff := float64(after.HFD.V - before.HFD.V)
	noise := math.Hypot(float64(before.HFD.SE), float64(after.HFD.SE))
	if math.Abs(diff) < 2.5*noise || diff == 0 {
		f.Why += "; the two frames do not differ beyond their noise: make a larger turn"
		return
	}
	nearer := diff < 0
	moved := after.Position - before.Position
	switch {
	case math.IsNaN(moved) || moved == 0:
		way := "the wrong way: turn back, and on"
		if nearer {
			way = "the right way: go on"
		}
		f.Why = fmt.Sprintf("half of a star's light went from %.2f to %.2f px: the last turn was %s", float64(before.HFD.V), float64(after.HFD.V), way)
	case (moved > 0) == nearer:
		f.Direction = "out"
	default:
		f.Direction = "in"
	}
	if f.Direction != "unknown" {
		f.Why = fmt.Sprintf("half of a star's light went from %.2f to %.2f px as the focuser went from %g to %g: focus lies farther %s", float64(before.HFD.V), float64(after.HFD.V), before.Position, after.Position, f.Direction)
	}
}

// run fills the best position of a run.
func (f *Focus) run(looks []Sample, l Light) {
	var at []float64
	var width []unit.Px
	var noise float64
	for _, k := range looks {
		if !math.IsNaN(k.Position) {
			at, width = append(at, k.Position), append(width, k.HFD.V)
			if s := float64(k.HFD.SE); s > noise {
				noise = s
			}
		}
	}
	least, most := slices.Min(width), slices.Max(width)
	curve, err := optics.FitFocusCurve(at, width)
	if err == nil && curve.Inside {
		f.BestPosition, f.BestPositionSigma, f.SharpPx = curve.Best.V, float64(curve.Best.SE), curve.Min.V
		f.SharpAssumed = false
		f.zone(l)
		// The ends of the run must stand out of the scatter about the curve, and
		// the minimum must be held to within the run.
		span := slices.Max(at) - slices.Min(at)
		scatter := math.Max(float64(curve.RMS), noise)
		if math.IsNaN(scatter) {
			scatter = noise
		}
		if float64(most-least) < 3*scatter || !(f.BestPositionSigma < span/2) {
			f.shallow(least, most, scatter)
			return
		}
		f.Verdict = Found
		f.Why = fmt.Sprintf("%d frames from %.2f px to %.2f px draw a curve whose lowest point is at %s", len(at), float64(most), float64(least), f.Best())
		f.towards(at[len(at)-1])
		f.backlash(looks)
		return
	}
	// All on one side: far from focus the width grows in proportion to the
	// distance, so the straight line points at the focus.
	slope, here, sigma, scatter := line(at, width)
	if math.Abs(slope) < 4*sigma || float64(most-least) < 3*math.Max(scatter, noise) {
		f.shallow(least, most, math.Max(scatter, noise))
		return
	}
	mean := 0.0
	for _, x := range at {
		mean += x / float64(len(at))
	}
	// From H^2 = H0^2 + k^2 (x-x0)^2 the slope is k^2 (x-x0)/H, so the distance is
	// (H^2 - H0^2)/(H slope); the hyperbola itself is good to a few per cent.
	sharp := float64(f.SharpPx)
	left := math.Max(here*here-sharp*sharp, 0) / (here * slope)
	f.BestPosition = mean - left
	f.BestPositionSigma = math.Abs(left) * math.Hypot(sigma/slope, 0.05)
	f.Verdict = Beyond
	f.Why = fmt.Sprintf("the stars shrink steadily from %.2f to %.2f px without reaching their least: focus lies at about %s, by extrapolation", float64(most), float64(least), f.Best())
	f.towards(at[len(at)-1])
}

// Best writes the best position with its standard error, no more digits than
// that deserves.
func (f *Focus) Best() string {
	digits := 0
	if s := f.BestPositionSigma; s > 0 && s < 10 {
		digits = int(math.Ceil(1 - math.Log10(s)))
	}
	return fmt.Sprintf("%.*f ± %.*f", digits, f.BestPosition, digits, f.BestPositionSigma)
}

// shallow refuses to name a position.
func (f *Focus) shallow(least, most unit.Px, scatter float64) {
	f.Verdict = TooShallow
	f.BestPosition, f.BestPositionSigma = math.NaN(), math.NaN()
	f.Why = fmt.Sprintf("the widths, %.2f to %.2f px, do not stand out of their scatter of %.2f px: go farther to both sides of focus", float64(least), float64(most), scatter)
}

// towards fills the direction from the last position to the best.
func (f *Focus) towards(last float64) {
	switch {
	case f.BestPosition > last:
		f.Direction = "out"
	case f.BestPosition < last:
		f.Direction = "in"
	}
}

// backlash fills the hysteresis where the run went both ways over focus.
func (f *Focus) backlash(looks []Sample) {
	best := func(outward bool) float64 {
		var at []float64
		var width []unit.Px
		for i := 1; i < len(looks); i++ {
			if d := looks[i].Position - looks[i-1].Position; d > 0 == outward && d != 0 {
				at, width = append(at, looks[i].Position), append(width, looks[i].HFD.V)
			}
		}
		if len(at) < 3 {
			return math.NaN()
		}
		c, err := optics.FitFocusCurve(at, width)
		if err != nil || !c.Inside {
			return math.NaN()
		}
		return c.Best.V
	}
	f.Hysteresis = best(true) - best(false)
}

// line returns the least-squares line through widths at positions: its slope,
// its height at the mean position, the slope's standard error and the scatter.
func line(at []float64, width []unit.Px) (slope, here, sigma, scatter float64) {
	n := float64(len(at))
	var sx, sy, sxx, sxy float64
	for i, x := range at {
		sx, sy = sx+x, sy+float64(width[i])
	}
	mx, my := sx/n, sy/n
	for i, x := range at {
		sxx += (x - mx) * (x - mx)
		sxy += (x - mx) * (float64(width[i]) - my)
	}
	slope = sxy / sxx
	ss := 0.0
	for i, x := range at {
		d := float64(width[i]) - my - slope*(x-mx)
		ss += d * d
	}
	scatter = math.Sqrt(ss / math.Max(n-2, 1))
	return slope, my, scatter / math.Sqrt(sxx), scatter
}
