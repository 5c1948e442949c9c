package plan

import (
	"time"

	"holdfast/internal/ledger"
	"holdfast/internal/psf"
	"holdfast/internal/unit"
)

// Star is a star's width and shape as the camera records it, the pixel
// included (see package psf for the definition).
type Star struct {
	FWHMMajor   unit.Arcsec `json:"fwhm_major_arcsec"`
	FWHMMinor   unit.Arcsec `json:"fwhm_minor_arcsec"`
	FWHM        unit.Arcsec `json:"fwhm_arcsec"` // geometric mean
	Ellipticity float64     `json:"ellipticity"` // 1 - b/a
	PA          unit.Deg    `json:"pa_deg"`      // of the long axis, north through east
	FWHMPx      unit.Px     `json:"fwhm_px"`
}

// newStar states a fitted star at an image scale.
func newStar(s psf.Profile, scale unit.Scale) Star {
	return Star{
		FWHMMajor: s.Major, FWHMMinor: s.Minor, FWHM: s.FWHM(), Ellipticity: s.Ellipticity(), PA: s.PA,
		FWHMPx: scale.Px(s.FWHM()),
	}
}

// Row is a ledger row in the contract's words: one-sigma widths on the sky.
type Row struct {
	Term        ledger.Term `json:"term"`
	East        unit.Arcsec `json:"east_arcsec"`
	North       unit.Arcsec `json:"north_arcsec"`
	EastSigma   unit.Arcsec `json:"east_sigma_arcsec"`
	NorthSigma  unit.Arcsec `json:"north_sigma_arcsec"`
	CrossArcsec float64     `json:"cross_arcsec2"`
	CrossSigma  float64     `json:"cross_sigma_arcsec2"`
	Share       float64     `json:"share"` // of the trace of the sum
	Entries     []string    `json:"entries"`
	Assumed     []string    `json:"assumed"`
	Remedy      string      `json:"remedy"`
}

// Target is what the plan points at.
type Target struct {
	Name string      `json:"name"`
	Kind string      `json:"kind"`
	RA   unit.Deg    `json:"ra_deg"`
	Dec  unit.Deg    `json:"dec_deg"`
	Size unit.Arcmin `json:"size_arcmin"`
}

// Hour is the star at one time of the night.
type Hour struct {
	UTC        time.Time       `json:"utc"`
	Altitude   unit.Deg        `json:"altitude_deg"`
	Azimuth    unit.Deg        `json:"azimuth_deg"`
	HourAngle  unit.Hour       `json:"hour_angle_h"`
	Airmass    float64         `json:"airmass"`
	Sky        unit.SurfaceMag `json:"sky_mag_arcsec2"`
	Star       Star            `json:"star"`
	StarCorner Star            `json:"star_corner"`
}

// Mean is the star averaged over the window.
type Mean struct {
	FWHM              unit.Arcsec `json:"fwhm_arcsec"`
	Ellipticity       float64     `json:"ellipticity"`
	EllipticityCorner float64     `json:"ellipticity_corner"`
}

// Night is the target's night.
type Night struct {
	Date      string    `json:"date"` // of the local evening
	DarkFrom  time.Time `json:"dark_from_utc"`
	DarkTo    time.Time `json:"dark_to_utc"`
	Twilight  string    `json:"twilight"` // the darkness that the night reaches
	From      time.Time `json:"window_from_utc"`
	To        time.Time `json:"window_to_utc"`
	Transit   time.Time `json:"transit_utc"`
	Flip      time.Time `json:"flip_utc"` // zero when none falls in the window
	MoonLit   float64   `json:"moon_illuminated"`
	MoonAlt   unit.Deg  `json:"moon_altitude_deg"` // at the best hour
	MoonApart unit.Deg  `json:"moon_separation_deg"`
	SunApart  unit.Deg  `json:"sun_separation_deg"`
	UTCOffset unit.Hour `json:"utc_offset_h"`
	FieldTurn unit.Deg  `json:"field_turn_deg"` // of the sensor on the sky over the window
}

// GuideStar is the star that the correction holds on to.
type GuideStar struct {
	Source      string      `json:"source"` // catalogue or counts
	RA          unit.Deg    `json:"ra_deg"`
	Dec         unit.Deg    `json:"dec_deg"`
	VT          unit.Mag    `json:"vt_mag"`
	SNR         float64     `json:"snr"`
	FWHMPx      unit.Px     `json:"fwhm_px"`
	Centroid    unit.Arcsec `json:"centroid_arcsec"` // one-axis error of one exposure, all stars used
	Exposure    unit.Second `json:"exposure_s"`
	Stars       int         `json:"stars"`
	Probability float64     `json:"probability"` // that the field holds one at least this good
	Advice      string      `json:"advice"`
}

// Settings is the correction loop as the plan would set it, or as the rig has
// it.
type Settings struct {
	Interval unit.Second `json:"interval_s"` // exposure
	Cycle    unit.Second `json:"cycle_s"`    // exposure and readout
	GainRA   float64     `json:"gain_ra"`
	GainDec  float64     `json:"gain_dec"`
	DeadBand unit.Arcsec `json:"dead_band_arcsec"`
	RMSRA    unit.Arcsec `json:"rms_ra_arcsec"` // tracking error left on the sky, air apart
	RMSDec   unit.Arcsec `json:"rms_dec_arcsec"`
}

// PolarLimit is one reason to align the polar axis, and how well it asks.
type PolarLimit struct {
	Why    string      `json:"why"`
	Arcmin unit.Arcmin `json:"arcmin"`
}

// Gain is what one change would bring: the star after it.
type Gain struct {
	Change            string         `json:"change"`
	FWHM              unit.Arcsec    `json:"fwhm_arcsec"`
	Ellipticity       float64        `json:"ellipticity"`
	EllipticityCorner float64        `json:"ellipticity_corner"`
	Verdict           ledger.Verdict `json:"verdict"`
	Sets              string         `json:"sets"` // the rig entries it changes
}

// Result is a whole plan.
type Result struct {
	Rig             string         `json:"rig"`
	RigHash         string         `json:"rig_hash"`
	Target          Target         `json:"target"`
	Night           Night          `json:"night"`
	Sub             unit.Second    `json:"sub_s"`
	ImageScale      unit.Scale     `json:"image_scale_arcsec_px"`
	GuideScale      unit.Scale     `json:"guide_scale_arcsec_px"`
	Star            Star           `json:"star"`        // at the best hour, centre of the sensor
	StarCorner      Star           `json:"star_corner"` // at the best hour, worst corner
	StarP10         Star           `json:"star_p10"`
	StarP90         Star           `json:"star_p90"`
	Verdict         ledger.Verdict `json:"verdict"`
	VerdictShare    float64        `json:"verdict_probability"` // of the sampled rigs that share it
	Reason          string         `json:"reason"`
	WeakLink        *ledger.Term   `json:"weak_link"`
	Ledger          []Row          `json:"ledger"`
	LedgerCorner    []Row          `json:"ledger_corner"`
	GoalFWHM        unit.Arcsec    `json:"goal_fwhm_arcsec"`
	GoalEllipticity float64        `json:"goal_ellipticity"`
	GoalCorner      float64        `json:"goal_ellipticity_corner"`
	Best            Hour           `json:"best"`
	Worst           Hour           `json:"worst"`
	Mean            Mean           `json:"mean"`
	NeedsGuiding    bool           `json:"needs_guiding"`
	UnguidedSub     unit.Second    `json:"longest_round_sub_unguided_s"`
	GuideStar       *GuideStar     `json:"guide_star"`
	Loop            *Settings      `json:"loop"`
	LongestRoundSub unit.Second    `json:"longest_round_sub_s"`
	BestSub         unit.Second    `json:"best_sub_s"`
	BestSubWhy      string         `json:"best_sub_why"`
	PolarLimits     []PolarLimit   `json:"polar_limits"`
	Gains           []Gain         `json:"gains"`

	Centre, Corner ledger.Ledger `json:"-"` // as rows with their profiles, to draw the star from
	Hours          []Hour        `json:"-"` // evenly over the window
}
