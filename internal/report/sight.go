package report

import (
	"fmt"
	"io"
	"math"

	"holdfast/internal/fitting"
)

// SightCautions returns what to mind at the bracket.
func SightCautions(f *fitting.Sight) []Caution {
	if len(f.Steps) == 0 {
		return nil
	}
	return []Caution{{Text: "Never have all screws of a ring loose at once: support the guide tube and tether it first."}}
}

// Sight writes how far apart two telescopes point for a person.
func Sight(w io.Writer, f *fitting.Sight, n Notes, s Style) error {
	p := newPage(s)
	p.para("", upper(f.Why)+".")
	p.gap()
	p.field("apart", fmt.Sprintf("%.1f ± %.2f arcmin: %+.1f east, %+.1f north", float64(f.Offset), float64(f.OffsetSigma), float64(f.East), float64(f.North)))
	if t := float64(f.Tolerance); !math.IsNaN(t) && !math.IsInf(t, 0) {
		p.field("bearable", fmt.Sprintf("%.0f arcmin", t))
	}
	p.field("imaging", fmt.Sprintf("%.4g arcsec a pixel; %s", float64(f.Imaging.Scale), f.Imaging.Says))
	p.field("guide", fmt.Sprintf("%.4g arcsec a pixel; %s", float64(f.Guide.Scale), f.Guide.Says))
	if len(f.Steps) > 0 {
		p.head("In this order", "a screw turned in pushes the tube away")
		for i, st := range f.Steps {
			p.para(fmt.Sprintf("  %2d  ", i+1), st.Do)
		}
	}
	p.assumed(n, func(Assumed) bool { return true })
	p.notes(n)
	return p.flush(w)
}
