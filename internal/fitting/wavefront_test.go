package fitting

import (
	"math"
	"testing"

	"holdfast/internal/psf"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// TestPupilImage: far from focus the image is geometry's, in focus it is
// diffraction's, and between it is what the integral over the two pupils gives.
func TestPupilImage(t *testing.T) {
	for _, e := range []float64{0, 0.2, 0.35, 0.5} {
		far := newPupilImage(1e5, e, 12)
		all := newPupilImage(1e5, math.NaN(), 12)
		for _, q := range []float64{0, 0.3, 0.77, 1.3, 2.9, 6.2, 11.3} {
			want := psf.Disc(1, e).OTF(q, 0)
			testkit.Near(t, far.otf(q, e), want, 2e-4, "geometry: the transform of a disc with a hole, closed form")
			testkit.Near(t, all.otf(q, e), want, 3e-4, "the same between tabulated holes")
		}
		// With hardly any waves q is small up to where the discs part.
		const waves = 1e-4
		lambdaOverD := unit.MM(0.55e-3 * unit.ArcsecPerRad) // one arcsecond
		for _, nu := range []float64{0.05, 0.2, 0.45, 0.7, 0.93} {
			q := 8 * waves * nu
			got := (overlapOuter(q, waves) - overlapInner(q, waves, e)) / (math.Pi * (1 - e*e))
			testkit.Near(t, got, psf.Airy(0.55, lambdaOverD, e).OTF(nu, 0), 3e-3, "O'Neill 1956: the transfer function of an annular aperture, closed form")
		}
		for _, waves := range []float64{0.7, 2, 9} {
			for _, q := range []float64{0.4, 1.1, 2.3, 4.4} {
				if q > 7.5*waves {
					continue
				}
				got := (overlapOuter(q, waves) - overlapInner(q, waves, e)) / (math.Pi * (1 - e*e))
				testkit.Near(t, got, overlapBySum(q, waves, e), 4e-3, "the sum over a grid of the pupil")
			}
		}
	}
}

// overlapBySum returns the transfer function by summing over the pupil.
func overlapBySum(q, waves, e float64) float64 {
	const n = 1500
	s := q / (4 * waves)
	phase := func(x, y float64) (float64, bool) {
		r := x*x + y*y
		return 2 * math.Pi * waves * r, r <= 1 && r >= e*e
	}
	sum, area := 0.0, 0.0
	for i := range n {
		x := 2*(float64(i)+0.5)/n - 1
		for j := range n {
			y := 2*(float64(j)+0.5)/n - 1
			if _, in := phase(x, y); in {
				area++
			}
			a, inA := phase(x-s/2, y)
			b, inB := phase(x+s/2, y)
			if inA && inB {
				sum += math.Cos(a - b)
			}
		}
	}
	return sum / area
}
