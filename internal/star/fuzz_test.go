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
	})
}
