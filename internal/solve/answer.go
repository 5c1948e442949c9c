package solve

import (
	"math"

	"holdfast/internal/unit"
)

// Answer is where one frame points, or why that cannot be said, as it is told
// to people and programs. Numbers that are not known are NaN.
type Answer struct {
	File     string      `json:"file"`
	Error    string      `json:"error,omitempty"` // why it could not be looked at
	Solved   bool        `json:"solved"`
	Why      string      `json:"why"` // why it could not be told
	RA       unit.Deg    `json:"ra_deg"`
	Dec      unit.Deg    `json:"dec_deg"`
	Scale    unit.Scale  `json:"scale_arcsec_px"`
	Rotation unit.Deg    `json:"rotation_deg"`
	Mirrored bool        `json:"mirrored"`
	Matched  int         `json:"matched"`
	RMS      unit.Arcsec `json:"rms_arcsec"`
	Odds     float64     `json:"odds"`
	Hint     string      `json:"hint"` // what the search began with
	Stars    int         `json:"stars_found"`
	WCS      []Keyword   `json:"wcs"`

	Registered *Laid `json:"registered"` // how it lies on an earlier frame, nil if that was not asked or is not known
}

// Laid is how a frame that cannot be solved lies on another of the same field.
type Laid struct {
	On       string   `json:"on"`         // the other frame
	X        unit.Px  `json:"shift_x_px"` // from this frame's middle to where it lies on the other, in its pixels
	Y        unit.Px  `json:"shift_y_px"`
	Turn     unit.Deg `json:"turn_deg"` // of this frame's x axis, from the other's x towards its y
	Scale    float64  `json:"scale"`    // pixels of the other to one of this
	Mirrored bool     `json:"mirrored"`
	Matched  int      `json:"matched"`
	RMS      unit.Px  `json:"rms_px"`
	Odds     float64  `json:"odds"`
}

// RegisteredOn lays field b on field a, which is that of the file on, and
// returns nil where Register finds no way.
func RegisteredOn(on string, a, b Field) *Laid {
	r := Register(a, b)
	if !r.Found {
		return nil
	}
	cx, cy := unit.Px(b.Width-1)/2, unit.Px(b.Height-1)/2
	x, y := r.At(cx, cy)
	return &Laid{On: on, X: x - cx, Y: y - cy, Turn: r.Turn, Scale: r.Scale, Mirrored: r.Mirrored, Matched: r.Matched, RMS: r.RMS, Odds: r.Odds}
}

// Keyword is a card of the FITS standard that carries a part of a solution.
type Keyword struct {
	Key   string `json:"keyword"`
	Value string `json:"value"`
}

// Refused returns the answer for a frame that could not be looked at.
func Refused(file, why string) Answer {
	a := unknown(file)
	a.Error = why
	return a
}

// unknown returns an answer in which no number is known.
func unknown(file string) Answer {
	nan := math.NaN()
	return Answer{File: file, RA: unit.Deg(nan), Dec: unit.Deg(nan), Scale: unit.Scale(nan), Rotation: unit.Deg(nan), RMS: unit.Arcsec(nan)}
}

// State returns the solution of a file in these words. The error is that of a
// solution that no card can carry.
func (s Solution) State(file string) (Answer, error) {
	a := unknown(file)
	a.Solved, a.Why, a.Odds = s.Solved, s.Why, s.Odds
	if !s.Solved {
		return a, nil
	}
	a.RA, a.Dec, a.Scale, a.Rotation, a.Mirrored = s.Centre.RA, s.Centre.Dec, s.Scale, s.Rotation, s.Mirrored
	a.Matched, a.RMS = s.Matched, s.RMS
	cards, err := s.WCS.Cards()
	if err != nil {
		return a, err
	}
	for _, c := range cards {
		a.WCS = append(a.WCS, Keyword{Key: c.Key, Value: c.Value})
	}
	return a, nil
}
