package catalog

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/internal/unit"
)

// forms are the ways to write a place, for messages.
const forms = "write a name, or a place such as 20h45m38s +30d42m30s, 20:45:38.1 -30:42:30, 20 45 38 +30 42 30, 311.41 +30.71 (degrees) or 20.76h 30.7d"

// ParseTarget returns the object that s names, as Find does, or the place whose
// ICRS (J2000) right ascension and declination s gives. Right ascension is in
// hours if it has the sign h or consists of several numbers, and in degrees if
// it is one number without a sign. Minutes and seconds may be marked by
// letters, primes, colons or spaces; a comma may part the coordinates; a
// leading "J2000" or "ICRS" is allowed, and so is J204538.1+304230. A place is
// an Object of kind Place without magnitude and size. An error says which part
// is wrong; it is a *NameError if s is a name that leads nowhere.
func ParseTarget(s string) (Object, error) {
	text, compact, ok := placeText(s)
	if !ok {
		return Find(s)
	}
	ra, dec, err := parsePlace(text, compact)
	if err != nil {
		return Object{}, fmt.Errorf("catalog: target %q: %w; %s", s, err, forms)
	}
	return Object{Name: placeName(ra, dec), Kind: Place, RA: ra, Dec: dec, V: unit.Mag(math.NaN()), Size: unit.Arcmin(math.NaN())}, nil
}

// ascii writes the signs used in coordinates in one way each.
var ascii = strings.NewReplacer(
	"−", "-", "–", "-", "—", "-", "﹣", "-", "－", "-", "＋", "+",
	"′′", "s", "″", "s", "”", "s", "“", "s", "''", "s", `"`, "s", "′", "m", "’", "m", "'", "m",
	"°", "d", "º", "d", "˚", "d", "deg", "d", "ʰ", "h", "ᵐ", "m", "ˢ", "s",
	"\u00a0", " ", "\u2009", " ", "\t", " ", ";", ",",
)

// placeText returns s ready to be read as coordinates, whether these are
// compact (after a J), and whether s is meant as coordinates at all.
func placeText(s string) (text string, compact, ok bool) {
	text = strings.TrimSpace(ascii.Replace(strings.ToLower(s)))
	for _, frame := range []string{"j2000.0 ", "j2000 ", "icrs "} {
		if rest, cut := strings.CutPrefix(text, frame); cut {
			text = strings.TrimSpace(rest)
		}
	}
	if rest, cut := strings.CutPrefix(text, "j"); cut && rest != "" && rest[0] >= '0' && rest[0] <= '9' {
		text, compact = rest, true
	}
	if text == "" || !strings.ContainsRune("0123456789+-.", rune(text[0])) {
		return text, false, false
	}
	return text, compact, !strings.ContainsFunc(text, func(r rune) bool { return !strings.ContainsRune("0123456789+-.:, hdms", r) })
}

// parsePlace reads the two coordinates of a text that placeText passed.
func parsePlace(text string, compact bool) (ra, dec unit.Deg, err error) {
	first, second, err := halves(text)
	if err != nil {
		return 0, 0, err
	}
	if compact {
		if first, err = spread("right ascension", first); err == nil {
			second, err = spread("declination", second)
		}
		if err != nil {
			return 0, 0, err
		}
	}
	a, err := readAngle("right ascension", first)
	if err != nil {
		return 0, 0, err
	}
	d, err := readAngle("declination", second)
	if err != nil {
		return 0, 0, err
	}
	hours := a.sign == 'h' || a.sign == 0 && a.parts > 1
	switch {
	case d.sign == 'h':
		return 0, 0, fmt.Errorf("the declination %q is in hours, want degrees", second)
	case a.sign == 0 && a.parts == 1 && d.parts > 1:
		return 0, 0, fmt.Errorf("the right ascension %q may be hours or degrees; write %sh or %sd", first, first, first)
	case a.negative:
		return 0, 0, fmt.Errorf("the right ascension %q is negative", first)
	case hours && a.value >= 24:
		return 0, 0, fmt.Errorf("the right ascension %q is not in 0 to 24 hours", first)
	case a.value >= 360:
		return 0, 0, fmt.Errorf("the right ascension %q is not in 0 to 360 degrees", first)
	case d.value > 90:
		return 0, 0, fmt.Errorf("the declination %q is not in -90 to +90 degrees", second)
	}
	if hours {
		a.value *= 15
	}
	if d.negative {
		d.value = -d.value
	}
	return unit.Deg(a.value), unit.Deg(d.value), nil
}

// halves parts the right ascension from the declination: at a comma, else at
// the declination's sign, else in the middle of the words.
func halves(text string) (first, second string, err error) {
	if n := strings.Count(text, ","); n > 1 {
		return "", "", fmt.Errorf("%d commas, want one between right ascension and declination", n)
	}
	if first, second, ok := strings.Cut(text, ","); ok {
		return strings.TrimSpace(first), strings.TrimSpace(second), nil
	}
	if i := strings.LastIndexAny(text, "+-"); i > 0 {
		return strings.TrimSpace(text[:i]), strings.TrimSpace(text[i:]), nil
	}
	words := strings.Fields(text)
	if len(words) == 0 || len(words)%2 != 0 {
		return "", "", fmt.Errorf("%d numbers do not part into right ascension and declination; give the declination its sign", len(words))
	}
	half := len(words) / 2
	return strings.Join(words[:half], " "), strings.Join(words[half:], " "), nil
}

// spread parts a compact coordinate such as 204538.1 into its numbers.
func spread(what, s string) (string, error) {
	sign := ""
	if s != "" && (s[0] == '+' || s[0] == '-') {
		sign, s = s[:1], s[1:]
	}
	whole, _, _ := strings.Cut(s, ".")
	if strings.Trim(s, "0123456789.") != "" || len(whole) != 4 && len(whole) != 6 {
		return "", fmt.Errorf("the %s %q has %d digits, want 4 or 6 after J", what, s, len(whole))
	}
	if len(whole) == 4 {
		return sign + s[:2] + " " + s[2:], nil
	}
	return sign + s[:2] + " " + s[2:4] + " " + s[4:], nil
}

// angle is a coordinate as it was written, in its first number's unit.
type angle struct {
	value    float64 // never negative
	negative bool
	sign     byte // 'h', 'd' or 0: of the first number
	parts    int  // numbers given
}

var partNames = [...]string{"hours or degrees", "minutes", "seconds"}

// readAngle reads up to three numbers with their signs.
func readAngle(what, s string) (angle, error) {
	var a angle
	rest := s
	if rest != "" && (rest[0] == '+' || rest[0] == '-') {
		a.negative = rest[0] == '-'
		rest = rest[1:]
	}
	scale := 1.0
	fraction := false
	for rest = strings.TrimSpace(rest); rest != ""; rest = strings.TrimLeft(rest, " ") {
		end := 0
		for end < len(rest) && (rest[end] == '.' || rest[end] >= '0' && rest[end] <= '9') {
			end++
		}
		v, err := strconv.ParseFloat(rest[:end], 64)
		switch {
		case err != nil:
			return angle{}, fmt.Errorf("the %s %q has %q where a number should be", what, s, rest)
		case a.parts == len(partNames):
			return angle{}, fmt.Errorf("the %s %q has more than three numbers", what, s)
		case fraction:
			return angle{}, fmt.Errorf("the %s %q has a fraction before its last number", what, s)
		case a.parts > 0 && v >= 60:
			return angle{}, fmt.Errorf("the %s of the %s %q are %v, want less than 60", partNames[a.parts], what, s, v)
		}
		fraction = strings.Contains(rest[:end], ".")
		a.value += v * scale
		scale /= 60
		rest = strings.TrimLeft(rest[end:], " ")
		if rest != "" && strings.IndexByte("hdms:", rest[0]) >= 0 {
			mark := rest[0]
			if want := [...]string{"hd:", "m:", "s"}[a.parts]; strings.IndexByte(want, mark) < 0 {
				return angle{}, fmt.Errorf("the %s %q has %q after its %s", what, s, string(mark), partNames[a.parts])
			}
			if a.parts == 0 && mark != ':' {
				a.sign = mark
			}
			rest = rest[1:]
			if mark == ':' && strings.TrimSpace(rest) == "" {
				return angle{}, fmt.Errorf("the %s %q ends in a colon", what, s)
			}
		}
		a.parts++
	}
	if a.parts == 0 {
		return angle{}, fmt.Errorf("the %s is missing", what)
	}
	return a, nil
}

// placeName writes a place as ParseTarget reads it, to 0.1 s and 1 arcsec.
func placeName(ra, dec unit.Deg) string {
	t := int(math.Round(float64(ra.Hour())*36000)) % (24 * 36000)
	d := int(math.Round(math.Abs(float64(dec)) * 3600))
	sign := '+'
	if dec < 0 {
		sign = '-'
	}
	return fmt.Sprintf("%02dh%02dm%02d.%ds %c%02dd%02dm%02ds", t/36000, t/600%60, t/10%60, t%10, sign, d/3600, d/60%60, d%60)
}
