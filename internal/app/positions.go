package app

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"
)

// listed reads n numbers separated by commas.
func listed(text string, n int) ([]float64, error) {
	parts := strings.Split(text, ",")
	if len(parts) != n {
		return nil, fmt.Errorf("found %d positions for %d frames", len(parts), n)
	}
	out := make([]float64, n)
	for i, p := range parts {
		v, ok := finite(p)
		if !ok {
			return nil, fmt.Errorf("found %q as position %d: want a number", p, i+1)
		}
		out[i] = v
	}
	return out, nil
}

// finite reads a number.
func finite(text string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	return v, err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// tabled reads the positions of the named frames from a table of two columns: a
// frame's name, as given or its last part, or its number from 1, and its position.
// Commas, semicolons, tabs and blanks separate; lines that are empty or begin
// with # do not count, nor does a first line of titles. Every frame must be in
// it once.
func tabled(r io.Reader, names []string) ([]float64, error) {
	out := make([]float64, len(names))
	line := make([]int, len(names)) // where a frame was found
	scan := bufio.NewScanner(r)
	rows := 0
	for n := 1; scan.Scan(); n++ {
		text := strings.TrimSpace(strings.TrimPrefix(scan.Text(), "\uFEFF"))
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		rows++
		key, value, ok := twoColumns(text)
		v, number := finite(value)
		i, known := frameOf(key, names)
		if rows == 1 && !known && !number {
			continue // titles
		}
		switch {
		case !ok:
			return nil, fmt.Errorf("line %d: found %q: want two columns, a frame and its position", n, text)
		case !number:
			return nil, fmt.Errorf("line %d: found %q as position: want a number", n, value)
		case !known && i < 0:
			return nil, fmt.Errorf("line %d: found %q, which names several of the frames: want the path as given", n, key)
		case !known:
			return nil, fmt.Errorf("line %d: found %q, which is none of the %d frames: want a name, or a number from 1", n, key, len(names))
		case line[i] > 0:
			return nil, fmt.Errorf("line %d: found %s again, after line %d", n, names[i], line[i])
		}
		out[i], line[i] = v, n
	}
	if err := scan.Err(); err != nil {
		return nil, err
	}
	missing, first := 0, ""
	for i, n := range line {
		if n == 0 {
			if missing++; first == "" {
				first = names[i]
			}
		}
	}
	if missing > 0 {
		return nil, fmt.Errorf("found no position for %s (%d of %d frames are missing): want a line for each", first, missing, len(names))
	}
	return out, nil
}

// twoColumns splits a line at its last separator, so that names may hold blanks.
func twoColumns(line string) (key, value string, ok bool) {
	i := strings.LastIndexAny(line, ",;\t ")
	if i < 0 {
		return line, "", false
	}
	key = strings.TrimRight(line[:i], ",;\t ")
	return strings.Trim(key, `"`), strings.Trim(line[i+1:], `"`), key != ""
}

// frameOf returns which frame a key names. If none, the index is 0; if several,
// -1.
func frameOf(key string, names []string) (int, bool) {
	for i, n := range names {
		if n == key {
			return i, true
		}
	}
	found := -1
	for i, n := range names {
		if filepath.Base(n) == key || strings.TrimSuffix(filepath.Base(n), filepath.Ext(n)) == key {
			if found >= 0 {
				return -1, false
			}
			found = i
		}
	}
	if found >= 0 {
		return found, true
	}
	if k, err := strconv.Atoi(key); err == nil && k >= 1 && k <= len(names) {
		return k - 1, true
	}
	return 0, false
}
