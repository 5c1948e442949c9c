package fits

import (
	"fmt"
	"math/bits"
	"strconv"
)

// An HDU is one header and data unit of a file.
type HDU struct {
	Header *Header

	file  *File
	index int
	data  int64 // where the data begin
	lay   layout
}

// Index returns the unit's place in the file, counted from 0.
func (u *HDU) Index() int { return u.index }

// layout is how a header lays its data out.
type layout struct {
	xtension string // "" for the primary unit
	groups   bool   // random groups
	bitpix   int
	axes     []int64
	pcount   int64
	bytes    int64 // without padding
}

// maxBytes bounds the declared size of a unit, so that sums do not overflow.
const maxBytes = 1 << 50

// layout reads the cards that say how many bytes of data follow.
func (h *Header) layout() (layout, error) {
	var l layout
	if c, ok := h.own("XTENSION"); ok {
		l.xtension, _ = c.Text()
	}
	c, ok := h.own("BITPIX")
	if !ok {
		return l, h.at(&CardError{Key: "BITPIX", Want: bitpixWant})
	}
	v, err := c.Int()
	if err != nil || !isBitpix(v) {
		return l, h.at(c.fail(bitpixWant))
	}
	l.bitpix = int(v)
	naxis, err := h.need("NAXIS", 0, maxAxes)
	if err != nil {
		return l, err
	}
	for i := range naxis {
		n, err := h.need("NAXIS"+strconv.Itoa(int(i+1)), 0, maxBytes)
		if err != nil {
			return l, err
		}
		l.axes = append(l.axes, n)
	}
	gcount := int64(1)
	grouped := false
	if c, ok := h.own("GROUPS"); ok && l.xtension == "" && naxis > 0 && l.axes[0] == 0 {
		grouped, _ = c.Bool()
	}
	l.groups = grouped
	if l.xtension != "" || grouped {
		for _, p := range []struct {
			key string
			v   *int64
		}{{"PCOUNT", &l.pcount}, {"GCOUNT", &gcount}} {
			if _, ok := h.own(p.key); !ok {
				continue
			}
			if *p.v, err = h.need(p.key, 0, maxBytes); err != nil {
				return l, err
			}
		}
	}
	if naxis == 0 {
		return l, nil
	}
	axes := l.axes
	if grouped {
		axes = axes[1:]
	}
	n, ok := product(axes)
	if ok {
		n, ok = product([]int64{n + l.pcount, gcount, int64(abs(l.bitpix) / 8)})
	}
	if !ok {
		return l, fmt.Errorf("fits: %s: HDU %d: the axes %v declare more than 2^50 bytes: want a size a file can have", h.name, h.hdu, l.axes)
	}
	l.bytes = n
	return l, nil
}

const bitpixWant = "one of 8, 16, 32, 64, -32, -64"

func isBitpix(v int64) bool {
	switch v {
	case 8, 16, 32, 64, -32, -64:
		return true
	}
	return false
}

// product returns the product of v, and whether it is at most maxBytes. An
// empty product is 1.
func product(v []int64) (int64, bool) {
	p := uint64(1)
	for _, x := range v {
		if x == 0 {
			return 0, true
		}
	}
	for _, x := range v {
		hi, lo := bits.Mul64(p, uint64(x))
		if hi != 0 || lo > maxBytes {
			return 0, false
		}
		p = lo
	}
	return int64(p), true
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

// IsImage reports whether the unit is an image with pixels, plain or
// tile-compressed, as far as its header says: Image may still find it broken.
func (u *HDU) IsImage() bool {
	switch u.lay.xtension {
	case "", "IMAGE", "IUEIMAGE":
		return !u.lay.groups && u.lay.bytes > 0
	case "BINTABLE":
		return u.isTiled()
	}
	return false
}

// isTiled reports whether the unit is a table that holds a compressed image.
func (u *HDU) isTiled() bool {
	c, ok := u.Header.own("ZIMAGE")
	if !ok {
		return false
	}
	z, err := c.Bool()
	return err == nil && z
}

// describe says in words what the unit is.
func (u *HDU) describe() string {
	switch {
	case u.lay.groups:
		return "random groups, which are not read"
	case u.lay.xtension == "TABLE":
		return "an ASCII table"
	case u.lay.xtension == "BINTABLE" || u.lay.xtension == "A3DTABLE":
		return "a binary table"
	case u.IsImage():
		return "an image"
	case u.lay.xtension == "" || u.lay.xtension == "IMAGE" || u.lay.xtension == "IUEIMAGE":
		return "an image without pixels"
	}
	return fmt.Sprintf("an extension of type %q", u.lay.xtension)
}

// Image returns the unit's image. The error says what the unit is instead, or
// what is wrong with it; it is a *ShortError if its data are not all there.
func (u *HDU) Image() (*Image, error) {
	if !u.IsImage() {
		return nil, fmt.Errorf("fits: %s: HDU %d is %s: want an image with pixels", u.file.name, u.index, u.describe())
	}
	if err := u.file.have(u.index, u.data+u.lay.bytes); err != nil {
		return nil, err
	}
	if u.file.packed != nil {
		// If this is the end, let the wrapper check its checksum.
		end := u.data + padded(u.lay.bytes) + 1
		if _, err := u.file.packed.fill(min(end, u.file.packed.limit)); err != nil && !isEOF(err) {
			return nil, u.file.readError(u.index, err)
		}
	}
	if u.isTiled() {
		return u.tiledImage()
	}
	return u.plainImage()
}
