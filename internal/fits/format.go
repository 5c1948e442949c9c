package fits

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// NewCard returns a card for a Writer. The value is a bool, an int, an int64,
// a float64, a string, or nil for a keyword without value. Floats are written
// with as many digits, up to 17, as bring the same float64 back. A keyword of
// more than eight characters, or of several words, becomes a HIERARCH card; a
// string too long for one record goes on in CONTINUE records. For COMMENT,
// HISTORY and "" the value is a string, wrapped over as many records as it
// needs.
//
// The error says what can not be written: NaN and infinities (FITS has no word
// for them), bytes other than printable ASCII, keywords with other characters
// than letters, digits, '-' and '_'. A comment that does not fit is cut at the
// end of the record.
func NewCard(key string, value any, comment string) (Card, error) {
	c := Card{Key: normal(key), Comment: comment}
	bad := func(want string) (Card, error) {
		return Card{}, &CardError{Key: c.Key, Card: 1, Got: fmt.Sprint(value), Want: want}
	}
	switch v := value.(type) {
	case nil:
		c.Kind = Undefined
	case bool:
		c.Kind, c.Value = Logical, "F"
		if v {
			c.Value = "T"
		}
	case int:
		c.Kind, c.Value = Number, strconv.Itoa(v)
	case int64:
		c.Kind, c.Value = Number, strconv.FormatInt(v, 10)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return bad("a finite number, or nil if it is not known")
		}
		c.Kind, c.Value = Number, formatFloat(v)
	case string:
		c.Kind, c.Value, c.Quoted = Text, v, true
		if isCommentary(c.Key) {
			c.Kind, c.Quoted = Commentary, false
		}
	default:
		return bad("a bool, int, int64, float64, string or nil")
	}
	if isCommentary(c.Key) && c.Kind != Commentary {
		return bad("a string, since the keyword takes text")
	}
	if err := c.writable(); err != nil {
		return Card{}, err
	}
	return c, nil
}

// isCommentary reports whether the keyword takes text without "=".
func isCommentary(key string) bool { return key == "COMMENT" || key == "HISTORY" || key == "" }

// formatFloat returns v with a point or an exponent, so that it is not read as
// an integer.
func formatFloat(v float64) string {
	s := strconv.FormatFloat(v, 'G', -1, 64)
	if strings.ContainsAny(s, ".") {
		return s
	}
	if mant, exp, ok := strings.Cut(s, "E"); ok {
		return mant + ".0E" + exp
	}
	return s + ".0"
}

// writable returns an error if the card can not be written.
func (c Card) writable() error {
	for _, s := range []string{c.Value, c.Comment} {
		for i := 0; i < len(s); i++ {
			if s[i] < ' ' || s[i] > '~' {
				return &CardError{Key: c.Key, Card: max(c.N, 1), Got: s, Want: "printable ASCII"}
			}
		}
	}
	if c.Kind == Commentary {
		return nil
	}
	for _, w := range strings.Split(c.Key, " ") {
		if w == "" || strings.Trim(w, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_") != "" {
			return &CardError{Key: c.Key, Card: max(c.N, 1), Got: c.Key, Want: "a keyword of letters, digits, '-' and '_'"}
		}
	}
	if c.Key == "CONTINUE" || c.Key == "END" || len(c.Key) > 50 {
		return &CardError{Key: c.Key, Card: max(c.N, 1), Got: c.Key, Want: "another keyword"}
	}
	if room := recordSize - len(c.head()); c.Kind != Text && len(c.Value) > room {
		return &CardError{Key: c.Key, Card: max(c.N, 1), Got: c.Value, Want: fmt.Sprintf("a value of at most %d characters", room)}
	}
	return nil
}

// head returns what stands before the value.
func (c Card) head() string {
	if len(c.Key) > 8 || strings.Contains(c.Key, " ") {
		return "HIERARCH " + c.Key + " = "
	}
	return fmt.Sprintf("%-8s= ", c.Key)
}

// records appends the card's records of 80 bytes to dst.
func (c Card) records(dst []byte) []byte {
	if c.Kind == Commentary {
		text := c.Value
		if !isCommentary(c.Key) {
			text = c.Key + " " + text // what was read without "=" stays commentary
		}
		key := c.Key
		if !isCommentary(key) {
			key = "COMMENT"
		}
		for {
			n := min(len(text), recordSize-8)
			dst = pad(dst, fmt.Sprintf("%-8s%s", key, text[:n]))
			if text = text[n:]; text == "" {
				return dst
			}
		}
	}
	head := c.head()
	var value string
	switch {
	case c.Kind == Text:
		return c.textRecords(dst, head)
	case c.Kind == Undefined && c.Comment != "":
		value = fmt.Sprintf("%20s", "")
	case len(head) == 10:
		value = fmt.Sprintf("%20s", strings.ToUpper(c.Value))
	default:
		value = strings.ToUpper(c.Value)
	}
	return pad(dst, withComment(head+value, c.Comment))
}

// textRecords appends the records of a string.
func (c Card) textRecords(dst []byte, head string) []byte {
	quoted := strings.ReplaceAll(strings.TrimRight(c.Value, " "), "'", "''")
	if room := recordSize - len(head) - 2; len(quoted) <= room {
		return pad(dst, withComment(head+fmt.Sprintf("'%-8s'", quoted), c.Comment))
	}
	for {
		n := min(len(quoted), recordSize-len(head)-3)
		// Never part a doubled quote.
		if n < len(quoted) && strings.Count(quoted[:n], "'")%2 == 1 {
			n--
		}
		part := quoted[:n]
		if quoted = quoted[n:]; quoted == "" {
			return pad(dst, withComment(head+"'"+part+"'", c.Comment))
		}
		dst = pad(dst, head+"'"+part+"&'")
		head = "CONTINUE  "
	}
}

// withComment appends a comment, as far as the record has room.
func withComment(s, comment string) string {
	if comment == "" {
		return s
	}
	if len(s) < 30 {
		s = fmt.Sprintf("%-30s", s)
	}
	s += " / " + comment
	return s[:min(len(s), recordSize)]
}

// pad appends s and blanks to make a record.
func pad(dst []byte, s string) []byte {
	dst = append(dst, s...)
	for range recordSize - len(s) {
		dst = append(dst, ' ')
	}
	return dst
}
