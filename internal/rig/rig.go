// Package rig holds the description of one person's equipment, site and
// settings: what every entry means, its unit, its range, its default and the
// reason for that default. It reads the rig file, reports what was assumed,
// and lets any entry be set, drawn from its uncertainty or listed by its path.
//
// An uncertainty after "±" is one standard deviation.
package rig

import "holdfast/internal/unit"

// Rig is a complete rig: every entry has a value, given or assumed. Build one
// with Read or Default; the zero Rig is not usable.
type Rig struct {
	Name    string
	Site    Site
	Goal    Goal
	Sub     Sub
	Imaging Imaging
	Guide   Guide
	Mount   Mount
	Polar   Polar
	Flexure Flexure
	Loop    Loop

	given map[string]Given // entries the file (or Set) gave, by path
}

// Given records where an entry came from.
type Given struct {
	Text string // as written
	Line int    // 1-based line in the file; 0 when it did not come from a file
}

// Site is where the telescope stands and the air above it.
type Site struct {
	Latitude      unit.Est[unit.Deg] // north positive
	Longitude     unit.Est[unit.Deg] // east positive
	Height        unit.Est[unit.Metre]
	UTCOffset     unit.Est[unit.Hour]       // local civil time minus UTC, here in hours of time
	Horizon       unit.Est[unit.Deg]        // lowest altitude worth imaging at
	Seeing        unit.Est[unit.Arcsec]     // delivered long-exposure FWHM at the zenith at 500 nm
	OuterScale    unit.Est[unit.Metre]      // of the turbulence; +Inf is allowed
	GroundShare   unit.Est[float64]         // of the image motion that arises so near the ground that every star of a field shows it alike
	WindAloft     unit.Est[unit.MPS]        // that carries the turbulence across the aperture
	Wind          unit.Est[unit.MPS]        // at the telescope
	Sky           unit.Est[unit.SurfaceMag] // dark-sky V brightness at the zenith, without the Moon
	Extinction    unit.Est[unit.Mag]        // per airmass in V
	Temperature   unit.Est[unit.Celsius]
	CoolingKPerHr unit.Est[float64] // fall of temperature through the night
}

// Goal is what the person calls a good star, and what to shoot.
type Goal struct {
	Target            string            // a name or coordinates; "" lets the plan choose
	Ellipticity       unit.Est[float64] // largest 1-b/a at the centre
	EllipticityCorner unit.Est[float64] // largest 1-b/a in the corner
	FWHMRatio         unit.Est[float64] // largest FWHM over that of air, diffraction, optics and pixels alone
}

// Sub is one exposure of the imaging camera and what surrounds it.
type Sub struct {
	Length         unit.Est[unit.Second]
	Overhead       unit.Est[unit.Second] // readout, download
	Settle         unit.Est[unit.Second] // after a dither, until the loop holds again
	Dither         unit.Est[unit.Px]     // of the imaging camera, rms per move; 0 is none
	RefocusEvery   unit.Est[unit.Second]
	SpoiledPerHour unit.Est[float64] // events (gust, aeroplane, cloud edge) that ruin a sub
}

// ImagingKind is the construction of the imaging telescope.
type ImagingKind string

// The kinds of imaging telescope.
const (
	Refractor    ImagingKind = "refractor"
	Newtonian    ImagingKind = "newtonian"
	MovingMirror ImagingKind = "moving-mirror" // focuses by moving its main mirror
	FixedMirror  ImagingKind = "fixed-mirror"  // compound, main mirror fixed
	Lens         ImagingKind = "lens"
)

// TubeMaterial is what the imaging tube is made of.
type TubeMaterial string

// The tube materials.
const (
	Aluminium TubeMaterial = "aluminium"
	Steel     TubeMaterial = "steel"
	Carbon    TubeMaterial = "carbon"
)

// Imaging is the telescope that takes the picture, with its camera.
type Imaging struct {
	Kind                   ImagingKind
	Aperture               unit.Est[unit.MM]
	Obstruction            unit.Est[float64] // diameter of the central obstruction over the aperture
	Focal                  unit.Est[unit.MM] // native, before the reducer
	Reducer                unit.Est[float64] // factor on the focal length; 1 is none
	Transmission           unit.Est[float64] // of the optics, obstruction apart
	Wavelength             unit.Est[unit.Micron]
	Spot                   unit.Est[unit.Micron] // FWHM of the aberrations alone at the centre, at the sensor
	SpotCorner             unit.Est[unit.Micron] // the same in the corner
	FocusError             unit.Est[unit.Micron] // distance of the sensor from best focus after focusing, at the sensor
	Tube                   TubeMaterial
	TubeLength             unit.Est[unit.MM] // between objective or mirror and focuser
	TubeDiameter           unit.Est[unit.MM]
	Weight                 unit.Est[unit.Kg] // with its camera and rings
	MirrorShiftArcsecPerHr unit.Est[float64] // slow movement of the image as the main mirror settles
	Camera                 Camera
}

// FocalLength returns the focal length that the camera sees: native times
// reducer.
func (im *Imaging) FocalLength() unit.MM { return im.Focal.V * unit.MM(im.Reducer.V) }

// FNumber returns the focal ratio at the camera.
func (im *Imaging) FNumber() float64 { return float64(im.FocalLength() / im.Aperture.V) }

// Camera is a camera: its pixels, its noise and how it sits.
type Camera struct {
	Pixel                    unit.Est[unit.Micron]
	Width                    unit.Est[unit.Px] // unbinned, along a row
	Height                   unit.Est[unit.Px]
	Bin                      unit.Est[float64] // whole number, 1 is none
	ReadNoise                unit.Est[unit.Electron]
	FullWell                 unit.Est[unit.Electron]
	GainElectronPerADU       unit.Est[float64]
	Offset                   unit.Est[unit.ADU]
	Bits                     unit.Est[float64]
	DarkElectronPerS         unit.Est[float64]
	ZeroPointElectronPerSCm2 unit.Est[float64]  // of a V = 0 star above the air, optics apart
	Angle                    unit.Est[unit.Deg] // position angle of the sensor's +y, north through east
	Flange                   unit.Est[unit.MM]  // mounting face to sensor
	Colour                   bool
}

// BinnedPixel returns the side of a binned pixel.
func (c *Camera) BinnedPixel() unit.Micron { return c.Pixel.V * unit.Micron(c.Bin.V) }

// GuideKind says how the guide camera gets its light.
type GuideKind string

// The kinds of guiding.
const (
	Piggyback GuideKind = "piggyback" // a telescope of its own beside the imaging telescope
	Pickoff   GuideKind = "pickoff"   // a prism in the imaging telescope's light
	NoGuide   GuideKind = "none"
)

// Guide is the guide telescope or pick-off prism with its camera.
type Guide struct {
	Kind           GuideKind
	Aperture       unit.Est[unit.MM] // of a pick-off: the imaging telescope's
	Focal          unit.Est[unit.MM] // of a pick-off: the imaging telescope's
	Obstruction    unit.Est[float64]
	Transmission   unit.Est[float64]
	Spot           unit.Est[unit.Micron] // FWHM of the aberrations alone, at the guide sensor
	FieldDiameter  unit.Est[unit.MM]     // of the circle the optics light up
	Defocus        unit.Est[unit.Micron] // distance of the guide sensor from best focus; deliberate or not
	CentroidFloor  unit.Est[unit.Px]     // centroid error that no light removes
	OffsetEast     unit.Est[unit.Arcmin] // of the guide axis from the imaging axis on the sky
	OffsetNorth    unit.Est[unit.Arcmin]
	Weight         unit.Est[unit.Kg]
	Camera         Camera
	Focuser        Focuser
	RearThread     string            // name of the thread behind the focuser, e.g. "M42x0.75"
	BackFocus      unit.Est[unit.MM] // rear thread to focal plane with the focuser fully in (shortest tube)
	NosepieceSlide unit.Est[unit.MM] // how far a 1.25-inch nosepiece can be drawn out of its barrel; 0 when threaded
	Spacers        []unit.MM         // on hand
	FilterGlass    unit.Est[unit.MM] // thickness of plane glass in front of the sensor
	Prism          Prism
	Shoe           Shoe
}

// Focuser is a helical (or other) focuser.
type Focuser struct {
	Travel    unit.Est[unit.MM]
	Pitch     unit.Est[unit.MM]     // per turn
	LockShift unit.Est[unit.Micron] // how far locking moves it
}

// Prism is the pick-off prism.
type Prism struct {
	Width        unit.Est[unit.MM]  // across, tangential
	Height       unit.Est[unit.MM]  // radial
	OffAxis      unit.Est[unit.MM]  // optical axis to the prism's centre
	ToImaging    unit.Est[unit.MM]  // prism to imaging sensor along the light
	ToGuide      unit.Est[unit.MM]  // prism to guide sensor along the light
	Angle        unit.Est[unit.Deg] // position angle of the prism seen from the axis, north through east
	BeforeFilter bool               // the prism sits before the imaging filter
}

// ShoeKind is how the guide telescope is held.
type ShoeKind string

// The kinds of holder.
const (
	FinderShoe   ShoeKind = "finder-shoe"
	RingsOnPlate ShoeKind = "rings-on-plate"
	ORingBracket ShoeKind = "o-ring-bracket"
)

// Shoe is the mechanical holder of the guide telescope.
type Shoe struct {
	Kind        ShoeKind
	BoltSpacing unit.Est[unit.MM]
	BaseSpacing unit.Est[unit.MM] // between the holes that the imaging telescope offers
	RingsApart  unit.Est[unit.MM]
	Screws      unit.Est[float64] // per ring
	ScrewPitch  unit.Est[unit.MM]
}

// MountKind is the geometry of the mount.
type MountKind string

// The kinds of mount.
const (
	Equatorial MountKind = "equatorial"
	ForkWedge  MountKind = "fork-on-wedge"
	AltAzimuth MountKind = "alt-azimuth"
	Tracker    MountKind = "tracker" // one motor axis
)

// Drive is how the right ascension axis is driven.
type Drive string

// The kinds of drive.
const (
	Worm       Drive = "worm"
	StrainWave Drive = "strain-wave"
	Direct     Drive = "direct"
	Friction   Drive = "friction"
)

// Mount is the mount with its errors.
type Mount struct {
	Kind           MountKind
	Drive          Drive
	Teeth          unit.Est[float64]     // of the worm wheel; NaN when the drive has none
	Period         unit.Est[unit.Second] // of the periodic error
	PeriodicError  unit.Est[unit.Arcsec] // peak to peak, on the axis (declination 0)
	SecondHarmonic unit.Est[float64]     // amplitude over the fundamental's
	GearLine       unit.Est[unit.Arcsec] // amplitude (half of peak to peak) of the quick gear line, on the axis
	GearPeriod     unit.Est[unit.Second]
	Backlash       unit.Est[unit.Arcsec] // of the declination axis
	RateErrorPPM   unit.Est[float64]     // of the tracking rate, parts per million
	GuideRate      unit.Est[float64]     // in units of the sidereal rate
	Payload        unit.Est[unit.Kg]     // rated
	Imbalance      unit.Est[float64]     // static torque left on purpose or not, as a fraction of the rated payload at 0.1 m
	ShakeArcsec    unit.Est[unit.Arcsec] // rms per axis in a 5 m/s wind at the telescope
	PastMeridian   unit.Est[unit.Hour]   // how far past the meridian it tracks before it must flip
}

// Polar is the error of the mount's polar axis.
type Polar struct {
	Error    unit.Est[unit.Arcmin] // on-sky size of the whole error
	Altitude unit.Est[unit.Arcmin] // axis above the pole; NaN unless given
	Azimuth  unit.Est[unit.Arcmin] // axis east of the pole, knob angle; NaN unless given
}

// Flexure is how the two telescopes turn against each other.
type Flexure struct {
	ComplianceArcsecPerG unit.Est[float64] // tilt per g across the tube
	AxialArcsecPerG      unit.Est[float64] // tilt per g along the tube
	DriftArcsecPerHr     unit.Est[float64] // measured drift, replaces the compliances; NaN unless given
}

// Loop is the settings of the correction loop. A NaN setting is left to the
// plan, which chooses the best.
type Loop struct {
	Interval unit.Est[unit.Second] // exposure of the guide camera; NaN lets the plan choose
	Readout  unit.Est[unit.Second] // from the end of an exposure to its correction
	GainRA   unit.Est[float64]     // NaN lets the plan choose
	GainDec  unit.Est[float64]     // NaN lets the plan choose
	DeadBand unit.Est[unit.Arcsec] // NaN lets the plan choose
	Delay    unit.Est[float64]     // whole frames between a measurement and its effect beyond the first
	Stars    unit.Est[float64]     // guide stars averaged
	MinPulse unit.Est[unit.Second]
	MaxPulse unit.Est[unit.Second]
}
