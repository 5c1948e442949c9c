package fits

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/metrics"
	"strings"
	"testing"
)

// allocated returns the bytes allocated on the heap so far.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// exhaust reads everything there is in a file and returns the first error. It
// fails the test on an error without a name, and if more memory was taken than
// a file of that size justifies: 16 kB a byte, what a list of runs unpacks to.
func exhaust(t testing.TB, b []byte) error {
	before := allocated()
	err := readEverything(b)
	if got, limit := allocated()-before, uint64(8<<20+16<<10*len(b)); got > limit {
		t.Errorf("%d bytes allocated for a file of %d, want at most %d", got, len(b), limit)
	}
	if err != nil && !strings.HasPrefix(err.Error(), "fits: ") {
		t.Errorf("got error %q, want the package named first", err)
	}
	return err
}

// readEverything reads every row of every image, as far as the first error.
func readEverything(b []byte) error {
	f, err := openBytes(b)
	if err != nil {
		return err
	}
	var first error
	keep := func(err error) {
		if first == nil {
			first = err
		}
	}
	_, err = f.Image()
	keep(err)
	for i := range 20 {
		u, err := f.HDU(i)
		if err != nil {
			break
		}
		u.Header.Start()
		if !u.IsImage() {
			continue
		}
		m, err := u.Image()
		if err != nil {
			keep(err)
			continue
		}
		for k := range min(m.Planes, 3) {
			p := m.Plane(k)
			if m.Width > 1<<17 {
				continue
			}
			row := make([]float32, m.Width)
			words := make([]uint16, m.Width)
			for y := range min(m.Height, 200) {
				if err := p.Rows(y, y+1, row); err != nil {
					keep(err)
					break
				}
				if p.IsUint16() {
					keep(p.RowsUint16(y, y+1, words))
				}
			}
		}
	}
	return first
}

// seedFiles are small files with one image each: every reference image on its
// own, and the packed ones.
func seedFiles(t testing.TB) [][]byte {
	var out [][]byte
	for _, name := range []string{"plain.fits", "tiled.fits", "byhand.fits"} {
		b := readAll(t, "testdata/ref/"+name)
		f, err := openBytes(b)
		if err != nil {
			t.Fatal(err)
		}
		for i := 1; ; i++ {
			u, err := f.HDU(i)
			if err != nil {
				break
			}
			prev, _ := f.HDU(i - 1)
			start := prev.data + padded(prev.lay.bytes)
			out = append(out, append(bytes.Clone(b[:blockSize]), b[start:u.data+padded(u.lay.bytes)]...))
		}
	}
	for _, name := range []string{"packed.fits.gz", "packed.fits.bz2"} {
		out = append(out, readAll(t, "testdata/ref/"+name))
	}
	return out
}

// mutate damages a file as disks, transfers and programs do.
func mutate(rng *rand.Rand, b []byte) []byte {
	b = bytes.Clone(b)
	values := []string{"-1", "0", "1", "9223372036854775807", "-9223372036854775808", "1E400", "NaN", "'text'", "T", "", "2147483648", "4294967297", "1.5", "-32", "64", "999", "'RICE_1'", "'HCOMPRESS_1'", "'PLIO_1'", "'GZIP_2'", "'1QB(9)'", "'1PE'"}
	for range 1 + rng.IntN(3) {
		switch rng.IntN(7) {
		case 0: // a bit
			b[rng.IntN(len(b))] ^= 1 << rng.IntN(8)
		case 1: // the end
			b = b[:1+rng.IntN(len(b))]
		case 2, 3: // a value
			at := rng.IntN(max(1, min(len(b), 4*blockSize)/recordSize)) * recordSize
			if at+recordSize <= len(b) {
				copy(b[at+10:at+recordSize], fmt.Sprintf("%-70s", values[rng.IntN(len(values))]))
			}
		case 4: // a card gone
			at := rng.IntN(max(1, min(len(b), 4*blockSize)/recordSize)) * recordSize
			if at+recordSize <= len(b) {
				copy(b[at:at+recordSize], rec(""))
			}
		case 5: // two cards exchanged
			n := max(1, min(len(b), 4*blockSize)/recordSize)
			i, j := rng.IntN(n)*recordSize, rng.IntN(n)*recordSize
			if max(i, j)+recordSize <= len(b) {
				card := string(b[i : i+recordSize])
				copy(b[i:i+recordSize], b[j:j+recordSize])
				copy(b[j:j+recordSize], card)
			}
		case 6: // a byte of the data
			at := len(b) - 1 - rng.IntN(min(len(b), blockSize))
			b[at] = byte(rng.IntN(256))
		}
	}
	return b
}

// TestMutated damages files and reads them: no panic, no memory that the file
// does not justify, every error with a name. 2,000 in the short form.
func TestMutated(t *testing.T) {
	seeds := seedFiles(t)
	if len(seeds) < 50 {
		t.Fatalf("got %d seeds, want at least 50", len(seeds))
	}
	for i, b := range seeds {
		if err := exhaust(t, b); err != nil {
			t.Errorf("seed %d: %v", i, err)
		}
	}
	n := 20000
	if testing.Short() {
		n = 2000
	}
	const seed = 61
	rng := rand.New(rand.NewPCG(seed, 0))
	errs := 0
	for i := range n {
		b := mutate(rng, seeds[i%len(seeds)])
		func() {
			defer func() {
				if r := recover(); r != nil {
					t.Errorf("seed %d, file %d: panic: %v", seed, i, r)
				}
			}()
			if exhaust(t, b) != nil {
				errs++
			}
		}()
	}
	t.Logf("%d files, %d with an error", n, errs)
	if errs < n/10 || errs > n*9/10 {
		t.Errorf("got %d errors in %d files, want some of each", errs, n)
	}
}

func FuzzOpen(f *testing.F) {
	for _, b := range seedFiles(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) { exhaust(t, b) })
}

func FuzzHeader(f *testing.F) {
	for _, b := range seedFiles(f) {
		if b[0] == 'S' {
			f.Add(b[:min(len(b), 3*blockSize)])
		}
	}
	f.Add(head("LONG    = 'It is a long text, &' / one", "CONTINUE  'and ''longer'' &' / two", "HIERARCH A B = 'x", "SITE    = 'K\xf6ln'", "NUM = 1D3 s", "END"))
	f.Add([]byte("A=" + strings.Repeat("0", 75))) // a number that has no room in its column
	f.Fuzz(func(t *testing.T, b []byte) {
		h := ParseHeader(b)
		h.Start()
		h.Mosaic()
		for _, c := range h.Cards() {
			if !bytes.Contains(b, []byte(c.Raw)) && c.Raw != "" {
				// Continuations stand together in the input as well.
				t.Fatalf("card %d: raw record %q is not in the header", c.N, c.Raw)
			}
			c.Float()
			c.Int()
			c.Bool()
			if c.Kind == Commentary || c.writable() != nil {
				continue
			}
			again := ParseHeader(c.records(nil))
			got, ok := again.own(c.Key)
			want := strings.TrimRight(c.Value, " ")
			if c.Kind != Text {
				want = strings.ToUpper(want)
			}
			if !ok || got.Kind != c.Kind || got.Value != want {
				t.Fatalf("card %q %d %q written as %q and read as %d %q", c.Key, c.Kind, c.Value, c.records(nil), got.Kind, got.Value)
			}
		}
	})
}

func FuzzRice(f *testing.F) {
	for _, m := range tileSeeds(f, "RICE_1") {
		f.Add(m, byte(2), uint16(400))
		f.Add(m, byte(4), uint16(23))
	}
	f.Fuzz(func(t *testing.T, b []byte, width byte, n uint16) {
		for _, block := range []int{16, 32} {
			rice(make([]int32, n), b, block, []int{1, 2, 4}[width%3])
		}
	})
}

func FuzzPlio(f *testing.F) {
	for _, m := range tileSeeds(f, "PLIO_1") {
		f.Add(m, uint16(400))
	}
	f.Fuzz(func(t *testing.T, b []byte, n uint16) { plio(make([]int32, n), b) })
}

func FuzzHcompress(f *testing.F) {
	for _, m := range tileSeeds(f, "HCOMPRESS_1") {
		f.Add(m)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 10 {
			return
		}
		// The size that the data themselves declare, if it is not too large.
		height, width := int(b[4])<<8|int(b[5]), int(b[8])<<8|int(b[9])
		if n := width * height; n > 0 && n < 1<<18 {
			var h hdecoder
			h.unpack(make([]int32, n), b, width, height)
		}
	})
}

func FuzzGzipTile(f *testing.F) {
	for _, m := range tileSeeds(f, "GZIP_1") {
		f.Add(m, uint16(400))
	}
	f.Fuzz(func(t *testing.T, b []byte, n uint16) {
		var g gunzip
		for range 2 { // fresh and used
			out, err := g.unpack(nil, b, int(n))
			if err == nil && len(out) > int(n) {
				t.Fatalf("got %d bytes, want at most %d", len(out), n)
			}
			if cap(out) > 4*int(n)+1024 {
				t.Fatalf("got memory for %d bytes, want no more than %d need", cap(out), n)
			}
		}
	})
}

// tileSeeds returns the packed tiles of the reference images of a method.
func tileSeeds(t testing.TB, method string) [][]byte {
	var out [][]byte
	for _, r := range refImages(t) {
		m := r.image(t)
		if m.Compression() != method {
			continue
		}
		tiles := m.tiles.count[0] * m.tiles.count[1]
		row := make([]byte, m.tiles.row)
		for n := range tiles {
			if err := m.read(row, m.hdu.data+n*m.tiles.row); err != nil {
				t.Fatal(err)
			}
			off, size, err := m.tiles.array(row, m.tiles.data)
			if err != nil {
				t.Fatal(err)
			}
			b := make([]byte, size)
			if err := m.read(b, m.tiles.heap+off); err != nil {
				t.Fatal(err)
			}
			out = append(out, b)
			if n == 1 {
				break
			}
		}
	}
	if len(out) == 0 {
		t.Fatalf("no tile of %s among the reference images", method)
	}
	return out
}

// TestSize keeps the committed reference files small.
func TestSize(t *testing.T) {
	total := int64(0)
	files, err := filepath.Glob("testdata/ref/*")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		st, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		total += st.Size()
	}
	if total > 500_000 {
		t.Errorf("got %d bytes in testdata/ref, want at most 500,000", total)
	}
}
