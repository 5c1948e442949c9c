package rig

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"holdfast/internal/testkit"
)

func TestSampleFollowsTheUncertainty(t *testing.T) {
	r, err := New(map[string]string{"site.seeing": "2.5 ± 0.6 arcsec", "guide.offset_east": "3 ± 15 arcmin", "polar.error": "0 ± 3 arcmin",
		"flexure.compliance": "30 ± 21 arcsec/g", "imaging.obstruction": "0.79 ± 0.5", "imaging.focal": "714 mm"})
	if err != nil {
		t.Fatal(err)
	}
	const n = 20000
	rng := rand.New(rand.NewPCG(1, 2))
	type sums struct{ s, s2, least, most float64 }
	acc := map[string]*sums{}
	paths := []string{"site.seeing", "guide.offset_east", "polar.error", "flexure.compliance", "imaging.obstruction", "imaging.focal"}
	for _, p := range paths {
		acc[p] = &sums{least: math.Inf(1), most: math.Inf(-1)}
	}
	for range n {
		d := r.Sample(rng)
		for _, p := range paths {
			v, se, _, _ := d.Get(p)
			if se != 0 {
				t.Fatalf("%s: a drawn rig is uncertain by %v", p, se)
			}
			a := acc[p]
			a.s += v
			a.s2 += v * v
			a.least, a.most = min(a.least, v), max(a.most, v)
		}
	}
	mean := func(p string) float64 { return acc[p].s / n }
	sd := func(p string) float64 { return math.Sqrt(acc[p].s2/n - mean(p)*mean(p)) }
	const mc = "Monte Carlo, 20000 draws; five standard errors"
	testkit.Near(t, mean("site.seeing"), 2.5, 5*0.6/math.Sqrt(n), "the value written: "+mc)
	testkit.Near(t, sd("site.seeing"), 0.6, 0.02, "the ± written: "+mc)
	testkit.Near(t, mean("guide.offset_east"), 3, 5*15/math.Sqrt(n), "the value written: "+mc)
	testkit.Near(t, sd("guide.offset_east"), 15, 0.4, "the ± written: "+mc)
	testkit.Near(t, mean("flexure.compliance"), 30, 5*21/math.Sqrt(n), "the value written: "+mc)
	testkit.Near(t, sd("flexure.compliance"), 21, 1.2, "the ± written: "+mc)
	testkit.Near(t, mean("polar.error"), 3*math.Sqrt(2/math.Pi), 5*1.81/math.Sqrt(n), "closed form: mean of half a normal, sigma sqrt(2/pi): "+mc)
	testkit.Near(t, sd("imaging.focal"), 0, 0, "no ± written")
	for _, p := range paths {
		e := &schema[index[p]]
		if acc[p].least < e.Min || acc[p].most > e.Max {
			t.Errorf("%s: drawn from %v to %v, outside %v to %v", p, acc[p].least, acc[p].most, e.Min, e.Max)
		}
	}
	if v := r.Site.Seeing; v.V != 2.5 || v.SE != 0.6 {
		t.Errorf("the rig itself was changed: %v", v)
	}
	a, b := r.Sample(rand.New(rand.NewPCG(7, 7))), r.Sample(rand.New(rand.NewPCG(7, 7)))
	if a.Hash() != b.Hash() {
		t.Error("the same stream gave two rigs")
	}
}

func TestSampleOfAnyRig(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	rapid.Check(t, func(t *rapid.T) {
		r := anyRig(t)
		if r == nil {
			return
		}
		d := r.Sample(rng)
		for i := range schema {
			e := &schema[i]
			if e.Kind != Number {
				continue
			}
			v, se := e.number(d)
			if p := e.check(v, 0, ""); p != nil || !(se == 0 || math.IsNaN(se) && math.IsNaN(v)) {
				t.Fatalf("%s: drew %v ± %v", e.Path, v, se)
			}
		}
	})
}

func TestSampleKeepsAPickoffBehindItsTelescope(t *testing.T) {
	r, err := New(map[string]string{"guide.kind": "pickoff", "imaging.focal": "2000 ± 100 mm", "imaging.aperture": "200 ± 10 mm", "imaging.reducer": "0.7"})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	for range 10 {
		d := r.Sample(rng)
		if d.Guide.Focal.V != d.Imaging.FocalLength() || d.Guide.Aperture.V != d.Imaging.Aperture.V || d.Imaging.Focal.V == 2000 {
			t.Fatalf("guide %v mm, imaging %v mm", d.Guide.Focal.V, d.Imaging.FocalLength())
		}
	}
}

func BenchmarkSample_larkspur(b *testing.B) {
	r := example(b, "larkspur.toml")
	rng := rand.New(rand.NewPCG(1, 1))
	b.ReportAllocs()
	for b.Loop() {
		r.Sample(rng)
	}
}
