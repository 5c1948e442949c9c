package catalog

import (
	"errors"
	"math"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestParseTarget(t *testing.T) {
	const src = "closed form: (h + m/60 + s/3600) * 15 and d + m/60 + s/3600"
	ra := unit.Deg((20 + 45.0/60 + 38.0/3600) * 15)
	ra1 := unit.Deg((20 + 45.0/60 + 38.1/3600) * 15)
	dec := unit.Deg(30 + 42.0/60 + 30.0/3600)
	for _, tt := range []struct {
		s       string
		ra, dec unit.Deg
	}{
		{"20h45m38s +30d42m30s", ra, dec},
		{"20h 45m 38s +30d 42m 30s", ra, dec},
		{"20h45m38s 30d42m30s", ra, dec},
		{"20h 45m 38s 30d 42m 30s", ra, dec},
		{"20H45M38S+30D42M30S", ra, dec},
		{"20 45 38 +30 42 30", ra, dec},
		{"20 45 38 30 42 30", ra, dec},
		{"20 45 38, 30 42 30", ra, dec},
		{"20:45:38.1 -30:42:30", ra1, -dec},
		{"20:45:38.1-30:42:30", ra1, -dec},
		{"20:45:38.1, +30:42:30", ra1, dec},
		{"  20:45:38,+30:42:30  ", ra, dec},
		{"20ʰ45ᵐ38ˢ −30°42′30″", ra, -dec},
		{"20h45m38s –30°42'30\"", ra, -dec},
		{"20h45m38s -30°42’30”", ra, -dec},
		{"20h45'38\" -30°42'30''", ra, -dec},
		{"311.41 +30.71", 311.41, 30.71},
		{"311.41 30.71", 311.41, 30.71},
		{"311.41, -30.71", 311.41, -30.71},
		{"311.41;−30.71", 311.41, -30.71},
		{"311.41d 30.71d", 311.41, 30.71},
		{"311.41deg +30.71deg", 311.41, 30.71},
		{"311.41° +30.71°", 311.41, 30.71},
		{"20.76h 30.7d", 20.76 * 15, 30.7},
		{"20.76h -30.7", 20.76 * 15, -30.7},
		{"20h45.5m +30d42.5m", (20 + 45.5/60) * 15, 30 + 42.5/60},
		{"20 45.5 +30 42.5", (20 + 45.5/60) * 15, 30 + 42.5/60},
		{"20 45 +30 42", 311.25, 30.7},
		{"20 45 30 42", 311.25, 30.7},
		{"311d24m36s +30d42m36s", 311.41, 30.71},
		{"J2000 20:45:38 +30:42:30", ra, dec},
		{"J2000.0 20 45 38 +30 42 30", ra, dec},
		{"ICRS 311.41 +30.71", 311.41, 30.71},
		{"J204538.1+304230", ra1, dec},
		{"J204538.1-304230", ra1, -dec},
		{"J2045-3042", 311.25, -30.7},
		{"J2045.5+3042.5", (20 + 45.5/60) * 15, 30 + 42.5/60},
		{"0 0 0 -0 30 0", 0, -0.5},
		{"00h00m00s -00d00m36s", 0, -0.01},
		{"0 -90", 0, -90},
		{"0 +90 0 0", 0, math.MaxFloat64}, // see below: refused
		{"359.999 90", 359.999, 90},
		{"23 59 59.99 +89 59 59.9", (23 + 59.0/60 + 59.99/3600) * 15, 89 + 59.0/60 + 59.9/3600},
		{".5 -.5", 0.5, -0.5},
	} {
		o, err := ParseTarget(tt.s)
		if tt.dec == math.MaxFloat64 {
			if err == nil {
				t.Errorf("%q: no error, but the right ascension may be hours or degrees", tt.s)
			}
			continue
		}
		if err != nil {
			t.Error(err)
			continue
		}
		if o.Kind != Place || !math.IsNaN(float64(o.V)) || !math.IsNaN(float64(o.Size)) {
			t.Errorf("%q: %+v is not a bare place", tt.s, o)
		}
		testkit.Near(t, o.RA, tt.ra, 1e-9, src)
		testkit.Near(t, o.Dec, tt.dec, 1e-9, src)
	}
	for _, name := range []string{"M31", "ngc 7000", "61 Cyg", "47 Tuc", "Vega", "veil"} {
		o, err := ParseTarget(name)
		if err != nil || o.Kind == Place {
			t.Errorf("ParseTarget(%q): %+v, %v", name, o, err)
		}
	}
	o, err := ParseTarget("J204538.14-004230")
	if err != nil || o.Name != "20h45m38.1s -00d42m30s" {
		t.Errorf("the place is called %q, %v", o.Name, err)
	}
	if o, err = ParseTarget("359.99999 -0.1"); err != nil || o.Name != "00h00m00.0s -00d06m00s" {
		t.Errorf("the place is called %q, %v", o.Name, err)
	}
}

func TestParseTargetRefuses(t *testing.T) {
	for _, tt := range []struct{ s, want string }{
		{"24h00m00s +30d", "right ascension"},
		{"25:00:00 +30:00:00", "24 hours"},
		{"361.0 +30", "360 degrees"},
		{"-10.5 +30", "negative"},
		{"20 45 38 +91 0 0", "declination"},
		{"20 45 38 +90 0 1", "declination"},
		{"20 45 38 +30 72 0", "minutes of the declination"},
		{"20 61 38 +30 42 0", "minutes of the right ascension"},
		{"20 45 60 +30 42 0", "seconds of the right ascension"},
		{"20 45 38 +30 42 60", "seconds of the declination"},
		{"20h45m38s +30h42m30s", "in hours"},
		{"20.76 +30 42 30", "20.76h or 20.76d"},
		{"20.5 45 38 +30 42 30", "fraction"},
		{"20 45 38 12 +30 42 30", "more than three"},
		{"20 45 38 30 42", "5 numbers"},
		{"20 45 38", "declination its sign"},
		{"20,30,40", "2 commas"},
		{"20h45m38s", "numbers"},
		{"20h45m38s ,", "declination is missing"},
		{"20m45m38s +30d", "\"m\" after its hours"},
		{"20h45s38m +30d", "after its minutes"},
		{"20::38 +30", "number should be"},
		{"20: +30:", "colon"},
		{"J20453+304230", "digits"},
		{"J204538+3042300", "digits"},
		{"1.2.3 +30", "number"},
		{"+", "number"},
		{"12 -", "declination"},
		{"Nowhere Nebula at All", "no object is called"},
		{"", "no object is called"},
	} {
		o, err := ParseTarget(tt.s)
		if err == nil {
			t.Errorf("ParseTarget(%q) is %+v, want an error about %s", tt.s, o, tt.want)
			continue
		}
		if !strings.HasPrefix(err.Error(), "catalog: ") || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("ParseTarget(%q): %v; want the message to say %q", tt.s, err, tt.want)
		}
	}
	var e *NameError
	if _, err := ParseTarget("Vegga"); !errors.As(err, &e) {
		t.Errorf("a wrong name gives %T, want *NameError", err)
	}
}

func FuzzParseTarget(f *testing.F) {
	for _, s := range []string{
		"20h45m38s +30d42m30s", "20 45 38 +30 42 30", "20:45:38.1 -30:42:30", "311.41 +30.71", "20.76h 30.7d", "J204538.1+304230",
		"J2000 20ʰ45ᵐ38ˢ −30°42′30″", "M31", "veil", "α Lyrae", "J2045-3042", "20,30", "0 -0 0 0", "the ", "1e5 3", "j2000 j2000 1 2",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if _, _, ok := placeText(s); !ok {
			Key(s) // looking names up is slow: FuzzFind does it
			return
		}
		o, err := ParseTarget(s)
		if err != nil {
			return
		}
		if !(o.RA >= 0 && o.RA < 360 && o.Dec >= -90 && o.Dec <= 90) || o.Name == "" {
			t.Fatalf("ParseTarget(%q) is %+v", s, o)
		}
		if o.Kind != Place {
			return
		}
		again, err := ParseTarget(o.Name)
		if err != nil {
			t.Fatalf("ParseTarget(%q) is called %q, which gives %v", s, o.Name, err)
		}
		if d := apart(o.RA, o.Dec, again.RA, again.Dec); d > 1.0 {
			t.Fatalf("ParseTarget(%q) is called %q, which lies %v arcsec away", s, o.Name, d)
		}
	})
}
