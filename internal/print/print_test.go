package print

import (
	"bytes"
	"context"
	"encoding/xml"
	"io"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/plan"
	"holdfast/internal/report"
	"holdfast/internal/rig"
)

// outward are what would make a page ask for something that is not in it.
var outward = regexp.MustCompile(`(?i)<script|<link|<iframe|<img|\ssrc=|@import|url\((?:https?:|/)`)

// TestPlanStandsAlone: a plan's report holds its sentence, its drawings and every
// assumed entry, asks for nothing outside itself, and escapes what a person wrote.
func TestPlanStandsAlone(t *testing.T) {
	for _, name := range []string{"larkspur.toml", "fourteen-pickoff.toml", "tracker.toml"} {
		src, err := os.ReadFile("../../examples/" + name)
		if err != nil {
			t.Fatal(err)
		}
		r, err := rig.Parse(name, src)
		if err != nil {
			t.Fatal(err)
		}
		r.Name = `<script>alert("x")</script>`
		target, err := catalog.ParseTarget("M 27")
		if err != nil {
			t.Fatal(err)
		}
		p, err := plan.Make(context.Background(), plan.Request{Rig: r, Target: target, Evening: time.Date(2026, 8, 14, 0, 0, 0, 0, time.UTC), Samples: 4})
		if err != nil {
			t.Fatal(err)
		}
		path, err := plan.MakePath(r)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := Plan(&b, r, p, path, report.NewNotes(r, r.Assumed(), nil), Made{Version: "test"}); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		if found := outward.FindString(text); found != "" {
			t.Errorf("%s: the report asks for something outside itself: %q", name, found)
		}
		if rest := strings.ReplaceAll(text, `xmlns="http://www.w3.org/2000/svg"`, ""); strings.Contains(rest, "://") {
			t.Errorf("%s: the report holds an address", name)
		}
		for _, a := range r.Assumed() {
			if !strings.Contains(text, a.Entry) {
				t.Errorf("%s: the report does not say that %s was assumed", name, a.Entry)
			}
		}
		drawings := regexp.MustCompile(`(?s)<svg.*?</svg>`).FindAllString(text, -1)
		if len(drawings) < 3 {
			t.Errorf("%s: %d drawings, want the star twice and the night at least", name, len(drawings))
		}
		for _, d := range drawings {
			dec := xml.NewDecoder(strings.NewReader(d))
			for {
				if _, err := dec.Token(); err == io.EOF {
					break
				} else if err != nil {
					t.Errorf("%s: a drawing is not well formed: %v in %.80s", name, err, d)
					break
				}
			}
			if strings.Contains(d, "style=") || strings.Contains(d, "NaN") {
				t.Errorf("%s: a drawing has a style attribute or a NaN: %.80s", name, d)
			}
		}
	}
}
