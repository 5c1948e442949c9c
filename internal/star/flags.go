package star

import "strings"

// Flags say what is wrong or special with a star or a frame.
type Flags uint32

// The flags of a star.
const (
	Saturated  Flags = 1 << iota // a pixel of the star is as full as a pixel can be
	Edge                         // the frame cuts the star's pixels off
	Blended                      // another star's light reaches into the star's pixels
	Clipped                      // a pixel of the star is at zero
	Trailed                      // more than a third longer than wide; of a frame: its stars are, and in one direction
	Extended                     // much wider than the frame's stars: a galaxy, a knot of cloud
	Defocused                    // flat or with a hole; of a frame: its stars are
	Unfitted                     // no profile fits: the widths are those of the moments
	SharedTail                   // the exponent of the profile is the frame's, not the star's own
	EightBit                     // of a frame: no pixel holds more than 256 values
	ClippedSky                   // of a frame: part of the sky lies at zero
	Mosaic                       // of a frame: only the green pixels of a colour mosaic were used
	FewStars                     // of a frame: the summary stands on less than five stars
	HotPixels                    // of a frame: more hot pixels and cosmic rays than stars
)

// Of the flags, these say that a star's widths and place tell nothing of the
// frame's.
const unfit = Saturated | Edge | Blended | Clipped | Extended | Unfitted

var flagNames = [...]string{"saturated", "edge", "blended", "clipped", "trailed", "extended", "defocused", "unfitted", "shared_tail", "eight_bit", "clipped_sky", "mosaic", "few_stars", "hot_pixels"}

// Names returns the names of the flags that are set, in their order; nil if
// none is.
func (f Flags) Names() []string {
	var names []string
	for i, name := range flagNames {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// String returns the names with blanks between.
func (f Flags) String() string { return strings.Join(f.Names(), " ") }

// MarshalText returns String.
func (f Flags) MarshalText() ([]byte, error) { return []byte(f.String()), nil }
