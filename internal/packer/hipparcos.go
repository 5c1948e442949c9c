package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"holdfast/internal/catalog"
	"holdfast/internal/unit"
)

// feature is one entry of a GeoJSON collection.
type feature struct {
	ID         json.RawMessage
	Properties map[string]json.RawMessage
	Geometry   struct{ Coordinates [2]float64 }
}

// features returns the entries of a GeoJSON collection of points.
func features(file []byte) ([]feature, error) {
	var doc struct{ Features []feature }
	if err := json.Unmarshal(file, &doc); err != nil {
		return nil, err
	}
	return doc.Features, nil
}

// text returns a property written as a string or as a number, or "".
func (f feature) text(key string) string {
	raw := f.Properties[key]
	var s string
	if json.Unmarshal(raw, &s) == nil {
		return s
	}
	return string(raw)
}

// number returns a property written as a number or as a string, or NaN.
func (f feature) number(key string) float64 {
	v, err := strconv.ParseFloat(f.text(key), 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

// ra returns the right ascension in [0, 360); the collections have -180 to 180.
func (f feature) ra() unit.Deg {
	ra := math.Mod(f.Geometry.Coordinates[0], 360)
	if ra < 0 {
		ra += 360
	}
	return unit.Deg(ra)
}

func (f feature) dec() unit.Deg { return unit.Deg(f.Geometry.Coordinates[1]) }

// hip is a star of the Hipparcos list.
type hip struct {
	number int
	v      unit.Mag
	catalog.Star
}

// readHipparcos returns the Hipparcos stars of a GeoJSON collection. VT is
// worked out from V and B-V.
func readHipparcos(file []byte) ([]hip, error) {
	list, err := features(file)
	if err != nil {
		return nil, fmt.Errorf("packer: hipparcos: %w", err)
	}
	out := make([]hip, len(list))
	for i, f := range list {
		n, err := strconv.Atoi(string(f.ID))
		if err != nil {
			return nil, fmt.Errorf("packer: hipparcos: entry %d: number %s", i, f.ID)
		}
		s := catalog.Star{RA: f.ra(), Dec: f.dec(), BV: unit.Mag(f.number("bv")), Hipparcos: true}
		v := unit.Mag(f.number("mag"))
		if math.IsNaN(float64(v)) {
			return nil, fmt.Errorf("packer: hipparcos: HIP %d has the magnitude %q", n, f.text("mag"))
		}
		bv := s.BV
		if math.IsNaN(float64(bv)) {
			bv = 0.7 // of the mean star
		}
		s.VT = v + catalog.VTMinusV(bv)
		out[i] = hip{n, v, s}
	}
	return out, nil
}
