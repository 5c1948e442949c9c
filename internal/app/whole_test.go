package app

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"holdfast/internal/fits"
)

// TestWhole: a frame is whole once its last pixel is written, not before.
func TestWhole(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "a.fits")
	writeFrame(t, name, 64, 48, make([]uint16, 64*48), nil)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := Whole(name); err != nil {
		t.Errorf("a whole frame: %v", err)
	}
	pixels := 2880 + 2*64*48 // one block of header
	for _, n := range []int{0, 100, 2880, pixels - 1} {
		if err := os.WriteFile(name, b[:n], 0o600); err != nil {
			t.Fatal(err)
		}
		err := Whole(name)
		if err == nil {
			t.Errorf("%d of %d bytes are taken for the whole frame", n, len(b))
		}
		if n >= 2880 && !errors.Is(err, fits.ErrShort) {
			t.Errorf("%d bytes: %v, want %v", n, err, fits.ErrShort)
		}
	}
	if Whole(filepath.Join(dir, "none.fits")) == nil {
		t.Error("a file that is not there is whole")
	}
}
