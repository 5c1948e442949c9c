package photo

import (
	"encoding/binary"
	"errors"
	"fmt"
)

const (
	lzwClear = 256
	lzwEnd   = 257
	lzwMost  = 1 << 12
)

// lzw unpacks LZW as TIFF has it: codes of 9 to 12 bits, the highest bit
// first, each width given up one code early.
//
// Source: TIFF 6.0, section 13.
type lzw struct {
	// Every string but those of one byte is what a code stood for and the byte
	// after it, which stand together in what was unpacked: where it begins and
	// how long it is.
	strings [lzwMost]struct{ start, length int32 }
}

// unpack unpacks src into dst and returns how many bytes there were, no more
// than dst holds, which are less than 2^31.
func (z *lzw) unpack(dst, src []byte) (int, error) {
	if len(src) > 1 && src[0] == 0 && src[1]&1 == 1 {
		return 0, errors.New("LZW with the lowest bit first, as before 1992: save the picture with another compression")
	}
	var acc uint64 // the bits to come, right-justified
	have := 0      // how many
	width, next := 9, lzwEnd+1
	previous, before := 0, 0 // where the string before began, and its length; 0 after a clear
	n := 0
	for n < len(dst) {
		if have < width {
			if len(src) >= 4 {
				acc, src = acc<<32|uint64(binary.BigEndian.Uint32(src)), src[4:]
				have += 32
			}
			for ; have < width; have += 8 {
				if len(src) == 0 {
					return n, nil
				}
				acc, src = acc<<8|uint64(src[0]), src[1:]
			}
		}
		have -= width
		code := int(acc >> have & (1<<width - 1))
		switch {
		case code == lzwEnd:
			return n, nil
		case code == lzwClear:
			width, next, before = 9, lzwEnd+1, 0
			continue
		}
		at := n
		switch {
		case code < lzwClear:
			dst[n] = byte(code)
			n++
		case code < next:
			from, k := int(z.strings[code].start), int(z.strings[code].length)
			if k <= 8 && n+8 <= len(dst) {
				// What is copied beyond the string is written over.
				binary.LittleEndian.PutUint64(dst[n:], binary.LittleEndian.Uint64(dst[from:]))
				n += k
				break
			}
			n += copy(dst[n:], dst[from:from+k])
		case code == next && before > 0: // the string before and its own first byte
			n += copy(dst[n:], dst[previous:previous+before])
			if n < len(dst) {
				dst[n] = dst[previous]
				n++
			}
		default:
			return n, fmt.Errorf("LZW code %d at byte %d of what is unpacked: want one below %d", code, n, next)
		}
		if before > 0 && next < lzwMost {
			z.strings[next].start, z.strings[next].length = int32(previous), int32(before+1)
			next++
			if next == 1<<width-1 && width < 12 {
				width++
			}
		}
		previous, before = at, n-at
	}
	return n, nil
}
