package photo

import (
	"encoding/binary"
	"fmt"
	"strings"
)

// A Kind is the format of a picture.
type Kind uint8

// The kinds. Those from JPEG on are known in order to be refused with advice.
const (
	None  Kind = iota // no picture that is known here, or a FITS file
	PNG               // Portable Network Graphics
	TIFF              // Tag Image File Format, classic or BigTIFF
	DNG               // Digital Negative: a TIFF with DNG's tags
	JPEG              // lossy, 8 bits, with a tone curve
	Raw               // a raw format of one maker's own
	Other             // another format of pictures for looking at, or a film
)

// String returns the name of the kind.
func (k Kind) String() string {
	return [...]string{"none", "PNG", "TIFF", "DNG", "JPEG", "raw", "other"}[k]
}

// SniffLen is how many of a file's first bytes Sniff looks at.
const SniffLen = 4096

// Sniff returns the kind of the picture that begins with head, the first
// SniffLen bytes of a file or all of a shorter one. A DNG is told from a TIFF
// only if the first directory lies in head, which it nearly always does; Open
// reads both.
func Sniff(head []byte) Kind {
	is := func(at int, magic string) bool {
		return len(head) >= at+len(magic) && string(head[at:at+len(magic)]) == magic
	}
	switch {
	case is(0, pngMagic):
		return PNG
	case is(0, "II*\x00"), is(0, "MM\x00*"), is(0, "II+\x00"), is(0, "MM\x00+"):
		if hasDNGVersion(head) {
			return DNG
		}
		return TIFF
	case is(0, "\xff\xd8\xff"):
		return JPEG
	case is(4, "ftypcrx "), is(8, "CCD-RAW"), is(6, "HEAPCCDR"), is(0, "\x00MRM"), is(0, "FOVb"):
		return Raw
	case is(0, "IIU\x00"), is(0, "IIRO"), is(0, "IIRS"), is(0, "MMOR"):
		return Raw // the frame of a TIFF with another number
	case is(4, "ftyp"), is(0, "RIFF") && (is(8, "WEBP") || is(8, "AVI ")),
		is(0, "GIF8"), is(0, "\xff\x0a"), is(4, "JXL \x0d\x0a\x87\x0a"), is(4, "jP  \x0d\x0a\x87\x0a"):
		return Other
	case is(0, "BM") && is(6, "\x00\x00\x00\x00") && is(15, "\x00\x00\x00"):
		return Other
	}
	return None
}

// hasDNGVersion looks for the tag that makes a DNG of a TIFF in the first
// directory, as far as it is there.
func hasDNGVersion(head []byte) bool {
	var order binary.ByteOrder = binary.LittleEndian
	if head[0] == 'M' {
		order = binary.BigEndian
	}
	if len(head) < 16 {
		return false
	}
	at, n, step := uint64(order.Uint32(head[4:])), 2, 12
	if order.Uint16(head[2:]) == 43 {
		at, n, step = order.Uint64(head[8:]), 8, 20
	}
	if at > uint64(len(head)) {
		return false
	}
	for p := int(at) + n; p+2 <= len(head); p += step {
		if tag := int(order.Uint16(head[p:])); tag >= tagDNGVersion {
			return tag == tagDNGVersion // they stand in ascending order
		}
	}
	return false
}

// instead is what to do with a picture that can not be measured.
const instead = "convert the camera's raw file to DNG without loss, or to a 16-bit TIFF without sharpening or noise reduction, or let the capture program write FITS"

// refusal says why a picture of a kind that is not read is not.
func refusal(name string, head []byte) error {
	switch Sniff(head) {
	case JPEG:
		return fmt.Errorf("photo: %s: a JPEG: 8 bits, compressed with loss, sharpened and bent by a tone curve, so that its stars have neither the width nor the light that the camera saw: %s", name, instead)
	case Raw:
		return fmt.Errorf("photo: %s: a raw file in a format of its maker's own: %s", name, instead)
	}
	what := "a picture for looking at"
	if len(head) >= 12 && string(head[4:8]) == "ftyp" {
		brand := strings.TrimSpace(string(head[8:12]))
		what = fmt.Sprintf("a picture for looking at, or a film (type %q)", brand)
	}
	return fmt.Errorf("photo: %s: %s, whose stars have neither the width nor the light that the camera saw: %s", name, what, instead)
}
