package loop

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"holdfast/internal/air"
	"holdfast/internal/mech"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// Nights that an independent program integrated (testdata/night.py; make oracles
// runs it again and compares), by Servo and Drive.
func TestNight(t *testing.T) {
	b, err := os.ReadFile("testdata/night.json")
	if err != nil {
		t.Fatal(err)
	}
	var nights []struct {
		Amplitude unit.Arcsec `json:"amplitude_arcsec"`
		Period    unit.Second `json:"period_s"`
		Drift     float64     `json:"drift_arcsec_s"`
		Noise     float64     `json:"noise_arcsec"`
		Exposure  unit.Second `json:"exposure_s"`
		Readout   unit.Second `json:"readout_s"`
		Gain      float64     `json:"gain"`
		Delay     int         `json:"delay"`
		GuideRate float64     `json:"guide_rate"`
		RMS       float64     `json:"rms_arcsec"`
		Measured  float64     `json:"measured_arcsec"`
	}
	if err := json.Unmarshal(b, &nights); err != nil {
		t.Fatal(err)
	}
	if len(nights) < 5 {
		t.Fatalf("night.json holds %d nights, want five", len(nights))
	}
	for i, n := range nights {
		worm := Waves{{Sine(n.Amplitude, n.Period), 0}}
		g := guided{
			servo: ServoParams{Exposure: n.Exposure, Readout: n.Readout, Delay: n.Delay, Dec: ServoAxis{Gain: n.Gain}, GuideRate: n.GuideRate},
			step:  0.02, noise: n.Noise, rng: rand.New(rand.NewPCG(12, uint64(i))), skip: 200,
		}
		g.common[1] = func(t unit.Second) float64 { return float64(worm.At(t)) + n.Drift*float64(t) }
		axes, _ := g.run(200 + int(4*3600/(n.Exposure+n.Readout)))
		src := fmt.Sprintf("computed with numpy: internal/loop/testdata/night.py, %+v", n)
		testkit.NearRel(t, math.Sqrt(axes[1].meanSquare), n.RMS, 0.03, src)
		testkit.NearRel(t, math.Sqrt(axes[1].measured), n.Measured, 0.03, src+", as measured")
	}
}

func BenchmarkServo_2axes_50Hz(b *testing.B) {
	s := NewServo(ServoParams{Exposure: 2, Readout: 0.5, RA: ServoAxis{Gain: 0.5}, Dec: ServoAxis{Gain: 0.5}, GuideRate: 0.5}, 0.02)
	ra := NewDrive(DriveParams{RateArcsecPerS: 7.5, TurningArcsecPerS: mech.SiderealArcsecPerS, Play: 5})
	dec := NewDrive(DriveParams{RateArcsecPerS: 7.5, Play: 5, Stick: 1, Slide: 0.5})
	worm := NewWaves(PeriodicError(20, 479, 0.3), rand.New(rand.NewPCG(1, 1)))
	i := 0
	for b.Loop() {
		tick := s.Next()
		ra.Step(0.02, tick.RA)
		dec.Step(0.02, tick.Dec)
		if off := worm.At(unit.Second(i)*0.02) - ra.Position(); tick.Ended {
			s.Measure(off, -dec.Position(), true)
		}
		i++
	}
	b.ReportMetric(float64(b.N)*0.02/b.Elapsed().Seconds(), "simulated-s/s")
}

func BenchmarkNight_2axes_2layers_50Hz(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	g := guided{
		servo: ServoParams{Exposure: 2, Readout: 0.5, RA: ServoAxis{Gain: 0.5}, Dec: ServoAxis{Gain: 0.5}, GuideRate: 0.5},
		step:  0.02, noise: 0.3, rng: r,
	}
	motion := air.NewSeries(air.SeriesParams{
		Air:    air.Turbulence{Fried: 0.05, Outer: 20},
		Layers: []air.Layer{{Share: 0.6, Wind: 3}, {Distance: 8000, Share: 0.4, Wind: 12, Toward: 60}},
		Beams:  []air.Beam{{Aperture: 0.05, OffsetX: 900}, {Aperture: 0.2, Y: 0.25}},
		Step:   g.step,
	}, r)
	shifts := make([]air.Shift, 2)
	g.guide[0] = func() float64 { motion.Next(shifts); return float64(shifts[0].X) }
	g.guide[1] = func() float64 { return float64(shifts[0].Y) }
	worm := NewWaves(PeriodicError(20, 479, 0.3), r)
	g.common[0] = func(t unit.Second) float64 { return float64(worm.At(t)) }
	simulated := 0.0
	for b.Loop() {
		_, cycle := g.run(400)
		simulated += 400 * cycle
	}
	b.ReportMetric(simulated/b.Elapsed().Seconds(), "simulated-s/s")
}
