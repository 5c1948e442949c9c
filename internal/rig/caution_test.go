package rig

import (
	"strings"
	"testing"
)

func TestCautions(t *testing.T) {
	for _, tt := range []struct {
		name     string
		given    map[string]string
		severity Severity
		entry    string // one of its entries
		text     string // part of it
	}{
		{"sensor beyond the lit field", map[string]string{"guide.camera.width": "4000 px", "guide.camera.height": "3000 px", "guide.field": "10 mm"}, Warning, "guide.field", "18.8 mm from corner to corner, and its optics light 10 mm"},
		{"guide pixel far too coarse", map[string]string{"imaging.kind": "moving-mirror", "imaging.aperture": "356 mm", "imaging.focal": "3556 mm"}, Warning, "guide.focal", "a guide pixel covers 22 imaging pixels"},
		{"load near the rating", map[string]string{"imaging.weight": "8 kg", "guide.weight": "1 kg", "mount.payload": "12 kg"}, Warning, "mount.payload", "75 % of the mount's rating"},
		{"load above the rating", map[string]string{"imaging.weight": "14 kg", "mount.payload": "12 kg"}, Serious, "mount.payload", "above the mount's rating of 12 kg"},
		{"prism in the light", map[string]string{"guide.kind": "pickoff", "guide.prism.off_axis": "8 mm"}, Serious, "guide.prism.off_axis", "of the light from the edge"},
		{"prism brushes the light", map[string]string{"guide.kind": "pickoff", "guide.prism.off_axis": "13.5 mm"}, Warning, "guide.prism.off_axis", "of the light from the edge"},
		{"prism distances unequal", map[string]string{"guide.kind": "pickoff", "guide.prism.to_imaging": "55 mm", "guide.prism.to_guide": "50 mm"}, Warning, "guide.prism.to_guide", "5 mm off the focus"},
		{"pick-off behind a lens", map[string]string{"guide.kind": "pickoff", "imaging.kind": "lens"}, Warning, "guide.kind", "no room"},
		{"strain wave with backlash", map[string]string{"mount.drive": "strain-wave", "mount.backlash": "30 arcsec"}, Warning, "mount.backlash", "strain-wave drive is given with 30 arcsec of backlash"},
		{"teeth of a direct drive", map[string]string{"mount.drive": "direct", "mount.teeth": "180"}, Note, "mount.teeth", "mount.teeth: given and not used"},
		{"periodic error of a direct drive", map[string]string{"mount.drive": "direct", "mount.periodic_error": "20 arcsec"}, Note, "mount.periodic_error", "20 arcsec of periodic error"},
		{"polar error of an alt-azimuth mount", map[string]string{"mount.kind": "alt-azimuth", "polar.error": "5 arcmin"}, Note, "polar.error", "mount.kind is alt-azimuth"},
		{"guided alt-azimuth mount", map[string]string{"mount.kind": "alt-azimuth", "guide.kind": "piggyback"}, Note, "guide.kind", "turns about the guide star"},
		{"guided tracker", map[string]string{"mount.kind": "tracker", "guide.kind": "piggyback"}, Note, "guide.kind", "only right ascension"},
		{"declination gain of a tracker", map[string]string{"mount.kind": "tracker", "guide.kind": "piggyback", "loop.gain_dec": "0.5"}, Warning, "loop.gain_dec", "no declination axis"},
		{"gain setting taken for e-/ADU", map[string]string{"imaging.camera.gain": "100 e-/ADU"}, Warning, "imaging.camera.gain", "far above a full pixel"},
		{"converter shorter than the well", map[string]string{"imaging.camera.gain": "0.25 e-/ADU", "imaging.camera.bits": "12"}, Note, "imaging.camera.gain", "before the pixel is full"},
		{"guide entries without guiding", map[string]string{"guide.kind": "none", "guide.focal": "200 mm", "loop.gain_ra": "0.5"}, Note, "guide.focal", "guide.focal: given and not used"},
		{"compliance beside a measured drift", map[string]string{"flexure.drift": "4 arcsec/h", "flexure.compliance": "30 arcsec/g"}, Note, "flexure.compliance", "a measured drift replaces it"},
		{"± above its value", map[string]string{"polar.error": "2 ± 3 arcmin"}, Note, "polar.error", "larger than the value"},
		{"sub shorter than a cycle", map[string]string{"sub.length": "2 s", "loop.interval": "3 s"}, Warning, "loop.interval", "ends before one cycle"},
		{"sign of the longitude", map[string]string{"site.longitude": "109 deg E", "site.utc_offset": "-7 h"}, Warning, "site.longitude", "109 deg W would"},
		{"latitude and longitude exchanged", map[string]string{"site.latitude": "75 deg N", "site.longitude": "-30 deg", "site.utc_offset": "5 h"}, Warning, "site.latitude", "exchanged"},
		{"longitude and clock", map[string]string{"site.longitude": "100 deg E", "site.utc_offset": "0 h"}, Warning, "site.utc_offset", "6.7 h from a civil time of UTC +0 h"},
		{"focal length and aperture exchanged", map[string]string{"imaging.focal": "102 mm", "imaging.aperture": "714 mm"}, Serious, "imaging.focal", "not longer than the aperture"},
		{"guide optics exchanged", map[string]string{"guide.focal": "50 mm", "guide.aperture": "160 mm"}, Serious, "guide.focal", "not longer than its aperture"},
		{"focal ratio", map[string]string{"imaging.focal": "7140 mm", "imaging.aperture": "102 mm"}, Warning, "imaging.focal", "works at f/70"},
		{"obstructed refractor", map[string]string{"imaging.kind": "refractor", "imaging.obstruction": "0.3"}, Note, "imaging.obstruction", "no central obstruction"},
		{"mirror without obstruction", map[string]string{"imaging.kind": "newtonian", "imaging.obstruction": "0"}, Note, "imaging.obstruction", "without obstruction"},
		{"corner sharper than centre", map[string]string{"imaging.spot": "8 um", "imaging.spot_corner": "4 um"}, Note, "imaging.spot_corner", "sharper in the corner"},
		{"polar parts and whole", map[string]string{"polar.error": "20 arcmin", "polar.altitude": "3 arcmin", "polar.azimuth": "3 arcmin"}, Warning, "polar.error", "20 arcmin is given"},
		{"bolts and holes", map[string]string{"guide.shoe.bolt_spacing": "30 mm", "guide.shoe.base_spacing": "19 mm"}, Warning, "guide.shoe.bolt_spacing", "30 mm apart"},
		{"gain beyond stability", map[string]string{"loop.gain_ra": "1.2", "loop.delay": "1"}, Serious, "loop.gain_ra", "the limit is 1"},
		{"mountain seeing", map[string]string{"site.seeing": "0.5 arcsec"}, Note, "site.seeing", "best mountains"},
	} {
		r, err := New(tt.given)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		found := false
		for _, c := range r.Cautions() {
			if c.Text == "" || c.Remedy == "" || len(c.Entries) == 0 {
				t.Errorf("%s: a finding without text, remedy or entries: %+v", tt.name, c)
			}
			for _, p := range c.Entries {
				if _, ok := index[p]; !ok {
					t.Errorf("%s: no entry %s", tt.name, p)
				}
			}
			if strings.Contains(c.Text, tt.text) && c.Severity == tt.severity && strings.Contains(strings.Join(c.Entries, " "), tt.entry) {
				found = true
			}
		}
		if !found {
			t.Errorf("%s: no %s about %s saying %q in %+v", tt.name, tt.severity, tt.entry, tt.text, r.Cautions())
		}
	}
	if got := Default().Cautions(); got != nil {
		t.Errorf("the default rig: got %+v, want no caution", got)
	}
	for _, k := range imagingKinds {
		for _, g := range guideKinds {
			for _, m := range mountKinds {
				for _, d := range drives {
					r, err := New(map[string]string{"imaging.kind": string(k), "guide.kind": string(g), "mount.kind": string(m), "mount.drive": string(d)})
					if err != nil {
						t.Fatal(err)
					}
					for _, c := range r.Cautions() {
						// What follows from the kinds themselves may be said; a default may not clash with a default.
						kinds := true
						for _, p := range c.Entries {
							kinds = kinds && strings.HasSuffix(p, ".kind")
						}
						if !kinds && !strings.Contains(c.Text, "a guide pixel covers") {
							t.Errorf("%s, %s, %s, %s: %+v", k, g, m, d, c)
						}
					}
				}
			}
		}
	}
}
