package fitting

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/frame"
	"holdfast/internal/unit"
)

// Bright is the one bright thing on a frame: a star, a donut, the Moon.
type Bright struct {
	X, Y unit.Px // of its light's centre; (0,0) is the centre of the first pixel
	Size unit.Px // of a round patch of its area
	Cut  bool    // it reaches over the frame's edge, so its centre is not well known
}

// dominant is how many times the light of the next patch the target's has to
// be, to be taken for the same thing on two frames.
const dominant = 3

// FindBright returns the patch of light that outshines everything else on the
// frame, looked for on a coarse picture of it so that its size does not matter.
// The error says that there is none, or more than one.
//
// The patch is what stands above a fifth of the brightest spot, and above the
// noise; its light is summed where it stands.
func FindBright(f *frame.Frame) (Bright, error) {
	n := max(1, min(f.Width, f.Height)/200)
	g, err := f.Binned(n)
	if err != nil {
		return Bright{}, err
	}
	p := make([]float32, g.Width*g.Height)
	if err := g.Rows(0, g.Height, p); err != nil {
		return Bright{}, err
	}
	good := make([]float32, 0, len(p))
	for _, v := range p {
		if v == v {
			good = append(good, v)
		}
	}
	if len(good) < 100 {
		return Bright{}, errors.New("fitting: the frame has too few pixels to look for a target")
	}
	slices.Sort(good)
	sky := good[len(good)/2]
	// The lower half of the values is free of light.
	noise := float64(sky-good[len(good)*16/100]) + 1e-6*math.Abs(float64(sky))
	top := float64(good[len(good)-1] - sky)
	least := max(0.2*top, 8*noise)
	if !(top > least) {
		return Bright{}, fmt.Errorf("fitting: nothing on the frame outshines the rest: the brightest spot stands %.1f times the noise above the sky, want 8", top/noise)
	}
	patches := patchesOf(p, g.Width, float64(sky), least)
	slices.SortFunc(patches, func(a, b lit) int {
		if a.flux > b.flux {
			return -1
		}
		return 1
	})
	if len(patches) > 1 && patches[0].flux < dominant*patches[1].flux {
		return Bright{}, fmt.Errorf("fitting: the frame shows %d bright things, none of them %d times as bright as the next: which one is meant cannot be told", len(patches), dominant)
	}
	b := patches[0]
	shift := float64(n-1) / 2
	return Bright{X: unit.Px(b.x*float64(n) + shift), Y: unit.Px(b.y*float64(n) + shift), Size: unit.Px(float64(n) * math.Sqrt(4/math.Pi*float64(b.pixels))), Cut: b.cut}, nil
}

// lit is a connected patch of a coarse picture.
type lit struct {
	x, y, flux float64
	pixels     int
	cut        bool
}

// patchesOf returns the patches of a picture of rows of width pixels that stand
// at least so much above the sky.
func patchesOf(p []float32, width int, sky, least float64) []lit {
	seen := make([]bool, len(p))
	above := func(i int) bool { return float64(p[i])-sky >= least }
	var out []lit
	var todo []int
	for start := range p {
		if seen[start] || !above(start) {
			continue
		}
		var b lit
		seen[start] = true
		todo = append(todo[:0], start)
		for len(todo) > 0 {
			i := todo[len(todo)-1]
			todo = todo[:len(todo)-1]
			x, y := i%width, i/width
			v := float64(p[i]) - sky
			b.flux += v
			b.x += v * float64(x)
			b.y += v * float64(y)
			b.pixels++
			b.cut = b.cut || x == 0 || x == width-1 || y == 0 || i+width >= len(p)
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					j := i + dy*width + dx
					if x+dx < 0 || x+dx >= width || j < 0 || j >= len(p) || seen[j] || !above(j) {
						continue
					}
					seen[j] = true
					todo = append(todo, j)
				}
			}
		}
		b.x /= b.flux
		b.y /= b.flux
		out = append(out, b)
	}
	return out
}
