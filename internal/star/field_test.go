package star

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// strewn returns a frame of n stars whose width, and whose shape, the square of
// what was added to it in units of it along a direction, are functions of the
// place as a fraction of the half diagonal from the middle; drawn with noise.
func strewn(r *rand.Rand, n int, noise float64, width func(x, y float64) float64, shape func(x, y float64) (p, angle float64)) Frame {
	f := Frame{Width: 3000, Height: 2000}
	for range n {
		x, y := r.Float64()*3000-0.5, r.Float64()*2000-0.5
		u, v := (x-1499.5)/half32, (y-999.5)/half32
		p, angle := shape(u, v)
		along, across := p*math.Cos(2*angle)+2*noise*r.NormFloat64(), p*math.Sin(2*angle)+2*noise*r.NormFloat64()
		q := 1 / math.Sqrt(1+math.Hypot(along, across))
		w := width(u, v) * (1 + noise*r.NormFloat64())
		a := math.Mod(math.Atan2(across, along)/2+math.Pi, math.Pi)
		f.Stars = append(f.Stars, Star{X: unit.Px(x), Y: unit.Px(y), SNR: 100, Major: unit.Px(w / math.Sqrt(q)), Minor: unit.Px(w * math.Sqrt(q)),
			Ellipticity: 1 - q, Angle: unit.Rad(a).Deg(), HFD: unit.Px(w)})
	}
	return f
}

// half32 is half the diagonal of 3000 by 2000.
var half32 = math.Hypot(3000, 2000) / 2

func flat(_, _ float64) float64               { return 3 }
func roundly(_, _ float64) (float64, float64) { return 0, 0 }

// TestTrend draws fields of known trends and wants their names, their numbers
// and what is said of them.
func TestTrend(t *testing.T) {
	const src = "what was drawn"
	const rim = 7. / 8 // the rim is left out
	farX, farY := (-900-1499.5)/half32, (400-999.5)/half32
	for _, tt := range []struct {
		name  string
		width func(x, y float64) float64
		shape func(x, y float64) (p, angle float64)
		want  Pattern
		said  string // with +y up
		down  string // with +y down
		check func(t *testing.T, tr Trend)
	}{
		{"none", flat, roundly, Even, "No trend over the field beyond the noise", "No trend", func(t *testing.T, tr Trend) {
			if tr.Wider != 0 || tr.Corner != 0 || tr.WidthBound > 0.03 || tr.ShapeBound > 0.03 {
				t.Errorf("%+v", tr)
			}
		}},
		{"uniform", flat, func(_, _ float64) (float64, float64) { return 0.44, 40 * math.Pi / 180 }, Uniform, "20 % longer than wide in the same direction, from the lower left to the upper right", "from the upper left to the lower right",
			func(t *testing.T, tr Trend) {
				testkit.Near(t, tr.Elongation, 0.2, 0.01, src)
				testkit.Near(t, tr.Angle, 40, 1, src)
				if tr.Elongation < 0.2-4*tr.ElongationSigma || tr.Elongation > 0.2+4*tr.ElongationSigma {
					t.Errorf("%v ± %v", tr.Elongation, tr.ElongationSigma)
				}
			}},
		{"radial", func(x, y float64) float64 { return 3 * (1 + 0.2*(x*x+y*y)) }, func(x, y float64) (float64, float64) { return 0.69 * (x*x + y*y), math.Atan2(y, x) }, Outward, "point away from a point near the middle", "20 ± 1 % wider in the corners than in the middle",
			func(t *testing.T, tr Trend) {
				testkit.Near(t, tr.Most, math.Sqrt(1+0.69*rim*rim)-1, 0.02, src)
				testkit.Near(t, tr.Corner, 0.2, 0.02, src)
				testkit.Near(t, tr.CentreX, 1499.5, 100, src)
				testkit.Near(t, tr.CentreY, 999.5, 100, src)
			}},
		{"around", flat, func(x, y float64) (float64, float64) { return 0.69 * (x*x + y*y), math.Atan2(y, x) + math.Pi/2 }, Around, "run round a point near the middle", "run round a point near the middle", nil},
		{"one side wider", func(x, y float64) float64 { return 3 * (1 + 0.05*x/0.83205 + 0.05*y/0.5547) }, roundly, Even,
			"wider at the upper right than at the lower left. Their shapes show no trend", "wider at the lower right than at the upper left. Their shapes show no trend",
			func(t *testing.T, tr Trend) {
				// The plane rises along (1/0.832, 1/0.555), the line through the
				// middle meets the upper edge.
				slope, angle := math.Hypot(0.05/0.83205, 0.05/0.5547), math.Atan2(1/0.5547, 1/0.83205)
				rise := slope * 1000 / math.Sin(angle) / half32
				testkit.Near(t, tr.Towards, unit.Rad(angle).Deg(), 6, src)
				testkit.Near(t, tr.Wider, (1+rise)/(1-rise)-1, 0.02, src)
			}},
		{"turning about a point outside", flat, func(x, y float64) (float64, float64) {
			dx, dy := x-farX, y-farY
			return 0.2 * (dx*dx + dy*dy), math.Atan2(dy, dx) + math.Pi/2
		}, Around, "run round a point outside the frame, beyond its lower left", "beyond its upper left",
			func(t *testing.T, tr Trend) {
				testkit.Near(t, tr.CentreX, -900, 300, src)
				testkit.Near(t, tr.CentreY, 400, 200, src)
				testkit.Near(t, tr.Most, math.Sqrt(1+0.2*math.Pow(math.Hypot(3900-3000./16, 1600-2000./16)/half32, 2))-1, 0.05, src)
			}},
		{"a trail that grows to one side", flat, func(x, y float64) (float64, float64) { return 0.5 * (1 + 0.8*x), 0.3 }, Uneven, "drawn in one direction, from left to right, by unlike amounts", "drawn in one direction", nil},
		{"a trail that turns", flat, func(x, y float64) (float64, float64) { return 0.5, 0.3 + 0.6*x }, Uneven, "drawn in directions that differ over the field", "in directions that differ", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := strewn(rand.New(rand.NewPCG(5, uint64(len(tt.name)))), 600, 0.05, tt.width, tt.shape)
			g := f.Field(8, 6)
			if g.Trend.Shape != tt.want {
				t.Fatalf("%v, want %v: %+v", g.Trend.Shape, tt.want, g.Trend)
			}
			if got := g.Sentence(true); !strings.Contains(got, tt.said) {
				t.Errorf("+y up: %q, want %q in it", got, tt.said)
			}
			if got := g.Sentence(false); !strings.Contains(got, tt.down) {
				t.Errorf("+y down: %q, want %q in it", got, tt.down)
			}
			if tt.check != nil {
				tt.check(t, g.Trend)
			}
			t.Log(g.Sentence(true))
		})
	}
}

// TestTrendOfNoise: of 300 fields without a trend not one is given one, and a
// tenth of bad stars does not change that.
func TestTrendOfNoise(t *testing.T) {
	n := 300
	if testing.Short() {
		n = 60
	}
	for seed := range n {
		r := rand.New(rand.NewPCG(9, uint64(seed)))
		f := strewn(r, 40+seed, 0.08, flat, roundly)
		for k := range f.Stars {
			if r.Float64() < 0.1 {
				f.Stars[k].Major *= 3
				f.Stars[k].Ellipticity = 1 - float64(f.Stars[k].Minor/f.Stars[k].Major)
			}
		}
		g := f.Field(0, 0)
		if tr := g.Trend; tr.Shape != Even || tr.Wider != 0 || tr.Corner != 0 {
			t.Errorf("seed %d, %d stars: %s", seed, len(f.Stars), g.Sentence(true))
		}
	}
}

// TestTrendErrors: the sigma of a slope is that of the estimates over many
// fields.
func TestTrendErrors(t *testing.T) {
	var pulls, shapes []float64
	for seed := range 200 {
		r := rand.New(rand.NewPCG(10, uint64(seed)))
		f := strewn(r, 120, 0.04, func(x, _ float64) float64 { return 3 * (1 + 0.15*x) }, func(_, _ float64) (float64, float64) { return 0.3, 0 })
		g := f.Field(0, 0)
		reach := 0.15 * 1500 / half32
		pulls = append(pulls, (g.Trend.Wider-((1+reach)/(1-reach)-1))/g.Trend.WiderSigma)
		shapes = append(shapes, (g.Trend.Elongation-(math.Sqrt(1.3)-1))/g.Trend.ElongationSigma)
	}
	for _, v := range [][]float64{pulls, shapes} {
		mean, sq := 0.0, 0.0
		for _, p := range v {
			mean += p / 200
			sq += p * p / 200
		}
		testkit.Near(t, mean, 0, 0.25, "honest errors")
		testkit.Near(t, math.Sqrt(sq-mean*mean), 1, 0.2, "honest errors")
	}
}

// TestCells: a cell holds the median of the stars that lie in it and no others.
func TestCells(t *testing.T) {
	f := Frame{Width: 400, Height: 200}
	add := func(x, y, w, e, angle float64, flags Flags) {
		f.Stars = append(f.Stars, Star{X: unit.Px(x), Y: unit.Px(y), SNR: 50, Major: unit.Px(w), Minor: unit.Px(w * (1 - e)), Ellipticity: e, Angle: unit.Deg(angle), Flags: flags})
	}
	for k, w := range []float64{3, 3.1, 3.2} {
		add(20+10*float64(k), 30, w, 0, 0, 0)
	}
	add(50, 50, 9, 0, 0, Saturated)
	add(399.4, 199.4, 4, 0.2, 170, 0)
	add(350, 150, 4, 0.2, 10, 0)
	g := f.Field(4, 2)
	if len(g.Cells) != 8 || g.Stars != 5 {
		t.Fatalf("%d cells, %d stars", len(g.Cells), g.Stars)
	}
	testkit.Near(t, float64(g.Cells[0].FWHM), 3.1, 1e-9, "the median of 3, 3.1, 3.2")
	if c := g.Cells[0]; c.Stars != 3 || !(c.FWHMSigma > 0) || c.X != 49.5 || c.Y != 49.5 {
		t.Errorf("%+v", c)
	}
	last := g.Cells[7]
	// Shapes at 170 and 10 degrees have their mean at 0: e cos 20.
	testkit.Near(t, last.Ellipticity, 0.2*math.Cos(20*math.Pi/180), 1e-9, "closed form: components averaged")
	testkit.Near(t, math.Abs(math.Remainder(float64(last.Angle), 180)), 0, 1e-6, "closed form: components averaged")
	for k, c := range g.Cells[1:7] {
		if c.Stars != 0 || c.FWHM == c.FWHM {
			t.Errorf("cell %d is not empty: %+v", k+1, c)
		}
	}
	if g.Trend.Shape != TooFew || !strings.Contains(g.Sentence(true), "too few") {
		t.Errorf("five stars tell %s", g.Sentence(true))
	}
}
