package rehearsal

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"holdfast/internal/loop"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Fault is something wrong with a night. Its amount is in the unit that its
// kind has.
type Fault struct {
	Kind   string
	Amount float64
}

// FaultKind is a kind of fault: what its amount means, between which bounds it
// lies, and which cause it is in the words of a proof.
type FaultKind struct {
	Kind, Cause string
	Unit        string // of the amount; "" a pure number
	Least, Most float64
	Means       string
}

// kinds are the faults that can be rehearsed.
var kinds = []FaultKind{
	{"seeing", "seeing", "arcsec", 0.5, 12, "FWHM that the air delivers at the zenith"},
	{"cloud", "transparency", "mag", 0.1, 8, "cloud at its thickest, coming and going"},
	{"dew", "transparency", "mag", 0.1, 8, "light lost at the night's end to dew that grows"},
	{"focus", "focus", "um", 1, 5000, "distance of the imaging sensor from best focus"},
	{"periodic_error", "periodic_error", "arcsec", 1, 600, "peak to peak on the axis"},
	{"polar_alignment", "polar_alignment", "arcmin", 0.1, 900, "of the polar axis from the pole"},
	{"field_rotation", "field_rotation", "deg/h", 0.01, 60, "by which the imaging camera turns in its adapter"},
	{"flexure", "flexure", "arcsec/h", 0.1, 3600, "by which the guide telescope bends away in the middle of the night"},
	{"mirror_shift", "mirror_shift", "arcsec/h", 0.1, 3600, "by which the main mirror moves the image"},
	{"refraction", "refraction", "deg", 0.1, 20, "from the target to the guide star, towards the zenith"},
	{"loop_gain", "loop_gain", "", 0.01, 3, "gain of both axes"},
	{"backlash", "backlash", "arcsec", 1, 600, "play in declination"},
	{"wind", "wind", "m/s", 0.5, 25, "at the telescope"},
	{"calibration", "calibration", "deg", 1, 180, "by which the guide camera has turned since it was calibrated"},
	{"flip", "calibration", "", 0, 1, "declination is corrected the wrong way"},
	{"hot_pixel", "guide_camera", "", 0, 1, "a hot pixel is held for the star"},
	{"guide_focus", "guide_camera", "um", 1, 5000, "distance of the guide sensor from best focus"},
	{"jump", "jump", "arcsec", 0.5, 600, "by which the telescope is knocked, in a third of the subs"},
	{"optics", "optics", "um", 1, 200, "FWHM of the aberrations in the corner"},
}

// FaultKinds returns the faults that can be rehearsed.
func FaultKinds() []FaultKind { return slices.Clone(kinds) }

// KindOf returns the kind of a fault by its name. The error lists the names.
func KindOf(name string) (FaultKind, error) {
	for _, k := range kinds {
		if k.Kind == name {
			return k, nil
		}
	}
	var names []string
	for _, k := range kinds {
		names = append(names, k.Kind)
	}
	return FaultKind{}, fmt.Errorf("rehearsal: found the fault %q, want one of %s", name, strings.Join(names, ", "))
}

// check returns an error for a fault that this night cannot have.
func (f Fault) check(n *Night) error {
	k, err := KindOf(f.Kind)
	if err != nil {
		return err
	}
	if !(f.Amount >= k.Least) || f.Amount > k.Most {
		return fmt.Errorf("rehearsal: fault %s: found %g, want %g to %g %s", f.Kind, f.Amount, k.Least, k.Most, k.Unit)
	}
	held := n.Held != nil
	switch {
	case !held && slices.Contains([]string{"flexure", "refraction", "loop_gain", "backlash", "calibration", "flip", "hot_pixel", "guide_focus"}, f.Kind):
		return fmt.Errorf("rehearsal: fault %s needs a rig that corrects: this one has no guide camera", f.Kind)
	case f.Kind == "polar_alignment" && n.Rig.Mount.Kind == rig.AltAzimuth:
		return fmt.Errorf("rehearsal: fault %s needs a mount with a polar axis", f.Kind)
	case slices.Contains([]string{"backlash", "flip"}, f.Kind) && n.Rig.Mount.Kind == rig.Tracker:
		return fmt.Errorf("rehearsal: fault %s needs a mount with a declination motor", f.Kind)
	case slices.Contains([]string{"flexure", "refraction"}, f.Kind) && n.Rig.Guide.Kind == rig.Pickoff:
		return fmt.Errorf("rehearsal: fault %s needs a guide telescope of its own", f.Kind)
	case f.Kind == "mirror_shift" && held && n.Rig.Guide.Kind == rig.Pickoff:
		return fmt.Errorf("rehearsal: fault %s is corrected where the guide camera looks through the same telescope", f.Kind)
	}
	return nil
}

// trouble is what the faults of a night add up to.
type trouble struct {
	rig            *rig.Rig
	calibration    loop.Calibration
	mirroredAlways bool
	gain           float64 // factor on the gains
	stuck          bool    // a hot pixel is held
	defocus        unit.Micron
	guideDefocus   unit.Micron
	turning        float64 // of the imaging camera, radians a second

	clouds []cloud
	dew    unit.Mag
	length unit.Second
	knocks []knock

	width    unit.Px // of the guide star, as last worked out
	widthAt  float64
	coarse   float64 // what its pixels cost the centroid
	coarseOf unit.Px
}

// cloud is light that comes and goes.
type cloud struct {
	thick  unit.Mag
	period unit.Second
	phase  float64
}

// knock is a jump of the pointing.
type knock struct {
	at          unit.Second
	east, north float64
}

// troubleOf works out the faults of a night. Rigs are never changed in place.
func troubleOf(n *Night) trouble {
	r := *n.Rig
	t := trouble{rig: &r, gain: 1, length: n.length()}
	rng := rand.New(rand.NewPCG(n.Seed, 0x66617578))
	for _, f := range n.Faults {
		v := f.Amount
		switch f.Kind {
		case "seeing":
			r.Site.Seeing = unit.Exact(unit.Arcsec(v))
		case "cloud":
			for range 3 {
				t.clouds = append(t.clouds, cloud{unit.Mag(v), t.length / unit.Second(1+3*rng.Float64()), 2 * math.Pi * rng.Float64()})
			}
		case "dew":
			t.dew = unit.Mag(v)
		case "focus":
			t.defocus = unit.Micron(v * float64(1-2*rng.IntN(2)))
		case "periodic_error":
			r.Mount.PeriodicError = unit.Exact(unit.Arcsec(v))
		case "polar_alignment":
			r.Polar.Error = unit.Exact(unit.Arcmin(v))
			r.Polar.Altitude, r.Polar.Azimuth = unit.Unknown[unit.Arcmin](), unit.Unknown[unit.Arcmin]()
		case "field_rotation":
			t.turning = v * math.Pi / 180 / 3600 * float64(1-2*rng.IntN(2))
		case "flexure":
			r.Flexure.DriftArcsecPerHr = unit.Unknown[float64]()
			r.Flexure.ComplianceArcsecPerG = unit.Exact(v / max(sideways(n), 0.02))
		case "mirror_shift":
			r.Imaging.MirrorShiftArcsecPerHr = unit.Exact(v)
		case "loop_gain":
			t.gain = v / max(n.Held.GainRA, 0.01)
		case "backlash":
			r.Mount.Backlash = unit.Exact(unit.Arcsec(v))
		case "wind":
			r.Site.Wind = unit.Exact(unit.MPS(v))
		case "calibration":
			t.calibration.Angle = unit.Deg(v * float64(1-2*rng.IntN(2)))
		case "flip":
			t.calibration.Mirrored, t.mirroredAlways = true, true
		case "hot_pixel":
			t.stuck = true
		case "guide_focus":
			t.guideDefocus = unit.Micron(v)
		case "jump":
			for i := range n.Subs {
				if rng.IntN(3) > 0 && !(i == n.Subs/2) {
					continue
				}
				at := firstSettle + unit.Second(i)*(n.Sub+n.pause()) + n.Sub*unit.Second(0.2+0.6*rng.Float64())
				sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
				t.knocks = append(t.knocks, knock{at, v * cos, v * sin})
			}
		case "optics":
			r.Imaging.SpotCorner = unit.Exact(unit.Micron(v))
		}
	}
	return t
}

// farther returns the night with the guide star where a fault of refraction has
// it: from the target towards the zenith.
func farther(n *Night) *Night {
	for _, f := range n.Faults {
		if f.Kind != "refraction" || n.Held == nil {
			continue
		}
		site, err := sky.NewSite(n.Rig.Site.Latitude.V, n.Rig.Site.Longitude.V, n.Rig.Site.Height.V)
		if err != nil {
			return n
		}
		target := sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec}
		q := site.At(n.Start.Add(n.length() / 2)).Observed(target).Parallactic
		sin, cos := math.Sincos(float64(q.Rad()))
		off := math.Tan(f.Amount*math.Pi/180) * 180 / math.Pi
		at := sky.NewTangent(target).Direction(unit.Deg(off*sin), unit.Deg(off*cos))
		h := *n.Held
		h.Stars = slices.Clone(h.Stars[:min(len(h.Stars), 1)])
		for i := range h.Stars {
			h.Stars[i].RA, h.Stars[i].Dec = at.RA, at.Dec
		}
		next := *n
		next.Held = &h
		return &next
	}
	return n
}

// sideways returns how fast gravity turns across the tube in the middle of the
// night, g an hour.
func sideways(n *Night) float64 {
	site, err := sky.NewSite(n.Rig.Site.Latitude.V, n.Rig.Site.Longitude.V, n.Rig.Site.Height.V)
	if err != nil {
		return 0
	}
	p := site.At(n.Start.Add(n.length() / 2)).Observed(sky.Direction{RA: n.Target.RA, Dec: n.Target.Dec})
	g := sky.GravityRate(n.Rig.Site.Latitude.V, p.HourAngle, p.Dec)
	if n.Rig.Mount.Kind == rig.AltAzimuth {
		return math.Abs(g.AxisPerHour * math.Tan(float64(p.Alt.Rad())))
	}
	return math.Hypot(g.EastPerHour, g.NorthPerHour)
}

// dimmed returns how much light cloud and dew take at a time.
func (t *trouble) dimmed(at unit.Second) unit.Mag {
	sum := 0.0
	for _, c := range t.clouds {
		// A third of the time there is some.
		s := math.Sin(2*math.Pi*float64(at/c.period) + c.phase)
		sum += float64(c.thick) * max(0, 2*s-1)
	}
	if t.dew > 0 {
		sum += float64(t.dew) * math.Pow(max(float64(at/t.length), 0), 2)
	}
	return unit.Mag(sum)
}

// push returns the knocks within a step from a time on, arcsec.
func (t *trouble) push(at, step unit.Second) (east, north float64) {
	for _, k := range t.knocks {
		if k.at >= at-step/2 && k.at < at+step/2 {
			east += k.east
			north += k.north
		}
	}
	return east, north
}
