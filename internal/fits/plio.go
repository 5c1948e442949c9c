package fits

import (
	"encoding/binary"
	"errors"
)

// plio unpacks PLIO_1, a list of 16-bit words that draws runs of equal pixels.
// Pixels the list does not reach are 0.
//
// The list begins with seven words of which the second is its header's length,
// the fourth and fifth its whole length in 15-bit halves. Each word after them
// has an instruction in its upper four bits and a number in the other twelve.
//
// Source: FITS 4.0, section 10.4.3 and table 38.
func plio(dst []int32, src []byte) error {
	word := func(i int) int { return int(int16(binary.BigEndian.Uint16(src[2*i:]))) }
	n := len(src) / 2
	if n < 3 {
		return errors.New("a pixel list of less than three words: the tile is damaged")
	}
	first, length := 3, word(2)
	if length <= 0 {
		if n < 5 {
			return errors.New("a pixel list of less than five words: the tile is damaged")
		}
		first, length = word(1), word(4)<<15+word(3)
	}
	if first < 3 || length < 0 || length > n {
		return errors.New("a pixel list longer than its tile: the tile is damaged")
	}
	high := int32(1)
	at := 0
	for i := first; i < length && at < len(dst); i++ {
		w := int(uint16(word(i)))
		code, num := w>>12, w&0xfff
		run := min(num, len(dst)-at)
		switch code {
		case 0, 4, 5:
			v := int32(0)
			if code == 4 {
				v = high
			}
			for k := range run {
				dst[at+k] = v
			}
			if code == 5 && run == num && run > 0 {
				dst[at+run-1] = high
			}
			at += run
		case 1:
			if i+1 >= length {
				return errors.New("a pixel list that ends in the middle of an instruction: the tile is damaged")
			}
			i++
			high = int32(word(i)<<12 + num)
		case 2, 6:
			high += int32(num)
		case 3, 7:
			high -= int32(num)
		default:
			return errors.New("a pixel list with an instruction that does not exist: the tile is damaged")
		}
		if code == 6 || code == 7 {
			dst[at] = high
			at++
		}
	}
	clear(dst[at:])
	return nil
}
