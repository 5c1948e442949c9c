package star

import "math"

// placed is the outcome of place.
type placed struct {
	x, y, sigmaX, sigmaY float64
	amp, sigmaAmp        float64
}

// faintest is the part of the peak below which a profile's pixels tell nothing
// of its place and its amplitude.
const faintest = 5e-4

// place moves the profile to where the gathered pixels are likeliest and scales
// it so: one windowed centroid after the other, the window being the profile's
// slope over the noise of the pixel, until they stand still. noise is that of
// the background, perADU the variance of a pixel that each ADU of the star's
// light adds (one over the gain; 0 if not known). Errors are those of Fisher's
// information.
//
// Source: the score of a Gaussian likelihood with the variance of the model;
// K. A. Winick 1986, JOSA A 3, 1809.
func (t *fitter) place(p profile, noise, perADU float64) (profile, placed) {
	var out placed
	core := t.inside(&p, faintest)
	for range 20 {
		var ixx, ixy, iyy, iaa, bx, by, ba float64
		t.spread(&p, core)
		for _, w := range core {
			dy := w.dy + t.y0 - p.y
			ms, dqs, xs, vs := t.m[w.from:w.to], t.dq[w.from:w.to], t.dx[w.from:w.to], t.v[w.from:w.to]
			dqs, xs, vs = dqs[:len(ms)], xs[:len(ms)], vs[:len(ms)]
			for k, m := range ms {
				dx := xs[k] + t.x0 - p.x
				weight := 1 / (noise*noise + p.amp*m*perADU)
				gx := -2 * p.amp * dqs[k] * (p.xx*dx + p.xy*dy)
				gy := -2 * p.amp * dqs[k] * (p.xy*dx + p.yy*dy)
				r := vs[k] - p.amp*m
				ixx += weight * gx * gx
				ixy += weight * gx * gy
				iyy += weight * gy * gy
				iaa += weight * m * m
				bx += weight * gx * r
				by += weight * gy * r
				ba += weight * m * r
			}
		}
		det := ixx*iyy - ixy*ixy
		if !(det > 0 && iaa > 0) {
			return p, placed{x: p.x, y: p.y, sigmaX: math.NaN(), sigmaY: math.NaN(), amp: p.amp, sigmaAmp: math.NaN()}
		}
		stepX, stepY := (iyy*bx-ixy*by)/det, (ixx*by-ixy*bx)/det
		limit := 1 / math.Sqrt(p.xx+p.yy)
		if d := math.Hypot(stepX, stepY); d > limit {
			stepX, stepY = stepX*limit/d, stepY*limit/d
		}
		p.x += stepX
		p.y += stepY
		p.amp = math.Max(p.amp+ba/iaa, 1e-3*p.amp)
		out = placed{p.x, p.y, math.Sqrt(iyy / det), math.Sqrt(ixx / det), p.amp, 1 / math.Sqrt(iaa)}
		// The next step is as small, against this, as this against the width.
		step, sigma := math.Hypot(stepX, stepY), math.Min(out.sigmaX, out.sigmaY)
		if step < 0.02*sigma || step*step < 0.01*sigma*p.fwhm() && math.Abs(ba/iaa) < 0.1*p.amp {
			break
		}
	}
	return p, out
}
