package fits

import (
	"compress/bzip2"
	"compress/gzip"
	"fmt"
	"io"
	"sync"
)

const (
	// maxUnpacked bounds the memory a packed file may take: a frame of 150
	// megapixels in 32 bits is 0.6 GB.
	maxUnpacked = 1 << 30
	// maxRatio bounds how much smaller than its content a packed file may be.
	// DEFLATE can not do better than 1032:1 (Deutsch 1996, RFC 1951: 258 bytes
	// in two bits); no real frame comes near that with bzip2 either.
	maxRatio   = 1100
	spoolChunk = 1 << 16
)

// A spool unpacks a stream into memory as far as it is read, and reads from
// there.
type spool struct {
	kind   string
	packed io.Reader
	limit  int64

	mu     sync.Mutex
	r      io.Reader // nil until the first fill
	chunks [][]byte  // all of spoolChunk bytes, the last filled in part
	n      int64
	err    error // why it does not go on; io.EOF at the end
}

// newSpool unpacks r, which holds size bytes packed by kind, gzip or bzip2.
func newSpool(kind string, r io.Reader, size int64) *spool {
	limit := int64(maxUnpacked)
	if size < maxUnpacked/maxRatio {
		limit = size*maxRatio + spoolChunk
	}
	return &spool{kind: kind, packed: r, limit: limit}
}

// fill unpacks until n bytes are there and returns how many are, with the
// reason if they are fewer.
func (s *spool) fill(n int64) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n <= s.n {
		return s.n, nil
	}
	if n > s.limit {
		return s.n, fmt.Errorf("%d bytes declared inside %s: want no more than %d, which is all that is unpacked from a file of this size", n, s.kind, s.limit)
	}
	if s.r == nil && s.err == nil {
		if s.kind == "bzip2" {
			s.r = bzip2.NewReader(s.packed)
		} else {
			s.r, s.err = newGzip(s.packed)
		}
	}
	for s.n < n && s.err == nil {
		at := int(s.n % spoolChunk)
		if at == 0 {
			s.chunks = append(s.chunks, make([]byte, spoolChunk))
		}
		var got int
		got, s.err = s.r.Read(s.chunks[len(s.chunks)-1][at:])
		s.n += int64(got)
	}
	return s.n, s.err
}

// newGzip is gzip.NewReader with the end of the file in mid-header told as
// what it is.
func newGzip(r io.Reader) (io.Reader, error) {
	z, err := gzip.NewReader(r)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, err
	}
	return z, nil
}

// ReadAt implements io.ReaderAt. The end of the packed data, clean or not, is
// io.EOF here; fill tells the reason.
func (s *spool) ReadAt(p []byte, off int64) (int, error) {
	have, err := s.fill(off + int64(len(p)))
	if have <= off {
		if err == io.ErrUnexpectedEOF {
			err = io.EOF
		}
		return 0, err
	}
	s.mu.Lock()
	chunks := s.chunks
	s.mu.Unlock()
	n := 0
	for n < len(p) && off < have {
		chunk := chunks[off/spoolChunk]
		at := off % spoolChunk
		end := min(int64(spoolChunk), at+have-off)
		k := copy(p[n:], chunk[at:end])
		n += k
		off += int64(k)
	}
	if n < len(p) {
		if err == nil || err == io.ErrUnexpectedEOF {
			err = io.EOF
		}
		return n, err
	}
	return n, nil
}
