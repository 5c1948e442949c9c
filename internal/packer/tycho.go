package main

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"holdfast/internal/catalog"
	"holdfast/internal/unit"
)

const (
	fitsBlock = 2880
	fitsCard  = 80
)

// table is the data of one FITS binary table of a single column.
type table struct {
	rows int
	data []byte
}

// tables returns the single-column binary tables of a FITS file by the name
// of their column. Column formats are not interpreted.
func tables(file []byte) (map[string]table, error) {
	out := map[string]table{}
	for at := 0; at < len(file); {
		begin := at
		card := map[string]string{}
		for done := false; !done; at += fitsBlock {
			if at+fitsBlock > len(file) {
				return nil, fmt.Errorf("packer: the header at byte %d does not end", begin)
			}
			for c := at; c < at+fitsBlock && !done; c += fitsCard {
				key := strings.TrimSpace(string(file[c : c+8]))
				if key == "END" {
					done = true
				}
				if string(file[c+8:c+10]) != "= " {
					continue
				}
				val, _, _ := strings.Cut(string(file[c+10:c+fitsCard]), "/")
				card[key] = strings.Trim(strings.TrimSpace(val), "' ")
			}
		}
		size := 0
		if card["NAXIS"] == "2" {
			width, err1 := strconv.Atoi(card["NAXIS1"])
			rows, err2 := strconv.Atoi(card["NAXIS2"])
			if err1 != nil || err2 != nil || width < 0 || rows < 0 || width > 1<<16 || rows > 1<<28 {
				return nil, fmt.Errorf("packer: the table at byte %d measures %q by %q", begin, card["NAXIS1"], card["NAXIS2"])
			}
			size = width * rows
			if at+size > len(file) {
				return nil, fmt.Errorf("packer: the table at byte %d is cut short", begin)
			}
			out[card["TTYPE1"]] = table{rows, file[at : at+size]}
		}
		at += (size + fitsBlock - 1) / fitsBlock * fitsBlock
	}
	return out, nil
}

// readTycho returns the stars of a Tycho-2 index file: unit vectors as three
// little-endian uint32 (low + v/scale), magnitudes as big-endian float32. The
// order is the file's.
func readTycho(file []byte) ([]catalog.Star, error) {
	tab, err := tables(file)
	if err != nil {
		return nil, err
	}
	span, xyz, mag := tab["kdtree_range_stars"], tab["kdtree_data_stars"], tab["MAG_VT"]
	if len(span.data) != 7*8 || len(xyz.data) != 12*xyz.rows || len(mag.data) != 4*mag.rows || xyz.rows == 0 || xyz.rows != mag.rows {
		return nil, fmt.Errorf("packer: tycho: ranges of %d bytes, %d positions, %d magnitudes; want 56 and two equal numbers", len(span.data), xyz.rows, mag.rows)
	}
	number := func(i int) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(span.data[8*i:])) }
	scale := number(6)
	stars := make([]catalog.Star, xyz.rows)
	for i := range stars {
		var u [3]float64
		for k := range u {
			u[k] = number(k) + float64(binary.LittleEndian.Uint32(xyz.data[12*i+4*k:]))/scale
		}
		ra := math.Atan2(u[1], u[0]) * 180 / math.Pi
		if ra < 0 {
			ra += 360
		}
		if ra >= 360 {
			ra = 0
		}
		stars[i] = catalog.Star{
			RA:  unit.Deg(ra),
			Dec: unit.Deg(math.Atan2(u[2], math.Hypot(u[0], u[1])) * 180 / math.Pi),
			VT:  unit.Mag(math.Float32frombits(binary.BigEndian.Uint32(mag.data[4*i:]))),
			BV:  unit.Mag(math.NaN()),
		}
	}
	return stars, nil
}

// placed returns the stars without those at the vernal equinox to a tenth of an
// arcsecond: the source puts there what has no position. It lists no other star
// within three arcminutes.
func placed(stars []catalog.Star) []catalog.Star {
	const near = 0.1 / 3600
	return slices.DeleteFunc(slices.Clone(stars), func(s catalog.Star) bool {
		return math.Abs(float64(s.Dec)) < near && (s.RA < near || s.RA > 360-near)
	})
}

// limits returns, for each HEALPix cell of the given side in ring order, the
// magnitude of the faintest of its stars where the source kept ten of them,
// and +Inf where it has fewer. It is an error if a cell has more than ten: the
// source would then not have been cut in these cells.
func limits(stars []catalog.Star, side int) ([]unit.Mag, error) {
	out := make([]unit.Mag, 12*side*side)
	count := make([]int, len(out))
	for i := range out {
		out[i] = unit.Mag(math.Inf(-1))
	}
	for _, s := range stars {
		c := catalog.Cell(side, s.RA, s.Dec)
		count[c]++
		out[c] = max(out[c], s.VT)
	}
	const kept = 10
	for i, n := range count {
		if n > kept {
			return nil, fmt.Errorf("packer: cell %d of side %d has %d stars, want at most %d", i, side, n, kept)
		}
		if n < kept {
			out[i] = unit.Mag(math.Inf(1))
		}
	}
	return out, nil
}
