package main

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"holdfast/internal/catalog"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// fitsTable returns the bytes of a FITS extension with one column.
func fitsTable(column string, width, rows int, data []byte) []byte {
	cards := fmt.Sprintf("%-80s%-80s%-80s%-80s%-80s%-80s", "XTENSION= 'BINTABLE'", "NAXIS   = 2",
		fmt.Sprintf("NAXIS1  = %20d / bytes", width), fmt.Sprintf("NAXIS2  = %20d / rows", rows), fmt.Sprintf("TTYPE1  = '%s'", column), "END")
	return append(pad([]byte(cards), ' '), pad(data, 0)...)
}

func pad(b []byte, with byte) []byte {
	for len(b)%fitsBlock != 0 {
		b = append(b, with)
	}
	return b
}

// index returns a Tycho-2 index file of three stars.
func index() []byte {
	var span, xyz, mag []byte
	const scale = 1 << 30
	for _, v := range []float64{-1, -1, -1, 1, 1, 1, scale} {
		span = binary.LittleEndian.AppendUint64(span, math.Float64bits(v))
	}
	for _, u := range [][3]float64{{1, 0, 0}, {0, -1, 0}, {0.6, 0, 0.8}} {
		for _, x := range u {
			xyz = binary.LittleEndian.AppendUint32(xyz, uint32((x+1)*scale))
		}
	}
	for _, m := range []float32{5.5, 10.25, 11.75} {
		mag = binary.BigEndian.AppendUint32(mag, math.Float32bits(m))
	}
	out := pad([]byte(fmt.Sprintf("%-80s%-80s%-80s", "SIMPLE  = T", "NAXIS   = 0", "END")), ' ')
	out = append(out, fitsTable("kdtree_range_stars", 8, 7, span)...)
	out = append(out, fitsTable("kdtree_data_stars", 12, 3, xyz)...)
	return append(out, fitsTable("MAG_VT", 4, 3, mag)...)
}

func TestReadTycho(t *testing.T) {
	stars, err := readTycho(index())
	if err != nil {
		t.Fatal(err)
	}
	want := []catalog.Star{{RA: 0, Dec: 0, VT: 5.5}, {RA: 270, Dec: 0, VT: 10.25}, {RA: 0, Dec: unit.Rad(math.Asin(0.8)).Deg(), VT: 11.75}}
	if len(stars) != len(want) {
		t.Fatalf("%d stars, want %d", len(stars), len(want))
	}
	const src = "the unit vectors written"
	for i, w := range want {
		testkit.Near(t, stars[i].RA, w.RA, 1e-7, src)
		testkit.Near(t, stars[i].Dec, w.Dec, 1e-7, src)
		testkit.Near(t, stars[i].VT, w.VT, 0, src)
	}
}

func FuzzReadTycho(f *testing.F) {
	f.Add(index())
	f.Add(index()[:4000])
	f.Fuzz(func(t *testing.T, data []byte) {
		stars, err := readTycho(data)
		if err == nil && len(stars) == 0 {
			t.Error("neither stars nor an error")
		}
	})
}

func TestLimits(t *testing.T) {
	var stars []catalog.Star
	for i := range 10 {
		stars = append(stars, catalog.Star{RA: 45, Dec: 80, VT: unit.Mag(5 + 0.5*float64(i))})
	}
	stars = append(stars, catalog.Star{RA: 10, Dec: 0, VT: 3})
	got, err := limits(stars, 1)
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, got[catalog.Cell(1, 45, 80)], 9.5, 0, "the faintest of the ten")
	if full := got[catalog.Cell(1, 10, 0)]; !math.IsInf(float64(full), 1) {
		t.Errorf("a cell of one star has the limit %v, want +Inf", full)
	}
	if _, err := limits(append(stars, stars[0]), 1); err == nil {
		t.Error("eleven stars in a cell: no error")
	}
}

func TestPlaced(t *testing.T) {
	stars := []catalog.Star{{RA: 10, Dec: 0}, {RA: 7.6e-6, Dec: 7.6e-6}, {RA: 360 - 1e-6, Dec: 0}, {RA: 0, Dec: 0.01}}
	got := placed(stars)
	if len(got) != 2 || got[0].RA != 10 || got[1].Dec != 0.01 {
		t.Errorf("kept %v, want the first and the last", got)
	}
}

func TestMerge(t *testing.T) {
	arcsec := func(n float64) unit.Deg { return unit.Arcsec(n).Deg() }
	nan := unit.Mag(math.NaN())
	star := func(ra, dec unit.Deg, vt unit.Mag) catalog.Star {
		return catalog.Star{RA: ra, Dec: dec, VT: vt, BV: nan}
	}
	entry := func(n int, ra, dec unit.Deg, vt unit.Mag) hip {
		return hip{number: n, Star: catalog.Star{RA: ra, Dec: dec, VT: vt, BV: 0.5, Hipparcos: true}}
	}
	for _, tt := range []struct {
		what                     string
		tycho                    []catalog.Star
		list                     []hip
		matched, replaced, added int
	}{
		{"the same star", []catalog.Star{star(10, 20, 8)}, []hip{entry(1, 10, 20+arcsec(0.3), 8.1)}, 1, 0, 0},
		{"the same across 0 h", []catalog.Star{star(359.99999, 0, 8)}, []hip{entry(1, 0.00001, 0, 8.1)}, 1, 0, 0},
		{"at the pole", []catalog.Star{star(10, 90-arcsec(0.5), 8)}, []hip{entry(1, 190, 90-arcsec(0.5), 8)}, 1, 0, 0},
		{"none there", []catalog.Star{star(10, 20, 8)}, []hip{entry(1, 11, 20, 1)}, 0, 0, 1},
		{"a faint companion there", []catalog.Star{star(10, 20+arcsec(4), 9)}, []hip{entry(1, 10, 20, 1)}, 0, 0, 1},
		{"moved since 1991", []catalog.Star{star(10, 20+arcsec(32), 0.1)}, []hip{entry(1, 10, 20, 0.0)}, 0, 1, 0},
		{"another star of the same brightness too far away", []catalog.Star{star(10, 20+arcsec(50), 9)}, []hip{entry(1, 10, 20, 9)}, 0, 0, 1},
		{"a pair given as one", []catalog.Star{star(10, 20+arcsec(8), 9), star(10, 20-arcsec(8), 9)}, []hip{entry(1, 10, 20, 8.25)}, 1, 0, 0},
		{"a pair of which one is missing", []catalog.Star{star(10, 20, 6.1)}, []hip{entry(1, 10, 20, 6.1), entry(2, 10, 20+arcsec(30), 6.0)}, 1, 0, 1},
		{"close, a little brighter", []catalog.Star{star(10, 20+arcsec(3), 9)}, []hip{entry(1, 10, 20, 8.4)}, 1, 0, 0},
	} {
		before := len(tt.tycho)
		out, got := merge(tt.tycho, tt.list)
		if got != (merged{tt.matched, tt.replaced, tt.added}) {
			t.Errorf("%s: %+v, want matched, replaced, added %d, %d, %d", tt.what, got, tt.matched, tt.replaced, tt.added)
		}
		if len(out) != before+tt.added {
			t.Errorf("%s: %d stars, want %d", tt.what, len(out), before+tt.added)
		}
		if tt.replaced == 1 {
			testkit.Near(t, out[0].Dec, 20, 1e-9, "the place of Hipparcos")
			testkit.Near(t, out[0].VT, 0.1, 0, "the magnitude of Tycho-2")
		}
	}
}

// TestListsRefused checks that a changed input or output is noticed.
func TestListsRefused(t *testing.T) {
	for _, name := range append([]string{"stars.pack", "names.tsv"}, inputs...) {
		if err := known(name, []byte("another")); err == nil || len(sums[name]) != 64 {
			t.Errorf("%s: sum %q, error %v", name, sums[name], err)
		}
	}
	for _, name := range []string{"stars.pack", "names.tsv"} {
		data, err := os.ReadFile("../catalog/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if err := known(name, data); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestNames(t *testing.T) {
	in := map[string][]byte{
		deepSkyFile: []byte(`{"features":[
			{"id":"NGC 224","properties":{"desig":"M 31","type":"s","mag":"3.44","dim":"189.1x61.7"},"geometry":{"coordinates":[10.6847,41.26875]}},
			{"id":"NGC 5866","properties":{"desig":"NGC 5866","type":"s","mag":"15.7","dim":"2x1"},"geometry":{"coordinates":[-131.9697,55.78464]}},
			{"id":"NGC 1","properties":{"type":"i","mag":"999","dim":""},"geometry":{"coordinates":[-0.5,27.7]}},
			{"id":"NGC 2079","properties":{"type":"oc","mag":"9","dim":"3"},"geometry":{"coordinates":[67,-53]}},
			{"id":"PGC 5","properties":{"type":"g","mag":"15","dim":"1"},"geometry":{"coordinates":[1,2]}}]}`),
		messierFile: []byte(`{"features":[
			{"id":"M31","properties":{"desig":"NGC 224","alt":"Andromeda","type":"s","mag":3.4,"dim":"190x60"},"geometry":{"coordinates":[10.6751,41.2667]}},
			{"id":"M102","properties":{"desig":"NGC 5866","alt":"Spindle","type":"s","mag":9.9,"dim":"5x2"},"geometry":{"coordinates":[-133.3774,55.76]}}]}`),
		deepNamesFile: []byte(`{"NGC 224":{"name":"Andromeda Galaxy","de":"Andromedanebel"}}`),
		starNamesFile: []byte(`{"7":{"name":"Test´s Star","bayer":"α","flam":"3","var":"V0012","c":"Lyr"},"8":{"name":"","bayer":"c","c":"Psc"}}`),
	}
	stars := []hip{{number: 8, v: 4, Star: catalog.Star{RA: 1, Dec: 2}}, {number: 7, v: 0.03, Star: catalog.Star{RA: 279.2347, Dec: 38.7837}}, {number: 9}}
	saved := more
	defer func() { more = saved }()
	more = nil
	savedSizes := sizes
	defer func() { sizes = savedSizes }()
	sizes = nil
	got, err := names(in, stars)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{
		"|m31|ngc224|andromeda|andromedagalaxy|\tg\t10.6847\t41.2687\t3.4\t190.0\tAndromeda|Andromeda Galaxy",
		"|m102|ngc5866|spindle|\tg\t226.6226\t55.7600\t9.9\t5.0\tSpindle",
		"|ngc1|\tg\t359.5000\t27.7000\t\t\t",
		"|alphalyr|3lyr|v12lyr|hip7|testsstar|\ts\t279.2347\t38.7837\t0.0\t\tTest's Star",
		"|hip8|\ts\t1.0000\t2.0000\t4.0\t\t", "",
	}, "\n")
	if string(got) != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}
