package proof

import (
	"math"
	"slices"

	"holdfast/internal/num"
	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// shape is the mean star of a sub as a covariance on the sky, and how it differs
// over the field.
type shape struct {
	Cov, Sigma psf.Cov // in the middle of the frame
	// Corner is what a star half a diagonal from the middle has beyond that, in
	// its mean over directions: the trace of its covariance, and the part of it
	// that runs round the middle less the part that points to it.
	GrowthArcsec2, GrowthSigma float64
	AroundArcsec2, AroundSigma float64
	Worst                      psf.Cov // of the most elongated corner
	Tail, TailSigma            float64
	Stars                      int
}

// fwhmPerSigma is 2 sqrt(2 ln 2), the FWHM of a Gaussian over its sigma.
const fwhmPerSigma = 2.3548200450309493

// view is how pixels lie on the sky: arcsec east and north to a pixel along x
// and along y.
type view struct{ xe, xn, ye, yn float64 }

// mostFitted is how many stars of a frame a shape stands on.
const mostFitted = 600

// good are the stars whose shape can be trusted. Where hardly any is unsaturated
// the faintest saturated ones have to do: only their tops are missing.
func good(f *star.Frame) []*star.Star {
	const bad = star.Edge | star.Blended | star.Clipped | star.Unfitted
	var out, full []*star.Star
	for i := range f.Stars {
		s := &f.Stars[i]
		if s.Flags&bad != 0 || s.SNR < 15 || !(s.Major > 0) || !(s.Minor > 0) {
			continue
		}
		if s.Flags&star.Saturated != 0 {
			full = append(full, s)
		} else if len(out) < mostFitted {
			out = append(out, s)
		}
	}
	const few = 30
	if len(out) < few && len(full) > 0 {
		out = append(out, full[max(len(full)-300, 0):]...)
	}
	return out
}

// shapeOf fits covariances over the field, a quadratic in place for each of the
// three elements, with stars far off the rest weighed down.
func shapeOf(f *star.Frame, v view) (shape, bool) {
	stars := good(f)
	var sh shape
	sh.Stars = len(stars)
	if len(stars) < 5 {
		return sh, false
	}
	m := 6
	if len(stars) < 25 {
		m = 1
	}
	w, h := float64(f.Width), float64(f.Height)
	half := math.Hypot(w, h) / 2
	scale := math.Sqrt(math.Abs(v.xe*v.yn - v.xn*v.ye))
	// Half a diagonal in every direction is 1 in u and v, axes east and north.
	rows := make([][6]float64, len(stars))
	vals := make([][3]float64, len(stars))
	weight := make([]float64, len(stars))
	var tails []float64
	for i, s := range stars {
		dx, dy := float64(s.X)-(w-1)/2, float64(s.Y)-(h-1)/2
		east, north := (v.xe*dx+v.ye*dy)/(half*scale), (v.xn*dx+v.yn*dy)/(half*scale)
		rows[i] = [6]float64{1, east, north, east * east, north * north, east * north}
		a, b := float64(s.Major)/fwhmPerSigma, float64(s.Minor)/fwhmPerSigma
		sin, cos := math.Sincos(float64(s.Angle.Rad()))
		xx, yy, xy := a*a*cos*cos+b*b*sin*sin, a*a*sin*sin+b*b*cos*cos, (a*a-b*b)*sin*cos
		vals[i] = [3]float64{
			v.xe*v.xe*xx + v.ye*v.ye*yy + 2*v.xe*v.ye*xy,
			v.xn*v.xn*xx + v.yn*v.yn*yy + 2*v.xn*v.yn*xy,
			v.xe*v.xn*xx + v.ye*v.yn*yy + (v.xe*v.yn+v.ye*v.xn)*xy,
		}
		weight[i] = 1 / (0.01*0.01 + 1/(s.SNR*s.SNR))
		tails = append(tails, s.Tail)
	}
	var coef, sig [3][6]float64
	for k := range 3 {
		robust := slices.Clone(weight)
		var x, inv []float64
		var spread float64
		for range 6 {
			jtj, jtr := make([]float64, m*m), make([]float64, m)
			for i := range rows {
				for a := range m {
					jtr[a] += robust[i] * rows[i][a] * vals[i][k]
					for b := range m {
						jtj[a*m+b] += robust[i] * rows[i][a] * rows[i][b]
					}
				}
			}
			inv = jtj
			if !num.InvertPositive(inv, m) {
				return sh, false
			}
			x = make([]float64, m)
			for a := range m {
				for b := range m {
					x[a] += inv[a*m+b] * jtr[b]
				}
			}
			off := make([]float64, len(rows))
			for i := range rows {
				p := 0.0
				for a := range m {
					p += rows[i][a] * x[a]
				}
				off[i] = math.Abs(vals[i][k]-p) * math.Sqrt(weight[i])
			}
			spread = math.Max(1.4826*median(off), 1e-9)
			for i := range rows {
				robust[i] = weight[i] * math.Min(1, 1.5*spread/math.Max(off[i], 1e-12))
			}
		}
		for a := range m {
			coef[k][a], sig[k][a] = x[a], spread*math.Sqrt(1.1*inv[a*m+a])
		}
	}
	sh.Cov = psf.Cov{EastArcsec2: coef[0][0], NorthArcsec2: coef[1][0], CrossArcsec2: coef[2][0]}
	sh.Sigma = psf.Cov{EastArcsec2: sig[0][0], NorthArcsec2: sig[1][0], CrossArcsec2: sig[2][0]}
	// Means over a circle of radius 1: of the trace, and of tangential less radial,
	// -(Tee-Tnn) cos 2a - 2 Ten sin 2a with a from east through north.
	sh.GrowthArcsec2 = (coef[0][3] + coef[0][4] + coef[1][3] + coef[1][4]) / 2
	sh.GrowthSigma = math.Sqrt(sq(sig[0][3])+sq(sig[0][4])+sq(sig[1][3])+sq(sig[1][4])) / 2
	sh.AroundArcsec2 = -(coef[0][3]-coef[0][4]-coef[1][3]+coef[1][4])/4 - coef[2][5]/2
	sh.AroundSigma = math.Sqrt(sq(sig[0][3])+sq(sig[0][4])+sq(sig[1][3])+sq(sig[1][4]))/4 + sig[2][5]/2
	worst := -1.0
	for _, c := range [][2]float64{{1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
		dx, dy := c[0]*w/2, c[1]*h/2
		e, n := (v.xe*dx+v.ye*dy)/(half*scale), (v.xn*dx+v.yn*dy)/(half*scale)
		at := [6]float64{1, e, n, e * e, n * n, e * n}
		var t [3]float64
		for k := range 3 {
			for a := range m {
				t[k] += coef[k][a] * at[a]
			}
		}
		cov := psf.Cov{EastArcsec2: t[0], NorthArcsec2: t[1], CrossArcsec2: t[2]}
		if el := elongation(cov); el > worst {
			worst, sh.Worst = el, cov
		}
	}
	sh.Tail = median(tails)
	sh.TailSigma = 0.01
	return sh, true
}

// elongation returns 1 - b/a of a covariance.
func elongation(c psf.Cov) float64 {
	a, b, _ := c.Axes()
	return 1 - float64(b/a)
}

// profileOf returns a star of a covariance.
func profileOf(c psf.Cov) psf.Profile {
	a, b, pa := c.Axes()
	return psf.Profile{Major: a * fwhmPerSigma, Minor: b * fwhmPerSigma, PA: pa, Tail: math.NaN(), Peak: math.NaN()}
}

// sq returns a square.
func sq(x float64) float64 { return x * x }

// median returns the median of numbers, which it leaves as they are; NaN of none.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// fwhmOf returns the geometric mean FWHM of a covariance.
func fwhmOf(c psf.Cov) unit.Arcsec { return profileOf(c).FWHM() }
