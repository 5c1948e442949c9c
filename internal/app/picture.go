package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"holdfast/internal/frame"
	"holdfast/internal/star"
)

// mostSide is how many pixels the longer side of a drawn frame has at most.
const mostSide = 1600

// Picture is a frame made ready to be drawn.
type Picture struct {
	Pixels *frame.Frame // averaged by Bin
	Bin    int
	YUp    bool   // the first row stored lies at the bottom
	Why    string // how that is known
}

// Drawable returns which of the frames a picture in the file out would be of:
// there must be one, and out must be neither that nor another frame. The error
// is a UsageError.
func (t Frames) Drawable(out string) (string, error) {
	wrong := func(format string, args ...any) (string, error) {
		return "", &UsageError{Flag: "picture", Err: fmt.Errorf(format, args...)}
	}
	names, err := t.list()
	if err != nil {
		return "", err
	}
	if len(names) != 1 {
		return wrong("found %d frames: want one; a picture shows a single frame", len(names))
	}
	if !strings.HasSuffix(strings.ToLower(out), ".svg") {
		return wrong("found %s: want a name that ends in .svg", out)
	}
	info, err := os.Stat(out)
	if err != nil {
		return names[0], nil // there is none: nothing is lost
	}
	if own, err := os.Stat(names[0]); err == nil && os.SameFile(own, info) {
		return wrong("%s is the frame itself: want another name", out)
	}
	if info.IsDir() {
		return wrong("%s is a folder: want the name of a file", out)
	}
	f, err := os.Open(out)
	if err != nil {
		return wrong("%s: %s", out, cause(err))
	}
	defer f.Close()
	if isFrame(f) {
		return wrong("%s holds a frame, not a picture: want another name", out)
	}
	return names[0], nil
}

// isFrame reports whether a file begins as FITS does.
func isFrame(r io.Reader) bool {
	head := make([]byte, 9)
	_, err := io.ReadFull(r, head)
	return err == nil && bytes.Equal(head, []byte("SIMPLE  ="))
}

// Picture opens a frame again and averages it down to what a picture shows, at
// most 1600 pixels a side. Of a mosaic the like pixels of two by two are
// averaged at least.
//
// Rows are drawn as the header says that they are stored (ROWORDER); without
// that word the first row of FITS lies at the bottom, and that of a picture
// without header on top.
func (t Frames) Picture(ctx context.Context, name string) (*Picture, error) {
	fr, err := open(name)
	if err != nil {
		return nil, err
	}
	defer fr.close()
	p := &Picture{Bin: (max(fr.Width, fr.Height) + mostSide - 1) / mostSide}
	if fr.Lattice != frame.Full {
		p.Bin = max(2, (p.Bin+1)&^1)
	}
	if p.Bin > min(fr.Width, fr.Height) {
		return nil, errors.New("app: the frame is too narrow to be drawn")
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p.YUp, p.Why = RowsUp(fr.Frame)
	if p.Pixels, err = fr.Binned(p.Bin); err != nil {
		return nil, err
	}
	return p, ctx.Err()
}

// RowsUp reports whether the first row stored lies at the bottom, and how that
// is known.
//
// Common practice, no source; that word is a habit of capture programs.
func RowsUp(fr *frame.Frame) (up bool, why string) {
	if fr.Header == nil {
		return false, ""
	}
	order, ok := fr.Header.Text("ROWORDER")
	switch strings.ToUpper(strings.TrimSpace(order)) {
	case "TOP-DOWN":
		return false, "ROWORDER"
	case "BOTTOM-UP":
		return true, "ROWORDER"
	}
	if ok {
		return true, "as FITS is drawn; ROWORDER is not understood"
	}
	return true, "as FITS is drawn"
}

// Portrait measures a frame, or reads a table of stars, and makes its picture; a
// table's has no pixels.
func Portrait(ctx context.Context, name string) (star.Frame, *Picture, error) {
	head, err := firstBytes(name)
	if err != nil {
		return star.Frame{}, nil, fmt.Errorf("app: %s: %s", name, cause(err))
	}
	if star.IsTable(head) {
		data, err := os.ReadFile(name)
		if err != nil {
			return star.Frame{}, nil, fmt.Errorf("app: %s: %s", name, cause(err))
		}
		m, _, err := star.ReadTable(name, bytes.NewReader(data))
		return m, &Picture{YUp: true}, err
	}
	m, _, err := Frames{}.look(name)
	if err != nil {
		return m, nil, err
	}
	p, err := Frames{}.Picture(ctx, name)
	return m, p, err
}
