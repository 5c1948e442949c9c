package rig

import "holdfast/internal/unit"

// sections are the tables of the rig file.
var sections = []Section{
	{"site", "Where the telescope stands, and the air above it."},
	{"goal", "What you call a good star, and what to shoot."},
	{"sub", "One exposure of the imaging camera, and the time around it."},
	{"imaging", "The telescope that takes the picture."},
	{"imaging.camera", "The camera behind the imaging telescope. The figures are on its data sheet."},
	{"guide", "The guide telescope, or the pick-off prism behind the imaging telescope."},
	{"guide.camera", "The guide camera."},
	{"guide.focuser", "The guide telescope's focuser, usually helical: its tube turns."},
	{"guide.prism", "The pick-off prism; only for kind = \"pickoff\"."},
	{"guide.shoe", "What holds the guide telescope to the imaging telescope."},
	{"mount", "The mount and the errors of its drive."},
	{"polar", "How far the mount's axis stands from the pole."},
	{"flexure", "How far the two telescopes turn against each other as gravity turns round them."},
	{"loop", "Settings of the correction. What is left out, the plan chooses."},
}

// kinds and the like, in the order they are offered.
var (
	imagingKinds  = []ImagingKind{Refractor, Newtonian, MovingMirror, FixedMirror, Lens}
	tubeMaterials = []TubeMaterial{Aluminium, Steel, Carbon}
	guideKinds    = []GuideKind{Piggyback, Pickoff, NoGuide}
	shoeKinds     = []ShoeKind{FinderShoe, RingsOnPlate, ORingBracket}
	mountKinds    = []MountKind{Equatorial, ForkWedge, AltAzimuth, Tracker}
	drives        = []Drive{Worm, StrainWave, Direct, Friction}
)

func guided(r *Rig) bool    { return r.Guide.Kind != NoGuide }
func piggyback(r *Rig) bool { return r.Guide.Kind == Piggyback }
func pickoff(r *Rig) bool   { return r.Guide.Kind == Pickoff }
func geared(r *Rig) bool    { return r.Mount.Drive != Direct }
func mirrored(r *Rig) bool {
	return r.Imaging.Kind != Refractor && r.Imaging.Kind != Lens
}
func polarAligned(r *Rig) bool { return r.Mount.Kind != AltAzimuth }
func compliant(r *Rig) bool    { return guided(r) && !r.Flexure.DriftArcsecPerHr.Known() }

const practice = "common practice"

// schema is the rig file: every entry with its meaning, unit, range and
// default, in the order of the file.
var schema = join(
	[]Entry{
		words("name", func(r *Rig) *string { return &r.Name },
			"what you call this rig", "", "no name given").main(),

		num("site.latitude", unit.Latitude, "deg", -90, 90, func(r *Rig) *unit.Est[unit.Deg] { return &r.Site.Latitude },
			"latitude of the site", "45 deg N", "no site given: half way from the equator to the pole").main(),
		num("site.longitude", unit.Longitude, "deg", -180, 180, func(r *Rig) *unit.Est[unit.Deg] { return &r.Site.Longitude },
			"longitude of the site", "0 deg E", "no site given").main(),
		num("site.height", unit.Length, "m", -430, 6000, func(r *Rig) *unit.Est[unit.Metre] { return &r.Site.Height },
			"height above the sea", "200 m", "most people live below 500 m"),
		num("site.utc_offset", unit.Time, "h", -12, 14, func(r *Rig) *unit.Est[unit.Hour] { return &r.Site.UTCOffset },
			"local civil time minus UTC", "", "").by(utcOffset).main(),
		num("site.horizon", unit.Angle, "deg", 5, 85, func(r *Rig) *unit.Est[unit.Deg] { return &r.Site.Horizon },
			"lowest altitude worth imaging at", "30 deg", "below it the light crosses more than twice the air of the zenith"),
		num("site.seeing", unit.Angle, "arcsec", 0.2, 15, func(r *Rig) *unit.Est[unit.Arcsec] { return &r.Site.Seeing },
			"FWHM of a star in a long exposure at the zenith at 500 nm, as the air delivers it", "2.5 ± 0.6 arcsec", "an ordinary site; good nights reach 1.5, poor ones 5 (common practice)").main(),
		num("site.outer_scale", unit.Length, "m", 1, 10000, func(r *Rig) *unit.Est[unit.Metre] { return &r.Site.OuterScale },
			"outer scale of the turbulence", "20 ± 10 m", "the scale measured at most observatories (Ziad et al. 2000, Applied Optics 39, 5415; from memory)").infinite(),
		num("site.ground_share", unit.Pure, "", 0, 1, func(r *Rig) *unit.Est[float64] { return &r.Site.GroundShare },
			"share of the image motion that arises near the ground, where all stars of a field show it alike", "0.5 ± 0.2", practice),
		num("site.wind_aloft", unit.Speed, "m/s", 0.5, 100, func(r *Rig) *unit.Est[unit.MPS] { return &r.Site.WindAloft },
			"wind that carries the turbulence across the aperture", "10 ± 4 m/s", "a usual mean over the layers; near the ground 3 m/s (common practice)"),
		num("site.wind", unit.Speed, "m/s", 0, 30, func(r *Rig) *unit.Est[unit.MPS] { return &r.Site.Wind },
			"wind at the telescope", "2 ± 1 m/s", "a light breeze, as on most nights people image on"),
		num("site.sky", unit.SurfaceBrightness, "mag/arcsec2", 14, 22.5, func(r *Rig) *unit.Est[unit.SurfaceMag] { return &r.Site.Sky },
			"V brightness of the sky at the zenith without the Moon", "20.5 ± 0.5 mag/arcsec2", "between a village and its suburb (common practice)").main(),
		num("site.extinction", unit.Extinction, "mag", 0.03, 2, func(r *Rig) *unit.Est[unit.Mag] { return &r.Site.Extinction },
			"light lost to the air in V, per airmass", "0.25 ± 0.07 mag", "a low site on a clear night; 0.12 high and dry, 0.4 in haze (common practice)"),
		num("site.temperature", unit.Temperature, "C", -60, 50, func(r *Rig) *unit.Est[unit.Celsius] { return &r.Site.Temperature },
			"air temperature at dusk", "10 C", "a mild night"),
		num("site.cooling", unit.TemperatureRate, "K/h", -10, 20, func(r *Rig) *unit.Est[float64] { return &r.Site.CoolingKPerHr },
			"fall of the air temperature through the night", "1 ± 0.5 K/h", "clear nights cool 5 to 15 K from dusk to dawn (common practice)"),

		words("goal.target", func(r *Rig) *string { return &r.Goal.Target },
			"what to shoot: a name or coordinates", "", "left open: the plan takes a field that stands high"),
		num("goal.ellipticity", unit.Pure, "", 0.01, 0.9, func(r *Rig) *unit.Est[float64] { return &r.Goal.Ellipticity },
			"largest 1 - b/a of a star at the centre that you call round", "0.10", "below it an eye sees a round star (common practice)"),
		num("goal.ellipticity_corner", unit.Pure, "", 0.01, 0.9, func(r *Rig) *unit.Est[float64] { return &r.Goal.EllipticityCorner },
			"the same in the corner", "0.15", "corners are looked at less closely (common practice)"),
		num("goal.fwhm_ratio", unit.Pure, "", 1, 5, func(r *Rig) *unit.Est[float64] { return &r.Goal.FWHMRatio },
			"largest FWHM over that of air, diffraction, optics and pixels alone", "1.15", "a seventh wider is just seen beside a tighter star (common practice)"),

		num("sub.length", unit.Time, "s", 0.001, 7200, func(r *Rig) *unit.Est[unit.Second] { return &r.Sub.Length },
			"exposure of one sub", "", "").by(subLength).main(),
		num("sub.overhead", unit.Time, "s", 0, 600, func(r *Rig) *unit.Est[unit.Second] { return &r.Sub.Overhead },
			"readout and download between subs", "5 s", "a few seconds over USB (common practice)"),
		num("sub.settle", unit.Time, "s", 0, 600, func(r *Rig) *unit.Est[unit.Second] { return &r.Sub.Settle },
			"time after a dither until the correction holds again", "10 s", "several cycles of the correction (common practice)"),
		num("sub.dither", unit.Pixels, "px", 0, 500, func(r *Rig) *unit.Est[unit.Px] { return &r.Sub.Dither },
			"rms move between subs, in imaging pixels; 0 is none", "5 px", "a few pixels move fixed patterns off each other (common practice)"),
		num("sub.refocus_every", unit.Time, "s", 60, 43200, func(r *Rig) *unit.Est[unit.Second] { return &r.Sub.RefocusEvery },
			"time from one refocus to the next", "1 h", practice),
		num("sub.spoiled", unit.EventRate, "/h", 0, 60, func(r *Rig) *unit.Est[float64] { return &r.Sub.SpoiledPerHour },
			"events that ruin a sub: gust, aeroplane, cloud edge", "1 /h", "about one an hour on an ordinary night (common practice)"),

		choice("imaging.kind", imagingKinds, func(r *Rig) *ImagingKind { return &r.Imaging.Kind },
			"construction of the telescope; moving-mirror means that it focuses by moving its main mirror", "", "").by(imagingKind).main(),
		num("imaging.aperture", unit.Length, "mm", 5, 3000, func(r *Rig) *unit.Est[unit.MM] { return &r.Imaging.Aperture },
			"clear diameter of the objective or main mirror", "", "").by(aperture).main(),
		num("imaging.focal", unit.Length, "mm", 10, 30000, func(r *Rig) *unit.Est[unit.MM] { return &r.Imaging.Focal },
			"focal length without reducer", "", "").by(focal).main(),
		num("imaging.reducer", unit.Pure, "", 0.2, 6, func(r *Rig) *unit.Est[float64] { return &r.Imaging.Reducer },
			"factor of a reducer or extender on the focal length; 1 is none", "1", "none mentioned"),
		num("imaging.obstruction", unit.Pure, "", 0, 0.8, func(r *Rig) *unit.Est[float64] { return &r.Imaging.Obstruction },
			"diameter of the central obstruction over the aperture", "", "").by(obstruction),
		num("imaging.transmission", unit.Pure, "", 0.05, 1, func(r *Rig) *unit.Est[float64] { return &r.Imaging.Transmission },
			"share of the light that the optics pass, obstruction apart", "", "").by(transmission),
		num("imaging.wavelength", unit.Length, "um", 0.3, 1.1, func(r *Rig) *unit.Est[unit.Micron] { return &r.Imaging.Wavelength },
			"wavelength of the picture", "550 nm", "the middle of visible light"),
		num("imaging.spot", unit.Length, "um", 0, 200, func(r *Rig) *unit.Est[unit.Micron] { return &r.Imaging.Spot },
			"FWHM of the aberrations alone at the centre of the sensor", "", "").by(spot),
		num("imaging.spot_corner", unit.Length, "um", 0, 300, func(r *Rig) *unit.Est[unit.Micron] { return &r.Imaging.SpotCorner },
			"the same in the corner", "", "").by(spotCorner),
		num("imaging.focus_error", unit.Length, "um", 0, 3000, func(r *Rig) *unit.Est[unit.Micron] { return &r.Imaging.FocusError },
			"distance of the sensor from best focus right after focusing", "", "").by(focusError),
		choice("imaging.tube", tubeMaterials, func(r *Rig) *TubeMaterial { return &r.Imaging.Tube },
			"what the tube is made of: how its length follows the cold", "", "").by(tube),
		num("imaging.tube_length", unit.Length, "mm", 10, 10000, func(r *Rig) *unit.Est[unit.MM] { return &r.Imaging.TubeLength },
			"length of tube between objective or mirror and focuser", "", "").by(tubeLength),
		num("imaging.tube_diameter", unit.Length, "mm", 5, 4000, func(r *Rig) *unit.Est[unit.MM] { return &r.Imaging.TubeDiameter },
			"outer diameter of the tube", "", "").by(tubeDiameter),
		num("imaging.weight", unit.Mass, "kg", 0.05, 2000, func(r *Rig) *unit.Est[unit.Kg] { return &r.Imaging.Weight },
			"weight of the telescope with camera and rings", "", "").by(imagingWeight),
		num("imaging.mirror_shift", unit.AngleRate, "arcsec/h", 0, 1000, func(r *Rig) *unit.Est[float64] { return &r.Imaging.MirrorShiftArcsecPerHr },
			"slow movement of the image as the main mirror settles", "", "").by(mirrorShift).when(mirrored),
	},
	camera("imaging.camera", func(r *Rig) *Camera { return &r.Imaging.Camera }, nil,
		"3.76 um", "6248 px", "4176 px", "a present-day 26-megapixel camera (common practice)",
		"1.5 ± 0.3 e-", "16 bit", "16000 e-", "0.01 ± 0.005 e-/s", "a cooled camera at its usual gain (common practice)", "17.5 mm"),
	[]Entry{
		choice("guide.kind", guideKinds, func(r *Rig) *GuideKind { return &r.Guide.Kind },
			"piggyback is a telescope of its own beside the imaging telescope, pickoff a prism in its light", "", "").by(guideKind).main(),
		num("guide.aperture", unit.Length, "mm", 5, 3000, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Aperture },
			"clear diameter of the guide optics", "", "").by(guideAperture).when(guided).main(),
		num("guide.focal", unit.Length, "mm", 10, 30000, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Focal },
			"focal length of the guide optics", "", "").by(guideFocal).when(guided).main(),
		num("guide.obstruction", unit.Pure, "", 0, 0.8, func(r *Rig) *unit.Est[float64] { return &r.Guide.Obstruction },
			"diameter of the central obstruction over the aperture", "", "").by(guideObstruction).when(guided),
		num("guide.transmission", unit.Pure, "", 0.05, 1, func(r *Rig) *unit.Est[float64] { return &r.Guide.Transmission },
			"share of the light that the guide optics pass", "", "").by(guideTransmission).when(guided),
		num("guide.spot", unit.Length, "um", 0, 500, func(r *Rig) *unit.Est[unit.Micron] { return &r.Guide.Spot },
			"FWHM of the aberrations alone at the guide sensor", "", "").by(guideSpot).when(guided),
		num("guide.field", unit.Length, "mm", 0.5, 200, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.FieldDiameter },
			"diameter of the circle that the guide optics light up", "", "").by(guideField).when(guided),
		num("guide.defocus", unit.Length, "um", 0, 5000, func(r *Rig) *unit.Est[unit.Micron] { return &r.Guide.Defocus },
			"distance of the guide sensor from best focus, on purpose or not", "", "").by(guideDefocus).when(guided),
		num("guide.centroid_floor", unit.Pixels, "px", 0, 1, func(r *Rig) *unit.Est[unit.Px] { return &r.Guide.CentroidFloor },
			"error of a star's position that no light removes", "0.05 ± 0.02 px", "pixel response and star model leave 0.02 to 0.1 px (common practice)").when(guided),
		num("guide.offset_east", unit.Angle, "arcmin", -600, 600, func(r *Rig) *unit.Est[unit.Arcmin] { return &r.Guide.OffsetEast },
			"how far east of the imaging axis the guide axis points", "", "").by(func(r *Rig) (string, string) { return guideOffset(r, true) }).when(guided),
		num("guide.offset_north", unit.Angle, "arcmin", -600, 600, func(r *Rig) *unit.Est[unit.Arcmin] { return &r.Guide.OffsetNorth },
			"how far north of the imaging axis the guide axis points", "", "").by(func(r *Rig) (string, string) { return guideOffset(r, false) }).when(guided),
		num("guide.weight", unit.Mass, "kg", 0, 100, func(r *Rig) *unit.Est[unit.Kg] { return &r.Guide.Weight },
			"weight of the guide telescope with camera and holder", "", "").by(guideWeight).when(guided),
		words("guide.rear_thread", func(r *Rig) *string { return &r.Guide.RearThread },
			"thread behind the focuser", "M42x0.75", "the usual thread for adapters (common practice)").when(piggyback),
		num("guide.back_focus", unit.Length, "mm", -100, 500, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.BackFocus },
			"rear thread to focal plane with the focuser fully in", "40.5 mm", "a camera of 17.5 mm behind a 17 mm spacer comes to focus in the middle of the travel (common practice)").when(piggyback),
		num("guide.nosepiece_slide", unit.Length, "mm", 0, 100, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.NosepieceSlide },
			"how far a 1.25-inch nosepiece can be drawn out of its barrel; 0 when threaded", "0 mm", "a threaded camera holds better").when(piggyback),
		lengths("guide.spacers", "mm", 0.05, 200, func(r *Rig) *[]unit.MM { return &r.Guide.Spacers },
			"spacers on hand", "17 mm", "the one that most 50 mm guide telescopes need (common practice)").when(piggyback),
		num("guide.filter_glass", unit.Length, "mm", 0, 20, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.FilterGlass },
			"thickness of plane glass in front of the guide sensor", "0 mm", "none mentioned").when(guided),
	},
	camera("guide.camera", func(r *Rig) *Camera { return &r.Guide.Camera }, guided,
		"3.75 um", "1280 px", "960 px", "a small guide camera (common practice)",
		"3 ± 0.7 e-", "12 bit", "13000 e-", "0.5 ± 0.3 e-/s", "an uncooled guide camera (common practice)", "17.5 mm"),
	[]Entry{
		num("guide.focuser.travel", unit.Length, "mm", 0, 200, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Focuser.Travel },
			"travel from fully in to fully out", "", "").by(focuserTravel).when(piggyback),
		num("guide.focuser.pitch", unit.ThreadPitch, "mm", 0.05, 50, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Focuser.Pitch },
			"travel per turn", "0.75 mm", "a usual fine thread (common practice)").when(piggyback),
		num("guide.focuser.lock_shift", unit.Length, "um", 0, 1000, func(r *Rig) *unit.Est[unit.Micron] { return &r.Guide.Focuser.LockShift },
			"how far locking moves the focus", "15 ± 10 um", "locking shifts a helical focuser by several degrees of turn (common practice)").when(piggyback),

		num("guide.prism.width", unit.Length, "mm", 1, 100, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Prism.Width },
			"width of the prism across the direction to the axis", "8 mm", practice).when(pickoff),
		num("guide.prism.height", unit.Length, "mm", 1, 100, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Prism.Height },
			"height of the prism toward the axis", "8 mm", practice).when(pickoff),
		num("guide.prism.to_imaging", unit.Length, "mm", 1, 500, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Prism.ToImaging },
			"prism to imaging sensor along the light", "50 mm", "room for a filter wheel and a 17.5 mm camera (common practice)").when(pickoff),
		num("guide.prism.to_guide", unit.Length, "mm", 1, 500, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Prism.ToGuide },
			"prism to guide sensor along the light", "", "").by(prismToGuide).when(pickoff),
		num("guide.prism.off_axis", unit.Length, "mm", 1, 300, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Prism.OffAxis },
			"optical axis to the prism's centre", "", "").by(prismOffAxis).when(pickoff),
		num("guide.prism.angle", unit.Angle, "deg", -360, 360, func(r *Rig) *unit.Est[unit.Deg] { return &r.Guide.Prism.Angle },
			"position angle of the prism seen from the axis, north through east", "", "").by(prismAngle).when(pickoff),
		onOff("guide.prism.before_filter", func(r *Rig) *bool { return &r.Guide.Prism.BeforeFilter },
			"the prism sits before the imaging filter and sees white light", "true", practice).when(pickoff),

		choice("guide.shoe.kind", shoeKinds, func(r *Rig) *ShoeKind { return &r.Guide.Shoe.Kind },
			"how the guide telescope is held", "finder-shoe", "what most small guide telescopes come with (common practice)").when(piggyback).main(),
		num("guide.shoe.bolt_spacing", unit.Length, "mm", 3, 500, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Shoe.BoltSpacing },
			"between the two bolts of the holder", "3/4 in", "the usual pair of holes (common practice)").when(piggyback),
		num("guide.shoe.base_spacing", unit.Length, "mm", 3, 500, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Shoe.BaseSpacing },
			"between the two holes that the imaging telescope offers", "3/4 in", "the usual pair of holes (common practice)").when(piggyback),
		num("guide.shoe.rings_apart", unit.Length, "mm", 5, 1000, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Shoe.RingsApart },
			"between the two rings that hold the tube", "", "").by(ringsApart).when(piggyback),
		num("guide.shoe.screws", unit.Pure, "", 0, 12, func(r *Rig) *unit.Est[float64] { return &r.Guide.Shoe.Screws },
			"alignment screws in each ring", "3", practice).whole().when(piggyback),
		num("guide.shoe.screw_pitch", unit.ThreadPitch, "mm", 0.1, 3, func(r *Rig) *unit.Est[unit.MM] { return &r.Guide.Shoe.ScrewPitch },
			"thread pitch of those screws", "0.7 mm", "an M4 screw (ISO 261)").when(piggyback),

		choice("mount.kind", mountKinds, func(r *Rig) *MountKind { return &r.Mount.Kind },
			"geometry of the mount; a tracker has one motor axis", "equatorial", "the usual mount for long exposures").main(),
		choice("mount.drive", drives, func(r *Rig) *Drive { return &r.Mount.Drive },
			"what turns the right ascension axis", "worm", "most mounts have a worm").main(),
		num("mount.teeth", unit.Pure, "", 10, 5000, func(r *Rig) *unit.Est[float64] { return &r.Mount.Teeth },
			"teeth of the worm wheel; its period is a sidereal day over the teeth", "", "").by(teeth).whole().unset("none").when(func(r *Rig) bool { return r.Mount.Drive == Worm }),
		num("mount.period", unit.Time, "s", 2, 86400, func(r *Rig) *unit.Est[unit.Second] { return &r.Mount.Period },
			"period of the periodic error", "", "").by(period),
		num("mount.periodic_error", unit.Angle, "arcsec", 0, 1200, func(r *Rig) *unit.Est[unit.Arcsec] { return &r.Mount.PeriodicError },
			"periodic error from peak to peak, uncorrected, on the celestial equator", "", "").by(periodicError).main(),
		num("mount.second_harmonic", unit.Pure, "", 0, 5, func(r *Rig) *unit.Est[float64] { return &r.Mount.SecondHarmonic },
			"amplitude at half the period over that at the period", "", "").by(secondHarmonic),
		num("mount.gear_line", unit.Angle, "arcsec", 0, 200, func(r *Rig) *unit.Est[unit.Arcsec] { return &r.Mount.GearLine },
			"amplitude (half of peak to peak) of the quickest strong gear line", "", "").by(gearLine),
		num("mount.gear_period", unit.Time, "s", 0.5, 1000, func(r *Rig) *unit.Est[unit.Second] { return &r.Mount.GearPeriod },
			"period of that line", "20 ± 8 s", "gear trains and belts turn in 8 to 60 s (common practice)").when(geared),
		num("mount.backlash", unit.Angle, "arcsec", 0, 7200, func(r *Rig) *unit.Est[unit.Arcsec] { return &r.Mount.Backlash },
			"play of the declination drive", "", "").by(backlash).when(func(r *Rig) bool { return r.Mount.Kind != Tracker }),
		num("mount.rate_error", unit.Parts, "ppm", -10000, 10000, func(r *Rig) *unit.Est[float64] { return &r.Mount.RateErrorPPM },
			"error of the tracking rate", "0 ± 20 ppm", "a quartz clock (common practice)"),
		num("mount.guide_rate", unit.Pure, "x", 0.02, 8, func(r *Rig) *unit.Est[float64] { return &r.Mount.GuideRate },
			"speed of a correction in units of the sidereal rate", "0.5 x", "the usual setting (common practice)").when(guided),
		num("mount.payload", unit.Mass, "kg", 0.1, 3000, func(r *Rig) *unit.Est[unit.Kg] { return &r.Mount.Payload },
			"load the mount is rated for, counterweights apart", "", "").by(payload),
		num("mount.imbalance", unit.Pure, "", -1, 1, func(r *Rig) *unit.Est[float64] { return &r.Mount.Imbalance },
			"torque left in right ascension, as a fraction of the rated payload at 0.1 m", "", "").by(imbalance),
		num("mount.shake", unit.Angle, "arcsec", 0, 120, func(r *Rig) *unit.Est[unit.Arcsec] { return &r.Mount.ShakeArcsec },
			"rms movement per axis in a 5 m/s wind at the telescope", "", "").by(shake),
		num("mount.past_meridian", unit.Time, "h", -6, 12, func(r *Rig) *unit.Est[unit.Hour] { return &r.Mount.PastMeridian },
			"how long past the meridian it tracks before it must flip", "", "").by(pastMeridian).when(func(r *Rig) bool { return r.Mount.Kind == Equatorial }),

		num("polar.error", unit.Angle, "arcmin", 0, 600, func(r *Rig) *unit.Est[unit.Arcmin] { return &r.Polar.Error },
			"angle between the mount's axis and the pole", "", "").by(polarError).when(polarAligned).main(),
		num("polar.altitude", unit.Angle, "arcmin", -600, 600, func(r *Rig) *unit.Est[unit.Arcmin] { return &r.Polar.Altitude },
			"how far the axis stands above the pole, where measured", "unknown", "not measured: the plan takes every direction of the error as equally likely").unset("unknown").when(polarAligned),
		num("polar.azimuth", unit.Angle, "arcmin", -600, 600, func(r *Rig) *unit.Est[unit.Arcmin] { return &r.Polar.Azimuth },
			"how far the azimuth knob stands east of the pole, where measured", "unknown", "not measured: the plan takes every direction of the error as equally likely").unset("unknown").when(polarAligned),

		num("flexure.compliance", unit.Compliance, "arcsec/g", 0, 10000, func(r *Rig) *unit.Est[float64] { return &r.Flexure.ComplianceArcsecPerG },
			"tilt between the telescopes for one g across the tube", "", "").by(compliance).when(compliant),
		num("flexure.axial", unit.Compliance, "arcsec/g", -10000, 10000, func(r *Rig) *unit.Est[float64] { return &r.Flexure.AxialArcsecPerG },
			"tilt between the telescopes for one g along the tube", "", "").by(axial).when(compliant),
		num("flexure.drift", unit.AngleRate, "arcsec/h", 0, 10000, func(r *Rig) *unit.Est[float64] { return &r.Flexure.DriftArcsecPerHr },
			"measured drift between the telescopes; replaces the two entries above", "unknown", "not measured").unset("unknown").when(guided),

		num("loop.interval", unit.Time, "s", 0.005, 120, func(r *Rig) *unit.Est[unit.Second] { return &r.Loop.Interval },
			"exposure of the guide camera", "plan", left).unset("plan").when(guided),
		num("loop.readout", unit.Time, "s", 0, 60, func(r *Rig) *unit.Est[unit.Second] { return &r.Loop.Readout },
			"from the end of a guide exposure to its correction", "0.5 ± 0.2 s", "readout, measurement and a pulse of a small USB camera (common practice)").when(guided),
		num("loop.gain_ra", unit.Pure, "", 0, 2, func(r *Rig) *unit.Est[float64] { return &r.Loop.GainRA },
			"share of a measured error that is corrected at once, in right ascension", "plan", left).unset("plan").when(guided),
		num("loop.gain_dec", unit.Pure, "", 0, 2, func(r *Rig) *unit.Est[float64] { return &r.Loop.GainDec },
			"the same in declination; 0 leaves declination alone", "plan", left).unset("plan").when(guided),
		num("loop.dead_band", unit.Angle, "arcsec", 0, 60, func(r *Rig) *unit.Est[unit.Arcsec] { return &r.Loop.DeadBand },
			"smallest error that is corrected", "plan", left).unset("plan").when(guided),
		num("loop.delay", unit.Pure, "", 0, 20, func(r *Rig) *unit.Est[float64] { return &r.Loop.Delay },
			"whole frames between a measurement and its effect, beyond the first", "0", "a correction that ends before the next exposure begins").whole().when(guided),
		num("loop.stars", unit.Pure, "", 1, 100, func(r *Rig) *unit.Est[float64] { return &r.Loop.Stars },
			"guide stars averaged", "1", "the least that any program does").whole().when(guided),
		num("loop.min_pulse", unit.Time, "s", 0, 10, func(r *Rig) *unit.Est[unit.Second] { return &r.Loop.MinPulse },
			"shortest correction the mount carries out", "10 ms", practice).when(guided),
		num("loop.max_pulse", unit.Time, "s", 0.005, 60, func(r *Rig) *unit.Est[unit.Second] { return &r.Loop.MaxPulse },
			"longest correction sent at once", "2 s", practice).when(guided),
	},
)

const left = "left to the plan, which takes the best"

// camera returns the entries of a camera.
func camera(path string, at func(*Rig) *Camera, when func(*Rig) bool, pixel, width, height, sensor, readNoise, bits, fullWell, dark, electronics, flange string) []Entry {
	out := []Entry{
		num(path+".pixel", unit.PixelPitch, "um", 1, 30, func(r *Rig) *unit.Est[unit.Micron] { return &at(r).Pixel },
			"side of an unbinned pixel", pixel, sensor).main(),
		num(path+".width", unit.Pixels, "px", 16, 30000, func(r *Rig) *unit.Est[unit.Px] { return &at(r).Width },
			"unbinned pixels along a row", width, sensor).whole().main(),
		num(path+".height", unit.Pixels, "px", 16, 30000, func(r *Rig) *unit.Est[unit.Px] { return &at(r).Height },
			"unbinned rows", height, sensor).whole().main(),
		num(path+".bin", unit.Pure, "", 1, 8, func(r *Rig) *unit.Est[float64] { return &at(r).Bin },
			"pixels joined along each side; 1 is none", "1", "none mentioned").whole(),
		num(path+".read_noise", unit.Electrons, "e-", 0, 100, func(r *Rig) *unit.Est[unit.Electron] { return &at(r).ReadNoise },
			"read noise of a pixel at the gain used", readNoise, electronics),
		num(path+".full_well", unit.Electrons, "e-", 200, 2e6, func(r *Rig) *unit.Est[unit.Electron] { return &at(r).FullWell },
			"electrons at which a pixel saturates at the gain used", fullWell, electronics),
		num(path+".bits", unit.Bits, "bit", 8, 32, func(r *Rig) *unit.Est[float64] { return &at(r).Bits },
			"bits of the numbers in the frames' range", bits, electronics).whole(),
		num(path+".gain", unit.Gain, "e-/ADU", 1e-4, 500, func(r *Rig) *unit.Est[float64] { return &at(r).GainElectronPerADU },
			"electrons for one step of the converter", "", "").by(func(r *Rig) (string, string) { return gain(at(r)) }),
		num(path+".offset", unit.Counts, "ADU", 0, 1e6, func(r *Rig) *unit.Est[unit.ADU] { return &at(r).Offset },
			"level of a frame without light", "", "").by(func(r *Rig) (string, string) { return offset(at(r)) }),
		num(path+".dark", unit.ElectronRate, "e-/s", 0, 10000, func(r *Rig) *unit.Est[float64] { return &at(r).DarkElectronPerS },
			"dark current of a pixel", dark, electronics),
		onOff(path+".colour", func(r *Rig) *bool { return &at(r).Colour },
			"the sensor has a colour matrix", "false", "none mentioned"),
		num(path+".zero_point", unit.ZeroPoint, "e-/s/cm2", 1e4, 1e8, func(r *Rig) *unit.Est[float64] { return &at(r).ZeroPointElectronPerSCm2 },
			"electrons from a V = 0 star above the air through perfect optics", "", "").by(func(r *Rig) (string, string) { return zeroPoint(at(r)) }),
		num(path+".angle", unit.Angle, "deg", -360, 360, func(r *Rig) *unit.Est[unit.Deg] { return &at(r).Angle },
			"position angle of the sensor's +y, north through east", "0 deg", "not measured"),
		num(path+".flange", unit.Length, "mm", 0, 200, func(r *Rig) *unit.Est[unit.MM] { return &at(r).Flange },
			"mounting face to sensor", flange, practice),
	}
	for i := range out {
		out[i].applies = when
	}
	return out
}

// join puts the parts of the table together and reads the constant defaults.
func join(parts ...[]Entry) []Entry {
	var all []Entry
	for _, p := range parts {
		all = append(all, p...)
	}
	for i := range all {
		e := &all[i]
		if e.compute != nil {
			continue
		}
		v, p := e.read(e.text)
		if p != nil {
			panic("rig: default of " + e.Path + ": " + p.found + ": " + p.want)
		}
		e.constant = v
	}
	return all
}

// index finds an entry by its path.
var index = func() map[string]int {
	m := make(map[string]int, len(schema))
	for i := range schema {
		if _, twice := m[schema[i].Path]; twice {
			panic("rig: two entries called " + schema[i].Path)
		}
		m[schema[i].Path] = i
	}
	return m
}()
