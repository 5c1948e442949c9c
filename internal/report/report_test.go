package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"holdfast/internal/plan"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

func TestJSON(t *testing.T) {
	type inner struct {
		At unit.Arcsec `json:"at_arcsec"`
	}
	type doc struct {
		inner
		Known   float64    `json:"known"`
		Unknown float64    `json:"unknown"`
		Endless float64    `json:"endless"`
		None    []string   `json:"none"`
		Some    []inner    `json:"some"`
		Nobody  *inner     `json:"nobody"`
		Never   time.Time  `json:"never"`
		Text    string     `json:"text"`
		Bare    string     // without a tag it stays out
		Left    string     `json:"left,omitempty"`
		RA      unit.Deg   `json:"ra_deg"`
		Any     any        `json:"any"`
		Verdict fakeMarker `json:"verdict"`
	}
	var b bytes.Buffer
	d := doc{inner: inner{1.25}, Known: 1.0 / 3, Unknown: math.NaN(), Endless: math.Inf(1), Some: []inner{{2}}, Text: "a <b> & \"ü\"\n", RA: 311.4123456789, Verdict: 1}
	if err := JSON(&b, d); err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatalf("%v\n%s", err, b.String())
	}
	for key, want := range map[string]any{
		"at_arcsec": 1.25, "known": 0.333333333, "unknown": nil, "endless": nil, "nobody": nil, "never": nil,
		"text": "a <b> & \"ü\"\n", "ra_deg": 311.412346, "any": nil, "verdict": "marked",
	} {
		if v, ok := got[key]; !ok || v != want {
			t.Errorf("%s is %v (there: %v), want %v", key, v, ok, want)
		}
	}
	if v, ok := got["none"].([]any); !ok || len(v) != 0 {
		t.Errorf("a nil list is %v, want an empty one", got["none"])
	}
	for _, key := range []string{"Bare", "left"} {
		if _, ok := got[key]; ok {
			t.Errorf("%s is there", key)
		}
	}
	if strings.Contains(b.String(), `\u003c`) {
		t.Error("angle brackets are escaped")
	}
}

// fakeMarker is a number that writes itself as a word.
type fakeMarker int

func (fakeMarker) MarshalText() ([]byte, error) { return []byte("marked"), nil }

// TestSunIsShouted: a target within 30 degrees of the Sun is a danger, one
// beyond is not, and no target warns of nothing (common practice, no source).
func TestSunIsShouted(t *testing.T) {
	for _, tt := range []struct {
		apart unit.Deg
		want  bool
	}{{0, true}, {12, true}, {29.9, true}, {30.1, false}, {170, false}, {unit.Deg(math.NaN()), false}} {
		cs := SunCautions(tt.apart)
		if got := len(cs) == 1 && cs[0].Danger && strings.Contains(cs[0].Text, "Sun"); got != tt.want {
			t.Errorf("%v degrees from the Sun: %+v, want a danger: %v", tt.apart, cs, tt.want)
		}
	}
}

// rigWith returns the default rig with entries changed.
func rigWith(t *testing.T, entries ...string) *rig.Rig {
	t.Helper()
	r := rig.Default()
	for i := 0; i < len(entries); i += 2 {
		next, err := r.With(entries[i], entries[i+1])
		if err != nil {
			t.Fatal(err)
		}
		r = next
	}
	return r
}

// TestCautionsApply: each caution appears where it applies and not elsewhere.
func TestCautionsApply(t *testing.T) {
	has := func(cs []Caution, word string) bool {
		for _, c := range cs {
			if strings.Contains(c.Text, word) {
				return true
			}
		}
		return false
	}
	light := rigWith(t, "mount.payload", "40 kg", "imaging.weight", "6 kg")
	heavy := rigWith(t, "mount.payload", "20 kg", "imaging.weight", "27 kg")
	strain := rigWith(t, "mount.drive", "strain-wave")
	frost := rigWith(t, "site.temperature", "-8 °C")
	bare := rigWith(t, "guide.kind", "none")
	for _, tt := range []struct {
		name string
		cs   []Caution
		word string
		want bool
	}{
		{"a light load", PathCautions(light), "rated load", false},
		{"overloaded", PathCautions(heavy), "may slip, or fall", true},
		{"a heavy tube", PathCautions(heavy), "two people", true},
		{"a light tube", PathCautions(light), "two people", false},
		{"strain wave", PathCautions(strain), "tip its tripod", true},
		{"worm", PathCautions(light), "tip its tripod", false},
		{"frost", PathCautions(frost), "lithium", true},
		{"mild", PathCautions(light), "lithium", false},
		{"mains in dew", PathCautions(light), "residual-current device", true},
		{"local code", InitCautions(light), "local code", true},
		{"ring screws", PathCautions(light), "screws of a ring", true},
		{"no guide telescope", PathCautions(bare), "screws of a ring", false},
		{"focus by day", PathCautions(light), "30 degrees from the Sun", true},
	} {
		if got := has(tt.cs, tt.word); got != tt.want {
			t.Errorf("%s: %q is there: %v, want %v", tt.name, tt.word, got, tt.want)
		}
	}
	night := plan.Night{SunApart: 12, Flip: time.Date(2026, 8, 14, 23, 0, 0, 0, time.UTC)}
	cs := PlanCautions(light, &plan.Result{Night: night})
	if len(cs) == 0 || !cs[0].Danger {
		t.Errorf("the danger does not come first: %+v", cs)
	}
	if !has(cs, "past the meridian") {
		t.Error("a flip in the window is not spoken of")
	}
}

// TestSVG: a chart is well-formed, carries a title and a label for those who
// cannot see it, and has no colour that a page could not change.
func TestSVG(t *testing.T) {
	xs := []float64{100, 200, 400, 800}
	c := &Chart{
		Title: `Tom & "Ann" <x>`, Desc: "How wide", X: Axis{Label: "focal", Unit: "mm", From: 100, To: 800, Log: true},
		Panels: []Panel{{Y: Axis{Label: "width", From: 0, To: 5}, Series: []Series{{Name: "a", X: xs, Y: []float64{1, math.NaN(), 3, 4}}, {Name: "b", Stroke: Dashed, X: xs, Y: []float64{2, 2, 3.1, 4.1}}},
			Limits: []Limit{{Name: "goal", At: 3}}}},
		Bands: []Band{{Name: "round", From: 100, To: 400}, {Name: "drawn", From: 400, To: 800, Fill: CrossHatched}},
		Marks: []Limit{{Name: "the rig", At: 200}},
	}
	var b bytes.Buffer
	if err := ChartSVG(&b, c); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(b.Bytes()))
	elements := map[string]int{}
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		if e, ok := tok.(xml.StartElement); ok {
			elements[e.Name.Local]++
		}
	}
	if elements["title"] != 1 || elements["desc"] != 1 || !strings.Contains(b.String(), "aria-label") {
		t.Errorf("no title, description or label: %v", elements)
	}
	if strings.Contains(b.String(), "NaN") {
		t.Error("a point that is not a number is drawn")
	}
	// Names at the right end stand in the order of their lines: b lies above a.
	if i, j := strings.Index(b.String(), ">b</text>"), strings.Index(b.String(), ">a</text>"); i < 0 || j < i {
		t.Errorf("the names of the lines are out of order: b at %d, a at %d", i, j)
	}
	for _, sel := range []string{"--ink", "--sheet", "--soft", "--hair", "--mark"} {
		if !strings.Contains(b.String(), "var("+sel) {
			t.Errorf("no CSS variable %s", sel)
		}
	}
}

// TestTicks: an axis has round figures on it, about as many as asked for, and
// never a lone one.
func TestTicks(t *testing.T) {
	for _, a := range []Axis{{To: 4.9}, {To: 19.1}, {To: 0.2}, {To: 0.41}, {To: 1}, {From: 30, To: 34}, {From: 50, To: 3980, Log: true}, {From: 2, To: 17, Log: true}} {
		for _, n := range []int{2, 3, 5, 7} {
			got := a.ticks(n)
			if len(got) < 2 || len(got) > 2*n+1 {
				t.Errorf("%v, about %d: %v", a, n, got)
			}
			for _, v := range got {
				if f := a.place(v); f < -0.01 || f > 1.01 {
					t.Errorf("%v: a figure at %g, outside", a, v)
				}
			}
		}
	}
}

func TestWrap(t *testing.T) {
	for _, l := range wrap("ärgerlich lange Zeilen werden umgebrochen, auch mit Überlänge", 20) {
		if columns(l) > 20 {
			t.Errorf("a line of %d columns: %q", columns(l), l)
		}
	}
}

// TestResiduals: the map of the tracking error says where it is least and where
// the correction runs away, in text and as a picture.
func TestResiduals(t *testing.T) {
	r := &plan.Reach{Rig: "A", Target: "B", Entry: "loop.interval", Unit: "s", Second: "loop.gain_ra", Sub: 300, Now: math.NaN(), Points: []plan.ReachPoint{
		{Value: 1, Second: 0.5, RMSRA: 0.3, RMSDec: 0.4}, {Value: 2, Second: 0.5, RMSRA: 0.6, RMSDec: 0.8},
		{Value: 1, Second: 1.5, RMSRA: unit.Arcsec(math.NaN()), RMSDec: unit.Arcsec(math.NaN()), Unstable: true, Error: "x"}, {Value: 2, Second: 1.5, RMSRA: 30, RMSDec: 0},
	}}
	var b strings.Builder
	if err := ReachText(&b, r, ShowResidual, Notes{}, Style{}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"0.50 arcsec rms", "loop.interval 1 s and loop.gain_ra 0.5", "1 of 4 places", " 50 ++", "  ! ++"} {
		if !strings.Contains(strings.ReplaceAll(b.String(), "\n", " "), want) {
			t.Errorf("%q is not in\n%s", want, b.String())
		}
	}
	var svg strings.Builder
	if err := ReachSVG(&svg, r, ShowResidual); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(svg.String(), "1.50 arcsec or more") {
		t.Errorf("the picture's key:\n%s", svg.String())
	}
	if err := xml.Unmarshal([]byte(svg.String()), new(struct{})); err != nil {
		t.Errorf("the picture is no XML: %v", err)
	}
	r.Second, r.Points = "", r.Points[:2]
	b.Reset()
	if err := ReachText(&b, r, ShowResidual, Notes{}, Style{}); err != nil || !strings.Contains(b.String(), "right ascension") {
		t.Errorf("over one entry: %v\n%s", err, b.String())
	}
}
