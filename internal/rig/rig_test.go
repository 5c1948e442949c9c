package rig

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func example(t testing.TB, name string) *Rig {
	t.Helper()
	f, err := os.Open(filepath.Join("../../examples", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := Read(name, f)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestLarkspur(t *testing.T) {
	const src = "as written in the file"
	r := example(t, "larkspur.toml")
	testkit.Near(t, r.Imaging.Aperture.V, 102, 0, src)
	testkit.Near(t, r.Imaging.Focal.V, 714, 0, src)
	testkit.Near(t, r.Imaging.FNumber(), 7, 1e-12, "closed form: 714/102")
	testkit.Near(t, r.Imaging.Camera.Pixel.V, 3.76, 0, src)
	testkit.Near(t, r.Imaging.Camera.Bits.V, 16, 0, src)
	testkit.Near(t, r.Site.Longitude.V, -109.4, 0, src)
	testkit.Near(t, r.Site.UTCOffset.V, -7, 0, src)
	testkit.Near(t, r.Site.Seeing.SE, 0.6, 0, src)
	testkit.Near(t, r.Guide.Shoe.BoltSpacing.V, 19.05, 1e-12, "closed form: 0.75 x 25.4")
	testkit.Near(t, r.Mount.Period.V, 478.689, 1e-9, "closed form: 86164.0905/180, to six digits")
	testkit.Near(t, r.Imaging.FocusError.V, 27.0, 0.06, "closed form: 0.55 x 7^2")
	if len(r.Guide.Spacers) != 3 || r.Guide.Spacers[2] != 17 {
		t.Errorf("spacers: got %v, want 5, 10, 17", r.Guide.Spacers)
	}
	if r.Imaging.Kind != Refractor || r.Mount.Drive != Worm || r.Guide.Shoe.Kind != FinderShoe || r.Name != "Larkspur" {
		t.Errorf("got %v, %v, %v, %q", r.Imaging.Kind, r.Mount.Drive, r.Guide.Shoe.Kind, r.Name)
	}
	if g, ok := r.Given("imaging.focal"); !ok || g.Text != "714 mm" || g.Line != 23 {
		t.Errorf("focal: got %+v, %v, want line 23", g, ok)
	}
	if r.Loop.Interval.Known() || r.Flexure.DriftArcsecPerHr.Known() || r.Polar.Altitude.Known() {
		t.Error("an open entry has a value")
	}
}

// TestSpacerOfTheGuideTelescope holds the larkspur kit to its story: with the
// focuser in reach only the 17 mm spacer, alone or with the 5 mm one, brings
// the camera to focus.
func TestSpacerOfTheGuideTelescope(t *testing.T) {
	g := &example(t, "larkspur.toml").Guide
	for _, tt := range []struct {
		spacer unit.MM
		reach  bool
	}{{0, false}, {5, false}, {10, false}, {15, true}, {17, true}, {22, true}, {27, false}} {
		out := g.BackFocus.V - g.Camera.Flange.V - tt.spacer
		if got := out >= 0 && out <= g.Focuser.Travel.V; got != tt.reach {
			t.Errorf("spacer %v mm: focuser %v mm out, in reach %v, want %v", tt.spacer, out, got, tt.reach)
		}
	}
}

func TestExamples(t *testing.T) {
	files, err := filepath.Glob("../../examples/*.toml")
	if err != nil || len(files) < 7 {
		t.Fatalf("got %d examples, %v", len(files), err)
	}
	wantCautions := map[string][]string{
		"long.toml":     {"note: guide.focal"},
		"fourteen.toml": {"warning: guide.focal"},
	}
	north, south, east, west := 0, 0, 0, 0
	for _, f := range files {
		name := filepath.Base(f)
		r := example(t, name)
		var got []string
		for _, c := range r.Cautions() {
			got = append(got, c.Severity.String()+": "+c.Entries[0])
		}
		if strings.Join(got, "; ") != strings.Join(wantCautions[name], "; ") {
			t.Errorf("%s: cautions %v, want %v", name, got, wantCautions[name])
		}
		if r.Site.Latitude.V > 0 {
			north++
		} else {
			south++
		}
		if r.Site.Longitude.V > 0 {
			east++
		} else {
			west++
		}
	}
	if north == 0 || south == 0 || east == 0 || west == 0 {
		t.Errorf("sites: %d north, %d south, %d east, %d west, want some of each", north, south, east, west)
	}
}

// TestDefaultsOfTheTrade holds conditional defaults to the figures they stand
// for.
func TestDefaultsOfTheTrade(t *testing.T) {
	const trade = "common practice, no source"
	for _, tt := range []struct {
		given map[string]string
		path  string
		want  float64
		tol   float64
		src   string
	}{
		{map[string]string{"imaging.kind": "moving-mirror", "imaging.aperture": "203 mm"}, "imaging.mirror_shift", 5, 0.01, trade},
		{map[string]string{"imaging.kind": "moving-mirror", "imaging.aperture": "356 mm"}, "imaging.mirror_shift", 20, 0.05, trade},
		{map[string]string{"imaging.kind": "moving-mirror", "imaging.aperture": "268.8 mm"}, "imaging.mirror_shift", 10, 0.05, "closed form: the geometric middle of 203 and 356 mm has the geometric middle of 5 and 20"},
		{map[string]string{"imaging.kind": "refractor"}, "imaging.mirror_shift", 0, 0, "a lens has no mirror"},
		{map[string]string{"guide.shoe.kind": "finder-shoe"}, "flexure.compliance", 30, 0.5, "5 arcsec/h over 0.1664 g/h: " + trade},
		{map[string]string{"guide.shoe.kind": "rings-on-plate"}, "flexure.compliance", 12, 0.5, "2 arcsec/h over 0.1664 g/h: " + trade},
		{map[string]string{"guide.shoe.kind": "o-ring-bracket"}, "flexure.compliance", 90, 0.5, "15 arcsec/h over 0.1664 g/h: " + trade},
		{map[string]string{"guide.kind": "pickoff"}, "flexure.compliance", 1.8, 0.05, "0.3 arcsec/h over 0.1664 g/h: " + trade},
		{map[string]string{"mount.teeth": "144"}, "mount.period", 598.362, 0.001, "closed form: 86164.0905/144"},
		{map[string]string{"mount.period": "239.3 s"}, "mount.teeth", 360, 0, "closed form: 86164.0905/239.3 rounded"},
		{map[string]string{"mount.drive": "strain-wave"}, "mount.period", 430, 0, trade},
		{map[string]string{"mount.drive": "strain-wave"}, "mount.periodic_error", 40, 0, "amplitudes of 10 to 30 arcsec: " + trade},
		{map[string]string{"mount.drive": "strain-wave"}, "mount.backlash", 0, 0, trade},
		{map[string]string{"guide.kind": "pickoff", "imaging.focal": "2032 mm", "imaging.reducer": "0.63"}, "guide.focal", 1280.16, 1e-9, "closed form: 2032 x 0.63"},
		{map[string]string{"guide.kind": "pickoff", "imaging.aperture": "203 mm"}, "guide.aperture", 203, 0, "a pick-off sees through the imaging telescope"},
		{map[string]string{"guide.kind": "pickoff", "imaging.focal": "3556 mm", "imaging.aperture": "356 mm", "guide.prism.off_axis": "16 mm", "guide.prism.angle": "90 deg"}, "guide.offset_east", 15.468, 0.01, "closed form: 16/3556 rad in arcmin"},
		{map[string]string{"site.longitude": "109.4 deg W"}, "site.utc_offset", -7, 0, "closed form: -109.4/15 rounded"},
		{map[string]string{"polar.altitude": "3 arcmin", "polar.azimuth": "8 arcmin", "site.latitude": "60 deg N"}, "polar.error", 5, 1e-9, "closed form: hypot(3, 8 cos 60)"},
		{map[string]string{"imaging.aperture": "100 mm", "imaging.focal": "400 mm"}, "imaging.focus_error", 8.8, 0.01, "closed form: 0.55 x 4^2"},
		{map[string]string{"guide.focuser.pitch": "0.5 mm"}, "guide.focuser.travel", 7.5, 0, "closed form: 15 turns of 0.5 mm"},
		{map[string]string{"guide.camera.bits": "12", "guide.camera.full_well": "8192 e-"}, "guide.camera.gain", 2, 0, "closed form: 8192/4096"},
	} {
		r, err := New(tt.given)
		if err != nil {
			t.Fatal(err)
		}
		got, _, _, ok := r.Get(tt.path)
		if !ok {
			t.Fatalf("no number %s", tt.path)
		}
		testkit.Near(t, got, tt.want, tt.tol, tt.path+": "+tt.src)
	}
	// The mean of a distance spread evenly over ±z is z/2, its deviation z/sqrt(12).
	r, _ := New(map[string]string{"imaging.aperture": "100 mm", "imaging.focal": "1000 mm"})
	testkit.Near(t, float64(r.Imaging.FocusError.SE), 110/math.Sqrt(12), 0.6, "closed form: z/sqrt(12) with z = 2 x 0.55 x 10^2 um")
}

func TestWith(t *testing.T) {
	base, err := New(map[string]string{"imaging.focal": "714 mm", "imaging.aperture": "102 mm"})
	if err != nil {
		t.Fatal(err)
	}
	was := base.Hash()
	r, err := base.With("guide.kind", "pickoff")
	if err != nil {
		t.Fatal(err)
	}
	if r.Guide.Kind != Pickoff || r.Guide.Focal.V != 714 || r.Guide.Aperture.V != 102 {
		t.Errorf("pick-off: got %v, %v, %v: its assumed optics are the telescope's", r.Guide.Kind, r.Guide.Focal.V, r.Guide.Aperture.V)
	}
	if r, err = r.WithFloat("imaging.focal", 1000); err != nil || r.Guide.Focal.V != 1000 {
		t.Errorf("got %v, %v, want the pick-off to follow", r.Guide.Focal.V, err)
	}
	if r = r.Without("imaging.focal"); !r.IsAssumed("imaging.focal") || r.Imaging.Focal.V != 714 {
		t.Errorf("got %v, want 102 mm at f/7 again", r.Imaging.Focal.V)
	}
	if r, err = base.With("guide.spacers", "5 mm, 1 in"); err != nil || len(r.Guide.Spacers) != 2 || math.Abs(float64(r.Guide.Spacers[1])-25.4) > 1e-12 {
		t.Errorf("got %v, %v, want 5 and 25.4 mm", r, err)
	}
	if r, err = base.With("imaging.camera.colour", "yes"); err != nil || !r.Imaging.Camera.Colour {
		t.Errorf("got %v, %v, want colour", r, err)
	}
	if r, err = base.With("name", "Larkspur"); err != nil || r.Name != "Larkspur" {
		t.Errorf("got %v, %v", r, err)
	}
	if r, err = base.With("loop.interval", "2 s"); err != nil || r.Loop.Interval.V != 2 {
		t.Fatalf("got %v, %v", r, err)
	}
	if r, err = r.WithFloat("loop.interval", math.NaN()); err != nil || r.Loop.Interval.Known() || r.Show("loop.interval") != "plan" {
		t.Errorf("got %v, %v, want it left to the plan", r, err)
	}
	if base.Hash() != was {
		t.Error("the rig itself was changed")
	}
	for _, tt := range []struct{ path, text, want string }{
		{"imaging.focal", "714", `rig: imaging.focal: found "714": a length needs a unit; accepted: mm, cm, m, in, um`},
		{"imaging.focal", "-3 mm", `rig: imaging.focal: found "-3 mm": accepted: 10 to 30000 mm`},
		{"imaging.focl", "3 mm", `rig: imaging.focl: found an entry that does not exist: did you mean focal? accepted here: kind, aperture, focal, `},
		{"focal", "3 mm", `rig: focal: found an entry that does not exist: focal belongs to [imaging] or [guide]`},
		{"mount.kind", "dobson", `rig: mount.kind: found "dobson": accepted: equatorial, fork-on-wedge, alt-azimuth, tracker`},
	} {
		_, err := base.With(tt.path, tt.text)
		var fe *FieldError
		if !errors.As(err, &fe) || !strings.HasPrefix(err.Error(), tt.want) {
			t.Errorf("%s = %q:\n got %v\nwant %s", tt.path, tt.text, err, tt.want)
		}
	}
	for _, tt := range []struct {
		path string
		v    float64
	}{{"imaging.focal", 1e9}, {"imaging.focal", math.NaN()}, {"imaging.focal", math.Inf(1)}, {"imaging.kind", 1}, {"imaging.focl", 1}, {"mount.teeth", 180.5}} {
		if _, err := base.WithFloat(tt.path, tt.v); err == nil {
			t.Errorf("%s = %v was taken", tt.path, tt.v)
		}
	}
	if r, err := base.WithFloat("site.outer_scale", math.Inf(1)); err != nil || r.Show("site.outer_scale") != "infinite" {
		t.Errorf("got %v, %v, want an infinite outer scale", r, err)
	}
	teeth, _ := base.With("mount.teeth", "180")
	if _, err := teeth.With("mount.period", "600 s"); err == nil || !strings.Contains(err.Error(), "478.689 s") {
		t.Errorf("got %v, want the period of 180 teeth", err)
	}
	if _, err := teeth.With("mount.period", "480 s"); err != nil {
		t.Errorf("480 s with 180 teeth: %v, want it accepted within a per cent", err)
	}
}

// TestWithEqualsNew requires that setting entries one after the other gives
// the rig that has them all from the start.
func TestWithEqualsNew(t *testing.T) {
	all := [][2]string{{"imaging.aperture", "356 mm"}, {"guide.kind", "pickoff"}, {"imaging.focal", "3556 mm"}, {"mount.drive", "strain-wave"},
		{"imaging.reducer", "0.7"}, {"site.longitude", "150 deg E"}, {"guide.prism.to_imaging", "40 mm"}, {"imaging.camera.angle", "30 deg"}}
	given := map[string]string{}
	r := Default()
	for _, e := range all {
		given[e[0]] = e[1]
		var err error
		if r, err = r.With(e[0], e[1]); err != nil {
			t.Fatal(err)
		}
		want, err := New(given)
		if err != nil {
			t.Fatal(err)
		}
		if r.Hash() != want.Hash() {
			t.Errorf("after %s: the rigs differ", e[0])
		}
	}
}

func TestHash(t *testing.T) {
	parse := func(s string) string {
		t.Helper()
		r, err := Parse("x.toml", []byte(s))
		if err != nil {
			t.Fatal(err)
		}
		return r.Hash()
	}
	a := parse("name = \"a\"\n[imaging]\naperture = \"102 mm\"\nfocal = \"714 mm\"\n[guide]\nfocuser = { pitch = \"0.75 mm\" }\nspacers = [\"17 mm\"]\n")
	b := parse("\xef\xbb\xbf# other words\r\nname = 'b'\r\n[guide.focuser]\r\npitch = \"750 um\"\r\n[imaging]\r\nfocal = \"71.4 cm\" # same\r\naperture = \"0.102 m\"\r\n")
	if a != b {
		t.Errorf("same content: got %s and %s", a, b)
	}
	for _, change := range []string{"imaging.focal = \"715 mm\"", "imaging.focal = \"714 ± 1 mm\"", "imaging.camera.colour = true", "guide.spacers = []", "goal.target = \"M31\"", "mount.drive = \"direct\""} {
		if got := parse("imaging.aperture = \"102 mm\"\n" + change + "\n"); got == parse("imaging.aperture = \"102 mm\"\nimaging.focal = \"714 mm\"\n") {
			t.Errorf("%s: the hash does not see it", change)
		}
	}
	if len(a) != 32 {
		t.Errorf("got %d digits, want 32", len(a))
	}
}

func TestFormsOfAFile(t *testing.T) {
	want := example(t, "larkspur.toml").Hash()
	src, err := os.ReadFile("../../examples/larkspur.toml")
	if err != nil {
		t.Fatal(err)
	}
	for name, form := range map[string][]byte{
		"byte order mark": append([]byte("\xef\xbb\xbf"), src...),
		"CR LF":           bytes.ReplaceAll(src, []byte("\n"), []byte("\r\n")),
		"no last newline": bytes.TrimRight(src, "\n"),
	} {
		r, err := Parse("larkspur.toml", form)
		if err != nil || r.Hash() != want {
			t.Errorf("%s: got %v, %v", name, r, err)
		}
	}
	r, err := Parse("x.toml", []byte("[imaging]\nfocal = \"714 mm\"\n[imaging.camera]\nbits = 0x10\nwidth = \"6248 px\"\noffset = '500 ADU'\n[mount]\nteeth = 1_80\nguide_rate = 0.5\n[site]\nouter_scale = \"infinite\"\nseeing = '2.5\"'\n"))
	if err != nil {
		t.Fatal(err)
	}
	if r.Imaging.Camera.Bits.V != 16 || r.Mount.Teeth.V != 180 || r.Mount.GuideRate.V != 0.5 || !math.IsInf(float64(r.Site.OuterScale.V), 1) || r.Site.Seeing.V != 2.5 {
		t.Errorf("got %+v", r)
	}
}

// TestColumnsPointAtTheSlip holds columns, which count characters, to the
// place in the text.
func TestColumnsPointAtTheSlip(t *testing.T) {
	_, err := Parse("larkspur.toml", []byte("\xef\xbb\xbf[site]\nname = 'ÅØ'\n'sky' = \"21.2 ± 0.2 arcsec\" # ±\n"))
	var list *Errors
	if !errors.As(err, &list) || len(list.List) != 2 {
		t.Fatalf("got %v, want two errors", err)
	}
	if e := list.List[0]; e.Line != 2 || e.Column != 1 || e.Path != "site.name" {
		t.Errorf("got %+v", e)
	}
	if e := list.List[1]; e.Line != 3 || e.Column != 21 || e.Path != "site.sky" {
		t.Errorf("got %+v, want line 3, column 21", e)
	}
	var fe *FieldError
	if !errors.As(err, &fe) || fe != list.List[0] {
		t.Error("the list does not unwrap")
	}
}
