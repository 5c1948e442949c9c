package app

import (
	"slices"
	"strings"
	"testing"
)

// TestTabled: positions by name, by the last part of it, by number; wrong tables
// are told with their line and what would do.
func TestTabled(t *testing.T) {
	names := []string{"run/a 1.fits", "run/b.fits", "other/b.fits"}
	for _, tt := range []struct {
		name, table string
		want        []float64
		err         string
	}{
		{"names", "run/a 1.fits 10\nrun/b.fits 20\nother/b.fits 30\n", []float64{10, 20, 30}, ""},
		{"last parts, commas, in any order", "other/b.fits, -30.5\n\"a 1.fits\",1e3\nrun/b.fits,20", []float64{1000, 20, -30.5}, ""},
		{"no ending", "a 1\t10\nrun/b.fits\t20\nother/b.fits\t30", []float64{10, 20, 30}, ""},
		{"numbers", "# my run\n1;10\n\n3;30\n2;20\n", []float64{10, 20, 30}, ""},
		{"titles", "frame,position\n1,10\n2,20\n3,30\n", []float64{10, 20, 30}, ""},
		{"a mark in front", "\uFEFF1,10\r\n2,20\r\n3,30\r\n", []float64{10, 20, 30}, ""},
		{"one column", "1,10\n20\n", nil, `line 2: found "20": want two columns`},
		{"a word", "1,10\n2,far\n", nil, `line 2: found "far" as position: want a number`},
		{"no number", "1,10\n2,NaN\n", nil, `line 2: found "NaN" as position`},
		{"another frame", "1,10\nc.fits,20\n", nil, `line 2: found "c.fits", which is none of the 3 frames`},
		{"beyond the last", "4,10\n", nil, `line 1: found "4", which is none of the 3 frames`},
		{"several", "1,10\nb.fits,20\n", nil, `line 2: found "b.fits", which names several of the frames`},
		{"twice", "1,10\n2,20\nrun/a 1.fits,11\n", nil, "line 3: found run/a 1.fits again, after line 1"},
		{"missing", "1,10\n", nil, "found no position for run/b.fits (2 of 3 frames are missing)"},
		{"nothing", "", nil, "(3 of 3 frames are missing)"},
	} {
		got, err := tabled(strings.NewReader(tt.table), names)
		if tt.err == "" {
			if err != nil || !slices.Equal(got, tt.want) {
				t.Errorf("%s: %v, %v; want %v", tt.name, got, err, tt.want)
			}
		} else if err == nil || !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%s: error %v, want %q in it", tt.name, err, tt.err)
		}
	}
}

// TestListed: one position a frame, numbers only.
func TestListed(t *testing.T) {
	if got, err := listed("1, -2.5,3e2", 3); err != nil || !slices.Equal(got, []float64{1, -2.5, 300}) {
		t.Errorf("%v, %v", got, err)
	}
	for _, bad := range []string{"", "1,2", "1,2,3,4", "1,2,x", "1,,3", "1,2,Inf"} {
		if got, err := listed(bad, 3); err == nil {
			t.Errorf("%q is read as %v", bad, got)
		}
	}
}

// FuzzTabled: no table makes it fail otherwise than by an error, and what it
// returns is a number for every frame.
func FuzzTabled(f *testing.F) {
	for _, s := range []string{"1,10\n2,20\n", "a.fits 3\nb.fits 4", "frame;position\n1;2\n2;3", "\uFEFF#\n\n", "1,1\n1,1", "\"a.fits\"\t1e400\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := tabled(strings.NewReader(s), []string{"x/a.fits", "x/b.fits"})
		if err != nil {
			return
		}
		if len(got) != 2 || got[0] != got[0] || got[1] != got[1] {
			t.Errorf("%q: %v", s, got)
		}
	})
}
