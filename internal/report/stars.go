package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"holdfast/internal/plan"
)

// Stars writes the guide stars of a field for a person.
func Stars(w io.Writer, f *plan.Field, n Notes, s Style) error {
	p := newPage(s)
	p.dangers(n)
	name := f.Rig
	if name == "" {
		name = "This rig"
	}
	p.linef("%s: guide stars for %s", p.bold(name), p.bold(f.Target.Name))
	p.gap()
	p.para("", fieldSentence(f))
	p.gap()
	p.field("field", fmt.Sprintf("%.1f x %.1f arcmin about %s, turned %.0f degrees; %.2f arcsec a pixel; target %.0f degrees up",
		float64(f.Width), float64(f.Height), position(f.CentreRA, f.CentreDec), float64(f.Angle), float64(f.Scale), float64(f.Altitude)))
	p.field("exposure", fmt.Sprintf("%s; a star is %.1f px wide", f.Exposure.Say(), float64(f.FWHMPx)))
	if f.Advice != "" {
		p.field("", upper(f.Advice)+".")
	}
	p.field("depth", fmt.Sprintf("the camera reaches VT %.1f; the catalogue lists every star here to %.1f, %d of them in the field; nine such fields of ten have one of VT %s or brighter",
		float64(f.Reach), float64(f.Limit), f.InField, fixed(float64(f.Reach90), 1)))
	if len(f.Stars) > 0 {
		p.gap()
		p.starTable(f)
	}
	if len(f.Prism) > 0 {
		p.head("Turning the prism", "position angle, north through east")
		for _, t := range f.Prism {
			p.linef("  %s degrees  VT %s, SNR %s, placed to %s arcsec", lead(fixed(float64(t.Angle), 0), 4), fixed(float64(t.VT), 1), round(t.SNR), fixed(float64(t.Centroid), 2))
		}
	}
	p.assumed(n, func(a Assumed) bool { return a.Entry == "target" || a.Entry == "date" })
	p.notes(n)
	return p.flush(w)
}

// fieldSentence answers in a sentence whether there is a guide star.
func fieldSentence(f *plan.Field) string {
	usable := 0
	for _, st := range f.Stars {
		if st.Usable {
			usable++
		}
	}
	if usable == 0 {
		return fmt.Sprintf("No star of the catalogue serves here, but below its limit one does with %s: try a longer exposure, or %s.", chance(f.Probability), elsewhere(f))
	}
	b := f.Stars[0]
	return fmt.Sprintf("The best is a star of VT %.1f, %.0f arcmin from the target: SNR %s in %s, which places it to %.2f arcsec.",
		float64(b.VT), float64(b.Apart), round(b.SNR), b.Exposure.Say(), float64(b.Centroid))
}

// elsewhere says how another star may be brought in.
func elsewhere(f *plan.Field) string {
	if len(f.Prism) == 0 {
		return "look a little aside"
	}
	return fmt.Sprintf("turn the prism to position angle %.0f degrees, where one of VT %.1f stands", float64(f.Prism[0].Angle), float64(f.Prism[0].VT))
}

// starTable lists the stars.
func (p *page) starTable(f *plan.Field) {
	row := func(place, vt, apart, snr, full, error, edge, companion, why string) {
		p.linef("  %s%s%s%s%s%s%s%s  %s", pad(place, 16), lead(vt, 6), lead(apart, 8), lead(snr, 7), lead(full, 7), lead(error, 8), lead(edge, 7), lead(companion, 7), why)
	}
	row("", "VT", "apart", "SNR", "full", "error", "edge", "next", "")
	row("", "mag", "arcmin", "", "%", "arcsec", "px", "arcsec", "")
	for _, st := range f.Stars {
		full := "over"
		if st.Fill < 1 {
			full = fmt.Sprintf("%.0f", 100*st.Fill)
		}
		next := "-"
		if !math.IsNaN(float64(st.Companion)) {
			next = fmt.Sprintf("%.0f", float64(st.Companion))
		}
		mark := "  "
		if !st.Usable {
			mark = "x "
		}
		place := strings.Replace(position(st.RA, st.Dec), "m ", " ", 1)
		place = strings.TrimSuffix(strings.ReplaceAll(strings.ReplaceAll(place, "h", " "), "d", " "), "m")
		row(place, fixed(float64(st.VT), 1), fixed(float64(st.Apart), 1), round(st.SNR), full, fixed(float64(st.Centroid), 2), fixed(float64(st.Edge), 0), next, "")
		if st.Why != "" {
			p.linef("    %s%s", mark, st.Why)
		}
	}
	p.para("  ", "x cannot be used. Full: share of a full pixel in the exposure above. Error: of one axis, one exposure. Next: the nearest star that pulls at it.")
}
