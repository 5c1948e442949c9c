package plan

import (
	"math"

	"holdfast/internal/catalog"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// FieldStar is one guide star of the true field.
type FieldStar struct {
	RA        unit.Deg    `json:"ra_deg"`
	Dec       unit.Deg    `json:"dec_deg"`
	VT        unit.Mag    `json:"vt_mag"`
	X         unit.Px     `json:"x_px"` // on the guide sensor
	Y         unit.Px     `json:"y_px"`
	Apart     unit.Arcmin `json:"separation_arcmin"` // from the target
	SNR       float64     `json:"snr"`
	Fill      float64     `json:"saturation"` // 1 is full
	Centroid  unit.Arcsec `json:"centroid_arcsec"`
	Edge      unit.Px     `json:"edge_px"`
	Companion unit.Arcsec `json:"companion_arcsec"` // to the nearest star that disturbs it; null without one
	Exposure  unit.Second `json:"exposure_s"`       // the longest that does not saturate it, at most the loop's
	Usable    bool        `json:"usable"`
	Why       string      `json:"why"` // why not, or what to mind
}

// Field is the guide stars of a target.
type Field struct {
	Rig         string      `json:"rig"`
	Target      Target      `json:"target"`
	Scale       unit.Scale  `json:"guide_scale_arcsec_px"`
	Width       unit.Arcmin `json:"width_arcmin"`
	Height      unit.Arcmin `json:"height_arcmin"`
	Angle       unit.Deg    `json:"angle_deg"`
	CentreRA    unit.Deg    `json:"ra_deg"`
	CentreDec   unit.Deg    `json:"dec_deg"`
	AreaDeg2    float64     `json:"area_deg2"`
	Altitude    unit.Deg    `json:"altitude_deg"`
	Exposure    unit.Second `json:"exposure_s"`
	FWHMPx      unit.Px     `json:"fwhm_px"`
	Advice      string      `json:"advice"`
	Limit       unit.Mag    `json:"catalogue_limit_mag"`    // to which the catalogue is complete here
	Reach       unit.Mag    `json:"camera_limit_mag"`       // faintest star of SNR 10 in the exposure
	Reach90     unit.Mag    `json:"reached_90_percent_mag"` // as bright a star is in nine such fields of ten
	Probability float64     `json:"probability"`            // that the field holds a usable star, catalogued or not
	Stars       []FieldStar `json:"stars"`                  // usable ones first, the best measured first
	InField     int         `json:"catalogue_stars_in_field"`
	Prism       []PrismTurn `json:"prism_angles"` // of a pick-off: where turning it brings a catalogue star in, the best first
}

// PrismTurn is a position of a pick-off prism about the axis and the best star
// it then shows.
type PrismTurn struct {
	Angle    unit.Deg    `json:"angle_deg"` // position angle, north through east
	VT       unit.Mag    `json:"vt_mag"`
	SNR      float64     `json:"snr"`
	Centroid unit.Arcsec `json:"centroid_arcsec"`
}

// prismStep is the step in which a prism is turned about the axis.
const prismStep unit.Deg = 5

// prismTurns returns the positions of the prism, every five degrees, that show
// a usable catalogue star of a target in an exposure, one for each star, the best
// measured first, at most eight; nil for a rig without a prism.
func prismTurns(r *rig.Rig, target sky.Direction, v guideView, exposure unit.Second) ([]PrismTurn, error) {
	if r.Guide.Kind != rig.Pickoff {
		return nil, nil
	}
	var out []PrismTurn
	var edge []unit.Px
	at := map[sky.Direction]int{} // each star once, where it stands farthest from the edge
	for a := unit.Deg(0); a < 360; a += prismStep {
		turned, err := r.WithFloat("guide.prism.angle", float64(a))
		if err != nil {
			return nil, err
		}
		h := fieldOf(turned, target).hold(v, 1, exposure)
		if len(h.stars) == 0 {
			continue
		}
		best := h.stars[0]
		where := direction(best.star.RA, best.star.Dec)
		i, seen := at[where]
		if !seen {
			i = len(out)
			at[where] = i
			out, edge = append(out, PrismTurn{}), append(edge, -1)
		}
		if best.edge > edge[i] {
			edge[i] = best.edge
			out[i] = PrismTurn{Angle: a, VT: h.vt, SNR: v.spot(h.vt, exposure).SNR(), Centroid: unit.Arcsec(math.Sqrt(h.variance))}
		}
	}
	sortBy(out, func(t PrismTurn) float64 { return float64(t.Centroid) })
	return out[:min(len(out), 8)], nil
}

// MakeField returns the guide stars of a rig on a target at its best hour, at
// most n of them; the loop's interval is the exposure, or two seconds where the
// rig leaves it open.
func MakeField(q Request, n int) (*Field, error) {
	if q.Rig.Guide.Kind == rig.NoGuide {
		return nil, ErrNoGuide
	}
	s, _, _, err := q.scene()
	if err != nil {
		return nil, err
	}
	t := s.hold.interval
	v := s.hold.view
	f := s.field
	out := &Field{
		Rig: q.Rig.Name, Target: Target{Name: q.Target.Name, Kind: q.Target.Kind.String(), RA: s.place.target.RA, Dec: s.place.target.Dec, Size: q.Target.Size},
		Scale: v.scale, Width: f.width.Arcmin(), Height: f.height.Arcmin(), Angle: f.angle, CentreRA: f.ra, CentreDec: f.dec, AreaDeg2: f.areaDeg2,
		Altitude: s.place.at.Alt, Exposure: t, FWHMPx: v.fwhm, Advice: v.advice(q.Rig), Limit: f.counts.Limit, Reach: v.faintest(leastSNR, t),
		Reach90: f.reached(0.9), InField: len(f.candidates),
	}
	out.Probability = catalog.Chance(f.counts.Hidden(min(out.Reach, countsLimit)), f.areaDeg2)
	if out.Prism, err = prismTurns(q.Rig, s.place.target, v, t); err != nil {
		return nil, err
	}
	var fit, unfit []FieldStar
	for i, c := range f.candidates {
		st := s.fieldStar(i, c, t)
		if st.Usable {
			out.Probability = 1
			fit = append(fit, st)
		} else {
			unfit = append(unfit, st)
		}
	}
	sortBy(fit, func(a FieldStar) float64 { return float64(a.Centroid) })
	out.Stars = append(fit, unfit...)
	if n > 0 && len(out.Stars) > n {
		out.Stars = out.Stars[:n]
	}
	return out, nil
}

// fieldStar rates one candidate.
func (s *scene) fieldStar(i int, c candidate, t unit.Second) FieldStar {
	v, f := s.hold.view, s.field
	longest := t
	for v.saturates(c.star.VT, longest) && longest > 0.05 {
		longest *= 0.8
	}
	spot := v.spot(c.star.VT, longest)
	st := FieldStar{
		RA: c.star.RA, Dec: c.star.Dec, VT: c.star.VT, X: c.x, Y: c.y, Edge: c.edge,
		Apart: unit.Arcsec(math.Hypot(float64(c.offset.East), float64(c.offset.North))).Arcmin(),
		SNR:   spot.SNR(), Centroid: v.centroid(c.star.VT, longest), Exposure: longest, Companion: unit.Arcsec(math.NaN()),
		Fill: v.fill(c.star.VT, t), Usable: true,
	}
	// A companion within three widths and two and a half magnitudes pulls the
	// centroid about.
	for j, o := range f.candidates {
		if j == i || o.star.VT > c.star.VT+2.5 {
			continue
		}
		d := unit.Arcsec(math.Hypot(float64(o.offset.East-c.offset.East), float64(o.offset.North-c.offset.North)))
		if d < 3*v.width && !(st.Companion <= d) {
			st.Companion = d
		}
	}
	switch {
	case longest <= 0.05:
		st.Usable, st.Why = false, "saturates at every useful exposure"
	case st.SNR < leastSNR:
		st.Usable, st.Why = false, "too faint for this exposure"
	case c.edge < edgeMargin:
		st.Usable, st.Why = false, "too near the edge"
	case !math.IsNaN(float64(st.Companion)):
		st.Why = "a companion pulls at it"
	case longest < t:
		st.Why = "saturates in a longer exposure"
	}
	return st
}
