package photo

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Markers of a JPEG stream (T.81, table B.1).
const (
	markerSOI  = 0xd8
	markerEOI  = 0xd9
	markerSOF3 = 0xc3
	markerDHT  = 0xc4
	markerSOS  = 0xda
	markerDNL  = 0xdc
	markerDRI  = 0xdd
	markerRST0 = 0xd0
)

// lossless unpacks lossless JPEG with Huffman coding: process 14 of T.81, a
// single scan of whole components.
//
// Source: ITU-T T.81 (1992), annexes B, C, F.2.2.3, and H.
type lossless struct {
	frame  jpegFrame
	tables [4]huffman
	use    [4]*huffman // of each component in the scan

	predictor int
	transform int // the point transform: low bits that were left out
	restart   int // units between restarts; 0 for none
}

// jpegFrame is what the frame header says.
type jpegFrame struct {
	precision     int
	height, width int
	ids           []byte // of the components
}

// huffman is one table of codes.
type huffman struct {
	ok     bool
	lut    [1 << lutBits]uint16 // value<<8 | bits of the code that the next bits begin with; 0 if it is longer
	values [17]byte
	// of the codes of each length: the first, beyond the last, and the place
	// of the first one's value
	first, end, place [17]int
}

const lutBits = 9

// unpack unpacks src into n samples, line after line, those of the components
// of a pixel side by side, and returns dst's memory or new. A picture laid out
// otherwise than its tile is taken as the stream of samples that it is, as DNG
// has it (DNG 1.7, chapter 3).
func (z *lossless) unpack(dst []uint16, src []byte, n int) ([]uint16, error) {
	scan, err := z.readHeaders(src)
	if err != nil {
		return dst, err
	}
	f := z.frame
	parts := len(f.ids)
	if int64(f.width)*int64(f.height)*int64(parts) != int64(n) {
		return dst, fmt.Errorf("a lossless JPEG of %d by %d pixels with %d samples each: want %d samples in all", f.width, f.height, parts, n)
	}
	if n/8 > len(scan) {
		return dst, fmt.Errorf("a lossless JPEG of %d bytes: want at least a bit for each of %d samples", len(scan), n)
	}
	dst = grow(dst, n)
	return dst, z.decode(dst, scan)
}

// readHeaders reads all before the first scan's data, which it returns.
func (z *lossless) readHeaders(src []byte) ([]byte, error) {
	z.frame, z.restart = jpegFrame{}, 0
	for i := range z.tables {
		z.tables[i].ok = false
	}
	if len(src) < 2 || src[0] != 0xff || src[1] != markerSOI {
		return nil, fmt.Errorf("found %x at the start: want a JPEG stream, ffd8", src[:min(2, len(src))])
	}
	src = src[2:]
	for {
		for len(src) > 1 && src[0] == 0xff && src[1] == 0xff {
			src = src[1:] // fill bytes
		}
		if len(src) < 4 {
			return nil, errors.New("the JPEG stream ends among its headers")
		}
		if src[0] != 0xff {
			return nil, fmt.Errorf("found %#02x among the headers of the JPEG stream: want a marker", src[0])
		}
		marker, n := int(src[1]), int(src[2])<<8|int(src[3])
		if n < 2 || n > len(src)-2 {
			return nil, fmt.Errorf("JPEG marker %#x of %d bytes, with %d left", marker, n, len(src)-2)
		}
		body := src[4 : n+2]
		src = src[n+2:]
		var err error
		switch {
		case marker == markerSOF3:
			err = z.readFrame(body)
		case marker >= 0xc0 && marker <= 0xcf && marker != markerDHT && marker != 0xc8 && marker != 0xcc:
			return nil, &lossyError{marker - 0xc0}
		case marker == markerDHT:
			err = z.readTables(body)
		case marker == markerDRI && len(body) >= 2:
			z.restart = int(body[0])<<8 | int(body[1])
		case marker == markerSOS:
			return src, z.readScan(body)
		case marker == markerSOI || marker == markerEOI || marker == markerDNL:
			err = fmt.Errorf("JPEG marker %#x among the headers", marker)
		}
		if err != nil {
			return nil, err
		}
	}
}

// lossyError says that a JPEG stream is not of the lossless process.
type lossyError struct{ process int }

// Error returns the message.
func (e *lossyError) Error() string {
	return fmt.Sprintf("a JPEG stream of process SOF%d: want the lossless one, SOF3", e.process)
}

// readFrame reads the frame header (T.81, section B.2.2).
func (z *lossless) readFrame(b []byte) error {
	if z.frame.ids != nil {
		return errors.New("a second frame in the JPEG stream: want one")
	}
	if len(b) < 6 || len(b) < 6+3*int(b[5]) {
		return fmt.Errorf("a JPEG frame header of %d bytes: want 6, and 3 for each component", len(b))
	}
	f := jpegFrame{precision: int(b[0]), height: int(b[1])<<8 | int(b[2]), width: int(b[3])<<8 | int(b[4])}
	n := int(b[5])
	if f.precision < 2 || f.precision > 16 || f.width == 0 || f.height == 0 || n < 1 || n > 4 {
		return fmt.Errorf("a lossless JPEG of %d by %d pixels with %d components of %d bits: want 2 to 16 bits in 1 to 4", f.width, f.height, n, f.precision)
	}
	for i := range n {
		c := b[6+3*i:]
		if c[1] != 0x11 {
			return fmt.Errorf("a component of a lossless JPEG sampled %d by %d: want 1 by 1", c[1]>>4, c[1]&15)
		}
		f.ids = append(f.ids, c[0])
	}
	z.frame = f
	return nil
}

// readTables reads Huffman tables (T.81, sections B.2.4.2 and C.2).
func (z *lossless) readTables(b []byte) error {
	for len(b) > 0 {
		if len(b) < 17 {
			return fmt.Errorf("a Huffman table of %d bytes: want at least 17", len(b))
		}
		total := 0
		for _, n := range b[1:17] {
			total += int(n)
		}
		if b[0] > 3 || total > 17 || len(b) < 17+total {
			return fmt.Errorf("a Huffman table for place %#x with %d codes, %d bytes left: want 0 to 3, and at most 17", b[0], total, len(b)-17)
		}
		if err := z.tables[b[0]].build(b[1:17], b[17:17+total]); err != nil {
			return err
		}
		b = b[17+total:]
	}
	return nil
}

// build makes the table of so many codes of each length.
func (h *huffman) build(counts, values []byte) error {
	*h = huffman{ok: true}
	copy(h.values[:], values)
	code, place := 0, 0
	for bits := 1; bits <= 16; bits++ {
		n := int(counts[bits-1])
		h.first[bits], h.end[bits], h.place[bits] = code, code+n, place
		if code+n > 1<<bits {
			return fmt.Errorf("a Huffman table with %d codes of %d bits too many", code+n-1<<bits, bits)
		}
		for i := range n {
			v := values[place+i]
			if v > 16 {
				return fmt.Errorf("a Huffman table with differences of %d bits: want at most 16", v)
			}
			if bits <= lutBits {
				span := 1 << (lutBits - bits)
				for j := range span {
					h.lut[(code+i)*span+j] = uint16(v)<<8 | uint16(bits)
				}
			}
		}
		place += n
		code = (code + n) << 1
	}
	return nil
}

// readScan reads the scan header (T.81, section B.2.3).
func (z *lossless) readScan(b []byte) error {
	parts := len(z.frame.ids)
	if parts == 0 {
		return errors.New("a JPEG scan before the frame")
	}
	if len(b) < 1 || int(b[0]) != parts || len(b) < 4+2*parts {
		return fmt.Errorf("a JPEG scan header of %d bytes: want one scan with all %d components", len(b), parts)
	}
	for i := range parts {
		id, table := b[1+2*i], b[2+2*i]>>4
		if id != z.frame.ids[i] || table > 3 || !z.tables[table].ok {
			return fmt.Errorf("component %d of a JPEG scan has table %d: want the frame's order and a table that is there", id, table)
		}
		z.use[i] = &z.tables[table]
	}
	z.predictor, z.transform = int(b[1+2*parts]), int(b[3+2*parts]&15)
	if z.predictor < 1 || z.predictor > 7 || z.transform >= z.frame.precision {
		return fmt.Errorf("a lossless JPEG with predictor %d and point transform %d: want 1 to 7, and less than %d bits", z.predictor, z.transform, z.frame.precision)
	}
	if unit := z.frame.width; z.restart%unit != 0 {
		return fmt.Errorf("a lossless JPEG with restarts every %d pixels: want whole lines of %d", z.restart, unit)
	}
	return nil
}

// bitReader hands out the bits of a scan, highest first.
type bitReader struct {
	src  []byte
	acc  uint64 // the bits to come, left-justified
	have int    // how many
	owed int    // zeros handed out behind the end
}

// fill makes at least 56 bits ready; behind the data, or a marker, zeros.
func (r *bitReader) fill() {
	if len(r.src) >= 8 {
		v := binary.BigEndian.Uint64(r.src)
		if (^v-0x0101010101010101)&v&0x8080808080808080 == 0 { // no byte is ff
			n := (64 - r.have) / 8
			r.acc |= v >> (8 * (8 - n)) << (64 - 8*n - r.have)
			r.have += 8 * n
			r.src = r.src[n:]
			return
		}
	}
	for r.have <= 56 {
		var c byte
		switch {
		case len(r.src) == 0 || r.src[0] == 0xff && (len(r.src) == 1 || r.src[1] != 0):
			r.owed += 8
		case r.src[0] == 0xff:
			c, r.src = 0xff, r.src[2:]
		default:
			c, r.src = r.src[0], r.src[1:]
		}
		r.acc |= uint64(c) << (56 - r.have)
		r.have += 8
	}
}

// differences decodes the differences of a line, those of the components of a
// pixel side by side; false if the bits are no code (T.81, section H.1.2.2).
func (r *bitReader) differences(dst []uint16, tables []*huffman) bool {
	acc, have, c := r.acc, r.have, 0
	for i := range dst {
		if have < 32 { // the longest code and its bits
			r.acc, r.have = acc, have
			r.fill()
			acc, have = r.acc, r.have
		}
		h := tables[c]
		if c++; c == len(tables) {
			c = 0
		}
		e := h.lut[acc>>(64-lutBits)]
		bits, size := int(e&255), int(e>>8)
		if bits == 0 {
			if bits, size = h.long(acc); bits == 0 {
				return false
			}
		}
		acc <<= bits
		have -= bits
		switch {
		case size == 0:
			dst[i] = 0
		case size == 16:
			dst[i] = 1 << 15 // without further bits
		default:
			v := int(acc >> (64 - size))
			acc <<= size
			have -= size
			// A first bit of 0 says that it is negative.
			dst[i] = uint16(v - (1<<size-1)&(v>>(size-1)-1))
		}
	}
	r.acc, r.have = acc, have
	return true
}

// long returns the length and value of a code longer than the look-up table's,
// with which acc begins; 0 if there is none.
func (h *huffman) long(acc uint64) (bits, size int) {
	for bits = lutBits + 1; bits <= 16; bits++ {
		if code := int(acc >> (64 - bits)); code < h.end[bits] {
			return bits, int(h.values[h.place[bits]+code-h.first[bits]])
		}
	}
	return 0, 0
}

// restarted goes behind the next restart marker.
func (r *bitReader) restarted(n int) error {
	for len(r.src) > 1 && r.src[0] == 0xff && r.src[1] == 0xff {
		r.src = r.src[1:]
	}
	if len(r.src) < 2 || r.src[0] != 0xff || int(r.src[1]) != markerRST0+n%8 {
		return fmt.Errorf("restart marker %d is not where it should be: the data are cut or damaged", n)
	}
	*r = bitReader{src: r.src[2:]}
	return nil
}

// decode decodes the samples of a scan (T.81, section H.2).
func (z *lossless) decode(dst []uint16, scan []byte) error {
	f := z.frame
	parts := len(f.ids)
	line := f.width * parts
	start := uint16(1) << (f.precision - z.transform - 1)
	r := bitReader{src: scan}
	top := 0 // the line at which prediction began
	for y := range f.height {
		if z.restart > 0 && y > 0 && y%(z.restart/f.width) == 0 {
			if err := r.restarted(y/(z.restart/f.width) - 1); err != nil {
				return err
			}
			top = y
		}
		row := dst[y*line:][:line]
		var above []uint16
		if y > top {
			above = dst[(y-1)*line:][:line]
		}
		if !r.differences(row, z.use[:parts]) {
			return fmt.Errorf("bits that are no Huffman code at line %d of %d: the data are damaged", y, f.height)
		}
		if above == nil {
			for i := range parts {
				row[i] += start
			}
			predict(row, row, parts, 1)
		} else {
			for i := range parts {
				row[i] += above[i]
			}
			predict(row, above, parts, z.predictor)
		}
		if r.owed > r.have {
			return fmt.Errorf("the data end in line %d of %d: cut or damaged", y, f.height)
		}
	}
	if z.transform > 0 {
		for i := range dst {
			dst[i] <<= z.transform
		}
	}
	return nil
}

// predict adds to the differences of a row, but those of its first pixel, what
// is expected of them from the samples to the left, above, and above to the
// left, n samples away (T.81, table H.1).
func predict(row, above []uint16, n, predictor int) {
	above = above[:len(row)]
	switch predictor {
	case 1:
		for i := n; i < len(row); i++ {
			row[i] += row[i-n]
		}
	case 2:
		for i := n; i < len(row); i++ {
			row[i] += above[i]
		}
	case 3:
		for i := n; i < len(row); i++ {
			row[i] += above[i-n]
		}
	case 4:
		for i := n; i < len(row); i++ {
			row[i] += row[i-n] + above[i] - above[i-n]
		}
	case 5:
		for i := n; i < len(row); i++ {
			row[i] += row[i-n] + uint16((int(above[i])-int(above[i-n]))>>1)
		}
	case 6:
		for i := n; i < len(row); i++ {
			row[i] += above[i] + uint16((int(row[i-n])-int(above[i-n]))>>1)
		}
	case 7:
		for i := n; i < len(row); i++ {
			row[i] += uint16((int(row[i-n]) + int(above[i])) >> 1)
		}
	}
}
