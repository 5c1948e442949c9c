package plan

import (
	"sync"

	"holdfast/internal/ledger"
	"holdfast/internal/rig"
)

// entries returns the rig entries that a row of the rig answers to.
func (a about) entries(r *rig.Rig) []string {
	out := make([]string, 0, len(a.paths))
	for _, p := range a.paths {
		if e, ok := schema()[p]; ok && e.Applies(r) {
			out = append(out, p)
		}
	}
	return out
}

// schema is the rig's entries by path.
var schema = sync.OnceValue(func() map[string]rig.Entry {
	m := map[string]rig.Entry{}
	for _, e := range rig.Entries() {
		m[e.Path] = e
	}
	return m
})

// abouts says of each term which entries it comes from, what would lower it,
// and how a sentence blames it.
var abouts = map[ledger.Term]about{
	ledger.Seeing: {
		paths:  []string{"site.seeing", "site.outer_scale", "imaging.wavelength"},
		remedy: "wait for steadier air, or a target higher up",
		cause:  "the air",
	},
	ledger.Diffraction: {
		paths:  []string{"imaging.aperture", "imaging.obstruction", "imaging.wavelength"},
		remedy: "only a larger aperture",
		cause:  "the aperture's diffraction",
	},
	ledger.Optics: {
		paths:  []string{"imaging.spot", "imaging.spot_corner", "imaging.focal", "imaging.reducer"},
		remedy: "collimate; set the corrector's or reducer's distance",
		cause:  "the optics' own blur",
	},
	ledger.Pixels: {
		paths:  []string{"imaging.camera.pixel", "imaging.camera.bin", "imaging.focal", "imaging.reducer"},
		remedy: "smaller pixels or no binning",
		cause:  "the pixels",
	},
	ledger.Focus: {
		paths: []string{"imaging.focus_error", "imaging.tube", "imaging.tube_length", "site.cooling", "sub.refocus_every",
			"imaging.aperture", "imaging.focal"},
		remedy: "refocus more often, or follow the temperature",
		cause:  "focus that wanders between focusings",
	},
	ledger.Tracking: {
		paths: []string{"mount.periodic_error", "mount.period", "mount.second_harmonic", "mount.gear_line", "mount.gear_period",
			"loop.interval", "loop.readout", "loop.gain_ra", "loop.delay", "polar.error"},
		remedy: "train or correct the periodic error; shorter interval, more gain",
		cause:  "the drive's error that correction leaves",
	},
	ledger.CorrectionNoise: {
		paths: []string{"guide.aperture", "guide.focal", "guide.camera.pixel", "guide.camera.read_noise", "guide.centroid_floor", "guide.defocus",
			"loop.interval", "loop.gain_ra", "loop.gain_dec", "loop.stars", "site.seeing", "site.outer_scale", "site.ground_share", "site.wind_aloft"},
		remedy: "longer interval or less gain; several guide stars; a longer guide telescope",
		cause:  "the correction follows its own noise and the air",
	},
	ledger.Wind: {
		paths:  []string{"site.wind", "mount.shake", "loop.interval", "loop.gain_ra", "loop.gain_dec"},
		remedy: "shelter, a lower and stiffer stand, a shorter tube",
		cause:  "the wind shakes the telescope",
	},
	ledger.Backlash: {
		paths:  []string{"mount.backlash", "loop.gain_dec", "site.wind", "mount.shake", "polar.error"},
		remedy: "adjust the declination gears, or let a small polar error keep them on one side",
		cause:  "declination backlash",
	},
	ledger.Flexure: {
		paths:  []string{"flexure.drift", "flexure.compliance", "flexure.axial", "guide.kind", "guide.shoe.kind", "sub.length"},
		remedy: "a stiffer holder and camera nose, cables tied; shorter subs; a pick-off prism",
		cause:  "the two telescopes bend against each other",
	},
	ledger.MirrorShift: {
		paths:  []string{"imaging.mirror_shift", "guide.kind", "sub.length"},
		remedy: "lock the mirror or focus outside it; a pick-off prism, which sees the shift",
		cause:  "the main mirror settles where the guide telescope cannot see it",
	},
	ledger.FieldRotation: {
		paths:  []string{"polar.error", "polar.altitude", "polar.azimuth", "mount.kind", "sub.length", "guide.offset_east", "guide.offset_north"},
		remedy: "align the polar axis; a guide star nearer the target; shorter subs",
		cause:  "the field turns about the guide star",
	},
	ledger.Refraction: {
		paths:  []string{"guide.offset_east", "guide.offset_north", "site.horizon", "sub.length"},
		remedy: "a guide star nearer the target; a target higher up; shorter subs",
		cause:  "the air lifts target and guide star differently",
	},
	ledger.Drift: {
		paths:  []string{"polar.error", "polar.altitude", "polar.azimuth", "mount.rate_error", "guide.kind", "sub.length"},
		remedy: "align the polar axis, correct the tracking, or expose for a shorter time",
		cause:  "nothing corrects the drift",
	},
}
