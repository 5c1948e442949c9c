package proof

import (
	"time"

	"holdfast/internal/rig"
	"holdfast/internal/solve"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// Sub is one exposure of the night with what its header says. Numbers that the
// header lacks are NaN, a text is "".
type Sub struct {
	Frame    star.Frame
	Start    time.Time // zero if not known
	Exposure unit.Second
	Solution *solve.Solution // where it points; nil or not solved where that is not known

	Lat, Lon    unit.Deg // of the site
	Altitude    unit.Deg
	Airmass     float64
	PierSide    string
	Temperature unit.Celsius

	Focal, Aperture unit.MM
	Pixel           unit.Micron // binned
	Scale           unit.Scale  // of the header, where the solution has none
}

// Night is what is judged.
type Night struct {
	Subs   []Sub   // in order of time
	Series *Series // nil where there is none
	Rig    *rig.Rig
}
