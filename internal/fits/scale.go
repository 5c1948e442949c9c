package fits

import (
	"encoding/binary"
	"math"
)

// A Sample is the type that holds every physical pixel value of an image
// exactly.
type Sample uint8

// The sample types. Scaled is anything whose BSCALE and BZERO are not those of
// a plain or an unsigned integer.
const (
	Scaled Sample = iota
	Uint8
	Int8
	Int16
	Uint16
	Int32
	Uint32
	Int64
	Uint64
	Float32
	Float64
)

// String returns the type's name as Go spells it, or "scaled".
func (s Sample) String() string {
	return [...]string{"scaled", "uint8", "int8", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"}[s]
}

// scaling turns stored values into physical ones.
type scaling struct {
	bitpix int
	scale  float64
	zero   float64
	blank  int64 // stored value of a pixel without one
	blanks bool  // blank is set
	sample Sample
}

// scaling reads BSCALE, BZERO and BLANK for pixels stored with bitpix.
func (h *Header) scaling(bitpix int) (scaling, error) {
	s := scaling{bitpix: bitpix}
	var err error
	if s.scale, err = h.number("BSCALE", 1); err != nil {
		return s, err
	}
	if s.zero, err = h.number("BZERO", 0); err != nil {
		return s, err
	}
	if s.scale == 0 {
		c, _ := h.own("BSCALE")
		return s, h.at(c.fail("a factor other than 0"))
	}
	if c, ok := h.own("BLANK"); ok && bitpix > 0 && c.Kind != Undefined {
		if s.blank, err = c.Int(); err != nil {
			return s, h.at(err)
		}
		s.blanks = true
	}
	s.sample = s.kind()
	return s, nil
}

// kind returns the sample type.
func (s *scaling) kind() Sample {
	if s.scale != 1 {
		return Scaled
	}
	switch s.zero {
	case 0:
		switch s.bitpix {
		case 8:
			return Uint8
		case 16:
			return Int16
		case 32:
			return Int32
		case 64:
			return Int64
		case -32:
			return Float32
		case -64:
			return Float64
		}
	case -128:
		if s.bitpix == 8 {
			return Int8
		}
	case 1 << 15:
		if s.bitpix == 16 {
			return Uint16
		}
	case 1 << 31:
		if s.bitpix == 32 {
			return Uint32
		}
	case 1 << 63:
		if s.bitpix == 64 {
			return Uint64
		}
	}
	return Scaled
}

// float is a type pixels are delivered in.
type float interface{ float32 | float64 }

// decodeRaw turns the big-endian stored values in src into physical ones. src
// holds len(dst) of them.
func decodeRaw[T float](dst []T, src []byte, s *scaling) {
	nan := T(math.NaN())
	switch s.bitpix {
	case 8:
		var lut [256]T
		for i := range lut {
			lut[i] = T(float64(i)*s.scale + s.zero)
			if s.blanks && int64(i) == s.blank {
				lut[i] = nan
			}
		}
		for i, b := range src[:len(dst)] {
			dst[i] = lut[b]
		}
	case 16:
		decode16(dst, src, s)
	case 32:
		for i := range dst {
			v := int32(binary.BigEndian.Uint32(src[4*i:]))
			dst[i] = T(float64(v)*s.scale + s.zero)
			if s.blanks && int64(v) == s.blank {
				dst[i] = nan
			}
		}
	case 64:
		for i := range dst {
			v := int64(binary.BigEndian.Uint64(src[8*i:]))
			dst[i] = T(s.int64(v))
		}
	case -32:
		if s.sample == Float32 {
			for i := range dst {
				dst[i] = T(math.Float32frombits(binary.BigEndian.Uint32(src[4*i:])))
			}
			return
		}
		for i := range dst {
			v := math.Float32frombits(binary.BigEndian.Uint32(src[4*i:]))
			dst[i] = T(float64(v)*s.scale + s.zero)
		}
	case -64:
		for i := range dst {
			v := math.Float64frombits(binary.BigEndian.Uint64(src[8*i:]))
			dst[i] = T(v*s.scale + s.zero)
		}
	}
}

// decode16 is the part of decodeRaw that every ordinary camera frame goes
// through: four pixels at a time.
func decode16[T float](dst []T, src []byte, s *scaling) {
	src = src[:2*len(dst)]
	var flip uint64
	if s.sample == Uint16 {
		flip = 0x8000800080008000
	}
	switch {
	case s.sample == Uint16 && !s.blanks:
		for len(dst) >= 4 {
			v := binary.BigEndian.Uint64(src) ^ flip
			dst[0] = T(uint16(v >> 48))
			dst[1] = T(uint16(v >> 32))
			dst[2] = T(uint16(v >> 16))
			dst[3] = T(uint16(v))
			dst, src = dst[4:], src[8:]
		}
	case s.sample == Int16 && !s.blanks:
		for len(dst) >= 4 {
			v := binary.BigEndian.Uint64(src)
			dst[0] = T(int16(v >> 48))
			dst[1] = T(int16(v >> 32))
			dst[2] = T(int16(v >> 16))
			dst[3] = T(int16(v))
			dst, src = dst[4:], src[8:]
		}
	}
	for i := range dst {
		v := int16(binary.BigEndian.Uint16(src[2*i:]))
		dst[i] = T(float64(v)*s.scale + s.zero)
		if s.blanks && int64(v) == s.blank {
			dst[i] = T(math.NaN())
		}
	}
}

// int64 returns the physical value of a stored 64-bit integer. The unsigned
// convention is undone in integers: in floats, small values would be lost next
// to 2^63.
func (s *scaling) int64(v int64) float64 {
	switch {
	case s.blanks && v == s.blank:
		return math.NaN()
	case s.sample == Uint64:
		return float64(uint64(v) ^ 1<<63)
	}
	return float64(v)*s.scale + s.zero
}

// ints turns stored integers that were unpacked into physical values.
func ints[T float](dst []T, src []int32, s *scaling) {
	src = src[:len(dst)]
	if !s.blanks {
		for i, v := range src {
			dst[i] = T(float64(v)*s.scale + s.zero)
		}
		return
	}
	for i, v := range src {
		dst[i] = T(float64(v)*s.scale + s.zero)
		if int64(v) == s.blank {
			dst[i] = T(math.NaN())
		}
	}
}

// uint16s turns the big-endian 16-bit values of the unsigned convention in src
// into uint16.
func uint16s(dst []uint16, src []byte) {
	src = src[:2*len(dst)]
	for len(dst) >= 16 && len(src) >= 32 {
		d, s := dst[:16], src[:32]
		unsigned4(d[:4], s[:8])
		unsigned4(d[4:8], s[8:16])
		unsigned4(d[8:12], s[16:24])
		unsigned4(d[12:], s[24:])
		dst, src = dst[16:], src[32:]
	}
	for i := range dst {
		dst[i] = binary.BigEndian.Uint16(src[2*i:]) ^ 0x8000
	}
}

// unsigned4 is uint16s for four values.
func unsigned4(dst []uint16, src []byte) {
	const odd = 0x00ff00ff00ff00ff // every other byte of eight
	v := binary.LittleEndian.Uint64(src)
	v = (v&odd<<8 | v>>8&odd) ^ 0x8000800080008000
	_ = dst[3]
	dst[0], dst[1], dst[2], dst[3] = uint16(v), uint16(v>>16), uint16(v>>32), uint16(v>>48) // one store
}
