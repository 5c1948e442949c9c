package fitting

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/ledger"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// shaped returns frames of these ellipticities.
func shaped(e ...float64) []star.Frame {
	var out []star.Frame
	for _, v := range e {
		f := star.Frame{File: "a.fits", StarsFound: 50}
		f.Ellipticity, f.EllipticitySigma, f.FWHM, f.FWHMSigma = v, 0.01, 3, 0.05
		out = append(out, f)
	}
	return out
}

// TestCompare: two sets are parted where they differ by more than they scatter.
func TestCompare(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		name           string
		usual, changed []float64
		want, says     string
	}{
		{"rounder", []float64{0.30, 0.28, 0.33}, []float64{0.06, 0.08, 0.05}, Rounder, "slow"},
		{"less round", []float64{0.06, 0.08, 0.05}, []float64{0.30, 0.28, 0.33}, LessRound, "single swings"},
		{"alike", []float64{0.20, 0.21, 0.20, 0.21}, []float64{0.21, 0.20, 0.21, 0.20}, Alike, "not slow"},
		{"too uneven", []float64{0.1, 0.4, 0.2}, []float64{0.05, 0.3, 0.1}, NotParted, "take more of both"},
		{"too few", []float64{0.3, 0.3}, []float64{0.1, 0.1, 0.1}, NotParted, "found 2 usual and 3 other"},
		{"without stars", []float64{0.3, 0.3, 0.31}, []float64{0.1, 0.1, nan}, NotParted, "found 3 usual and 2 other"},
		{"all the same", []float64{0.2, 0.2, 0.2}, []float64{0.2, 0.2, 0.2}, Alike, ""},
	} {
		a := Compare(ShortSubs, shaped(tt.usual...), shaped(tt.changed...))
		if a.Verdict != tt.want || !strings.Contains(a.Why, tt.says) {
			t.Errorf("%s: %s: %s, want %s with %q", tt.name, a.Verdict, a.Why, tt.want, tt.says)
		}
	}
	a := Compare(CorrectionOff, shaped(0.27, 0.31, 0.22, 0.29, 0.25), shaped(0.18, 0.24, 0.15, 0.2))
	const src = "computed with numpy/scipy: means, their standard errors, and scipy.stats.t.ppf(0.975, Welch's degrees of freedom), as scipy.stats.ttest_ind(equal_var=False) has them"
	testkit.Near(t, a.Gain, 0.0755, 1e-12, src)
	testkit.Near(t, a.Sigma, 0.0245, 1e-9, src)
	testkit.Near(t, a.half(), 0.05926367201705873, 1e-9, src)
	if len(Compare(ShortSubs, shaped(nan), nil).Left) != 1 {
		t.Error("a frame without stars is not named")
	}
	for _, test := range []string{ShortSubs, CorrectionOff} {
		for _, v := range []string{Rounder, LessRound, Alike} {
			if follows[test+" "+v] == "" {
				t.Errorf("nothing follows from %s in %s", v, test)
			}
		}
	}
}

// TestCompareFalse: sets that do not differ are parted in one case of twenty at
// the most.
func TestCompareFalse(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	draw := func() []float64 {
		var e []float64
		for range 4 {
			e = append(e, 0.25+0.05*r.NormFloat64())
		}
		return e
	}
	parted := 0
	const of = 2000
	for range of {
		if v := Compare(ShortSubs, shaped(draw()...), shaped(draw()...)).Verdict; v == Rounder || v == LessRound {
			parted++
		}
	}
	// The binomial scatter of 2000 draws at one in twenty is 0.5 %.
	if share := float64(parted) / of; share > 0.065 {
		t.Errorf("%.1f %% of sets that do not differ are parted, want 5 %% or less", 100*share)
	}
}

// TestJudgeSub: a sub is round or drawn by its shape alone, beside its plan.
func TestJudgeSub(t *testing.T) {
	plan := SubGoal{FWHM: 2.8, Ellipticity: 0.05, Widest: 3.2}
	for _, tt := range []struct {
		e, fwhm float64
		want    ledger.Verdict
		says    string
	}{
		{0.05, 2.9, ledger.Round, "within 0.10"},
		{0.05, 4.5, ledger.Round, "look at focus first"},
		{0.30, 2.9, ledger.Drawn, "beyond 0.10"},
		{0.11, 2.9, ledger.Unknown, "too near the limit"},
		{math.NaN(), 2.9, ledger.Unknown, "no stars stand out"},
	} {
		f := shaped(tt.e)[0]
		f.FWHM = unit.Px(tt.fwhm)
		s := JudgeSub(f, plan)
		if s.Verdict != tt.want || !strings.Contains(s.Why, tt.says) {
			t.Errorf("%v: %v: %s, want %v with %q", tt.e, s.Verdict, s.Why, tt.want, tt.says)
		}
	}
	f := shaped(0.05)[0]
	f.Error = "this is no frame"
	if s := JudgeSub(f, plan); s.Verdict != ledger.Unknown || s.Why != f.Error {
		t.Errorf("a frame that was not read: %v: %s", s.Verdict, s.Why)
	}
	if s := JudgeSub(shaped(0.12)[0], SubGoal{FWHM: unit.Px(math.NaN()), Ellipticity: math.NaN(), Roundest: 0.2}); s.Verdict != ledger.Round || strings.Contains(s.Why, "NaN") {
		t.Errorf("without a plan: %v: %s", s.Verdict, s.Why)
	}
}
