package catalog

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"

	"holdfast/internal/unit"
)

// The layout of a pack, all integers little-endian:
//
//	header        136 bytes
//	zone table    (zones+1) x { first star uint32, first cell uint32 }
//	cell table    cells x uint16, the cell's first star counted from its zone's
//	limit table   12 side^2 bytes, one a HEALPix cell in ring order
//	stars         6 bytes each
//
// The header is: magic, version, zones, cells, stars, stars from Hipparcos,
// side (all uint32), epoch (float64), SHA-256 of the Tycho-2 input, of the
// Hipparcos input and of everything after the header.
const (
	magic      = "holdstar"
	version    = 1
	headerSize = 8 + 6*4 + 8 + 3*sha256.Size
	starSize   = 6
	epoch      = 2000.0

	// Bits of a star record, from the lowest: source 1, colour 6, right
	// ascension in the cell 16, declination in the zone 14, magnitude 11.
	colourShift = 1
	raShift     = 7
	decShift    = 23
	magShift    = 37
	colourBits  = 6
	raBits      = 16
	decBits     = 14
	magBits     = 11

	brightest  = -2.0  // VT of magnitude code 0
	magStep    = 0.01  // mag
	bluest     = -0.45 // B-V of colour code 0, which itself means not known
	colourStep = 0.05  // mag
	limitFirst = 6.97  // VT of limit code 0, which itself means not cut
	limitStep  = 0.03  // mag
)

// Zones is the number of declination zones of the catalogue's pack: 0.25
// degree each.
const Zones = 720

// LimitSide is the HEALPix side of the cells in which the source was cut to
// its ten brightest stars: 292,032 cells of 0.141 square degrees.
const LimitSide = 156

// pack is a view of a star pack. Nothing is decoded until it is asked for.
type pack struct {
	zones, cells, stars, hipparcos, side int

	zone, cell, limit, star string // the four tables
}

func u16(s string, i int) int { return int(s[i]) | int(s[i+1])<<8 }

func u32(s string, i int) int {
	return int(uint32(s[i]) | uint32(s[i+1])<<8 | uint32(s[i+2])<<16 | uint32(s[i+3])<<24)
}

// open returns a view of data after checking its header and length only.
func open(data string) (pack, error) {
	if len(data) < headerSize {
		return pack{}, fmt.Errorf("catalog: star pack: %d bytes, a header alone has %d", len(data), headerSize)
	}
	if data[:8] != magic {
		return pack{}, fmt.Errorf("catalog: star pack: begins with %q, want %q", data[:8], magic)
	}
	if v := u32(data, 8); v != version {
		return pack{}, fmt.Errorf("catalog: star pack: version %d, this program reads version %d", v, version)
	}
	var n [5]uint64
	for i := range n {
		n[i] = uint64(uint32(u32(data, 12+4*i)))
	}
	if n[0] < 1 || n[0] > 1<<16 || n[4] < 1 || n[4] > 1<<13 {
		return pack{}, fmt.Errorf("catalog: star pack: %d zones and side %d, want 1 to 65536 and 1 to 8192", n[0], n[4])
	}
	if e := math.Float64frombits(binary.LittleEndian.Uint64([]byte(data[32:40]))); e != epoch {
		return pack{}, fmt.Errorf("catalog: star pack: epoch %v, want %v", e, epoch)
	}
	zoneEnd := headerSize + 8*(n[0]+1)
	cellEnd := zoneEnd + 2*n[1]
	limitEnd := cellEnd + 12*n[4]*n[4]
	if want := limitEnd + starSize*n[2]; uint64(len(data)) != want {
		return pack{}, fmt.Errorf("catalog: star pack: %d bytes, its header asks for %d", len(data), want)
	}
	return pack{
		zones: int(n[0]), cells: int(n[1]), stars: int(n[2]), hipparcos: int(n[3]), side: int(n[4]),
		zone:  data[headerSize:zoneEnd],
		cell:  data[zoneEnd:cellEnd],
		limit: data[cellEnd:limitEnd],
		star:  data[limitEnd:],
	}, nil
}

func mustOpen(data string) pack {
	p, err := open(data)
	if err != nil {
		panic(err)
	}
	return p
}

// record returns the i-th star's 48 bits.
func (p *pack) record(i int) uint64 {
	s := p.star[starSize*i : starSize*i+starSize]
	return uint64(s[0]) | uint64(s[1])<<8 | uint64(s[2])<<16 | uint64(s[3])<<24 | uint64(s[4])<<32 | uint64(s[5])<<40
}

// zoneAt returns the indices of the zone's first star and first cell; z may be
// the number of zones, for the end of the last.
func (p *pack) zoneAt(z int) (star, cell int) { return u32(p.zone, 8*z), u32(p.zone, 8*z+4) }

// height returns the height of a zone in degrees.
func (p *pack) height() float64 { return 180 / float64(p.zones) }

func magCode(m float64) int { return int(math.Round((m - brightest) / magStep)) }

func field(rec uint64, shift, bits int) int { return int(rec >> shift & (1<<bits - 1)) }

// decode returns the star of a record in cell c of the n cells in zone z.
func (p *pack) decode(rec uint64, z, c, n int) Star {
	s := Star{
		RA:        unit.Deg((float64(c) + (float64(field(rec, raShift, raBits))+0.5)/(1<<raBits)) * 360 / float64(n)),
		Dec:       unit.Deg(-90 + (float64(z)+(float64(field(rec, decShift, decBits))+0.5)/(1<<decBits))*p.height()),
		VT:        unit.Mag(brightest + magStep*float64(field(rec, magShift, magBits))),
		BV:        unit.Mag(math.NaN()),
		Hipparcos: rec&1 != 0,
	}
	if k := field(rec, colourShift, colourBits); k > 0 {
		s.BV = unit.Mag(bluest + colourStep*float64(k))
	}
	return s
}

// cut returns the VT magnitude of the faintest of the ten stars kept in the
// cell of a place, rounded down to the limit table's step, or +Inf where the
// source was not cut.
func (p *pack) cut(ra, dec float64) unit.Mag {
	k := p.limit[healpix(p.side, ra, dec)]
	if k == 0 {
		return unit.Mag(math.Inf(1))
	}
	return unit.Mag(limitFirst + limitStep*float64(k))
}

// Source says what a pack was made from: the SHA-256 of each input.
type Source struct{ Tycho, Hipparcos [sha256.Size]byte }

// Encode returns the pack of the stars: zones of equal height, cells about
// four times as wide on the sky as a zone is high, the stars of a cell from
// bright to faint. limits has 12 side^2 magnitudes, one a HEALPix cell in ring
// order, +Inf where the source was not cut. Equal stars in another order give
// the same bytes. It is an error if a star lies outside the ranges that Star
// and the format state, or if a table outgrows its integers.
func Encode(stars []Star, zones int, limits []unit.Mag, side int, src Source) ([]byte, error) {
	if zones < 1 || zones > 1<<16 || side < 1 || side > 1<<13 || len(limits) != 12*side*side {
		return nil, fmt.Errorf("catalog: encode: %d zones, side %d and %d limits do not fit together", zones, side, len(limits))
	}
	first := make([]int, zones+1) // each zone's first cell
	for z := range zones {
		first[z+1] = first[z] + cellsIn(z, zones)
	}
	type entry struct {
		cell int
		rec  uint64
	}
	entries := make([]entry, len(stars))
	hipparcos := 0
	for i, s := range stars {
		if !(s.RA >= 0 && s.RA < 360 && s.Dec >= -90 && s.Dec <= 90) {
			return nil, fmt.Errorf("catalog: encode: star %d lies at %v %v", i, s.RA, s.Dec)
		}
		m := magCode(float64(s.VT))
		if m < 0 || m >= 1<<magBits {
			return nil, fmt.Errorf("catalog: encode: star %d has VT %v, want %v to %v", i, s.VT, brightest, brightest+magStep*(1<<magBits-1))
		}
		zf := (float64(s.Dec) + 90) / 180 * float64(zones)
		z := min(int(zf), zones-1)
		n := first[z+1] - first[z]
		cf := float64(s.RA) / 360 * float64(n)
		c := min(int(cf), n-1)
		rec := uint64(m)<<magShift |
			uint64(step(zf-float64(z), decBits))<<decShift |
			uint64(step(cf-float64(c), raBits))<<raShift
		if !math.IsNaN(float64(s.BV)) {
			k := math.Round((float64(s.BV) - bluest) / colourStep)
			rec |= uint64(max(1, min(k, 1<<colourBits-1))) << colourShift
		}
		if s.Hipparcos {
			rec |= 1
			hipparcos++
		}
		entries[i] = entry{first[z] + c, rec}
	}
	slices.SortFunc(entries, func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.cell, b.cell), cmp.Compare(a.rec, b.rec))
	})

	cells := first[zones]
	le := binary.LittleEndian
	body := make([]byte, 0, 8*(zones+1)+2*cells+len(limits)+starSize*len(stars))
	starts := make([]int, cells+1) // each cell's first star
	i := 0
	for c := range starts {
		for i < len(entries) && entries[i].cell < c {
			i++
		}
		starts[c] = i
	}
	for _, c := range first {
		body = le.AppendUint32(body, uint32(starts[c]))
		body = le.AppendUint32(body, uint32(c))
	}
	for z := range zones {
		for c := first[z]; c < first[z+1]; c++ {
			off := starts[c] - starts[first[z]]
			if off > math.MaxUint16 {
				return nil, fmt.Errorf("catalog: encode: more than %d stars in zone %d", math.MaxUint16, z)
			}
			body = le.AppendUint16(body, uint16(off))
		}
	}
	for i, m := range limits {
		if math.IsInf(float64(m), 1) {
			body = append(body, 0)
			continue
		}
		k := math.Floor((float64(m)-limitFirst)/limitStep + 1e-6)
		if !(k >= 1 && k <= 255) {
			return nil, fmt.Errorf("catalog: encode: limit %v of cell %d is not in %.2f to %.2f", m, i, limitFirst+limitStep, limitFirst+limitStep*255)
		}
		body = append(body, byte(k))
	}
	for _, e := range entries {
		body = le.AppendUint32(body, uint32(e.rec))
		body = le.AppendUint16(body, uint16(e.rec>>32))
	}

	out := make([]byte, 0, headerSize+len(body))
	out = append(out, magic...)
	for _, n := range []int{version, zones, cells, len(stars), hipparcos, side} {
		out = le.AppendUint32(out, uint32(n))
	}
	out = le.AppendUint64(out, math.Float64bits(epoch))
	out = append(out, src.Tycho[:]...)
	out = append(out, src.Hipparcos[:]...)
	sum := sha256.Sum256(body)
	out = append(out, sum[:]...)
	return append(out, body...), nil
}

// step returns the index of the 2^bits equal steps into which frac falls.
func step(frac float64, bits int) int {
	return max(0, min(int(frac*float64(int(1)<<bits)), 1<<bits-1))
}

// cellsIn returns the number of cells in zone z: as many as keep a cell's
// width within four zone heights at the edge nearest the equator.
func cellsIn(z, zones int) int {
	h := 180 / float64(zones)
	lo, hi := -90+h*float64(z), -90+h*float64(z+1)
	lat := min(math.Abs(lo), math.Abs(hi))
	if lo < 0 && hi > 0 {
		lat = 0
	}
	// The margin keeps a whole number of cells whole (cos 60 degrees).
	return max(1, int(math.Ceil(90/h*math.Cos(lat*math.Pi/180)-1e-9)))
}

// Summary is what a pack holds.
type Summary struct {
	Zones, Cells, Stars int
	Hipparcos           int // stars whose place and magnitude are from Hipparcos
	Cut                 int // HEALPix cells in which the source was cut
	Source              Source
}

// Verify reads a whole pack and returns what it holds. It is an error if any
// byte is not as Encode would have written it: a table out of order, a cell
// not sorted by brightness, a wrong count or a wrong checksum. It never
// panics.
func Verify(data []byte) (Summary, error) {
	p, err := open(string(data))
	if err != nil {
		return Summary{}, err
	}
	sum := Summary{Zones: p.zones, Cells: p.cells, Stars: p.stars, Hipparcos: p.hipparcos}
	copy(sum.Source.Tycho[:], data[40:])
	copy(sum.Source.Hipparcos[:], data[72:])
	star, cell := p.zoneAt(0)
	if star != 0 || cell != 0 {
		return Summary{}, errors.New("catalog: star pack: the first zone does not begin at the first star and cell")
	}
	hipparcos := 0
	for z := range p.zones {
		nextStar, nextCell := p.zoneAt(z + 1)
		if n := cellsIn(z, p.zones); nextCell != cell+n || nextCell > p.cells {
			return Summary{}, fmt.Errorf("catalog: star pack: zone %d has %d cells, want %d", z, nextCell-cell, n)
		}
		if nextStar < star || nextStar > p.stars {
			return Summary{}, fmt.Errorf("catalog: star pack: zone %d ends at star %d, want %d to %d", z, nextStar, star, p.stars)
		}
		for c := cell; c < nextCell; c++ {
			from, to := star+u16(p.cell, 2*c), nextStar
			if c+1 < nextCell {
				to = star + u16(p.cell, 2*c+2)
			}
			if c == cell && from != star || to < from || to > nextStar {
				return Summary{}, fmt.Errorf("catalog: star pack: cell %d holds stars %d to %d of its zone's %d to %d", c, from, to, star, nextStar)
			}
			last := uint64(0)
			for i := from; i < to; i++ {
				rec := p.record(i)
				if rec < last {
					return Summary{}, fmt.Errorf("catalog: star pack: star %d is out of order in cell %d", i, c)
				}
				last = rec
				hipparcos += int(rec & 1)
			}
		}
		star, cell = nextStar, nextCell
	}
	if star != p.stars || cell != p.cells {
		return Summary{}, fmt.Errorf("catalog: star pack: the zones end at star %d and cell %d, want %d and %d", star, cell, p.stars, p.cells)
	}
	if hipparcos != p.hipparcos {
		return Summary{}, fmt.Errorf("catalog: star pack: %d stars from Hipparcos, its header says %d", hipparcos, p.hipparcos)
	}
	for i := range len(p.limit) {
		if p.limit[i] != 0 {
			sum.Cut++
		}
	}
	if got := sha256.Sum256(data[headerSize:]); string(got[:]) != string(data[104:headerSize]) {
		return Summary{}, fmt.Errorf("catalog: star pack: SHA-256 of the tables is %x, its header says %x", got, data[104:headerSize])
	}
	return sum, nil
}
