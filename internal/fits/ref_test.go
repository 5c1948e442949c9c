package fits

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// refImage is an image that testdata/ref/make_ref.py wrote, with the pixels
// that astropy 5.2 reads from it.
type refImage struct {
	file, what            string
	hdu                   int
	width, height, planes int
	tol                   float64
	want                  []float64
}

// refImages returns all of them.
func refImages(t testing.TB) []refImage {
	z, err := gzip.NewReader(bytes.NewReader(readAll(t, "testdata/ref/want.bin.gz")))
	if err != nil {
		t.Fatal(err)
	}
	pixels, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Open("testdata/ref/ref.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	sc := bufio.NewScanner(f)
	sc.Scan()
	var out []refImage
	for sc.Scan() {
		c := strings.Split(sc.Text(), "\t")
		num := func(i int) int {
			n, err := strconv.Atoi(c[i])
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
		r := refImage{file: c[0], what: c[7], hdu: num(1), width: num(2), height: num(3), planes: num(4)}
		if r.tol, err = strconv.ParseFloat(c[6], 64); err != nil {
			t.Fatal(err)
		}
		for i := range r.width * r.height * r.planes {
			r.want = append(r.want, math.Float64frombits(binary.LittleEndian.Uint64(pixels[num(5)+8*i:])))
		}
		out = append(out, r)
	}
	return out
}

// image opens the reference image.
func (r refImage) image(t testing.TB) *Image {
	t.Helper()
	f, err := open(t, "testdata/ref/"+r.file)
	if err != nil {
		t.Fatalf("%s[%d] %s: %v", r.file, r.hdu, r.what, err)
	}
	u, err := f.HDU(r.hdu)
	if err != nil {
		t.Fatalf("%s[%d] %s: %v", r.file, r.hdu, r.what, err)
	}
	m, err := u.Image()
	if err != nil {
		t.Fatalf("%s[%d] %s: %v", r.file, r.hdu, r.what, err)
	}
	return m
}

// differ returns the first pixel in which got is not want within tol times the
// largest value, or -1.
func differ(got, want []float64, tol float64) int {
	top := 0.0
	for _, v := range want {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			top = max(top, math.Abs(v))
		}
	}
	for i, w := range want {
		switch g := got[i]; {
		case g == w || math.IsNaN(g) && math.IsNaN(w):
		case math.Abs(g-w) <= tol*top:
		default:
			return i
		}
	}
	return -1
}

// TestReference holds every pixel of every reference image against astropy's,
// in bands of each height from one row to all, in float64, float32 and, where
// it can be, uint16.
func TestReference(t *testing.T) {
	for _, r := range refImages(t) {
		t.Run(r.file+"/"+strings.ReplaceAll(r.what, " ", "_"), func(t *testing.T) {
			m := r.image(t)
			if m.Width != r.width || m.Height != r.height || m.Planes != r.planes {
				t.Fatalf("got %dx%dx%d, want %dx%dx%d", m.Width, m.Height, m.Planes, r.width, r.height, r.planes)
			}
			for band := 1; band <= m.Height; band++ {
				var got []float64
				for k := range m.Planes {
					for y := 0; y < m.Height; y += band {
						y1 := min(y+band, m.Height)
						buf := make([]float64, (y1-y)*m.Width)
						if err := m.Plane(k).RowsFloat64(y, y1, buf); err != nil {
							t.Fatal(err)
						}
						got = append(got, buf...)
					}
				}
				if i := differ(got, r.want, r.tol); i >= 0 {
					t.Fatalf("bands of %d: pixel %d: got %v, want %v", band, i, got[i], r.want[i])
				}
			}
			n := m.Width * m.Height
			for k := range m.Planes {
				want := r.want[k*n : (k+1)*n]
				narrow := make([]float32, n)
				if err := m.Plane(k).Rows(0, m.Height, narrow); err != nil {
					t.Fatal(err)
				}
				for i, v := range narrow {
					w := float32(want[i])
					if v != w && !(v != v && w != w) && !(r.tol > 0 && math.Abs(float64(v-w)) <= 1e-6*math.Abs(float64(w))+r.tol*100) {
						t.Fatalf("float32: pixel %d: got %v, want %v", i, v, w)
					}
				}
				words := make([]uint16, n)
				err := m.Plane(k).RowsUint16(0, m.Height, words)
				if (err == nil) != m.IsUint16() {
					t.Fatalf("uint16: got error %v, want one only if IsUint16 is false", err)
				}
				for i, v := range words {
					if err == nil && float64(v) != want[i] {
						t.Fatalf("uint16: pixel %d: got %v, want %v", i, v, want[i])
					}
				}
			}
		})
	}
}

// TestParallelBands reads different bands of one image from several
// goroutines.
func TestParallelBands(t *testing.T) {
	for _, r := range refImages(t) {
		m := r.image(t)
		if m.Planes > 1 {
			continue
		}
		got := make([]float64, m.Width*m.Height)
		errs := make([]error, m.Height)
		var wg sync.WaitGroup
		for y := range m.Height {
			wg.Go(func() {
				errs[y] = m.RowsFloat64(y, y+1, got[y*m.Width:(y+1)*m.Width])
			})
		}
		wg.Wait()
		for y, err := range errs {
			if err != nil {
				t.Errorf("%s[%d] %s: row %d: %v", r.file, r.hdu, r.what, y, err)
			}
		}
		if i := differ(got, r.want, r.tol); i >= 0 {
			t.Errorf("%s[%d] %s: pixel %d: got %v, want %v", r.file, r.hdu, r.what, i, got[i], r.want[i])
		}
	}
}

// TestInherit looks a card of the primary header up from an extension.
func TestInherit(t *testing.T) {
	f, err := open(t, "testdata/ref/plain.fits")
	if err != nil {
		t.Fatal(err)
	}
	m, err := f.Image()
	if err != nil {
		t.Fatal(err)
	}
	if got, ok := m.Header.Text("object"); !ok || got != "in the primary header" {
		t.Errorf("got %q, %v, want the primary header's OBJECT (FITS 4.0, appendix K)", got, ok)
	}
	if got, ok := m.Header.Int("NAXIS"); !ok || got != 2 {
		t.Errorf("got NAXIS %d, %v, want the extension's own 2", got, ok)
	}
	if m.HDU().Index() != 1 {
		t.Errorf("got the image of HDU %d, want 1", m.HDU().Index())
	}
}
