package catalog

import (
	_ "embed"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"holdfast/internal/unit"
)

// listed holds one object a line: keys between bars, kind, right ascension and
// declination in degrees, magnitude and size in arcminutes if known, and its
// common names between bars.
//
//go:embed names.tsv
var listed string

// Kind is what an object is.
type Kind uint8

// The kinds of object. The zero Kind is not known.
const (
	UnknownKind Kind = iota
	Place            // a place given by its coordinates
	SingleStar
	OpenCluster
	GlobularCluster
	Nebula // bright: emission, reflection or both
	DarkNebula
	PlanetaryNebula
	SupernovaRemnant
	Galaxy
	GalaxyCluster
	Asterism // a group or cloud of stars
)

var kindNames = [...]string{"unknown", "place", "star", "open cluster", "globular cluster", "nebula", "dark nebula",
	"planetary nebula", "supernova remnant", "galaxy", "galaxy cluster", "asterism"}

// String returns the kind in words, such as "open cluster".
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "Kind(" + strconv.Itoa(int(k)) + ")"
}

// kindSigns are the kinds as the list has them.
var kindSigns = map[string]Kind{
	"p": Place, "s": SingleStar, "oc": OpenCluster, "gc": GlobularCluster, "n": Nebula, "dn": DarkNebula, "pn": PlanetaryNebula,
	"snr": SupernovaRemnant, "g": Galaxy, "gg": GalaxyCluster, "a": Asterism,
}

// Object is a named object or a place.
type Object struct {
	Name    string   // the name it is best known by in the lists: M 31, NGC 7000, Vega
	Aliases []string // its other names
	Kind    Kind
	RA, Dec unit.Deg    // ICRS, epoch J2000.0
	V       unit.Mag    // total V magnitude, for many galaxies B; NaN if not known
	Size    unit.Arcmin // the longest diameter; NaN if not known or a star
}

// NameError says why a name leads to no object.
type NameError struct {
	Name string   // as it was given
	Near []string // the objects it may mean, or the names nearest to it
	Many bool     // the name means several objects far apart
}

// Error says what was asked for and what may have been meant.
func (e *NameError) Error() string {
	switch {
	case e.Many:
		return fmt.Sprintf("catalog: %q means several objects; say which: %s", e.Name, strings.Join(e.Near, ", "))
	case len(e.Near) > 0:
		return fmt.Sprintf("catalog: no object is called %q; the nearest names are %s", e.Name, strings.Join(e.Near, ", "))
	}
	return fmt.Sprintf("catalog: no object is called %q; known are M, NGC and IC numbers, common names such as Veil Nebula, and stars such as Vega, alpha Lyr, 61 Cyg, HIP 91262", e.Name)
}

// longest is the length of the longest key that Find looks for.
const longest = 60

// Find returns the object of that name: a number in a list (M, NGC, IC,
// Sh2, LBN, LDN, B, vdB, RCW, Cr, HIP), a common name in English, or a star's
// name, Greek letter, number or variable-star letters with its constellation.
// Case, spaces and punctuation do not matter, and "nebula", "galaxy" or
// "cluster" may be left out. A name that several objects share means the
// largest of them, or the brightest star, if all lie within a degree of one
// another. The error is a
// *NameError.
//
// The positions of deep-sky objects are those of the list: good to an
// arcminute for the Messier objects; about one NGC or IC galaxy in fifty is
// some arcminutes off, being a neighbour of nearly the same number.
func Find(name string) (Object, error) {
	key := Key(name)
	if key == "" || len(key) > longest {
		return Object{}, &NameError{Name: name}
	}
	found := linesWith("|" + key + "|")
	if len(found) == 0 {
		for _, kind := range []string{"nebula", "galaxy", "cluster", "starcluster", "globularcluster", "starcloud"} {
			found = append(found, linesWith("|"+key+kind+"|")...)
		}
	}
	if len(found) == 0 && len(key) >= 4 && (key[len(key)-1] < '0' || key[len(key)-1] > '9') {
		found = linesWith("|" + key)
	}
	if len(found) == 0 {
		return Object{}, &NameError{Name: name, Near: nearest(key)}
	}
	slices.Sort(found)
	found = slices.Compact(found)
	objects := make([]Object, len(found))
	for i, line := range found {
		objects[i] = parse(line)
	}
	best := objects[0]
	for _, o := range objects[1:] {
		if o.Size > best.Size || math.IsNaN(float64(best.Size)) && (o.Size > 0 || o.V < best.V) {
			best = o
		}
	}
	for _, o := range objects {
		if math.Hypot(float64(o.Dec-best.Dec), math.Remainder(float64(o.RA-best.RA), 360)*math.Cos(float64(o.Dec.Rad()))) > 1 {
			e := &NameError{Name: name, Many: true}
			for _, o := range objects[:min(len(objects), 8)] {
				e.Near = append(e.Near, o.Name)
			}
			return Object{}, e
		}
	}
	return best, nil
}

// linesWith returns the lines of the list whose keys hold part.
func linesWith(part string) []string {
	var out []string
	for rest := listed; ; {
		i := strings.Index(rest, part)
		if i < 0 {
			return out
		}
		begin := strings.LastIndexByte(rest[:i], '\n') + 1
		end := len(rest)
		if n := strings.IndexByte(rest[i:], '\n'); n >= 0 {
			end = i + n
		}
		// The common names stand between bars too, after the first tab.
		if keys, _, _ := strings.Cut(rest[begin:end], "\t"); begin+len(keys) > i {
			out = append(out, rest[begin:end])
		}
		rest = rest[end:]
	}
}

// parse returns the object of a line of the list.
func parse(line string) Object {
	f := strings.Split(line, "\t")
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return math.NaN()
		}
		return v
	}
	o := Object{
		Kind: kindSigns[f[1]],
		RA:   unit.Deg(number(f[2])),
		Dec:  unit.Deg(number(f[3])),
		V:    unit.Mag(number(f[4])),
		Size: unit.Arcmin(number(f[5])),
	}
	common := strings.Split(strings.Trim(f[6], "|"), "|")
	if common[0] == "" {
		common = nil
	}
	var names []string
	for _, key := range strings.Split(strings.Trim(f[0], "|"), "|") {
		if !slices.ContainsFunc(common, func(c string) bool { return Key(c) == key }) {
			names = append(names, display(key))
		}
	}
	if o.Kind == SingleStar {
		names = append(common, names...)
	} else {
		names = append(names, common...)
	}
	o.Name, o.Aliases = names[0], names[1:]
	return o
}

// signs are how the lists are written.
var signs = []struct{ key, text string }{
	{"ngc", "NGC "}, {"ic", "IC "}, {"sh2", "Sh2-"}, {"lbn", "LBN "}, {"ldn", "LDN "}, {"vdbh", "vdBH "}, {"vdb", "vdB "}, {"rcw", "RCW "},
	{"cr", "Cr "}, {"mel", "Mel "}, {"hip", "HIP "}, {"ugc", "UGC "}, {"pgc", "PGC "}, {"aco", "ACO "}, {"eso", "ESO "}, {"ced", "Ced "},
	{"vv", "VV "}, {"m", "M "}, {"b", "B "}, {"c", "C "},
}

// display returns a key as it is written.
func display(key string) string {
	for _, s := range signs {
		if rest, ok := strings.CutPrefix(key, s.key); ok && rest != "" && rest[0] >= '0' && rest[0] <= '9' {
			return s.text + rest
		}
	}
	if len(key) > 3 {
		for _, c := range constellations {
			if rest, ok := strings.CutSuffix(key, strings.ToLower(c.sign)); ok {
				for _, g := range greek {
					if index, ok := strings.CutPrefix(rest, g.name); ok && (index == "" || index[0] <= '9') {
						return g.letter + index + " " + c.sign
					}
				}
				return strings.ToUpper(rest) + " " + c.sign
			}
		}
	}
	return key
}

// nearest returns up to three names whose keys differ least from key.
func nearest(key string) []string {
	type candidate struct {
		name string
		dist int
	}
	const most = 3
	limit := min(3, 1+len(key)/4)
	var best []candidate
	for line := range strings.Lines(listed) {
		keys, _, _ := strings.Cut(line, "\t")
		for k := range strings.SplitSeq(strings.Trim(keys, "|"), "|") {
			d := distance(key, k, limit)
			if d > limit {
				continue
			}
			name := ""
			for _, c := range strings.Split(strings.TrimSpace(line[strings.LastIndexByte(line, '\t')+1:]), "|") {
				if c != "" && Key(c) == k {
					name = c
				}
			}
			if name == "" {
				name = display(k)
			}
			if !slices.ContainsFunc(best, func(c candidate) bool { return c.name == name }) {
				best = append(best, candidate{name, d})
			}
		}
	}
	slices.SortStableFunc(best, func(a, b candidate) int { return a.dist - b.dist })
	var out []string
	for _, c := range best[:min(most, len(best))] {
		out = append(out, c.name)
	}
	return out
}

// distance returns the number of letters to change, add or drop to get from a
// to b, or limit+1 if it is more than limit.
func distance(a, b string, limit int) int {
	if len(a)-len(b) > limit || len(b)-len(a) > limit {
		return limit + 1
	}
	var space [64]int
	row := append(space[:0], make([]int, len(b)+1)...)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		least := row[0]
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
			least = min(least, row[j+1])
		}
		if least > limit {
			return limit + 1
		}
	}
	return row[len(b)]
}

// Showpieces returns the 110 Messier objects in the order of their numbers.
func Showpieces() []Object {
	out := make([]Object, 0, 110)
	for n := 1; n <= 110; n++ {
		for _, line := range linesWith("|m" + strconv.Itoa(n) + "|") {
			out = append(out, parse(line))
		}
	}
	return out
}
