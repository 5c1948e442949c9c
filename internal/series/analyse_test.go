package series

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/loop"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

func unitScale(v float64) unit.Scale { return unit.Scale(v) }

// night is a record made of known parts.
type night struct {
	n               int
	cycle, exposure float64
	uneven          float64 // spread of the cycle
	amplitude       float64
	period, phase   float64
	second          float64 // amplitude of half the period
	drift           [2]float64
	noise           float64
	gain            [2]float64 // 0 for no correction
	delay           int
	least           float64 // shortest correction
	play            float64 // of declination
	angle           float64 // radians, of the camera since it was calibrated
	mirrored        bool
	jumps           map[int][2]float64
	lost            map[int]bool
	seed            uint64
}

// record plays the night. The offset measured is the mean over the exposure.
func (k night) record() *Record {
	rng := rand.New(rand.NewPCG(k.seed, 7))
	r := &Record{Name: "made", Stretches: []int{0}, Exposure: unit.Second(k.exposure), Sky: true, Moves: Asked}
	if k.gain == [2]float64{} {
		r.Moves = NoMoves
	}
	sinc := func(p float64) float64 {
		if k.exposure == 0 {
			return 1
		}
		return math.Sin(math.Pi*k.exposure/p) / (math.Pi * k.exposure / p)
	}
	t := k.cycle / 2
	var motor, axis [2]float64 // changes of the offset asked for, and made
	var jump [2]float64
	var queue [][2]float64
	for i := range k.n {
		if j, ok := k.jumps[i]; ok {
			jump[0] += j[0]
			jump[1] += j[1]
		}
		s := Sample{Time: unit.Second(t), SNR: 50}
		e := [2]float64{
			k.amplitude*sinc(k.period)*math.Sin(2*math.Pi*t/k.period+k.phase) + k.second*sinc(k.period/2)*math.Sin(4*math.Pi*t/k.period+1) + k.drift[0]*t + axis[0] + jump[0] + k.noise*rng.NormFloat64(),
			k.drift[1]*t + axis[1] + jump[1] + k.noise*rng.NormFloat64(),
		}
		if k.amplitude == 0 {
			e[0] = k.drift[0]*t + axis[0] + jump[0] + k.noise*rng.NormFloat64()
		}
		var c [2]float64
		if k.lost[i] {
			nan := unit.Arcsec(math.NaN())
			s.RA, s.Dec, s.MoveRA, s.MoveDec = nan, nan, nan, nan
			queue = append(queue, [2]float64{})
		} else {
			s.RA, s.Dec = unit.Arcsec(e[0]), unit.Arcsec(e[1])
			sin, cos := math.Sincos(k.angle)
			queue = append(queue, [2]float64{e[0]*cos + e[1]*sin, e[1]*cos - e[0]*sin})
			if due := len(queue) - 1 - k.delay; due >= 0 {
				for a := range 2 {
					c[a] = -k.gain[a] * queue[due][a]
					if math.Abs(c[a]) < k.least {
						c[a] = 0
					}
				}
			}
			if k.mirrored {
				c[1] = -c[1]
			}
			s.MoveRA, s.MoveDec = unit.Arcsec(c[0]), unit.Arcsec(c[1])
		}
		motor[0] += c[0]
		motor[1] += c[1]
		axis[0] = motor[0]
		axis[1] = min(max(axis[1], motor[1]-k.play/2), motor[1]+k.play/2)
		r.Samples = append(r.Samples, s)
		t += k.cycle + k.uneven*rng.Float64()
	}
	return r
}

// usual is a night with a worm, corrected well.
func usual() night {
	return night{n: 1500, cycle: 2.4, exposure: 2, uneven: 0.4, amplitude: 9, period: 478.7, phase: 0.4, second: 2, drift: [2]float64{0.01, -0.006}, noise: 0.3, gain: [2]float64{0.5, 0.35}, least: 0.05, seed: 11}
}

func analyse(t testing.TB, k night, o Options) *Drive {
	t.Helper()
	d, err := Analyse(k.record(), o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// within checks a value against the truth by its own error.
func within(t *testing.T, what string, got, sigma, want, times float64) {
	t.Helper()
	if !(sigma > 0) || !(math.Abs(got-want) <= times*sigma) {
		t.Errorf("%s: got %.5g ± %.2g, want %.5g, within %g sigma (the record was made so)", what, got, sigma, want, times)
	}
}

func TestGuided(t *testing.T) {
	k := usual()
	d := analyse(t, k, Options{})
	if !d.Freed || len(d.Periods) < 2 {
		t.Fatalf("freed %v, %d periods", d.Freed, len(d.Periods))
	}
	within(t, "period", float64(d.Periods[0].Period), float64(d.Periods[0].PeriodSigma), k.period, 4)
	within(t, "amplitude", float64(d.Periods[0].Amplitude), float64(d.Periods[0].AmplitudeSigma), k.amplitude, 4)
	within(t, "half the period", float64(d.Periods[1].Amplitude), float64(d.Periods[1].AmplitudeSigma), k.second, 4)
	if d.Periods[1].Harmonic != 2 || math.Round(d.Periods[0].Teeth) != 180 {
		t.Errorf("harmonic %d, %g teeth", d.Periods[1].Harmonic, d.Periods[0].Teeth)
	}
	within(t, "drift in right ascension", d.DriftRA, d.DriftRASigma, 0.6, 4)
	within(t, "drift in declination", d.DriftDec, d.DriftDecSigma, -0.36, 4)
	within(t, "motion", float64(d.Motion), float64(d.MotionSigma), k.noise, 4)
	within(t, "answer", d.Answer.RARA, d.Answer.RARASigma, 1, 4)
	testkit.Near(t, d.Loop[0].Gain, 0.5, 0.005, "the record was made so")
	testkit.Near(t, d.Loop[1].Gain, 0.35, 0.005, "the record was made so")
	testkit.Near(t, float64(d.CalibrationAngle), 0, 1.5, "the record was made so")
	if d.Oscillating == nil || *d.Oscillating || len(d.SignWrong) > 0 || !math.IsNaN(float64(d.Backlash)) || len(d.Jumps) > 0 {
		t.Errorf("oscillation %v, signs %v, play %v, jumps %v", d.Oscillation, d.SignWrong, d.Backlash, d.Jumps)
	}
	if d.Verdict != Steady && d.Verdict != Periodicity {
		t.Errorf("verdict %s: %s", d.Verdict, d.Why)
	}
	// The folded curve is the sum of the two sines.
	for _, f := range d.Folded {
		at := f.Phase * float64(d.Periods[0].Period)
		want := k.amplitude*math.Sin(2*math.Pi*at/k.period+k.phase) + k.second*math.Sin(4*math.Pi*at/k.period+1)
		testkit.Near(t, float64(f.Offset), want, 5*float64(f.Sigma)+0.3, "the sines the record was made of")
	}
}

// Errors are honest: over many nights the pulls of period, amplitude and drift
// have the spread of one.
func TestPulls(t *testing.T) {
	nights := 200
	if testing.Short() {
		nights = 24
	}
	var pulls [4][]float64
	for i := range nights {
		k := usual()
		k.n, k.seed, k.phase = 700, uint64(100+i), 0.03*float64(i)
		k.gain = [2]float64{}
		p := Periods(trackOf(k.record(), 0), 2.6, 1)
		q := Periods(trackOf(k.record(), 1), 2.6, 1)
		if len(p.Sines) < 2 {
			t.Fatalf("seed %d: %d sines", k.seed, len(p.Sines))
		}
		s := p.Sines[0]
		up := math.Sin(math.Pi*k.exposure/k.period) / (math.Pi * k.exposure / k.period)
		pulls[0] = append(pulls[0], (float64(s.Period.V)-k.period)/float64(s.Period.SE))
		pulls[1] = append(pulls[1], (float64(s.Amplitude.V)-k.amplitude*up)/float64(s.Amplitude.SE))
		pulls[2] = append(pulls[2], (p.Drift.ArcsecPerMin-60*k.drift[0])/p.Drift.SigmaArcsecPerMin)
		pulls[3] = append(pulls[3], (q.Drift.ArcsecPerMin-60*k.drift[1])/q.Drift.SigmaArcsecPerMin)
	}
	for i, name := range []string{"period", "amplitude", "drift with periods", "drift"} {
		var mean, square float64
		for _, v := range pulls[i] {
			mean += v / float64(nights)
			square += v * v / float64(nights)
		}
		spread := math.Sqrt(square - mean*mean)
		t.Logf("%s: pulls %.2f ± %.2f", name, mean, spread)
		few := 4 / math.Sqrt(float64(nights))
		if math.Abs(mean) > max(0.2, few) || math.Abs(spread-1) > max(0.2, few) {
			t.Errorf("%s: pulls have mean %.2f and spread %.2f, want 0 and 1", name, mean, spread)
		}
	}
}

func trackOf(r *Record, axis int) Track {
	tr := Track{Trend: true}
	for _, s := range r.Samples {
		tr.Time = append(tr.Time, s.Time)
		tr.Offset = append(tr.Offset, [2]unit.Arcsec{s.RA, s.Dec}[axis])
	}
	return tr
}

// Without corrections the exposure's averaging is undone.
func TestUnguided(t *testing.T) {
	k := usual()
	k.gain, k.exposure, k.period, k.amplitude, k.second = [2]float64{}, 2.4, 8, 2, 0
	d := analyse(t, k, Options{})
	if len(d.Periods) != 1 {
		t.Fatalf("periods %+v", d.Periods)
	}
	within(t, "amplitude", float64(d.Periods[0].Amplitude), float64(d.Periods[0].AmplitudeSigma), 2, 4)
	within(t, "drift", d.DriftDec, d.DriftDecSigma, -0.36, 4)
	if d.Guided || d.Answer != nil {
		t.Errorf("corrected %v, answer %v", d.Guided, d.Answer)
	}
	// A period is folded back by even cycles: 3.0 s seen every 2.5 s is 15 s.
	k.cycle, k.uneven, k.exposure, k.period = 2.5, 0, 0.2, 3
	d = analyse(t, k, Options{})
	if len(d.Periods) != 1 {
		t.Fatalf("periods %+v", d.Periods)
	}
	testkit.Near(t, float64(d.Periods[0].Period), 15, 0.01, "closed form: |1/3 - 1/2.5| Hz")
	testkit.Near(t, float64(d.Periods[0].Alias), 3, 0.001, "closed form: 1/(1/2.5 - 1/15) s")
}

// A corrected record without its corrections is divided by what the loop leaves.
func TestRejectionUndone(t *testing.T) {
	k := usual()
	k.uneven, k.period, k.amplitude, k.second, k.least = 0, 120, 6, 0, 0
	r := k.record()
	r.Moves = NoMoves
	for i := range r.Samples {
		r.Samples[i].MoveRA, r.Samples[i].MoveDec = unit.Arcsec(math.NaN()), unit.Arcsec(math.NaN())
	}
	d, err := Analyse(r, Options{Gain: 0.5})
	if err != nil || len(d.Periods) == 0 {
		t.Fatalf("%+v, %v", d, err)
	}
	within(t, "amplitude", float64(d.Periods[0].Amplitude), float64(d.Periods[0].AmplitudeSigma), 6, 4)
}

// What corrections of an unknown unit, sign and row mean is found out.
func TestUnnamed(t *testing.T) {
	for _, late := range []bool{false, true} {
		k := usual()
		k.jumps = map[int][2]float64{200: {8, -6}, 500: {-7, 5}, 800: {6, 6}, 1100: {-6, -7}}
		r := k.record()
		r.Moves = Unnamed
		for i := range r.Samples {
			s := &r.Samples[i]
			s.MoveRA, s.MoveDec = s.MoveRA*-130, s.MoveDec*95 // pulses in ms, say
		}
		if late { // each stands with the measurement after it
			for i := len(r.Samples) - 1; i > 0; i-- {
				r.Samples[i].MoveRA, r.Samples[i].MoveDec = r.Samples[i-1].MoveRA, r.Samples[i-1].MoveDec
			}
			r.Samples[0].MoveRA, r.Samples[0].MoveDec = 0, 0
		}
		d, err := Analyse(r, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !d.Freed || !d.Answer.Used {
			t.Fatalf("late %v: not freed: %+v", late, d.Answer)
		}
		if want := map[bool]int{false: 1, true: 0}[late]; d.Answer.Lag != want {
			t.Errorf("late %v: %d rows late, want %d", late, d.Answer.Lag, want)
		}
		testkit.NearRel(t, d.Answer.RARA, -1/130.0, 0.05, "the record was made so")
		testkit.NearRel(t, d.Answer.DecDec, 1/95.0, 0.05, "the record was made so")
		testkit.NearRel(t, float64(d.Periods[0].Amplitude), k.amplitude, 0.05, "the record was made so")
		testkit.NearRel(t, float64(d.Periods[0].Period), k.period, 0.005, "the record was made so")
		if !late {
			testkit.NearRel(t, d.Loop[0].Gain, 0.5, 0.06, "the record was made so")
			testkit.Near(t, float64(d.CalibrationAngle), 0, 6, "the record was made so")
		}
	}
	// Numbers that mean nothing are not believed.
	k := usual()
	r := k.record()
	r.Moves = Unnamed
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range r.Samples {
		r.Samples[i].MoveRA, r.Samples[i].MoveDec = unit.Arcsec(rng.NormFloat64()), unit.Arcsec(rng.NormFloat64())
	}
	d, err := Analyse(r, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if d.Freed || d.Answer.Used {
		t.Errorf("random numbers were taken for corrections: %+v", d.Answer)
	}
}

func TestFaults(t *testing.T) {
	t.Run("play", func(t *testing.T) {
		k := usual()
		k.play, k.drift, k.noise = 12, [2]float64{0.01, 0}, 0.5
		k.jumps = map[int][2]float64{}
		for i := 100; i < k.n; i += 130 { // the axis must turn back now and then
			k.jumps[i] = [2]float64{0, 9 * float64(1-2*(i/130%2))}
		}
		d := analyse(t, k, Options{})
		within(t, "play", float64(d.Backlash), float64(d.BacklashSigma)+0.15, 12, 4)
		if d.Verdict != Playing {
			t.Errorf("verdict %s: %s", d.Verdict, d.Why)
		}
	})
	for _, angle := range []float64{-40, 25, 70} {
		t.Run(fmt.Sprintf("angle %g", angle), func(t *testing.T) {
			k := usual()
			k.angle = angle * math.Pi / 180
			k.amplitude = 9
			d := analyse(t, k, Options{})
			testkit.Near(t, float64(d.CalibrationAngle), angle, 3, "the record was made so")
			if d.Verdict != Misset {
				t.Errorf("verdict %s: %s", d.Verdict, d.Why)
			}
		})
	}
	t.Run("mirrored", func(t *testing.T) {
		k := usual()
		k.mirrored, k.n, k.gain[1] = true, 60, 0.15
		d := analyse(t, k, Options{})
		if fmt.Sprint(d.SignWrong) != "[dec]" || d.Verdict != Misset {
			t.Errorf("signs %v, verdict %s: %s", d.SignWrong, d.Verdict, d.Why)
		}
	})
	t.Run("gain", func(t *testing.T) {
		k := usual()
		k.gain[0] = 1.85
		d := analyse(t, k, Options{})
		if d.Verdict != Oscillates || len(d.Oscillation) != 1 || d.Oscillation[0].Cause != "gain" || d.Oscillation[0].Cycles != 2 || d.Oscillation[0].Axis != "ra" {
			t.Errorf("verdict %s, %+v", d.Verdict, d.Oscillation)
		}
	})
	t.Run("delay", func(t *testing.T) {
		k := usual()
		k.gain[0], k.delay = 0.93, 1
		d := analyse(t, k, Options{})
		if len(d.Oscillation) != 1 || d.Oscillation[0].Cause != "delay" || math.Abs(d.Oscillation[0].Cycles-6) > 2 || d.Loop[0].Delay != 1 {
			t.Errorf("%+v, delay %d", d.Oscillation, d.Loop[0].Delay)
		}
	})
	t.Run("jump", func(t *testing.T) {
		k := usual()
		k.jumps = map[int][2]float64{700: {4, -3}}
		r := k.record()
		d, err := Analyse(r, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(d.Jumps) != 1 {
			t.Fatalf("jumps %+v", d.Jumps)
		}
		testkit.Near(t, float64(d.Jumps[0].RA), 4, 0.3, "the record was made so")
		testkit.Near(t, float64(d.Jumps[0].Dec), -3, 0.3, "the record was made so")
		testkit.Near(t, float64(d.Jumps[0].Time), float64(r.Samples[700].Time), 0, "the record was made so")
	})
	t.Run("lost", func(t *testing.T) {
		k := usual()
		k.lost = map[int]bool{}
		for i := 300; i < 330; i++ {
			k.lost[i] = true
		}
		d := analyse(t, k, Options{})
		if d.Lost != 30 || len(d.Periods) < 2 {
			t.Fatalf("%d lost, %+v", d.Lost, d.Periods)
		}
		within(t, "period", float64(d.Periods[0].Period), float64(d.Periods[0].PeriodSigma), k.period, 4)
	})
	t.Run("nothing answers", func(t *testing.T) {
		k := usual()
		k.gain = [2]float64{}
		k.amplitude, k.drift = 0, [2]float64{}
		k.noise = 0.2
		r := k.record()
		r.Moves = Asked
		for i := range r.Samples {
			s := &r.Samples[i]
			s.MoveRA, s.MoveDec = -s.RA/2, -s.Dec/3
			if math.Abs(float64(s.MoveRA)) < 0.05 {
				s.MoveRA = 0
			}
		}
		d, err := Analyse(r, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if d.Verdict != Deaf {
			t.Errorf("verdict %s: %s", d.Verdict, d.Why)
		}
	})
}

// The replay of a record says what the theory of the loop does.
func TestReplay(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	const n, noise, a, period = 200000, 0.4, 3.0, 90.0
	x := make([]float64, n)
	for i := range x {
		x[i] = a*math.Sin(2*math.Pi*float64(i)/period) + noise*rng.NormFloat64()
	}
	for _, delay := range []int{0, 1} {
		for _, g := range []float64{0.2, 0.5, 0.8} {
			l := loop.Linear{Gain: g, Exposure: 1, Cycle: 1, Delay: delay}
			r := l.Rejection(1 / period)
			want := math.Sqrt(r*r*a*a/2 + l.NoiseGain()*noise*noise)
			testkit.NearRel(t, replay(x, g, 1, delay, noise), want, 0.02, "closed form: rejection and noise gain of package loop")
		}
	}
}

// Too little is refused, and poor records give no nonsense.
func TestPoor(t *testing.T) {
	k := usual()
	k.n = 15
	if _, err := Analyse(k.record(), Options{}); err == nil {
		t.Error("15 exposures were not refused")
	}
	k.n = 25
	if d := analyse(t, k, Options{}); len(d.Periods) > 0 {
		t.Errorf("periods of 25 exposures: %+v", d.Periods)
	}
	flat := &Record{Name: "flat", Stretches: []int{0}, Moves: NoMoves, Sky: true, Exposure: unit.Second(math.NaN())}
	for i := range 100 {
		flat.Samples = append(flat.Samples, Sample{Time: unit.Second(i)})
	}
	d, err := Analyse(flat, Options{})
	if err != nil {
		t.Fatal(err)
	}
	testkit.Near(t, float64(d.RMSRA), 0, 0, "the record was made so")
}

func BenchmarkAnalyse_1500exposures(b *testing.B) {
	r := usual().record()
	for b.Loop() {
		if _, err := Analyse(r, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
