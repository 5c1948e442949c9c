package fits

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

const (
	blockSize = 2880
	// maxBlocks bounds a header: 72,000 cards, 5.8 MB.
	maxBlocks = 2000
	// maxAxes bounds NAXIS. The standard allows 999; no image of more than a
	// few exists.
	maxAxes = 99
)

// A Header is the cards of one header and data unit, in their order. Keywords
// are looked up without regard to case, with or without a leading "HIERARCH".
//
// If a keyword stands there more than once the last card wins, since programs
// that edit a header append; All returns every one. The keywords that lay the
// data out (SIMPLE, XTENSION, BITPIX, NAXISn, PCOUNT, GCOUNT) are the
// exception: there the first wins, because the standard (FITS 4.0, section
// 4.4.1) fixes their place at the front.
//
// A lookup in the header of an extension goes on to the primary header if the
// extension has no such card, the primary has no data of its own, and INHERIT
// is not F (FITS 4.0, appendix K). Cards and All return the extension's own.
type Header struct {
	name   string
	hdu    int
	cards  []Card
	index  map[string][]int // keyword to places in cards
	parent *Header
	flaws  []string
	n      int // records read so far
}

// Cards returns every card in its order: with value, commentary and blank. The
// caller must not change the slice.
func (h *Header) Cards() []Card { return h.cards }

// Flaws says in words what is irregular about the header as a whole: no END
// card, END not at the end, no padding to a multiple of 2880 bytes. Nil if
// nothing is.
func (h *Header) Flaws() []string { return h.flaws }

// ParseHeader parses records of 80 bytes as one header, on its own, up to and
// with an END card or the end of raw. A last record that is cut short is
// taken as it is.
func ParseHeader(raw []byte) *Header {
	h := &Header{}
	h.add(raw)
	h.build()
	return h
}

// add parses the records of raw until END and returns the offset behind it, or
// -1 if there is none. What looks like cards behind END is kept.
func (h *Header) add(raw []byte) int {
	end := -1
	for off := 0; off < len(raw); off += recordSize {
		rec := raw[off:min(off+recordSize, len(raw))]
		h.n++
		if end < 0 && isEnd(rec) {
			end = min(off+recordSize, len(raw))
			continue
		}
		if end >= 0 && !isValueCard(rec) {
			continue
		}
		c := parseCard(string(rec), h.n)
		c.AfterEnd = end >= 0
		h.cards = append(h.cards, c)
	}
	return end
}

// isEnd reports whether rec is the END card. NULs, line ends and trailing
// words after eight columns do not matter.
func isEnd(rec []byte) bool {
	if len(rec) < 3 || !bytes.EqualFold(rec[:3], []byte("END")) {
		return false
	}
	return len(bytes.Trim(rec[3:min(8, len(rec))], " \x00\t\r\n")) == 0 && !bytes.HasPrefix(bytes.TrimLeft(rec[min(8, len(rec)):], " "), []byte("="))
}

// isValueCard reports whether rec is plain text with a keyword and a value.
func isValueCard(rec []byte) bool {
	for _, b := range rec {
		if b < ' ' || b > '~' {
			return false
		}
	}
	c := parseCard(string(rec), 0)
	return c.Kind != Commentary && isName(c.Key) && len(c.Key) <= 8
}

// build joins continuations and makes the index.
func (h *Header) build() {
	joined := h.cards[:0]
	for i := 0; i < len(h.cards); i++ {
		c := h.cards[i]
		for c.Kind == Text && c.Quoted && strings.HasSuffix(c.Value, "&") && i+1 < len(h.cards) {
			next := h.cards[i+1]
			if next.Key != "CONTINUE" || next.Kind != Text {
				break
			}
			c.Value = strings.TrimSuffix(c.Value, "&") + next.Value
			c.Comment = strings.TrimSpace(c.Comment + " " + next.Comment)
			c.Raw += next.Raw
			i++
		}
		joined = append(joined, c)
	}
	clear(h.cards[len(joined):])
	h.cards = slices.Clip(joined)
	h.index = make(map[string][]int, len(h.cards))
	for i, c := range h.cards {
		if c.Kind != Commentary {
			h.index[c.Key] = append(h.index[c.Key], i)
		}
	}
}

// All returns every card with the keyword, in order; commentary cards too.
func (h *Header) All(key string) []Card {
	key = normal(key)
	var out []Card
	for _, c := range h.cards {
		if c.Key == key {
			out = append(out, c)
		}
	}
	return out
}

// normal returns the form in which a keyword is indexed.
func normal(key string) string {
	key = strings.ToUpper(strings.TrimSpace(key))
	if long, ok := strings.CutPrefix(key, "HIERARCH "); ok {
		key = strings.Join(strings.Fields(long), " ")
	}
	return key
}

// own returns the card with the keyword from this header alone.
func (h *Header) own(key string) (Card, bool) {
	places := h.index[normal(key)]
	if len(places) == 0 {
		return Card{}, false
	}
	if isLayout(key) {
		return h.cards[places[0]], true
	}
	for i := len(places) - 1; i >= 0; i-- {
		if c := h.cards[places[i]]; !c.AfterEnd {
			return c, true
		}
	}
	return h.cards[places[len(places)-1]], true
}

// isLayout reports whether the keyword is one of those whose place the
// standard fixes.
func isLayout(key string) bool {
	key = normal(key)
	switch key {
	case "SIMPLE", "XTENSION", "BITPIX", "PCOUNT", "GCOUNT", "GROUPS":
		return true
	}
	return strings.HasPrefix(key, "NAXIS")
}

// Card returns the card with the keyword and a value, or false if there is
// none. Which one of several, and when the primary header is asked, is told
// with Header.
func (h *Header) Card(key string) (Card, bool) {
	c, ok := h.own(key)
	if !ok && h.parent != nil && !isLayout(key) {
		return h.parent.own(key)
	}
	return c, ok
}

// Float returns the keyword's value; false if the card is missing or holds no
// number. Use Card and Card.Float to tell the two apart.
func (h *Header) Float(key string) (float64, bool) {
	c, ok := h.Card(key)
	if !ok {
		return 0, false
	}
	v, err := c.Float()
	return v, err == nil
}

// Int returns the keyword's value; false if the card is missing or holds no
// whole number.
func (h *Header) Int(key string) (int64, bool) {
	c, ok := h.Card(key)
	if !ok {
		return 0, false
	}
	v, err := c.Int()
	return v, err == nil
}

// Bool returns the keyword's value; false, false if the card is missing or
// holds no logical value.
func (h *Header) Bool(key string) (value, ok bool) {
	c, ok := h.Card(key)
	if !ok {
		return false, false
	}
	v, err := c.Bool()
	return v, err == nil
}

// Text returns the keyword's value as text, of a number as written; false if
// the card is missing or has no value.
func (h *Header) Text(key string) (string, bool) {
	c, ok := h.Card(key)
	if !ok {
		return "", false
	}
	v, err := c.Text()
	return v, err == nil
}

// at puts the file and the unit into a card's error.
func (h *Header) at(err error) error {
	var ce *CardError
	if errors.As(err, &ce) {
		ce.Name, ce.HDU = h.name, h.hdu
	}
	return err
}

// need returns the integer of a card that must be there and lie in lo..hi.
func (h *Header) need(key string, lo, hi int64) (int64, error) {
	want := fmt.Sprintf("an integer from %d to %d", lo, hi)
	c, ok := h.own(key)
	if !ok {
		return 0, h.at(&CardError{Key: key, Want: want})
	}
	v, err := c.Int()
	if err != nil || v < lo || v > hi {
		return 0, h.at(c.fail(want))
	}
	return v, nil
}

// number returns the float of a card, or def if it is missing.
func (h *Header) number(key string, def float64) (float64, error) {
	c, ok := h.own(key)
	if !ok || c.Kind == Undefined {
		return def, nil
	}
	v, err := c.Float()
	return v, h.at(err)
}

// readHeader reads the header that begins at off and returns it with the
// offset of its data. io.EOF means that there is no header at off.
func (f *File) readHeader(hdu int, off int64) (*Header, int64, error) {
	h := &Header{name: f.name, hdu: hdu}
	var raw []byte
	var block [blockSize]byte
	for n := 0; ; n++ {
		if n == maxBlocks {
			return nil, 0, fmt.Errorf("fits: %s: HDU %d: no END card in %d cards: want a shorter header", f.name, hdu, len(raw)/recordSize)
		}
		got, err := f.src.ReadAt(block[:], off+int64(len(raw)))
		if err != nil && err != io.EOF {
			return nil, 0, f.readError(hdu, err)
		}
		if n == 0 && !startsHeader(block[:got], hdu) {
			if hdu > 0 {
				return nil, 0, io.EOF
			}
			if got == 0 || bytes.HasPrefix([]byte("SIMPLE  ="), block[:got]) {
				return nil, 0, &ShortError{Name: f.name, Have: int64(got), Want: blockSize}
			}
			return nil, 0, fmt.Errorf("fits: %s: the file begins with %q: want a FITS file, which begins with SIMPLE", f.name, block[:min(got, 16)])
		}
		if n > 0 && (got == 0 || !isText(block[:got])) {
			// The header is over and there was no END.
			return f.endless(h, raw, off, got == 0)
		}
		raw = append(raw, block[:got]...)
		end := h.add(block[:got])
		if end < 0 && got == blockSize {
			continue
		}
		if end < 0 {
			return f.endless(h, raw, off, true)
		}
		end += len(raw) - got
		return f.ended(h, raw, off, end)
	}
}

// ended finishes a header whose END card ends at offset end of raw.
func (f *File) ended(h *Header, raw []byte, off int64, end int) (*Header, int64, error) {
	for _, c := range h.cards {
		if c.AfterEnd {
			h.flaws = append(h.flaws, "cards stand behind the END card")
			break
		}
	}
	h.build()
	data := off + int64(len(raw))
	if len(raw)%blockSize == 0 {
		fill := raw[end:]
		if len(bytes.Trim(fill, " ")) == 0 {
			return h, data, nil
		}
		// Not blank: NULs, stray cards, or pixels that follow END at once. The
		// file's size tells, if this is its last unit.
		lay, err := h.layout()
		if err != nil || f.size < 0 || lay.bytes == 0 {
			return h, data, nil
		}
		tight := off + int64(end)
		fits := f.size == tight+lay.bytes || f.size == tight+padded(lay.bytes)
		if fits && (f.size < data+lay.bytes || !isPadding(fill)) {
			h.flaws = append(h.flaws, "the header is not padded to a multiple of 2880 bytes")
			h.dropTrailing()
			return h, tight, nil
		}
		return h, data, nil
	}
	// The file ends inside the block that holds END.
	if lay, err := h.layout(); err == nil && lay.bytes > 0 && f.size >= 0 {
		tight := off + int64(end)
		if f.size == tight+lay.bytes {
			h.flaws = append(h.flaws, "the header is not padded to a multiple of 2880 bytes")
			h.dropTrailing()
			return h, tight, nil
		}
	}
	return h, off + padded(int64(end)), nil
}

// isPadding reports whether b is text or NULs: what stands behind END where no
// pixels do.
func isPadding(b []byte) bool {
	for _, c := range b {
		if c != 0 && (c < ' ' || c > '~') {
			return false
		}
	}
	return true
}

// dropTrailing removes cards that were read from pixels behind END.
func (h *Header) dropTrailing() {
	h.cards = slices.DeleteFunc(h.cards, func(c Card) bool { return c.AfterEnd })
	h.build()
}

// endless finishes a header without END card that goes up to the end of raw.
// It can be used if it lays out data and the file holds them.
func (f *File) endless(h *Header, raw []byte, off int64, eof bool) (*Header, int64, error) {
	h.build()
	_, err := h.layout()
	if err == nil && !eof {
		h.flaws = append(h.flaws, "there is no END card")
		return h, off + int64(len(raw)), nil
	}
	if eof {
		have := off + int64(len(raw))
		return nil, 0, &ShortError{Name: f.name, HDU: h.hdu, Have: have, Want: off + padded(int64(len(raw))+1)}
	}
	return nil, 0, fmt.Errorf("fits: %s: HDU %d: %d cards and no END card: %w", f.name, h.hdu, len(h.cards), err)
}

// startsHeader reports whether a header begins with b.
func startsHeader(b []byte, hdu int) bool {
	if hdu > 0 {
		return bytes.HasPrefix(b, []byte("XTENSION"))
	}
	if bytes.HasPrefix(b, []byte("XTENSION=")) {
		return true
	}
	return len(b) >= 9 && bytes.EqualFold(b[:6], []byte("SIMPLE")) && bytes.HasPrefix(bytes.TrimLeft(b[6:], " "), []byte("="))
}

// isText reports whether b looks like header records: at least three keywords
// out of four are printable.
func isText(b []byte) bool {
	good, bad := 0, 0
	for off := 0; off < len(b); off += recordSize {
		ok := true
		for _, c := range b[off:min(off+8, len(b))] {
			if c != '\t' && c != '\n' && c != '\r' && (c < ' ' || c > '~') {
				ok = false
			}
		}
		if ok {
			good++
		} else {
			bad++
		}
	}
	return good >= 3*bad
}

// padded returns n rounded up to a multiple of the block size.
func padded(n int64) int64 { return (n + blockSize - 1) / blockSize * blockSize }
