package photo

import (
	"math"
	"strings"
	"time"

	"holdfast/internal/unit"
)

// readFacts reads what the first directory, and that of the picture, say of the
// exposure, either in their EXIF directory or, as TIFF/EP has it, in
// themselves.
func (m *Image) readFacts(dirs ...*directory) error {
	var first error
	for _, d := range dirs {
		if err := m.Facts.read(d, m); err != nil && first == nil {
			first = err
		}
		at, err := d.whole(tagExif, 0)
		if err == nil && at > 0 {
			var e *directory
			if e, _, err = d.file.openDirectory(at); err == nil {
				err = m.Facts.read(e, m)
			}
		}
		if err != nil && first == nil {
			first = err
		}
	}
	return first
}

// read takes from a directory what is not known yet. Nothing is believed that
// no camera does.
func (f *Facts) read(d *directory, m *Image) error {
	var first error
	number := func(tag uint16, lo, hi float64) float64 {
		v, err := d.floats(tag, 1)
		if err != nil && first == nil {
			first = err
		}
		if len(v) == 1 && v[0] >= lo && v[0] <= hi {
			return v[0]
		}
		return 0
	}
	if f.Exposure == 0 {
		f.Exposure = unit.Second(number(tagExposure, 1e-6, 1e6))
	}
	if f.FNumber == 0 {
		f.FNumber = number(tagFNumber, 0.3, 100)
	}
	if f.Focal == 0 {
		f.Focal = unit.MM(number(tagFocal, 1, 1e5))
	}
	if f.ISO == 0 {
		if f.ISO = number(tagISO, 1, 1e9); f.ISO == math.MaxUint16 { // more than its 16 bits hold
			f.ISO = number(tagISOSpeed, 1, 1e9)
		}
	}
	if f.Taken.IsZero() {
		f.Taken, f.Zone = moment(d.text(tagTaken), d.text(tagTakenFraction), d.text(tagTakenZone))
	}
	if f.Pixel == 0 {
		f.Pixel = pitch(number(tagPlaneResolution, 1e-3, 1e9), number(tagPlaneUnit, 1, 5))
		// The resolution is that of the picture the camera made; of another
		// size it is not believed.
		if w := number(tagPixelsX, 1, 1e9); m.Kind != DNG && int(w) != m.Width {
			f.Pixel = 0
		}
	}
	return first
}

// pitch returns the pitch of pixels of which there are so many in a unit of
// length: 2 (or none) inch, 3 cm, 4 mm, 5 um (CIPA DC-008, table 8). 0 outside
// of what sensors have.
func pitch(resolution, unitCode float64) unit.Micron {
	per, ok := map[float64]float64{0: 25400, 2: 25400, 3: 10000, 4: 1000, 5: 1}[unitCode]
	if p := per / resolution; ok && p > 0.5 && p < 50 {
		return unit.Micron(p)
	}
	return 0
}

// moment reads "YYYY:MM:DD HH:MM:SS", the digits behind the seconds and the
// offset from UTC, "+01:00". The zero time if there is none.
func moment(text, fraction, zone string) (time.Time, bool) {
	t, err := time.Parse("2006:01:02 15:04:05", text)
	if err != nil || t.Year() < 1900 {
		return time.Time{}, false
	}
	if f, err := time.Parse("15:04:05.999999999", "00:00:00."+strings.TrimSpace(fraction)); err == nil {
		t = t.Add(time.Duration(f.Nanosecond()))
	}
	if z, err := time.Parse("-07:00", zone); err == nil {
		_, offset := z.Zone()
		return t.Add(-time.Duration(offset) * time.Second), true
	}
	if zone == "Z" {
		return t, true
	}
	return t, false
}
