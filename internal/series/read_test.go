package series

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"holdfast/internal/testkit"
)

const ours = `# start_utc: 2026-08-14T21:00:00Z
time_s,ra_arcsec,dec_arcsec,ra_correction_arcsec,dec_correction_arcsec,snr
0.5,1.25,-0.5,-0.6,0.2,80
3,,,,,
5.5,0.75,0.1,-0.3,,79.5
`

func TestReadOurs(t *testing.T) {
	recs, err := Read("a", strings.NewReader(ours), Layout{})
	if err != nil || len(recs) != 1 {
		t.Fatalf("%d records, %v", len(recs), err)
	}
	r := recs[0]
	if want := time.Date(2026, 8, 14, 21, 0, 0, 0, time.UTC); !r.Start.Equal(want) {
		t.Errorf("start %v, want %v", r.Start, want)
	}
	if len(r.Samples) != 3 || r.Samples[1].Found() || !r.Samples[2].Found() || r.Moves != Asked || len(r.Stretches) != 1 {
		t.Errorf("got %+v", r)
	}
	const src = "the text itself"
	testkit.Near(t, float64(r.Samples[0].RA), 1.25, 0, src)
	testkit.Near(t, float64(r.Samples[0].MoveDec), 0.2, 0, src)
	testkit.Near(t, float64(r.Samples[2].Time), 5.5, 0, src)
	testkit.Near(t, r.Samples[2].SNR, 79.5, 0, src)
	testkit.Near(t, float64(r.Cycle()), 2.5, 0, src)
	if !math.IsNaN(float64(r.Samples[2].MoveDec)) {
		t.Errorf("an empty cell is %v, want NaN", r.Samples[2].MoveDec)
	}
}

// The same three exposures in the manner of several programs.
func TestReadOthers(t *testing.T) {
	for _, tt := range []struct {
		name, text, columns, unit string
		scale                     float64
		dx                        float64 // of the second offset
	}{
		{"semicolons and decimal commas", "Night of rest\nSite: a meadow\n\nWhen;Error E;Error N;Pulse\n0,5;1,0;2,0;3\n3,0;1,5;2,5;4\n5,5;2,0;3,0;5\n", "time=When,ra=Error E,dec=Error N", "", 0, 1.5},
		{"tabs, by number, arcmin", "frame\ttime\tx\ty\n1\t0.5\t1\t2\n2\t3\t1.5\t2.5\n3\t5.5\t2\t3\n", "time=2,ra=3,dec=4", "arcmin", 0, 90},
		{"blanks, time of day past midnight", "  23:59:58.0  1.0 2.0\n  00:00:00.5  1.5 2.5\n 00:00:03 2.0 3.0\n", "time=1,ra=2,dec=3", "", 0, 1.5},
		{"dates, px", "at,dx,dy\n2026-08-14T23:59:58.0,1,2\n2026-08-15T00:00:00.5,1.5,2.5\n2026-08-15T00:00:03,2,3\n", "time=at,ra=dx,dec=dy", "px", 4, 6},
		{"bars, quotes and a byte-order mark", "\uFEFF\"t\"|\"x\"|\"y\"\n\"0.5\"|\"1\"|\"2\"\nclouds came\n\"3.0\"|\"1.5\"|\"2.5\"\n\"5.5\"|\"2\"|\"3\"\n", "time=t,ra=x,dec=y", "", 0, 1.5},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c, err := ParseColumns(tt.columns)
			if err != nil {
				t.Fatal(err)
			}
			recs, err := Read("a", strings.NewReader(tt.text), Layout{Columns: c, Unit: tt.unit, Scale: unitScale(tt.scale)})
			if err != nil || len(recs) != 1 || len(recs[0].Samples) != 3 {
				t.Fatalf("%d records %+v, %v", len(recs), recs, err)
			}
			s := recs[0].Samples
			testkit.Near(t, float64(s[1].RA), tt.dx, 1e-12, "the text itself")
			testkit.Near(t, float64(s[2].Time-s[0].Time), 5, 1e-9, "the text itself")
		})
	}
}

// Stretches begin after empty lines and lines of names; a clock that goes back
// begins a record.
func TestReadStretches(t *testing.T) {
	text := "time_s,ra_arcsec,dec_arcsec\n0,1,1\n2,1,1\n\n60,2,2\n62,2,2\ntime_s,dec_arcsec,ra_arcsec\n90,7,3\n1,5,5\n3,5,5\n"
	recs, err := Read("a", strings.NewReader(text), Layout{})
	if err != nil || len(recs) != 2 {
		t.Fatalf("%d records, %v", len(recs), err)
	}
	if got := fmt.Sprint(recs[0].Stretches, len(recs[0].Samples), recs[0].Samples[4].RA, recs[1].Stretches, len(recs[1].Samples)); got != "[0 2 4] 5 3 [0] 2" {
		t.Errorf("got %s", got)
	}
}

func TestReadDirections(t *testing.T) {
	text := "t r d pr wr pd wd\n0 1 1 50 a 0 -\n2 1 1 40 b 30 up\n4 1 1 0 - 20 down\n6 2 2 1 A 1 up\n"
	c, err := ParseColumns("time=t,ra=r,dec=d,ra_correction=pr,ra_direction=wr,dec_correction=pd,dec_direction=wd")
	if err != nil {
		t.Fatal(err)
	}
	recs, err := Read("a", strings.NewReader(text), Layout{Columns: c})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range recs[0].Samples {
		got = append(got, fmt.Sprint(s.MoveRA))
	}
	if g := strings.Join(got, " "); g != "50 -40 0 1" || recs[0].Moves != Unnamed {
		t.Errorf("got %s, moves %d", g, recs[0].Moves)
	}
}

func TestReadErrors(t *testing.T) {
	byNumber := map[string]string{"time": "1", "ra": "2", "dec": "3"}
	for _, tt := range []struct {
		name, text string
		l          Layout
		want       string
	}{
		{"nothing", "", Layout{}, "no line with the names"},
		{"other names", "when,x err,y err\n1,2,3\n", Layout{}, "when,x err,y err"},
		{"word for a number", "time_s,ra_arcsec,dec_arcsec\n1,2,3\n2,x,3\n", Layout{}, `line 3: column ra_arcsec: found "x", want a number`},
		{"no time", "time_s,ra_arcsec,dec_arcsec\n1,2,3\nsoon,1,3\n", Layout{}, `line 3: column time_s: found "soon"`},
		{"bad start", "# start_utc: yesterday\n", Layout{}, `line 1: start_utc: found "yesterday"`},
		{"names that are not there", "a;b;c\n1;2;3\n", Layout{Columns: map[string]string{"time": "a", "ra": "b", "dec": "z"}}, "want a, b, z among them"},
		{"only words", "one,two,three\nfour,five,six\n", Layout{Columns: byNumber}, `column 1: found "one" as time`},
		{"no offsets", "1,a,b\n2,c,d\n3,e,f\n", Layout{Columns: byNumber}, "column 2: found \"a\" as ra, want a number"},
		{"px without a scale", ours, Layout{Unit: "px"}, "need the scale"},
		{"unit", ours, Layout{Unit: "mm"}, `found the unit "mm"`},
		{"long line", "time_s,ra_arcsec,dec_arcsec\n" + strings.Repeat("1", 70000), Layout{}, "line 2: found a line longer"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Read("a", strings.NewReader(tt.text), tt.l)
			if err == nil || !strings.HasPrefix(err.Error(), "series: ") || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
	for _, text := range []string{"", "time=1", "time=1,ra=2,dec=", "time=1,ra=2,dec=0", "time=1,ra=2,dec=3,speed=4", "time=1,time=2,ra=2,dec=3"} {
		if _, err := ParseColumns(text); err == nil {
			t.Errorf("%q: no error", text)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, text := range []string{ours, "a;b;c;d\n0,5;1,0;2,0;3\n3,0;1,5;2,5;4\n", "23:59:58 1 2\n00:00:01 2 3\n", "2026-08-14T23:59:58,1,2\n2026-08-13 01:00:00,1,2\n", "1|2|3\n\n2|3|4\n1|1|1\n", "1e300,1,2\n-1e300,2,3\n0x1p-2,1,2\n", "t x y\n1 a b\n"} {
		f.Add(text, true)
		f.Add(text, false)
	}
	f.Fuzz(func(t *testing.T, text string, byNumber bool) {
		l := Layout{}
		if byNumber {
			l.Columns = map[string]string{"time": "1", "ra": "2", "dec": "3", "ra_correction": "4", "ra_direction": "5"}
		}
		recs, err := Read("f", strings.NewReader(text), l)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "series: ") {
				t.Errorf("the error %q does not name the package", err)
			}
			return
		}
		for _, r := range recs {
			if len(r.Samples) == 0 || len(r.Stretches) == 0 || r.Stretches[0] != 0 {
				t.Errorf("a record of %d samples with stretches %v", len(r.Samples), r.Stretches)
			}
			for i := 1; i < len(r.Samples); i++ {
				if !(r.Samples[i].Time >= r.Samples[i-1].Time) {
					t.Errorf("time goes from %v to %v", r.Samples[i-1].Time, r.Samples[i].Time)
				}
			}
			// Whatever was read is answered or refused, never a crash.
			if d, err := Analyse(r, Options{}); err == nil && d.Verdict == "" {
				t.Error("no verdict")
			}
		}
	})
}
