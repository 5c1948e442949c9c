package web

import (
	"path/filepath"
	"testing"
)

// TestViews: views are of files of the desk alone, and of what is in them.
func TestViews(t *testing.T) {
	frames := of(t, sharp, "subs")
	base := served(t, func(c *Config) { c.Folders = []string{filepath.Dir(frames[0])} })
	const file = "file=subs/sub-0001.fits"
	for _, tt := range []struct {
		path string
		want int
	}{
		{"/api/preview?side=600&" + file, 200},
		{"/api/preview?side=99999999&" + file, 200}, // brought within
		{"/api/preview?side=-1&" + file, 422},
		{"/api/preview?" + file, 422},
		{"/api/preview?side=600&file=subs/../../truth.json", 404},
		{"/api/preview?side=600&file=/etc/passwd", 404},
		{"/api/preview?side=600&file=subs/none.fits", 422},
		{"/api/preview?side=600&file=subs", 422},
		{"/api/tile?x=0&y=0&" + file, 200},
		{"/api/tile?x=1200&y=0&" + file, 422},
		{"/api/tile?x=9999999999999999999&y=0&" + file, 422},
		{"/api/tile?x=0&y=NaN&" + file, 422},
		{"/api/shapes?" + file, 200},
		{"/api/shapes?file=subs", 422},
	} {
		if got, text := hostile(t, "GET", base+tt.path, nil); got != tt.want {
			t.Errorf("%s: got %d, want %d: %.200s", tt.path, got, tt.want, text)
		}
	}
}
