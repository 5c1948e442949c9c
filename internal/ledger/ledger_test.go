package ledger

import (
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

var goal = Goal{Ellipticity: 0.10, EllipticityCorner: 0.15, FWHMRatio: 1.15}

// night returns a usual ledger: air of 2.5 arcsec, a pixel, and the given rows.
func night(rows ...Row) Ledger {
	return append(Ledger{
		Row{Term: Seeing}.Spread(psf.Air(2.5)),
		Row{Term: Diffraction}.Spread(psf.Airy(0.55, 102, 0)),
		Row{Term: Optics}.Spread(psf.Gaussian(psf.Round(0.4))),
		Row{Term: Pixels}.Spread(psf.Box(1.1, 0)),
	}, rows...)
}

func TestTrailAddsItsMoment(t *testing.T) {
	r := Row{Term: Flexure}.Trail(Move{East: 3, North: 4})
	testkit.NearRel(t, r.Cov.EastArcsec2, 9.0/12, 1e-9, "closed form: a uniform trail has length^2/12 along it")
	testkit.NearRel(t, r.Cov.NorthArcsec2, 16.0/12, 1e-9, "closed form")
	testkit.NearRel(t, r.Cov.CrossArcsec2, 12.0/12, 1e-9, "closed form")
	e, n := r.RMS()
	testkit.NearRel(t, math.Hypot(float64(e), float64(n)), 5/math.Sqrt(12), 1e-9, "closed form")
	major, minor, pa := r.Cov.Axes()
	testkit.NearRel(t, float64(major), 5/math.Sqrt(12), 1e-9, "closed form")
	testkit.Near(t, float64(minor), 0, 1e-6, "a line has no width")
	testkit.Near(t, float64(pa), math.Atan2(3, 4)*180/math.Pi, 1e-6, "position angle from north through east")
}

func TestNothingIsNothing(t *testing.T) {
	for _, r := range []Row{
		Row{Term: Flexure}.Trail(Move{}),
		Row{Term: Wind}.Spread(psf.Gaussian(psf.Cov{})),
		Row{Term: Focus}.Spread(psf.Disc(0, 0.3)),
	} {
		if Trace(r.Cov) != 0 {
			t.Errorf("%s of no size has a trace of %g", r.Term, Trace(r.Cov))
		}
		if got, want := night(r).Star(), night().Star(); got != want {
			t.Errorf("%s of no size changes the star from %+v to %+v", r.Term, want, got)
		}
	}
}

// TestSumHasNoOrder adds rows in random orders.
func TestSumHasNoOrder(t *testing.T) {
	l := night(Row{Term: Tracking}.Spread(psf.Gaussian(psf.Along(0.5, 90))), Row{Term: Flexure}.Trail(Move{East: 1, North: 2}),
		Row{Term: Focus}.Spread(psf.Disc(1.2, 0.3)), Row{Term: Drift}.Trail(Move{East: -2, North: 1}))
	total, star := l.Total(), l.Star()
	r := rand.New(rand.NewPCG(7, 7))
	for range 20 {
		r.Shuffle(len(l), func(i, j int) { l[i], l[j] = l[j], l[i] })
		got := l.Total()
		testkit.NearRel(t, got.EastArcsec2, total.EastArcsec2, 1e-12, "a sum has no order")
		testkit.NearRel(t, got.NorthArcsec2, total.NorthArcsec2, 1e-12, "a sum has no order")
		s := l.Star()
		testkit.NearRel(t, s.Major, star.Major, 1e-7, "a convolution has no order")
		testkit.Near(t, s.Ellipticity(), star.Ellipticity(), 1e-7, "a convolution has no order")
	}
}

// TestTogether: two equal and opposite moves leave the star where one night
// finds it round, while independent ones draw it.
func TestTogether(t *testing.T) {
	l := night(Row{Term: Flexure}.Trail(Move{East: 3}), Row{Term: MirrorShift}.Trail(Move{East: -3}))
	testkit.Near(t, l.Together().Ellipticity(), night().Star().Ellipticity(), 1e-6, "opposite moves cancel")
	if e := l.Star().Ellipticity(); e < 0.2 {
		t.Errorf("independent trails of 3 arcsec: ellipticity %.3f", e)
	}
	same := night(Row{Term: Flexure}.Trail(Move{East: 3}), Row{Term: MirrorShift}.Trail(Move{East: 3}))
	one := night(Row{Term: Flexure}.Trail(Move{East: 6}))
	testkit.NearRel(t, same.Together().Major, one.Star().Major, 1e-9, "equal moves add")
}

// TestUnknownRows: an unknown row counts nothing and is not zero.
func TestUnknownRows(t *testing.T) {
	l := night(Row{Term: Flexure, Unknown: true, Cov: psf.Round(9)})
	if got, want := l.Star(), night().Star(); got != want {
		t.Errorf("an unknown row changes the star: %+v, want %+v", got, want)
	}
	if r, ok := l.Row(Flexure); !ok || !r.Unknown {
		t.Errorf("the unknown row is %+v, %v", r, ok)
	}
}

func TestJudge(t *testing.T) {
	round := night().Star()
	base := night().Unavoidable().Star().FWHM()
	of := func(major, minor unit.Arcsec) psf.Profile { return psf.Profile{Major: major, Minor: minor} }
	nan := unit.Arcsec(math.NaN())
	for _, tt := range []struct {
		name string
		p    Pair
		base unit.Arcsec
		want Verdict
	}{
		{"the goal is met", Pair{round, round}, base, Round},
		{"just inside", Pair{of(3, 2.701), of(3, 2.551)}, 2.85, Round},
		{"drawn at the centre", Pair{of(3, 2.69), of(3, 3)}, 3, Drawn},
		{"drawn in the corner", Pair{of(3, 3), of(3, 2.54)}, 3, Drawn},
		{"wide", Pair{of(3.5, 3.5), of(3.5, 3.5)}, 3, Soft},
		{"drawn comes before wide", Pair{of(5, 3), of(3, 3)}, 2, Drawn},
		{"not a number at the centre", Pair{of(nan, 3), of(3, 3)}, 3, Unknown},
		{"not a number in the corner", Pair{of(3, 3), of(3, nan)}, 3, Unknown},
		{"no reference", Pair{of(3, 3), of(3, 3)}, nan, Unknown},
		{"nothing measured", Pair{}, base, Unknown},
	} {
		if got := Judge(tt.p, tt.base, goal); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
	var zero Verdict
	if zero != Unknown {
		t.Errorf("the zero verdict is %v", zero)
	}
}

func TestWeakLink(t *testing.T) {
	small := Row{Term: Wind}.Spread(psf.Gaussian(psf.Round(0.1)))
	l := night(small)
	if link, _, ok := WeakLink(l, l, goal); ok {
		t.Errorf("a star that meets its goal has the weak link %s", link)
	}
	l = night(small, Row{Term: Tracking}.Spread(psf.Gaussian(psf.Along(0.5, 90))), Row{Term: Flexure}.Trail(Move{North: 4}))
	link, without, ok := WeakLink(l, l, goal)
	if !ok || link != Flexure {
		t.Errorf("the weak link is %q (%v), want flexure", link, ok)
	}
	if without.Centre.Ellipticity() >= l.Star().Ellipticity() {
		t.Error("taking the weak link away does not help")
	}
	// Two rows that hide each other: none alone brings it inside, one comes nearer.
	corner := night(Row{Term: FieldRotation}.Trail(Move{East: 5}))
	link, _, ok = WeakLink(night(), corner, goal)
	if !ok || link != FieldRotation {
		t.Errorf("the weak link in the corner is %q (%v), want field_rotation", link, ok)
	}
	// The air is nobody's fault.
	soft := Ledger{Row{Term: Seeing}.Spread(psf.Air(6)), Row{Term: Focus}.Spread(psf.Disc(8, 0))}
	if link, _, ok = WeakLink(soft, soft, goal); !ok || link != Focus {
		t.Errorf("the weak link of a soft star is %q (%v), want focus", link, ok)
	}
}

func TestShortfallOrder(t *testing.T) {
	a, b := Shortfall{Ellipticity: 0.5}, Shortfall{Ellipticity: 0.2, FWHM: 3}
	if a.Less(b) || !b.Less(a) {
		t.Error("ellipticity does not come first")
	}
	c, d := Shortfall{Ellipticity: 0.2, FWHM: 1}, Shortfall{Ellipticity: 0.203, FWHM: 0.5}
	if c.Less(d) || !d.Less(c) {
		t.Error("a hair of ellipticity outweighs width")
	}
}
