package frame

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/png"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"holdfast/internal/photo"
	"holdfast/internal/testkit"
)

// tag is a field of a TIFF whose values are whole numbers, or ratios over 1000
// for type 5, or a text.
type tag struct {
	id, typ uint16
	v       []int
	text    string
}

// tiffOf returns a TIFF of one strip, little-endian, with the tags beside those
// that lay it out; width times height samples of 16 bits, or three times that.
func tiffOf(w, h int, pixels []uint16, photometric int, more ...tag) []byte {
	le := binary.LittleEndian
	data, err := binary.Append(nil, le, pixels)
	if err != nil {
		panic(err)
	}
	n := len(pixels) / (w * h)
	tags := append([]tag{{256, 4, []int{w}, ""}, {257, 4, []int{h}, ""}, {258, 3, slices.Repeat([]int{16}, n), ""}, {259, 3, []int{1}, ""}, {262, 3, []int{photometric}, ""},
		{273, 4, []int{8}, ""}, {277, 3, []int{n}, ""}, {279, 4, []int{len(data)}, ""}}, more...)
	slices.SortFunc(tags, func(a, b tag) int { return int(a.id) - int(b.id) })
	b := append(append([]byte("II*\x00"), 0, 0, 0, 0), data...)
	var dir []byte
	for _, g := range tags {
		v := []byte(g.text)
		count := len(g.v)
		for _, x := range g.v {
			switch g.typ {
			case 1:
				v = append(v, byte(x))
			case 3:
				v = le.AppendUint16(v, uint16(x))
			case 4:
				v = le.AppendUint32(v, uint32(x))
			case 5:
				v = le.AppendUint32(le.AppendUint32(v, uint32(x)), 1000)
			}
		}
		if g.typ == 2 {
			v = append(v, 0)
			count = len(v)
		}
		if len(v) > 4 {
			at := len(b)
			b = append(b, v...)
			v = le.AppendUint32(nil, uint32(at))
		}
		dir = le.AppendUint32(le.AppendUint16(le.AppendUint16(dir, g.id), g.typ), uint32(count))
		dir = append(append(dir, v...), make([]byte, 4-len(v))...)
	}
	le.PutUint32(b[4:], uint32(len(b)))
	b = append(le.AppendUint16(b, uint16(len(tags))), dir...)
	return append(b, 0, 0, 0, 0)
}

// dngTags make a DNG of a TIFF.
func dngTags(pattern ...int) []tag {
	return []tag{{33421, 3, []int{2, 2}, ""}, {33422, 1, pattern, ""}, {50706, 1, []int{1, 4, 0, 0}, ""}}
}

func fromBytes(t *testing.T, b []byte) *Frame {
	t.Helper()
	m, err := photo.Open("a picture", bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := FromPhoto(m)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// noise returns n pixels about 1000.
func noise(n int) []uint16 {
	r := rand.New(rand.NewPCG(8, 1))
	v := make([]uint16, n)
	for i := range v {
		v[i] = uint16(1000 + 20*r.NormFloat64())
	}
	return v
}

// TestFromPhoto: what is known of a picture reaches the frame.
func TestFromPhoto(t *testing.T) {
	const w, h = 40, 30
	grey := noise(w * h)
	colour := noise(3 * w * h)
	const curve = "tone curve unknown"
	var eight bytes.Buffer
	if err := png.Encode(&eight, image.NewGray(image.Rect(0, 0, w, h))); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name    string
		file    []byte
		ceiling float64
		lattice Lattice
		bits    int
		uint16s bool
		notes   []string
		value   float64 // of pixel 5, 3
	}{
		{"grey TIFF", tiffOf(w, h, grey, 1), 65535, Full, 16, true, nil, float64(grey[3*w+5])},
		{"colour TIFF", tiffOf(w, h, colour, 2), 65535, Full, 16, true, []string{"green plane", curve}, float64(colour[3*(3*w+5)+1])},
		{"8-bit PNG", eight.Bytes(), 255, Full, 8, true, []string{curve}, 0},
		{"DNG", tiffOf(w, h, grey, 32803, append(dngTags(0, 1, 1, 2), tag{50717, 4, []int{4000}, ""}, tag{50714, 3, []int{200}, ""})...),
			4000, GreenOdd, 16, true, []string{"RGGB"}, float64(grey[3*w+5])},
		{"DNG that begins with green", tiffOf(w, h, grey, 32803, dngTags(1, 2, 0, 1)...), 65535, GreenEven, 16, true, []string{"GBRG"}, float64(grey[3*w+5])},
		{"DNG of uneven black", tiffOf(w, h, grey, 32803, append(dngTags(1, 2, 0, 1), tag{50713, 3, []int{2, 2}, ""}, tag{50714, 3, []int{200, 205, 203, 200}, ""})...),
			65530, GreenEven, 16, false, []string{"black level", "GBRG"}, float64(grey[3*w+5])},
		{"DNG of one colour", tiffOf(w, h, grey, 34892, tag{50706, 1, []int{1, 4, 0, 0}, ""}), 65535, Full, 16, true, nil, float64(grey[3*w+5])},
	} {
		f := fromBytes(t, tt.file)
		if float64(f.Ceiling) != tt.ceiling || f.Lattice != tt.lattice || f.Bits != tt.bits || f.IsUint16() != tt.uint16s || !f.Whole || f.Gain != (Gain{}) {
			t.Errorf("%s: ceiling %v, lattice %v, %d bits, IsUint16 %v, whole %v, gain %v", tt.name, f.Ceiling, f.Lattice, f.Bits, f.IsUint16(), f.Whole, f.Gain)
		}
		if len(f.Notes) != len(tt.notes) {
			t.Errorf("%s: notes %q, want %q", tt.name, f.Notes, tt.notes)
		}
		for i, n := range f.Notes[:min(len(f.Notes), len(tt.notes))] {
			if !strings.Contains(n, tt.notes[i]) {
				t.Errorf("%s: note %q, want %q in it", tt.name, n, tt.notes[i])
			}
		}
		row := make([]float32, w)
		if err := f.Rows(3, 4, row); err != nil || float64(row[5]) != tt.value {
			t.Errorf("%s: got %v, %v; want %v", tt.name, row[5], err, tt.value)
		}
	}
	if _, err := func() (*Frame, error) {
		b := tiffOf(w, h, grey, 32803, dngTags(3, 4, 5, 6)...)
		m, err := photo.Open("a picture", bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		return FromPhoto(m)
	}(); err == nil || !strings.Contains(err.Error(), "CMYW") {
		t.Errorf("a mosaic without green: %v", err)
	}
}

// TestPhotoHeader: the facts of the exposure stand in the header as FITS has
// them, and a camera's clock is not taken for UTC.
func TestPhotoHeader(t *testing.T) {
	const w, h = 20, 20
	facts := []tag{{33434, 5, []int{2500}, ""}, {33437, 5, []int{5600}, ""}, {34855, 3, []int{1600}, ""}, {36867, 2, nil, "2024:03:05 21:07:09"}, {37386, 5, []int{400_000}, ""}}
	f := fromBytes(t, tiffOf(w, h, noise(w*h), 1, append(facts, tag{36881, 2, nil, "-02:00"})...))
	const src = "what was written"
	for _, tt := range []struct {
		key  string
		want float64
	}{{"EXPTIME", 2.5}, {"FOCALLEN", 400}, {"APTDIA", 400 / 5.6}, {"ISOSPEED", 1600}} {
		v, ok := f.Header.Float(tt.key)
		if !ok {
			t.Errorf("no %s", tt.key)
		}
		testkit.NearRel(t, v, tt.want, 1e-12, src)
	}
	if at, ok := f.Header.Start(); !ok || at.Time.Format("2006-01-02T15:04:05") != "2024-03-05T23:07:09" {
		t.Errorf("begun at %v, %v", at, ok)
	}
	if order, _ := f.Header.Text("ROWORDER"); order != "TOP-DOWN" {
		t.Errorf("row order %q", order)
	}
	if _, ok := f.Header.Float("XPIXSZ"); ok {
		t.Error("a pixel from nowhere")
	}
	f = fromBytes(t, tiffOf(w, h, noise(w*h), 1, append(facts, tag{274, 3, []int{4}, ""})...))
	if at, ok := f.Header.Start(); ok {
		t.Errorf("a clock without zone is taken for UTC: %v", at)
	}
	if clock, _ := f.Header.Text("DATE-LOC"); clock != "2024-03-05T21:07:09" {
		t.Errorf("the camera's clock is %q", clock)
	}
	if order, _ := f.Header.Text("ROWORDER"); order != "BOTTOM-UP" {
		t.Errorf("row order %q", order)
	}
}

// TestUndeclaredMosaic: a TIFF of a mosaic that does not say so.
func TestUndeclaredMosaic(t *testing.T) {
	const w, h = 200, 160
	pixels := noise(w * h)
	for i := range pixels {
		switch x, y := i%w&1, i/w&1; {
		case x == 0 && y == 0:
			pixels[i] -= 300
		case x == 1 && y == 1:
			pixels[i] -= 450
		}
	}
	if f := fromBytes(t, tiffOf(w, h, pixels, 1)); f.Lattice != GreenOdd {
		t.Errorf("lattice %v, want the like pixels", f.Lattice)
	}
}
