package proof

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// said is what a person is told of a cause.
type said struct {
	name, remedy, test string
}

// wordsOf returns how a cause is named, what to change first and what to try to
// be sure.
var wordsOf = map[Cause]said{
	None:           {"nothing is wrong", "Nothing: leave it as it is.", "None needed."},
	Seeing:         {"the air", "Wait for a calmer night, or a target higher up; nothing at the telescope changes it.", "Compare the best and the worst sub: the air changes from hour to hour, a telescope does not."},
	Transparency:   {"light was lost to cloud or dew", "Look at the front lens for dew and heat it; leave out the dim subs.", "Shine a torch on the optics at the end of a night; see whether guide star and subs fade together."},
	Focus:          {"the imaging telescope was out of focus", "Focus again, and after every few degrees of cooling.", "Refocus and take one sub: the stars must shrink at once."},
	PeriodicError:  {"the drive's own error in right ascension", "Shorten the interval of corrections, then train or clean the drive.", "Leave corrections off for two turns of the worm and look for the wave."},
	PolarAlignment: {"the polar axis is off", "Set the polar axis again.", "Leave declination uncorrected for ten minutes: it must drift, at two hour angles differently."},
	FieldRotation:  {"the imaging camera turns", "Clamp the camera's adapter and rotator.", "Two frames an hour apart: the field must turn about the middle of the frame."},
	Flexure:        {"the guide telescope bends away from the imaging telescope", "Stiffen what joins the two telescopes: rings, shoe, focuser lock.", "Thirty subs of 10 s while corrected, then press each joint in turn: the field must jump at the loose one."},
	MirrorShift:    {"the main mirror moves", "Lock the mirror, or take the guide star from the imaging telescope's own light.", "Lock the mirror and take the same target again: the drift must stop."},
	Refraction:     {"the guide star is far from the target", "Take a guide star nearer to the target.", "The same target near the zenith: the drift must vanish."},
	LoopGain:       {"the corrections are too strong or too weak", "Change the gain of the corrections towards a half.", "Halve or double the gain for ten minutes and compare how far the guide star wanders."},
	Backlash:       {"play in the declination drive", "Take up the play: balance it a little heavy to one side, correct declination one way only, or adjust the gear.", "Send declination moves that turn round: the first ones must do nothing."},
	Wind:           {"wind or a shaky stand", "Shelter the telescope; tighten and lower the tripod.", "Compare a sheltered hour: the guide star must be steadier on both axes."},
	Calibration:    {"the corrections go the wrong way or at a wrong angle", "Calibrate the guide camera again where you image, and after every flip or turn of it.", "Send one move on each axis and see which way the star goes."},
	GuideCamera:    {"the guide camera does not see its star well", "Pick another star, focus the guide camera, take darks against hot pixels.", "Move the mount by 20 pixels: what stays where it is was no star."},
	Jump:           {"something knocked or snagged the telescope", "Tie the cables so that none drags or snags; tighten the clutches.", "Slew slowly over the same hour angles and watch the cables."},
	Optics:         {"the optics: tilt, spacing or alignment", "Check the spacing to the corrector and the tilt of the camera.", "One sub of 2 s: the pattern must be there as well."},
	Unknown:        {"nothing known explains it", "Take a series of the guide star, and ten short subs of 2 s.", "Elongation in 2 s subs as well means the optics; only in long ones the tracking."},
}

// Name returns the cause in a person's words.
func (c Cause) Name() string { return wordsOf[c].name }

// phrase says in plain words what a number of the evidence was and what was
// expected of it. x is what was seen, y what is expected.
func (r *Result) phrase(name string, y, x float64) string {
	e := r.e
	g := e.Guide
	switch name {
	case "width":
		return fmt.Sprintf("stars are %.2f arcsec wide, where %.2f would be expected", widthOf(x), widthOf(y))
	case "long along east", "long along north-east", "long":
		m, _, pa := e.Cov.Axes()
		_ = m
		if e.OnSky {
			return fmt.Sprintf("stars are elongated by %.2f along position angle %.0f deg", elongation(e.Cov), float64(pa))
		}
		return fmt.Sprintf("stars are elongated by %.2f", elongation(e.Cov))
	case "corner":
		return fmt.Sprintf("stars grow by %.0f %% in area towards the corners, where %.0f %% would be expected", 100*x, 100*y)
	case "around":
		if math.Abs(x) > math.Abs(y) {
			return "long axes run round the middle of the field"
		}
		return "long axes do not run round the field"
	case "tail":
		if x < y {
			return "stars have weaker wings than air alone makes, as a disc of defocus has"
		}
		return "stars have the wings that air makes"
	case "restless":
		if x > y {
			return "the shape of the stars changes from sub to sub"
		}
		return "all subs have the same shape of star"
	case "drift east", "drift north":
		return fmt.Sprintf("the field drifts by %.1f arcsec/h (%.1f east, %.1f north, each to %.1f)", math.Hypot(e.DriftE, e.DriftN), e.DriftE, e.DriftN, e.DriftSigma)
	case "turning":
		return fmt.Sprintf("the field turns by %.3f deg/h", e.TurnRate)
	case "dimming":
		return fmt.Sprintf("the light of the stars changes by up to %.2f mag", e.DimMost)
	case "guide RA":
		return fmt.Sprintf("the guide star wanders by %.2f arcsec rms in right ascension, where %.2f would be expected", math.Exp(x), math.Exp(y))
	case "guide dec":
		return fmt.Sprintf("the guide star wanders by %.2f arcsec rms in declination, where %.2f would be expected", math.Exp(x), math.Exp(y))
	case "lag RA", "lag dec":
		axis := "right ascension"
		if name == "lag dec" {
			axis = "declination"
		}
		how := "hardly remembers where it was"
		switch {
		case x < -0.15:
			how = "swings to and fro"
		case x > 0.4:
			how = "stays where it is for many exposures"
		}
		return fmt.Sprintf("the guide star %s in %s (correlation of neighbours %.2f)", how, axis, x)
	case "slow RA":
		return fmt.Sprintf("slow waves of %.2f arcsec rms are left in right ascension, where %.2f would be expected", math.Exp(x), math.Exp(y))
	case "slow dec":
		return fmt.Sprintf("slow waves of %.2f arcsec rms are left in declination, where %.2f would be expected", math.Exp(x), math.Exp(y))
	case "wave":
		return fmt.Sprintf("corrections take out a wave of %.1f arcsec amplitude and %.0f s, where %.1f would be expected", math.Exp(x), g.Axis[0].Period, math.Exp(y))
	case "wave left":
		return fmt.Sprintf("%.2f arcsec of the drive's wave of %.0f s are left", g.Axis[0].LineLeft, g.Axis[0].Period)
	case "drift of declination":
		return fmt.Sprintf("declination would drift by %.0f arcsec/h without corrections", x)
	case "gain RA", "gain dec":
		return fmt.Sprintf("corrections take %.2f of the error in right ascension and %.2f in declination", g.Axis[0].Gain, g.Axis[1].Gain)
	case "jumps":
		if g.Jumps == 0 {
			return "the guide star never jumps within a sub"
		}
		return fmt.Sprintf("the guide star jumps %d times within subs, by %.1f arcsec", g.Jumps, g.JumpRMS)
	case "axes that chase":
		return fmt.Sprintf("the two axes follow each other by %.2f, where %.2f would be expected", x, y)
	case "air on the guide star":
		return fmt.Sprintf("what the guide camera alone sees is %.2f arcsec rms, where such air makes %.2f", math.Exp(x), math.Exp(y))
	case "tilt":
		return fmt.Sprintf("corrections are turned by %.0f deg from where the star is", x)
	case "sense":
		if x < 0 {
			return "declination is corrected the wrong way"
		}
		return "declination is corrected the right way"
	case "peaked":
		if x > y {
			return "single large excursions stand out of the guide star's wandering"
		}
		return "no single excursions stand out of the guide star's wandering"
	case "uneven":
		if x > y {
			return "the guide star was restless in some subs and calm in others"
		}
		return "the guide star was as calm in one sub as in another"
	case "response dec":
		return fmt.Sprintf("declination answers a correction by %.2f of what was asked", x)
	case "held dec":
		return fmt.Sprintf("the star is held %.1f arcsec from its place in declination", math.Pow(10, x))
	}
	return name
}

// widthOf returns the FWHM of a logarithm of the trace of a covariance.
func widthOf(ln float64) float64 { return fwhmPerSigma * math.Sqrt(math.Exp(ln)/2) }

// argue fills in what speaks for and against a cause: where it does better or
// worse than the explanation it competes with.
func (r *Result) argue(k *Finding, own, other *fitted) {
	type point struct {
		gain float64
		text string
	}
	var pro, con []point
	for i := range own.data {
		d := own.data[i]
		j := slices.IndexFunc(other.data, func(o datum) bool { return o.name == d.name })
		if j < 0 {
			continue
		}
		o := other.data[j]
		mine, theirs := loss((d.said-d.seen)/d.sore), loss((o.said-o.seen)/o.sore)
		switch {
		case theirs-mine > 0.8:
			pro = append(pro, point{theirs - mine, r.phrase(d.name, o.said, d.seen)})
		case mine-theirs > 0.8 || mine > 4:
			con = append(con, point{math.Max(mine-theirs, mine/2), r.phrase(d.name, d.said, d.seen)})
		}
	}
	by := func(a, b point) int {
		if a.gain > b.gain {
			return -1
		}
		return 1
	}
	slices.SortStableFunc(pro, by)
	slices.SortStableFunc(con, by)
	for _, p := range pro {
		if !slices.Contains(k.For, p.text) && len(k.For) < 4 {
			k.For = append(k.For, p.text)
		}
	}
	for _, p := range con {
		if !slices.Contains(k.Against, p.text) && len(k.Against) < 3 {
			k.Against = append(k.Against, p.text)
		}
	}
}

// sentence says the whole in one.
func (r *Result) sentence() string {
	switch {
	case r.Judged == 0:
		return "No sub has enough stars to say whether they were round."
	case len(r.Causes) == 0:
		return fmt.Sprintf("The stars were %s.", r.Verdict)
	}
	k := &r.Causes[0]
	sure := surely(k.all(r))
	kept := fmt.Sprintf("%d of %d subs are within the goal", r.Within, r.Judged)
	who := k.Cause.Name()
	if len(k.Equivalent) > 0 {
		var others []string
		for _, c := range k.Equivalent {
			others = append(others, c.Name())
		}
		who += ", or " + strings.Join(others, ", or ")
	}
	switch {
	case k.Cause == None:
		return fmt.Sprintf("The stars were %s and %s: %s.", r.Verdict, kept, k.Cause.Name())
	case k.Cause == Seeing:
		return fmt.Sprintf("The stars were wide because of the air, %s: %s.", sure, kept)
	case k.Cause == Unknown:
		return fmt.Sprintf("The stars were %s, and no cause that is known explains what the night shows. %s", r.Verdict, k.Remedy)
	}
	return fmt.Sprintf("%s: %s, and %s. Change this first: %s", upper(who), sure, kept, k.Remedy)
}

// upper returns text with a capital.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// all is the probability of a finding together with what it cannot be told from.
func (k *Finding) all(r *Result) float64 {
	p := k.Probability
	for _, c := range r.Causes {
		if slices.Contains(k.Equivalent, c.Cause) {
			p += c.Probability
		}
	}
	return p
}

// surely returns a probability in words and number.
func surely(p float64) string {
	word := "perhaps"
	switch {
	case p > 0.97:
		word = "almost surely"
	case p > 0.8:
		word = "very likely"
	case p > 0.5:
		word = "likely"
	}
	if p > 0.99 {
		return word + " (over 99 %)"
	}
	return fmt.Sprintf("%s (%.0f %%)", word, 100*p)
}
