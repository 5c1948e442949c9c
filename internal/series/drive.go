package series

import (
	"time"

	"holdfast/internal/unit"
)

// Drive is what a record tells of a drive. Numbers that are not known are NaN.
type Drive struct {
	File      string      `json:"file"`
	Start     time.Time   `json:"start_utc"`
	Exposures int         `json:"exposures"`
	Lost      int         `json:"lost"`
	Span      unit.Second `json:"span_s"`
	Cycle     unit.Second `json:"cycle_s"`
	Guided    bool        `json:"corrected"` // corrections are in the record
	Freed     bool        `json:"unguided"`  // and have been taken out again
	Axes      string      `json:"axes"`      // "east, north" or "x, y" of the camera

	Verdict string `json:"verdict"` // one of the verdicts
	Why     string `json:"why"`

	DriftRA       float64 `json:"drift_ra_arcsec_min"`
	DriftRASigma  float64 `json:"drift_ra_sigma_arcsec_min"`
	DriftDec      float64 `json:"drift_dec_arcsec_min"`
	DriftDecSigma float64 `json:"drift_dec_sigma_arcsec_min"`

	Bend // of a parabola: the rates with which the record begins and ends

	RMSRA      unit.Arcsec `json:"rms_ra_arcsec"` // of the offsets as measured, about their mean in each stretch
	RMSDec     unit.Arcsec `json:"rms_dec_arcsec"`
	FreeRMSRA  unit.Arcsec `json:"unguided_rms_ra_arcsec"` // the same without corrections
	FreeRMSDec unit.Arcsec `json:"unguided_rms_dec_arcsec"`

	Periods []Period `json:"periods"`
	Folded  []Fold   `json:"folded"` // the drive's error over one turn of the first period with its harmonics

	Motion      unit.Arcsec `json:"motion_arcsec"` // what differs from exposure to exposure at random, one axis: air and the centroid's own noise
	MotionSigma unit.Arcsec `json:"motion_sigma_arcsec"`
	MotionRA    unit.Arcsec `json:"motion_ra_arcsec"`
	MotionDec   unit.Arcsec `json:"motion_dec_arcsec"`
	Seeing      unit.Arcsec `json:"seeing_arcsec"` // FWHM that would make so much motion
	SeeingTimes float64     `json:"seeing_factor"` // by which it may be off either way
	SeeingWhy   string      `json:"seeing_assumes"`

	Backlash      unit.Arcsec `json:"backlash_arcsec"`
	BacklashSigma unit.Arcsec `json:"backlash_sigma_arcsec"`
	BacklashWhy   string      `json:"backlash_why"` // where it is not known
	Stiction      *bool       `json:"stiction"`     // small corrections in declination do nothing; null if not known

	Oscillating *bool         `json:"oscillating"` // null if not known
	Oscillation []Oscillation `json:"oscillations"`

	CalibrationAngle      unit.Deg `json:"calibration_angle_deg"` // by which corrections miss the direction of the error, from east towards north
	CalibrationAngleSigma unit.Deg `json:"calibration_angle_sigma_deg"`
	SignWrong             []string `json:"sign_wrong"` // axes that are corrected the wrong way

	Answer *Answer   `json:"answer"` // how the star answers to corrections; nil without any
	Loop   []Loop    `json:"loop"`   // one an axis
	Jumps  []Jump    `json:"jumps"`
	Spikes int       `json:"spikes"` // single exposures far off, back in the next
	Track  *Tracking `json:"frames"` // if the record was made of frames

	Advice []string `json:"advice"`
	Notes  []string `json:"notes"`

	Lines struct{ RA, Dec *Periodic } `json:"-"` // for drawing
}

// The verdicts.
const (
	Steady      = "steady"      // the drive is followed well
	Periodicity = "periodic"    // the periodic error is what shows most
	Drifting    = "drifting"    // nothing corrects, and it drifts
	Oscillates  = "oscillating" // the loop swings
	Misset      = "calibration" // corrections go the wrong way
	Playing     = "backlash"    // declination does not follow
	Deaf        = "no answer"   // the star does not answer to corrections
	Untold      = "unknown"     // too little to tell
)

// Period is a periodic part of an axis's error as the drive makes it: averaging
// over exposures undone.
type Period struct {
	Axis           string      `json:"axis"` // "ra" or "dec"
	Period         unit.Second `json:"period_s"`
	PeriodSigma    unit.Second `json:"period_sigma_s"`
	Amplitude      unit.Arcsec `json:"amplitude_arcsec"` // half of peak to peak, on the sky
	AmplitudeSigma unit.Arcsec `json:"amplitude_sigma_arcsec"`
	Harmonic       int         `json:"harmonic"` // 1, or that of the first period of the axis: its second, third...
	Over           float64     `json:"power_over_noise"`
	Alias          unit.Second `json:"alias_s"` // the shortest period that exposures so far apart would show alike; NaN if they are uneven
	Teeth          float64     `json:"wheel_teeth"`
	phase          unit.Rad
}

// Fold is a part of a turn.
type Fold struct {
	Phase  float64     `json:"phase"` // of the turn, 0 to 1
	Offset unit.Arcsec `json:"ra_arcsec"`
	Sigma  unit.Arcsec `json:"ra_sigma_arcsec"`
}

// Oscillation is a swing of the loop.
type Oscillation struct {
	Axis   string  `json:"axis"`
	Cycles float64 `json:"period_cycles"`
	Cause  string  `json:"cause"` // "gain", "delay" or "unknown"
	Gain   float64 `json:"gain"`
	Limit  float64 `json:"gain_limit"`
}

// Answer is how the star answers to corrections of one unit of the record: to
// one in right ascension it moves by RARA along right ascension and DecRA along
// declination, arcsec.
type Answer struct {
	RARA        float64 `json:"ra_per_ra"`
	RARASigma   float64 `json:"ra_per_ra_sigma"`
	RADec       float64 `json:"ra_per_dec"`
	RADecSigma  float64 `json:"ra_per_dec_sigma"`
	DecRA       float64 `json:"dec_per_ra"`
	DecRASigma  float64 `json:"dec_per_ra_sigma"`
	DecDec      float64 `json:"dec_per_dec"`
	DecDecSigma float64 `json:"dec_per_dec_sigma"`
	Lag         int     `json:"rows_late"` // rows from a correction's own to the first that shows it: 1, or 0 where it stands with the next measurement
	Used        bool    `json:"used"`      // to un-guide by; where Asked corrections are believed, they are 1
	Why         string  `json:"why"`
}

// Loop is what corrections did to one axis.
type Loop struct {
	Axis     string      `json:"axis"`
	Gain     float64     `json:"gain"`         // share of the error that each correction takes off
	Delay    int         `json:"delay_cycles"` // beyond the first
	Fit      float64     `json:"fit"`          // share of the corrections' variance that gain and error explain
	Added    unit.Arcsec `json:"added_arcsec"` // noise that corrections made of the measurements' noise
	Left     unit.Arcsec `json:"star_rms_arcsec"`
	Free     unit.Arcsec `json:"free_rms_arcsec"` // without corrections, drift included
	Better   float64     `json:"better_gain"`
	Longer   int         `json:"better_interval_cycles"`
	BetterTo unit.Arcsec `json:"better_rms_arcsec"`
}

// Jump is a change of the un-guided offset between two exposures that the drive
// does not explain: a knock, a slip, a dither.
type Jump struct {
	Time unit.Second `json:"time_s"`
	RA   unit.Arcsec `json:"ra_arcsec"`
	Dec  unit.Arcsec `json:"dec_arcsec"`
}

// Options is what the record does not say. The zero value of every field is its
// default.
type Options struct {
	Exposure unit.Second // of the guide camera; 0 takes the record's, or the cycle
	Gain     float64     // of corrections that are not in the record; 0 means there were none
	Scale    unit.Scale  // of the guide camera, for the noise of its pixels; 0 is not known
	Aperture unit.MM     // of the guide telescope; 0 is 50 mm
	Wind     unit.MPS    // aloft; 0 is 10 m/s
	Outer    unit.Metre  // outer scale of the air; 0 is 20 m
	Workers  int         // goroutines; 0 is 2
}

// AxisName returns the name of the first or second axis as people say it.
func (d *Drive) AxisName(axis int) string {
	if d.Axes != "east, north" {
		return [2]string{"x", "y"}[axis]
	}
	return [2]string{"right ascension", "declination"}[axis]
}

// Bend is how a drift changes over a record.
type Bend struct {
	RAStart  float64 `json:"drift_ra_start_arcsec_min"`
	RAEnd    float64 `json:"drift_ra_end_arcsec_min"`
	DecStart float64 `json:"drift_dec_start_arcsec_min"`
	DecEnd   float64 `json:"drift_dec_end_arcsec_min"`
}
