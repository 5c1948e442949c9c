package fits

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// A tiling is a tile-compressed image in a binary table (FITS 4.0, section
// 10): one row of the table for each tile.
type tiling struct {
	method  string
	axes    []int64 // of the image, the fastest first, as squeezed
	tile    []int64 // length of a tile along each
	count   []int64 // tiles along each
	row     int64   // bytes in a row of the table
	heap    int64   // where the heap begins in the file
	heapLen int64

	data, gzipped, plain column // COMPRESSED_DATA and its stand-ins
	scale, zero, blank   column // ZSCALE, ZZERO, ZBLANK
	scaleAll, zeroAll    float64
	quantised            bool
	blankAll             int64
	blankSet             bool
	dither               int // 0, 1 or 2
	seed                 int64
	block, bytepix       int // of Rice
}

// column is a column of a binary table. letter 0 means that there is none.
type column struct {
	off    int64
	letter byte // P and Q are descriptors of arrays in the heap
	elem   byte // type of the array's elements
}

// sizes are the bytes of each type of a table column (FITS 4.0, table 18).
var sizes = map[byte]int64{'L': 1, 'B': 1, 'A': 1, 'I': 2, 'J': 4, 'K': 8, 'E': 4, 'D': 8, 'C': 8, 'M': 16, 'P': 8, 'Q': 16}

// maxTilePixels bounds one row of tiles, which is held whole: a frame of 268
// megapixels in a single tile, half of that on machines of 32 bits.
const maxTilePixels = min(1<<28, math.MaxInt/16)

// maxRow bounds a row of the table, which needs a few dozen bytes.
const maxRow = 1 << 20

// tiledImage returns the image of a unit that holds a compressed one.
func (u *HDU) tiledImage() (*Image, error) {
	h := u.Header
	t := &tiling{}
	bitpixCard, ok := h.own("ZBITPIX")
	if !ok {
		return nil, h.at(&CardError{Key: "ZBITPIX", Want: bitpixWant})
	}
	bitpix, err := bitpixCard.Int()
	if err != nil || !isBitpix(bitpix) {
		return nil, h.at(bitpixCard.fail(bitpixWant))
	}
	axes, tile, err := t.readAxes(h)
	if err != nil {
		return nil, err
	}
	if err := t.readTable(u); err != nil {
		return nil, err
	}
	if err := t.readMethod(u, int(bitpix)); err != nil {
		return nil, err
	}
	used := squeeze(axes)
	t.axes, t.tile = pick(axes, used), pick(tile, used)
	pixels, ok := product(t.axes)
	if !ok || pixels == 0 {
		return nil, fmt.Errorf("fits: %s: HDU %d: the compressed image has the axes %v: want 1 to 2^50 pixels", u.file.name, u.index, axes)
	}
	tiles := int64(1)
	for i, n := range t.axes {
		t.count = append(t.count, (n+t.tile[i]-1)/t.tile[i])
		tiles *= t.count[i] // at most pixels
	}
	if tiles > u.lay.axes[1] {
		return nil, fmt.Errorf("fits: %s: HDU %d: the image has %d tiles, the table %d rows: want one row for each tile", u.file.name, u.index, tiles, u.lay.axes[1])
	}
	if pixels > t.most(t.heapLen, tiles, int(bitpix)) {
		return nil, fmt.Errorf("fits: %s: HDU %d: %d pixels from %d bytes of %s: want no more than so many bytes can hold", u.file.name, u.index, pixels, t.heapLen, t.method)
	}
	m, err := u.newImage(t.axes, int(bitpix))
	if err != nil {
		return nil, err
	}
	if bitpix > 0 && !m.scaling.blanks && t.blankSet {
		m.scaling.blank, m.scaling.blanks = t.blankAll, true
	}
	m.tiles = t
	return m, nil
}

// readAxes returns the axes of the image and of a tile.
func (t *tiling) readAxes(h *Header) (axes, tile []int64, err error) {
	n, err := h.need("ZNAXIS", 1, maxAxes)
	if err != nil {
		return nil, nil, err
	}
	for i := range n {
		k := strconv.Itoa(int(i + 1))
		length, err := h.need("ZNAXIS"+k, 0, math.MaxInt32)
		if err != nil {
			return nil, nil, err
		}
		size := int64(1)
		if i == 0 {
			size = length
		}
		if _, ok := h.own("ZTILE" + k); ok {
			if size, err = h.need("ZTILE"+k, 1, math.MaxInt32); err != nil {
				return nil, nil, err
			}
		}
		axes = append(axes, length)
		tile = append(tile, max(1, min(size, length)))
	}
	return axes, tile, nil
}

// readTable finds the columns.
func (t *tiling) readTable(u *HDU) error {
	h := u.Header
	if len(u.lay.axes) != 2 || u.lay.bitpix != 8 {
		return fmt.Errorf("fits: %s: HDU %d: a compressed image in a table of %d axes and BITPIX %d: want 2 and 8", u.file.name, u.index, len(u.lay.axes), u.lay.bitpix)
	}
	t.row = u.lay.axes[0]
	if t.row > maxRow {
		return fmt.Errorf("fits: %s: HDU %d: rows of %d bytes in the table of a compressed image: want at most %d", u.file.name, u.index, t.row, maxRow)
	}
	fields, err := h.need("TFIELDS", 1, 999)
	if err != nil {
		return err
	}
	off := int64(0)
	for i := range fields {
		k := strconv.Itoa(int(i + 1))
		c, ok := h.own("TFORM" + k)
		if !ok {
			return h.at(&CardError{Key: "TFORM" + k, Want: "the type of a column"})
		}
		col, width, ok := parseForm(c.Value)
		if !ok || off+width > t.row {
			return h.at(c.fail(fmt.Sprintf("the type of a column that fits into a row of %d bytes", t.row)))
		}
		col.off = off
		off += width
		name := ""
		if c, ok := h.own("TTYPE" + k); ok {
			name = strings.ToUpper(strings.TrimSpace(c.Value))
		}
		var place *column
		array := true
		switch name {
		case "COMPRESSED_DATA":
			place = &t.data
		case "GZIP_COMPRESSED_DATA":
			place = &t.gzipped
		case "UNCOMPRESSED_DATA":
			place = &t.plain
		case "ZSCALE":
			place, array = &t.scale, false
		case "ZZERO":
			place, array = &t.zero, false
		case "ZBLANK":
			place, array = &t.blank, false
		case "NULL_PIXEL_MASK":
			return h.at(c.fail("an image without a NULL_PIXEL_MASK column, which is not read"))
		default:
			continue
		}
		if array != (col.letter == 'P' || col.letter == 'Q') || sizes[col.elem] == 0 {
			return h.at(c.fail("for " + name + " the type that the standard gives it"))
		}
		*place = col
	}
	if t.data.letter == 0 && t.plain.letter == 0 && t.gzipped.letter == 0 {
		return fmt.Errorf("fits: %s: HDU %d: the table has no column COMPRESSED_DATA: want one", u.file.name, u.index)
	}
	table := t.row * u.lay.axes[1]
	start := table
	if _, ok := h.own("THEAP"); ok {
		if start, err = h.need("THEAP", table, u.lay.bytes); err != nil {
			return err
		}
	}
	t.heap, t.heapLen = u.data+start, u.lay.bytes-start
	return nil
}

// parseForm parses TFORMn. width is the column's bytes in a row.
func parseForm(s string) (c column, width int64, ok bool) {
	s = strings.ToUpper(strings.TrimSpace(s))
	i := 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	repeat := int64(1)
	if i > 0 {
		n, err := strconv.ParseInt(s[:i], 10, 32)
		if err != nil {
			return c, 0, false
		}
		repeat = n
	}
	if i == len(s) {
		return c, 0, false
	}
	c.letter, c.elem = s[i], s[i]
	if c.letter == 'X' {
		return c, (repeat + 7) / 8, true
	}
	if c.letter == 'P' || c.letter == 'Q' {
		if i+1 == len(s) {
			return c, 0, false
		}
		c.elem = s[i+1]
	}
	size := sizes[c.letter]
	return c, repeat * size, size > 0
}

// readMethod reads how the tiles are compressed.
func (t *tiling) readMethod(u *HDU, bitpix int) error {
	h := u.Header
	const want = "one of RICE_1, GZIP_1, GZIP_2, PLIO_1, HCOMPRESS_1, NOCOMPRESS"
	c, ok := h.own("ZCMPTYPE")
	if !ok {
		return h.at(&CardError{Key: "ZCMPTYPE", Want: want})
	}
	t.method = strings.ToUpper(strings.TrimSpace(c.Value))
	switch t.method {
	case "RICE_ONE":
		t.method = "RICE_1"
	case "RICE_1", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1", "NOCOMPRESS":
	default:
		return h.at(c.fail(want))
	}
	t.block, t.bytepix = 32, 4
	smooth, lossy := false, 0.0
	for i := 1; i < 100; i++ {
		k := strconv.Itoa(i)
		name, ok := h.own("ZNAME" + k)
		if !ok {
			break
		}
		val, ok := h.own("ZVAL" + k)
		if !ok {
			continue
		}
		var err error
		var n int64
		switch strings.ToUpper(strings.TrimSpace(name.Value)) {
		case "BLOCKSIZE":
			n, err = val.Int()
			if err == nil && n != 16 && n != 32 {
				err = val.fail("a block of 16 or 32")
			}
			t.block = int(n)
		case "BYTEPIX":
			n, err = val.Int()
			if err == nil && n != 1 && n != 2 && n != 4 {
				err = val.fail("1, 2 or 4 bytes a pixel")
			}
			t.bytepix = int(n)
		case "SMOOTH":
			n, err = val.Int()
			smooth = n != 0
		case "SCALE":
			lossy, err = val.Float()
		}
		if err != nil {
			return h.at(err)
		}
	}
	if t.method == "HCOMPRESS_1" && smooth && lossy > 1 {
		return fmt.Errorf("fits: %s: HDU %d: HCOMPRESS_1 asks for smoothing (SMOOTH), which is not done: want SMOOTH 0", u.file.name, u.index)
	}
	if t.method == "RICE_1" && abs(bitpix) == 64 && bitpix > 0 {
		return h.at(c.fail("for 64-bit integers GZIP_1, GZIP_2 or NOCOMPRESS"))
	}
	return t.readQuantisation(h, bitpix)
}

// readQuantisation reads how floats were turned into integers.
func (t *tiling) readQuantisation(h *Header, bitpix int) error {
	if c, ok := h.own("ZBLANK"); ok && c.Kind != Undefined {
		v, err := c.Int()
		if err != nil {
			return h.at(err)
		}
		t.blankAll, t.blankSet = v, true
	}
	if bitpix > 0 {
		return nil
	}
	var err error
	t.scaleAll, t.zeroAll = 1, 0
	_, scaled := h.own("ZSCALE")
	if scaled {
		if t.scaleAll, err = h.number("ZSCALE", 1); err != nil {
			return err
		}
		if t.zeroAll, err = h.number("ZZERO", 0); err != nil {
			return err
		}
	}
	t.quantised = t.scale.letter != 0 || scaled
	if c, ok := h.own("ZQUANTIZ"); ok {
		switch strings.ToUpper(strings.TrimSpace(c.Value)) {
		case "NO_DITHER", "NONE", "":
		case "SUBTRACTIVE_DITHER_1":
			t.dither = 1
		case "SUBTRACTIVE_DITHER_2":
			t.dither = 2
		default:
			return h.at(c.fail("one of NO_DITHER, SUBTRACTIVE_DITHER_1, SUBTRACTIVE_DITHER_2"))
		}
	}
	t.seed = 1
	if _, ok := h.own("ZDITHER0"); ok && t.dither > 0 && t.method != "NOCOMPRESS" {
		if t.seed, err = h.need("ZDITHER0", 1, ditherCount); err != nil {
			return err
		}
	}
	for _, c := range []column{t.scale, t.zero} {
		if c.letter != 0 && c.letter != 'D' && c.letter != 'E' {
			return fmt.Errorf("fits: %s: HDU %d: ZSCALE or ZZERO is a column of type %c: want D or E", h.name, h.hdu, c.letter)
		}
	}
	if !t.quantised && (t.method == "RICE_1" || t.method == "PLIO_1" || t.method == "HCOMPRESS_1") {
		return h.at(&CardError{Key: "ZSCALE", Want: "the scale of floats compressed with " + t.method})
	}
	return nil
}

// most returns how many pixels n bytes of compressed data in so many tiles can
// hold: what a file has to offer before memory is taken for it.
func (t *tiling) most(n, tiles int64, bitpix int) int64 {
	if n > maxBytes/8192 {
		return maxBytes
	}
	gzipped := maxRatio * n / int64(abs(bitpix)/8)
	standIn := int64(0)
	if t.gzipped.letter != 0 || t.plain.letter != 0 {
		standIn = gzipped
	}
	switch t.method {
	case "RICE_1":
		// A block of equal pixels takes 3 bits.
		return max(standIn, n*int64(t.block)*8/3)
	case "GZIP_1", "GZIP_2":
		if t.quantised {
			gzipped = maxRatio * n / 4
		}
		return max(standIn, gzipped)
	case "PLIO_1":
		// Two bytes say 4095 equal pixels, or close the list early.
		return max(standIn, 4096*n+tiles<<18)
	case "HCOMPRESS_1":
		// A tile of equal pixels takes some 30 bytes, however large.
		return max(standIn, 1024*n+tiles<<18)
	}
	return max(standIn, n)
}

// strip is one row of tiles, unpacked: all rows of the image that share them.
type strip struct {
	key    int64     // which one, plus 1; 0 is none
	ints   []int32   // stored integers, for images of up to 32-bit integers
	floats []float64 // physical values, for all others

	packed []byte  // a tile as it stands in the heap
	bytes  []byte  // a tile unpacked by gzip
	quant  []int32 // integers of one tile
	row    []byte  // a row of the table
	gzip   gunzip
	wave   hdecoder
}

// tileRow returns row y of the plane, unpacking its tiles unless they are the
// ones unpacked last.
func (m *Image) tileRow(w *work, y int) (strip, error) {
	t := m.tiles
	s := &w.strip
	// Which tile along each axis but the first, and which row inside it.
	key, line := int64(0), int64(0)
	stride, lines := int64(1), int64(1)
	rest := int64(m.plane)
	for i := 1; i < len(t.axes); i++ {
		at := int64(y)
		if i > 1 {
			at = rest % t.axes[i]
			rest /= t.axes[i]
		}
		k := at / t.tile[i]
		length := min(t.tile[i], t.axes[i]-k*t.tile[i])
		line += (at - k*t.tile[i]) * lines
		lines *= length
		key += k * stride
		stride *= t.count[i]
	}
	if s.key != key+1 {
		s.key = 0
		if err := m.unpackStrip(s, key, lines); err != nil {
			return strip{}, err
		}
		s.key = key + 1
	}
	var row strip
	at := int(line) * m.Width
	if s.ints != nil {
		row.ints = s.ints[at : at+m.Width]
	} else {
		row.floats = s.floats[at : at+m.Width]
	}
	return row, nil
}

// unpackStrip unpacks the row of tiles with the given number and of so many
// lines.
func (m *Image) unpackStrip(s *strip, key, lines int64) error {
	t := m.tiles
	pixels := lines * t.axes[0] // both below 2^31
	if pixels > maxTilePixels {
		return m.tileError(key*t.count[0], fmt.Errorf("%d pixels in a row of tiles: want at most %d", pixels, maxTilePixels))
	}
	// All must be there before memory is taken.
	for k := range t.count[0] {
		width := min(t.tile[0], t.axes[0]-k*t.tile[0])
		if err := m.readTile(s, key*t.count[0]+k, width*lines, nil); err != nil {
			return err
		}
	}
	if t.quantised || m.Bitpix < 0 || m.Bitpix == 64 {
		s.floats, s.ints = grow(s.floats, int(pixels)), nil
	} else {
		s.ints, s.floats = grow(s.ints, int(pixels)), nil
	}
	for k := range t.count[0] {
		n := key*t.count[0] + k
		width := min(t.tile[0], t.axes[0]-k*t.tile[0])
		place := &target{x: int(k * t.tile[0]), width: int(width), rows: int(lines), stride: m.Width}
		if err := m.readTile(s, n, width*lines, place); err != nil {
			return err
		}
	}
	return nil
}

// target is where in a strip a tile's pixels go.
type target struct{ x, width, rows, stride int }

// tileError names a tile, counted from 1 as in the table.
func (m *Image) tileError(n int64, err error) error {
	var short *ShortError
	if errors.As(err, &short) {
		return err
	}
	return fmt.Errorf("fits: %s: HDU %d: tile %d (%s): %w", m.hdu.file.name, m.hdu.index, n+1, m.tiles.method, err)
}

// readTile unpacks tile n of so many pixels into s at the place; without a
// place it only looks whether the table has enough for them.
func (m *Image) readTile(s *strip, n, pixels int64, place *target) error {
	t := m.tiles
	s.row = grow(s.row, int(t.row))
	if err := m.read(s.row, m.hdu.data+n*t.row); err != nil {
		return err
	}
	method, col := t.method, t.data
	off, size, err := t.array(s.row, col)
	if err == nil && size == 0 {
		if off, size, err = t.array(s.row, t.gzipped); size > 0 {
			method, col = "GZIP_1", t.gzipped
		} else if err == nil {
			off, size, err = t.array(s.row, t.plain)
			method, col = "NOCOMPRESS", t.plain
		}
	}
	if err != nil {
		return m.tileError(n, err)
	}
	if size == 0 {
		return m.tileError(n, errors.New("there are no data: want some in one of the columns"))
	}
	if place == nil {
		one := *t
		one.method, one.gzipped, one.plain = method, column{}, column{}
		if most := one.most(size, 1, m.Bitpix); pixels > most {
			return m.tileError(n, fmt.Errorf("%d pixels from %d bytes: want no more than %d", pixels, size, most))
		}
		return nil
	}
	s.packed = grow(s.packed, int(size))
	if err := m.read(s.packed, t.heap+off); err != nil {
		return err
	}
	if err := m.unpackTile(s, n, int(pixels), method, col, place); err != nil {
		return m.tileError(n, err)
	}
	return nil
}

// array returns where in the heap the array of column c of a table row lies
// and how many bytes it has; 0 if there is no such column.
func (t *tiling) array(row []byte, c column) (off, size int64, err error) {
	if c.letter == 0 {
		return 0, 0, nil
	}
	p := row[c.off:]
	if c.letter == 'P' {
		size, off = int64(int32(binary.BigEndian.Uint32(p))), int64(binary.BigEndian.Uint32(p[4:]))
	} else {
		size, off = int64(binary.BigEndian.Uint64(p)), int64(binary.BigEndian.Uint64(p[8:]))
	}
	if size == 0 {
		return 0, 0, nil
	}
	elem := sizes[c.elem]
	if size < 0 || off < 0 || size > min(t.heapLen, math.MaxInt32)/elem || off > t.heapLen-size*elem {
		return 0, 0, fmt.Errorf("its %d elements at %d lie outside the heap of %d bytes: want them inside", size, off, t.heapLen)
	}
	return off, size * elem, nil
}

// float returns the number in column c of a table row, or all if there is no
// such column.
func (c column) float(row []byte, all float64) float64 {
	switch c.letter {
	case 'D':
		return math.Float64frombits(binary.BigEndian.Uint64(row[c.off:]))
	case 'E':
		return float64(math.Float32frombits(binary.BigEndian.Uint32(row[c.off:])))
	case 'J':
		return float64(int32(binary.BigEndian.Uint32(row[c.off:])))
	case 'I':
		return float64(int16(binary.BigEndian.Uint16(row[c.off:])))
	case 'B':
		return float64(row[c.off])
	case 'K':
		return float64(int64(binary.BigEndian.Uint64(row[c.off:])))
	}
	return all
}

// unpackTile unpacks s.packed into the strip.
func (m *Image) unpackTile(s *strip, n int64, pixels int, method string, col column, place *target) error {
	t := m.tiles
	switch method {
	case "RICE_1", "PLIO_1", "HCOMPRESS_1":
		dst := s.ints
		whole := place.width == place.stride && s.ints != nil
		if !whole {
			s.quant = grow(s.quant, pixels)
			dst = s.quant
		}
		var err error
		switch method {
		case "RICE_1":
			err = rice(dst, s.packed, t.block, t.bytepix)
		case "PLIO_1":
			err = plio(dst, s.packed)
			if m.scaling.sample == Uint16 {
				// The list can not hold negative numbers: unsigned pixels stand
				// in it as they are, although BZERO says otherwise.
				for i := range dst {
					dst[i] -= 1 << 15
				}
			}
		default:
			err = s.wave.unpack(dst, s.packed, place.width, pixels/place.width)
		}
		if err != nil || whole {
			return err
		}
		m.store(s, n, place)
		return nil
	case "GZIP_1", "GZIP_2":
		var err error
		s.bytes, err = s.gzip.unpack(s.bytes[:0], s.packed, 8*pixels)
		if err != nil {
			return err
		}
		if len(s.bytes)%pixels != 0 {
			return fmt.Errorf("%d bytes unpacked for %d pixels: want as many for each", len(s.bytes), pixels)
		}
	default:
		s.bytes = append(s.bytes[:0], s.packed...)
	}
	size := len(s.bytes) / pixels
	if len(s.bytes) != size*pixels {
		return fmt.Errorf("%d bytes for %d pixels: want as many for each", len(s.bytes), pixels)
	}
	if method == "GZIP_2" {
		s.packed = grow(s.packed, len(s.bytes))
		unshuffle(s.packed, s.bytes, size)
		s.packed, s.bytes = s.bytes, s.packed
	}
	raw := col != t.data // a stand-in holds the pixels themselves
	return m.storeBytes(s, n, pixels, size, raw, place)
}

// storeBytes puts a tile of big-endian pixels of the given size into the
// strip.
func (m *Image) storeBytes(s *strip, n int64, pixels, size int, raw bool, place *target) error {
	t := m.tiles
	if m.Bitpix < 0 && (raw || !t.quantised) || m.Bitpix == 64 && size == 8 {
		if size != abs(m.Bitpix)/8 {
			return fmt.Errorf("%d bytes a pixel: want %d for BITPIX %d", size, abs(m.Bitpix)/8, m.Bitpix)
		}
		for y := range place.rows {
			out := s.floats[y*place.stride+place.x:][:place.width]
			decodeRaw(out, s.bytes[y*place.width*size:], &m.scaling)
		}
		return nil
	}
	s.quant = grow(s.quant, pixels)
	switch size {
	case 1:
		for i, b := range s.bytes {
			s.quant[i] = int32(b)
		}
	case 2:
		for i := range s.quant {
			s.quant[i] = int32(int16(binary.BigEndian.Uint16(s.bytes[2*i:])))
		}
	case 4:
		for i := range s.quant {
			s.quant[i] = int32(binary.BigEndian.Uint32(s.bytes[4*i:]))
		}
	default:
		return fmt.Errorf("%d bytes a pixel: want 1, 2 or 4 for BITPIX %d", size, m.Bitpix)
	}
	m.store(s, n, place)
	return nil
}

// store puts the integers of tile n into the strip, as they are or as the
// floats they stand for.
func (m *Image) store(s *strip, n int64, place *target) {
	t := m.tiles
	var q *quantiser
	if t.quantised {
		q = t.quantiser(s.row, n)
	}
	for y := range place.rows {
		src := s.quant[y*place.width:][:place.width]
		at := y*place.stride + place.x
		switch {
		case s.ints != nil:
			copy(s.ints[at:], src)
		case q != nil:
			q.floats(s.floats[at:][:place.width], src)
			if m.scaling.scale != 1 || m.scaling.zero != 0 {
				for i, v := range s.floats[at:][:place.width] {
					s.floats[at+i] = v*m.scaling.scale + m.scaling.zero
				}
			}
		default:
			ints(s.floats[at:][:place.width], src, &m.scaling)
		}
	}
}
