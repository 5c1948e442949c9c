package fits

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

var errHcompressShort = errors.New("the HCOMPRESS data end early: want all bit planes")

// unpack unpacks HCOMPRESS_1 into dst, an image of the given width and height:
// an H-transform (a Haar transform in two dimensions, in integers)
// whose coefficients are coded in bit planes, each a quadtree.
//
// Sources: White, Postman & Lattanzi (1992), "Compression of the Guide Star
// digitised Schmidt plates", in Digitised Optical Sky Surveys, p. 167; FITS
// 4.0, section 10.4.4.
func (h *hdecoder) unpack(dst []int32, src []byte, width, height int) error {
	const head = 2 + 3*4 + 8 + 3
	if len(src) < head || src[0] != 0xdd || src[1] != 0x99 {
		return errors.New("the HCOMPRESS data do not begin with DD 99: the tile is damaged")
	}
	ny := int(int32(binary.BigEndian.Uint32(src[2:])))
	nx := int(int32(binary.BigEndian.Uint32(src[6:])))
	scale := int32(binary.BigEndian.Uint32(src[10:]))
	sum := int64(binary.BigEndian.Uint64(src[14:]))
	planes := src[22:25]
	if nx != width || ny != height {
		return errors.New("the HCOMPRESS data are of an image of another size than the tile: the tile is damaged")
	}
	for _, p := range planes {
		if p > 62 {
			return errors.New("the HCOMPRESS data have more than 62 bit planes: the tile is damaged")
		}
	}
	h.nx, h.ny, h.bits = nx, ny, bitReader{src: src[head:]}
	h.a = grow(h.a, nx*ny)
	clear(h.a)
	if err := h.coefficients(planes); err != nil {
		return err
	}
	h.a[0] = sum
	if scale > 1 {
		for i := range h.a {
			h.a[i] *= int64(scale)
		}
	}
	h.invert()
	for i, v := range h.a {
		dst[i] = int32(v)
	}
	return nil
}

// An hdecoder holds the coefficients: ny rows of nx, the low frequencies in
// the upper left. Its memory is kept from one tile to the next.
type hdecoder struct {
	a      []int64
	nx, ny int
	bits   bitReader
	codes  []byte
	spare  []byte
	line   []int64
}

// coefficients reads the four quadrants and then the signs.
func (h *hdecoder) coefficients(planes []byte) error {
	hx, hy := (h.nx+1)/2, (h.ny+1)/2
	for _, q := range []struct {
		x, y, nx, ny int
		planes       byte
	}{
		{0, 0, hx, hy, planes[0]},
		{hx, 0, h.nx / 2, hy, planes[1]},
		{0, hy, hx, h.ny / 2, planes[1]},
		{hx, hy, h.nx / 2, h.ny / 2, planes[2]},
	} {
		if err := h.quadrant(q.x, q.y, q.nx, q.ny, int(q.planes)); err != nil {
			return err
		}
	}
	end, ok := h.get(4)
	if !ok {
		return errHcompressShort
	}
	if end != 0 {
		return errors.New("the HCOMPRESS data do not end their bit planes with 0: the tile is damaged")
	}
	h.bits.fill()
	h.bits.take(h.bits.n % 8)
	for i, v := range h.a {
		if v == 0 {
			continue
		}
		minus, ok := h.get(1)
		if !ok {
			return errHcompressShort
		}
		if minus == 1 {
			h.a[i] = -v
		}
	}
	return nil
}

// get returns the next k bits, k <= 32; false if there are not as many.
func (h *hdecoder) get(k uint) (uint64, bool) {
	if h.bits.n < k {
		h.bits.fill()
		if h.bits.n < k {
			return 0, false
		}
	}
	return h.bits.take(k), true
}

// quadrant reads the bit planes of the nx by ny coefficients at (x, y), the
// highest first.
func (h *hdecoder) quadrant(x, y, nx, ny, planes int) error {
	for bit := planes - 1; bit >= 0; bit-- {
		form, ok := h.get(4)
		if !ok {
			return errHcompressShort
		}
		var err error
		switch form {
		case 0:
			err = h.direct(nx, ny)
		case 15:
			err = h.tree(nx, ny)
		default:
			err = errors.New("the HCOMPRESS data hold a bit plane of no known form: the tile is damaged")
		}
		if err != nil {
			return err
		}
		h.insert(x, y, nx, ny, bit)
	}
	return nil
}

// direct reads one code of four bits for every two by two coefficients.
func (h *hdecoder) direct(nx, ny int) error {
	h.codes = grow(h.codes, (nx+1)/2*((ny+1)/2))
	for i := range h.codes {
		v, ok := h.get(4)
		if !ok {
			return errHcompressShort
		}
		h.codes[i] = byte(v)
	}
	return nil
}

// tree reads the same codes from a quadtree: a node of four bits says which of
// its four children are not zero, down to the codes themselves.
func (h *hdecoder) tree(nx, ny int) error {
	levels := bits.Len(uint(max(nx, ny, 1) - 1)) // 2^levels covers the longer side
	root, ok := h.code()
	if !ok {
		return errHcompressShort
	}
	h.codes = append(h.codes[:0], root)
	cx, cy := 1, 1
	for k := levels - 1; k >= 1; k-- {
		// Nodes of this level cover 2^k coefficients on a side.
		wx, wy := ceilShift(nx, k), ceilShift(ny, k)
		h.spare = grow(h.spare, wx*wy)
		for y := range wy {
			for x := range wx {
				parent := h.codes[y/2*cx+x/2]
				h.spare[y*wx+x] = parent >> uint(3-(y&1)*2-(x&1)) & 1
			}
		}
		// They come from the last to the first.
		for i := wx*wy - 1; i >= 0; i-- {
			if h.spare[i] == 0 {
				continue
			}
			if h.spare[i], ok = h.code(); !ok {
				return errHcompressShort
			}
		}
		h.codes, h.spare = h.spare, h.codes
		cx, cy = wx, wy
	}
	if want := (nx + 1) / 2 * ((ny + 1) / 2); cx*cy < want {
		return errors.New("the HCOMPRESS data hold a tree too small for its quadrant: the tile is damaged")
	}
	return nil
}

// ceilShift returns n/2^k rounded up.
func ceilShift(n, k int) int { return (n + 1<<k - 1) >> k }

// huffman is the code of a node, by its first six bits: its length and value
// (White et al. 1992).
var huffman = func() (table [64]struct{ length, value byte }) {
	set := func(code, length, value byte) {
		first := code << (6 - length)
		for i := range byte(1) << (6 - length) {
			table[first+i].length, table[first+i].value = length, value
		}
	}
	for i, v := range []byte{1, 2, 4, 8} {
		set(byte(i), 3, v)
	}
	for i, v := range []byte{3, 5, 10, 12, 15} {
		set(byte(8+i), 4, v)
	}
	for i, v := range []byte{6, 7, 9, 11, 13} {
		set(byte(26+i), 5, v)
	}
	set(62, 6, 0)
	set(63, 6, 14)
	return table
}()

// code reads the four bits of one node.
func (h *hdecoder) code() (byte, bool) {
	if h.bits.n < 6 {
		h.bits.fill()
	}
	c := huffman[h.bits.acc>>58]
	if uint(c.length) > h.bits.n {
		return 0, false
	}
	h.bits.take(uint(c.length))
	return c.value, true
}

// insert puts bit plane bit of the nx by ny coefficients at (x, y), whose codes
// have been read, into its place.
func (h *hdecoder) insert(x, y, nx, ny, bit int) {
	wide := (nx + 1) / 2
	for j := range ny {
		row := h.a[(y+j)*h.nx+x:][:nx]
		codes := h.codes[j/2*wide:][:wide]
		shift := uint(2 - j&1*2)
		for i, c := range codes {
			c = c >> shift & 3
			if c == 0 {
				continue
			}
			row[2*i] |= int64(c>>1) << bit
			if 2*i+1 < nx {
				row[2*i+1] |= int64(c&1) << bit
			}
		}
	}
}

// invert undoes the H-transform, from the coarsest level to the pixels. Each
// step turns a sum h0 and differences hx, hy, hc into four values. The
// differences lost bits in the forward transform that can be told from the
// others' parity; masks and roundings are those of White et al. (1992).
func (h *hdecoder) invert() {
	levels := bits.Len(uint(max(h.nx, h.ny) - 1))
	if levels == 0 {
		return
	}
	h.line = grow(h.line, max(h.nx, h.ny))
	a := h.a
	bit := int64(1) << (levels - 1)
	a[0] = toMultiple(a[0], bit<<2)
	for k := levels - 1; k >= 0; k-- {
		nx, ny := ceilShift(h.nx, k), ceilShift(h.ny, k)
		for y := range ny {
			h.interleave(y*h.nx, nx, 1)
		}
		for x := range nx {
			h.interleave(x, ny, h.nx)
		}
		shift := uint(1)
		if k == 0 {
			shift = 2 // the last step divides by four
		}
		for y := 0; y < ny; y += 2 {
			up := a[y*h.nx:][:nx]
			if y+1 == ny {
				for x := 0; x+1 < nx; x += 2 {
					up[x], up[x+1] = invertPair(up[x], up[x+1], bit<<1, shift)
				}
				if nx%2 == 1 {
					up[nx-1] >>= shift
				}
				continue
			}
			low := a[(y+1)*h.nx:][:nx]
			for x := 0; x+1 < nx; x += 2 {
				invertFour(up[x:x+2], low[x:x+2], bit, shift)
			}
			if nx%2 == 1 {
				up[nx-1], low[nx-1] = invertPair(up[nx-1], low[nx-1], bit<<1, shift)
			}
		}
		bit >>= 1
	}
}

// invertFour turns up = h0, hy and low = hx, hc into four values.
func invertFour(up, low []int64, bit int64, shift uint) {
	h0 := up[0]
	hy := toMultiple(up[1], bit<<1)
	hx := toMultiple(low[0], bit<<1)
	hc := toMultiple(low[1], bit)
	b0 := hc & bit
	hx = inward(hx, b0)
	hy = inward(hy, b0)
	b1 := (hc ^ hx ^ hy) & (bit << 1)
	if h0 < 0 && b0 == 0 {
		h0 += b1
	} else {
		h0 += b0 - b1
	}
	up[0] = (h0 - hx - hy + hc) >> shift
	up[1] = (h0 - hx + hy - hc) >> shift
	low[0] = (h0 + hx - hy - hc) >> shift
	low[1] = (h0 + hx + hy + hc) >> shift
}

// inward returns v moved toward zero by b. An odd difference was rounded away
// from zero; that it was odd shows in hc.
func inward(v, b int64) int64 {
	if v >= 0 {
		return v - b
	}
	return v + b
}

// invertPair is invertFour at an edge, where there is one sum and one
// difference.
func invertPair(h0, d, bit int64, shift uint) (int64, int64) {
	d = toMultiple(d, bit)
	if h0 >= 0 {
		h0 -= d & bit
	} else {
		h0 += d & bit
	}
	return (h0 - d) >> shift, (h0 + d) >> shift
}

// toMultiple returns v rounded to a multiple of bit, a power of two; halves
// go away from zero.
func toMultiple(v, bit int64) int64 {
	if bit == 1 {
		return v
	}
	half := bit >> 1
	if v < 0 {
		half--
	}
	return (v + half) & -bit
}

// interleave spreads the first half of the n elements from start on over the
// even places and the second over the odd ones.
func (h *hdecoder) interleave(start, n, stride int) {
	line := h.line[:n]
	half := (n + 1) / 2
	at := start
	for i := range half {
		line[2*i] = h.a[at]
		at += stride
	}
	for i := range n - half {
		line[2*i+1] = h.a[at]
		at += stride
	}
	at = start
	for _, v := range line {
		h.a[at] = v
		at += stride
	}
}
