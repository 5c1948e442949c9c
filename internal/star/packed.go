package star

import (
	"math/bits"

	"holdfast/internal/frame"
)

// Sums of whole pixels are kept two to a word of 64 bits, the even one of a row
// in the lower half, so that one instruction adds two of them. Four by four
// pixels of 16 bits, smoothed, fill 24 of a half's 32 bits; the highest tells
// in a subtraction which half is the less.
const (
	lowHalf  = 1<<32 - 1
	topBits  = 1<<63 | 1<<31
	runWords = 4 // words looked at together
)

// packedWords returns how many words n sums of a row take: whole runs, what is
// over is zero.
func packedWords(n int) int { return (n + 2*runWords - 1) / (2 * runWords) * runWords }

// unpack returns the i-th sum of a row.
func unpack(row []uint64, i int) float32 { return float32(uint32(row[i/2] >> (32 * (i & 1)))) }

// four returns four pixels as one word, the first lowest.
func four(p []uint16) uint64 {
	_ = p[3]
	return uint64(p[0]) | uint64(p[1])<<16 | uint64(p[2])<<32 | uint64(p[3])<<48
}

// packPairs sets dst to the n sums of two by two pixels of two rows of which
// the first is the y-th, y even. Of a mosaic the two green ones count twice.
func packPairs(dst []uint64, a, b []uint16, n int, l frame.Lattice, y int) {
	const even = 1<<16 - 1 | (1<<16-1)<<32 // of four pixels the first and the third
	a, b = a[:2*n], b[:2*n]
	dst = dst[:packedWords(n)]
	whole := dst[:n/2]
	switch l {
	case frame.Full:
		for i := range whole {
			v, w := four(a[4*i:]), four(b[4*i:])
			whole[i] = v&even + v>>16&even + w&even + w>>16&even
		}
	case frame.GreenEven:
		for i := range whole {
			whole[i] = 2 * (four(a[4*i:])&even + four(b[4*i:])>>16&even)
		}
	case frame.GreenOdd:
		for i := range whole {
			whole[i] = 2 * (four(a[4*i:])>>16&even + four(b[4*i:])&even)
		}
	}
	clear(dst[n/2:])
	if n%2 == 1 {
		var last [1]float32
		sumPairs(last[:], a[2*n-2:], b[2*n-2:], l, y)
		dst[n/2] = uint64(last[0])
	}
}

// halvePacked sums two by two of the rows a and b into the n sums of dst.
func halvePacked(dst, a, b []uint64, n int) {
	dst = dst[:packedWords(n)]
	clear(dst[n/2:])
	a, b = a[:n], b[:n]
	for i := range dst[:n/2] {
		v, w := a[2*i]+b[2*i], a[2*i+1]+b[2*i+1]
		dst[i] = v&lowHalf + v>>32 + (w&lowHalf+w>>32)<<32
	}
	if n%2 == 1 {
		v := a[n-1] + b[n-1]
		dst[n/2] = v&lowHalf + v>>32
	}
}

// smoothPacked sets dst to the n sums of a row smoothed by 1 2 1 along it; at
// the ends its last sum stands for what is beyond.
func smoothPacked(dst, row []uint64, n int) {
	words := (n + 1) / 2
	row, dst = row[:words], dst[:words]
	before := row[0] & lowHalf
	next := row[1:]
	for i, after := range next {
		v := row[i]
		dst[i] = 2*v + bits.RotateLeft64(v, 32) + before + after<<32
		before = v >> 32
	}
	v := row[words-1]
	if n%2 == 1 {
		dst[words-1] = (3*v + before) & lowHalf
	} else {
		dst[words-1] = 2*v + bits.RotateLeft64(v, 32) + before + v>>32<<32
	}
}

// acrossPacked sets dst to a + 2 b + c.
func acrossPacked(dst, a, b, c []uint64) {
	a, b, c = a[:len(dst)], b[:len(dst)], c[:len(dst)]
	for i := range dst {
		dst[i] = a[i] + 2*b[i] + c[i]
	}
}

// above appends to dst the numbers of the runs of a row of which a sum is above
// the run's limit, given with topBits set.
func above(dst []int, row, limit []uint64) []int {
	for s, l := range limit {
		v := row[s*runWords:][:runWords]
		if (l-v[0])&(l-v[1])&(l-v[2])&(l-v[3])&topBits != topBits {
			dst = append(dst, s)
		}
	}
	return dst
}
