package plan

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"holdfast/internal/catalog"
	"holdfast/internal/psf"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestPatch compares the brightest pixel of a defocused star with that of the
// image drawn by convolving pupil, air and pixel.
func TestPatch(t *testing.T) {
	const src = "image of air, disc and pixel convolved"
	for _, hole := range []float64{0, 0.35} {
		for _, disc := range []unit.Px{0, 2, 5, 12, 40} {
			// A scale of 1 arcsec a pixel; the star is a Gaussian of 2 px, as bare is.
			k := []psf.Kernel{psf.Gaussian(psf.Round(unit.Arcsec(2 / fwhmPerSigma))), psf.Disc(unit.Arcsec(disc), hole), psf.Box(1, 0)}
			const n = 65
			most := 0.0
			for _, v := range psf.Image(nil, n, n, n/2, n/2, 1, 0, k...) {
				most = math.Max(most, v)
			}
			testkit.NearRel(t, patch(2, disc, hole), most, 0.05, src)
		}
	}
}

// TestSeekLadder: the rig of a beginner, a winter evening.
func TestSeekLadder(t *testing.T) {
	q := Request{Rig: example(t, "larkspur.toml")}
	f, err := MakeSeek(q, 0.5, time.Date(2027, 1, 10, 5, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	const src = "common practice, no source: a first-magnitude star saturates in half a second, fine focus wants V 5 to 7"
	stars := 0
	for _, x := range f.Targets {
		if x.Kind == "star" && x.V < 1.5 {
			stars++
			if !x.Looks[0].Saturates {
				t.Errorf("%s, V %.1f, does not saturate in focus (%s)", x.Name, float64(x.V), src)
			}
		}
	}
	if stars == 0 {
		t.Error("no star of first magnitude up on a winter evening")
	}
	if n := len(f.Ladder); n < 2 || f.Ladder[n-1].V < 5 || f.Ladder[n-1].V > 7.2 {
		t.Errorf("ladder %+v, want it to end on a star of V 5 to 7 (%s)", f.Ladder, src)
	}
	for i := 1; i < len(f.Ladder); i++ {
		if f.Ladder[i].From != f.Ladder[i-1].To {
			t.Errorf("rung %d begins %v mm from focus where the one before ends at %v", i+1, f.Ladder[i].From, f.Ladder[i-1].To)
		}
	}
}

// TestSeekOrder: a patch only dims with distance and with exposure; what needs
// an exposure shows in it.
func TestSeekOrder(t *testing.T) {
	q := Request{Rig: example(t, "larkspur.toml")}
	at := time.Date(2027, 1, 10, 5, 0, 0, 0, time.UTC)
	short, err := MakeSeek(q, 0.05, at)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range short.Targets {
		for i := 1; i < len(x.Looks); i++ {
			if a, b := x.Looks[i-1], x.Looks[i]; b.SNR > a.SNR*1.0001 || b.Patch < a.Patch || b.Within < a.Within {
				t.Errorf("%s grows brighter or smaller away from focus: %+v, then %+v", x.Name, a, b)
			}
		}
		if x.Everywhere || !(x.Needs < 100) {
			continue
		}
		long, err := MakeSeek(q, x.Needs*1.02, at)
		if err != nil {
			t.Fatal(err)
		}
		for _, y := range long.Targets {
			if y.Name == x.Name && !y.Everywhere {
				t.Errorf("%s does not show everywhere in the %v s it is said to need", x.Name, x.Needs)
			}
		}
	}
}

// TestSeekSun: whatever the place and the time, nothing near the Sun is offered
// and nothing at all by day.
func TestSeekSun(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 30))
	base := Request{Rig: example(t, "larkspur.toml")}
	n := 120
	if testing.Short() {
		n = 25
	}
	offered, refused := 0, 0
	for range n {
		q := base
		q.Rig, _ = base.Rig.WithFloat("site.latitude", r.Float64()*130-65)
		q.Rig, _ = q.Rig.WithFloat("site.longitude", r.Float64()*360-180)
		at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(r.Float64() * 3 * 365 * 24 * float64(time.Hour)))
		f, err := MakeSeek(q, 1, at)
		if err != nil {
			t.Fatal(err)
		}
		site, err := siteOf(q.Rig)
		if err != nil {
			t.Fatal(err)
		}
		sun := site.At(sky.NewInstant(at)).See(sky.Sun)
		if sun.TrueAlt > sky.Civil && len(f.Targets)+len(f.Ladder) > 0 {
			t.Errorf("the Sun stands at %v and %d targets are offered", sun.TrueAlt, len(f.Targets))
		}
		check := func(name string, d sky.Direction) {
			offered++
			if a := sky.Separation(d, sun.Direction); a < sunClear {
				t.Errorf("%s is offered %v degrees from the Sun", name, a)
			}
		}
		for _, x := range f.Targets {
			check(x.Name, sky.Direction{RA: x.RA, Dec: x.Dec})
		}
		for _, x := range f.Ladder {
			check(x.Target, sky.Direction{RA: x.RA, Dec: x.Dec})
		}
		refused += len(f.Refused)
	}
	if offered == 0 {
		t.Error("nothing was ever offered")
	}
	t.Logf("%d offered, %d refused", offered, refused)
}

// TestSeekAsked: a star asked for that stands near the Sun is refused; one that
// is below the horizon is left out and said to be.
func TestSeekAsked(t *testing.T) {
	q := Request{Rig: example(t, "larkspur.toml")}
	at := time.Date(2027, 6, 25, 4, 0, 0, 0, time.UTC) // dusk at the rig's place
	var err error
	if q.Target, err = catalog.ParseTarget("Castor"); err != nil {
		t.Fatal(err)
	}
	f, err := MakeSeek(q, 1, at)
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Refused) != 1 || f.Refused[0].Name != "Castor" {
		t.Errorf("refused %+v, want Castor", f.Refused)
	}
	if q.Target, err = catalog.ParseTarget("Fomalhaut"); err != nil {
		t.Fatal(err)
	}
	if f, err = MakeSeek(q, 1, at); err != nil || len(f.LeftOut) != 1 {
		t.Errorf("left out %v, %v; want Fomalhaut", f.LeftOut, err)
	}
	for _, bad := range []unit.Second{0, -1, unit.Second(math.NaN()), unit.Second(math.Inf(1))} {
		if _, err := MakeSeek(q, bad, at); err == nil {
			t.Errorf("an exposure of %v is taken", bad)
		}
	}
	if q.Rig, err = q.Rig.With("guide.kind", string(rig.NoGuide)); err != nil {
		t.Fatal(err)
	}
	if _, err := MakeSeek(q, 1, at); !errors.Is(err, ErrNoGuide) {
		t.Errorf("without a guide camera: %v, want ErrNoGuide", err)
	}
}
