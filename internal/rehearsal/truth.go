package rehearsal

import (
	"fmt"
	"math"
	"time"

	"holdfast/internal/rig"
	"holdfast/internal/unit"
)

// Truth is what really happened in a night, for whoever wants to check a
// finding.
type Truth struct {
	Seed     uint64        `json:"seed"`
	Entries  []Entry       `json:"entries"` // of the rig, as they truly were
	Faults   []StatedFault `json:"faults"`
	Settings *Settings     `json:"loop"` // nil where nothing corrected
	Subs     []SubTruth    `json:"subs"`
}

// Entry is an entry of the rig with its true value beside the stated one.
type Entry struct {
	Entry  string  `json:"entry"`
	Stated float64 `json:"stated"`
	True   float64 `json:"true"`
	Unit   string  `json:"unit"`
}

// StatedFault is a fault in full.
type StatedFault struct {
	Kind   string  `json:"kind"`
	Cause  string  `json:"cause"`
	Amount float64 `json:"amount"`
	Unit   string  `json:"unit"`
}

// Settings is how the star was held.
type Settings struct {
	Interval unit.Second `json:"interval_s"`
	GainRA   float64     `json:"gain_ra"`
	GainDec  float64     `json:"gain_dec"`
	DeadBand unit.Arcsec `json:"dead_band_arcsec"`
	Stars    int         `json:"stars"`
}

// SubTruth is one sub as it was. Widths of the path are one-sigma, without the
// air.
type SubTruth struct {
	File      string      `json:"file"`
	Begin     unit.Second `json:"begin_s"`
	Length    unit.Second `json:"exposure_s"`
	East      unit.Arcsec `json:"path_east_arcsec"`
	North     unit.Arcsec `json:"path_north_arcsec"`
	Cross     float64     `json:"path_cross_arcsec2"`
	MeanEast  unit.Arcsec `json:"mean_east_arcsec"`
	MeanNorth unit.Arcsec `json:"mean_north_arcsec"`
	Turned    unit.Arcmin `json:"turned_arcmin"` // by the field during the sub
	Defocus   unit.Micron `json:"defocus_um"`
	Seeing    unit.Arcsec `json:"seeing_arcsec"` // FWHM along the line of sight at the camera's wavelength
	Airmass   float64     `json:"airmass"`
	HourAngle unit.Hour   `json:"hour_angle_h"`
	Altitude  unit.Deg    `json:"altitude_deg"`
	Dimming   unit.Mag    `json:"dimming_mag"`
	Lost      float64     `json:"guide_lost"` // share of the guide exposures without a star
	Flipped   bool        `json:"flipped"`

	// The star without noise, the pixel included.
	Star    Shape    `json:"star"`
	Corners [4]Shape `json:"star_corners"`
}

// Corner returns the most elongated of the corners' stars.
func (t *SubTruth) Corner() Shape {
	worst := t.Corners[0]
	for _, k := range t.Corners[1:] {
		if !(k.Ellipticity <= worst.Ellipticity) {
			worst = k
		}
	}
	return worst
}

// Account is what a rehearsal tells.
type Account struct {
	Rig     string    `json:"rig"`
	Target  string    `json:"target"`
	RA      unit.Deg  `json:"ra_deg"`
	Dec     unit.Deg  `json:"dec_deg"`
	Start   time.Time `json:"start_utc"`
	Folder  string    `json:"folder"`
	Samples int       `json:"guide_exposures"`
	Truth   Truth     `json:"truth"`
}

// State returns the faults of a night in full.
func State(faults []Fault) []StatedFault {
	var out []StatedFault
	for _, f := range faults {
		if k, err := KindOf(f.Kind); err == nil {
			out = append(out, StatedFault{f.Kind, k.Cause, f.Amount, k.Unit})
		}
	}
	return out
}

// Truth returns the truth of a sub that is kept in a file.
func (c *Camera) Truth(s *Shot, file string, workers int) (SubTruth, error) {
	t := SubTruth{File: file, Begin: s.Begin, Length: s.Length, Defocus: s.Defocus, Seeing: s.Air.FWHM(c.r.Imaging.Wavelength.V), Airmass: s.Airmass,
		HourAngle: s.HourAngle, Altitude: s.Altitude, Dimming: s.Dimming, Lost: s.Lost, Flipped: s.Flipped}
	n := float64(len(s.East))
	var me, mn, ee, nn, en float64
	for i := range s.East {
		me += float64(s.East[i]) / n
		mn += float64(s.North[i]) / n
	}
	for i := range s.East {
		e, o := float64(s.East[i])-me, float64(s.North[i])-mn
		ee += e * e / n
		nn += o * o / n
		en += e * o / n
	}
	t.MeanEast, t.MeanNorth = unit.Arcsec(me), unit.Arcsec(mn)
	t.East, t.North, t.Cross = unit.Arcsec(math.Sqrt(ee)), unit.Arcsec(math.Sqrt(nn)), en
	first, last := s.Field[0], s.Field[len(s.Field)-1]
	t.Turned = unit.Rad(((last.EN - last.NE) - (first.EN - first.NE)) / 2).Arcsec().Arcmin()
	var err error
	if t.Star, t.Corners, err = c.Shapes(s, workers); err != nil {
		return t, fmt.Errorf("rehearsal: sub %d: %w", s.Number+1, err)
	}
	return t, nil
}

// Entries returns the entries of a true rig that differ from what is stated.
func Entries(stated, actual *rig.Rig) []Entry {
	var out []Entry
	for _, e := range rig.Entries() {
		a, _, name, ok := stated.Get(e.Path)
		if !ok {
			continue
		}
		if b, _, _, _ := actual.Get(e.Path); a != b && !math.IsNaN(a) && !math.IsNaN(b) {
			out = append(out, Entry{e.Path, a, b, name})
		}
	}
	return out
}
