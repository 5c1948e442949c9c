package star

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"holdfast/internal/num"
	"holdfast/internal/unit"
)

// A Field is how the stars of a frame differ from place to place.
type Field struct {
	NX, NY int     // cells along x and y
	Cells  []Cell  // row after row, that of y = 0 first
	Stars  int     // good stars it stands on
	Soft   bool    // the frame is out of focus: widths are half-flux diameters
	Width  unit.Px // of the frame
	Height unit.Px
	Trend  Trend
}

// A Cell is the middle of the good stars in one part of a frame. Numbers that
// are not known are NaN: without a star all, below three the sigmas.
type Cell struct {
	X, Y             unit.Px // of its centre
	Stars            int
	FWHM, FWHMSigma  unit.Px // median; the half-flux diameter where Field.Soft
	Ellipticity      float64 // of the mean shape, as that of a Summary
	EllipticitySigma float64
	Angle            unit.Deg // from +x towards +y, 0 <= Angle < 180
}

// Pattern is how the long axes of stars lie over a frame.
type Pattern uint8

// The patterns.
const (
	TooFew  Pattern = iota // too few stars to tell
	Even                   // no elongation beyond the noise, or none that matters
	Uniform                // every star is drawn alike
	Outward                // long axes point to a centre, and more so the farther from it
	Around                 // long axes run round a centre, and more so the farther from it
	Uneven                 // elongation differs over the frame in another way
)

// String returns the name of the pattern in lower case.
func (p Pattern) String() string {
	return [...]string{"too few stars", "even", "uniform", "outward", "around", "uneven"}[p]
}

// A Trend is what the shapes and widths of stars do over a frame, as a fit to
// the good stars, at most the 2000 brightest, tells it. An elongation is by how
// much a star is longer than wide, a/b - 1. Trends that are not told from noise
// are zero.
type Trend struct {
	Shape            Pattern
	Elongation       float64 // in the middle of the frame
	ElongationSigma  float64
	Angle            unit.Deg // of the long axis there
	Least, Most      float64  // elongations over the frame
	LeastX, LeastY   unit.Px  // and where
	MostX, MostY     unit.Px
	CentreX, CentreY unit.Px // of Outward and Around; may lie outside the frame
	OneWay           bool    // stars are drawn in the same direction all over the frame, within 15 degrees
	ShapeBound       float64 // elongation that could hide in the noise, two sigma

	Wider      float64  // stars at one edge are wider by this fraction than those opposite, along a line through the middle
	WiderSigma float64  //
	Towards    unit.Deg // where that side lies from the middle, from +x towards +y, 0 to 360
	Corner     float64  // stars in the corners are wider by this fraction than those in the middle
	CornerSigma,
	WidthBound float64 // fraction that could hide in the noise, two sigma
}

// What a trend needs to be spoken of: stars (at most the 2000 brightest), odds against chance of about 1 in
// 20 000 for each (a chi squared of 16, 20, 30 and 39 with 1, 2, 4 and 8 degrees of
// freedom), and a size that a person could see.
const (
	trendStars     = 30
	trendMost      = 2000 // the brightest: more would not change what is said
	chance1        = 16.0
	chance2        = 20.0
	chance4        = 30.0
	chance8        = 39.0
	leastUniform   = 0.03 // elongation
	leastVariation = 0.04 // elongation
	leastWidth     = 0.03
)

// Good reports whether nothing spoils the star's widths and place, so that it
// takes part in what is said of the frame.
func (s *Star) Good() bool { return s.Flags&unfit == 0 }

// Field divides the frame into nx by ny cells, gives the medians of the good
// stars in each, and says what trend there is over the frame. Where nx or ny is
// below one it chooses about eight by six cells, fewer where stars are few.
//
// The trend is fitted to single stars, not to cells, by Huber's M-estimate, the
// noise being told by the scatter about the fit. Widths are fitted by a plane
// and a term in the square of the distance from the middle. A shape is the
// complex number p exp(2iA), where p = (a/b)^2 - 1 is the square of what was
// added along the angle A in units of the width across, and shapes are fitted
// by c + bz + az^2 + dz' + ezz' with the complex place z and its conjugate z'.
//
// The first three terms hold a trail: in a time t the star at z moves by d + wz, d the
// drift and w = (rate of scale) + i (rate of turning), which adds to its
// moments the square (d + wz)^2 t^2 / 12. A pure turn is thus -k (z - z0)^2, a
// change of scale k (z - z0)^2, and to lowest order astigmatism +-k z^2
// about the axis.
//
// Source: derived above; Huber 1981, "Robust statistics", sections 7.6 and 7.7
// (estimate and its covariance).
func (f *Frame) Field(nx, ny int) Field {
	good := make([]*Star, 0, len(f.Stars))
	soft := 0
	for k := range f.Stars {
		if s := &f.Stars[k]; s.Good() && s.SNR >= 20 {
			good = append(good, s)
			if s.Flags&Defocused != 0 {
				soft++
			}
		}
	}
	g := Field{NX: nx, NY: ny, Stars: len(good), Soft: 2*soft > len(good), Width: unit.Px(f.Width), Height: unit.Px(f.Height)}
	if nx < 1 || ny < 1 {
		g.NX, g.NY = cells(f.Width, f.Height, len(good))
	}
	g.fill(good)
	g.Trend = g.trend(good[:min(len(good), trendMost)])
	return g
}

// cells returns how many cells suit a frame: nearly square ones, about fifty
// or as many as have three stars each, at least two a side.
func cells(width, height, stars int) (nx, ny int) {
	if width < 1 || height < 1 {
		return 1, 1
	}
	n := float64(min(max(stars/3, 6), 48))
	side := math.Sqrt(float64(width) * float64(height) / n)
	clamp := func(v float64) int { return min(max(int(math.Round(v)), 2), 12) }
	return clamp(float64(width) / side), clamp(float64(height) / side)
}

// size returns the width of a star that the field speaks of.
func (g *Field) size(s *Star) float64 {
	if g.Soft {
		return float64(s.HFD)
	}
	return math.Sqrt(float64(s.Major) * float64(s.Minor))
}

// fill fills the cells.
func (g *Field) fill(good []*Star) {
	wide, high := float64(g.Width)/float64(g.NX), float64(g.Height)/float64(g.NY)
	in := make([][]*Star, g.NX*g.NY)
	for _, s := range good {
		i, j := int((float64(s.X)+0.5)/wide), int((float64(s.Y)+0.5)/high)
		k := min(max(j, 0), g.NY-1)*g.NX + min(max(i, 0), g.NX-1)
		in[k] = append(in[k], s)
	}
	g.Cells = make([]Cell, len(in))
	for k, stars := range in {
		c := &g.Cells[k]
		c.X, c.Y, c.Stars = unit.Px((float64(k%g.NX)+0.5)*wide-0.5), unit.Px((float64(k/g.NX)+0.5)*high-0.5), len(stars)
		var fwhm, along, across []float64
		for _, s := range stars {
			if w := g.size(s); w == w {
				fwhm = append(fwhm, w)
			}
			if e := s.Ellipticity; e == e {
				sin, cos := math.Sincos(2 * float64(s.Angle.Rad()))
				along, across = append(along, e*cos), append(across, e*sin)
			}
		}
		w, sw := middle(fwhm)
		a, sa := middle(along)
		b, sb := middle(across)
		c.FWHM, c.FWHMSigma = unit.Px(w), unit.Px(sw)
		c.Ellipticity, c.EllipticitySigma = math.Hypot(a, b), math.Hypot(sa, sb)/math.Sqrt2
		c.Angle = halfTurn(math.Atan2(b, a) / 2)
	}
}

// halfTurn returns the direction of a line in degrees, from 0 to 180.
func halfTurn(rad float64) unit.Deg {
	d := math.Mod(rad*180/math.Pi, 180)
	if d < 0 {
		d += 180
	}
	if d >= 180 {
		d = 0
	}
	return unit.Deg(d)
}

// trend fits the trend.
func (g *Field) trend(good []*Star) Trend {
	var t Trend
	if len(good) < trendStars {
		return t
	}
	widths, shapes := newLinear(4, 1, len(good)), newLinear(10, 2, len(good))
	var all []float64
	for _, s := range good {
		if w := g.size(s); w > 0 {
			all = append(all, w)
		}
	}
	typical := median(all)
	for _, s := range good {
		x, y := g.place(s.X, s.Y)
		if w := g.size(s); w > 0 {
			widths.add(w/typical, 1, x, y, x*x+y*y)
		}
		if q := 1 - s.Ellipticity; q > 0.05 {
			p := 1/(q*q) - 1
			sin, cos := math.Sincos(2 * float64(s.Angle.Rad()))
			re, im := shapeRows(x, y)
			shapes.add(p*cos, re[:]...)
			shapes.add(p*sin, im[:]...)
		}
	}
	var done sync.WaitGroup
	fitted := false
	done.Go(func() { fitted = shapes.fit() })
	if widths.fit() {
		g.widthTrend(&t, widths)
	} else {
		t.WidthBound = math.NaN()
	}
	if done.Wait(); fitted {
		g.shapeTrend(&t, shapes)
	}
	return t
}

// half returns half of the frame's diagonal.
func (g *Field) half() float64 { return math.Hypot(float64(g.Width), float64(g.Height)) / 2 }

// place returns where a place lies from the middle, in half diagonals.
func (g *Field) place(x, y unit.Px) (float64, float64) {
	return (float64(x) - (float64(g.Width)-1)/2) / g.half(), (float64(y) - (float64(g.Height)-1)/2) / g.half()
}

// shapeRows are the derivatives of the two parts of c + bz + az^2 + dz' + ezz',
// z = x + iy, with respect to those of c, b, a, d and e.
func shapeRows(x, y float64) (re, im [10]float64) {
	for k, v := range [5]vector{{1, 0}, {x, y}, {x*x - y*y, 2 * x * y}, {x, -y}, {x*x + y*y, 0}} {
		re[2*k], re[2*k+1] = v.along, -v.across
		im[2*k], im[2*k+1] = v.across, v.along
	}
	return re, im
}

// A vector is a complex number, as of a shape: the parts of p exp(2iA).
type vector struct{ along, across float64 }

func (v vector) length() float64     { return math.Hypot(v.along, v.across) }
func (v vector) elongation() float64 { return math.Sqrt(1+v.length()) - 1 }
func (v vector) times(w vector) vector {
	return vector{v.along*w.along - v.across*w.across, v.along*w.across + v.across*w.along}
}
func (v vector) minus(w vector) vector { return vector{v.along - w.along, v.across - w.across} }

// shapeAt returns the fitted shape at a place, and its sigma.
func (l *linear) shapeAt(x, y float64) (v vector, sigma float64) {
	re, im := shapeRows(x, y)
	for k, p := range l.x {
		v.along += p * re[k]
		v.across += p * im[k]
	}
	return v, math.Sqrt((l.variance(re[:l.params]) + l.variance(im[:l.params])) / 2)
}

// widthTrend says what the fit of widths found.
func (g *Field) widthTrend(t *Trend, l *linear) {
	mid, gx, gy, bend := l.x[0], l.x[1], l.x[2], l.x[3]
	// From the middle to the edge in the direction of the slope.
	slope := math.Hypot(gx, gy)
	ux, uy := 1.0, 0.0
	if slope > 0 {
		ux, uy = gx/slope, gy/slope
	}
	reach := min(float64(g.Width)/math.Abs(ux), float64(g.Height)/math.Abs(uy)) / 2 / g.half()
	plain := mid + bend*reach*reach // the mean of the two ends
	rise := slope * reach / plain
	wider := (1+rise)/(1-rise) - 1
	sigma := 2 / ((1 - rise) * (1 - rise)) * reach * math.Sqrt(l.variance([]float64{0, ux, uy, 0})) / plain
	corner, cornerSigma := bend/mid, math.Sqrt(l.variance([]float64{0, 0, 0, 1}))/mid
	if l.chi2(1, 3) > chance2 && wider > leastWidth {
		t.Wider, t.WiderSigma = wider, sigma
		d := math.Atan2(uy, ux) * 180 / math.Pi
		t.Towards = unit.Deg(math.Mod(d+360, 360))
	}
	if l.chi2(3, 4) > chance1 && math.Abs(corner) > leastWidth {
		t.Corner, t.CornerSigma = corner, cornerSigma
	}
	t.WidthBound = max(wider+2*sigma, math.Abs(corner)+2*cornerSigma)
}

// describe says how stars are drawn in the middle of the frame.
func (t *Trend) describe(v vector, sigma float64) {
	t.Elongation, t.Angle = v.elongation(), halfTurn(math.Atan2(v.across, v.along)/2)
	t.ElongationSigma = sigma / (2 * math.Sqrt(1+v.length()))
}

// shapeTrend says what the fit of shapes found.
func (g *Field) shapeTrend(t *Trend, l *linear) {
	middle, sigma := l.shapeAt(0, 0)
	t.Shape = Even
	t.describe(middle, sigma)
	// The least and the most over the frame, its very rim left out, and the
	// greatest difference from the middle.
	t.Least, t.OneWay = math.Inf(1), true
	var differ vector
	noise := 0.0
	const n = 8
	for j := range n {
		for i := range n {
			x, y := unit.Px((float64(i)+0.5)/n*float64(g.Width)-0.5), unit.Px((float64(j)+0.5)/n*float64(g.Height)-0.5)
			v, s := l.shapeAt(g.place(x, y))
			if e := v.elongation(); e < t.Least {
				t.Least, t.LeastX, t.LeastY = e, x, y
			}
			if e := v.elongation(); e > t.Most {
				t.Most, t.MostX, t.MostY = e, x, y
			}
			turned := math.Abs(math.Remainder(math.Atan2(v.across, v.along)-math.Atan2(middle.across, middle.along), 2*math.Pi)) / 2
			t.OneWay = t.OneWay && (turned < 15*math.Pi/180 || v.length() < 4*s)
			if d := v.minus(middle); d.length() > differ.length() {
				differ = d
			}
			noise = max(noise, s)
		}
	}
	t.ShapeBound = vector{max(middle.length(), differ.length()) + 2*noise, 0}.elongation()
	if l.chi2(2, 10) < chance8 || differ.elongation() < leastVariation {
		// The same over the frame: fitted without the terms that vary.
		level := l.first(2)
		if !level.fit() || level.chi2(0, 2) < chance2 {
			return
		}
		if v := (vector{level.x[0], level.x[1]}); v.elongation() >= leastUniform {
			t.Shape = Uniform
			t.describe(v, math.Sqrt((level.variance([]float64{1, 0})+level.variance([]float64{0, 1}))/2))
		}
		return
	}
	t.Shape = Uneven
	// The square of a distance from a centre z0 = -b/2a, if the first three terms
	// say nearly all, nothing is left there and the place of the centre is told.
	plain := l.first(6)
	if l.chi2(6, 10) > chance4 && g.rest(l) > 0.25*t.Most*(t.Most+2) || !plain.fit() || plain.chi2(4, 6) < chance2 {
		return
	}
	l = plain
	x0, y0, a, chi2 := l.centre()
	far := math.Hypot(x0, y0)
	if left, _ := l.shapeAt(x0, y0); chi2 > chance2 && left.length() > 0.15*a.length()*(1+far)*(1+far) {
		return
	}
	offB, offA := math.Sqrt(l.variance([]float64{0, 0, 1, 0, 0, 0})), math.Sqrt(l.variance([]float64{0, 0, 0, 0, 1, 0}))
	if off := math.Hypot(offB, 2*far*offA) / (2 * a.length()); off > 0.35*max(1, far) {
		return
	}
	switch turn := math.Abs(math.Atan2(a.across, a.along)) * 180 / math.Pi; {
	case turn < 25:
		t.Shape = Outward
	case turn > 155:
		t.Shape = Around
	default:
		return
	}
	t.CentreX, t.CentreY = unit.Px(x0*g.half()+(float64(g.Width)-1)/2), unit.Px(y0*g.half()+(float64(g.Height)-1)/2)
}

// rest returns the greatest of what the last two terms add on the frame's rim.
func (g *Field) rest(l *linear) float64 {
	most := 0.0
	for k := range 16 {
		sin, cos := math.Sincos(float64(k) * math.Pi / 8)
		x, y := g.place(unit.Px(float64(g.Width)*(0.5+0.5*cos)), unit.Px(float64(g.Height)*(0.5+0.5*sin)))
		r := x*x + y*y
		v := vector{l.x[6]*x + l.x[7]*y + l.x[8]*r, l.x[7]*x - l.x[6]*y + l.x[9]*r}
		most = max(most, v.length())
	}
	return most
}

// centre returns the place, in half diagonals, at which c + bz + az^2 would
// vanish twice if c and b and a are moved, by as little as their errors allow,
// to where b^2 = 4ac; the a moved; and the chi squared of that, with two degrees
// of freedom.
//
// Source: least squares under a condition, by Newton's steps: with the condition
// g, its derivatives G and the covariance C the parameters move by
// -C G' (G C G')^-1 g.
func (l *linear) centre() (x, y float64, a vector, chi2 float64) {
	p := append([]float64(nil), l.x...)
	for step := range 5 {
		c, b, a := vector{p[0], p[1]}, vector{p[2], p[3]}, vector{p[4], p[5]}
		bb, ac := b.times(b), a.times(c)
		g := []float64{bb.along - 4*ac.along, bb.across - 4*ac.across}
		// The derivative by a complex parameter is a complex number: two rows.
		var rows [2][6]float64
		for k, d := range []vector{{-4 * a.along, -4 * a.across}, {2 * b.along, 2 * b.across}, {-4 * c.along, -4 * c.across}} {
			rows[0][2*k], rows[0][2*k+1] = d.along, -d.across
			rows[1][2*k], rows[1][2*k+1] = d.across, d.along
		}
		if step > 0 { // from where the estimate lies, not from the last step
			for i := range g {
				for k := range p {
					g[i] += rows[i][k] * (l.x[k] - p[k])
				}
			}
		}
		var moves [2][6]float64 // C G'
		m := make([]float64, 4)
		for i := range rows {
			for j := range p {
				for k := range p {
					moves[i][j] += l.cov[j*6+k] * rows[i][k]
				}
			}
		}
		for i := range rows {
			for j := range rows {
				for k := range p {
					m[2*i+j] += rows[i][k] * moves[j][k]
				}
			}
		}
		if !num.InvertPositive(m, 2) {
			break
		}
		s := [2]float64{m[0]*g[0] + m[1]*g[1], m[2]*g[0] + m[3]*g[1]}
		chi2 = s[0]*g[0] + s[1]*g[1]
		for k := range p {
			p[k] = l.x[k] - s[0]*moves[0][k] - s[1]*moves[1][k]
		}
	}
	b := vector{p[2], p[3]}
	a = vector{p[4], p[5]}
	q := b.times(vector{a.along, -a.across}) // b over a, times the square of a
	twice := -2 * a.length() * a.length()
	return q.along / twice, q.across / twice, a, chi2
}

// Sentence says in plain words what the trend is. Places on the frame are told
// as they are seen where +y points up, or down.
func (g *Field) Sentence(yUp bool) string {
	t := &g.Trend
	with := func(v, s float64) string {
		if s < 0.005 {
			return percent(v)
		}
		return fmt.Sprintf("%.0f ± %.0f %%", 100*v, 100*s)
	}
	zone := func(x, y unit.Px) string { return g.zone(x, y, yUp) }
	var said []string
	say := func(format string, args ...any) { said = append(said, fmt.Sprintf(format, args...)) }
	width := t.Wider != 0 || t.Corner != 0
	switch t.Shape {
	case TooFew:
		return fmt.Sprintf("%d good stars are too few to tell a trend over the field.", g.Stars)
	case Even:
		if !width {
			return fmt.Sprintf("No trend over the field beyond the noise: widths agree over the frame to %s, shapes to %s.", percent(math.Ceil(100*t.WidthBound)/100), percent(math.Ceil(100*t.ShapeBound)/100))
		}
	case Uniform:
		say("Every star is %s longer than wide in the same direction, %s.", with(t.Elongation, t.ElongationSigma), line(float64(t.Angle), yUp))
	case Outward, Around:
		way := "point away from"
		if t.Shape == Around {
			way = "run round"
		}
		if g.inside(t.CentreX, t.CentreY) {
			say("Stars %s a point %s: nearly round there, %s longer than wide %s.", way, loosely(zone(t.CentreX, t.CentreY)), percent(t.Most), zone(t.MostX, t.MostY))
		} else {
			say("Stars %s a point outside the frame, beyond its %s (near x %s, y %s px): they are %s.", way,
				strings.TrimPrefix(zone(t.CentreX, t.CentreY), "at the "), roughly(t.CentreX), roughly(t.CentreY), g.amounts(yUp))
		}
	case Uneven:
		switch {
		case t.OneWay && t.Least > leastUniform:
			say("Stars are drawn in one direction, %s, by unlike amounts: %s.", line(float64(t.Angle), yUp), g.amounts(yUp))
		case t.Least > leastUniform:
			say("Stars are drawn in directions that differ over the field: %s.", g.amounts(yUp))
		default:
			say("Shapes differ over the field: stars are %s.", g.amounts(yUp))
		}
	}
	if t.Wider != 0 {
		far := g.towards(float64(t.Towards), yUp)
		opposite := g.towards(float64(t.Towards)+180, yUp)
		say("Stars are %s wider %s than %s.", with(t.Wider, t.WiderSigma), far, opposite)
	}
	if t.Corner > 0 {
		say("Stars are %s wider in the corners than in the middle.", with(t.Corner, t.CornerSigma))
	} else if t.Corner < 0 {
		say("Stars are %s narrower in the corners than in the middle.", with(-t.Corner, t.CornerSigma))
	}
	if !width {
		say("Their widths show no trend beyond the noise.")
	} else if t.Shape == Even {
		say("Their shapes show no trend beyond the noise.")
	}
	return strings.Join(said, " ")
}

// percent writes a fraction.
func percent(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }

// amounts says how long stars are where they are least and most so.
func (g *Field) amounts(yUp bool) string {
	t := &g.Trend
	least, most := g.zone(t.LeastX, t.LeastY, yUp), g.zone(t.MostX, t.MostY, yUp)
	if t.Least < leastUniform {
		return fmt.Sprintf("nearly round %s, %s longer than wide %s", least, percent(t.Most), most)
	}
	return fmt.Sprintf("%s longer than wide %s, %s %s", percent(t.Least), least, percent(t.Most), most)
}

// roughly writes a place to two digits.
func roughly(v unit.Px) string {
	step := math.Pow(10, math.Floor(math.Log10(max(math.Abs(float64(v)), 10)))-1)
	return fmt.Sprintf("%.0f", math.Round(float64(v)/step)*step)
}

// loosely names the neighbourhood of a place.
func loosely(zone string) string {
	return "near" + strings.TrimPrefix(strings.TrimPrefix(zone, "at"), "in")
}

// inside reports whether a place lies on the frame.
func (g *Field) inside(x, y unit.Px) bool {
	return x >= -0.5 && y >= -0.5 && x < g.Width-0.5 && y < g.Height-0.5
}

// zone names a ninth of the frame, or the side or corner beyond which a place
// lies.
func (g *Field) zone(x, y unit.Px, yUp bool) string {
	third := func(v, whole unit.Px) int {
		switch f := (v + 0.5) / whole; {
		case f < 1./3:
			return -1
		case f > 2./3:
			return 1
		}
		return 0
	}
	return names(third(x, g.Width), third(y, g.Height), yUp)
}

// towards names the side or corner in a direction from the middle.
func (g *Field) towards(deg float64, yUp bool) string {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	sign := func(v float64) int {
		switch {
		case v > 0.3827: // the sine of an eighth of a half turn: eight directions
			return 1
		case v < -0.3827:
			return -1
		}
		return 0
	}
	return names(sign(cos), sign(sin), yUp)
}

// names puts a place into words.
func names(x, y int, yUp bool) string {
	if yUp {
		y = -y
	}
	return [3][3]string{
		{"at the upper left", "at the top", "at the upper right"},
		{"at the left", "in the middle", "at the right"},
		{"at the lower left", "at the bottom", "at the lower right"},
	}[y+1][x+1]
}

// line puts the direction of a line into words.
func line(deg float64, yUp bool) string {
	if !yUp {
		deg = 180 - deg
	}
	return [...]string{"from left to right", "from the lower left to the upper right", "up and down", "from the upper left to the lower right"}[int(math.Round(deg/45))%4]
}

// linear is a fit of a linear model to observations that come in groups, all
// parts of which are trusted alike.
type linear struct {
	params, group int
	rows, y       []float64
	x             []float64 // the estimate
	cov           []float64 // params by params
}

// newLinear returns a fit with room for n groups.
func newLinear(params, group, n int) *linear {
	return &linear{params: params, group: group, rows: make([]float64, 0, n*group*params), y: make([]float64, 0, n*group)}
}

// add adds an observation.
func (l *linear) add(y float64, row ...float64) {
	l.y, l.rows = append(l.y, y), append(l.rows, row...)
}

// first returns the fit of the same observations by the first n parameters.
func (l *linear) first(n int) *linear {
	m := newLinear(n, l.group, len(l.y)/l.group)
	m.y = l.y
	for k := range l.y {
		m.rows = append(m.rows, l.rows[k*l.params:][:n]...)
	}
	return m
}

// huber is where Huber's estimate begins to trust less, in sigmas.
const huber = 1.345

// fit finds the estimate and its covariance and reports whether there is one.
func (l *linear) fit() bool {
	n, m := len(l.y)/l.group, l.params
	if n*l.group < 2*m {
		return false
	}
	weights, off, sorted := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range weights {
		weights[i] = 1
	}
	l.x = make([]float64, m)
	sigma := 0.0
	residual := func(k int) float64 {
		r := l.y[k]
		for a, v := range l.rows[k*m:][:m] {
			r -= v * l.x[a]
		}
		return r
	}
	for range 30 {
		before := sigma
		normal := make([]float64, m*m)
		right := make([]float64, m)
		for k := range l.y {
			w, row := weights[k/l.group], l.rows[k*m:][:m]
			for a, va := range row {
				va *= w
				right[a] += va * l.y[k]
				sums := normal[a*m:][:a+1]
				for b, vb := range row[:a+1] {
					sums[b] += va * vb
				}
			}
		}
		mirror(normal, m)
		if !num.InvertPositive(normal, m) {
			return false
		}
		for a := range m {
			l.x[a] = 0
			for b := range m {
				l.x[a] += normal[a*m+b] * right[b]
			}
		}
		for i := range n {
			off[i] = 0
			for c := range l.group {
				r := residual(i*l.group + c)
				off[i] += r * r
			}
			off[i] = math.Sqrt(off[i])
		}
		// The median of |r| of a Gaussian is 0.6745 sigma, of the length of two
		// 1.1774 sigma.
		copy(sorted, off)
		sigma = median(sorted) / []float64{0, 0.6745, 1.1774}[l.group]
		if !(sigma > 0) {
			sigma = 1e-12
		}
		for i, r := range off {
			weights[i] = min(1, huber*math.Sqrt(float64(l.group))*sigma/max(r, 1e-300))
		}
		if math.Abs(sigma-before) < 1e-4*sigma {
			break
		}
	}
	// Huber's covariance: the mean square of the influence over the square of
	// its mean slope, times the inverse of the plain normal matrix.
	square, inside := 0.0, 0.0
	for i, r := range off {
		square += weights[i] * r * weights[i] * r
		if weights[i] == 1 {
			inside++
		}
	}
	slope := inside / float64(n)
	plain := make([]float64, m*m)
	for k := range l.y {
		row := l.rows[k*m:][:m]
		for a, va := range row {
			sums := plain[a*m:]
			for b, vb := range row[:a+1] {
				sums[b] += va * vb
			}
		}
	}
	mirror(plain, m)
	if slope == 0 || !num.InvertPositive(plain, m) {
		return false
	}
	scale := square / float64(len(l.y)-m) / (slope * slope)
	l.cov = plain
	for i := range l.cov {
		l.cov[i] *= scale
	}
	return true
}

// mirror copies the lower triangle of a matrix onto the upper.
func mirror(a []float64, n int) {
	for i := range n {
		for j := range i {
			a[j*n+i] = a[i*n+j]
		}
	}
}

// variance returns that of a sum of the parameters times weights.
func (l *linear) variance(w []float64) float64 {
	v := 0.0
	for a, wa := range w {
		for b, wb := range w {
			v += wa * wb * l.cov[a*l.params+b]
		}
	}
	return v
}

// chi2 returns the chi squared of parameters from to to-1 against zero.
func (l *linear) chi2(from, to int) float64 {
	n := to - from
	m := make([]float64, n*n)
	for a := range n {
		copy(m[a*n:][:n], l.cov[(from+a)*l.params+from:])
	}
	if !num.InvertPositive(m, n) {
		return 0
	}
	v := 0.0
	for a := range n {
		for b := range n {
			v += l.x[from+a] * m[a*n+b] * l.x[from+b]
		}
	}
	return v
}
