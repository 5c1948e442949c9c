package fits

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// framesDir returns the folder of real frames, or skips the test by name.
func framesDir(t testing.TB) string {
	dir := os.Getenv("HOLDFAST_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("%s: 0 frames read: there is no folder of frames; set HOLDFAST_DATA to one", t.Name())
	}
	return dir
}

// open opens a file on disk for the length of the test.
func open(t testing.TB, path string) (*File, error) {
	r, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	st, err := r.Stat()
	if err != nil {
		t.Fatal(err)
	}
	return Open(filepath.Base(path), r, st.Size())
}

// stats are what the manifest holds of an image.
type stats struct {
	dims           string
	nans           int
	min, max, mean float64
}

// measure reads the image in bands of the given number of rows.
func measure(m *Image, band int) (stats, error) {
	dims := fmt.Sprintf("%dx%d", m.Width, m.Height)
	if m.Planes > 1 {
		dims += fmt.Sprintf("x%d", m.Planes)
	}
	s := stats{dims: dims, min: math.Inf(1), max: math.Inf(-1)}
	sum, n := 0.0, 0
	buf := make([]float64, band*m.Width)
	for k := range m.Planes {
		p := m.Plane(k)
		for y := 0; y < m.Height; y += band {
			y1 := min(y+band, m.Height)
			b := buf[:(y1-y)*m.Width]
			if err := p.RowsFloat64(y, y1, b); err != nil {
				return s, err
			}
			for _, v := range b {
				if math.IsNaN(v) {
					s.nans++
					continue
				}
				s.min, s.max = min(s.min, v), max(s.max, v)
				sum += v
				n++
			}
		}
	}
	s.mean = sum / float64(n)
	return s, nil
}

// deviations are where the manifest is wrong, with the right values and the
// reason.
var deviations = map[string]struct {
	stats
	why string
}{
	"astropy/compressed_with_nan.fits[1]": {stats{"12x12", 1, 0.248001, 143.006, 71.9125},
		"pixel (1,1) holds the integer that the file's ZBLANK calls blank; astropy 5.2 scales it like any other, its successors give NaN"},
}

// TestManifest reads every file of the collection of awkward ones and holds
// what it finds against what astropy found.
func TestManifest(t *testing.T) {
	dir := filepath.Join(framesDir(t), "tricky")
	f, err := os.Open(filepath.Join(dir, "MANIFEST.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	sc := bufio.NewScanner(f)
	sc.Scan()
	col := map[string]int{}
	for i, name := range strings.Split(sc.Text(), "\t") {
		col[name] = i
	}
	images, others := 0, 0
	for sc.Scan() {
		cell := strings.Split(sc.Text(), "\t")
		get := func(name string) string { return cell[col[name]] }
		where := get("file") + "[" + get("hdu") + "]"
		n, _ := strconv.Atoi(get("hdu"))
		file, err := open(t, filepath.Join(dir, get("file")))
		if err != nil {
			t.Errorf("%s: %v", where, err)
			continue
		}
		u, err := file.HDU(n)
		if err != nil {
			t.Errorf("%s: %v", where, err)
			continue
		}
		m, err := u.Image()
		if get("dims") == "" || get("mean") == "" && !strings.HasPrefix(where, "astropy/blank") || get("type") == "NonstandardExtHDU" {
			others++
			if err == nil {
				t.Errorf("%s: got an image, want an error (%s %s)", where, get("type"), get("dims"))
			} else if !strings.HasPrefix(err.Error(), "fits: ") {
				t.Errorf("%s: error %q does not say where it is from", where, err)
			}
			if where == "misc/compheader.fits[1]" && !errors.Is(err, ErrShort) {
				t.Errorf("%s: got %v, want ErrShort: the file ends in its data", where, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", where, err)
			continue
		}
		images++
		got, err := measure(m, 7)
		if err != nil {
			t.Errorf("%s: %v", where, err)
			continue
		}
		if get("dims") != got.dims && get("dims") != fmt.Sprint(m.Width) {
			t.Errorf("%s: got %s, want %s", where, got.dims, get("dims"))
		}
		var want stats
		want.nans, _ = strconv.Atoi(get("nans"))
		for _, p := range []struct {
			name string
			to   *float64
		}{{"min", &want.min}, {"max", &want.max}, {"mean", &want.mean}} {
			*p.to, err = strconv.ParseFloat(get(p.name), 64)
			if err != nil && get(p.name) != "" {
				t.Fatal(err)
			}
		}
		if d, ok := deviations[where]; ok {
			want = d.stats
		}
		if got.nans != want.nans {
			t.Errorf("%s: got %d NaN, want %d", where, got.nans, want.nans)
		}
		if get("mean") == "" {
			continue // all blank
		}
		// The manifest has six digits, and float32 means were summed in float32.
		meanTol := 1e-6 * max(math.Abs(got.min), math.Abs(got.max))
		for _, p := range []struct {
			name           string
			got, want, tol float64
		}{{"min", got.min, want.min, 0}, {"max", got.max, want.max, 0}, {"mean", got.mean, want.mean, meanTol}} {
			same := p.got == p.want || math.IsNaN(p.got) && math.IsNaN(p.want)
			if !same && !(math.Abs(p.got-p.want) <= p.tol+1e-5*math.Abs(p.want)+1e-12) {
				t.Errorf("%s: %s: got %.7g, want %.7g", where, p.name, p.got, p.want)
			}
		}
	}
	t.Logf("%d images held against astropy, %d units without", images, others)
	if images < 80 || others < 100 {
		t.Errorf("got %d images and %d other units, want at least 80 and 100", images, others)
	}
}

// TestFrames reads every frame in the folder to its last pixel, in two ways
// that must agree.
func TestFrames(t *testing.T) {
	dir := framesDir(t)
	if testing.Short() {
		t.Skip("long: reads every frame")
	}
	n := 0
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if d.Name() == "tricky" {
				return filepath.SkipDir
			}
			return nil
		}
		switch filepath.Ext(path) {
		case ".md", ".txt", ".tsv":
			return nil
		}
		file, err := open(t, path)
		if err != nil {
			return err
		}
		m, err := file.Image()
		if filepath.Base(path) == "finder_wcs.fits" { // a header alone
			if err == nil {
				t.Errorf("%s: got an image, want none", path)
			}
			return nil
		}
		if err != nil {
			return err
		}
		a, err := measure(m, 1)
		if err != nil {
			return err
		}
		b, err := measure(m, m.Height)
		if err != nil {
			return err
		}
		if a != b {
			t.Errorf("%s: by rows %v, whole %v", path, a, b)
		}
		n++
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	t.Logf("%d frames read", n)
}

// readAll returns the bytes of a small file.
func readAll(t testing.TB, path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
