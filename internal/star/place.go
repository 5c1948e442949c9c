package star

import "math"

// placed is the outcome of place.
type placed struct {
	x, y, sigmaX, sigmaY float64
	amp, sigmaAmp        float64
}

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
	at := t.falling(p.tail)
	for range 20 {
		var ixx, ixy, iyy, iaa, bx, by, ba float64
		for k, v := range t.v {
			dx, dy := t.dx[k]+t.x0-p.x, t.dy[k]+t.y0-p.y
			m, dq := at.at(p.q(dx, dy))
			weight := 1 / (noise*noise + p.amp*m*perADU)
			gx := -2 * p.amp * dq * (p.xx*dx + p.xy*dy)
			gy := -2 * p.amp * dq * (p.xy*dx + p.yy*dy)
			r := v - p.amp*m
			ixx += weight * gx * gx
			ixy += weight * gx * gy
			iyy += weight * gy * gy
			iaa += weight * m * m
			bx += weight * gx * r
			by += weight * gy * r
			ba += weight * m * r
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
