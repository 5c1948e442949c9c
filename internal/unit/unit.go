// Package unit holds one Go type for each unit that crosses a function
// boundary in holdfast, and a value with its standard error.
//
// A literal is in the type's own unit: var seeing unit.Arcsec = 2.4. Rates and
// products (arcsec per hour, electrons per ADU) cross as struct fields whose
// name ends in the unit. The list of types is closed: a new one is a line in
// the architecture test. Multiplying two unit values, or handing a Deg to
// math.Sin through float64, compiles and is wrong; convert once on entry,
// compute on float64, convert back once.
package unit

import (
	"math"
	"strconv"
)

// The units. Angles on the sky, lengths, times, and what a detector counts.
type (
	Arcsec     float64 // arcseconds
	Arcmin     float64 // arcminutes
	Deg        float64 // degrees
	Rad        float64 // radians
	Hour       float64 // hours of angle (15 degrees each): hour angle, right ascension in hours
	MM         float64 // millimetres
	Micron     float64 // micrometres
	Metre      float64 // metres
	Second     float64 // seconds of time
	Day        float64 // days; as a date, the Julian date in the time scale its name says
	Px         float64 // pixels
	Scale      float64 // arcseconds per pixel
	Mag        float64 // magnitudes
	SurfaceMag float64 // magnitudes per square arcsecond
	Electron   float64 // electrons
	ADU        float64 // analogue-to-digital units
	Kg         float64 // kilograms
	Celsius    float64 // degrees Celsius
	HPa        float64 // hectopascals
	MPS        float64 // metres per second
)

// ArcsecPerRad is the number of arcseconds in a radian, 180*3600/pi.
const ArcsecPerRad = 206264.80624709636

// Float is any type whose underlying type is float64.
type Float interface{ ~float64 }

// Floats returns col as a []float64 holding the same numbers, for libraries
// that know no units. It copies.
func Floats[U Float](col []U) []float64 {
	out := make([]float64, len(col))
	for i, v := range col {
		out[i] = float64(v)
	}
	return out
}

// Rad returns the angle in radians.
func (a Arcsec) Rad() Rad { return Rad(a / ArcsecPerRad) }

// Arcmin returns the angle in arcminutes.
func (a Arcsec) Arcmin() Arcmin { return Arcmin(a / 60) }

// Deg returns the angle in degrees.
func (a Arcsec) Deg() Deg { return Deg(a / 3600) }

// Arcsec returns the angle in arcseconds.
func (a Arcmin) Arcsec() Arcsec { return Arcsec(a * 60) }

// Rad returns the angle in radians.
func (a Arcmin) Rad() Rad { return a.Arcsec().Rad() }

// Deg returns the angle in degrees.
func (a Arcmin) Deg() Deg { return Deg(a / 60) }

// Rad returns the angle in radians.
func (d Deg) Rad() Rad { return Rad(d * math.Pi / 180) }

// Arcsec returns the angle in arcseconds.
func (d Deg) Arcsec() Arcsec { return Arcsec(d * 3600) }

// Arcmin returns the angle in arcminutes.
func (d Deg) Arcmin() Arcmin { return Arcmin(d * 60) }

// Hour returns the angle in hours of 15 degrees.
func (d Deg) Hour() Hour { return Hour(d / 15) }

// Deg returns the angle in degrees.
func (r Rad) Deg() Deg { return Deg(r * 180 / math.Pi) }

// Arcsec returns the angle in arcseconds.
func (r Rad) Arcsec() Arcsec { return Arcsec(r * ArcsecPerRad) }

// Hour returns the angle in hours of 15 degrees.
func (r Rad) Hour() Hour { return Hour(r * 12 / math.Pi) }

// Deg returns the angle in degrees.
func (h Hour) Deg() Deg { return Deg(h * 15) }

// Rad returns the angle in radians.
func (h Hour) Rad() Rad { return Rad(h * math.Pi / 12) }

// Micron returns the length in micrometres.
func (l MM) Micron() Micron { return Micron(l * 1000) }

// Metre returns the length in metres.
func (l MM) Metre() Metre { return Metre(l / 1000) }

// MM returns the length in millimetres.
func (l Micron) MM() MM { return MM(l / 1000) }

// MM returns the length in millimetres.
func (l Metre) MM() MM { return MM(l * 1000) }

// Arcsec returns the angle on the sky that n pixels cover. It is the only
// bridge from pixels to arcseconds.
func (s Scale) Arcsec(n Px) Arcsec { return Arcsec(float64(s) * float64(n)) }

// Px returns how many pixels an angle on the sky covers; it is infinite or NaN
// when the scale is zero.
func (s Scale) Px(a Arcsec) Px { return Px(float64(a) / float64(s)) }

// Est is a value with its standard error (one sigma) in the value's own unit.
// An unknown standard error is NaN; an unknown value is NaN in both. The zero
// Est is an exact zero, not an unknown: see Unknown.
type Est[U Float] struct{ V, SE U }

// Exact returns v with a standard error of zero.
func Exact[U Float](v U) Est[U] { return Est[U]{V: v} }

// Unknown returns the estimate of which nothing is known.
func Unknown[U Float]() Est[U] { return Est[U]{V: U(math.NaN()), SE: U(math.NaN())} }

// Known reports whether the value is a number.
func (e Est[U]) Known() bool { return !math.IsNaN(float64(e.V)) }

// Say returns a length of time as people say it: "2.5 s", "300 s", "10 min",
// "1.5 h"; "an unknown time" for NaN.
func (s Second) Say() string {
	switch t := float64(s); {
	case math.IsNaN(t):
		return "an unknown time"
	case t < 10:
		return strconv.FormatFloat(t, 'g', 2, 64) + " s"
	case t < 600:
		return strconv.FormatFloat(t, 'f', 0, 64) + " s"
	case t < 3600:
		return strconv.FormatFloat(t/60, 'f', 0, 64) + " min"
	default:
		return strconv.FormatFloat(t/3600, 'f', 1, 64) + " h"
	}
}
