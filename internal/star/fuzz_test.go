package star

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
)

// FuzzMeasure: whatever the pixels, Measure returns, and what it calls a star
// lies in the frame and has light and a place.
func FuzzMeasure(f *testing.F) {
	r := rand.New(rand.NewPCG(1, 1))
	pixels, _ := field(r, 96, 48, 30000, 300, 4, gauss(3, 0.2, 30)...)
	raw := make([]byte, 0, 2*len(pixels))
	for _, p := range pixels {
		raw = binary.BigEndian.AppendUint16(raw, p)
	}
	f.Add(raw, uint16(96), false)
	f.Add(raw, uint16(31), true)
	f.Add(make([]byte, 4000), uint16(40), false)
	ramp := make([]byte, 8192)
	for i := range ramp {
		ramp[i] = byte(i * i >> 5)
	}
	f.Add(ramp, uint16(64), false)
	f.Add(ramp, uint16(17), true)
	f.Fuzz(func(t *testing.T, raw []byte, width uint16, floats bool) {
		w := int(width)%512 + 1
		var fr *frame.Frame
		if floats {
			h := len(raw) / 4 / w
			if h == 0 || h > 512 {
				return
			}
			p := make([]float32, w*h)
			for i := range p {
				p[i] = math.Float32frombits(binary.BigEndian.Uint32(raw[4*i:]))
			}
			fr = frame.FromPixels(w, h, p)
		} else {
			h := len(raw) / 2 / w
			if h == 0 || h > 512 {
				return
			}
			p := make([]uint16, w*h)
			for i := range p {
				p[i] = binary.BigEndian.Uint16(raw[2*i:])
			}
			fr = frame.FromPixels(w, h, p)
		}
		sane(t, fr)
	})
}

// sane measures a frame and checks what must hold whatever its pixels.
func sane(t *testing.T, fr *frame.Frame) {
	t.Helper()
	got, err := Measure(fr, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if (got.StarsFound == 0) != (got.Error != "") || got.StarsFound != len(got.Stars) {
		t.Errorf("%d stars found, %d listed, error %q", got.StarsFound, len(got.Stars), got.Error)
	}
	for _, s := range got.Stars {
		x, y := float64(s.X), float64(s.Y)
		if !(x >= -1 && y >= -1 && x <= float64(fr.Width) && y <= float64(fr.Height)) || !(s.Flux > 0) || !(s.SNR >= 5) || math.IsInf(float64(s.Flux), 0) {
			t.Errorf("a star in a frame of %d by %d: %+v", fr.Width, fr.Height, s)
		}
		if s.Major < s.Minor || s.Ellipticity < 0 || s.Ellipticity > 1 || s.Angle < 0 || s.Angle >= 180 {
			t.Errorf("a star's shape: %+v", s)
		}
	}
}

// FuzzPicture: the same of pictures of every kind, drawn from a few numbers: a
// level and a noise of any size, slopes, stars, hot pixels, streaks, blank and
// full pixels, in frames of any size and either kind of pixel.
func FuzzPicture(f *testing.F) {
	for k := range uint64(24) {
		f.Add(k, uint8(7*k), uint8(100-4*k), uint32(1<<k|k))
	}
	f.Add(uint64(1), uint8(0), uint8(0), uint32(0)) // one pixel
	f.Add(uint64(2), uint8(2), uint8(4), ^uint32(0))
	f.Fuzz(func(t *testing.T, seed uint64, w, h uint8, kind uint32) {
		sane(t, sketch(seed, int(w)+1, int(h)+1, kind))
	})
}

// sketch draws the picture of FuzzPicture; each bit of kind adds something.
func sketch(seed uint64, w, h int, kind uint32) *frame.Frame {
	r := rand.New(rand.NewPCG(seed, uint64(kind)))
	has := func(bit int) bool { return kind>>bit&1 == 1 }
	level := math.Pow(10, 5*r.Float64()-0.5)
	noise := level * math.Pow(10, -3*r.Float64())
	if has(0) {
		noise = 0
	}
	if has(1) {
		level = 0
	}
	if has(2) {
		level = -level
	}
	v := make([]float64, w*h)
	slopeX, slopeY, curve := 0.0, 0.0, 0.0
	if has(3) {
		slopeX, slopeY = noise*r.NormFloat64(), noise*r.NormFloat64()
	}
	if has(4) {
		curve = noise * r.NormFloat64() / 20
	}
	for i := range v {
		x, y := float64(i%w), float64(i/w)
		v[i] = level + slopeX*x + slopeY*y + curve*x*y + noise*r.NormFloat64()
	}
	around := func(x, y, reach float64, add func(dx, dy float64) float64) {
		for j := max(0, int(y-reach)); j < min(h, int(y+reach)+1); j++ {
			for i := max(0, int(x-reach)); i < min(w, int(x+reach)+1); i++ {
				v[j*w+i] += add(float64(i)-x, float64(j)-y)
			}
		}
	}
	somewhere := func() (x, y float64) { return r.Float64() * float64(w), r.Float64() * float64(h) }
	scale := math.Max(noise, 1)
	if has(5) || has(6) { // stars
		sigma := 0.4 * math.Pow(10, 1.3*r.Float64())
		for range r.IntN(w*h/200 + 2) {
			x, y := somewhere()
			peak := scale * math.Pow(10, 4*r.Float64())
			around(x, y, 5*sigma, func(dx, dy float64) float64 { return peak * math.Exp(-(dx*dx+dy*dy)/(2*sigma*sigma)) })
		}
	}
	if has(7) { // rings
		radius := 3 + 15*r.Float64()
		for range r.IntN(5) + 1 {
			x, y := somewhere()
			around(x, y, 2*radius, func(dx, dy float64) float64 {
				return 30 * scale * math.Exp(-math.Pow((math.Hypot(dx, dy)-radius)/2, 2))
			})
		}
	}
	if has(8) { // hot pixels
		for range r.IntN(w*h/20 + 2) {
			v[r.IntN(len(v))] += scale * math.Pow(10, 5*r.Float64())
		}
	}
	if has(9) { // dead ones
		for range r.IntN(w*h/20 + 2) {
			v[r.IntN(len(v))] = 0
		}
	}
	if has(10) { // a streak
		x, y := somewhere()
		for k := range w + h {
			around(x+float64(k)*0.7-float64(w)/2, y+float64(k)*0.5-float64(h)/2, 1, func(dx, dy float64) float64 { return 20 * scale })
		}
	}
	if has(11) { // rows and columns unlike the others
		for i := range v {
			if i/w%5 == 0 {
				v[i] += scale
			}
			if i%w%7 == 0 {
				v[i] -= 2 * scale
			}
		}
	}
	if has(12) { // a chequered pattern
		for i := range v {
			if (i/w+i%w)%2 == 0 {
				v[i] += 10 * scale
			}
		}
	}
	if has(13) { // a ceiling
		top := level + scale*math.Pow(10, 3*r.Float64())
		for i := range v {
			v[i] = math.Min(v[i], top)
		}
	}
	if has(14) { // of eight bits
		for i := range v {
			v[i] = math.Round(math.Max(0, math.Min(255, v[i])))
		}
	}
	lattice := frame.Full
	switch {
	case has(15):
		lattice = frame.GreenEven
	case has(16):
		lattice = frame.GreenOdd
	}
	if !has(17) {
		whole := make([]uint16, len(v))
		for i := range v {
			whole[i] = uint16(math.Max(0, math.Min(65535, v[i])))
		}
		f := frame.FromPixels(w, h, whole)
		f.Lattice = lattice
		return f
	}
	floats := make([]float32, len(v))
	for i := range v {
		floats[i] = float32(v[i])
		if has(18) && r.IntN(10) == 0 || has(19) && i/w > h/2 {
			floats[i] = float32(math.NaN())
		}
		if has(20) && r.IntN(50) == 0 {
			floats[i] = float32(math.Inf(r.IntN(2)*2 - 1))
		}
		if has(21) {
			floats[i] *= 1e20
		}
		if has(22) && r.IntN(50) == 0 {
			floats[i] = math.MaxFloat32
		}
	}
	f := frame.FromPixels(w, h, floats)
	f.Lattice = lattice
	return f
}

// TestPictures: a few thousand of FuzzPicture's.
func TestPictures(t *testing.T) {
	n := 5000
	if testing.Short() {
		n = 600
	}
	r := rand.New(rand.NewPCG(77, 1))
	for k := range n {
		w, h, kind := r.IntN(160)+1, r.IntN(120)+1, r.Uint32()
		if k%3 == 0 {
			kind &= r.Uint32() // fewer things at once
		}
		seed := r.Uint64()
		if sane(t, sketch(seed, w, h, kind)); t.Failed() {
			t.Fatalf("seed %d, %d by %d, kind %#x", seed, w, h, kind)
		}
	}
}
