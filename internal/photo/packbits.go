package photo

// packBits unpacks src into dst and returns how many bytes there were, no more
// than dst holds.
//
// Source: TIFF 6.0, section 9.
func packBits(dst, src []byte) int {
	n := 0
	for len(src) > 1 && n < len(dst) {
		c := int(int8(src[0]))
		src = src[1:]
		switch {
		case c >= 0: // as they are
			k := min(c+1, len(src))
			n += copy(dst[n:], src[:k])
			src = src[k:]
		case c > -128: // one byte repeated
			end := min(n+1-c, len(dst))
			for ; n < end; n++ {
				dst[n] = src[0]
			}
			src = src[1:]
		}
	}
	return n
}
