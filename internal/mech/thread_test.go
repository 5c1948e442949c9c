package mech

import (
	"math"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func TestStandards(t *testing.T) {
	testkit.Near(t, CMount.Flange, 0.69*25.4, 1e-9, "ISO 10935: 0.69 in, published 17.526 mm")
	testkit.Near(t, CMount.Flange-CSMount.Flange, 5, 1e-9, "published: a 5 mm ring")
	testkit.Near(t, Barrel125.Diameter, 1.25*25.4, 1e-9, "definition")
	testkit.Near(t, Barrel2.Diameter, 2*25.4, 1e-9, "definition")
	testkit.Near(t, T2.Flange, 55, 0, "T-mount convention: 55 mm")
}

func TestParseThread(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"T2", "T2"}, {"t-2", "T2"}, {" T2 thread", "T2"},
		{"M42x0.75", "M42x0.75"}, {"M42×0.75", "M42x0.75"}, {"m42 x 0,75", "M42x0.75"}, {"M42x1", "M42x1"}, {"M42 × 1.0", "M42x1"},
		{"C", "C"}, {"C-mount", "C"}, {"c mount", "C"}, {"1-32 UN 2A", "C"}, {"CS", "CS"}, {"CS-Mount", "CS"},
		{"M48", "M48x0.75"}, {"M48x0.75", "M48x0.75"}, {"M28.5x0.6", "M28.5x0.6"},
		{"1.25in", "1.25in"}, {`1.25"`, "1.25in"}, {"1.25-inch", "1.25in"}, {"31.75 mm", "1.25in"}, {"2 in", "2in"}, {"50.8mm", "2in"},
	} {
		got, err := ParseThread(tt.in)
		if err != nil || got.Name != tt.want {
			t.Errorf("%q: %q, %v, want %q", tt.in, got.Name, err, tt.want)
			continue
		}
		again, err := ParseThread(got.Name)
		if err != nil || again.Name != got.Name || again.Diameter != got.Diameter || again.Pitch != got.Pitch {
			t.Errorf("%q does not parse back: %+v, %v", got.Name, again, err)
		}
	}
	for _, tt := range []struct{ in, want string }{
		{"M42", "two pitches"}, {"", "not known"}, {"M42x", "not known"}, {"M42xNaN", "not known"}, {"MInfx1", "not known"}, {"bayonet", "not known"}, {"M0x0.75", "not known"},
	} {
		if _, err := ParseThread(tt.in); err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "mech: ") {
			t.Errorf("%q: error %v, want one with %q", tt.in, err, tt.want)
		}
	}
}

func TestMates(t *testing.T) {
	for _, tt := range []struct {
		a, b    string
		ok      bool
		adapter string
		length  unit.MM
		why     string
	}{
		{"T2", "T2", true, "", 0, "the same thread"},
		{"T2", "M42x0.75", true, "", 0, "fixed on one side only"},
		{"M42x1", "M42x0.75", false, "ring M42x1 to M42x0.75", 0, "jam"},
		{"T2", "M42x1", false, "ring T2 to M42x1", 0, "jam"},
		{"C", "CS", true, "5 mm ring", 5, "17.526"},
		{"C", "C", true, "", 0, "the same thread"},
		{"M48", "T2", false, "ring M48x0.75 to T2", 0, "differ in width"},
		{"1.25in", "T2", false, "1.25in nosepiece with T2 thread", 0, "barrel"},
		{"C", "1.25in", false, "1.25in nosepiece with C thread", 0, "barrel"},
		{"1.25in", "2in", false, "reducer 2in to 1.25in", 0, "width"},
		{"2in", "2in", true, "", 0, "barrels"},
	} {
		a, err := ParseThread(tt.a)
		if err != nil {
			t.Fatal(err)
		}
		b, err := ParseThread(tt.b)
		if err != nil {
			t.Fatal(err)
		}
		got := Mates(a, b)
		if got.OK != tt.ok || got.Adapter != tt.adapter || !strings.Contains(got.Why, tt.why) {
			t.Errorf("%s on %s: %+v, want %v, %q, %q", tt.a, tt.b, got, tt.ok, tt.adapter, tt.why)
		}
		testkit.Near(t, got.Length, tt.length, 1e-9, "published distances")
		if back := Mates(b, a); back.OK != got.OK || back.Length != got.Length {
			t.Errorf("%s on %s: %+v, but the other way round %+v", tt.a, tt.b, got, back)
		}
	}
}

func FuzzParseThread(f *testing.F) {
	for _, s := range []string{"T2", "M42x0.75", "M42×1", "C-mount", `1.25"`, "M48", "m1e400x1", "M42", "×", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseThread(s)
		if err != nil {
			return
		}
		if !(got.Diameter > 0) || !(got.Pitch >= 0) || math.IsInf(float64(got.Diameter), 0) {
			t.Fatalf("%q: %+v", s, got)
		}
		again, err := ParseThread(got.Name)
		if err != nil || again.Diameter != got.Diameter || again.Pitch != got.Pitch {
			t.Fatalf("%q: %q does not parse back: %+v, %v", s, got.Name, again, err)
		}
		if !Mates(got, got).OK {
			t.Fatalf("%q does not fit itself", s)
		}
	})
}
