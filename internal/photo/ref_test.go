package photo

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// pattern is what every reference picture shows, the numbers of v(x, y, c) in
// testdata/ref/make_ref.py.
func pattern(x, y, c int) int {
	v := x*x*7 + y*1931 + c*10007 + x*y*31>>3
	if (x*5+y*3)%11 == 0 {
		v += 40000
	}
	return v % 65536
}

// value is the pattern as a picture of a kind and so many bits holds it.
func value(kind string, bits, x, y, c int) float64 {
	v := pattern(x, y, c)
	switch {
	case kind == "int":
		return float64(v - 32768)
	case kind == "float" && bits == 16:
		return float64(v >> 6)
	case bits < 16:
		return float64(v >> (16 - bits))
	}
	return float64(v)
}

func openBytes(name string, b []byte) (*Image, error) {
	return Open(name, bytes.NewReader(b), int64(len(b)))
}

func open(t testing.TB, name string) *Image {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	m, err := openBytes(name, b)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// same fails t unless the picture is as large as it should be and every pixel
// of every plane is what want says, in bands of any height.
func same(t *testing.T, m *Image, w, h int, want func(x, y, c int) float64) {
	t.Helper()
	if m.Width != w || m.Height != h {
		t.Fatalf("got %d by %d pixels, want %d by %d", m.Width, m.Height, w, h)
	}
	for c := range m.Planes {
		p := m.Plane(c)
		for _, step := range []int{1, 3, h} {
			for y := 0; y < h; y += step {
				end := min(h, y+step)
				got := make([]float32, (end-y)*w)
				if err := p.Rows(y, end, got); err != nil {
					t.Fatal(err)
				}
				var ints []uint16
				if p.IsUint16() {
					ints = make([]uint16, len(got))
					if err := p.RowsUint16(y, end, ints); err != nil {
						t.Fatal(err)
					}
				}
				for i, v := range got {
					x, yy := i%w, y+i/w
					if wanted := want(x, yy, c); float64(v) != wanted || ints != nil && float64(ints[i]) != wanted {
						t.Fatalf("plane %d, pixel %d, %d: got %v, want %v", c, x, yy, v, wanted)
					}
				}
			}
		}
	}
}

// TestReference reads what other programs wrote, every pixel of it.
func TestReference(t *testing.T) {
	files, err := filepath.Glob("testdata/ref/*_*.*")
	if err != nil {
		t.Fatal(err)
	}
	read := 0
	for _, name := range files {
		base := filepath.Base(name)
		ext := filepath.Ext(base)
		if ext == ".py" || strings.HasPrefix(base, "lossy") {
			continue
		}
		t.Run(base, func(t *testing.T) {
			read++
			parts := strings.Split(strings.TrimSuffix(base, ext), "_")
			kind, bits := parts[0], map[string]int{"8": 8, "12": 12, "16": 16, "32": 32, "64": 64}[parts[1]]
			w, h, planes := 23, 17, 1
			switch kind {
			case "tall":
				h = 500
			case "reflow":
				w, h = 24, 16
			case "rgb", "linear":
				planes = 3
			}
			m := open(t, name)
			if m.Planes != planes || m.Bits != bits || m.Float != (kind == "float") || m.Signed != (kind == "int") {
				t.Errorf("got %d planes of %d bits, float %v, signed %v", m.Planes, m.Bits, m.Float, m.Signed)
			}
			if got, want := m.IsUint16(), bits <= 16 && kind != "int" && kind != "float"; got != want {
				t.Errorf("IsUint16 is %v, want %v", got, want)
			}
			white := 0.0
			if bits <= 16 && kind != "float" {
				white = math.Exp2(float64(bits)) - 1
			}
			if kind == "int" && bits == 16 {
				white = 32767
			}
			if m.White != white {
				t.Errorf("white is %v, want %v", m.White, white)
			}
			wantKind := map[string]Kind{".tif": TIFF, ".dng": DNG, ".png": PNG}[ext]
			if m.Kind != wantKind {
				t.Errorf("kind is %v, want %v", m.Kind, wantKind)
			}
			mosaic := ""
			if ext == ".dng" && planes == 1 {
				mosaic = "RGGB"
			}
			if m.Mosaic != mosaic || m.Linear != (ext == ".dng") {
				t.Errorf("got mosaic %q, linear %v; want %q", m.Mosaic, m.Linear, mosaic)
			}
			same(t, m, w, h, func(x, y, c int) float64 { return value(kind, bits, x, y, c) })
		})
	}
	if read < 55 {
		t.Errorf("got %d reference pictures, want at least 55", read)
	}
}

// TestReferenceFacts reads what PIL wrote of an exposure.
func TestReferenceFacts(t *testing.T) {
	const src = "written with PIL, testdata/ref/make_ref.py"
	for _, name := range []string{"grey_16_exif.png", "grey_8_exif.tif"} {
		f := open(t, "testdata/ref/"+name).Facts
		testkit.Near(t, f.Exposure, 2.5, 1e-12, src)
		testkit.Near(t, f.FNumber, 5.6, 1e-12, src)
		testkit.Near(t, f.ISO, 1600, 0, src)
		testkit.Near(t, f.Focal, 400, 0, src)
		testkit.Near(t, f.Pixel, unit.Micron(3.76), 1e-12, src)
		if want := time.Date(2024, 3, 5, 20, 7, 9, 250_000_000, time.UTC); !f.Taken.Equal(want) || !f.Zone {
			t.Errorf("%s: taken %v, zone %v; want %v", name, f.Taken, f.Zone, want)
		}
	}
}

// TestReferenceLossy: a DNG whose pixels went through lossy JPEG is refused.
func TestReferenceLossy(t *testing.T) {
	b, err := os.ReadFile("testdata/ref/lossy_8.dng")
	if err != nil {
		t.Fatal(err)
	}
	_, err = openBytes("lossy.dng", b)
	if err == nil || !strings.Contains(err.Error(), "SOF0") || !strings.Contains(err.Error(), "with loss") {
		t.Errorf("got %v, want SOF0 refused", err)
	}
}

// TestSize keeps the reference pictures small.
func TestSize(t *testing.T) {
	files, err := filepath.Glob("testdata/ref/*")
	if err != nil {
		t.Fatal(err)
	}
	total := int64(0)
	for _, name := range files {
		st, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		total += st.Size()
	}
	if total > 150_000 {
		t.Errorf("got %d bytes in testdata/ref, want at most 150,000", total)
	}
}
