package draw

import (
	"fmt"
	"math"
	"time"

	"holdfast/internal/unit"
)

// FieldStar is a star of a field, as seen from the target.
type FieldStar struct {
	East, North unit.Arcmin // from the target
	Mag         unit.Mag
	Usable      bool // to hold on to
	Rank        int  // from 1 for the best; 0 is not named
}

// Frame is a sensor on the sky.
type Frame struct {
	East, North   unit.Arcmin // its middle, from the target
	Width, Height unit.Arcmin
	Angle         unit.Deg // position angle of its +y
}

// Field is the sky about a target with the sensors on it.
type Field struct {
	Target  string
	Size    unit.Arcmin // of the target; NaN or 0 a point
	Stars   []FieldStar
	Imaging Frame
	Guide   Frame // without width there is none
	Chosen  int   // rank of the star that was chosen; 0 is none
}

// fieldSide is the width of a field's drawing.
const fieldSide = 520.0

// SVG draws the field, north up and east left.
func (f Field) SVG() string {
	reach := 1.0
	for _, fr := range []Frame{f.Imaging, f.Guide} {
		reach = math.Max(reach, math.Hypot(float64(fr.East), float64(fr.North))+math.Hypot(float64(fr.Width), float64(fr.Height))/2)
	}
	scale := (fieldSide/2 - 14) / reach
	mid := fieldSide / 2
	xy := func(east, north unit.Arcmin) (x, y float64) {
		return mid - float64(east)*scale, mid - float64(north)*scale
	}
	usable := 0
	for _, st := range f.Stars {
		if st.Usable {
			usable++
		}
	}
	s := begin(fieldSide, fieldSide, "field", fmt.Sprintf("The field of %s, %.0f arcminutes across, with both sensors and %d guide stars, %d of them usable", f.Target, 2*reach, len(f.Stars), usable))
	s.hatch("field-hatch", 9)
	outline := func(fr Frame, fill, more string) {
		if !(fr.Width > 0) {
			return
		}
		x, y := xy(fr.East, fr.North)
		w, h := float64(fr.Width)*scale, float64(fr.Height)*scale
		s.linef(`<g transform="translate(%s %s) rotate(%s)"><rect x="%s" y="%s" width="%s" height="%s" fill="%s" stroke="var(--ink)" stroke-width="1.8"%s/><path d="M0 %sv-9" stroke="var(--ink)" stroke-width="1.8"/></g>`,
			num(x), num(y), num(-float64(fr.Angle)), num(-w/2), num(-h/2), num(w), num(h), fill, space(more), num(-h/2))
	}
	outline(f.Guide, "none", `stroke-dasharray="9 5"`)
	outline(f.Imaging, "url(#field-hatch)", `fill-opacity="0.22"`)
	if f.Size > 0 {
		s.linef(`<circle cx="%s" cy="%s" r="%s" fill="none" stroke="var(--soft)" stroke-width="1.2"/>`, num(mid), num(mid), num(math.Max(float64(f.Size)/2*scale, 3)))
	} else {
		s.path("soft", 1.2, "", "M%s %sh12m-6 -6v12", num(mid-6), num(mid))
	}
	for _, st := range f.Stars {
		x, y := xy(st.East, st.North)
		r := math.Min(math.Max(6.5-0.55*(float64(st.Mag)-4), 1.1), 8)
		if st.Usable {
			s.linef(`<circle cx="%s" cy="%s" r="%s" fill="var(--ink)"/>`, num(x), num(y), num(r))
		} else {
			s.linef(`<circle cx="%s" cy="%s" r="%s" fill="none" stroke="var(--soft)" stroke-width="1"/>`, num(x), num(y), num(r))
		}
		if st.Rank > 0 {
			if st.Rank == f.Chosen {
				s.linef(`<circle cx="%s" cy="%s" r="%s" fill="none" stroke="var(--mark)" stroke-width="2.2"/>`, num(x), num(y), num(r+6))
			}
			s.text(x+r+3, y-r-1, 12, "ink", "start", `font-weight="700"`, fmt.Sprint(st.Rank))
		}
	}
	s.path("ink", 1.5, "", "M%s 44V14M%s 44H%s", num(fieldSide-24), num(fieldSide-24), num(fieldSide-54))
	s.text(fieldSide-24, 11, 12, "ink", "middle", `font-weight="700"`, "N")
	s.text(fieldSide-60, 48, 12, "ink", "end", `font-weight="700"`, "E")
	l := round(reach / 2)
	name := fmt.Sprintf("%g′", l)
	if l >= 60 {
		l = round(l/60) * 60
		name = fmt.Sprintf("%g°", l/60)
	}
	s.path("ink", 1.5, "", "M16 %sh%sm0 -6v12M16 %sv12", num(fieldSide-18), num(l*scale), num(fieldSide-24))
	s.text(16+l*scale/2, fieldSide-28, 12, "ink", "middle", `font-weight="700"`, name)
	return s.end()
}

// Hour is one instant of a night's band.
type Hour struct {
	At       time.Time
	Altitude unit.Deg
	FWHM     unit.Arcsec
}

// Band is a target's night.
type Band struct {
	Target           string
	DarkFrom, DarkTo time.Time
	Hours            []Hour // of the window, in order
	Flip             time.Time
	Best             time.Time
	Offset           unit.Hour // local time less UTC
	Horizon          unit.Deg
}

// The measures of a band.
const (
	bandWide = 760.0
	bandLeft = 52.0
	bandHigh = 150.0
)

// SVG draws the band: the dark, how high the target stands in it, how wide its
// star is, the flip and the best hour.
func (b Band) SVG() string {
	s := begin(bandWide, bandHigh+110, "band", fmt.Sprintf("The night of %s: how high it stands and how wide its star is, in the dark", b.Target))
	if len(b.Hours) < 2 || !b.DarkTo.After(b.DarkFrom) {
		return s.end()
	}
	from, to := b.DarkFrom.Add(-time.Hour), b.DarkTo.Add(time.Hour)
	x := func(t time.Time) float64 {
		return bandLeft + (bandWide-bandLeft-16)*t.Sub(from).Seconds()/to.Sub(from).Seconds()
	}
	local := func(t time.Time) string {
		return t.UTC().Add(time.Duration(float64(b.Offset) * float64(time.Hour))).Format("15:04")
	}
	y := func(alt float64) float64 { return 26 + bandHigh*(1-alt/90) }
	s.hatch("band-hatch", 7)
	for _, edge := range [][2]time.Time{{from, b.DarkFrom}, {b.DarkTo, to}} {
		s.linef(`<rect x="%s" y="26" width="%s" height="%s" fill="url(#band-hatch)" fill-opacity="0.3"/>`, num(x(edge[0])), num(x(edge[1])-x(edge[0])), num(bandHigh))
	}
	for alt := 0.0; alt <= 90; alt += 30 {
		s.path("hair", 0.8, "", "M%s %sH%s", num(bandLeft), num(y(alt)), num(bandWide-16))
		s.text(bandLeft-8, y(alt)+4, 11.5, "soft", "end", "", fmt.Sprintf("%g°", alt))
	}
	if b.Horizon > 0 {
		s.path("mark", 1.2, `stroke-dasharray="6 4"`, "M%s %sH%s", num(bandLeft), num(y(float64(b.Horizon))), num(bandWide-16))
	}
	line, widest := "", 0.0
	for i, h := range b.Hours {
		pen := "L"
		if i == 0 {
			pen = "M"
		}
		line += pen + num(x(h.At)) + " " + num(y(float64(h.Altitude)))
		widest = math.Max(widest, float64(h.FWHM))
	}
	s.path("ink", 2.4, "", "%s", line)
	// The star's width as discs along the foot.
	foot := 26 + bandHigh + 30
	s.text(bandLeft-8, foot+4, 11.5, "soft", "end", "", "star")
	for i, h := range b.Hours {
		s.linef(`<circle cx="%s" cy="%s" r="%s" fill="none" stroke="var(--ink)" stroke-width="1.3"/>`, num(x(h.At)), num(foot), num(8*float64(h.FWHM)/widest))
		if i%3 == 0 {
			s.text(x(h.At), foot+26, 11.5, "soft", "middle", "", fmt.Sprintf("%.1f″", float64(h.FWHM)))
		}
	}
	mark := func(t time.Time, name string, dash string) {
		if t.IsZero() || t.Before(from) || t.After(to) {
			return
		}
		s.path("ink", 1.4, dash, "M%s 20V%s", num(x(t)), num(26+bandHigh))
		s.text(x(t), 14, 12, "ink", "middle", `font-weight="700"`, name)
	}
	if !b.Flip.IsZero() && math.Abs(x(b.Flip)-x(b.Best)) < 90 {
		mark(b.Best, "best, flip "+local(b.Flip), "")
		s.path("ink", 1.4, `stroke-dasharray="3 3"`, "M%s 26V%s", num(x(b.Flip)), num(26+bandHigh))
	} else {
		mark(b.Best, "best "+local(b.Best), "")
		mark(b.Flip, "flip "+local(b.Flip), `stroke-dasharray="3 3"`)
	}
	for _, t := range []time.Time{b.DarkFrom, b.DarkTo} {
		s.text(x(t), bandHigh+104, 12, "soft", "middle", "", local(t))
	}
	s.text((x(b.DarkFrom)+x(b.DarkTo))/2, bandHigh+104, 12, "soft", "middle", "", "dark, local time")
	return s.end()
}
