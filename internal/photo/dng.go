package photo

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// mosaic returns the colours of the first two rows of two pixels.
func (d *directory) mosaic(kind Kind) (string, error) {
	dim, err := d.wholes(tagCFARepeat, 2)
	if err != nil {
		return "", err
	}
	pattern, err := d.wholes(tagCFAPattern, 64)
	if err != nil {
		return "", err
	}
	if dim == nil && pattern == nil && kind == TIFF {
		return "", nil // the pixels will have to tell
	}
	if !slices.Equal(dim, []int64{2, 2}) {
		return "", d.bad(tagCFARepeat, dim, "[2 2]: mosaics of other shapes are not taken apart; convert the picture to a 16-bit TIFF in red, green and blue without sharpening")
	}
	layout, err := d.whole(tagCFALayout, 1)
	if err != nil {
		return "", err
	}
	if layout != 1 {
		return "", d.bad(tagCFALayout, layout, "1, a rectangular layout: convert the picture to a 16-bit TIFF in red, green and blue without sharpening")
	}
	if len(pattern) != 4 {
		return "", d.bad(tagCFAPattern, pattern, "four colours")
	}
	name := make([]byte, 4)
	for i, c := range pattern {
		if c > 6 {
			return "", d.bad(tagCFAPattern, pattern, "colours from 0 to 6")
		}
		name[i] = "RGBCMYW"[c]
	}
	if name[0] == name[1] && name[0] == name[2] && name[0] == name[3] {
		return "", nil // one colour throughout is no mosaic
	}
	return string(name), nil
}

// readDNG reads what DNG says of the values and of the part of the picture
// that light fell on.
func (l *layout) readDNG(m *Image) error {
	d := l.dir
	m.Linear = true
	for _, tag := range []uint16{tagRowInterleave, tagColumnInterleave, tagSubTileBlock} {
		v, err := d.wholes(tag, 2)
		if err != nil {
			return err
		}
		for _, n := range v {
			if n != 1 {
				return d.bad(tag, v, "1: rows, columns or blocks out of their order are not put back")
			}
		}
	}
	if err := l.readArea(m); err != nil {
		return err
	}
	white, err := d.floats(tagWhiteLevel, int64(m.Planes))
	if err != nil {
		return err
	}
	if m.Float {
		m.White = 1 // DNG 1.7, WhiteLevel
	}
	table, err := d.wholes(tagLinearization, 1<<16)
	if err != nil {
		return err
	}
	if table != nil {
		if m.Float || m.Signed || l.bits > 16 {
			return d.bad(tagLinearization, "there", "none for samples that are not unsigned numbers of up to 16 bits")
		}
		for _, v := range table {
			if v > math.MaxUint16 {
				return d.bad(tagLinearization, v, "at most 65535")
			}
			l.table = append(l.table, uint16(v))
		}
		m.White = float64(l.table[len(l.table)-1])
		m.Notes = append(m.Notes, "the file's table of linearisation is applied")
	}
	if len(white) > 0 {
		// The planes share a ceiling: the lowest.
		w := slices.Min(white)
		if !(w > 0) || math.IsInf(w, 0) {
			return d.bad(tagWhiteLevel, white, "a level above 0")
		}
		m.White = w
	}
	return l.readBlack(m)
}

// readArea reads which part of the stored pixels saw light.
func (l *layout) readArea(m *Image) error {
	a, err := l.dir.wholes(tagActiveArea, 4)
	if err != nil || a == nil {
		return err
	}
	if len(a) < 4 || a[0] >= a[2] || a[1] >= a[3] || a[2] > int64(l.height) || a[3] > int64(l.width) {
		return l.dir.bad(tagActiveArea, a, fmt.Sprintf("top, left, bottom and right inside %d rows of %d pixels", l.height, l.width))
	}
	l.y0, l.x0 = int(a[0]), int(a[1])
	m.Height, m.Width = int(a[2]-a[0]), int(a[3]-a[1])
	l.outW = m.Width
	return nil
}

// A leveller takes off by how much the black level of a pixel of one plane is
// above the least.
type leveller struct {
	rows, cols int
	repeat     []float32 // rows by cols
	across     []float32 // of each column; nil for none
	down       []float32 // of each row; nil for none
}

// readBlack reads the black levels: a pattern that repeats, and what is added
// for each column and row (DNG 1.7, BlackLevel and the tags around it).
func (l *layout) readBlack(m *Image) error {
	d := l.dir
	dim, err := d.wholes(tagBlackRepeat, 2)
	if err != nil {
		return err
	}
	if dim == nil {
		dim = []int64{1, 1}
	}
	if len(dim) < 2 || dim[0] < 1 || dim[1] < 1 || dim[0] > 256 || dim[1] > 256 {
		return d.bad(tagBlackRepeat, dim, "rows and columns, each from 1 to 256")
	}
	samples, err := d.whole(tagSamples, 1)
	if err != nil {
		return err
	}
	n := int(dim[0] * dim[1])
	level, err := d.floats(tagBlackLevel, int64(n)*samples)
	if err != nil {
		return err
	}
	if level != nil && int64(len(level)) < int64(n)*samples {
		return d.bad(tagBlackLevel, fmt.Sprintf("a list of %d", len(level)), fmt.Sprintf("%d, for %d by %d pixels of %d samples", int64(n)*samples, dim[0], dim[1], samples))
	}
	across, err := l.deltas(tagBlackDeltaH, m.Width)
	if err != nil {
		return err
	}
	down, err := l.deltas(tagBlackDeltaV, m.Height)
	if err != nil {
		return err
	}
	base := math.Inf(1)
	for i, v := range level {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return d.bad(tagBlackLevel, v, "a number")
		}
		if i%int(samples) < m.Planes {
			base = min(base, v)
		}
	}
	if level == nil {
		base = 0
	}
	m.Black = base
	var black []leveller
	uneven, whole, most := across != nil || down != nil, across == nil && down == nil, 0.0
	for k := range m.Planes {
		v := leveller{int(dim[0]), int(dim[1]), make([]float32, n), across, down}
		if level != nil {
			for i := range v.repeat {
				over := level[i*int(samples)+k] - base
				v.repeat[i] = float32(over)
				uneven = uneven || over != 0
				whole = whole && over == math.Trunc(over)
				most = max(most, over)
			}
		}
		black = append(black, v)
	}
	if !uneven {
		return nil
	}
	l.black = black
	m.Whole = m.Whole && whole
	m.White -= most + highest(across) + highest(down)
	if !(m.White > 0) {
		return d.bad(tagBlackLevel, level, "levels below WhiteLevel")
	}
	m.Notes = append(m.Notes, "the black level differs among the pixels: its differences are taken off")
	return nil
}

// deltas reads what is added to the black level of each of n columns or rows.
func (l *layout) deltas(tag uint16, n int) ([]float32, error) {
	v, err := l.dir.floats(tag, int64(n))
	if err != nil || v == nil {
		return nil, err
	}
	if len(v) < n {
		return nil, l.dir.bad(tag, fmt.Sprintf("a list of %d", len(v)), fmt.Sprintf("%d", n))
	}
	var out []float32
	zero := true
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, l.dir.bad(tag, x, "a number")
		}
		zero = zero && x == 0
		out = append(out, float32(x))
	}
	if zero {
		return nil, nil
	}
	return out, nil
}

// highest returns the greatest of v, at least 0.
func highest(v []float32) float64 {
	most := float32(0)
	for _, x := range v {
		most = max(most, x)
	}
	return float64(most)
}

// take takes the differences off row y.
func (v *leveller) take(row []float32, y int) {
	repeat := v.repeat[y%v.rows*v.cols:][:v.cols]
	over := float32(0)
	if v.down != nil {
		over = v.down[y]
	}
	c := 0
	for x := range row {
		row[x] -= repeat[c] + over
		if c++; c == v.cols {
			c = 0
		}
	}
	if v.across != nil {
		for x, d := range v.across {
			row[x] -= d
		}
	}
}

// levelled is ints in float32, with the differences of the black level taken
// off if there is a leveller.
func (l *layout) levelled(ints func(y0, y1 int, dst []uint16) error, v *leveller, y0, y1 int, dst []float32) error {
	w := works.Get().(*work)
	defer works.Put(w)
	n := max(1, chunkBytes/2/l.outW)
	for y := y0; y < y1; y += n {
		end := min(y1, y+n)
		w.row = grow(w.row, (end-y)*l.outW)
		if err := ints(y, end, w.row); err != nil {
			return err
		}
		out := dst[(y-y0)*l.outW:][:len(w.row)]
		for i, u := range w.row {
			out[i] = float32(u)
		}
		if v != nil {
			for r := y; r < end; r++ {
				v.take(out[(r-y)*l.outW:][:l.outW], r)
			}
		}
	}
	return nil
}

// checkJPEG refuses JPEG with loss by the headers of the first strip or tile.
func (l *layout) checkJPEG() error {
	b := make([]byte, l.bytes[0])
	if err := l.file.read(b, l.offsets[0], l.segmentName(0)); err != nil {
		return err
	}
	var z lossless
	_, err := z.readHeaders(b)
	if lossy := (*lossyError)(nil); errors.As(err, &lossy) {
		return l.file.errorf("%s: %w: a picture compressed with loss: %s", l.segmentName(0), err, instead)
	}
	if err != nil {
		return l.file.errorf("%s: %w", l.segmentName(0), err)
	}
	return nil
}
