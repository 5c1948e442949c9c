package rig

import (
	"fmt"
	"math"
	"strconv"

	"holdfast/internal/unit"
)

// A default that depends on other entries is a function of the rig. It may
// look at any entry, given or assumed, and at whether one was given; the table
// is run twice, so an entry further down has settled when it counts.

// siderealDay is the length of the sidereal day in seconds of time (IERS
// Conventions 2010, from memory).
const siderealDay = 86164.0905

// has reports whether an entry was given.
func (r *Rig) has(path string) bool {
	_, ok := r.given[path]
	return ok
}

// sig rounds v to n significant digits and writes it.
func sig(v float64, n int) string {
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'e', n-1, 64), 64)
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// about writes v ± se with two or three digits and the unit.
func about(v, se float64, u string) string {
	if se > 0 {
		return sig(v, 3) + " ± " + sig(se, 2) + " " + u
	}
	return sig(v, 3) + " " + u
}

func utcOffset(r *Rig) (string, string) {
	return fmt.Sprintf("%d h", int(math.Round(float64(r.Site.Longitude.V)/15))), "the longitude over 15 degrees an hour; summer time not counted"
}

func subLength(r *Rig) (string, string) {
	switch {
	case r.Mount.Kind == AltAzimuth:
		return "10 s", "an alt-azimuth mount turns the field: a corner star is drawn after some 13 s at 714 mm"
	case r.Mount.Kind == Tracker:
		return "60 s", "a tracker with a lens (common practice)"
	case r.Guide.Kind == NoGuide:
		return "30 s", "a worm mount without correction holds 5 to 30 s at 500 to 700 mm (common practice)"
	}
	return "300 s", "a usual sub with correction (common practice)"
}

func imagingKind(r *Rig) (string, string) {
	d, f := float64(r.Imaging.Aperture.V), float64(r.Imaging.Focal.V)
	hasD, hasF := r.has("imaging.aperture"), r.has("imaging.focal")
	switch {
	case r.Mount.Kind == Tracker:
		return string(Lens), "a tracker mostly carries a lens"
	case hasD && hasF && d >= 120 && f/d >= 8.5:
		return string(MovingMirror), "guessed: so long a telescope at this aperture is mostly a compound with a moving mirror"
	case hasD && hasF && d >= 130 && f/d <= 6.5:
		return string(Newtonian), "guessed: so wide and short a telescope is mostly a newtonian"
	case hasD && !hasF && d >= 180:
		return string(MovingMirror), "guessed from the aperture: no refractor is that wide on an ordinary mount"
	case hasF && !hasD && f >= 1300:
		return string(MovingMirror), "guessed from the focal length"
	}
	return string(Refractor), "the commonest telescope for pictures"
}

// ratio is the usual focal ratio of a kind of telescope (common practice).
func ratio(k ImagingKind) float64 {
	switch k {
	case Newtonian:
		return 5
	case MovingMirror:
		return 10
	case FixedMirror:
		return 8
	case Lens:
		return 2.8
	}
	return 7
}

func aperture(r *Rig) (string, string) {
	if r.has("imaging.focal") {
		n := ratio(r.Imaging.Kind)
		return about(float64(r.Imaging.Focal.V)/n, 0, "mm"), fmt.Sprintf("the focal length over the kind's usual f/%g", n)
	}
	switch r.Imaging.Kind {
	case Newtonian:
		return "200 mm", practice
	case MovingMirror:
		return "203 mm", practice
	case FixedMirror:
		return "200 mm", practice
	case Lens:
		return "48 mm", "a 135 mm lens at f/2.8"
	}
	return "80 mm", practice
}

func focal(r *Rig) (string, string) {
	n := ratio(r.Imaging.Kind)
	return about(float64(r.Imaging.Aperture.V)*n, 0, "mm"), fmt.Sprintf("the aperture times the kind's usual f/%g", n)
}

func obstruction(r *Rig) (string, string) {
	switch r.Imaging.Kind {
	case Newtonian:
		return "0.25 ± 0.03", "usual for a newtonian for pictures (common practice)"
	case MovingMirror:
		return "0.34 ± 0.02", "usual for a compound (common practice)"
	case FixedMirror:
		return "0.42 ± 0.04", "usual for a compound with a fixed mirror (common practice)"
	}
	return "0", "a lens has none"
}

func transmission(r *Rig) (string, string) {
	if mirrored(r) {
		return "0.75 ± 0.05", "two mirrors and a corrector or window (common practice)"
	}
	return "0.85 ± 0.05", "a few lenses (common practice)"
}

func spot(r *Rig) (string, string) {
	switch r.Imaging.Kind {
	case MovingMirror:
		return "5 ± 3 um", "a collimated compound (from memory of spot diagrams)"
	case Lens:
		return "5 ± 3 um", "a photographic lens nearly wide open (from memory of spot diagrams)"
	}
	return "3 ± 1.5 um", "good correction and collimation (from memory of spot diagrams)"
}

func spotCorner(r *Rig) (string, string) {
	v := 6.0
	switch r.Imaging.Kind {
	case MovingMirror:
		v = 12
	case Lens, FixedMirror:
		v = 8
	case Newtonian:
		v = 7
	}
	v = math.Max(v, float64(r.Imaging.Spot.V))
	return about(v, v/2, "um"), "curvature, coma and spacing left in the corner (from memory of spot diagrams); not below the centre"
}

// focusError spreads the sensor evenly over the critical focus zone, whose half
// is 2 lambda N^2 (Rayleigh's quarter wave; Conrady, Applied Optics and Optical
// Design): its distance from best focus then has the mean lambda N^2 and the
// deviation 2 lambda N^2/sqrt(12).
func focusError(r *Rig) (string, string) {
	n := r.Imaging.FNumber()
	v := float64(r.Imaging.Wavelength.V) * n * n
	return about(v, v/math.Sqrt(3), "um"), fmt.Sprintf("focused somewhere within the critical focus zone, ±%s um at f/%s", sig(2*v, 2), sig(n, 2))
}

func tube(r *Rig) (string, string) {
	switch r.Imaging.Kind {
	case Newtonian:
		return string(Steel), "most newtonians (common practice)"
	case FixedMirror:
		return string(Carbon), "most compounds with a fixed mirror (common practice)"
	}
	return string(Aluminium), practice
}

func tubeLength(r *Rig) (string, string) {
	d, f := float64(r.Imaging.Aperture.V), float64(r.Imaging.Focal.V)
	switch r.Imaging.Kind {
	case MovingMirror, FixedMirror:
		return about(math.Min(2*d, f), 0, "mm"), "a compound is about twice as long as wide"
	case Lens:
		return about(0.7*f, 0, "mm"), "a lens is a little shorter than its focal length"
	}
	return about(0.9*f, 0, "mm"), "nearly the focal length"
}

func tubeDiameter(r *Rig) (string, string) {
	return about(1.2*float64(r.Imaging.Aperture.V), 0, "mm"), "a fifth wider than the aperture"
}

func imagingWeight(r *Rig) (string, string) {
	d := float64(r.Imaging.Aperture.V)
	base, at, power := 4.5, 102.0, 2.3
	switch r.Imaging.Kind {
	case Newtonian:
		base, at, power = 8, 200, 2
	case MovingMirror, FixedMirror:
		base, at = 6, 203
	case Lens:
		base, at = 0.8, 48
	}
	v := 1.2 + base*math.Pow(d/at, power)
	return about(v, 0.2*v, "kg"), "usual for the kind and aperture, with 1.2 kg of camera and focuser (common practice)"
}

// mirrorShift follows a power law through two figures of the trade: 5 arcsec/h
// at 203 mm of aperture and 20 at 356 mm.
func mirrorShift(r *Rig) (string, string) {
	if r.Imaging.Kind != MovingMirror {
		return "0 arcsec/h", "the main mirror does not move to focus"
	}
	power := math.Log(20.0/5) / math.Log(356.0/203)
	v := 5 * math.Pow(float64(r.Imaging.Aperture.V)/203, power)
	return about(v, 0.6*v, "arcsec/h"), "a moving mirror: 5 arcsec/h at 203 mm, 20 at 356 mm, a power law through both (common practice)"
}

func gain(c *Camera) (string, string) {
	v := float64(c.FullWell.V) / math.Exp2(c.Bits.V)
	return sig(v, 3) + " e-/ADU", "the full well over the steps of the converter"
}

func offset(c *Camera) (string, string) {
	return strconv.Itoa(int(math.Round(math.Exp2(c.Bits.V)*0.0075))) + " ADU", "a little under a per cent of the range (common practice)"
}

func zeroPoint(c *Camera) (string, string) {
	if c.Colour {
		return "1.1e6 ± 2e5 e-/s/cm2", "a broad silicon sensor behind a colour matrix, which passes about a third"
	}
	return "3.0e6 ± 4e5 e-/s/cm2", "a broad silicon sensor without filter under a 5770 K star (flux of Bessell, Castelli and Plez 1998, A&A 333, 231)"
}

func guideKind(r *Rig) (string, string) {
	switch r.Mount.Kind {
	case Tracker:
		return string(NoGuide), "a tracker mostly runs alone"
	case AltAzimuth:
		return string(NoGuide), "correction does not stop the turning field of an alt-azimuth mount"
	}
	return string(Piggyback), "the simplest way to correct the tracking"
}

func guideAperture(r *Rig) (string, string) {
	if pickoff(r) {
		return unit.Format(float64(r.Imaging.Aperture.V), 0, unit.Length, "mm"), "the imaging telescope's: a pick-off sees through it"
	}
	if r.has("guide.focal") {
		return about(float64(r.Guide.Focal.V)/3.2, 0, "mm"), "a guide telescope of f/3.2 (common practice)"
	}
	return "50 mm", "a 50 mm f/3.2 guide telescope is a sensible start (common practice)"
}

func guideFocal(r *Rig) (string, string) {
	if pickoff(r) {
		return unit.Format(float64(r.Imaging.FocalLength()), 0, unit.Length, "mm"), "the imaging telescope's with its reducer: a pick-off sees through it"
	}
	return about(float64(r.Guide.Aperture.V)*3.2, 0, "mm"), "a guide telescope of f/3.2 (common practice)"
}

func guideObstruction(r *Rig) (string, string) {
	if pickoff(r) {
		return unit.Format(r.Imaging.Obstruction.V, 0, unit.Pure, ""), "the imaging telescope's"
	}
	return "0", "a lens has none"
}

func guideTransmission(r *Rig) (string, string) {
	if pickoff(r) {
		return about(0.95*r.Imaging.Transmission.V, 0.05, ""), "the imaging telescope's, and a prism that loses a twentieth"
	}
	return "0.85 ± 0.05", "a two-lens guide telescope (common practice)"
}

// guideSpot is twice the diffraction disc for a small achromat, whose colour
// and spherical aberration make it 1.5 to 3 times as wide (from memory).
func guideSpot(r *Rig) (string, string) {
	if pickoff(r) {
		v := 1.5 * float64(r.Imaging.SpotCorner.V)
		return about(v, v/2, "um"), "half as much again as in the imaging sensor's corner: the prism looks farther out"
	}
	n := float64(r.Guide.Focal.V / r.Guide.Aperture.V)
	v := 2 * 1.029 * 0.55 * n
	return about(v, v/2, "um"), "a small achromat is about twice as soft as diffraction (from memory)"
}

func guideField(r *Rig) (string, string) {
	if pickoff(r) {
		p := &r.Guide.Prism
		return about(float64(min(p.Width.V, p.Height.V)), 0, "mm"), "the prism's smaller side"
	}
	return about(math.Min(20*float64(r.Guide.Aperture.V)/50+2, 40), 0, "mm"), "the baffles of a usual guide telescope (common practice)"
}

func guideDefocus(r *Rig) (string, string) {
	if pickoff(r) {
		return "50 ± 30 um", "set once with a spacer and left (common practice)"
	}
	v := float64(r.Guide.Focuser.Pitch.V) * 1000 * 10 / 360
	return about(v, v/2, "um"), "ten degrees of the focuser, about what hand and lock leave (common practice)"
}

func guideOffset(r *Rig, east bool) (string, string) {
	if !pickoff(r) {
		return "0 ± 15 arcmin", "bolted side by side and not aligned further (common practice)"
	}
	p := &r.Guide.Prism
	off := float64(p.OffAxis.V/r.Imaging.FocalLength()) * unit.ArcsecPerRad / 60
	sin, cos := math.Sincos(float64(p.Angle.V.Rad()))
	if !east {
		sin = cos
	}
	return sig(off*sin, 4) + " arcmin", "where the prism looks: its distance off the axis over the focal length"
}

func guideWeight(r *Rig) (string, string) {
	if pickoff(r) {
		return "0.4 ± 0.1 kg", "a prism in its body and a small camera (common practice)"
	}
	v := 0.3 + 0.6*math.Pow(float64(r.Guide.Aperture.V)/50, 2)
	return about(v, 0.2*v, "kg"), "usual for the aperture, with camera and holder (common practice)"
}

func focuserTravel(r *Rig) (string, string) {
	return sig(15*float64(r.Guide.Focuser.Pitch.V), 4) + " mm", "about 15 turns from end to end (common practice)"
}

func prismToGuide(r *Rig) (string, string) {
	return unit.Format(float64(r.Guide.Prism.ToImaging.V), 0, unit.Length, "mm"), "as far as to the imaging sensor, so that both are in focus"
}

// prismOffAxis puts the prism's inner edge half a millimetre outside the light
// of the imaging sensor's long side: half the sensor's height, half the beam
// (distance over twice the focal ratio), half the prism.
func prismOffAxis(r *Rig) (string, string) {
	c, p := &r.Imaging.Camera, &r.Guide.Prism
	v := float64(c.Height.V)*float64(c.Pixel.V)/2000 + float64(p.ToImaging.V)/(2*r.Imaging.FNumber()) + float64(p.Height.V)/2 + 0.5
	return about(v, 0, "mm"), "just outside the light of the imaging sensor's long side"
}

func prismAngle(r *Rig) (string, string) {
	return unit.Format(float64(r.Imaging.Camera.Angle.V), 0, unit.Angle, "deg"), "over the middle of the imaging sensor's long side"
}

func ringsApart(r *Rig) (string, string) {
	return about(math.Max(math.Min(0.6*float64(r.Guide.Focal.V), 300), 40), 0, "mm"), "rings near the ends of a tube of that focal length (common practice)"
}

func teeth(r *Rig) (string, string) {
	switch {
	case r.Mount.Drive != Worm:
		return "none", "this drive has no worm wheel"
	case r.has("mount.period"):
		n := math.Round(siderealDay / float64(r.Mount.Period.V))
		if n < 10 || n > 5000 {
			return "none", "no worm wheel has this period"
		}
		return strconv.Itoa(int(n)), "a sidereal day over the period"
	case r.Mount.Kind == Tracker:
		return "144", "usual for a tracker (common practice)"
	}
	return "180", "usual for a mount of the middle class (common practice)"
}

func period(r *Rig) (string, string) {
	switch r.Mount.Drive {
	case StrainWave:
		return "430 s", "usual for strain-wave drives (common practice)"
	case Direct:
		return "300 s", "slow lines of the encoder (common practice)"
	case Friction:
		return "600 s", "a turn of the roller (common practice)"
	}
	if n := r.Mount.Teeth.V; n > 0 {
		return sig(siderealDay/n, 6) + " s", "a sidereal day over the teeth"
	}
	return "480 s", "about that of 180 teeth (common practice)"
}

func periodicError(r *Rig) (string, string) {
	switch {
	case r.Mount.Drive == StrainWave:
		return "40 ± 15 arcsec", "strain-wave drives swing 20 to 60 arcsec from peak to peak (common practice)"
	case r.Mount.Drive == Direct:
		return "0.6 ± 0.3 arcsec", "an encoder corrects all but its own lines (common practice)"
	case r.Mount.Drive == Friction:
		return "4 ± 2 arcsec", "a good roller (common practice)"
	case r.Mount.Kind == Tracker:
		return "60 ± 25 arcsec", "a small tracker's worm (common practice)"
	}
	return "20 ± 8 arcsec", "a worm of the middle class, uncorrected (common practice)"
}

func secondHarmonic(r *Rig) (string, string) {
	switch r.Mount.Drive {
	case StrainWave:
		return "0.5 ± 0.2", "strain-wave drives have strong harmonics (common practice)"
	case Worm:
		return "0.3 ± 0.15", practice
	}
	return "0", "no such line known"
}

func gearLine(r *Rig) (string, string) {
	switch r.Mount.Drive {
	case Direct:
		return "0 arcsec", "a direct drive has no gears"
	case Friction:
		return "0.3 ± 0.2 arcsec", practice
	}
	return "1 ± 0.5 arcsec", "gears and belts before the last wheel leave about this, and limit more mounts than the worm (common practice)"
}

func backlash(r *Rig) (string, string) {
	switch {
	case r.Mount.Drive != Worm:
		return "0 arcsec", "this drive has no play to speak of"
	case r.Mount.Kind == Tracker:
		return "0 arcsec", "a tracker has no declination axis"
	}
	return "20 ± 10 arcsec", "a worm of the middle class (common practice)"
}

func payload(r *Rig) (string, string) {
	v := float64(r.Imaging.Weight.V)
	if guided(r) {
		v += float64(r.Guide.Weight.V)
	}
	return sig(2*v, 2) + " kg", "twice the load: for pictures a mount should carry half of its rating (common practice)"
}

func imbalance(r *Rig) (string, string) {
	if r.Mount.Drive == Worm {
		return "0.02 ± 0.01", "a little weight left on purpose keeps the worm on one flank (common practice)"
	}
	return "0", "this drive wants exact balance"
}

func shake(r *Rig) (string, string) {
	if r.Mount.Kind == Tracker {
		return "1.5 ± 0.8 arcsec", "a tracker on a light tripod (common practice)"
	}
	return "0.5 ± 0.3 arcsec", "a tripod of the middle class (common practice)"
}

func pastMeridian(r *Rig) (string, string) {
	if r.Mount.Kind == Equatorial {
		return "20 min", "until camera or tube come near the legs (common practice)"
	}
	return "6 h", "this mount need not flip"
}

func polarError(r *Rig) (string, string) {
	a, e := r.Polar.Altitude, r.Polar.Azimuth
	if a.Known() && e.Known() {
		sky := float64(e.V) * math.Cos(float64(r.Site.Latitude.V.Rad()))
		return about(math.Hypot(float64(a.V), sky), 0, "arcmin"), "from altitude and azimuth"
	}
	switch r.Mount.Kind {
	case AltAzimuth:
		return "0 arcmin", "an alt-azimuth mount has no polar axis"
	case Tracker:
		return "10 ± 6 arcmin", "a tracker set up by eye through a small polar telescope (common practice)"
	}
	return "5 ± 3 arcmin", "a careful setting, not a refined one (common practice)"
}

// gPerHour is how much of g turns across a tube in an hour near the meridian:
// cos(latitude) sin(15 degrees) at 50 degrees, 0.1664. It ties the trade's
// figures in arcsec per hour to a compliance.
const gPerHour = 0.1664

func compliance(r *Rig) (string, string) {
	drift, rel, what := 5.0, 0.7, "a finder shoe drifts 5 arcsec/h within a factor of 2"
	switch {
	case r.Guide.Kind == NoGuide:
		return "0 arcsec/g", "no guide telescope"
	case pickoff(r):
		drift, rel, what = 0.3, 0.5, "a pick-off drifts about 0.3 arcsec/h"
	case r.Guide.Shoe.Kind == RingsOnPlate:
		drift, rel, what = 2, 0.5, "rings on a plate drift about 2 arcsec/h"
	case r.Guide.Shoe.Kind == ORingBracket:
		drift, rel, what = 15, 0.7, "a bracket with an O-ring drifts about 15 arcsec/h"
	}
	v := drift / gPerHour
	return sig(v, 2) + " ± " + sig(rel*v, 2) + " arcsec/g", what + " near the meridian (common practice)"
}

func axial(r *Rig) (string, string) {
	v := r.Flexure.ComplianceArcsecPerG.V / 3
	if v == 0 {
		return "0 arcsec/g", "no compliance across the tube either"
	}
	return sig(v, 2) + " ± " + sig(v, 2) + " arcsec/g", "a third of the compliance across the tube (a guess)"
}
