package proof

import (
	"math"
	"strings"
	"testing"
)

func TestReadSeries(t *testing.T) {
	s, err := ReadSeries("a.csv", strings.NewReader("# start_utc: 2026-08-14T21:00:00Z\ntime_s,ra_arcsec,dec_arcsec,ra_correction_arcsec,dec_correction_arcsec,snr\n0.5,1,-2,-0.5,0.6,40\n2.5,,,,,\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Samples) != 2 || s.Start.Hour() != 21 {
		t.Fatalf("got %d samples from %v, want 2 from 21 h", len(s.Samples), s.Start)
	}
	if k := s.Samples[0]; k.East != 1 || k.North != -2 || k.MoveE != -0.5 || k.MoveN != 0.6 || k.SNR != 40 {
		t.Errorf("got %+v, want what was written", k)
	}
	if !math.IsNaN(float64(s.Samples[1].East)) {
		t.Errorf("a lost star stands at %v, want NaN", s.Samples[1].East)
	}
}

func TestReadSeriesRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "want a series"},
		{"x,y\n1,2\n", "time_s among them"},
		{"time_s,ra_arcsec,dec_arcsec\n1,a,2\n", "want a number"},
		{"time_s,ra_arcsec,dec_arcsec\n2,1,1\n1,1,1\n", "want them in order"},
		{"time_s,ra_arcsec,dec_arcsec\n,1,1\n", "found no time"},
		{"# start_utc: yesterday\n", "want a time"},
	} {
		if _, err := ReadSeries("a.csv", strings.NewReader(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got %v, want an error with %q", c.text, err, c.want)
		}
	}
}

func FuzzReadSeries(f *testing.F) {
	f.Add("time_s,ra_arcsec,dec_arcsec\n1,2,3\n")
	f.Add("# start_utc: 2026-08-14T21:00:00Z\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ReadSeries("f", strings.NewReader(text))
		if (s == nil) == (err == nil) {
			t.Fatalf("got %v and %v", s, err)
		}
		if s != nil {
			guideOf(s, []spanOf{{0, len(s.Samples)}})
		}
	})
}
