package optics

import (
	"math"

	"holdfast/internal/unit"
)

// Stop is a round opening in the converging beam: a draw tube, a barrel, a
// filter's rim, the throat of a prism's housing.
type Stop struct {
	Diameter unit.MM
	Distance unit.MM // in front of the focal plane
}

// LitField is the diameter, in the focal plane, of the circle that gets all of
// the light, of the circle whose edge gets about half, and of the circle beyond
// which there is none.
type LitField struct{ Full, Half, Dark unit.MM }

// Beam is the light converging on the focal plane.
type Beam struct {
	FNumber     float64
	Obstruction float64 // diameter over the aperture's, 0 to below 1
	Pupil       unit.MM // exit pupil to focal plane: the focal length where the lens or mirror is the stop; +Inf is telecentric
}

// valid reports whether the beam and a plane at the given distance in front of
// the focal plane make sense.
func (b Beam) valid(distance unit.MM) bool {
	return !bad(b.FNumber) && !badObstruction(b.Obstruction) && distance >= 0 && distance < b.Pupil
}

// footprint returns the radius of the beam of one star at a distance in front of
// the focal plane, and the factor from a place in the focal plane to the centre
// of the beam there.
func (b Beam) footprint(distance unit.MM) (radius, shrink float64) {
	return float64(distance) / b.FNumber / 2, 1 - float64(distance)/float64(b.Pupil)
}

// Field returns the circles the stop leaves lit. Full is 0 when the stop clips
// even the light on the axis. NaN unless 0 <= Distance < Pupil and the diameter
// is positive.
//
// Source: the beam of one star is a circle of diameter distance/n around the
// line from its image to the centre of the exit pupil.
func (s Stop) Field(b Beam) LitField {
	if !b.valid(s.Distance) || bad(float64(s.Diameter)) {
		nan := unit.MM(math.NaN())
		return LitField{nan, nan, nan}
	}
	r, shrink := b.footprint(s.Distance)
	d := float64(s.Diameter)
	return LitField{
		Full: unit.MM(max(0, d-2*r) / shrink),
		Half: unit.MM(d / shrink),
		Dark: unit.MM((d + 2*r) / shrink),
	}
}

// Illumination returns the fraction of a star's light that passes the stop when
// its image lies at the given height from the axis, 0 to 1. The obstruction's
// shadow counts as dark. NaN as for Field or for a negative height.
//
// Source: overlap of two circles; as Field.
func (s Stop) Illumination(b Beam, height unit.MM) float64 {
	if !b.valid(s.Distance) || bad(float64(s.Diameter)) || !(height >= 0) {
		return math.NaN()
	}
	r, shrink := b.footprint(s.Distance)
	c, stop := float64(height)*shrink, float64(s.Diameter)/2
	if r == 0 {
		if c <= stop {
			return 1
		}
		return 0
	}
	inner := r * b.Obstruction
	open := math.Pi * (r*r - inner*inner)
	return (lens(r, stop, c) - lens(inner, stop, c)) / open
}

// lens returns the area common to circles of radius a and b whose centres lie d
// apart.
func lens(a, b, d float64) float64 {
	if a <= 0 || b <= 0 || d >= a+b {
		return 0
	}
	if d <= math.Abs(a-b) {
		m := min(a, b)
		return math.Pi * m * m
	}
	x := (d*d + a*a - b*b) / (2 * d)
	y := d - x
	return a*a*math.Acos(clamp1(x/a)) + b*b*math.Acos(clamp1(y/b)) -
		d*math.Sqrt(max(0, a*a-x*x))
}

func clamp1(x float64) float64 { return max(-1, min(1, x)) }

// corner returns the area of the part of a circle of radius r about the origin
// with x <= a and y <= b.
func corner(r, a, b float64) float64 {
	if r <= 0 {
		return 0
	}
	a, b = clamp1(a/r), clamp1(b/r)
	// left is the area under the upper half circle from -1 to x.
	left := func(x float64) float64 { return (x*math.Sqrt(max(0, 1-x*x))+math.Asin(x))/2 + math.Pi/4 }
	height := math.Abs(b)
	edge := math.Sqrt(1 - height*height)
	// Below y = height and above 0: circle, then level, then circle.
	area := left(min(a, -edge))
	if a > -edge {
		area += height * (min(a, edge) + edge)
	}
	if a > edge {
		area += left(a) - left(edge)
	}
	if b >= 0 {
		area += left(a)
	} else {
		area = left(a) - area
	}
	return area * r * r
}

// circleRect returns the area of a circle of radius r about the origin within
// x0..x1 and y0..y1, which may be infinite.
func circleRect(r, x0, x1, y0, y1 float64) float64 {
	return corner(r, x1, y1) - corner(r, x0, y1) - corner(r, x1, y0) + corner(r, x0, y0)
}
