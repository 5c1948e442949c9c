package photo

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
)

// The tags that are looked at (TIFF 6.0, appendix A; DNG 1.7, chapter 4; CIPA
// DC-008, section 4.6).
const (
	tagSubfileType      = 254
	tagWidth            = 256
	tagHeight           = 257
	tagBits             = 258
	tagCompression      = 259
	tagPhotometric      = 262
	tagFillOrder        = 266
	tagStripOffsets     = 273
	tagOrientation      = 274
	tagSamples          = 277
	tagRowsPerStrip     = 278
	tagStripBytes       = 279
	tagPlanar           = 284
	tagPredictor        = 317
	tagTileWidth        = 322
	tagTileHeight       = 323
	tagTileOffsets      = 324
	tagTileBytes        = 325
	tagSubIFDs          = 330
	tagSampleFormat     = 339
	tagCFARepeat        = 33421
	tagCFAPattern       = 33422
	tagExposure         = 33434
	tagFNumber          = 33437
	tagExif             = 34665
	tagISO              = 34855
	tagISOSpeed         = 34867
	tagTaken            = 36867
	tagTakenZone        = 36881
	tagFocal            = 37386
	tagTakenFraction    = 37521
	tagPixelsX          = 40962
	tagPlaneResolution  = 41486
	tagPlaneUnit        = 41488
	tagDNGVersion       = 50706
	tagCFALayout        = 50711
	tagLinearization    = 50712
	tagBlackRepeat      = 50713
	tagBlackLevel       = 50714
	tagBlackDeltaH      = 50715
	tagBlackDeltaV      = 50716
	tagWhiteLevel       = 50717
	tagActiveArea       = 50829
	tagSubTileBlock     = 50974
	tagRowInterleave    = 50975
	tagColumnInterleave = 52547
)

// tagNames are the tags' names for messages.
var tagNames = map[uint16]string{
	tagSubfileType: "NewSubfileType", tagWidth: "ImageWidth", tagHeight: "ImageLength", tagBits: "BitsPerSample",
	tagCompression: "Compression", tagPhotometric: "PhotometricInterpretation", tagFillOrder: "FillOrder",
	tagStripOffsets: "StripOffsets", tagOrientation: "Orientation", tagSamples: "SamplesPerPixel", tagRowsPerStrip: "RowsPerStrip",
	tagStripBytes: "StripByteCounts", tagPlanar: "PlanarConfiguration", tagPredictor: "Predictor",
	tagTileWidth: "TileWidth", tagTileHeight: "TileLength", tagTileOffsets: "TileOffsets",
	tagTileBytes: "TileByteCounts", tagSubIFDs: "SubIFDs", tagSampleFormat: "SampleFormat",
	tagCFARepeat: "CFARepeatPatternDim", tagCFAPattern: "CFAPattern", tagExif: "ExifIFD", tagCFALayout: "CFALayout",
	tagLinearization: "LinearizationTable", tagBlackRepeat: "BlackLevelRepeatDim", tagBlackLevel: "BlackLevel",
	tagBlackDeltaH: "BlackLevelDeltaH", tagBlackDeltaV: "BlackLevelDeltaV", tagWhiteLevel: "WhiteLevel",
	tagActiveArea: "ActiveArea", tagSubTileBlock: "SubTileBlockSize", tagRowInterleave: "RowInterleaveFactor",
	tagColumnInterleave: "ColumnInterleaveFactor",
}

// tagName returns "tag 256 (ImageWidth)".
func tagName(tag uint16) string {
	if name := tagNames[tag]; name != "" {
		return fmt.Sprintf("tag %d (%s)", tag, name)
	}
	return fmt.Sprintf("tag %d", tag)
}

// typeBytes is the size of one value of each field type (TIFF 6.0, section 2;
// 13 is IFD, 16 to 18 are BigTIFF's).
var typeBytes = [...]int64{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}

// tiff is an open TIFF file.
type tiff struct {
	name  string
	r     io.ReaderAt
	size  int64
	order binary.ByteOrder
	big   bool // BigTIFF
}

// A field is one entry of a directory.
type field struct {
	typ   uint16
	count int64
	off   int64 // where its values begin in the file
}

// A directory is one IFD.
type directory struct {
	file   *tiff
	off    int64
	fields map[uint16]field
}

// errorf returns an error with the file's name.
func (t *tiff) errorf(format string, args ...any) error {
	return fmt.Errorf("photo: %s: "+format, append([]any{t.name}, args...)...)
}

// read fills p from off. what says what is read.
func (t *tiff) read(p []byte, off int64, what string) error {
	if off < 0 || off > t.size || int64(len(p)) > t.size-off {
		return t.short(what, off, int64(len(p)))
	}
	if n, err := t.r.ReadAt(p, off); n < len(p) {
		return t.errorf("%s at byte %d: %d bytes read of %d: %w", what, off, n, len(p), notEOF(err))
	}
	return nil
}

// short returns the error of a file that ends before n bytes from off.
func (t *tiff) short(what string, off, n int64) error {
	return t.errorf("%s: %d bytes at byte %d, of a file of %d: truncated, damaged or still being written", what, n, off, t.size)
}

const (
	// maxDirectories bounds how many directories are looked at. The picture is
	// among the first.
	maxDirectories = 64
	// maxEntries bounds a directory. Real ones have less than 200 entries.
	maxEntries = 4096
)

// openDirectory reads the directory at off and returns where the next one lies,
// 0 if nowhere.
func (t *tiff) openDirectory(off int64) (*directory, int64, error) {
	head, step, inline := int64(2), int64(12), int64(4)
	if t.big {
		head, step, inline = 8, 20, 8
	}
	var b [8]byte
	what := "the directory"
	if err := t.read(b[:head], off, what); err != nil {
		return nil, 0, err
	}
	n := uint64(t.order.Uint16(b[:]))
	if t.big {
		n = t.order.Uint64(b[:])
	}
	if n > maxEntries {
		return nil, 0, t.errorf("the directory at byte %d has %d entries: want at most %d", off, n, maxEntries)
	}
	raw := make([]byte, min(int64(n)*step+inline, max(t.size-off-head, 0)))
	if int64(len(raw)) < int64(n)*step {
		return nil, 0, t.short(fmt.Sprintf("the %d entries of the directory", n), off+head, int64(n)*step)
	}
	if err := t.read(raw, off+head, what); err != nil {
		return nil, 0, err
	}
	d := &directory{t, off, make(map[uint16]field, n)}
	for i := range int64(n) {
		e := raw[i*step:]
		f := field{typ: t.order.Uint16(e[2:]), off: off + head + i*step + 8}
		if t.big {
			f.count, f.off = int64(t.order.Uint64(e[4:])), f.off+4
		} else {
			f.count = int64(t.order.Uint32(e[4:]))
		}
		if int(f.typ) >= len(typeBytes) || typeBytes[f.typ] == 0 || f.count < 1 || f.count > t.size {
			f.count = 0 // told when it is asked for
		} else if f.count*typeBytes[f.typ] > inline {
			if t.big {
				f.off = int64(t.order.Uint64(e[12:]))
			} else {
				f.off = int64(t.order.Uint32(e[8:]))
			}
		}
		if tag := t.order.Uint16(e); d.fields[tag].typ == 0 {
			d.fields[tag] = f
		}
	}
	tail := raw[int64(n)*step:]
	if int64(len(tail)) < inline {
		return d, 0, nil // a last directory cut behind its entries says all there is to say
	}
	if t.big {
		return d, int64(t.order.Uint64(tail)), nil
	}
	return d, int64(t.order.Uint32(tail)), nil
}

// has reports whether the directory has the tag.
func (d *directory) has(tag uint16) bool { _, ok := d.fields[tag]; return ok }

// bad returns the error of a tag whose value can not be used.
func (d *directory) bad(tag uint16, found any, want string) error {
	return d.file.errorf("%s of the directory at byte %d is %v: want %s", tagName(tag), d.off, found, want)
}

// raw returns the first values of a tag, at most limit, as they are stored; nil
// if there is no such tag.
func (d *directory) raw(tag uint16, limit int64) ([]byte, field, error) {
	f, ok := d.fields[tag]
	if !ok {
		return nil, f, nil
	}
	if f.count == 0 {
		return nil, f, d.bad(tag, fmt.Sprintf("of type %d with no values, or more than the file has bytes", f.typ), "values of a known type")
	}
	f.count = min(f.count, limit)
	n := f.count * typeBytes[f.typ]
	if f.off < 0 || f.off > d.file.size || n > d.file.size-f.off {
		return nil, f, d.file.short(tagName(tag), f.off, n)
	}
	b := make([]byte, n)
	return b, f, d.file.read(b, f.off, tagName(tag))
}

// floats returns the first values of a tag, at most limit; nil if there is no
// such tag. A ratio with nothing below the line is NaN or infinite.
func (d *directory) floats(tag uint16, limit int64) ([]float64, error) {
	b, f, err := d.raw(tag, limit)
	if b == nil || err != nil {
		return nil, err
	}
	o := d.file.order
	out := make([]float64, f.count)
	for i := range out {
		e := b[int64(i)*typeBytes[f.typ]:]
		switch f.typ {
		case 1, 7:
			out[i] = float64(e[0])
		case 3:
			out[i] = float64(o.Uint16(e))
		case 4, 13:
			out[i] = float64(o.Uint32(e))
		case 5:
			out[i] = float64(o.Uint32(e)) / float64(o.Uint32(e[4:]))
		case 6:
			out[i] = float64(int8(e[0]))
		case 8:
			out[i] = float64(int16(o.Uint16(e)))
		case 9:
			out[i] = float64(int32(o.Uint32(e)))
		case 10:
			out[i] = float64(int32(o.Uint32(e))) / float64(int32(o.Uint32(e[4:])))
		case 11:
			out[i] = float64(math.Float32frombits(o.Uint32(e)))
		case 12:
			out[i] = math.Float64frombits(o.Uint64(e))
		case 16, 18:
			out[i] = float64(o.Uint64(e))
		case 17:
			out[i] = float64(int64(o.Uint64(e)))
		default:
			return nil, d.bad(tag, fmt.Sprintf("of type %d", f.typ), "numbers")
		}
	}
	return out, nil
}

// wholes is floats for numbers that must be whole, not negative and below 2^53.
func (d *directory) wholes(tag uint16, limit int64) ([]int64, error) {
	v, err := d.floats(tag, limit)
	if err != nil {
		return nil, err
	}
	var out []int64
	for _, x := range v {
		if !(x >= 0 && x < 1<<53) || x != math.Trunc(x) {
			return nil, d.bad(tag, x, "a whole number that is not negative")
		}
		out = append(out, int64(x))
	}
	return out, nil
}

// whole returns the first value of a tag, or the default without one.
func (d *directory) whole(tag uint16, missing int64) (int64, error) {
	v, err := d.wholes(tag, 1)
	if len(v) == 0 {
		return missing, err
	}
	return v[0], nil
}

// need returns the first value of a tag that must be there, from 1 to most.
func (d *directory) need(tag uint16, most int64) (int64, error) {
	v, err := d.whole(tag, -1)
	if err != nil {
		return 0, err
	}
	if v < 0 {
		return 0, d.file.errorf("the directory at byte %d has no %s: want one", d.off, tagName(tag))
	}
	if v < 1 || v > most {
		return 0, d.bad(tag, v, fmt.Sprintf("from 1 to %d", most))
	}
	return v, nil
}

// text returns the value of a text tag up to its first NUL, "" if there is none
// or it can not be read.
func (d *directory) text(tag uint16) string {
	b, f, err := d.raw(tag, 64)
	if err != nil || f.typ != 2 {
		return ""
	}
	s, _, _ := strings.Cut(string(b), "\x00")
	return strings.TrimSpace(s)
}
