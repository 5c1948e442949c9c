package rig

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
)

// Hash returns 32 hexadecimal digits that depend on every value of the rig,
// given or assumed, with its standard error, but not on its name nor on how
// the file was written: order, comments, spelling of units. Values are taken
// to ten significant digits. An entry added to the format changes the hash.
func (r *Rig) Hash() string {
	h := sha256.New()
	buf := make([]byte, 0, 64)
	for i := range schema {
		e := &schema[i]
		if e.Path == "name" {
			continue
		}
		buf = append(buf[:0], e.Path...)
		buf = append(buf, '=')
		switch e.Kind {
		case Number:
			v, se := e.number(r)
			buf = digits(buf, v)
			buf = append(buf, ' ')
			buf = digits(buf, se)
		case Lengths:
			for _, l := range *e.list(r) {
				buf = append(digits(buf, float64(l)), ' ')
			}
		default:
			buf = strconv.AppendQuote(buf, e.show(r))
		}
		h.Write(append(buf, '\n'))
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// digits appends v to ten digits; minus zero is zero.
func digits(b []byte, v float64) []byte { return strconv.AppendFloat(b, v+0, 'e', 9, 64) }
