package fits

import (
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Kind is what a card holds.
type Kind uint8

// The kinds of card.
const (
	Commentary Kind = iota // COMMENT, HISTORY, blank, or anything without a value indicator
	Undefined              // a keyword with "=" and no value
	Text                   // a quoted string, or anything unquoted that is neither number nor logical
	Number                 // an integer or real number
	Logical                // T or F
)

// A Card is one keyword record of a header, with its continuation records.
type Card struct {
	N        int    // place in the header, counted from 1; that of the first record if there are several
	Key      string // keyword in capitals, without trailing blanks; for HIERARCH cards the words after it
	Kind     Kind   // what the value is
	Value    string // the value without quotes, continuations joined; for commentary the text
	Comment  string // what follows the slash
	Raw      string // the 80-byte records exactly as they stand in the file; "" for a card made by NewCard
	Quoted   bool   // the value stands in quotes
	AfterEnd bool   // the card stands behind the END card: kept, and looked at only if no other has its keyword
}

const recordSize = 80

// parseCard parses one record of at most 80 bytes. It never fails: what can
// not be understood becomes commentary.
func parseCard(rec string, n int) Card {
	c := Card{N: n, Raw: rec}
	s := clean(rec)
	if len(s) >= 8 {
		key := strings.ToUpper(strings.TrimSpace(s[:8]))
		switch {
		case key == "COMMENT" || key == "HISTORY" || key == "":
			c.Key, c.Value = key, decode(strings.TrimRight(s[8:], " "))
			return c
		case key == "CONTINUE":
			c.Key = key
			c.setValue(s[8:], 8)
			if c.Kind != Text || !c.Quoted {
				c.Kind, c.Value, c.Comment = Commentary, decode(strings.TrimRight(s[8:], " ")), ""
			}
			return c
		}
	}
	eq := strings.IndexByte(s, '=')
	if eq >= 0 {
		name := strings.ToUpper(strings.TrimSpace(s[:eq]))
		if long, ok := strings.CutPrefix(name, "HIERARCH "); ok {
			c.Key = strings.Join(strings.Fields(long), " ")
			c.setValue(s[eq+1:], eq+1)
			return c
		}
		if eq == 8 && name != "" || isName(name) {
			c.Key = decode(name)
			c.setValue(s[eq+1:], eq+1)
			return c
		}
	}
	c.Key = decode(strings.ToUpper(strings.TrimSpace(s[:min(8, len(s))])))
	if len(s) > 8 {
		c.Value = decode(strings.TrimRight(s[8:], " "))
	}
	return c
}

// isName reports whether s is a name of letters, digits, '-', '_' and '.',
// beginning with a letter: a keyword wherever its "=" stands.
func isName(s string) bool {
	for i := 0; i < len(s); i++ {
		b := s[i]
		letter := b >= 'A' && b <= 'Z'
		if !letter && (i == 0 || !(b >= '0' && b <= '9' || b == '-' || b == '_' || b == '.')) {
			return false
		}
	}
	return s != ""
}

// clean replaces the control bytes people leave in headers (tabs, line ends,
// NULs) by blanks.
func clean(s string) string {
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] == 0x7f {
			b := []byte(s)
			for ; i < len(b); i++ {
				if b[i] < ' ' || b[i] == 0x7f {
					b[i] = ' '
				}
			}
			return string(b)
		}
	}
	return s
}

// decode returns s as UTF-8: unchanged if it is, else read as ISO 8859-1.
func decode(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	r := make([]rune, len(s))
	for i := range r {
		r[i] = rune(s[i])
	}
	return string(r)
}

// setValue parses what follows the value indicator; s begins in column col
// (counted from 0) of the record.
func (c *Card) setValue(s string, col int) {
	body := strings.TrimLeft(s, " ")
	col += len(s) - len(body)
	body = strings.TrimRight(body, " ")
	switch {
	case body == "":
		c.Kind = Undefined
	case body[0] == '/':
		c.Kind, c.Comment = Undefined, decode(strings.TrimSpace(body[1:]))
	case body[0] == '\'':
		c.Kind, c.Quoted = Text, true
		value, comment := cutQuoted(body[1:])
		c.Value, c.Comment = decode(value), decode(comment)
	default:
		c.setBare(body, col)
	}
}

// cutQuoted returns the string that begins after an opening quote, and the
// comment. A doubled quote is a quote; so is one that is followed by neither
// a slash nor the end of the card. A string that never ends reaches to the
// first " /" or the end of the card.
func cutQuoted(s string) (value, comment string) {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '\'' {
			b.WriteByte(s[i])
			continue
		}
		if i+1 < len(s) && s[i+1] == '\'' {
			b.WriteByte('\'')
			i++
			continue
		}
		rest := strings.TrimSpace(s[i+1:])
		if rest == "" || rest[0] == '/' {
			return strings.TrimRight(b.String(), " "), strings.TrimSpace(strings.TrimPrefix(rest, "/"))
		}
		// Either a quote that was not doubled, or a comment without a slash.
		if strings.IndexByte(s[i+1:], '\'') < 0 && s[i+1] == ' ' {
			return strings.TrimRight(b.String(), " "), rest
		}
		b.WriteByte('\'')
	}
	value = b.String()
	if k := strings.Index(value, " /"); k >= 0 {
		value, comment = value[:k], strings.TrimSpace(value[k+2:])
	}
	return strings.TrimRight(value, " "), comment
}

// setBare parses an unquoted value.
func (c *Card) setBare(body string, col int) {
	value, comment := body, ""
	if k := strings.IndexByte(body, '/'); k >= 0 {
		head := strings.TrimRight(body[:k], " ")
		if k > 0 && body[k-1] == ' ' || isNumber(head) || isLogical(head) {
			value, comment = head, strings.TrimSpace(body[k+1:])
		} else if k := strings.Index(body, " /"); k >= 0 {
			value, comment = strings.TrimRight(body[:k], " "), strings.TrimSpace(body[k+2:])
		}
	}
	first, rest, _ := strings.Cut(value, " ")
	rest = strings.TrimLeft(rest, " ")
	switch {
	case isNumber(value):
		c.Kind = Number
	case isLogical(value):
		c.Kind = Logical
	case isNumber(first) && startsWord(rest), isLogical(first) && col == 29:
		// A comment without its slash. "12 34 56.7" is not one.
		c.Kind = Number
		if isLogical(first) {
			c.Kind = Logical
		}
		if comment != "" {
			rest += " / " + comment
		}
		value, comment = first, rest
	default:
		c.Kind = Text
		if n := len(value); n > 1 && value[0] == '"' && value[n-1] == '"' {
			value = strings.TrimSpace(value[1 : n-1])
		}
	}
	c.Value, c.Comment = decode(value), decode(comment)
}

// startsWord reports whether s begins as a comment would: with a letter, or a
// bracket, not with another number.
func startsWord(s string) bool {
	if s == "" {
		return false
	}
	b := s[0] | 0x20
	return b >= 'a' && b <= 'z' || s[0] == '(' || s[0] == '[' || s[0] >= 0x80
}

// isLogical reports whether s is T or F.
func isLogical(s string) bool { return s == "T" || s == "F" || s == "t" || s == "f" }

// isNumber reports whether s is a decimal number: sign, digits with at most
// one point, exponent introduced by E or D.
func isNumber(s string) bool {
	i, digits := 0, 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	for point := false; i < len(s); i++ {
		if s[i] == '.' && !point {
			point = true
		} else if s[i] >= '0' && s[i] <= '9' {
			digits++
		} else {
			break
		}
	}
	if digits == 0 {
		return false
	}
	if i == len(s) {
		return true
	}
	if b := s[i] | 0x20; b != 'e' && b != 'd' {
		return false
	}
	i++
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	if i == len(s) {
		return false
	}
	for ; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// fail returns the error that names the card.
func (c Card) fail(want string) error {
	return &CardError{Card: c.N, Key: c.Key, Got: c.Value, Want: want}
}

// number returns the value as the text of a number that strconv reads, "" if
// it is none. Numbers that someone put in quotes count.
func (c Card) number() string {
	s := c.Value
	if c.Kind == Text {
		s = strings.TrimSpace(s)
	}
	if c.Kind != Number && c.Kind != Text || !isNumber(s) {
		return ""
	}
	if k := strings.IndexAny(s, "dD"); k >= 0 {
		s = s[:k] + "E" + s[k+1:]
	}
	return s
}

// Float returns the value as a float64. Signs, leading zeros, a D exponent and
// quotes around the number are accepted. The error is a *CardError if the
// value is not a number or overflows.
func (c Card) Float() (float64, error) {
	s := c.number()
	if s == "" {
		return 0, c.fail("a number")
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, c.fail("a number within the range of a float64")
	}
	return v, nil
}

// Int returns the value as an int64. As Float; a number written with a point
// or an exponent is accepted if it is whole and within ±2^53. The error is a
// *CardError otherwise.
func (c Card) Int() (int64, error) {
	s := c.number()
	if s == "" {
		return 0, c.fail("an integer")
	}
	if v, err := strconv.ParseInt(s, 10, 64); err == nil {
		return v, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || v != math.Trunc(v) || math.Abs(v) > 1<<53 {
		return 0, c.fail("an integer")
	}
	return int64(v), nil
}

// Bool returns the value as a bool: T, F, TRUE or FALSE in either case, quoted
// or not. The error is a *CardError otherwise; 0 and 1 are integers.
func (c Card) Bool() (bool, error) {
	if c.Kind == Logical || c.Kind == Text {
		switch strings.ToUpper(strings.TrimSpace(c.Value)) {
		case "T", "TRUE":
			return true, nil
		case "F", "FALSE":
			return false, nil
		}
	}
	return false, c.fail("T or F")
}

// Text returns the value as text: of a string without trailing blanks, of
// anything else as written. The error is a *CardError if the card has no
// value.
func (c Card) Text() (string, error) {
	if c.Kind == Commentary || c.Kind == Undefined {
		return "", c.fail("a value")
	}
	return c.Value, nil
}
