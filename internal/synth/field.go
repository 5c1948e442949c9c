package synth

import (
	"math"

	"holdfast/internal/sky"
	"holdfast/internal/unit"
)

// Field says how the sky lies on the frame: a plane touching the sky at the
// middle of the frame, without distortion.
type Field struct {
	Width, Height int           // pixels
	Centre        sky.Direction // of the middle of the frame
	Scale         unit.Scale    // of a pixel at the centre
	Angle         unit.Deg      // position angle of +y
	Mirrored      bool          // +x is 90 degrees from +y toward east; otherwise toward west, as the sky is seen with y up
}

// Middle returns the place of the middle of the frame.
func (f Field) Middle() (x, y unit.Px) {
	return unit.Px(float64(f.Width-1) / 2), unit.Px(float64(f.Height-1) / 2)
}

// Pixel returns where a direction falls; far outside the frame if it does, NaN
// 90 degrees or more from the centre.
func (f Field) Pixel(d sky.Direction) (x, y unit.Px) {
	xi, eta := sky.NewTangent(f.Centre).Project(d)
	m := f.matrix()
	e, n := float64(xi.Arcsec()), float64(eta.Arcsec())
	cx, cy := f.Middle()
	return cx + unit.Px((m.ex*e+m.nx*n)/m.square()), cy + unit.Px((m.ey*e+m.ny*n)/m.square())
}

// Direction returns the direction seen at a place in the frame.
func (f Field) Direction(x, y unit.Px) sky.Direction {
	e, n := f.Offset(x, y)
	return sky.NewTangent(f.Centre).Direction(e.Deg(), n.Deg())
}

// Offset returns how far east and north of the middle a place is, on the
// plane.
func (f Field) Offset(x, y unit.Px) (east, north unit.Arcsec) {
	cx, cy := f.Middle()
	e, n := f.matrix().sky(float64(x-cx), float64(y-cy))
	return unit.Arcsec(e), unit.Arcsec(n)
}

// matrix carries pixels to arcseconds east and north: e = ex x + ey y, n = nx x
// + ny y.
type matrix struct{ ex, ey, nx, ny float64 }

func (f Field) matrix() matrix {
	s := float64(f.Scale)
	sin, cos := math.Sincos(float64(f.Angle.Rad()))
	m := matrix{ex: -s * cos, nx: s * sin, ey: s * sin, ny: s * cos}
	if f.Mirrored {
		m.ex, m.nx = -m.ex, -m.nx
	}
	return m
}

// square returns the square of the scale.
func (m matrix) square() float64 { return m.ey*m.ey + m.ny*m.ny }

// sky returns the arcseconds of a shift in pixels.
func (m matrix) sky(x, y float64) (e, n float64) { return m.ex*x + m.ey*y, m.nx*x + m.ny*y }

// px returns the pixels of a shift in arcseconds: the columns are at right
// angles and equally long.
func (m matrix) px(e, n float64) (x, y float64) {
	return (m.ex*e + m.nx*n) / m.square(), (m.ey*e + m.ny*n) / m.square()
}
