package app

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/internal/series"
	"holdfast/internal/testkit"
)

// rehearsed plays a night with faults and returns what its series tells.
func rehearsed(t *testing.T, subs int, sub string, faults ...string) (*series.Drive, *Rehearsing) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "night")
	task := Rehearsal{Task: Task{Rig: "../../examples/larkspur.toml", Target: "M27", Date: "2026-08-14", Seed: 1, Sub: sub}, Out: dir, Subs: subs, Exact: true, Tables: true, Faults: faults}
	night, err := task.Rehearse(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	a, err := DriveTask{Task: Task{Rig: "../../examples/larkspur.toml"}, Frames: Frames{Files: []string{filepath.Join(dir, "series.csv")}}, Exposure: fmt.Sprintf("%g s", float64(night.Result.Truth.Settings.Interval))}.Drive(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return a.Result, night.Result
}

// The drive of the example: its worm turns in 478.69 s with 20 arcsec from peak
// to peak on the axis, the second harmonic 0.3 of the first, and a gear line of
// 1 arcsec and 20 s; the target stands at declination 22.72.
func worm(t *testing.T, d *series.Drive) {
	t.Helper()
	const src = "the rig of the rehearsed night"
	cos := math.Cos(22.72 * math.Pi / 180)
	first := 10 * cos / (1 + 0.3*0.3)
	for _, want := range []struct{ period, amplitude float64 }{{86164.0905 / 180, first}, {86164.0905 / 360, 0.3 * first}, {20, cos}} {
		best := series.Period{}
		for _, p := range d.Periods {
			if p.Axis == "ra" && math.Abs(float64(p.Period)/want.period-1) < 0.02 {
				best = p
			}
		}
		if best.Axis == "" {
			t.Errorf("no period of %.1f s among %+v", want.period, d.Periods)
			continue
		}
		testkit.Near(t, float64(best.Period), want.period, 4*float64(best.PeriodSigma), src)
		testkit.Near(t, float64(best.Amplitude), want.amplitude, 4*float64(best.AmplitudeSigma), src)
	}
}

// TestDriveRehearsed: what rehearsed nights were made with is found again in
// their series.
func TestDriveRehearsed(t *testing.T) {
	const src = "the rehearsed night"
	t.Run("calibration", func(t *testing.T) {
		d, _ := rehearsed(t, 12, "", "calibration:35")
		worm(t, d)
		testkit.Near(t, math.Abs(float64(d.CalibrationAngle)), 35, 2, src)
		testkit.Near(t, float64(d.Backlash), 20, 4*float64(d.BacklashSigma), src)
		if d.Verdict != series.Misset {
			t.Errorf("verdict %s: %s", d.Verdict, d.Why)
		}
	})
	if testing.Short() {
		t.Skip("five nights more take half a minute")
	}
	t.Run("nothing wrong", func(t *testing.T) {
		d, night := rehearsed(t, 12, "")
		worm(t, d)
		testkit.Near(t, float64(d.Backlash), 20, 4*float64(d.BacklashSigma), src)
		testkit.Near(t, d.Loop[0].Gain, night.Truth.Settings.GainRA, 0.005, src)
		testkit.Near(t, d.Loop[1].Gain, night.Truth.Settings.GainDec, 0.005, src)
		testkit.Near(t, float64(d.CalibrationAngle), 0, 2, src)
		testkit.NearRel(t, float64(d.Seeing), 2.5, 0.5, "the rig of the rehearsed night, and the factor that is stated")
		if *d.Oscillating || len(d.SignWrong) > 0 {
			t.Errorf("oscillation %+v, signs %v", d.Oscillation, d.SignWrong)
		}
	})
	t.Run("backlash in wind", func(t *testing.T) {
		d, _ := rehearsed(t, 12, "", "backlash:40", "wind:8")
		worm(t, d)
		testkit.Near(t, float64(d.Backlash), 40, 4*float64(d.BacklashSigma), src)
		if d.Verdict != series.Playing {
			t.Errorf("verdict %s: %s", d.Verdict, d.Why)
		}
	})
	t.Run("gain", func(t *testing.T) {
		d, _ := rehearsed(t, 12, "", "loop_gain:1.9")
		worm(t, d)
		if d.Verdict != series.Oscillates || len(d.Oscillation) == 0 || d.Oscillation[0].Cause != "gain" || d.Oscillation[0].Cycles != 2 {
			t.Errorf("verdict %s: %s; %+v", d.Verdict, d.Why, d.Oscillation)
		}
		testkit.Near(t, d.Loop[0].Gain, 1.9, 0.02, src)
	})
	t.Run("hot pixel", func(t *testing.T) {
		d, _ := rehearsed(t, 12, "", "hot_pixel:1")
		if d.Verdict != series.Deaf {
			t.Errorf("verdict %s: %s", d.Verdict, d.Why)
		}
	})
	t.Run("flip", func(t *testing.T) {
		d, _ := rehearsed(t, 1, "60 s", "flip:1")
		if d.Verdict != series.Misset || fmt.Sprint(d.SignWrong) != "[dec]" {
			t.Errorf("verdict %s: %s; signs %v", d.Verdict, d.Why, d.SignWrong)
		}
	})
}

// The columns of another program are kept and taken again.
func TestDriveColumns(t *testing.T) {
	dir := t.TempDir()
	var b strings.Builder
	b.WriteString("A night\nnumber;seconds;east px;north px\n")
	for i := range 400 {
		x := float64(i) * 2
		fmt.Fprintf(&b, "%d;%.1f;%.4f;%.4f\n", i, x, 2*math.Sin(2*math.Pi*x/100)+0.01*math.Sin(float64(i*i)), 0.001*x+0.01*math.Cos(float64(i*i)))
	}
	table, kept := filepath.Join(dir, "t.txt"), filepath.Join(dir, "columns")
	if err := os.WriteFile(table, []byte(b.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	task := DriveTask{Frames: Frames{Files: []string{table}}, Columns: "time=seconds,ra=3,dec=north px", Unit: "px", Scale: "4.8", Exposure: "1 s", Save: kept}
	first, err := task.Drive(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	second, err := DriveTask{Frames: Frames{Files: []string{table}}, Exposure: "1 s", As: kept}.Drive(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range []*Answer[*series.Drive]{first, second} {
		d := a.Result
		if len(d.Periods) == 0 {
			t.Fatal("no period")
		}
		testkit.Near(t, float64(d.Periods[0].Period), 100, 0.1, "the text itself")
		testkit.NearRel(t, float64(d.Periods[0].Amplitude), 9.6, 0.01, "the text itself: 2 px of 4.8 arcsec")
		testkit.NearRel(t, d.DriftDec, 0.001*60*4.8, 0.02, "the text itself")
	}
	for _, bad := range []DriveTask{
		{Frames: Frames{Files: []string{table}}, Columns: "time=1"},
		{Frames: Frames{Files: []string{table}}, Columns: "time=seconds,ra=3,dec=4", Unit: "px"},
		{Frames: Frames{Files: []string{table}}, Scale: "wide"},
		{Frames: Frames{Files: []string{table, table}}},
		{Frames: Frames{Files: []string{filepath.Join(dir, "none")}}},
		{Frames: Frames{Files: []string{table}}, As: table},
	} {
		if _, err := bad.Drive(t.Context()); err == nil {
			t.Errorf("%+v: no error", bad)
		}
	}
}

// TestDriveFrames: an unguided telescope on one field for seven hours.
func TestDriveFrames(t *testing.T) {
	dir := filepath.Join(testkit.Frames(t), "drift_6inch")
	if testing.Short() {
		t.Skip("71 frames take a quarter of a minute")
	}
	a, err := DriveTask{Frames: Frames{Files: []string{dir}}}.Drive(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	d := a.Result
	const src = "measured with a catalogue match and independent libraries when the frames were gathered"
	testkit.Near(t, float64(d.Track.MovedX), -272, 4, src)
	testkit.Near(t, math.Abs(float64(d.Track.Turned)), 0.58, 0.03, src)
	testkit.NearRel(t, d.Track.Scale, 5.164, 0.001, src)
	// The telescope went north by 2.3 arcsec a minute and later south by 2.0; the
	// stars in it go the other way.
	testkit.Near(t, d.DecStart, -2.3, 0.4, src)
	testkit.Near(t, d.DecEnd, 2.0, 0.4, src)
	if d.Track.Used < 67 || d.Verdict != series.Drifting {
		t.Errorf("%d frames used, verdict %s", d.Track.Used, d.Verdict)
	}
}
