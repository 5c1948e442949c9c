package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"holdfast/internal/ledger"
	"holdfast/internal/plan"
)

// The things of which a reach draws a map or a chart.
const (
	ShowStar     = "star"
	ShowResidual = "residual" // the tracking error left, air apart
)

// ReachText writes how far a kit reaches, with a chart in characters of what
// show names.
func ReachText(w io.Writer, r *plan.Reach, show string, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	name := r.Rig
	if name == "" {
		name = "This rig"
	}
	p.linef("%s on %s, subs of %s", p.bold(name), p.bold(r.Target), r.Sub.Say())
	p.gap()
	p.para("", reachSentenceOf(r, show))
	p.gap()
	switch {
	case r.Second == "" && show == ShowResidual:
		p.chart(ResidualChart(r), 11, 5)
	case r.Second == "":
		c := ReachChart(r)
		p.chart(c, 11, 5)
		p.bands(c)
		p.reachTable(r)
	case show == ShowResidual:
		p.residuals(r)
	default:
		p.grid(r)
	}
	if r.HoldsOthers {
		p.para("  ", "All other entries stay as they are; assumed ones that depend on what changes follow it.")
	}
	p.assumed(n, func(a Assumed) bool { return a.Entry == "target" || a.Entry == "date" })
	p.notes(n)
	return p.flush(w)
}

// reachSentence says how far the star stays round and what stops it.
func reachSentence(r *plan.Reach) string {
	x := reachAxis(r.Entry, r.Unit, r.Points, func(p plan.ReachPoint) float64 { return p.Value })
	if r.Second != "" {
		ok := 0
		for _, pt := range r.Points {
			if pt.Verdict == ledger.Round {
				ok++
			}
		}
		return fmt.Sprintf("The star is round in %d of the %d combinations of %s and %s.", ok, len(r.Points), r.Entry, r.Second)
	}
	last := r.Points[len(r.Points)-1].Value
	switch {
	case math.IsNaN(r.Now):
		return fmt.Sprintf("How the star changes with %s.", r.Entry)
	case r.Now < x.From*0.95 || r.Now > x.To*1.05:
		return fmt.Sprintf("The rig's own %s, %s, lies outside the range tried.", r.Entry, x.with(r.Now))
	case math.IsNaN(r.RoundTo):
		return fmt.Sprintf("At the rig's own %s, %s, the star is not round: %s.", r.Entry, x.with(r.Now), stopsBy(r.Stops))
	case r.RoundTo >= last:
		return fmt.Sprintf("From the rig's own %s, %s, the star stays round to the end of the range, %s.", r.Entry, x.with(r.Now), x.with(last))
	}
	return fmt.Sprintf("From the rig's own %s, %s, the star stays round up to %s; then %s stops it.", r.Entry, x.with(r.Now), x.with(r.RoundTo), stopsBy(r.Stops))
}

// reachSentenceOf says how far the star stays round, or where the tracking error
// is least.
func reachSentenceOf(r *plan.Reach, show string) string {
	best := r.Steadiest()
	if show != ShowResidual {
		return reachSentence(r)
	}
	if best == nil {
		return "Nothing is corrected here, so there is no tracking error to compare."
	}
	x := Axis{Label: r.Entry, Unit: r.Unit}
	text := fmt.Sprintf("The tracking error is least, %.2f arcsec rms over both axes, air apart, with %s %s", float64(best.Residual()), r.Entry, x.with(best.Value))
	if r.Second != "" {
		text += fmt.Sprintf(" and %s %s", r.Second, Axis{Unit: r.SecondUnit}.with(best.Second))
	}
	unstable := 0
	for _, p := range r.Points {
		if p.Unstable {
			unstable++
		}
	}
	if unstable > 0 {
		text += fmt.Sprintf("; in %d of %d places the correction would run away", unstable, len(r.Points))
	}
	return text + "."
}

// ResidualChart returns the chart of the tracking error over one entry.
func ResidualChart(r *plan.Reach) *Chart {
	pts := slices.Clone(r.Points)
	slices.SortStableFunc(pts, func(a, b plan.ReachPoint) int { return cmp.Compare(a.Value, b.Value) })
	x := reachAxis(r.Entry, r.Unit, pts, func(p plan.ReachPoint) float64 { return p.Value })
	column := func(get func(plan.ReachPoint) float64) (out []float64) {
		for _, p := range pts {
			out = append(out, get(p))
		}
		return out
	}
	at := column(func(p plan.ReachPoint) float64 { return p.Value })
	ra, dec := column(func(p plan.ReachPoint) float64 { return float64(p.RMSRA) }), column(func(p plan.ReachPoint) float64 { return float64(p.RMSDec) })
	top := 0.1
	for i := range ra {
		for _, v := range []float64{ra[i], dec[i]} {
			if v > top && v < 10 {
				top = v
			}
		}
	}
	c := &Chart{Title: fmt.Sprintf("What %s leaves of the tracking error", orThis(r.Rig)), Desc: reachSentenceOf(r, ShowResidual), X: x, Panels: []Panel{{
		Y:      Axis{Label: "left, rms", Unit: "arcsec", From: 0, To: 1.1 * top},
		Series: []Series{{Name: "right ascension", Stroke: Solid, X: at, Y: ra}, {Name: "declination", Stroke: Dashed, X: at, Y: dec}},
	}}, Notes: []string{reachSubject(r) + ", at its best hour, the air apart"}}
	if r.Now >= x.From && r.Now <= x.To {
		c.Marks = []Limit{{Name: "now", At: r.Now}}
	}
	return c
}

// residuals prints the tracking error over two entries, the second growing
// upwards, in hundredths of an arcsecond.
func (p *page) residuals(r *plan.Reach) {
	columnsOf, rowsOf := gridSides(r)
	per, unitOf := 100.0, "hundredths of an arcsecond"
	if best := r.Steadiest(); best != nil && best.Residual() > 0.5 {
		per, unitOf = 10, "tenths of an arcsecond"
	}
	p.linef("  %s", Axis{Label: r.Second, Unit: r.SecondUnit}.name())
	const cell = 3
	step := max(1, (len(columnsOf)*cell+p.width-15)/(p.width-14)) // columns that fit
	for j := len(rowsOf) - 1; j >= 0; j-- {
		var b strings.Builder
		for i := 0; i < len(columnsOf); i += step {
			pt := r.Points[j*len(columnsOf)+i]
			v := float64(pt.Residual()) * per
			text := fmt.Sprintf("%.0f", v)
			switch {
			case pt.Unstable:
				text = "!"
			case math.IsNaN(v):
				text = "?"
			case v >= 99.5:
				text = "++"
			}
			b.WriteString(lead(text, cell))
		}
		p.linef("%s │%s", lead(figure(rowsOf[j]), 9), b.String())
	}
	width := cell * ((len(columnsOf) + step - 1) / step)
	labels := []rune(strings.Repeat(" ", width+8))
	free := 0
	for i := 0; i < len(columnsOf); i += step {
		text := []rune(figure(columnsOf[i]))
		at := i/step*cell + 1
		if at >= free && at+len(text) <= len(labels) {
			copy(labels[at:], text)
			free = at + len(text) + 2
		}
	}
	p.linef("%s └%s", strings.Repeat(" ", 9), strings.Repeat("─", width))
	p.linef("%s  %s", strings.Repeat(" ", 9), string(labels))
	p.linef("%s  %s", strings.Repeat(" ", 9), Axis{Label: r.Entry, Unit: r.Unit}.name())
	p.gap()
	p.para("  ", "In "+unitOf+", both axes together; ++ beyond 99, ! the correction would run away, ? no answer.")
}

// stopsBy names what stops a kit.
func stopsBy(s string) string {
	if name, ok := termNames[ledger.Term(s)]; ok {
		return name
	}
	if s == "" {
		return "nothing that can be named"
	}
	return s
}

// reachAxis returns the axis that spans the values of points.
func reachAxis(entry, unitName string, pts []plan.ReachPoint, value func(plan.ReachPoint) float64) Axis {
	a := Axis{Label: entry, Unit: unitName, From: math.Inf(1), To: math.Inf(-1)}
	for _, p := range pts {
		a.From, a.To = min(a.From, value(p)), max(a.To, value(p))
	}
	a.Log = a.From > 0 && a.To > 4*a.From
	if a.From == a.To {
		a.To = a.From + 1
	}
	return a
}

// fillOf is how the range of a verdict is filled.
func fillOf(p plan.ReachPoint) Fill {
	switch {
	case p.Error != "":
		return Stippled
	case p.Verdict == ledger.Round:
		return Blank
	case p.Verdict == ledger.Soft:
		return Hatched
	case p.Verdict == ledger.Drawn:
		return CrossHatched
	}
	return Stippled
}

// fillName is the word for a filled range.
var fillName = map[Fill]string{Blank: "round", Hatched: "soft", CrossHatched: "drawn", Stippled: "no answer"}

// ReachChart returns the chart of a reach over one entry: ellipticity at the
// centre and in the corner with their goals, the width below it, and the
// ranges of each verdict with what limits them.
func ReachChart(r *plan.Reach) *Chart {
	pts := slices.Clone(r.Points)
	slices.SortStableFunc(pts, func(a, b plan.ReachPoint) int { return cmp.Compare(a.Value, b.Value) })
	x := reachAxis(r.Entry, r.Unit, pts, func(p plan.ReachPoint) float64 { return p.Value })
	column := func(get func(plan.ReachPoint) float64) (out []float64) {
		for _, p := range pts {
			out = append(out, get(p))
		}
		return out
	}
	xs := column(func(p plan.ReachPoint) float64 { return p.Value })
	centre := column(func(p plan.ReachPoint) float64 { return p.Ellipticity })
	corner := column(func(p plan.ReachPoint) float64 { return p.EllipticityCorner })
	fwhm := column(func(p plan.ReachPoint) float64 { return float64(p.FWHM) })
	top := math.Max(1.35*math.Max(r.Goal, r.GoalCorner), math.Min(1, 1.08*math.Max(largestOf(centre), largestOf(corner))))
	c := &Chart{
		Title: fmt.Sprintf("How far %s reaches", orThis(r.Rig)), Desc: reachSentence(r), X: x,
		Panels: []Panel{
			{Y: Axis{Label: "out of round (1 - b/a)", To: top},
				Series: []Series{{Name: "centre", X: xs, Y: centre}, {Name: "corner", X: xs, Y: corner, Stroke: Dashed}},
				Limits: []Limit{{Name: "goal " + fixed(r.Goal, 2), At: r.Goal}, {Name: "corner " + fixed(r.GoalCorner, 2), At: r.GoalCorner, Stroke: Dashed}}},
			{Y: Axis{Label: "width (FWHM)", Unit: "arcsec", To: 1.08 * largestOf(fwhm)}, Series: []Series{{Name: "centre", X: xs, Y: fwhm}}},
		},
		Notes: []string{reachSubject(r) + ", at its best hour"},
	}
	if lo := smallestOf(fwhm); lo > 0 && largestOf(fwhm) > 6*lo {
		c.Panels[1].Y.Log, c.Panels[1].Y.From = true, lo/1.1
	}
	if !(c.Panels[1].Y.To > 0) {
		c.Panels = c.Panels[:1] // no star anywhere
	}
	if !math.IsNaN(r.Now) {
		c.Marks = []Limit{{Name: "the rig, " + x.with(r.Now), At: r.Now}}
	}
	for i, p := range pts {
		from, to := p.Value, p.Value
		if i > 0 {
			from = x.between(pts[i-1].Value, p.Value)
		}
		if i < len(pts)-1 {
			to = x.between(p.Value, pts[i+1].Value)
		}
		f := fillOf(p)
		note := ""
		switch {
		case p.Error != "":
			note = p.Error
		case f != Blank && p.Limit != nil:
			note = termNames[*p.Limit]
		}
		if k := len(c.Bands) - 1; k >= 0 && c.Bands[k].Fill == f && c.Bands[k].Note == note {
			c.Bands[k].To = to
			continue
		}
		c.Bands = append(c.Bands, Band{Name: fillName[f], Note: note, From: from, To: to, Fill: f})
	}
	return c
}

// orThis returns a rig's name, or words for one without.
func orThis(name string) string {
	if name == "" {
		return "this rig"
	}
	return name
}

// largestOf returns the largest number of a list, NaN without any.
func largestOf(v []float64) float64 {
	most := math.NaN()
	for _, x := range v {
		if !(x <= most) && !math.IsNaN(x) {
			most = x
		}
	}
	return most
}

// smallestOf returns the smallest number of a list, NaN without any.
func smallestOf(v []float64) float64 {
	least := math.NaN()
	for _, x := range v {
		if !(x >= least) && !math.IsNaN(x) {
			least = x
		}
	}
	return least
}

// bands lists the ranges of a chart.
func (p *page) bands(c *Chart) {
	p.gap()
	for _, b := range c.Bands {
		text := fmt.Sprintf("%s to %s", figure(b.From), c.X.with(b.To))
		if b.Note != "" {
			text = pad(text, 22) + " " + b.Note
		}
		p.para("  "+string(bandRune[b.Fill])+" "+pad(b.Name, 10), text)
	}
}

// reachTable lists some of the points, the rig's own value nearest among them.
func (p *page) reachTable(r *plan.Reach) {
	const most = 9
	pts := r.Points
	step := max((len(pts)+most-1)/most, 1)
	nearest := 0
	for i := range pts {
		if math.Abs(pts[i].Value-r.Now) < math.Abs(pts[nearest].Value-r.Now) {
			nearest = i
		}
	}
	p.gap()
	row := func(v, fwhm, px, e, k, verdict, limit string) {
		p.linef("  %s%s%s%s%s  %s%s", lead(v, 11), lead(fwhm, 8), lead(px, 7), lead(e, 9), lead(k, 9), pad(verdict, 8), limit)
	}
	unitName := r.Unit
	row(lastWord(r.Entry), "width", "width", "centre", "corner", "", "")
	row(unitName, "arcsec", "px", "1 - b/a", "1 - b/a", "verdict", "largest cause")
	for i := nearest % step; i < len(pts); i += step {
		pt := pts[i]
		if pt.Error != "" {
			p.para("  "+lead(figure(pt.Value), 11)+"  ", pt.Error)
			continue
		}
		limit := ""
		if pt.Limit != nil {
			limit = termNames[*pt.Limit]
		}
		row(figure(pt.Value), fixed(float64(pt.FWHM), 1), fixed(float64(pt.FWHMPx), 1), fixed(pt.Ellipticity, 2), fixed(pt.EllipticityCorner, 2), pt.Verdict.String(), limit)
	}
}

// lastWord returns the part of an entry behind its last dot.
func lastWord(entry string) string {
	if i := strings.LastIndexByte(entry, '.'); i >= 0 {
		return entry[i+1:]
	}
	return entry
}

// limitLetters stand for the rows in a grid.
var limitLetters = map[ledger.Term]byte{
	ledger.Optics: 'o', ledger.Focus: 'f', ledger.Tracking: 't', ledger.CorrectionNoise: 'n', ledger.Wind: 'w', ledger.Backlash: 'b',
	ledger.Flexure: 'x', ledger.MirrorShift: 'm', ledger.FieldRotation: 'r', ledger.Refraction: 'a', ledger.Drift: 'd',
}

// cellOf returns the character of a point in a grid: a dot where the star is
// round, a ring where it is soft, and where it is drawn the letter of what
// draws it.
func cellOf(p plan.ReachPoint) rune {
	switch fillOf(p) {
	case Blank:
		return '●'
	case Hatched:
		return '○'
	case CrossHatched:
		if p.Limit != nil {
			if l, ok := limitLetters[*p.Limit]; ok {
				return rune(l)
			}
		}
		return '×'
	}
	return '?'
}

// grid prints a reach over two entries, the second growing upwards.
func (p *page) grid(r *plan.Reach) {
	columnsOf, rowsOf := gridSides(r)
	y := Axis{Label: r.Second, Unit: r.SecondUnit}
	p.linef("  %s", y.name())
	cell := min(max((p.width-14)/len(columnsOf), 1), 3)
	used := map[ledger.Term]bool{}
	for j := len(rowsOf) - 1; j >= 0; j-- {
		var b strings.Builder
		for i := range columnsOf {
			pt := r.Points[j*len(columnsOf)+i]
			ch := cellOf(pt)
			if pt.Limit != nil && fillOf(pt) == CrossHatched {
				used[*pt.Limit] = true
			}
			b.WriteString(pad(string(ch), cell))
		}
		p.linef("%s │ %s", lead(figure(rowsOf[j]), 9), b.String())
	}
	width := cell * len(columnsOf)
	labels := []rune(strings.Repeat(" ", width+8))
	free := 0
	for i, v := range columnsOf {
		text := []rune(figure(v))
		if i*cell >= free && i*cell+len(text) <= len(labels) {
			copy(labels[i*cell:], text)
			free = i*cell + len(text) + 2
		}
	}
	p.linef("%s └─%s", strings.Repeat(" ", 9), strings.Repeat("─", width))
	p.linef("%s   %s", strings.Repeat(" ", 9), string(labels))
	p.linef("%s   %s", strings.Repeat(" ", 9), Axis{Label: r.Entry, Unit: r.Unit}.name())
	p.gap()
	p.linef("  ● round   ○ soft   a letter: drawn, by   ? no answer")
	var keys []string
	for _, t := range ledger.Terms {
		if used[t] && limitLetters[t] != 0 {
			keys = append(keys, string(limitLetters[t])+" "+termNames[t])
		}
	}
	if len(keys) > 0 {
		p.para("  ", strings.Join(keys, ", "))
	}
	if !math.IsNaN(r.Now) {
		p.para("  ", fmt.Sprintf("The rig itself has %s %s.", r.Entry, Axis{Unit: r.Unit}.with(r.Now)))
	}
}

// gridSides returns the values of both entries of a reach over two.
func gridSides(r *plan.Reach) (first, second []float64) {
	for _, p := range r.Points {
		if !slices.Contains(first, p.Value) {
			first = append(first, p.Value)
		}
		if !slices.Contains(second, p.Second) {
			second = append(second, p.Second)
		}
	}
	return first, second
}

// reachSubject names what a reach looks at: the target, and the sub unless it is
// what changes.
func reachSubject(r *plan.Reach) string {
	if r.Entry == "sub.length" || r.Second == "sub.length" {
		return r.Target
	}
	return fmt.Sprintf("%s, subs of %s", r.Target, r.Sub.Say())
}
