package app

import (
	"fmt"
	"os"

	"holdfast/internal/fits"
	"holdfast/internal/photo"
)

// Whole returns nil if a picture is on the disk to its last pixel, and otherwise
// what is missing: it is cut, or still being written. Of a photo no more is known
// than that its layout can be read.
func Whole(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return fmt.Errorf("app: %s: %s", name, cause(err))
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("app: %s: %s", name, cause(err))
	}
	head := make([]byte, min(info.Size(), photo.SniffLen))
	n, _ := f.ReadAt(head, 0) // a file that can not be read is told by fits.Open
	if photo.Sniff(head[:n]) != photo.None {
		_, err := photo.Open(name, f, info.Size())
		return err
	}
	file, err := fits.Open(name, f, info.Size())
	if err != nil {
		return err
	}
	return file.Whole()
}
