package series

import (
	"fmt"
	"math"
	"time"

	"holdfast/internal/solve"
	"holdfast/internal/unit"
)

// Shot is one frame of a guide camera with its stars.
type Shot struct {
	File   string
	Time   time.Time // of the middle of its exposure; zero if not known
	Stars  solve.Field
	Reason string // why it has no stars; "" if it has
}

// Place is where the star that was in the middle of the first frame stands in
// another.
type Place struct {
	X, Y    unit.Px // from where it was; NaN if not known
	Sigma   unit.Px // of either
	Turn    unit.Deg
	Matched int
	Why     string // why not
}

// Tracking is how the stars of a run of frames moved.
type Tracking struct {
	Frames int      `json:"frames"`
	Used   int      `json:"used"`
	Left   []string `json:"left_out"` // why, the first few

	MovedX     unit.Px  `json:"moved_x_px"` // from the first frame used to the last
	MovedY     unit.Px  `json:"moved_y_px"`
	DriftX     float64  `json:"drift_x_px_min"`
	DriftY     float64  `json:"drift_y_px_min"`
	Turned     unit.Deg `json:"turned_deg"` // of the stars about the middle of the frame, from +x towards +y
	StarsEach  float64  `json:"stars_matched"`
	StoodStill int      `json:"stood_still"` // spots that did not move with the stars: hot pixels
	Scale      float64  `json:"scale_arcsec_px"`
	ScaleFrom  string   `json:"scale_from"`

	Places []Place `json:"-"`
}

// Follow lays every frame on the first, or where that fails (the field has moved
// on) on the last that could be laid, and says how the stars moved. All stars
// count at once, so that neither a star that is lost nor a spot that stands
// still matters. The error is that of frames of which no two can be laid on each
// other.
func Follow(shots []Shot) (*Tracking, error) {
	nan := math.NaN()
	tr := &Tracking{Frames: len(shots), MovedX: unit.Px(nan), MovedY: unit.Px(nan), DriftX: nan, DriftY: nan, Turned: unit.Deg(nan), StarsEach: nan, Scale: nan}
	tr.Places = make([]Place, len(shots))
	type laid struct {
		field solve.Field
		m     linear // from this frame to the first
		at    int
	}
	var first, last *laid
	var cx, cy float64
	matched := 0
	for i, s := range shots {
		p := &tr.Places[i]
		*p = Place{X: unit.Px(nan), Y: unit.Px(nan), Sigma: unit.Px(nan), Turn: unit.Deg(nan), Why: s.Reason}
		if s.Reason != "" {
			continue
		}
		if len(s.Stars.Spots) < 3 {
			p.Why = fmt.Sprintf("found %d stars, want three at least", len(s.Stars.Spots))
			continue
		}
		if first == nil {
			first = &laid{s.Stars, linear{xx: 1, yy: 1}, i}
			last = first
			cx, cy = float64(s.Stars.Width-1)/2, float64(s.Stars.Height-1)/2
			*p = Place{Sigma: 0, Matched: len(s.Stars.Spots)}
			continue
		}
		r := solve.Register(first.field, s.Stars)
		m := linearOf(&r)
		if !r.Found && last != first {
			r = solve.Register(last.field, s.Stars)
			m = linearOf(&r).then(last.m)
		}
		if !r.Found {
			p.Why = r.Why
			continue
		}
		x, y, ok := m.back(cx, cy)
		if !ok {
			p.Why = "the stars lie on those of the first frame in no sensible way"
			continue
		}
		last = &laid{s.Stars, m, i}
		*p = Place{X: unit.Px(x - cx), Y: unit.Px(y - cy), Sigma: r.RMS / unit.Px(math.Sqrt(float64(r.Matched))), Turn: unit.Rad(-math.Atan2(m.yx, m.xx)).Deg(), Matched: r.Matched}
		matched += r.Matched
		tr.Used++
	}
	if tr.Used == 0 {
		why := "no frame has stars"
		for _, p := range tr.Places {
			if p.Why != "" {
				why = p.Why
				break
			}
		}
		return tr, fmt.Errorf("series: found no two of %d frames whose stars lie on each other: %s", len(shots), why)
	}
	tr.StarsEach = float64(matched) / float64(tr.Used)
	end := tr.Places[last.at]
	tr.MovedX, tr.MovedY, tr.Turned = end.X, end.Y, end.Turn
	tr.StoodStill = still(first.field, last.field, end)
	tr.Used++ // the first
	tr.line(shots)
	for i, p := range tr.Places {
		if p.Why != "" && len(tr.Left) < 5 {
			tr.Left = append(tr.Left, shots[i].File+": "+p.Why)
		}
	}
	return tr, nil
}

// line fits straight lines to the places.
func (tr *Tracking) line(shots []Shot) {
	var n, st, sx, sy, tt, tx, ty float64
	var zero time.Time
	for i, p := range tr.Places {
		if p.Why != "" || shots[i].Time.IsZero() {
			continue
		}
		if zero.IsZero() {
			zero = shots[i].Time
		}
		t := shots[i].Time.Sub(zero).Minutes()
		n++
		st, sx, sy = st+t, sx+float64(p.X), sy+float64(p.Y)
		tt, tx, ty = tt+t*t, tx+t*float64(p.X), ty+t*float64(p.Y)
	}
	if det := n*tt - st*st; n > 1 && det > 0 {
		tr.DriftX, tr.DriftY = (n*tx-st*sx)/det, (n*ty-st*sy)/det
	}
}

// still counts the spots of a later frame that stand where one stood in the
// first though the stars have moved.
func still(a, b solve.Field, p Place) int {
	if math.Hypot(float64(p.X), float64(p.Y)) < 3 {
		return 0
	}
	n := 0
	for _, s := range b.Spots {
		for _, o := range a.Spots {
			if math.Hypot(float64(s.X-o.X), float64(s.Y-o.Y)) < 0.5 {
				n++
				break
			}
		}
	}
	return n
}

// Sky turns pixels into the sky: a star that moves by one pixel along x has
// moved XEast arcsec east and XNorth north.
type Sky struct {
	XEast, XNorth, YEast, YNorth float64
	Known                        bool // east and north are; otherwise x and y stand for them
}

// Upright is the sky of a camera whose scale alone is known.
func Upright(scale unit.Scale) Sky { return Sky{XEast: float64(scale), YNorth: float64(scale)} }

// Record returns the places as offsets, in order of time. Frames without a time
// are left out; the error is that of fewer than two with one.
func (tr *Tracking) Record(name string, shots []Shot, sky Sky, exposure unit.Second) (*Record, error) {
	r := &Record{Name: name, Stretches: []int{0}, Exposure: exposure, Sky: sky.Known}
	for i, p := range tr.Places {
		if shots[i].Time.IsZero() {
			continue
		}
		if r.Start.IsZero() {
			r.Start = shots[i].Time
		}
		t := unit.Second(shots[i].Time.Sub(r.Start).Seconds())
		if n := len(r.Samples); n > 0 && t <= r.Samples[n-1].Time {
			return nil, fmt.Errorf("series: %s: found a time not after that of the frame before, want frames in order of time", shots[i].File)
		}
		x, y := float64(p.X), float64(p.Y)
		nan := unit.Arcsec(math.NaN())
		r.Samples = append(r.Samples, Sample{Time: t, RA: unit.Arcsec(x*sky.XEast + y*sky.YEast), Dec: unit.Arcsec(x*sky.XNorth + y*sky.YNorth), MoveRA: nan, MoveDec: nan, SNR: math.NaN()})
	}
	if len(r.Samples) < 2 {
		return nil, fmt.Errorf("series: found %d frames that say when they were taken, want two at least", len(r.Samples))
	}
	return r, nil
}

// linear is a map of the plane.
type linear struct{ x, y, xx, xy, yx, yy float64 }

func linearOf(r *solve.Registration) linear {
	return linear{float64(r.X), float64(r.Y), r.XX, r.XY, r.YX, r.YY}
}

// then returns the map a followed by b.
func (a linear) then(b linear) linear {
	x, y := b.at(a.x, a.y)
	return linear{x, y, b.xx*a.xx + b.xy*a.yx, b.xx*a.xy + b.xy*a.yy, b.yx*a.xx + b.yy*a.yx, b.yx*a.xy + b.yy*a.yy}
}

func (a linear) at(x, y float64) (float64, float64) {
	return a.x + a.xx*x + a.xy*y, a.y + a.yx*x + a.yy*y
}

// back returns what the map takes to x, y.
func (a linear) back(x, y float64) (float64, float64, bool) {
	det := a.xx*a.yy - a.xy*a.yx
	if math.Abs(det) < 1e-6 || math.IsNaN(det) {
		return 0, 0, false
	}
	x, y = x-a.x, y-a.y
	return (x*a.yy - y*a.xy) / det, (y*a.xx - x*a.yx) / det, true
}

// Moved returns what is known of frames without a scale: how far their stars
// moved in pixels.
func Moved(name string, tr *Tracking) *Drive {
	nan := unit.Second(math.NaN())
	d := newDrive(&Record{Name: name, Exposure: nan})
	d.Exposures, d.Lost, d.Cycle, d.Span = tr.Frames, tr.Frames-tr.Used, nan, nan
	d.Verdict, d.Track = Untold, tr
	d.Why = fmt.Sprintf("the stars moved by %.1f px along x and %.1f along y; without a scale, or with so few frames, no more can be said", float64(tr.MovedX), float64(tr.MovedY))
	d.BacklashWhy = "no corrections in the record to answer to"
	return d
}
