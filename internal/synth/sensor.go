package synth

import (
	"fmt"
	"math"
	"strings"

	"holdfast/internal/unit"
)

// Sensor is what turns light into numbers. All values are those of a delivered
// pixel, of Bin by Bin of the sensor's joined before they are read, except
// where it says otherwise.
type Sensor struct {
	ElectronPerADU   float64
	Offset           unit.ADU      // that the camera adds
	ReadNoise        unit.Electron // rms
	FullWell         unit.Electron // 0 means without limit
	Bits             int           // of the numbers delivered, 1 to 16; 0 means 16
	Bin              int           // 0 means 1
	DarkElectronPerS float64       // of a pixel of the sensor
	// HotFraction of the sensor's pixels are hot: their dark current is
	// HotElectronPerS in the mean, spread exponentially.
	HotFraction, HotElectronPerS float64
	Vignetting                   float64    // fraction of the light lost in the corners, growing as the square of the distance
	Mosaic                       string     // the filters of two by two pixels from the first one stored, "RGGB" or another of the kind; "" means none
	Colour                       [3]float64 // of the light, what red, green and blue filters pass; zero means 0.5, 0.8, 0.45
	Seed                         uint64     // of the hot pixels
}

// colourDefault is what the filters of a mosaic pass of the light of a star or
// the sky over the sensor's whole band. From memory of makers' curves.
var colourDefault = [3]float64{0.5, 0.8, 0.45}

// check returns the sensor with its defaults, or what is wrong with it.
func (s Sensor) check() (Sensor, error) {
	if s.Bits == 0 {
		s.Bits = 16
	}
	if s.Bin == 0 {
		s.Bin = 1
	}
	if s.FullWell == 0 {
		s.FullWell = unit.Electron(math.Inf(1))
	}
	if s.Colour == [3]float64{} {
		s.Colour = colourDefault
	}
	bad := func(name string, found any, want string) (Sensor, error) {
		return s, fmt.Errorf("synth: sensor: %s %v: want %s", name, found, want)
	}
	atLeast := func(v float64) bool { return v >= 0 && !math.IsInf(v, 0) }
	switch {
	case !(s.ElectronPerADU > 0) || math.IsInf(s.ElectronPerADU, 0):
		return bad("electrons per ADU", s.ElectronPerADU, "a positive number")
	case !atLeast(float64(s.Offset)):
		return bad("offset", float64(s.Offset), "at least 0")
	case !atLeast(float64(s.ReadNoise)):
		return bad("read noise", float64(s.ReadNoise), "at least 0")
	case !(s.FullWell > 0):
		return bad("full well", float64(s.FullWell), "a positive number")
	case s.Bits < 1 || s.Bits > 16:
		return bad("bits", s.Bits, "1 to 16")
	case s.Bin < 1:
		return bad("bin", s.Bin, "at least 1")
	case !atLeast(s.DarkElectronPerS) || !atLeast(s.HotElectronPerS):
		return bad("dark current", fmt.Sprintf("%v, of hot pixels %v", s.DarkElectronPerS, s.HotElectronPerS), "both at least 0")
	case !(s.HotFraction >= 0 && s.HotFraction <= 1):
		return bad("fraction of hot pixels", s.HotFraction, "0 to 1")
	case !(s.Vignetting >= 0 && s.Vignetting <= 1):
		return bad("vignetting", s.Vignetting, "0 to 1")
	case s.Mosaic != "" && (len(s.Mosaic) != 4 || strings.Trim(s.Mosaic, "RGB") != ""):
		return bad("mosaic", fmt.Sprintf("%q", s.Mosaic), `four letters such as "RGGB"`)
	case !atLeast(s.Colour[0]) || !atLeast(s.Colour[1]) || !atLeast(s.Colour[2]):
		return bad("colour", s.Colour, "each at least 0")
	}
	return s, nil
}

// filters returns what passes to the pixels of two by two.
func (s *Sensor) filters() [4]float64 {
	out := [4]float64{1, 1, 1, 1}
	for i, c := range s.Mosaic {
		out[i] = s.Colour[strings.IndexRune("RGB", c)]
	}
	return out
}

// top returns the greatest number delivered.
func (s *Sensor) top() float64 { return math.Exp2(float64(s.Bits)) - 1 }

// ceiling returns the electrons, light and dark together, at which a pixel
// stops rising.
func (s *Sensor) ceiling() float64 {
	return math.Min(float64(s.FullWell), (s.top()-float64(s.Offset))*s.ElectronPerADU)
}

// hotPixel returns the dark current of the pixel of the frame above that of
// others.
func (s *Sensor) hotPixel(x, y int) float64 {
	w := key(s.Seed, 0x407, uint64(x)<<32|uint64(y))
	u := float64(w>>11) / (1 << 53)
	p := s.HotFraction
	if s.Bin > 1 {
		p = -math.Expm1(float64(s.Bin*s.Bin) * math.Log1p(-p))
	}
	if u >= p {
		return 0
	}
	return -s.HotElectronPerS * math.Log1p(-u/p)
}
