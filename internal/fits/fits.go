// Package fits reads and writes FITS images: the codec alone, without any
// notion of what a frame shows. Pixels come in bands of rows, in the caller's
// buffers; a whole frame is held only if the caller asks for one, or if the
// file stores it as a single compressed tile.
//
// It reads images in the primary unit and in extensions, of every width the
// standard has, scaled or not, and tile-compressed ones (RICE_1, GZIP_1,
// GZIP_2, PLIO_1, HCOMPRESS_1, quantised floats with either dither), also
// inside gzip and bzip2. Random groups and tables are refused with the reason.
// It writes plain images.
//
// Rows count from 0 in the order in which the file holds them, which is
// bottom-up by the standard and top-down by habit; see Header.RowOrder. Pixel
// values are physical: BZERO + BSCALE times what is stored, NaN where the file
// says blank.
//
// Nothing is allocated because a header says so: declared sizes are held
// against the size of the file first.
//
// Sources: FITS Working Group (2018), "Definition of the Flexible Image
// Transport System", version 4.0; Pence, Chiappetti, Page, Shaw & Stobie
// (2010), A&A 524, A42.
package fits

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
)

// A File is an open FITS file. Its methods may be called from several
// goroutines.
type File struct {
	name    string
	src     io.ReaderAt
	size    int64 // -1 if it is not known before unpacking
	packed  *spool
	wrapper string

	mu   sync.Mutex
	hdus []*HDU
	next int64 // where the next header begins
	err  error // why there are no more; io.EOF at the end
}

// Open reads the first header of the file r of the given size in bytes; name
// goes into messages. Files packed with gzip or bzip2 are known by their first
// bytes and unpacked as far as they are needed, in memory, never beyond what
// the headers declare, 1 GiB, or 1100 times the packed size.
//
// The error is a *ShortError if the file ends too early, a *CardError if a
// card that lays the data out can not be used. r must stay open while the File
// or an Image of it is used.
func Open(name string, r io.ReaderAt, size int64) (*File, error) {
	f := &File{name: name, src: r, size: size}
	var magic [6]byte
	n, err := r.ReadAt(magic[:], 0)
	if err != nil && err != io.EOF {
		return nil, f.readError(0, err)
	}
	m := magic[:n]
	section := io.NewSectionReader(r, 0, size)
	switch {
	case bytes.HasPrefix(m, []byte{0x1f, 0x8b}):
		f.wrapper = "gzip"
	case bytes.HasPrefix(m, []byte("BZh")):
		f.wrapper = "bzip2"
	case bytes.HasPrefix(m, []byte{0x1f, 0x9d}), bytes.HasPrefix(m, []byte("PK\x03\x04")),
		bytes.HasPrefix(m, []byte{0xfd, '7', 'z', 'X', 'Z'}), bytes.HasPrefix(m, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		return nil, fmt.Errorf("fits: %s: the file is an archive of another kind: want it plain, or packed with gzip or bzip2", name)
	}
	if f.wrapper != "" {
		f.packed = newSpool(f.wrapper, section, size)
		f.src, f.size = f.packed, -1
	}
	if _, err := f.HDU(0); err != nil {
		return nil, err
	}
	return f, nil
}

// Name returns the name given to Open.
func (f *File) Name() string { return f.name }

// Wrapper returns "gzip" or "bzip2" for a packed file and "" for a plain one.
func (f *File) Wrapper() string { return f.wrapper }

// HDU returns header and data unit i, counted from 0, reading the headers up
// to it if they have not been read. The error is io.EOF if the file ends
// before it. Whatever follows the last unit and is not an extension is left
// alone.
func (f *File) HDU(i int) (*HDU, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for len(f.hdus) <= i && f.err == nil {
		f.err = f.readNext()
	}
	if i < len(f.hdus) {
		return f.hdus[i], nil
	}
	return nil, f.err
}

// Whole returns nil if every unit is there to its last pixel, a *ShortError if
// the file is cut or still being written, and any other error that stands in
// the way of the last header. It reads headers only, except that a packed file
// is unpacked to its end.
func (f *File) Whole() error {
	if _, err := f.HDU(maxHDUs); err != io.EOF {
		return err
	}
	return nil
}

// maxHDUs bounds the units looked at in one file.
const maxHDUs = 10000

// readNext appends the next unit.
func (f *File) readNext() error {
	n := len(f.hdus)
	if n == maxHDUs {
		return fmt.Errorf("fits: %s: more than %d units: want fewer", f.name, maxHDUs)
	}
	if n > 0 {
		// The data before it must be there, or the file is still growing.
		last := f.hdus[n-1]
		if err := f.have(last.index, last.data+last.lay.bytes); err != nil {
			return err
		}
	}
	h, data, err := f.readHeader(n, f.next)
	if err != nil {
		return err
	}
	lay, err := h.layout()
	if err != nil {
		return err
	}
	if n > 0 && f.hdus[0].lay.bytes == 0 {
		if inherit, ok := h.own("INHERIT"); !ok || inherit.Value != "F" {
			h.parent = f.hdus[0].Header
		}
	}
	f.hdus = append(f.hdus, &HDU{Header: h, file: f, index: n, data: data, lay: lay})
	f.next = data + padded(lay.bytes)
	return nil
}

// have returns a *ShortError unless the file holds at least want bytes.
func (f *File) have(hdu int, want int64) error {
	if f.packed == nil {
		if f.size < want {
			return &ShortError{Name: f.name, HDU: hdu, Have: f.size, Want: want}
		}
		return nil
	}
	got, err := f.packed.fill(want)
	if got >= want {
		return nil
	}
	if err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF) {
		return &ShortError{Name: f.name, HDU: hdu, Have: got, Want: want}
	}
	return f.readError(hdu, err)
}

// readError wraps an error of the reader below.
func (f *File) readError(hdu int, err error) error {
	if err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF) {
		return &ShortError{Name: f.name, HDU: hdu, Have: max(f.size, 0), Want: max(f.size, 0) + 1}
	}
	return fmt.Errorf("fits: %s: HDU %d: reading: %w", f.name, hdu, err)
}

// Image returns the first image with data: the primary unit's, an
// extension's, or a tile-compressed one. The error says what the file holds
// instead, or what is wrong with the image; it is a *ShortError if the image
// is not all there.
func (f *File) Image() (*Image, error) {
	var found []string
	for i := 0; ; i++ {
		u, err := f.HDU(i)
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		if u.IsImage() {
			return u.Image()
		}
		if len(found) < 8 {
			found = append(found, fmt.Sprintf("HDU %d is %s", i, u.describe()))
		}
	}
	return nil, fmt.Errorf("fits: %s: no image: %s: want an image with pixels", f.name, strings.Join(found, ", "))
}
