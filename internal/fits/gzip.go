package fits

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
)

// gunzip unpacks tiles, keeping its tables from one to the next.
type gunzip struct {
	src bytes.Reader
	z   *gzip.Reader
}

// unpack appends what src unpacks to, at most limit bytes, to dst.
func (g *gunzip) unpack(dst, src []byte, limit int) ([]byte, error) {
	g.src.Reset(src)
	var err error
	if g.z == nil {
		g.z, err = gzip.NewReader(&g.src)
	} else {
		err = g.z.Reset(&g.src)
	}
	if err != nil {
		return dst, unpackError(err)
	}
	for {
		if len(dst) == cap(dst) {
			// Doubling: what is taken follows what came out.
			dst = append(dst, 0)[:len(dst)]
		}
		n, err := g.z.Read(dst[len(dst):min(cap(dst), limit+1)])
		dst = dst[:len(dst)+n]
		if len(dst) > limit {
			return dst, fmt.Errorf("more than %d bytes unpacked: want the tile's pixels and no more", limit)
		}
		if err == io.EOF {
			return dst, nil
		}
		if err != nil {
			return dst, unpackError(err)
		}
	}
}

// unpackError keeps the end of a tile from looking like the end of the file.
func unpackError(err error) error {
	if isEOF(err) {
		return errors.New("the gzip data end early: want all of them")
	}
	return err
}

// unshuffle undoes GZIP_2's order: all first bytes of the pixels, then all
// second ones.
func unshuffle(dst, src []byte, size int) {
	n := len(src) / size
	for k := range size {
		plane := src[k*n : (k+1)*n]
		for i, b := range plane {
			dst[i*size+k] = b
		}
	}
}
