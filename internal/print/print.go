package print

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"time"

	"holdfast/internal/draw"
	"holdfast/internal/plan"
	"holdfast/internal/proof"
	"holdfast/internal/report"
	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

//go:embed page.html
var pageText string

var page = template.Must(template.New("page").Parse(pageText))

// Made is when and by what a report is made.
type Made struct {
	At      time.Time
	Version string
}

// sheet is what a report says.
type sheet struct {
	Title, Headline, About string
	Dangers, Minds         []string
	Parts                  []part
	Assumed                []report.Assumed
	Version, Made, Foot    string
}

// part is one part of a report.
type part struct {
	Head    string
	Text    []string
	Figures []figure
	Table   *table
	Facts   [][2]string
	List    []string
}

// figure is a drawing with what it shows.
type figure struct {
	SVG     template.HTML // by package draw, which escapes what it writes
	Caption string
}

// table is a table whose first column names its rows.
type table struct {
	Columns []column
	Rows    [][]string
	Marked  int // row of the weak link; -1 is none
}

type column struct {
	Name   string
	Number bool
}

func shown(svg, caption string) figure { return figure{template.HTML(svg), caption} }

// write fills the page.
func (s *sheet) write(w io.Writer, n report.Notes, m Made) error {
	for _, c := range n.Cautions {
		if c.Danger {
			s.Dangers = append(s.Dangers, c.Text)
		} else {
			s.Minds = append(s.Minds, c.Text)
		}
	}
	s.Minds = append(s.Minds, n.Looks...)
	s.Assumed, s.Version, s.Made = n.Assumed, m.Version, m.At.UTC().Format("2 January 2006 15:04 UTC")
	if err := page.Execute(w, s); err != nil {
		return fmt.Errorf("print: %w", err)
	}
	return nil
}

// fixed writes a number with some decimals, an unknown one as a dash.
func fixed[T ~float64](v T, decimals int) string {
	if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
		return "–"
	}
	return strings.Replace(fmt.Sprintf("%.*f", decimals, float64(v)), "-", "−", 1)
}

// rows returns a ledger as a table.
func rows(l []plan.Row, weak string) *table {
	t := &table{Columns: []column{{"one sigma, arcsec", false}, {"east", true}, {"north", true}, {"share", true}, {"to lower it", false}}, Marked: -1}
	for _, r := range l {
		if r.Share < 0.0005 {
			continue
		}
		if string(r.Term) == weak {
			t.Marked = len(t.Rows)
		}
		name := report.TermName(r.Term)
		if len(r.Assumed) > 0 {
			name += " *"
		}
		t.Rows = append(t.Rows, []string{name, fixed(r.East, 2), fixed(r.North, 2), fixed(100*r.Share, 1) + " %", r.Remedy})
	}
	return t
}

// Plan writes the report of a plan, with the light path if there is one.
func Plan(w io.Writer, r *rig.Rig, p *plan.Result, path *plan.Path, n report.Notes, m Made) error {
	name := p.Rig
	if name == "" {
		name = "This rig"
	}
	s := &sheet{Title: name + " on " + p.Target.Name, Headline: name + " on " + p.Target.Name + ": " + p.Verdict.String(),
		About: fmt.Sprintf("Evening of %s, subs of %s; best at %s UTC, %s degrees up.", p.Night.Date, p.Sub.Say(), p.Best.UTC.Format("15:04"), fixed(p.Best.Altitude, 0)),
		Foot:  "Rows marked * rest partly on assumed entries. Position angles run from north through east."}
	centre, corner := draw.StarsOf(p)
	s.Parts = append(s.Parts, part{Text: []string{p.Reason}, Figures: []figure{
		shown(centre.SVG(), fmt.Sprintf("At the centre: %s″ wide, %s out of round; in four nights of five %s to %s″ and %s to %s. The goal: %s″ and %s.",
			fixed(p.Star.FWHM, 1), fixed(p.Star.Ellipticity, 2), fixed(p.StarP10.FWHM, 1), fixed(p.StarP90.FWHM, 1), fixed(p.StarP10.Ellipticity, 2), fixed(p.StarP90.Ellipticity, 2), fixed(p.GoalFWHM, 1), fixed(p.GoalEllipticity, 2))),
		shown(corner.SVG(), fmt.Sprintf("In the corner: %s″ wide, %s out of round. The goal: %s.", fixed(p.StarCorner.FWHM, 1), fixed(p.StarCorner.Ellipticity, 2), fixed(p.GoalCorner, 2)))}})
	weak := ""
	if p.WeakLink != nil {
		weak = string(*p.WeakLink)
	}
	s.Parts = append(s.Parts, part{Head: "What widens the star", Table: rows(p.Ledger, weak)})
	if len(p.Gains) > 0 {
		t := &table{Columns: []column{{"change", false}, {"width", true}, {"centre", true}, {"corner", true}, {"then", false}}, Marked: -1,
			Rows: [][]string{{"as it is", fixed(p.Star.FWHM, 2) + "″", fixed(p.Star.Ellipticity, 3), fixed(p.StarCorner.Ellipticity, 3), p.Verdict.String()}}}
		for _, g := range p.Gains {
			t.Rows = append(t.Rows, []string{g.Change, fixed(g.FWHM, 2) + "″", fixed(g.Ellipticity, 3), fixed(g.EllipticityCorner, 3), g.Verdict.String()})
		}
		s.Parts = append(s.Parts, part{Head: "What a change would bring", Table: t})
	}
	facts := [][2]string{{"best sub", p.BestSub.Say() + ": " + p.BestSubWhy}, {"stays round", "up to " + sayLength(p.LongestRoundSub) + "; without correction " + sayLength(p.UnguidedSub)}}
	if l := p.Loop; l != nil {
		facts = append(facts, [2]string{"settings", fmt.Sprintf("a correction every %s s; gain %s in RA, %s in Dec; dead band %s″", fixed(l.Cycle, 1), fixed(l.GainRA, 2), fixed(l.GainDec, 2), fixed(l.DeadBand, 2))},
			[2]string{"leaves", fmt.Sprintf("%s″ rms in RA, %s″ in Dec, the air apart", fixed(l.RMSRA, 2), fixed(l.RMSDec, 2))})
	}
	for _, l := range p.PolarLimits {
		facts = append(facts, [2]string{"polar axis", "within " + fixed(l.Arcmin, 1) + "′: " + l.Why})
	}
	s.Parts = append(s.Parts, part{Head: "Holding it", Facts: facts}, part{Head: "The night", Figures: []figure{shown(draw.BandOf(r, p).SVG(), "Altitude of the target and the width of its star through the usable window, in the dark.")}})
	if path != nil {
		s.Parts = append(s.Parts, lightPath(r, path))
	}
	return s.write(w, n, m)
}

// sayLength says a length of time that may not be known.
func sayLength(t unit.Second) string {
	if math.IsNaN(float64(t)) {
		return "–"
	}
	return t.Say()
}

// lightPath is the part of a report that shows the light path.
func lightPath(r *rig.Rig, p *plan.Path) part {
	out := part{Head: "The light path"}
	switch r.Guide.Kind {
	case rig.Piggyback:
		out.Figures = []figure{shown(draw.PathOf(r, p, 0).SVG(), "The guide telescope to scale along the light.")}
	case rig.Pickoff:
		out.Figures = []figure{shown(draw.PickOffOf(r, p).SVG(), "The pick-off from the front.")}
	}
	for _, f := range p.Findings {
		word := "fits: "
		if !f.OK {
			word = "LOOK: "
		}
		out.List = append(out.List, word+f.Text)
	}
	return out
}

// Proof writes the report of a night's proof.
func Proof(w io.Writer, p *proof.Result, n report.Notes, m Made) error {
	s := &sheet{Title: "The morning after", Headline: p.Sentence, Foot: "Position angles run from north through east.",
		About: fmt.Sprintf("%d subs, %d of %d within the goal; the mean star %s″ wide and %s out of round, in the corner %s″ and %s.", len(p.Subs), p.Within, p.Judged, fixed(p.Star.FWHM, 2), fixed(p.Star.Ellipticity, 2), fixed(p.StarCorner.FWHM, 2), fixed(p.StarCorner.Ellipticity, 2))}
	s.Parts = append(s.Parts, part{Head: "Through the night", Figures: []figure{shown(draw.NightOf(p).SVG(), "Each sub's star, how far out of round it is, and how wide.")}})
	for i, c := range p.Causes {
		if i > 0 && c.Probability < 0.02 {
			break
		}
		f := part{Head: fmt.Sprintf("%s %%  %s", fixed(100*c.Probability, 0), c.Cause.Name())}
		for _, t := range c.For {
			f.Facts = append(f.Facts, [2]string{"for", t})
		}
		for _, t := range c.Against {
			f.Facts = append(f.Facts, [2]string{"against", t})
		}
		if c.NextTest != "" {
			f.Facts = append(f.Facts, [2]string{"next test", c.NextTest})
		}
		if c.Remedy != "" {
			f.Facts = append(f.Facts, [2]string{"change", c.Remedy})
		}
		if g := c.Gain; g != nil {
			f.Facts = append(f.Facts, [2]string{"gains", fmt.Sprintf("%s″ and %s out of round; %d of %d subs within the goal", fixed(g.FWHM, 2), fixed(g.Ellipticity, 2), g.Kept, p.Judged)})
		}
		s.Parts = append(s.Parts, f)
	}
	t := &table{Columns: []column{{"one sigma, arcsec", false}, {"east", true}, {"north", true}, {"planned", true}, {"told", false}}, Marked: -1}
	for _, r := range p.Ledger {
		t.Rows = append(t.Rows, []string{report.TermName(r.Term), fixed(r.East, 2), fixed(r.North, 2), fixed(r.PlannedEast, 2) + ", " + fixed(r.PlannedNorth, 2), r.Why})
	}
	s.Parts = append(s.Parts, part{Head: "The ledger as measured", Table: t})
	if len(p.Learned) > 0 {
		l := part{Head: "What the night taught"}
		for _, e := range p.Learned {
			l.Facts = append(l.Facts, [2]string{e.Entry, e.Value})
		}
		s.Parts = append(s.Parts, l)
	}
	subs := &table{Columns: []column{{"sub", false}, {"began, UTC", false}, {"stars", true}, {"width", true}, {"out of round", true}, {"goal", false}}, Marked: -1}
	for _, sub := range p.Subs {
		if sub.Error != "" {
			subs.Rows = append(subs.Rows, []string{sub.File, sub.Error, "", "", "", ""})
			continue
		}
		within := "beyond"
		if sub.WithinGoal {
			within = "within"
		}
		subs.Rows = append(subs.Rows, []string{sub.File, sub.Start, fmt.Sprint(sub.StarsFound), fixed(sub.Star.FWHM, 2) + "″", fixed(sub.Star.Ellipticity, 2), within})
	}
	s.Parts = append(s.Parts, part{Head: "Its subs", Table: subs})
	return s.write(w, n, m)
}
