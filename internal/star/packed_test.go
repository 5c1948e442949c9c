package star

import (
	"math/rand/v2"
	"testing"

	"holdfast/internal/frame"
)

// TestPacked: pictures of whole numbers, two to a word, are those of floats.
func TestPacked(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for _, lattice := range []frame.Lattice{frame.Full, frame.GreenEven, frame.GreenOdd} {
		for _, width := range []int{4, 5, 6, 7, 8, 15, 16, 17, 18, 34, 131, 256} {
			const rows = 12
			n := width / 2
			raw := make([]uint16, width*rows)
			for i := range raw {
				raw[i] = uint16(r.Uint32())
				if r.IntN(3) == 0 {
					raw[i] = 65535
				}
			}
			var whole, floats picture
			whole.reset(n, rows/2, true)
			floats.reset(n, rows/2, false)
			for i := range whole.words {
				whole.words[i] = r.Uint64() // as left by another picture
			}
			for k := range rows / 2 {
				a, b := raw[2*k*width:][:width], raw[(2*k+1)*width:][:width]
				packPairs(whole.packed(k), a, b, n, lattice, 2*k)
				sumPairs(floats.row(k), a, b, lattice, 2*k)
			}
			alike := func(what string, words []uint64, v []float32) {
				t.Helper()
				for i := range v {
					if got := unpack(words, i); got != v[i] {
						t.Fatalf("%s, %v, width %d: sum %d is %v, want %v", what, lattice, width, i, got, v[i])
					}
				}
				for i := len(v); i < 2*len(words); i++ {
					if got := unpack(words, i); got != 0 {
						t.Fatalf("%s, %v, width %d: %v beyond the row's end", what, lattice, width, got)
					}
				}
			}
			for k := range rows / 2 {
				alike("pairs", whole.packed(k), floats.row(k))
			}
			whole.lower(n-1, 1, 70)
			floats.lower(n-1, 1, min(70, floats.row(1)[n-1]))
			alike("lowered", whole.packed(1), floats.row(1))

			along := make([][]uint64, 3)
			var s smoother
			s.reset(n)
			smooth := make([]float32, n)
			for k := range along {
				along[k] = make([]uint64, packedWords(n))
				smoothPacked(along[k], whole.packed(k), n)
				s.push(floats.row(k), smooth)
			}
			across := make([]uint64, packedWords(n))
			acrossPacked(across, along[0], along[1], along[2])
			alike("smoothed", across, smooth)

			if n/2 < 1 {
				continue
			}
			var half, halfFloats picture
			half.halve(&whole)
			halfFloats.halve(&floats)
			for k := range half.rows {
				alike("halved", half.packed(k), halfFloats.row(k))
			}
			got, want := make([]float32, n/2), make([]float32, n/2)
			whole.pair(got, 1)
			floats.pair(want, 1)
			for i := range got {
				if got[i] != want[i] {
					t.Fatalf("pairs of rows: %v, want %v", got, want)
				}
			}
		}
	}
}

// TestAbove: runs in which a sum exceeds its limit are found, and no others.
func TestAbove(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for range 2000 {
		const runs = 3
		row, limit := make([]uint64, runs*runWords), make([]uint64, runs)
		want := map[int]bool{}
		for s := range limit {
			l := uint64(r.IntN(1 << 24))
			limit[s] = l<<32 | l | topBits
			for i := range runWords {
				lo, hi := l-min(l, uint64(r.IntN(3))), l-min(l, uint64(r.IntN(1<<24)))
				switch r.IntN(40) {
				case 0:
					lo = l + 1
				case 1:
					hi = l + uint64(r.IntN(1<<24)) + 1
				}
				want[s] = want[s] || lo > l || hi > l
				row[s*runWords+i] = hi<<32 | lo
			}
		}
		got := above(nil, row, limit)
		for _, s := range got {
			if !want[s] {
				t.Fatalf("run %d of %x is said to exceed %x", s, row, limit)
			}
			delete(want, s)
		}
		for s, over := range want {
			if over {
				t.Fatalf("run %d of %x is not said to exceed %x", s, row, limit)
			}
		}
	}
}

// TestWholeAndFloats: a frame of whole numbers is measured alike whether its
// pixels come as such or as floats.
func TestWholeAndFloats(t *testing.T) {
	r := rand.New(rand.NewPCG(12, 12))
	const side = 510
	pixels, _ := field(r, side, 51, 20000, 300, 4, gauss(3, 0.2, 40)...)
	floats := make([]float32, len(pixels))
	for i, p := range pixels {
		floats[i] = float32(p)
	}
	a, errA := Measure(frame.FromPixels(side, side, pixels), Options{GainElectronPerADU: 1})
	b, errB := Measure(frame.FromPixels(side, side, floats), Options{GainElectronPerADU: 1})
	if errA != nil || errB != nil || len(a.Stars) != len(b.Stars) || len(a.Stars) != 100 {
		t.Fatalf("%d and %d stars, want 100; %v, %v", len(a.Stars), len(b.Stars), errA, errB)
	}
	for _, s := range a.Stars {
		d := drawn{float64(s.X), float64(s.Y), 0}
		// The sky is estimated by another way, to some hundredths of its noise.
		if o, ok := nearest(b.Stars, d); !ok || abs(o.X-s.X) > 0.1*s.XSigma || abs(o.Flux-s.Flux) > 0.5*s.FluxSigma {
			t.Errorf("%+v as whole numbers, %+v as floats", s, o)
		}
	}
}

func abs[T ~float64](v T) T { return max(v, -v) }
