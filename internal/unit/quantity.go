package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Dimension is what a quantity string measures. It decides which unit
// spellings are accepted and what an ambiguous one means: the mark " is an
// arcsecond for an Angle and an inch for a Length.
type Dimension uint8

// The dimensions of the quantities that a person writes.
const (
	Pure              Dimension = iota // a number or ratio; needs no unit: "0.5", "0.5 x", "35 %"
	Parts                              // a small ratio that needs its unit: "50 ppm"
	Bits                               // depth of a converter: "12 bit", "12"
	Angle                              // "2.5 arcsec", "47d12m30s"
	Latitude                           // an angle, north positive: "47.2 deg N"
	Longitude                          // an angle, east positive: "122 deg W"
	Length                             // "50 mm", "1-1/4 in"
	PixelPitch                         // a length, per pixel or not: "3.75 um", "3.75 um/px"
	ThreadPitch                        // a length, per turn or not: "0.75 mm", "0.75 mm/turn"
	Time                               // "300 s"
	Mass                               // "2.1 kg"
	Speed                              // "10 m/s"
	Temperature                        // "-5 C"
	TemperatureRate                    // "1 K/h"
	AngleRate                          // "5 arcsec/h"
	Compliance                         // angle per unit of gravity: "30 arcsec/g"
	ImageScale                         // "4.83 arcsec/px"
	Pixels                             // "1280 px"
	Electrons                          // "3 e-"
	Counts                             // "500 ADU"
	Gain                               // "0.25 e-/ADU"
	ElectronRate                       // per pixel or not: "0.5 e-/s", "0.5 e-/s/px"
	ZeroPoint                          // "3.0e6 e-/s/cm2"
	Magnitude                          // "9.5 mag"
	Extinction                         // magnitudes, per airmass or not: "0.25 mag"
	SurfaceBrightness                  // "20.5 mag/arcsec2"
	EventRate                          // "2 /h"
	dimensions                         // how many there are
)

// factor turns a number in some unit into its dimension's reference: the
// number times num, over den, plus add. Two whole numbers keep a conversion to
// one rounding.
type factor struct{ num, den, add float64 }

// The spellings of the units that the dimensions are built of.
var (
	one = atom{"": {1, 1, 0}, "x": {1, 1, 0}, "×": {1, 1, 0}, "times": {1, 1, 0}, "%": {1, 100, 0}, "percent": {1, 100, 0}, "ppm": {1, 1e6, 0}}
	ppm = atom{"ppm": {1, 1, 0}, "%": {1e4, 1, 0}, "percent": {1e4, 1, 0}}
	bit = atom{"": {1, 1, 0}, "bit": {1, 1, 0}, "bits": {1, 1, 0}}

	angle = spell(
		unitOf(1, 1, "arcsec", "arcsecs", "arcsecond", "arcseconds", "asec", `"`, "″", "''", "”"),
		unitOf(60, 1, "arcmin", "arcmins", "arcminute", "arcminutes", "amin", "'", "′", "’"),
		unitOf(3600, 1, "deg", "degs", "degree", "degrees", "°", "d"),
		unitOf(1, 1000, "mas", "milliarcsec"),
		unitOf(ArcsecPerRad, 1, "rad", "radian", "radians"), unitOf(ArcsecPerRad, 1000, "mrad"))
	length = spell(
		unitOf(1, 1, "mm", "millimetre", "millimetres", "millimeter", "millimeters"),
		unitOf(1, 1000, "um", "µm", "μm", "micron", "microns", "micrometre", "micrometres", "micrometer", "micrometers"),
		unitOf(1, 1e6, "nm", "nanometre", "nanometres", "nanometer", "nanometers"),
		unitOf(10, 1, "cm", "centimetre", "centimetres", "centimeter", "centimeters"),
		unitOf(1000, 1, "m", "metre", "metres", "meter", "meters"), unitOf(1e6, 1, "km"),
		unitOf(127, 5, "in", "inch", "inches", `"`, "″", "''", "”"), unitOf(1524, 5, "ft", "foot", "feet"))
	second = spell(
		unitOf(1, 1, "s", "sec", "secs", "second", "seconds"), unitOf(1, 1000, "ms", "msec", "millisecond", "milliseconds"),
		unitOf(60, 1, "min", "mins", "minute", "minutes"), unitOf(3600, 1, "h", "hr", "hrs", "hour", "hours"),
		unitOf(86400, 1, "d", "day", "days"))
	mass = spell(
		unitOf(1, 1, "kg", "kgs", "kilogram", "kilograms", "kilo", "kilos"), unitOf(1, 1000, "g", "gram", "grams"),
		unitOf(45359237, 1e8, "lb", "lbs", "pound", "pounds"), unitOf(45359237, 16e8, "oz", "ounce", "ounces"))
	celsius = atom{"C": {1, 1, 0}, "°C": {1, 1, 0}, "℃": {1, 1, 0}, "degC": {1, 1, 0}, "celsius": {1, 1, 0},
		"K": {1, 1, -273.15}, "kelvin": {1, 1, -273.15},
		"F": {5, 9, -160.0 / 9}, "°F": {5, 9, -160.0 / 9}, "degF": {5, 9, -160.0 / 9}, "fahrenheit": {5, 9, -160.0 / 9}}
	kelvin   = spell(unitOf(1, 1, "K", "kelvin", "C", "°C", "℃", "degC", "celsius"), unitOf(5, 9, "F", "°F", "degF", "fahrenheit"))
	gravity  = spell(unitOf(1, 1, "g", "gee", "gravity"))
	pixel    = spell(unitOf(1, 1, "px", "pix", "pixel", "pixels"))
	electron = spell(unitOf(1, 1, "e-", "e", "e⁻", "electron", "electrons"), unitOf(1000, 1, "ke-", "ke", "ke⁻"))
	count    = spell(unitOf(1, 1, "ADU", "adu", "DN", "count", "counts"))
	mag      = spell(unitOf(1, 1, "mag", "mags", "magnitude", "magnitudes"), unitOf(1, 1000, "mmag"))
	sqArcsec = spell(unitOf(1, 1, "arcsec2", "arcsec^2", "arcsec²", "arcsec**2", "sqarcsec", "squarearcsec", "squarearcsecond", `"2`, `"^2`, `"²`))
	area     = spell(unitOf(1, 1, "cm2", "cm^2", "cm²", "cm**2", "sqcm"), unitOf(1e4, 1, "m2", "m^2", "m²"), unitOf(1, 100, "mm2", "mm^2", "mm²"))
	airmass  = spell(unitOf(1, 1, "airmass", "airmasses", "X"))
	turn     = spell(unitOf(1, 1, "turn", "turns", "rev", "revolution"))
	nothing  = atom{"": {1, 1, 0}}
	speeds   = spell(unitOf(1397, 3125, "mph"), unitOf(1852, 3600, "kn", "kt", "knot", "knots"), unitOf(1000, 3600, "kph", "kmh"))
	surface  = spell(unitOf(1, 1, "mpsas"))
)

// atom holds the spellings of one kind of unit.
type atom map[string]factor

// unitOf returns the spellings of one unit, worth num/den of the reference.
func unitOf(num, den float64, names ...string) atom {
	a := make(atom, len(names))
	for _, n := range names {
		a[n] = factor{num, den, 0}
	}
	return a
}

// spell joins spellings; a spelling that occurs twice is a mistake of ours.
func spell(all ...atom) atom {
	out := atom{}
	for _, a := range all {
		for n, f := range a {
			if _, twice := out[n]; twice {
				panic("unit: two units spelled " + n)
			}
			out[n] = f
		}
	}
	return out
}

// dimension describes one Dimension: how it is called, its base unit, the
// units shown to a person, and how a unit is put together.
type dimension struct {
	name  string   // with its article
	base  string   // the unit that Quantity.Value is in
	shown []string // other accepted units worth telling
	parts []atom   // numerator, then denominators
	per   atom     // a further denominator that may be left out
	whole atom     // units with a name of their own, in the reference of parts
	bare  bool     // a number alone is enough
}

var table = [dimensions]dimension{
	Pure:              {name: "a number", base: "", shown: []string{"x", "%", "ppm"}, parts: []atom{one}, bare: true},
	Parts:             {name: "a small ratio", base: "ppm", shown: []string{"%"}, parts: []atom{ppm}},
	Bits:              {name: "a number of bits", base: "bit", parts: []atom{bit}, bare: true},
	Angle:             {name: "an angle", base: "arcsec", shown: []string{"arcmin", "deg", "rad", "mas", "47d12m30s"}, parts: []atom{angle}},
	Latitude:          {name: "a latitude", base: "deg", shown: []string{"deg N", "deg S", "47d12m30s N"}, parts: []atom{angle}},
	Longitude:         {name: "a longitude", base: "deg", shown: []string{"deg E", "deg W", "122d18m W"}, parts: []atom{angle}},
	Length:            {name: "a length", base: "mm", shown: []string{"cm", "m", "in", "um"}, parts: []atom{length}},
	PixelPitch:        {name: "a pixel size", base: "um", shown: []string{"um/px", "mm", "nm"}, parts: []atom{length}, per: pixel},
	ThreadPitch:       {name: "a thread pitch", base: "mm", shown: []string{"mm/turn", "um", "in"}, parts: []atom{length}, per: turn},
	Time:              {name: "a time", base: "s", shown: []string{"ms", "min", "h"}, parts: []atom{second}},
	Mass:              {name: "a mass", base: "kg", shown: []string{"g", "lb", "oz"}, parts: []atom{mass}},
	Speed:             {name: "a speed", base: "m/s", shown: []string{"km/h", "mph", "kn"}, parts: []atom{length, second}, whole: inMMPerS(speeds)},
	Temperature:       {name: "a temperature", base: "C", shown: []string{"K", "F"}, parts: []atom{celsius}},
	TemperatureRate:   {name: "a rate of cooling", base: "K/h", shown: []string{"C/h"}, parts: []atom{kelvin, second}},
	AngleRate:         {name: "an angle per time", base: "arcsec/h", shown: []string{"arcsec/min", "arcsec/s", "arcmin/h"}, parts: []atom{angle, second}},
	Compliance:        {name: "an angle per g", base: "arcsec/g", shown: []string{"arcmin/g"}, parts: []atom{angle, gravity}},
	ImageScale:        {name: "an image scale", base: "arcsec/px", parts: []atom{angle, pixel}},
	Pixels:            {name: "a number of pixels", base: "px", parts: []atom{pixel}},
	Electrons:         {name: "a number of electrons", base: "e-", shown: []string{"ke-"}, parts: []atom{electron}},
	Counts:            {name: "a level", base: "ADU", parts: []atom{count}},
	Gain:              {name: "a conversion gain", base: "e-/ADU", parts: []atom{electron, count}},
	ElectronRate:      {name: "an electron rate", base: "e-/s", shown: []string{"e-/s/px", "e-/h"}, parts: []atom{electron, second}, per: pixel},
	ZeroPoint:         {name: "a zero point", base: "e-/s/cm2", shown: []string{"e-/s/m2"}, parts: []atom{electron, second, area}},
	Magnitude:         {name: "a magnitude", base: "mag", parts: []atom{mag}},
	Extinction:        {name: "an extinction", base: "mag", shown: []string{"mag/airmass"}, parts: []atom{mag}, per: airmass},
	SurfaceBrightness: {name: "a sky brightness", base: "mag/arcsec2", parts: []atom{mag, sqArcsec}, whole: surface},
	EventRate:         {name: "a rate of events", base: "/h", shown: []string{"/min", "per hour"}, parts: []atom{nothing, second}},
}

// bases holds the factor of each dimension's base unit.
var bases = func() (out [dimensions]factor) {
	for d := range dimensions {
		f, ok := d.lookup(table[d].base)
		if !ok {
			panic("unit: no base unit " + table[d].base)
		}
		out[d] = f
	}
	return out
}()

// inMMPerS returns speeds in metres per second as multiples of the length's
// reference per second.
func inMMPerS(a atom) atom {
	out := atom{}
	for n, f := range a {
		out[n] = factor{f.num * 1000, f.den, 0}
	}
	return out
}

// String returns the dimension's name with its article: "a length".
func (d Dimension) String() string {
	if d >= dimensions {
		return "an unknown dimension"
	}
	return table[d].name
}

// Base returns the unit in which Quantity.Value is given: "mm" for a Length,
// "" for a Pure number. It panics for a Dimension that is none of the list.
func (d Dimension) Base() string { return table[d].base }

// Accepted returns units that ParseAs accepts for the dimension, the base unit
// first, in one line for a message: "mm, cm, m, in, um". Rarer spellings are
// accepted too. It panics for a Dimension that is none of the list.
func (d Dimension) Accepted() string {
	var all []string
	if d == Pure {
		all = append(all, "no unit")
	} else {
		all = append(all, table[d].base)
	}
	return strings.Join(append(all, table[d].shown...), ", ")
}

// lookup returns the factor of a unit in the dimension.
func (d Dimension) lookup(text string) (factor, bool) {
	u := squeeze(text)
	t := &table[d]
	if f, ok := t.whole.find(u); ok {
		return f, true
	}
	out := factor{1, 1, 0}
	left := t.parts
	per := t.per
	for i := 0; ; i++ {
		part, rest, more := strings.Cut(u, "/")
		u = rest
		var f factor
		ok := false
		if len(left) > 0 {
			f, ok = left[0].find(part)
		}
		if ok {
			left = left[1:]
			if i == 0 {
				out = f
			} else {
				out.num *= f.den
				out.den *= f.num
			}
		} else if _, extra := per.find(part); extra && i > 0 {
			per = nil
		} else {
			return factor{}, false
		}
		if !more {
			break
		}
	}
	return out, len(left) == 0
}

// find looks a spelling up, then once more in lower case unless it is a single
// letter.
func (a atom) find(name string) (factor, bool) {
	if f, ok := a[name]; ok {
		return f, true
	}
	if len(name) < 2 {
		return factor{}, false
	}
	f, ok := a[strings.ToLower(name)]
	return f, ok
}

// squeeze brings a unit into one spelling: no spaces, "/" for "per", a plain
// minus.
func squeeze(u string) string {
	if len(u) <= 6 && !strings.ContainsFunc(u, func(r rune) bool { return r > 127 || r == ' ' }) && !strings.HasPrefix(u, "per") {
		return u
	}
	var b strings.Builder
	for i, w := range strings.FieldsFunc(u, unicode.IsSpace) {
		switch {
		case w == "per":
			b.WriteByte('/')
		case w == "of" && i > 0:
		default:
			b.WriteString(w)
		}
	}
	return plainMinus.Replace(b.String())
}

var plainMinus = strings.NewReplacer("−", "-", "–", "-", "⁻", "-", "·", "")

// Quantity is what a quantity string says.
type Quantity struct {
	Dim       Dimension
	Value, SE float64 // in Dim.Base(); SE is one standard deviation, 0 when none was written
	Unit      string  // as written, "" when none was

	value, se float64 // in the unit written
	unit      factor
}

// In returns the value and its standard error in another unit of the same
// dimension. ok is false when the dimension does not know the unit. A number
// asked for in the unit it was written in comes back unchanged; otherwise the
// result is within two roundings.
func (q Quantity) In(unit string) (value, se float64, ok bool) {
	if q.Dim >= dimensions {
		return 0, 0, false
	}
	to, ok := bases[q.Dim], true
	if unit != table[q.Dim].base {
		to, ok = q.Dim.lookup(unit)
	}
	if !ok {
		return 0, 0, false
	}
	return convert(q.value, q.unit, to), rescale(q.se, q.unit, to), true
}

// convert turns v from one unit into another of the same dimension.
func convert(v float64, from, to factor) float64 {
	if from == to {
		return v
	}
	if from.add == to.add {
		return rescale(v, from, to)
	}
	return (v*from.num/from.den + from.add - to.add) * to.den / to.num
}

// rescale is convert without the shift between temperature scales.
func rescale(v float64, from, to factor) float64 {
	n, d := from.num*to.den, from.den*to.num
	switch {
	case n == d:
		return v
	case math.Mod(n, d) == 0:
		return v * (n / d)
	case math.Mod(d, n) == 0:
		return v / (d / n)
	}
	return v * n / d
}

// QuantityError says what is wrong with a quantity string and where.
type QuantityError struct {
	Text   string // the whole string
	Offset int    // in bytes from its start
	Found  string // what stands there, as a person would call it
	Want   string // what would do
}

// Error returns the message in one line.
func (e *QuantityError) Error() string {
	return fmt.Sprintf("unit: %q: at byte %d found %s: %s", e.Text, e.Offset, e.Found, e.Want)
}

// maxQuantity is the longest string that is read as a quantity.
const maxQuantity = 120

// Parse reads a quantity string whose unit tells its dimension. Where a unit
// belongs to several, the first of the list of dimensions wins: " is an
// arcsecond, "mm" a Length, "K" a Temperature. Errors are *QuantityError.
func Parse(text string) (Quantity, error) {
	var first error
	for _, d := range []Dimension{Pure, Angle, Length, Time, Mass, Speed, Temperature, TemperatureRate, AngleRate, Compliance, ImageScale, Pixels,
		Electrons, Counts, Gain, ElectronRate, ZeroPoint, Magnitude, SurfaceBrightness, EventRate, Latitude, Longitude, Bits, PixelPitch, ThreadPitch, Extinction} {
		q, err := ParseAs(text, d)
		if err == nil {
			return q, nil
		}
		if e := err.(*QuantityError); first == nil || e.Offset > first.(*QuantityError).Offset {
			first = err
		}
	}
	return Quantity{}, first
}

// ParseAs reads a quantity string of a known dimension: a number, its unit and
// if wished an uncertainty after "±", "+-" or "+/-" with or without a unit of
// its own ("± 10 %" is relative unless per cent is a unit of the dimension).
// Numbers have a decimal point, may have an exponent, and may be fractions
// ("3/4 in", "1 1/4 in", "1-1/4 in"); "infinite" is a number that the caller
// must be ready for. Angles may be written 47d12m30s, latitudes and longitudes
// may end in N, S, E or W. Errors are *QuantityError.
func ParseAs(text string, d Dimension) (Quantity, error) {
	if d >= dimensions {
		panic("unit: ParseAs: no such dimension")
	}
	if len(text) > maxQuantity {
		return Quantity{}, &QuantityError{shorten(text, maxQuantity), maxQuantity, fmt.Sprintf("%d bytes", len(text)), "a quantity is a number and a unit"}
	}
	p := &quantityParser{text: text, dim: d}
	q, err := p.quantity()
	if err != nil {
		return Quantity{}, err
	}
	q.Dim = d
	base := bases[d]
	q.Value, q.SE = convert(q.value, q.unit, base), rescale(q.se, q.unit, base)
	if math.IsInf(q.Value, 0) && !math.IsInf(q.value, 0) || math.IsInf(q.SE, 0) {
		return Quantity{}, p.fail(0, "too large a number", "a number below 1e300")
	}
	return q, nil
}

type quantityParser struct {
	text string
	pos  int
	dim  Dimension
}

func (p *quantityParser) fail(at int, found, want string) error {
	return &QuantityError{Text: p.text, Offset: at, Found: found, Want: want}
}

// space skips blanks of every width, but no line end.
func (p *quantityParser) space() {
	for p.pos < len(p.text) {
		r, n := utf8.DecodeRuneInString(p.text[p.pos:])
		if !unicode.IsSpace(r) || r == '\n' || r == '\r' {
			return
		}
		p.pos += n
	}
}

// take consumes s if it comes next.
func (p *quantityParser) take(s ...string) bool {
	for _, s := range s {
		if strings.HasPrefix(p.text[p.pos:], s) {
			p.pos += len(s)
			return true
		}
	}
	return false
}

// rest names what comes next, for a message.
func (p *quantityParser) rest() string {
	s := p.text[p.pos:]
	if s == "" {
		return "the end"
	}
	return strconv.Quote(shorten(s, 24))
}

// shorten cuts s to at most n bytes, at the start of a rune.
func shorten(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}

func (p *quantityParser) quantity() (q Quantity, err error) {
	p.space()
	if p.pos == len(p.text) {
		return q, p.fail(p.pos, "nothing", p.need())
	}
	hemi, hemiAt := p.hemisphere()
	p.space()
	bracket := p.take("(")
	p.space()
	start := p.pos
	negative := p.sign()
	value, done, err := p.sexagesimal()
	if err != nil {
		return q, err
	}
	if done {
		q.value, q.Unit, q.unit = value, "arcsec", factor{1, 1, 0}
	} else {
		p.pos = start
		negative = p.sign()
		if q.value, err = p.number(); err != nil {
			return q, err
		}
	}
	if hemi == "" {
		p.space()
		hemi, hemiAt = p.hemisphere()
	}
	var unitAt int
	if !done {
		unitAt = p.pos
		if q.Unit, err = p.unit(); err != nil {
			return q, err
		}
		if h, cut := p.trailing(q.Unit); cut != "" && hemi == "" {
			hemi, hemiAt, q.Unit = cut, p.pos-1, h
		}
	}
	seAt, seUnit, hasSE := 0, "", false
	p.space()
	if hasSE = p.take("±", "+/-", "+-", "+/−", "+−"); hasSE {
		p.space()
		seAt = p.pos
		if p.sign() {
			return q, p.fail(seAt, "a negative uncertainty", "a standard deviation is zero or more")
		}
		if q.se, err = p.number(); err != nil {
			return q, err
		}
		if seUnit, err = p.unit(); err != nil {
			return q, err
		}
		if math.IsInf(q.se, 0) {
			return q, p.fail(seAt, "an infinite uncertainty", "leave the ± out, or give a standard deviation")
		}
		if h, cut := p.trailing(seUnit); cut != "" && hemi == "" {
			hemi, hemiAt, seUnit = cut, p.pos-1, h
		}
	}
	if bracket {
		p.space()
		if !p.take(")") {
			return q, p.fail(p.pos, p.rest(), "a closing bracket")
		}
		at := p.pos
		u, err := p.unit()
		if err != nil {
			return q, err
		}
		if u != "" && (q.Unit != "" || seUnit != "") {
			return q, p.fail(at, strconv.Quote(u), "one unit, inside the brackets or after them")
		}
		if u != "" {
			q.Unit, unitAt = u, at
		}
	}
	p.space()
	if p.pos < len(p.text) {
		return q, p.fail(p.pos, p.rest(), "nothing more after the unit")
	}
	if negative {
		q.value = -q.value
	}
	if err := p.applyUnits(&q, start, unitAt, done, hasSE, seAt, seUnit); err != nil {
		return q, err
	}
	if hemi != "" {
		if negative {
			return q, p.fail(hemiAt, fmt.Sprintf("a minus sign and %q", hemi), "one of the two")
		}
		if hemi == "S" || hemi == "W" {
			q.value = -q.value
		}
	}
	return q, nil
}

// applyUnits settles which unit the value and the uncertainty have.
func (p *quantityParser) applyUnits(q *Quantity, start, unitAt int, done, hasSE bool, seAt int, seUnit string) error {
	t := &table[p.dim]
	if !done {
		if q.Unit == "" && seUnit != "" && !(t.bare && seUnit == "%") && (seUnit != "%" || p.knows("%")) {
			q.Unit = seUnit
			unitAt = seAt
		}
		if q.Unit == "" && !t.bare && !math.IsInf(q.value, 0) {
			return p.fail(start, strconv.Quote(strings.TrimSpace(p.text)), p.need())
		}
		u := q.Unit
		if u == "" {
			u = t.base
		}
		if u == t.base {
			q.unit = bases[p.dim]
		} else if f, ok := p.dim.lookup(u); ok {
			q.unit = f
		} else {
			return p.wrongUnit(unitAt, q.Unit)
		}
	}
	if !hasSE || seUnit == "" || seUnit == q.Unit {
		return nil
	}
	if seUnit == "%" && (!p.knows("%") || t.bare && q.Unit == "") {
		if t.bare {
			return p.fail(seAt, strconv.Quote(p.text[seAt:]), "per cent of the value or of one? write the number itself")
		}
		q.se *= math.Abs(q.value) / 100
		return nil
	}
	f, ok := p.dim.lookup(seUnit)
	if !ok {
		return p.wrongUnit(seAt, seUnit)
	}
	q.se = rescale(q.se, f, q.unit)
	return nil
}

func (p *quantityParser) knows(u string) bool {
	_, ok := p.dim.lookup(u)
	return ok
}

// need says that a unit is missing.
func (p *quantityParser) need() string {
	if table[p.dim].bare {
		return p.dim.String() + " is wanted; accepted: " + p.dim.Accepted()
	}
	return p.dim.String() + " needs a unit; accepted: " + p.dim.Accepted()
}

// wrongUnit says that a unit is not one of the dimension, and of which it is.
func (p *quantityParser) wrongUnit(at int, u string) error {
	for at < len(p.text) && !strings.HasPrefix(p.text[at:], u) {
		at++
	}
	what := "not a unit known here"
	for _, d := range []Dimension{Angle, Length, Time, Mass, Speed, Temperature, AngleRate, Compliance, ImageScale, Pixels, Electrons, Counts, Gain,
		ElectronRate, Magnitude, SurfaceBrightness, EventRate, Pure} {
		if _, ok := d.lookup(u); ok && d != p.dim && table[d].name != table[p.dim].name {
			what = "the unit of " + d.String()
			break
		}
	}
	return p.fail(at, strconv.Quote(u), fmt.Sprintf("%s is %s, and %s is wanted; accepted: %s", u, what, p.dim, p.dim.Accepted()))
}

// sign consumes a sign and reports whether it is a minus.
func (p *quantityParser) sign() bool {
	minus := p.take("-", "−", "–")
	if !minus && !strings.HasPrefix(p.text[p.pos:], "+-") && !strings.HasPrefix(p.text[p.pos:], "+/") {
		p.take("+")
	}
	return minus
}

// digits returns how many bytes of s are decimal digits from i on.
func digits(s string, i int) int {
	n := 0
	for i+n < len(s) && s[i+n] >= '0' && s[i+n] <= '9' {
		n++
	}
	return n
}

// number reads an unsigned number: decimal, with exponent, fraction, mixed
// fraction, or infinite.
func (p *quantityParser) number() (float64, error) {
	s, i := p.text, p.pos
	if p.take("infinite", "infinity", "inf", "Inf", "∞") {
		return math.Inf(1), nil
	}
	whole := digits(s, i)
	end := i + whole
	frac := 0
	if end < len(s) && s[end] == '.' {
		frac = digits(s, end+1)
		end += 1 + frac
	}
	if whole+frac == 0 {
		return 0, p.fail(i, p.rest(), "a number comes first, as in "+p.example())
	}
	if end < len(s) && (s[end] == 'e' || s[end] == 'E') {
		j := end + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		if n := digits(s, j); n > 0 {
			end = j + n
		}
	}
	if end < len(s) && s[end] == ',' && digits(s, end+1) > 0 {
		k := end + 1 + digits(s, end+1)
		want := "a decimal point, not a comma: " + s[i:end] + "." + s[end+1:k]
		if k-end == 4 {
			want = "no comma between thousands: " + s[i:end] + s[end+1:k] + ", or a decimal point: " + s[i:end] + "." + s[end+1:k]
		}
		return 0, p.fail(i, strconv.Quote(s[i:k]), want)
	}
	value, err := strconv.ParseFloat(s[i:end], 64)
	if err != nil || math.IsInf(value, 0) {
		return 0, p.fail(i, strconv.Quote(s[i:end]), "a number below 1e300")
	}
	p.pos = end
	if end != i+whole { // no fraction after a decimal
		return value, p.twoNumbers(i)
	}
	// 3/4, 1 1/4, 1-1/4
	if n := p.slash(end); n > end {
		return p.over(value, i, end, n)
	}
	j := end
	if j < len(s) && s[j] == '-' {
		j++
	} else {
		p.space()
		j = p.pos
		p.pos = end
	}
	if j > end {
		if m := j + digits(s, j); m > j {
			if n := p.slash(m); n > m {
				top, _ := strconv.ParseFloat(s[j:m], 64)
				part, err := p.over(top, j, m, n)
				return value + part, err
			}
		}
	}
	return value, p.twoNumbers(i)
}

// slash returns the end of "/digits" at i, or i when there is none.
func (p *quantityParser) slash(i int) int {
	if i < len(p.text) && p.text[i] == '/' {
		if n := digits(p.text, i+1); n > 0 {
			return i + 1 + n
		}
	}
	return i
}

// over divides top by the denominator between the slash at m and n.
func (p *quantityParser) over(top float64, start, m, n int) (float64, error) {
	bottom, err := strconv.ParseFloat(p.text[m+1:n], 64)
	if err != nil || bottom == 0 || math.IsInf(bottom, 0) {
		return 0, p.fail(start, strconv.Quote(p.text[start:n]), "a fraction whose lower number is not zero")
	}
	p.pos = n
	return top / bottom, nil
}

// twoNumbers refuses a second number right after the first.
func (p *quantityParser) twoNumbers(start int) error {
	at := p.pos
	p.space()
	gap := p.pos
	p.pos = at
	if gap > at && digits(p.text, gap) > 0 {
		return p.fail(start, strconv.Quote(strings.TrimSpace(p.text[start:])), "one number without spaces inside")
	}
	return nil
}

// unit returns the text up to an uncertainty, a bracket or the end.
func (p *quantityParser) unit() (string, error) {
	p.space()
	rest := p.text[p.pos:]
	end := strings.IndexAny(rest, "±+()\n\r\x00")
	if end < 0 {
		end = len(rest)
	}
	p.pos += end
	return strings.TrimSpace(rest[:end]), nil
}

// hemisphere consumes N, S, E or W where the dimension has them.
func (p *quantityParser) hemisphere() (letter string, at int) {
	letters := ""
	switch p.dim {
	case Latitude:
		letters = "NS"
	case Longitude:
		letters = "EW"
	}
	if p.pos < len(p.text) && strings.IndexByte(letters, p.text[p.pos]) >= 0 {
		p.pos++
		return p.text[p.pos-1 : p.pos], p.pos - 1
	}
	return "", p.pos
}

// trailing splits a hemisphere's letter or name off a unit.
func (p *quantityParser) trailing(u string) (unit, letter string) {
	var names []string
	switch p.dim {
	case Latitude:
		names = []string{"N", "S", "north", "south"}
	case Longitude:
		names = []string{"E", "W", "east", "west"}
	}
	for _, n := range names {
		if rest, ok := strings.CutSuffix(u, n); ok {
			return strings.TrimSpace(rest), strings.ToUpper(n[:1])
		}
	}
	return u, ""
}

// sexagesimal reads degrees, minutes and perhaps seconds of arc and returns
// arcseconds; done is false when the text is something else.
func (p *quantityParser) sexagesimal() (arcsec float64, done bool, err error) {
	if p.dim != Angle && p.dim != Latitude && p.dim != Longitude {
		return 0, false, nil
	}
	start := p.pos
	whole := func() (float64, bool) {
		n := digits(p.text, p.pos)
		v, err := strconv.ParseFloat(p.text[p.pos:p.pos+n], 64)
		p.pos += n
		return v, err == nil
	}
	deg, ok := whole()
	p.space()
	if !ok || !p.take("degrees", "degree", "deg", "d", "°") {
		return 0, false, nil
	}
	p.space()
	minAt := p.pos
	minute, fine, ok := p.decimal()
	p.space()
	if !ok || !p.take("arcmin", "min", "m", "′", "’", "'") {
		return 0, false, nil
	}
	second := 0.0
	p.space()
	secAt := p.pos
	if s, _, ok := p.decimal(); ok {
		p.space()
		if !p.take("arcsec", "sec", "s", "″", "”", `"`, "''") {
			return 0, false, p.fail(secAt, strconv.Quote(p.text[secAt:]), "seconds of arc after the minutes, as in 47d12m30s")
		}
		if fine {
			return 0, false, p.fail(minAt, strconv.Quote(p.text[start:]), "decimals in the last part only, as in 47d12m30.5s")
		}
		second = s
	} else {
		p.pos = secAt
	}
	if minute >= 60 || second >= 60 {
		return 0, false, p.fail(minAt, strconv.Quote(p.text[start:]), "minutes and seconds below 60")
	}
	return deg*3600 + minute*60 + second, true, nil
}

// decimal reads a plain decimal number; fine reports whether it has decimals.
func (p *quantityParser) decimal() (v float64, fine, ok bool) {
	i := p.pos
	p.pos += digits(p.text, p.pos)
	if p.pos > i && p.pos < len(p.text) && p.text[p.pos] == '.' {
		fine = true
		p.pos += 1 + digits(p.text, p.pos+1)
	}
	v, err := strconv.ParseFloat(p.text[i:p.pos], 64)
	return v, fine, err == nil
}

// example returns a quantity of the dimension wanted, for a message.
func (p *quantityParser) example() string {
	switch p.dim {
	case Latitude:
		return `"47.2 deg N"`
	case Longitude:
		return `"122.3 deg W"`
	}
	return strconv.Quote(strings.TrimSpace("2.5 " + table[p.dim].base))
}

// Format returns a quantity string for value ± se, both in unit, which must be
// a unit of d: "2.5 ± 0.6 arcsec". The uncertainty is left out when it is zero
// or NaN. Ten significant digits are kept, so that ParseAs returns the value
// within a part in 1e9. A latitude or longitude in degrees gets its hemisphere.
// NaN gives "unknown", which ParseAs does not read, and infinity "infinite".
func Format(value, se float64, d Dimension, unit string) string {
	if math.IsNaN(value) {
		return "unknown"
	}
	if math.IsInf(value, 1) {
		return "infinite"
	}
	hemi := ""
	if unit == "deg" {
		switch {
		case d == Latitude && value < 0:
			hemi = " S"
		case d == Latitude:
			hemi = " N"
		case d == Longitude && value < 0:
			hemi = " W"
		case d == Longitude:
			hemi = " E"
		}
		if hemi != "" {
			value = math.Abs(value)
		}
	}
	var b strings.Builder
	b.WriteString(digitsOf(value))
	if se > 0 {
		b.WriteString(" ± ")
		b.WriteString(digitsOf(se))
	}
	if unit != "" {
		b.WriteByte(' ')
		b.WriteString(unit)
	}
	b.WriteString(hemi)
	return b.String()
}

// digitsOf writes a number with up to ten significant digits, without an
// exponent where it is of ordinary size.
func digitsOf(v float64) string {
	a := math.Abs(v)
	if a == 0 {
		return "0"
	}
	if a >= 1e-4 && a < 1e6 {
		v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'e', 9, 64), 64)
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	mantissa, exponent, _ := strings.Cut(strconv.FormatFloat(v, 'e', 9, 64), "e")
	mantissa = strings.TrimRight(strings.TrimRight(mantissa, "0"), ".")
	n, _ := strconv.Atoi(exponent)
	return mantissa + "e" + strconv.Itoa(n)
}
