package app

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/fits"
	"holdfast/internal/frame"
	"holdfast/internal/sky"
)

// TestPicture makes a drawn frame ready, and refuses what is no place for a
// picture.
func TestPicture(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.fits")
	drawSky(t, path, sky.Direction{RA: 311.3, Dec: 30.7}, 5)
	p, err := Frames{}.Picture(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	if p.Bin != 1 || p.Pixels.Width != 1000 || p.Pixels.Height != 800 || !p.YUp {
		t.Errorf("%+v", p)
	}
	row := make([]float32, 1000)
	if err := p.Pixels.Rows(799, 800, row); err != nil || row[500] < 300 || row[500] > 700 {
		t.Errorf("the last row holds %v, %v: want the sky, 500", row[500], err)
	}

	second := filepath.Join(dir, "b.fits")
	drawSky(t, second, sky.Direction{RA: 10, Dec: 30.7}, 5)
	text := filepath.Join(dir, "old.svg")
	if err := os.WriteFile(text, []byte("<svg/>"), 0o666); err != nil {
		t.Fatal(err)
	}
	disguised := filepath.Join(dir, "frame.svg")
	whole, err := os.ReadFile(second)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(disguised, whole, 0o666); err != nil {
		t.Fatal(err)
	}
	linked := filepath.Join(dir, "linked.svg")
	if err := os.Link(path, linked); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		files []string
		out   string
		want  string // "" if it is drawable
	}{
		{[]string{path}, filepath.Join(dir, "new.svg"), ""},
		{[]string{path}, filepath.Join(dir, "NEW.SVG"), ""},
		{[]string{path}, text, ""},
		{[]string{path, second}, filepath.Join(dir, "new.svg"), "2 frames"},
		{[]string{dir}, filepath.Join(dir, "new.svg"), "2 frames"},
		{[]string{path}, filepath.Join(dir, "new.png"), "ends in .svg"},
		{[]string{path}, path, "ends in .svg"},
		{[]string{path}, linked, "the frame itself"},
		{[]string{path}, disguised, "holds a frame"},
	} {
		name, err := Frames{Files: tt.files}.Drawable(tt.out)
		if tt.want == "" {
			if err != nil || name != path {
				t.Errorf("%v into %s: %q, %v", tt.files, tt.out, name, err)
			}
			continue
		}
		if _, ok := errors.AsType[*UsageError](err); !ok || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v into %s: %v, want %q", tt.files, tt.out, err, tt.want)
		}
	}
}

// TestRowsUp: the header's word on the order of rows is taken; without it the
// first row lies at the bottom, without a header on top.
func TestRowsUp(t *testing.T) {
	dir := t.TempDir()
	for _, tt := range []struct {
		word string
		up   bool
	}{{"", true}, {"TOP-DOWN", false}, {"top-down", false}, {"BOTTOM-UP", true}, {"SIDEWAYS", true}} {
		var cards []fits.Card
		if tt.word != "" {
			c, err := fits.NewCard("ROWORDER", tt.word, "")
			if err != nil {
				t.Fatal(err)
			}
			cards = append(cards, c)
		}
		path := filepath.Join(dir, "r.fits")
		drawSky(t, path, sky.Direction{RA: 10, Dec: 30}, 5, cards...)
		fr, err := open(path)
		if err != nil {
			t.Fatal(err)
		}
		if up, why := RowsUp(fr.Frame); up != tt.up || why == "" {
			t.Errorf("%q: %v (%s), want %v", tt.word, up, why, tt.up)
		}
		if err := fr.close(); err != nil {
			t.Error(err)
		}
	}
	if up, _ := RowsUp(frame.FromPixels(4, 4, make([]float32, 16))); up {
		t.Error("without a header the first row lies at the bottom")
	}
}

// TestPictureOfMosaic: of a mosaic only the green pixels are drawn, which takes
// two by two at least.
func TestPictureOfMosaic(t *testing.T) {
	dir := t.TempDir()
	const w, h = 64, 48
	pixels := make([]uint16, w*h)
	for k := range pixels {
		pixels[k] = 5000
		if (k%w+k/w)%2 == 1 {
			pixels[k] = 1000 // green of RGGB
		}
	}
	c, err := fits.NewCard("BAYERPAT", "RGGB", "")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "m.fits")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	fw, err := fits.NewWriter[uint16](f, []int{w, h}, []fits.Card{c})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(fw.Write(pixels), fw.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
	p, err := Frames{}.Picture(context.Background(), path)
	if err != nil || p.Bin != 2 {
		t.Fatalf("%+v, %v", p, err)
	}
	got := make([]float32, p.Pixels.Width*p.Pixels.Height)
	if err := p.Pixels.Rows(0, p.Pixels.Height, got); err != nil {
		t.Fatal(err)
	}
	for k, v := range got {
		if v != 1000 {
			t.Fatalf("pixel %d holds %v, want the green 1000", k, v)
		}
	}
}
