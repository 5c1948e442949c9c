package fits

import (
	"bytes"
	"compress/gzip"
	"io"
	"math/rand/v2"
	"testing"
)

// TestSpool reads a packed file here and there, also over its end, and gets
// what a plain one gives.
func TestSpool(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 0))
	plain := make([]byte, 3*spoolChunk+1234)
	for i := range plain {
		plain[i] = byte(rng.Uint32())
	}
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	w.Write(plain)
	w.Close()
	s := newSpool("gzip", bytes.NewReader(z.Bytes()), int64(z.Len()))
	want := bytes.NewReader(plain)
	for range 2000 {
		off := rng.Int64N(int64(len(plain)) + 100)
		a := make([]byte, rng.IntN(2*spoolChunk))
		b := make([]byte, len(a))
		n, err := s.ReadAt(a, off)
		m, wantErr := want.ReadAt(b, off)
		if n != m || !bytes.Equal(a[:n], b[:m]) {
			t.Fatalf("%d bytes at %d: got %d, want %d of the same", len(a), off, n, m)
		}
		if (err == nil) != (wantErr == nil) && len(a) > 0 || err != nil && err != io.EOF {
			t.Fatalf("%d bytes at %d: got %v, want %v", len(a), off, err, wantErr)
		}
	}
}
