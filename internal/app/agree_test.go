package app

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"holdfast/internal/plan"
	"holdfast/internal/rehearsal"
	"holdfast/internal/rig"
)

// soundRig returns a rig of any mount and guide kind, its numbers drawn from
// what people have, its axis known by its knobs.
func soundRig(r *rand.Rand) (*rig.Rig, error) {
	pick := func(v ...string) string { return v[r.IntN(len(v))] }
	between := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	q := func(v float64, unit string) string { return fmt.Sprintf("%.4g %s", v, unit) }
	e := map[string]string{}
	e["site.latitude"] = q(-55+110*r.Float64(), "deg")
	e["site.longitude"] = q(-180+360*r.Float64(), "deg")
	e["site.seeing"] = q(between(1.2, 4), "arcsec")
	e["site.wind"] = q(between(0.5, 4), "m/s")
	mount := pick("equatorial", "equatorial", "fork-on-wedge", "alt-azimuth", "tracker")
	e["mount.kind"] = mount
	focal := between(300, 2500)
	sub := between(30, 400)
	switch mount {
	case "tracker":
		focal, sub = between(24, 200), between(10, 90)
		e["guide.kind"] = pick("none", "piggyback")
	case "alt-azimuth":
		sub = between(3, 15)
		e["guide.kind"] = pick("none", "piggyback")
	default:
		e["guide.kind"] = pick("piggyback", "piggyback", "pickoff", "none")
		e["mount.drive"] = pick("worm", "worm", "strain-wave", "direct", "friction")
	}
	if e["guide.kind"] == "none" && mount != "tracker" && mount != "alt-azimuth" {
		sub = between(5, 40)
	}
	n := between(4, 8)
	if e["guide.kind"] == "pickoff" && focal < 700 {
		focal = between(700, 2500)
	}
	e["imaging.focal"] = q(focal, "mm")
	e["imaging.aperture"] = q(max(focal/n, 20), "mm")
	e["imaging.kind"] = pick("refractor", "newtonian")
	if focal < 200 {
		e["imaging.kind"] = "lens"
	}
	e["sub.length"] = q(sub, "s")
	e["sub.dither"] = pick("0 px", "3 px")
	e["polar.altitude"] = q(-6+12*r.Float64(), "arcmin")
	e["polar.azimuth"] = q(-6+12*r.Float64(), "arcmin")
	e["goal.ellipticity"] = "0.1"
	return rig.New(e)
}

// TestPlanAgreesWithRehearsal: the star that the plan predicts is the one that a
// rehearsed night has, at the centre and in the corner.
func TestPlanAgreesWithRehearsal(t *testing.T) {
	n := 100
	if testing.Short() {
		n = 3
	}
	if v, err := strconv.Atoi(os.Getenv("AGREE")); err == nil {
		n = v
	}
	r := rand.New(rand.NewPCG(11, 4))
	bad := 0
	for i := range n {
		rg, err := soundRig(r)
		if err != nil {
			t.Fatal(err)
		}
		day := r.IntN(365)
		if v := os.Getenv("AGREE_ONLY"); v != "" && v != strconv.Itoa(i) {
			continue
		}
		q := plan.Request{Rig: rg, Evening: time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC).AddDate(0, 0, day), Workers: 2}
		what := fmt.Sprintf("%d %s %s %s f %.0f d %.0f sub %.0f", i, rg.Mount.Kind, rg.Mount.Drive, rg.Guide.Kind, float64(rg.Imaging.Focal.V), float64(rg.Imaging.Aperture.V), float64(rg.Sub.Length.V))
		got, err := compare(t, q, uint64(i))
		if err != nil {
			t.Logf("%s: %v", what, err)
			continue
		}
		if !got.agrees() {
			bad++
			t.Errorf("%s: %s", what, got)
		} else {
			t.Logf("%s: %s", what, got)
		}
	}
	t.Logf("%d of %d disagree", bad, n)
}

// pair is a planned and a rehearsed star.
type pair struct {
	fwhm, fwhmCorner, e, eCorner [2]float64
}

func (p pair) agrees() bool {
	return math.Abs(p.fwhm[1]/p.fwhm[0]-1) < 0.05 && math.Abs(p.fwhmCorner[1]/p.fwhmCorner[0]-1) < 0.05 && math.Abs(p.e[1]-p.e[0]) < 0.02 && math.Abs(p.eCorner[1]-p.eCorner[0]) < 0.02
}

func (p pair) String() string {
	return fmt.Sprintf("FWHM %.2f planned, %.2f rehearsed; corner %.2f, %.2f; ellipticity %.3f, %.3f; corner %.3f, %.3f", p.fwhm[0], p.fwhm[1], p.fwhmCorner[0], p.fwhmCorner[1], p.e[0], p.e[1], p.eCorner[0], p.eCorner[1])
}

// compare plans and rehearses.
func compare(t *testing.T, q plan.Request, seed uint64) (p pair, err error) {
	res, err := plan.Make(t.Context(), q)
	if err != nil {
		return p, err
	}
	// Two turns of a worm or more, so that every phase of it has its subs.
	subs := min(max(8, int(1200/float64(q.Rig.Sub.Length.V+6))), 60)
	task := Rehearsal{Subs: subs, Exact: true, Task: Task{Seed: seed, Workers: 2}}
	a := &Answer[plan.Request]{Rig: q.Rig, Result: q}
	night, res, err := task.night(t.Context(), a, &Answer[*Rehearsing]{Rig: q.Rig})
	if err != nil {
		return p, err
	}
	out := &Rehearsing{}
	if os.Getenv("AGREE_SHOW") != "" {
		task.Shot = func(r *Rehearsed) {
			k := rehearsal.SubTruth{}
			_ = k
			var me, mn, ee, nn, en, ae, an float64
			n := float64(len(r.Shot.East))
			for i := range r.Shot.East {
				me += float64(r.Shot.East[i]) / n
				mn += float64(r.Shot.North[i]) / n
			}
			for i := range r.Shot.East {
				a, b := float64(r.Shot.East[i])-me, float64(r.Shot.North[i])-mn
				ee += a * a / n
				nn += b * b / n
				en += a * b / n
				ae += math.Pow(float64(r.Shot.AirEast[i]), 2) / n
				an += math.Pow(float64(r.Shot.AirNorth[i]), 2) / n
			}
			t.Logf("   path %.3f %.3f corr %.2f air %.3f %.3f lost %.2f", math.Sqrt(ee), math.Sqrt(nn), en/math.Sqrt(ee*nn), math.Sqrt(ae), math.Sqrt(an), r.Shot.Lost)
		}
		for _, row := range res.Ledger {
			t.Logf("   %s %.3f %.3f", row.Term, float64(row.East), float64(row.North))
		}
		t.Logf("   loop %+v", *res.Loop)
	}
	w := &nightWriter{t: task, n: night, out: out}
	if err := w.play(t.Context()); err != nil {
		return p, err
	}
	// The typical sub: squares of widths averaged with their directions, so that
	// what the air draws now this way and now that does not add up.
	mean := func(of func(*rehearsal.SubTruth) rehearsal.Shape) (fwhm, e float64) {
		var xx, xy, yy float64
		n := float64(len(out.Truth.Subs))
		for i := range out.Truth.Subs {
			k := of(&out.Truth.Subs[i])
			w, b := float64(k.FWHM), 1-k.Ellipticity
			sin, cos := math.Sincos(float64(k.Angle.Rad()))
			long, short := w*w/b, w*w*b
			xx += (long*cos*cos + short*sin*sin) / n
			yy += (long*sin*sin + short*cos*cos) / n
			xy += (long - short) * sin * cos / n
		}
		d := math.Hypot((xx-yy)/2, xy)
		long, short := (xx+yy)/2+d, (xx+yy)/2-d
		return math.Pow(long*short, 0.25), 1 - math.Sqrt(short/long)
	}
	p.fwhm[0], p.e[0], p.fwhmCorner[0], p.eCorner[0] = float64(res.Star.FWHM), res.Star.Ellipticity, float64(res.StarCorner.FWHM), res.StarCorner.Ellipticity
	p.fwhm[1], p.e[1] = mean(func(t *rehearsal.SubTruth) rehearsal.Shape { return t.Star })
	for i := range 4 {
		w, e := mean(func(t *rehearsal.SubTruth) rehearsal.Shape { return t.Corners[i] })
		if i == 0 || e > p.eCorner[1] {
			p.fwhmCorner[1], p.eCorner[1] = w, e
		}
	}
	return p, nil
}
