package fits

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
)

// openBytes opens a file held in memory.
func openBytes(b []byte) (*File, error) {
	return Open("made.fits", bytes.NewReader(b), int64(len(b)))
}

// block pads b to a multiple of 2880 bytes with the byte.
func block(b []byte, with byte) []byte {
	for len(b)%blockSize != 0 {
		b = append(b, with)
	}
	return b
}

// ramp returns n big-endian 16-bit integers 1, 2, 3 ...
func ramp(n int) []byte {
	var b []byte
	for i := range n {
		b = binary.BigEndian.AppendUint16(b, uint16(i+1))
	}
	return b
}

// cards16 are the cards of a 16-bit image.
func cards16(width, height int, more ...string) []string {
	return append([]string{"SIMPLE  =                    T", "BITPIX  =                   16", "NAXIS   =                    2",
		fmt.Sprintf("NAXIS1  = %20d", width), fmt.Sprintf("NAXIS2  = %20d", height)}, more...)
}

// TestOddFiles reads files whose header or size is not what it should be but
// leaves no doubt.
func TestOddFiles(t *testing.T) {
	cards := cards16(5, 4)
	good := block(head(append(cards, "END")...), ' ')
	tests := []struct {
		name string
		file []byte
		flaw string
	}{
		{"as it should be", append(bytes.Clone(good), block(ramp(20), 0)...), ""},
		{"data not padded", append(bytes.Clone(good), ramp(20)...), ""},
		{"rubbish behind", append(append(bytes.Clone(good), block(ramp(20), 0)...), "rubbish"...), ""},
		{"header padded with NUL", append(block(head(append(cards, "END")...), 0), ramp(20)...), ""},
		{"END with a line end", append(block(head(append(cards, "END\r\n")...), ' '), ramp(20)...), ""},
		{"END in small letters", append(block(head(append(cards, "end")...), ' '), ramp(20)...), ""},
		{"header not padded", append(head(append(cards, "END")...), ramp(20)...), "not padded"},
		{"header not padded, data are", append(head(append(cards, "END")...), block(ramp(20), 0)...), "not padded"},
		{"no END", append(block(head(cards...), ' '), ramp(20)...), "no END"},
		{"cards behind END", append(block(head(append(cards, "END", "LATE    = 7")...), ' '), ramp(20)...), "behind the END"},
		{"numbers as strings and floats", append(block(head("SIMPLE  = T", "BITPIX  = '16'", "NAXIS   = 2.0", "NAXIS1  = +5", "NAXIS2  = 004", "END"), ' '), ramp(20)...), ""},
		{"SIMPLE is F", append(block(head(append([]string{"SIMPLE  = F"}, append(cards[1:], "END")...)...), ' '), ramp(20)...), ""},
	}
	for _, tt := range tests {
		f, err := openBytes(tt.file)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		m, err := f.Image()
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		px := make([]float32, 20)
		if err := m.Rows(0, 4, px); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		for i, v := range px {
			if v != float32(i+1) {
				t.Errorf("%s: pixel %d: got %v, want %d", tt.name, i, v, i+1)
				break
			}
		}
		if got := strings.Join(m.Header.Flaws(), "; "); (tt.flaw == "") != (got == "") || !strings.Contains(got, tt.flaw) {
			t.Errorf("%s: got flaws %q, want %q", tt.name, got, tt.flaw)
		}
	}
}

// TestShort cuts a file at every length: all but the padding of the data is
// needed, and the error says what is missing.
func TestShort(t *testing.T) {
	file := append(block(head(append(cards16(50, 40), "END")...), ' '), ramp(2000)...)
	for n := range len(file) + 1 {
		f, err := openBytes(file[:n])
		if err == nil {
			_, err = f.Image()
		}
		if n == len(file) {
			if err != nil {
				t.Errorf("whole: %v", err)
			}
			continue
		}
		var short *ShortError
		if !errors.Is(err, ErrShort) || !errors.As(err, &short) {
			t.Fatalf("%d of %d bytes: got %v, want ErrShort", n, len(file), err)
		}
		if short.Have != int64(n) || short.Want <= short.Have || short.Want > int64(len(file)) {
			t.Fatalf("%d of %d bytes: got %v, want these numbers", n, len(file), short)
		}
	}
	// The same inside gzip.
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	w.Write(file)
	w.Close()
	for _, n := range []int{3, 30, z.Len() / 2, z.Len() - 100} {
		f, err := openBytes(z.Bytes()[:n])
		if err == nil {
			_, err = f.Image()
		}
		if !errors.Is(err, ErrShort) {
			t.Errorf("gzip, %d of %d bytes: got %v, want ErrShort", n, z.Len(), err)
		}
	}
}

// TestWhole cuts a file of several units: its first image may be read before
// the file is whole.
func TestWhole(t *testing.T) {
	b := readAll(t, "testdata/ref/byhand.fits")
	f, err := openBytes(b)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Whole(); err != nil {
		t.Errorf("whole: %v", err)
	}
	f, err = openBytes(b[:len(b)-blockSize])
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Image(); err != nil {
		t.Errorf("first image of a cut file: %v", err)
	}
	var short *ShortError
	if err := f.Whole(); !errors.As(err, &short) || short.HDU != 4 {
		t.Errorf("cut in unit 4: got %v, want a *ShortError that says so", err)
	}
}

// TestShrunk reads rows of a file that was cut after it was opened.
func TestShrunk(t *testing.T) {
	file := append(block(head(append(cards16(50, 40), "END")...), ' '), ramp(2000)...)
	f, err := Open("made.fits", bytes.NewReader(file[:4000]), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	m, err := f.Image()
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Rows(0, 40, make([]float32, 2000)); !errors.Is(err, ErrShort) {
		t.Errorf("got %v, want ErrShort", err)
	}
}

// TestRefused is what can not be read, and what the message must say.
func TestRefused(t *testing.T) {
	image := func(cards ...string) []byte {
		return append(block(head(append(cards, "END")...), ' '), make([]byte, 2*blockSize)...)
	}
	var table = func(more ...string) []byte {
		b := block(head("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "END"), ' ')
		return append(append(b, block(head(append([]string{"XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 8", "NAXIS2  = 4",
			"PCOUNT  = 100", "GCOUNT  = 1", "TFIELDS = 1", "TTYPE1  = 'COMPRESSED_DATA'", "TFORM1  = '1PB'", "ZIMAGE  = T", "ZNAXIS  = 2", "ZNAXIS1 = 6", "ZNAXIS2 = 4"},
			append(more, "END")...)...), ' ')...), make([]byte, blockSize)...)
	}
	tests := []struct {
		name string
		file []byte
		say  []string
	}{
		{"not FITS", []byte("\x89PNG\r\n\x1a\n" + strings.Repeat("x", 3000)), []string{"begins with", "SIMPLE"}},
		{"text", []byte("SIMPLETON"), []string{"begins with"}},
		{"zip", []byte("PK\x03\x04" + strings.Repeat("x", 3000)), []string{"archive"}},
		{"BITPIX 17", image("SIMPLE  = T", "BITPIX  = 17", "NAXIS   = 2", "NAXIS1  = 5", "NAXIS2  = 4"), []string{"card 2", "BITPIX", `"17"`}},
		{"BITPIX missing", image("SIMPLE  = T", "NAXIS   = 2"), []string{"no BITPIX"}},
		{"NAXIS text", image("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 'two'"), []string{"card 3", "NAXIS", `"two"`}},
		{"NAXIS 1000", image("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1000"), []string{"card 3", "0 to 99"}},
		{"NAXIS2 missing", image("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 5"), []string{"no NAXIS2"}},
		{"NAXIS1 negative", image("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = -5", "NAXIS2  = 4"), []string{"card 4", `"-5"`}},
		{"absurd", image("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 3", "NAXIS1  = 4000000000", "NAXIS2  = 4000000000", "NAXIS3  = 4000000000"), []string{"2^50"}},
		{"long axis", image("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 4000000000", "NAXIS2  = 1"), []string{"needed"}},
		{"BZERO text", image(cards16(5, 4, "BZERO   = 'none'")...), []string{"card 6", "BZERO", "a number"}},
		{"BSCALE 0", image(cards16(5, 4, "BSCALE  = 0.0")...), []string{"card 6", "BSCALE"}},
		{"BLANK text", image(cards16(5, 4, "BLANK   = 'x'")...), []string{"card 6", "BLANK"}},
		{"groups", image("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 0", "NAXIS2  = 4", "GROUPS  = T", "PCOUNT  = 2", "GCOUNT  = 3"), []string{"random groups"}},
		{"no data", image("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 0"), []string{"no image"}},
		{"unknown method", table("ZBITPIX = 16", "ZCMPTYPE= 'MAGIC_1'"), []string{"ZCMPTYPE", "MAGIC_1", "RICE_1"}},
		{"no method", table("ZBITPIX = 16"), []string{"no ZCMPTYPE"}},
		{"no ZBITPIX", table("ZCMPTYPE= 'RICE_1'"), []string{"no ZBITPIX"}},
		{"tile of no length", table("ZBITPIX = 16", "ZCMPTYPE= 'RICE_1'", "ZTILE1  = 0"), []string{"ZTILE1"}},
		{"too many tiles", table("ZBITPIX = 16", "ZCMPTYPE= 'RICE_1'", "ZTILE1  = 2"), []string{"12 tiles", "4 rows"}},
		{"more pixels than data", table("ZBITPIX = 16", "ZCMPTYPE= 'RICE_1'", "ZNAXIS1 = 2000000"), []string{"so many bytes can hold"}},
		{"odd BLOCKSIZE", table("ZBITPIX = 16", "ZCMPTYPE= 'RICE_1'", "ZNAME1  = 'BLOCKSIZE'", "ZVAL1   = 1000000"), []string{"ZVAL1"}},
		{"mask column", table("ZBITPIX = 16", "ZCMPTYPE= 'RICE_1'", "TTYPE1  = 'NULL_PIXEL_MASK'"), []string{"TFORM1", "NULL_PIXEL_MASK"}},
		{"smoothing", table("ZBITPIX = 16", "ZCMPTYPE= 'HCOMPRESS_1'", "ZNAME1  = 'SCALE'", "ZVAL1   = 4.0", "ZNAME2  = 'SMOOTH'", "ZVAL2   = 1"), []string{"SMOOTH"}},
		{"floats without scale", table("ZBITPIX = -32", "ZCMPTYPE= 'RICE_1'"), []string{"ZSCALE"}},
		{"64 bits in Rice", table("ZBITPIX = 64", "ZCMPTYPE= 'RICE_1'"), []string{"64-bit"}},
		{"unknown dither", table("ZBITPIX = -32", "ZCMPTYPE= 'RICE_1'", "ZSCALE  = 1.0", "ZQUANTIZ= 'DITHER_9'"), []string{"DITHER_9"}},
	}
	for _, tt := range tests {
		f, err := openBytes(tt.file)
		if err == nil {
			var m *Image
			if m, err = f.Image(); err == nil {
				err = m.Rows(0, 1, make([]float32, m.Width))
			}
		}
		if err == nil {
			t.Errorf("%s: got no error", tt.name)
			continue
		}
		if !strings.HasPrefix(err.Error(), "fits: made.fits: ") {
			t.Errorf("%s: got %q, want the package and the file named first", tt.name, err)
		}
		for _, s := range tt.say {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%s: got %q, want it to say %q", tt.name, err, s)
			}
		}
	}
}

// TestBombs are packed files that declare or unpack to more than they should.
func TestBombs(t *testing.T) {
	pack := func(b []byte) []byte {
		var z bytes.Buffer
		w := gzip.NewWriter(&z)
		w.Write(b)
		w.Close()
		return z.Bytes()
	}
	big := block(head(append(cards16(60000, 60000), "END")...), ' ')
	tests := []struct {
		name string
		file []byte
		say  string
	}{
		{"7 GB declared", pack(append(big, make([]byte, 1<<20)...)), "declared inside gzip"},
		{"packed twice", pack(pack(big)), "begins with"},
		{"no header inside", pack(make([]byte, 64<<20)), "begins with"},
		{"damaged", append(pack(append(block(head(append(cards16(5, 4), "END")...), ' '), ramp(1440)...))[:100], make([]byte, 100)...), ""},
	}
	for _, tt := range tests {
		f, err := openBytes(tt.file)
		if err == nil {
			_, err = f.Image()
		}
		if err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%s: got %v, want it to say %q", tt.name, err, tt.say)
		}
		if f != nil && f.packed.n > 1<<20 {
			t.Errorf("%s: got %d bytes unpacked, want no more than were asked for", tt.name, f.packed.n)
		}
	}
	// A checksum that does not fit is found, since the whole file is read.
	file := pack(append(block(head(append(cards16(5, 4), "END")...), ' '), block(ramp(20), 0)...))
	file[len(file)-6] ^= 1
	f, err := openBytes(file)
	if err == nil {
		_, err = f.Image()
	}
	if !errors.Is(err, gzip.ErrChecksum) {
		t.Errorf("got %v, want %v", err, gzip.ErrChecksum)
	}
}

// TestUnpackedLazily asks for the first unit of a packed file and looks how
// much was unpacked.
func TestUnpackedLazily(t *testing.T) {
	file := append(block(head(append(cards16(5, 4), "END")...), ' '), block(ramp(20), 0)...)
	file = append(file, make([]byte, 10<<20)...)
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	w.Write(file)
	w.Close()
	f, err := openBytes(z.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Image(); err != nil {
		t.Fatal(err)
	}
	if f.packed.n > 2*spoolChunk {
		t.Errorf("got %d bytes unpacked, want at most %d", f.packed.n, 2*spoolChunk)
	}
}

// TestTileBomb has a table whose heap is large enough for the image, and a
// tile that is not: no memory may be taken for it.
func TestTileBomb(t *testing.T) {
	const width, heap = 30_000_000, 1 << 20
	file := block(head("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "END"), ' ')
	file = append(file, block(head("XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 8", "NAXIS2  = 2",
		fmt.Sprintf("PCOUNT  = %d", heap), "GCOUNT  = 1", "TFIELDS = 1", "TTYPE1  = 'COMPRESSED_DATA'", "TFORM1  = '1PB'",
		"ZIMAGE  = T", "ZBITPIX = 16", "ZNAXIS  = 2", fmt.Sprintf("ZNAXIS1 = %d", width), "ZNAXIS2 = 2", "ZCMPTYPE= 'RICE_1'", "END"), ' ')...)
	for _, n := range []uint32{10, 0, heap, 0} { // tile 1: 10 bytes at 0; tile 2: all
		file = binary.BigEndian.AppendUint32(file, n)
	}
	file = append(file, make([]byte, heap)...)
	f, err := openBytes(file)
	if err != nil {
		t.Fatal(err)
	}
	m, err := f.Image()
	if err != nil {
		t.Fatal(err)
	}
	row := make([]float32, width)
	before := allocated()
	err = m.Rows(0, 1, row)
	if err == nil || !strings.Contains(err.Error(), "tile 1 (RICE_1): 30000000 pixels from 10 bytes") {
		t.Errorf("got %v, want the tile refused", err)
	}
	if got := allocated() - before; got > 1<<20 {
		t.Errorf("got %d bytes allocated, want none to speak of", got)
	}
}

// failing is a reader whose disk has gone.
type failing struct{}

func (failing) ReadAt([]byte, int64) (int, error) { return 0, errors.New("disk gone") }

func TestReadError(t *testing.T) {
	_, err := Open("x.fits", failing{}, 1<<20)
	if err == nil || !strings.Contains(err.Error(), "x.fits") || !strings.Contains(err.Error(), "disk gone") {
		t.Errorf("got %v, want the file and the reason", err)
	}
}

func TestHDUs(t *testing.T) {
	f, err := open(t, "testdata/ref/byhand.fits")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for ; ; n++ {
		if _, err := f.HDU(n); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if n != 5 {
		t.Errorf("got %d units, want 5", n)
	}
	if _, err := f.HDU(100); err != io.EOF {
		t.Errorf("got %v, want io.EOF", err)
	}
}

func TestRowsPanics(t *testing.T) {
	m := refImages(t)[0].image(t)
	for _, tt := range []struct{ y0, y1, n int }{{-1, 1, 2 * m.Width}, {0, m.Height + 1, (m.Height + 1) * m.Width}, {2, 1, 0}, {0, 1, m.Width + 1}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("rows %d to %d into %d pixels: got no panic", tt.y0, tt.y1, tt.n)
				}
			}()
			m.Rows(tt.y0, tt.y1, make([]float32, tt.n))
		}()
	}
}

// TestAllocs holds the reading of bands into reused buffers to no allocation
// worth the name.
func TestAllocs(t *testing.T) {
	for _, r := range refImages(t) {
		m := r.image(t)
		buf := make([]float32, m.Width)
		if err := m.Rows(0, 1, buf); err != nil {
			t.Fatal(err)
		}
		got := testing.AllocsPerRun(20, func() {
			for y := range m.Height {
				m.Rows(y, y+1, buf)
			}
		})
		// One for a call; gzip.Reader allocates its Huffman tables, and a strip
		// of a few rows is unpacked by several tiles.
		limit := float64(m.Height)
		if c := m.Compression(); c != "" {
			limit *= 8
		}
		if got > limit {
			t.Errorf("%s[%d] %s: got %v allocations for %d rows, want at most %v", r.file, r.hdu, r.what, got, m.Height, limit)
		}
	}
}
