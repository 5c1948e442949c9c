package fits

import (
	"math"
	"testing"

	"holdfast/internal/testkit"
)

// TestDitherNumbers checks the generator where the standard gives a check
// value.
func TestDitherNumbers(t *testing.T) {
	random := ditherNumbers()
	if len(random) != 10000 {
		t.Fatalf("got %d numbers, want 10000", len(random))
	}
	const src = "FITS 4.0, appendix I: the 10000th seed is 1043618065"
	testkit.Near(t, float64(random[9999]), 1043618065.0/math.MaxInt32, 1e-7, src)
	testkit.Near(t, float64(random[0]), 16807.0/math.MaxInt32, 1e-12, "Park & Miller (1988): the first seed is 16807")
}

// TestDitherWraps runs a tile over the end of the sequence: it goes on at the
// next seed's place.
func TestDitherWraps(t *testing.T) {
	tl := &tiling{dither: 1, seed: 10000, scaleAll: 1}
	q := tl.quantiser(nil, 0)
	random := ditherNumbers()
	first := int(random[9999] * 500)
	dst := make([]float64, 10000-first+3)
	q.floats(dst, make([]int32, len(dst)))
	src := "FITS 4.0, appendix I: at the end of the sequence the next seed gives the place to go on, the last is followed by the first"
	again := int(random[0] * 500)
	testkit.Near(t, dst[0], 0.5-float64(random[first]), 1e-12, src)
	testkit.Near(t, dst[10000-first-1], 0.5-float64(random[9999]), 1e-12, src)
	testkit.Near(t, dst[10000-first], 0.5-float64(random[again]), 1e-12, src)
	testkit.Near(t, dst[10000-first+1], 0.5-float64(random[again+1]), 1e-12, src)
}

// TestRiceByHand unpacks streams written out bit by bit.
func TestRiceByHand(t *testing.T) {
	tests := []struct {
		name  string
		bits  string
		width int
		want  []int32
	}{
		// First pixel 10 in 16 bits; count 0+1 in four bits; differences folded
		// in unary: 0 -> 1, 1 (-1) -> 01, 2 (+1) -> 001.
		{"16 bits, no low bits", "0000000000001010" + "0001" + "1" + "01" + "001", 2, []int32{10, 9, 10}},
		{"16 bits, all equal", "1111111111111111" + "0000", 2, []int32{-1, -1, -1, -1}},
		// Count 15: unpacked. Differences 3 (-2) and 65535 (-32768).
		{"16 bits, unpacked", "0000000000000000" + "1111" + "0000000000000011" + "1111111111111111", 2, []int32{-2, 32766}},
		// Bytes are unsigned and wrap round.
		{"8 bits", "11111111" + "001" + "001", 1, []int32{0}},
		{"32 bits, two low bits", "00000000000000000000000000000111" + "00011" + "0110" + "100", 4, []int32{10, 10}},
	}
	for _, tt := range tests {
		var src []byte
		bits := tt.bits
		for len(bits)%8 != 0 {
			bits += "0"
		}
		for i := 0; i < len(bits); i += 8 {
			b := byte(0)
			for _, c := range bits[i : i+8] {
				b = b<<1 | byte(c-'0')
			}
			src = append(src, b)
		}
		got := make([]int32, len(tt.want))
		if err := rice(got, src, 32, tt.width); err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		for i, v := range tt.want {
			if got[i] != v {
				t.Errorf("%s: got %v, want %v (FITS 4.0, section 10.4.1, by hand)", tt.name, got, tt.want)
				break
			}
		}
		if err := rice(got, src[:len(src)-1], 32, tt.width); err == nil && len(bits) == len(tt.bits) {
			t.Errorf("%s: cut short: got no error", tt.name)
		}
	}
}
