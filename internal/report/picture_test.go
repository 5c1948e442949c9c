package report

import (
	"bytes"
	"encoding/base64"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"holdfast/internal/frame"
	"holdfast/internal/psf"
	"holdfast/internal/star"
	"holdfast/internal/testkit"
	"holdfast/internal/unit"
)

// drawnStars returns a frame of stars drawn out along an angle from +x towards
// +y, a fifth shorter across than along, and one of them far brighter than the
// others and near the corner of the last row and column.
func drawnStars(t *testing.T, angle float64) (*frame.Frame, star.Frame) {
	t.Helper()
	const w, h, cell = 480, 320, 40
	r := rand.New(rand.NewPCG(3, uint64(angle)))
	img := make([]float64, w*h)
	// psf has +y at position angle 0 and +x at 270: from +x towards +y an angle
	// less by 90 degrees.
	c := psf.Along(1.9, unit.Deg(angle-90)).Plus(psf.Along(1.5, unit.Deg(angle)))
	var stamps [4][]float64 // at four places within their cells
	for k := range stamps {
		stamps[k] = psf.Image(make([]float64, cell*cell), cell, cell, unit.Px(16+8*r.Float64()), unit.Px(16+8*r.Float64()), 1, 0, psf.Gaussian(c), psf.Box(1, 0))
	}
	for cy := 0; cy+cell <= h; cy += cell {
		for cx := 0; cx+cell <= w; cx += cell {
			stamp := stamps[r.IntN(len(stamps))]
			flux := 30000.0
			if cx+cell == w && cy+cell == h {
				flux = 200000
			}
			for j := range cell {
				for i := range cell {
					img[(cy+j)*w+cx+i] += flux * stamp[j*cell+i]
				}
			}
		}
	}
	pixels := make([]float32, len(img))
	for i, v := range img {
		pixels[i] = float32(v + 300 + math.Sqrt(v+300)*r.NormFloat64())
	}
	fr := frame.FromPixels(w, h, pixels)
	m, err := star.Measure(fr, star.Options{GainElectronPerADU: 1})
	if err != nil || m.StarsFound < 90 {
		t.Fatalf("%d stars, %v", m.StarsFound, err)
	}
	m.File = `some/where/"M 27" <1> & so on.fits`
	return fr, m
}

func drawPicture(t *testing.T, p *Picture) string {
	t.Helper()
	var b bytes.Buffer
	if err := PictureSVG(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// embedded returns the pictures inside an SVG.
func embedded(t *testing.T, svg string) []image.Image {
	t.Helper()
	var out []image.Image
	for _, m := range regexp.MustCompile(`href="data:image/png;base64,([^"]*)"`).FindAllStringSubmatch(svg, -1) {
		data, err := base64.StdEncoding.DecodeString(m[1])
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, img)
	}
	return out
}

var ellipses = regexp.MustCompile(`<ellipse cx="([\d.]+)" cy="([\d.]+)" rx="([\d.]+)" ry="([\d.]+)" transform="rotate\((-?[\d.]+) [\d.]+ [\d.]+\)"`)

// TestPictureDirection draws stars at known angles and wants their ellipses to
// lie over the stars' own pixels in the embedded frame, whichever way up it is
// drawn: the long axis of the moments of those pixels, as they stand in the
// picture, is the ellipse's, and the brightest star is under its ellipse.
func TestPictureDirection(t *testing.T) {
	for _, angle := range []float64{25, 70, 140} {
		fr, m := drawnStars(t, angle)
		for _, up := range []bool{false, true} {
			t.Run(fmt.Sprintf("%g degrees, +y up %v", angle, up), func(t *testing.T) {
				p := &Picture{Measured: m, Pixels: fr, Bin: 1, YUp: up}
				svg := drawPicture(t, p)
				img := embedded(t, svg)[0]
				all := ellipses.FindAllStringSubmatch(svg, -1)
				if len(all) < 150 {
					t.Fatalf("%d ellipses", len(all))
				}
				number := func(s string) float64 {
					v, err := strconv.ParseFloat(s, 64)
					if err != nil {
						t.Fatal(err)
					}
					return v
				}
				drawn := number(all[0][5]) // the brightest: SVG turns from +x towards its own +y, down
				want := angle
				if up {
					want = -angle
				}
				testkit.Near(t, math.Remainder(drawn-want, 180), 0, 4, "what was drawn")
				// Where the picture has the brightest star, and how its pixels lie.
				place := regexp.MustCompile(`<image x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"`).FindStringSubmatch(svg)
				scale := number(place[3]) / float64(img.Bounds().Dx())
				cx, cy := (number(all[0][1])-number(place[1]))/scale-0.5, (number(all[0][2])-number(place[2]))/scale-0.5
				var sum, mx, my, xx, yy, xy float64
				for j := int(cy) - 9; j <= int(cy)+9; j++ {
					for i := int(cx) - 9; i <= int(cx)+9; i++ {
						if i < 0 || j < 0 || i >= img.Bounds().Dx() || j >= img.Bounds().Dy() {
							continue
						}
						r, _, _, _ := img.At(i, j).RGBA()
						if v := 0.6 - float64(r)/65535; v > 0 { // dark stars on paper
							dx, dy := float64(i)-cx, float64(j)-cy
							sum, mx, my = sum+v, mx+v*dx, my+v*dy
							xx, yy, xy = xx+v*dx*dx, yy+v*dy*dy, xy+v*dx*dy
						}
					}
				}
				if !(sum > 1) {
					t.Fatalf("no star in the picture at %.1f, %.1f", cx, cy)
				}
				testkit.Near(t, math.Hypot(mx, my)/sum, 0, 0.5, "the star's own pixels in the picture")
				seen := math.Atan2(2*xy, xx-yy) / 2 * 180 / math.Pi
				testkit.Near(t, math.Remainder(seen-drawn, 180), 0, 10, "the star's own pixels in the picture")
				// The shape over the field lies the same way, and so does the line
				// through it.
				last := 0
				for _, e := range all {
					if number(e[3]) > 20 {
						last++
						testkit.Near(t, math.Remainder(number(e[5])-want, 180), 0, 6, "what was drawn")
					}
				}
				if last < 20 {
					t.Errorf("%d ellipses of cells", last)
				}
				lines := 0
				for _, l := range regexp.MustCompile(`d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)"`).FindAllStringSubmatch(svg, -1) {
					lines++
					a := math.Atan2(number(l[4])-number(l[2]), number(l[3])-number(l[1])) * 180 / math.Pi
					testkit.Near(t, math.Remainder(a-want, 180), 0, 6, "what was drawn")
				}
				if lines < 10 {
					t.Errorf("%d lines along the shapes", lines)
				}
			})
		}
	}
}

// TestPicture: a picture is well-formed, refers to nothing outside, says what a
// person needs to read it, and is the same every time.
func TestPicture(t *testing.T) {
	fr, m := drawnStars(t, 70)
	m.Stars[3].Flags |= star.Saturated
	p := &Picture{Measured: m, Pixels: fr, Bin: 1, YUp: true, Why: "as FITS is drawn"}
	svg := drawPicture(t, p)
	if drawPicture(t, p) != svg {
		t.Error("the same picture gives other bytes")
	}
	d := xml.NewDecoder(strings.NewReader(svg))
	elements := map[string]int{}
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			elements[e.Name.Local]++
			for _, a := range e.Attr {
				if a.Name.Local == "href" && !strings.HasPrefix(a.Value, "data:") {
					t.Errorf("a link outside: %.40s", a.Value)
				}
			}
		}
	}
	if elements["title"] != 1 || elements["desc"] != 1 || elements["image"] < 1 {
		t.Errorf("elements: %v", elements)
	}
	for _, want := range []string{"&quot;M 27&quot; &lt;1&gt; &amp; so on.fits</title>", "aria-label", "first row stored at the bottom (as FITS is drawn)", "lengths × ", "flattening × ", "good ones", "FWHM, px", "HFD, px", "ellipticity", "long axis", "1 saturated",
		"Every star is", "longer than wide", "flagged stars"} {
		if !strings.Contains(svg, want) {
			t.Errorf("%q is not there", want)
		}
	}
	for _, no := range []string{"NaN", "Inf", "some/where", "e+0"} {
		if text := regexp.MustCompile(`base64,[^"]*`).ReplaceAllString(svg, ""); strings.Contains(text, no) {
			t.Errorf("%q is there", no)
		}
	}
	// Exaggeration is what it says it is: a star's flattening over its own.
	factor := 0
	if f := regexp.MustCompile(`lengths × \d+, flattening × (\d)`).FindStringSubmatch(svg); f != nil {
		factor, _ = strconv.Atoi(f[1])
	}
	e := ellipses.FindStringSubmatch(svg)
	rx, _ := strconv.ParseFloat(e[3], 64)
	ry, _ := strconv.ParseFloat(e[4], 64)
	testkit.Near(t, 1-ry/rx, float64(factor)*m.Stars[0].Ellipticity, 0.01, "the factor that the picture states")
}

// TestPictureOfLittle: frames with hardly a star, or none, are drawn too.
func TestPictureOfLittle(t *testing.T) {
	fr, m := drawnStars(t, 70)
	few := m
	few.Stars = few.Stars[:5]
	nan := math.NaN()
	blank := m
	blank.Stars, blank.StarsFound, blank.Error = nil, 0, "no star stands out of the noise"
	blank.FWHM, blank.FWHMSigma, blank.HFD, blank.HFDSigma, blank.Ellipticity, blank.EllipticitySigma, blank.Angle = unit.Px(nan), unit.Px(nan), unit.Px(nan), unit.Px(nan), nan, nan, unit.Deg(nan)
	for _, tt := range []struct {
		name string
		p    Picture
		want string
	}{
		{"five stars", Picture{Measured: few, Pixels: fr, Bin: 1}, "too few to tell a trend"},
		{"no stars", Picture{Measured: blank, Pixels: fr, Bin: 1}, "No star stands out of the noise."},
		{"no pixels", Picture{Measured: m, YUp: true}, "Every star is"},
	} {
		svg := drawPicture(t, &tt.p)
		if err := xml.Unmarshal([]byte(svg), new(struct{ XMLName xml.Name })); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		text := regexp.MustCompile(`base64,[^"]*`).ReplaceAllString(svg, "")
		text = strings.ReplaceAll(regexp.MustCompile(`</text>\n<text[^>]*>`).ReplaceAllString(text, " "), "\n", " ")
		if !strings.Contains(text, tt.want) || strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("%s: %q is not there, or what is no number is: %.1500s", tt.name, tt.want, text)
		}
	}
}

// TestPictureNight: at night nothing but the red channel is lit, in the lines
// and in the embedded frame.
func TestPictureNight(t *testing.T) {
	fr, m := drawnStars(t, 70)
	for k := range m.Stars { // so that there are tints
		m.Stars[k].Major *= unit.Px(1 + float64(m.Stars[k].X)/2000)
	}
	svg := drawPicture(t, &Picture{Measured: m, Pixels: fr, Bin: 1, Dress: Night})
	const most = 0.06 * 255
	colours := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b`).FindAllString(svg, -1)
	if len(colours) < 100 {
		t.Fatalf("%d colours", len(colours))
	}
	for _, c := range colours {
		v, err := strconv.ParseUint(c[1:], 16, 32)
		if err != nil || len(c) != 7 || float64(v>>8&255) > most || float64(v&255) > most {
			t.Errorf("the colour %s", c)
		}
	}
	for _, name := range []string{"white", "black", "gray", "rgb(", "hsl("} {
		if strings.Contains(svg, name) {
			t.Errorf("a colour by name: %s", name)
		}
	}
	images := embedded(t, svg)
	if len(images) != 2 {
		t.Fatalf("%d images, want the frame and its tints", len(images))
	}
	for k, img := range images {
		b, brightest := img.Bounds(), uint32(0)
		for y := b.Min.Y; y < b.Max.Y; y++ {
			for x := b.Min.X; x < b.Max.X; x++ {
				r, g, bl, _ := img.At(x, y).RGBA()
				if float64(g>>8) > most || float64(bl>>8) > most {
					t.Fatalf("image %d: a pixel of %d, %d, %d", k, r>>8, g>>8, bl>>8)
				}
				brightest = max(brightest, r>>8)
			}
		}
		if brightest < 50 {
			t.Errorf("image %d: nothing shines", k)
		}
	}
}

// TestShapes: the field is printed small, the strokes run as the stars do, and
// few stars print nothing.
func TestShapes(t *testing.T) {
	for _, tt := range []struct {
		angle    float64
		up, down string
	}{{45, "╱", "╲"}, {140, "╲", "╱"}, {90, "│", "│"}, {3, "─", "─"}} {
		_, m := drawnStars(t, tt.angle)
		for _, up := range []bool{true, false} {
			for _, width := range []int{60, 80} {
				var b bytes.Buffer
				if err := Shapes(&b, &m, up, Style{Width: width}); err != nil {
					t.Fatal(err)
				}
				want := tt.down
				if up {
					want = tt.up
				}
				lines := strings.Split(strings.TrimRight(b.String(), "\n"), "\n")
				if len(lines) > 13 {
					t.Errorf("%d lines", len(lines))
				}
				strokes := 0
				for k, l := range lines {
					if columns(l) > min(width, 78) {
						t.Errorf("a line of %d columns: %s", columns(l), l)
					}
					if k > 1 && !strings.Contains(l, "longer") {
						strokes += strings.Count(l, want)
					}
				}
				if strokes < 10 || !strings.Contains(b.String(), "Every star is") {
					t.Errorf("at %g degrees, +y up %v: %d of %s\n%s", tt.angle, up, strokes, want, b.String())
				}
			}
		}
		m.Stars = m.Stars[:20]
		var b bytes.Buffer
		if err := Shapes(&b, &m, true, Style{}); err != nil || b.Len() > 0 {
			t.Errorf("20 stars print %q, %v", b.String(), err)
		}
	}
}

// TestStretch: the sky is told from black, the brightest hundredth is bright,
// tones rise with the pixels, and poor pixels do no harm.
func TestStretch(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	pixels := make([]float32, 50000)
	for i := range pixels {
		pixels[i] = float32(1000 + 20*r.NormFloat64())
		if i%200 == 0 {
			pixels[i] += float32(20000 * r.Float64())
		}
	}
	pixels[7], pixels[8] = float32(math.NaN()), float32(math.Inf(1))
	tone := stretch(pixels)
	if s := tone(1000); s < 0.03 || s > 0.3 {
		t.Errorf("the sky has tone %v", s)
	}
	if tone(20000) < 0.9 || tone(900) != 0 || tone(float32(math.Inf(1))) != 1 || math.Abs(tone(float32(math.NaN()))-tone(1000)) > 0.02 {
		t.Errorf("tones of a star %v, a dark pixel %v, no end %v, none %v", tone(20000), tone(900), tone(float32(math.Inf(1))), tone(float32(math.NaN())))
	}
	before := -1.0
	for v := float32(950); v < 20000; v *= 1.1 {
		if now := tone(v); now < before {
			t.Errorf("the tone falls at %v", v)
		} else {
			before = now
		}
	}
	for _, flat := range [][]float32{nil, {5, 5, 5, 5}, {float32(math.NaN())}} {
		if v := stretch(flat)(5); !(v >= 0 && v <= 1) {
			t.Errorf("%v: tone %v", flat, v)
		}
	}
}
