package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"holdfast/internal/catalog"
	"holdfast/internal/unit"
)

// entry is a line of the list of names.
type entry struct {
	ids    []string // numbers in lists and letters with a constellation, the best first
	common []string // common names
	kind   string
	ra     unit.Deg
	dec    unit.Deg
	mag    float64     // NaN if not known
	size   unit.Arcmin // NaN if not known
}

// kinds are the kinds of the deep-sky lists as names.tsv has them.
var kinds = map[string]string{
	"gg": "gg", "g": "g", "s": "g", "s0": "g", "sd": "g", "i": "g", "e": "g",
	"oc": "oc", "gc": "gc", "dn": "dn", "bn": "n", "sfr": "n", "rn": "n", "en": "n", "pn": "pn", "snr": "snr", "pos": "a",
}

// wholeLists are taken in full; of the other lists only what has a common name.
var wholeLists = []string{"M", "C", "NGC", "IC", "Sh2", "LBN", "LDN", "B", "VdB", "RCW", "Cr", "Mel"}

// wrong are entries whose place cannot be right: it lies far from where the
// order of the numbers by right ascension puts them, and no historical error
// explains it.
var wrong = []string{"NGC 2079", "IC 2888"}

// more are names in common use that the lists lack, from memory.
var more = map[string][]string{
	"Sh2 103":   {"Veil Nebula"},
	"NGC 6960":  {"West Veil Nebula"},
	"NGC 6992":  {"Eastern Veil Nebula"},
	"NGC 869":   {"Double Cluster"},
	"NGC 884":   {"Double Cluster"},
	"NGC 104":   {"47 Tucanae"},
	"NGC 5139":  {"Omega Centauri"},
	"NGC 3372":  {"Carina Nebula", "Eta Carinae Nebula"},
	"NGC 1976":  {"Great Orion Nebula"},
	"NGC 598":   {"Triangulum Galaxy"},
	"NGC 6205":  {"Great Hercules Cluster", "Hercules Globular Cluster"},
	"NGC 2632":  {"Beehive Cluster"},
	"NGC 6618":  {"Swan Nebula"},
	"NGC 6611":  {"Eagle Nebula"},
	"NGC 2264":  {"Christmas Tree Cluster"},
	"NGC 1909":  {"Witch Head Nebula"},
	"NGC 2244":  {"Rosette Nebula"},
	"IC 1848":   {"Soul Nebula"},
	"IC 2177":   {"Seagull Nebula"},
	"Sh2 101":   {"Tulip Nebula"},
	"Cr 399":    {"Brocchi's Cluster"},
	"M 45":      {"Seven Sisters"},
	"NGC 292":   {"SMC"},
	"PGC 17223": {"LMC"},
	"NGC 253":   {"Silver Coin Galaxy"},
}

// alike are other numbers of an object, from memory.
var alike = map[string][]string{
	"NGC 6992": {"NGC 6995"},
	"NGC 1909": {"IC 2118"},
	"NGC 2244": {"NGC 2237"},
	"IC 1848":  {"Sh2 199"},
	"IC 1805":  {"Sh2 190"},
	"Cr 39":    {"Mel 20"},
	"M 45":     {"Mel 22"},
	"M 40":     {"Winnecke 4"},
}

// sizes are diameters the lists have wrong, from memory.
var sizes = map[string]unit.Arcmin{"IC 1396": 170, "NGC 2244": 80}

// names returns the list of names: deep-sky objects, then stars.
func names(in map[string][]byte, stars []hip) ([]byte, error) {
	deep, err := deepSky(in)
	if err != nil {
		return nil, err
	}
	named, err := namedStars(in[starNamesFile], stars)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	for _, e := range append(deep, named...) {
		var keys []string
		for _, n := range slices.Concat(e.ids, e.common) {
			if k := catalog.Key(n); k != "" && !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
		}
		number := func(v float64, digits int) string {
			if math.IsNaN(v) {
				return ""
			}
			return strconv.FormatFloat(v, 'f', digits, 64)
		}
		fmt.Fprintf(&b, "|%s|\t%s\t%.4f\t%.4f\t%s\t%s\t%s\n", strings.Join(keys, "|"), e.kind, e.ra, e.dec,
			number(e.mag, 1), number(float64(e.size), 1), strings.Join(e.common, "|"))
	}
	return b.Bytes(), nil
}

// deepSky returns the deep-sky objects, the Messier objects first.
func deepSky(in map[string][]byte) ([]entry, error) {
	list, err := features(in[deepSkyFile])
	if err != nil {
		return nil, fmt.Errorf("packer: %s: %w", deepSkyFile, err)
	}
	messier, err := features(in[messierFile])
	if err != nil {
		return nil, fmt.Errorf("packer: %s: %w", messierFile, err)
	}
	var english map[string]struct{ Name string }
	if err := json.Unmarshal(in[deepNamesFile], &english); err != nil {
		return nil, fmt.Errorf("packer: %s: %w", deepNamesFile, err)
	}

	var first, rest []entry
	byID := map[string]*entry{}
	for _, f := range messier { // M1, with the NGC or IC number as its designation
		id := "M " + strings.TrimPrefix(strings.Trim(string(f.ID), `"`), "M")
		e := entry{ids: []string{id}, kind: kinds[f.text("type")], ra: f.ra(), dec: f.dec(), mag: magnitude(f), size: size(f)}
		if n, _, _ := strings.Cut(f.text("desig"), "/"); strings.HasPrefix(n, "NGC ") || strings.HasPrefix(n, "IC ") {
			e.ids = append(e.ids, n)
		}
		if alt := f.text("alt"); alt != "" {
			e.common = append(e.common, plain(alt))
		}
		if e.kind == "" {
			return nil, fmt.Errorf("packer: %s: %s is of the kind %q", messierFile, id, f.text("type"))
		}
		first = append(first, e)
	}
	for i := range first {
		for _, id := range first[i].ids {
			byID[id] = &first[i]
		}
	}
	for _, f := range list {
		id := strings.Trim(string(f.ID), `"`)
		kind, ok := kinds[f.text("type")]
		if !ok {
			return nil, fmt.Errorf("packer: %s: %s is of the kind %q", deepSkyFile, id, f.text("type"))
		}
		e := entry{ids: []string{id}, kind: kind, ra: f.ra(), dec: f.dec(), mag: magnitude(f), size: size(f)}
		if kind == "dn" {
			e.mag = math.NaN() // the lists give a class of opacity there
		}
		if m := byID[id]; m != nil {
			// The place of the long list is finer, unless it is another's.
			at := func(e entry) catalog.Star { return catalog.Star{RA: e.ra, Dec: e.dec} }
			if separation(at(e), at(*m)) < unit.Arcmin(4).Arcsec() {
				m.ra, m.dec = e.ra, e.dec
			}
			continue
		}
		prefix, _, _ := strings.Cut(id, " ")
		if slices.Contains(wrong, id) || english[id].Name == "" && more[id] == nil && !slices.Contains(wholeLists, prefix) {
			continue
		}
		rest = append(rest, e)
	}
	for i := range rest {
		byID[rest[i].ids[0]] = &rest[i]
	}
	for _, id := range sorted(english) {
		if e := byID[id]; e != nil && english[id].Name != "" && !slices.Contains(e.common, plain(english[id].Name)) {
			e.common = append(e.common, plain(english[id].Name))
		}
	}
	for _, id := range sorted(more) {
		e := byID[id]
		if e == nil {
			return nil, fmt.Errorf("packer: no object %s to name %v", id, more[id])
		}
		for _, n := range more[id] {
			if !slices.Contains(e.common, n) {
				e.common = append(e.common, n)
			}
		}
	}
	for _, id := range sorted(alike) {
		if e := byID[id]; e != nil {
			e.ids = append(e.ids, alike[id]...)
		}
	}
	for _, id := range sorted(sizes) {
		byID[id].size = sizes[id]
	}
	slices.SortStableFunc(rest, func(a, b entry) int { return strings.Compare(order(a.ids[0]), order(b.ids[0])) })
	return append(first, rest...), nil
}

// order returns a text that sorts ids by list and number.
func order(id string) string {
	prefix, number, _ := strings.Cut(id, " ")
	return fmt.Sprintf("%-8s%12s", prefix, number)
}

// sorted returns the keys of m in order.
func sorted[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// plain returns a name without odd quotes, spaces and separators.
func plain(s string) string {
	s = strings.NewReplacer("´", "'", "’", "'", "\u2009", " ", "|", " ", "\t", " ", "\n", " ").Replace(s)
	return strings.Join(strings.Fields(s), " ")
}

// magnitude returns an entry's magnitude; the lists write 999 for none.
func magnitude(f feature) float64 {
	if m := f.number("mag"); m < 30 {
		return m
	}
	return math.NaN()
}

// size returns the greater number of an entry's dimensions, such as 190x60.
func size(f feature) unit.Arcmin {
	out := math.NaN()
	for _, s := range strings.Split(f.text("dim"), "x") {
		if v, err := strconv.ParseFloat(strings.TrimSpace(s), 64); err == nil && v > 0 && !(v <= out) {
			out = v
		}
	}
	return unit.Arcmin(out)
}

// namedStars returns the stars that have a name, a Greek letter, a number in
// their constellation or variable-star letters. Of a proper name that the list
// gives to several stars of one constellation the brightest keeps it if it
// outshines the others by 1.1 mag; else nobody can say which is meant, and it is
// left out.
func namedStars(file []byte, stars []hip) ([]entry, error) {
	var list map[string]struct{ Name, Bayer, Flam, Var, C string }
	if err := json.Unmarshal(file, &list); err != nil {
		return nil, fmt.Errorf("packer: %s: %w", starNamesFile, err)
	}
	sort := slices.Clone(stars)
	slices.SortFunc(sort, func(a, b hip) int { return a.number - b.number })
	const clearly = 1.1
	bearers := map[string][]hip{}
	for _, s := range sort {
		if n := list[strconv.Itoa(s.number)]; n.Name != "" {
			bearers[plain(n.Name)+" "+n.C] = append(bearers[plain(n.Name)+" "+n.C], s)
		}
	}
	bears := func(s hip, name string) bool {
		return !slices.ContainsFunc(bearers[name], func(o hip) bool { return o.number != s.number && float64(o.v-s.v) < clearly })
	}
	var out []entry
	for _, s := range sort {
		n, ok := list[strconv.Itoa(s.number)]
		if !ok {
			continue
		}
		e := entry{kind: "s", ra: s.RA, dec: s.Dec, mag: float64(s.v), size: unit.Arcmin(math.NaN())}
		if n.Name != "" && bears(s, plain(n.Name)+" "+n.C) {
			e.common = []string{plain(n.Name)}
		}
		if n.C != "" {
			// Latin letters are left out: a key does not tell a from A.
			if n.Bayer != "" && !(n.Bayer[0] < 0x80) {
				e.ids = append(e.ids, n.Bayer+" "+n.C)
			}
			if n.Flam != "" {
				e.ids = append(e.ids, n.Flam+" "+n.C)
			}
			if n.Var != "" {
				v := n.Var
				if len(v) > 2 && v[0] == 'V' {
					v = "V" + strings.TrimLeft(v[1:], "0")
				}
				e.ids = append(e.ids, v+" "+n.C)
			}
		}
		e.ids = append(e.ids, fmt.Sprintf("HIP %d", s.number))
		out = append(out, e)
	}
	return out, nil
}
