package fits

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

var errRiceShort = errors.New("the Rice data end early: want all pixels")

// rice unpacks RICE_1: pixels of width bytes in blocks of the given number of
// pixels. It fills dst with what was stored: unsigned for one byte, signed for
// two and four.
//
// The stream is the first pixel as it is, then for each block a count of low
// bits and for each pixel its difference from the one before, folded to be
// positive (0, -1, 1, -2 ... become 0, 1, 2, 3 ...): the high part in unary,
// closed by a one, then the low bits. Two counts are special: 0 says that all
// differences are zero, the highest that they stand there unpacked.
//
// Source: FITS 4.0, section 10.4.1; Rice, Yeh & Miller (1993), JPL 91-3.
func rice(dst []int32, src []byte, block, width int) error {
	var countBits, countMax, full uint
	switch width {
	case 1:
		countBits, countMax, full = 3, 6, 8
	case 2:
		countBits, countMax, full = 4, 14, 16
	default:
		countBits, countMax, full = 5, 25, 32
	}
	if len(src) < width {
		return errRiceShort
	}
	last := uint32(0)
	for _, b := range src[:width] {
		last = last<<8 | uint32(b)
	}
	r := bitReader{src: src[width:]}
	for len(dst) > 0 {
		out := dst[:min(block, len(dst))]
		dst = dst[len(out):]
		r.fill()
		if r.n < countBits {
			return errRiceShort
		}
		count := uint(r.take(countBits))
		switch {
		case count == 0:
			for i := range out {
				out[i] = int32(last)
			}
		case count-1 == countMax:
			for i := range out {
				r.fill()
				if r.n < full {
					return errRiceShort
				}
				last += unfold(uint32(r.take(full)))
				out[i] = int32(last)
			}
		case count-1 > countMax:
			return errors.New("the Rice data hold a count of bits that does not exist: the tile is damaged")
		default:
			low := count - 1
			for i := range out {
				if r.n < 32 {
					r.fill()
				}
				zeros := uint(bits.LeadingZeros64(r.acc))
				if zeros+1+low > r.n {
					var ok bool
					if zeros, ok = r.zeros(); !ok || r.n < low {
						return errRiceShort
					}
				} else {
					r.acc <<= (zeros + 1) & 63 // zeros < r.n < 64
					r.n -= zeros + 1
				}
				// low is at most 24.
				last += unfold(uint32(zeros)<<(low&31) | uint32(r.acc>>1>>(63-low&63)))
				r.acc <<= low & 63
				r.n -= low
				out[i] = int32(last)
			}
		}
		switch width {
		case 1:
			for i, v := range out {
				out[i] = int32(uint8(v))
			}
		case 2:
			for i, v := range out {
				out[i] = int32(int16(v))
			}
		}
	}
	return nil
}

// unfold turns 0, 1, 2, 3 ... back into 0, -1, 1, -2 ...
func unfold(v uint32) uint32 { return v>>1 ^ -(v & 1) }

// A bitReader reads bits from the highest of each byte on.
type bitReader struct {
	src []byte
	acc uint64 // the next bits, from the top
	n   uint   // how many of them there are; those below are zero
}

// fill makes sure that there are at least 56 bits, if the source has them.
func (r *bitReader) fill() {
	if r.n >= 56 {
		return
	}
	if len(r.src) >= 8 {
		k := (63 - r.n) / 8
		word := binary.BigEndian.Uint64(r.src) &^ (1<<(64-8*k) - 1)
		r.acc |= word >> r.n
		r.n += 8 * k
		r.src = r.src[k:]
		return
	}
	for r.n < 56 && len(r.src) > 0 {
		r.acc |= uint64(r.src[0]) << (56 - r.n)
		r.n += 8
		r.src = r.src[1:]
	}
}

// take returns the next k bits, of which there must be as many, k < 64.
func (r *bitReader) take(k uint) uint64 {
	v := r.acc >> (64 - k)
	r.acc <<= k
	r.n -= k
	return v
}

// zeros consumes zero bits up to and with the next one and returns their
// number; false if there is no one. It leaves at least 56 bits, if the source
// has them.
func (r *bitReader) zeros() (uint, bool) {
	total := uint(0)
	for r.acc == 0 {
		total += r.n
		r.n = 0
		r.fill()
		if r.n == 0 {
			return 0, false
		}
	}
	k := uint(bits.LeadingZeros64(r.acc))
	r.acc <<= k + 1
	r.n -= k + 1
	r.fill()
	return total + k, true
}
