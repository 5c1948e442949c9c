package star

import "holdfast/internal/unit"

// A Star is what was measured of one star.
type Star struct {
	X           unit.Px  `json:"x"`
	Y           unit.Px  `json:"y"`
	XSigma      unit.Px  `json:"x_sigma_px"`
	YSigma      unit.Px  `json:"y_sigma_px"`
	Flux        unit.ADU `json:"flux_adu"`
	FluxSigma   unit.ADU `json:"flux_sigma_adu"`
	SNR         float64  `json:"snr"` // of the flux, with the star's own photon noise if the gain is known
	Peak        unit.ADU `json:"peak_adu"`
	Major       unit.Px  `json:"fwhm_major_px"` // of the fitted profile, see package psf; NaN if none fits a star out of focus
	Minor       unit.Px  `json:"fwhm_minor_px"`
	Angle       unit.Deg `json:"angle_deg"`   // of the long axis, from +x towards +y, 0 <= Angle < 180
	Ellipticity float64  `json:"ellipticity"` // 1 - b/a
	Tail        float64  `json:"tail"`        // 1/beta of the profile
	MomentMajor unit.Px  `json:"moment_major_px"`
	MomentMinor unit.Px  `json:"moment_minor_px"` // 2.3548 sigma of the window-corrected moments: the FWHM if Gaussian
	HFD         unit.Px  `json:"hfd_px"`          // diameter of the circle that holds half the light
	Hole        float64  `json:"hole"`            // of a defocused star: how much darker its centre is than its ring, 0 not at all, 1 dark; otherwise 0
	Flags       Flags    `json:"flags"`
}

// A Frame is what was measured of one frame. Numbers that are not known are
// NaN.
type Frame struct {
	File       string   `json:"file"`
	Error      string   `json:"error,omitempty"` // why there are no stars, or why the frame was not read
	StarsFound int      `json:"stars_found"`
	Background unit.ADU `json:"background_adu"` // median over the frame
	Noise      unit.ADU `json:"noise_adu"`      // of one pixel of sky, median over the frame
	Summary
	Flags    Flags    `json:"flags"`
	Rejected int      `json:"rejected"` // hot pixels, cosmic rays and the like that are no stars
	Ceiling  unit.ADU `json:"ceiling_adu"`
	Gain     float64  `json:"gain_electron_adu"`
	GainFrom string   `json:"gain_from"`
	Width    int      `json:"width_px"`
	Height   int      `json:"height_px"`
	Notes    []string `json:"notes"`
	Stars    []Star   `json:"stars"` // brightest first
	Measured int      `json:"-"`     // stars the summary stands on
}

// A Summary is what the good stars of a frame have in common.
type Summary struct {
	FWHM             unit.Px  `json:"fwhm_px"` // median over good stars of the geometric mean
	FWHMSigma        unit.Px  `json:"fwhm_sigma_px"`
	Ellipticity      float64  `json:"ellipticity"` // of the mean shape, in which what differs from star to star cancels
	EllipticitySigma float64  `json:"ellipticity_sigma"`
	Angle            unit.Deg `json:"angle_deg"`
	HFD              unit.Px  `json:"hfd_px"`
	HFDSigma         unit.Px  `json:"hfd_sigma_px"`
	Tail             float64  `json:"tail"`
}
