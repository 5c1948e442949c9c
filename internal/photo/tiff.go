package photo

import (
	"encoding/binary"
	"fmt"
	"io"
	"slices"
)

// Values of tags that are looked at (TIFF 6.0; DNG 1.7).
const (
	compNone       = 1
	compLZW        = 5
	compJPEG       = 7 // in a DNG lossless, by its frame
	compDeflate    = 8
	compDeflateOld = 32946
	compPackBits   = 32773

	photoWhiteIsZero = 0
	photoBlackIsZero = 1
	photoRGB         = 2
	photoCFA         = 32803
	photoLinearRaw   = 34892

	formatUint  = 1
	formatInt   = 2
	formatFloat = 3
)

// openTIFF opens a TIFF or a DNG.
func openTIFF(name string, r io.ReaderAt, size int64) (*Image, error) {
	t := &tiff{name: name, r: r, size: size, order: binary.LittleEndian}
	var head [16]byte
	if err := t.read(head[:8], 0, "the header"); err != nil {
		return nil, err
	}
	if head[0] == 'M' {
		t.order = binary.BigEndian
	}
	first := int64(t.order.Uint32(head[4:]))
	if t.order.Uint16(head[2:]) == 43 {
		t.big = true
		if err := t.read(head[:], 0, "the header"); err != nil {
			return nil, err
		}
		if n := t.order.Uint16(head[4:]); n != 8 {
			return nil, t.errorf("a BigTIFF with offsets of %d bytes: want 8", n)
		}
		first = int64(t.order.Uint64(head[8:]))
	}
	if first == 0 {
		return nil, t.errorf("there is no directory: truncated, damaged or still being written")
	}
	dirs, err := t.directories(first)
	if err != nil {
		return nil, err
	}
	d, pages, err := choose(dirs)
	if err != nil {
		return nil, err
	}
	m := &Image{Kind: TIFF, Planes: 1}
	if dirs[0].has(tagDNGVersion) {
		m.Kind = DNG
	}
	if pages > 1 && m.Kind == TIFF {
		m.Notes = append(m.Notes, fmt.Sprintf("%d pictures in the file: the first is used", pages))
	}
	if err := m.layOut(d); err != nil {
		return nil, err
	}
	turned, err := dirs[0].whole(tagOrientation, 1)
	if err != nil {
		return nil, err
	}
	m.BottomUp = turned == 4
	if err := m.readFacts(dirs[0], d); err != nil {
		m.Notes = append(m.Notes, fmt.Sprintf("what the file says of the exposure can not be read (%v)", err))
	}
	return m, nil
}

// directories returns the directories of the chain from off and, each behind
// its own, those below them. The error is that of the first; a damaged one
// after it ends the list.
func (t *tiff) directories(off int64) ([]*directory, error) {
	var out []*directory
	seen := map[int64]bool{}
	var walk func(off int64, depth int) error
	walk = func(off int64, depth int) error {
		for off != 0 && !seen[off] && len(out) < maxDirectories {
			seen[off] = true
			d, next, err := t.openDirectory(off)
			if err != nil {
				return err
			}
			out = append(out, d)
			if depth < 2 {
				below, err := d.wholes(tagSubIFDs, maxDirectories)
				if err != nil {
					return err
				}
				for _, sub := range below {
					if err := walk(sub, depth+1); err != nil {
						return err
					}
				}
			}
			if depth > 0 {
				return nil // directories below another are listed, not chained
			}
			off = next
		}
		return nil
	}
	if err := walk(off, 0); err != nil {
		return nil, err
	}
	return out, nil
}

// choose returns the directory of the picture, and how many of full size there
// are: the mosaic or linear raw picture if there is one, otherwise the first
// that is no reduced one and no mask.
func choose(dirs []*directory) (*directory, int, error) {
	var full []*directory
	raw := -1
	for _, d := range dirs {
		kind, err := d.whole(tagSubfileType, 0)
		if err != nil {
			return nil, 0, err
		}
		if kind&^2 != 0 || !d.has(tagWidth) { // 2 marks a page of several
			continue
		}
		p, err := d.whole(tagPhotometric, photoBlackIsZero)
		if err != nil {
			return nil, 0, err
		}
		if raw < 0 && (p == photoCFA || p == photoLinearRaw) {
			raw = len(full)
		}
		full = append(full, d)
	}
	if len(full) == 0 {
		return nil, 0, dirs[0].file.errorf("%d directories, none of them with a picture of full size: want one with NewSubfileType 0 and ImageWidth", len(dirs))
	}
	return full[max(raw, 0)], len(full), nil
}

// A layout says how the samples of a picture lie in its file. Strips are tiles
// as wide as the picture, the last of which may be lower.
type layout struct {
	file        *tiff
	dir         *directory
	compression int64
	predictor   int64
	bits        int // of a sample
	format      int64
	samples     int  // of a pixel that lie side by side
	planar      bool // each plane has strips or tiles of its own
	invert      bool // 0 is white

	width, height  int // as stored
	segW, segH     int
	across, down   int
	tiled          bool
	offsets, bytes []int64

	x0, y0 int // where the picture that is delivered begins
	outW   int // and how wide it is

	table []uint16 // linearisation; nil for none
	black []leveller
	cache cache
}

// layOut reads how the picture lies in the file and makes its readers.
func (m *Image) layOut(d *directory) error {
	l := &layout{file: d.file, dir: d}
	photometric, err := l.readTags(m)
	if err != nil {
		return err
	}
	if err := l.readSegments(m.Planes); err != nil {
		return err
	}
	m.Bits, m.Float, m.Signed = l.bits, l.format == formatFloat, l.format == formatInt
	m.Whole = !m.Float
	m.Width, m.Height, l.outW = l.width, l.height, l.width
	switch {
	case m.Float:
	case m.Signed && l.bits <= 16:
		m.White = float64(int(1)<<(l.bits-1) - 1)
	case l.bits <= 16:
		m.White = float64(int(1)<<l.bits - 1)
	}
	if photometric == photoCFA {
		if m.Mosaic, err = d.mosaic(m.Kind); err != nil {
			return err
		}
	}
	if m.Kind == DNG {
		if err := l.readDNG(m); err != nil {
			return err
		}
	}
	if l.compression == compJPEG {
		if err := l.checkJPEG(); err != nil {
			return err
		}
	}
	uint16s := l.format == formatUint && l.bits <= 16
	m.at = func(k int) (func(int, int, []float32) error, func(int, int, []uint16) error) {
		if !uint16s {
			return func(y0, y1 int, dst []float32) error { return band(l, k, y0, y1, dst) }, nil
		}
		ints := func(y0, y1 int, dst []uint16) error { return band(l, k, y0, y1, dst) }
		var level *leveller
		if l.black != nil {
			level = &l.black[k]
		}
		floats := func(y0, y1 int, dst []float32) error { return l.levelled(ints, level, y0, y1, dst) }
		if level != nil {
			return floats, nil
		}
		return floats, ints
	}
	m.rows, m.ints = m.at(0)
	return nil
}

// readTags reads what the samples are and refuses what is not read. It returns
// the photometric interpretation.
func (l *layout) readTags(m *Image) (photometric int64, err error) {
	d := l.dir
	w, err := d.need(tagWidth, maxPixels)
	if err != nil {
		return 0, err
	}
	h, err := d.need(tagHeight, maxPixels)
	if err != nil {
		return 0, err
	}
	if w*h > maxPixels {
		return 0, l.file.errorf("a picture of %d by %d pixels: want no more than %d in all", w, h, maxPixels)
	}
	l.width, l.height = int(w), int(h)
	samples, err := d.whole(tagSamples, 1)
	if err != nil {
		return 0, err
	}
	if samples < 1 || samples > 64 {
		return 0, d.bad(tagSamples, samples, "from 1 to 64")
	}
	l.samples = int(samples)
	missing := int64(photoBlackIsZero)
	if samples >= 3 {
		missing = photoRGB
	}
	if photometric, err = d.whole(tagPhotometric, missing); err != nil {
		return 0, err
	}
	if l.compression, err = d.whole(tagCompression, compNone); err != nil {
		return 0, err
	}
	if err := l.refuse(m, photometric); err != nil {
		return 0, err
	}
	switch photometric {
	case photoRGB:
		m.Planes = 3
	case photoLinearRaw:
		if samples >= 3 {
			m.Planes = 3
		}
	case photoWhiteIsZero:
		l.invert = true
	}
	if m.Planes > l.samples {
		return 0, d.bad(tagSamples, samples, "at least 3 for a picture in red, green and blue")
	}
	if extra := l.samples - m.Planes; extra > 0 {
		m.Notes = append(m.Notes, fmt.Sprintf("%d samples a pixel: the first %s used", l.samples, map[int]string{1: "is", 3: "three are"}[m.Planes]))
	}
	if err := l.readSample(); err != nil {
		return 0, err
	}
	if l.predictor, err = d.whole(tagPredictor, 1); err != nil {
		return 0, err
	}
	switch {
	case l.compression != compLZW && l.compression != compDeflate && l.compression != compDeflateOld:
		l.predictor = 1 // it belongs to these methods; others carry it without using it
	case l.predictor == 1,
		l.predictor == 2 && l.format != formatFloat && l.bits%8 == 0,
		l.predictor == 3 && l.format == formatFloat:
	default:
		return 0, d.bad(tagPredictor, l.predictor, fmt.Sprintf("1, or 2 for whole numbers of 8, 16 or 32 bits, or 3 for floats (there are %d bits in format %d)", l.bits, l.format))
	}
	planar, err := d.whole(tagPlanar, 1)
	if err != nil {
		return 0, err
	}
	if planar == 2 {
		l.planar, l.samples = true, 1
	} else if planar != 1 {
		return 0, d.bad(tagPlanar, planar, "1 or 2")
	}
	return photometric, nil
}

// refuse returns why a picture in a TIFF can not be measured, or nil.
func (l *layout) refuse(m *Image, photometric int64) error {
	t, d := l.file, l.dir
	raw := m.Kind == DNG || photometric == photoCFA || photometric == photoLinearRaw
	switch l.compression {
	case compNone, compLZW, compPackBits, compDeflate, compDeflateOld:
	case compJPEG:
	case 34892:
		return t.errorf("a DNG compressed with loss, in 8 bits: %s", instead)
	case 52546:
		return t.errorf("a DNG compressed with JPEG XL, which is not read: %s", instead)
	case 6:
		return t.errorf("a JPEG inside a TIFF, compressed with loss, or a raw file of its maker's own: %s", instead)
	default:
		if raw {
			return t.errorf("a raw file compressed in a way of its maker's own (%s is %d): %s", tagName(tagCompression), l.compression, instead)
		}
		return d.bad(tagCompression, l.compression, "1 (none), 5 (LZW), 8 or 32946 (Deflate) or 32773 (PackBits)")
	}
	switch photometric {
	case photoWhiteIsZero, photoBlackIsZero, photoRGB, photoCFA, photoLinearRaw:
	case 3:
		return d.bad(tagPhotometric, "3, a palette", "grey or RGB: save the picture in 16 bits")
	case 6:
		return d.bad(tagPhotometric, "6, YCbCr as lossy compression uses it", "grey or RGB: "+instead)
	default:
		return d.bad(tagPhotometric, photometric, "0 or 1 (grey), 2 (RGB) or 32803 (colour mosaic)")
	}
	fill, err := d.whole(tagFillOrder, 1)
	if err != nil {
		return err
	}
	if fill != 1 {
		return d.bad(tagFillOrder, fill, "1: the bits of a byte the other way round are not read")
	}
	return nil
}

// readSample reads the type of a sample.
func (l *layout) readSample() error {
	d := l.dir
	bits, err := d.wholes(tagBits, int64(l.samples))
	if err != nil {
		return err
	}
	if bits == nil {
		bits = []int64{1}
	}
	format, err := d.wholes(tagSampleFormat, int64(l.samples))
	if err != nil {
		return err
	}
	if format == nil {
		format = []int64{formatUint}
	}
	for _, b := range bits {
		if b != bits[0] {
			return d.bad(tagBits, bits, "the same for every sample")
		}
	}
	for _, f := range format {
		if f != format[0] {
			return d.bad(tagSampleFormat, format, "the same for every sample")
		}
	}
	l.format = format[0]
	if l.format == 4 { // undefined: as bare as it comes
		l.format = formatUint
	}
	allowed := map[int64][]int64{formatUint: {8, 9, 10, 11, 12, 13, 14, 15, 16, 32}, formatInt: {8, 16, 32}, formatFloat: {16, 32, 64}}[l.format]
	if allowed == nil {
		return d.bad(tagSampleFormat, l.format, "1 (unsigned), 2 (signed) or 3 (floating point)")
	}
	if !slices.Contains(allowed, bits[0]) {
		return d.bad(tagBits, bits[0], fmt.Sprintf("one of %v, in format %d", allowed, l.format))
	}
	if l.invert && l.format != formatUint {
		return d.bad(tagPhotometric, "0 (white is zero) for samples that are not unsigned", "1")
	}
	l.bits = int(bits[0])
	return nil
}

// maxSegment bounds a strip or tile that is unpacked whole.
const maxSegment = 1 << 30

// maxRatio is the most bytes that a byte of compressed data can unpack to.
// Deflate writes 258 bytes in two bits (RFC 1951); a full table of LZW holds
// strings of up to 3837 bytes, each a code of 12 bits; PackBits writes 128 bytes
// in two; lossless JPEG a sample of 16 bits in one.
var maxRatio = map[int64]int64{compNone: 1, compLZW: 2560, compPackBits: 64, compDeflate: 1032, compDeflateOld: 1032, compJPEG: 16}

// readSegments reads where the strips or tiles lie and holds what they declare
// against the file.
func (l *layout) readSegments(planes int) error {
	d, t := l.dir, l.file
	l.segW, l.segH = l.width, l.height
	offTag, lenTag := uint16(tagStripOffsets), uint16(tagStripBytes)
	if d.has(tagTileWidth) || d.has(tagTileOffsets) {
		l.tiled = true
		offTag, lenTag = tagTileOffsets, tagTileBytes
		w, err := d.need(tagTileWidth, maxPixels)
		if err != nil {
			return err
		}
		h, err := d.need(tagTileHeight, maxPixels)
		if err != nil {
			return err
		}
		l.segW, l.segH = int(w), int(h)
	} else {
		rows, err := d.whole(tagRowsPerStrip, int64(l.height))
		if err != nil {
			return err
		}
		if rows < 1 {
			return d.bad(tagRowsPerStrip, rows, "at least 1")
		}
		l.segH = int(min(rows, int64(l.height)))
	}
	l.across, l.down = (l.width-1)/l.segW+1, (l.height-1)/l.segH+1
	one := int64(l.across) * int64(l.down)
	n := one
	if l.planar {
		n *= int64(planes)
	}
	var err error
	if l.offsets, err = d.wholes(offTag, n); err != nil {
		return err
	}
	if l.bytes, err = d.wholes(lenTag, n); err != nil {
		return err
	}
	if l.bytes == nil && l.compression == compNone && int64(len(l.offsets)) == n {
		for s := range n {
			l.bytes = append(l.bytes, l.rowBytes()*int64(l.rowsOf(int(s))))
		}
	}
	for _, list := range []struct {
		tag uint16
		v   []int64
	}{{offTag, l.offsets}, {lenTag, l.bytes}} {
		if int64(len(list.v)) < n {
			return d.bad(list.tag, fmt.Sprintf("a list of %d", len(list.v)), fmt.Sprintf("%d, one for each of the pieces of %d by %d pixels", n, l.segW, l.segH))
		}
	}
	whole := l.rowBytes() * int64(l.segH)
	if whole > maxSegment && (l.tiled || l.compression != compNone) {
		return t.errorf("pieces of %d by %d pixels, %d bytes each: want at most %d in a piece that is unpacked whole", l.segW, l.segH, whole, maxSegment)
	}
	ratio := maxRatio[l.compression]
	total := int64(0)
	for s, off := range l.offsets {
		if l.bytes[s] > t.size || off > t.size-l.bytes[s] {
			return t.short(l.segmentName(s), off, l.bytes[s])
		}
		want := l.rowBytes() * int64(l.rowsOf(s))
		total += want
		if l.bytes[s] < (want-1)/ratio {
			return t.errorf("%s: %d bytes for %d by %d pixels: want at least %d", l.segmentName(s), l.bytes[s], l.segW, l.rowsOf(s), want/ratio)
		}
		if l.bits%8 != 0 && l.compression == compNone && l.bytes[s] >= 2*int64(l.segW)*int64(l.samples)*int64(l.rowsOf(s)) {
			return t.errorf("%s: %d bytes for samples of %d bits, %d by %d pixels: want them packed (%d bytes), or 16 declared", l.segmentName(s), l.bytes[s], l.bits, l.segW, l.rowsOf(s), want)
		}
	}
	if total/ratio > t.size {
		return t.errorf("%d bytes of pixels in a file of %d: want no more than its compression can do (%d to 1)", total, t.size, ratio)
	}
	return nil
}

// rowBytes is the bytes of a row of a strip or tile, unpacked.
func (l *layout) rowBytes() int64 { return (int64(l.segW)*int64(l.samples)*int64(l.bits) + 7) / 8 }

// rowsOf is the rows that strip or tile s holds.
func (l *layout) rowsOf(s int) int {
	if l.tiled {
		return l.segH
	}
	return min(l.segH, l.height-s%l.down*l.segH)
}

// segmentName names a strip or tile.
func (l *layout) segmentName(s int) string {
	if l.tiled {
		return fmt.Sprintf("tile %d", s)
	}
	return fmt.Sprintf("strip %d", s)
}
