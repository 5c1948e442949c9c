package app

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"holdfast/internal/fits"
	"holdfast/internal/fitting"
	"holdfast/internal/rig"
	"holdfast/internal/sky"
	"holdfast/internal/solve"
	"holdfast/internal/star"
	"holdfast/internal/unit"
)

// placed is a frame with where it points, or why that is not known.
type placed struct {
	fitting.SolvedFrame
	header *fits.Header
	spots  solve.Field // of its stars
	begin  sky.Instant
	length unit.Second // of the exposure
	why    string      // it cannot be used; "" if it can
}

// place solves frames and reads when they were taken. What is wrong with one is
// told with it.
func (t Frames) place(ctx context.Context, names []string) ([]placed, error) {
	w := &wanderer{}
	var out []placed
	for i, name := range names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		p, err := t.placeOne(ctx, w, name)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
		if t.Done != nil {
			t.Done(i+1, len(names))
		}
	}
	return out, nil
}

// placeOne solves one frame.
func (t Frames) placeOne(ctx context.Context, w *wanderer, name string) (placed, error) {
	p := placed{}
	p.File, p.FWHM = name, unit.Arcsec(math.NaN())
	m, h, err := t.look(name)
	if err != nil {
		p.why = refused(name, err).Error
		return p, nil
	}
	p.header, p.Width, p.Height = h, unit.Px(m.Width), unit.Px(m.Height)
	p.spots = spotsOf(&m)
	a, err := w.solve(ctx, name, &m, h)
	if err != nil {
		return p, err
	}
	switch {
	case a.Solved:
		p.WCS, p.Matched, p.RMS = w.last.WCS, a.Matched, a.RMS
	case h != nil:
		// A field too small for the catalogue may have been solved by others.
		if own, err := solve.WCSOf(h); err == nil {
			p.WCS = own
		}
	}
	if p.WCS == nil {
		p.why = a.Why
		if a.Error != "" {
			p.why = a.Error
		}
	} else {
		p.FWHM = p.WCS.Scale().Arcsec(m.FWHM)
	}
	begin, length, err := exposed(h)
	if err != nil && p.why == "" {
		p.why = plainly(err)
	}
	p.begin, p.length, p.Time = begin, length, begin.Add(length/2)
	return p, nil
}

// spotsOf returns the stars of a measured frame.
func spotsOf(m *star.Frame) solve.Field {
	f := solve.Field{Width: m.Width, Height: m.Height}
	for _, s := range m.Stars {
		f.Spots = append(f.Spots, solve.Spot{X: s.X, Y: s.Y, Flux: float64(s.Flux)})
	}
	return f
}

// exposed returns when an exposure began and how long it was; 0 s if the header
// does not say how long.
func exposed(h *fits.Header) (sky.Instant, unit.Second, error) {
	if h == nil {
		return sky.Instant{}, 0, fmt.Errorf("app: it has no header that says when it was taken")
	}
	m, ok := h.Start()
	if !ok || m.Fine > 60 {
		return sky.Instant{}, 0, fmt.Errorf("app: its header does not say when it was taken: want DATE-OBS with date and time in UTC")
	}
	length := unit.Second(0)
	for _, key := range []string{"EXPTIME", "EXPOSURE"} {
		if v, ok := h.Float(key); ok && v > 0 && v < 86400 {
			length = unit.Second(v)
			break
		}
	}
	return sky.NewInstant(m.Time), length, nil
}

// parseSite reads "latitude longitude height", bare numbers in degrees, north and
// east positive, and metres.
func parseSite(text string) (sky.Site, error) {
	want := fmt.Errorf("found %q: want latitude, longitude and height, north and east positive, such as \"47.2 -122.5 300\" or \"47.2 deg N, 122.5 deg W, 300 m\"", text)
	words := strings.Fields(text)
	if strings.Contains(text, ",") {
		words = strings.Split(text, ",")
	}
	if len(words) != 2 && len(words) != 3 {
		return sky.Site{}, want
	}
	read := func(s string, d unit.Dimension, to string) (float64, bool) {
		s = strings.TrimSpace(s)
		if _, err := strconv.ParseFloat(s, 64); err == nil {
			s += " " + to
		}
		q, err := unit.ParseAs(s, d)
		if n := len(s) - 1; err != nil && n > 0 && strings.Contains("NSEW", s[n:]) {
			q, err = unit.ParseAs(s[:n]+" deg "+s[n:], d)
		}
		if err != nil {
			return 0, false
		}
		v, _, ok := q.In(to)
		return v, ok
	}
	lat, ok1 := read(words[0], unit.Latitude, "deg")
	lon, ok2 := read(words[1], unit.Longitude, "deg")
	height, ok3 := 0.0, true
	if len(words) == 3 {
		height, ok3 = read(words[2], unit.Length, "m")
	}
	if !ok1 || !ok2 || !ok3 {
		return sky.Site{}, want
	}
	s, err := sky.NewSite(unit.Deg(lat), unit.Deg(lon), unit.Metre(height))
	if err != nil {
		return s, fmt.Errorf("%s", plainly(err))
	}
	return s, nil
}

// siteOf returns the site of frames: the one given, the rig's, or that of the
// first header which has one. What was taken is added to assumed.
func siteOf(text string, r *rig.Rig, frames []placed, assumed *[]rig.Assumed) (sky.Site, error) {
	if text != "" {
		s, err := parseSite(text)
		if err != nil {
			return s, &UsageError{Flag: "site", Err: err}
		}
		return s, nil
	}
	if r != nil {
		s, err := sky.NewSite(r.Site.Latitude.V, r.Site.Longitude.V, r.Site.Height.V)
		if err == nil {
			s.Temp = r.Site.Temperature.V
		}
		return s, err
	}
	for i := range frames {
		s, why, ok := headerSite(&frames[i])
		if !ok {
			continue
		}
		*assumed = append(*assumed, rig.Assumed{Entry: "site", Value: coordinates(s.Lat, s.Lon), Why: why})
		return s, nil
	}
	return sky.Site{}, fmt.Errorf("app: where the telescope stands is not known, and no header says it (SITELAT, SITELONG): give --site \"latitude longitude height\", or --rig")
}

// coordinates writes a place on Earth shortly.
func coordinates(lat, lon unit.Deg) string {
	ns, ew := "N", "E"
	if lat < 0 {
		ns = "S"
	}
	if lon < 0 {
		ew = "W"
	}
	return fmt.Sprintf("%.2f %s %.2f %s", math.Abs(float64(lat)), ns, math.Abs(float64(lon)), ew)
}

// headerSite returns the site that a header states. Longitudes are written
// either way round: what the header says of the star's hour angle or altitude
// settles it where it can.
func headerSite(p *placed) (s sky.Site, why string, ok bool) {
	h := p.header
	if h == nil {
		return s, "", false
	}
	first := func(keys ...string) (float64, string, bool) {
		for _, k := range keys {
			if v, ok := headerAngle(h, k); ok {
				return v, k, true
			}
		}
		return 0, "", false
	}
	lat, latKey, ok1 := first("SITELAT", "LAT-OBS", "OBSLAT", "OBS-LAT", "GEOLAT", "LATITUDE")
	lon, lonKey, ok2 := first("SITELONG", "LONG-OBS", "OBSLONG", "OBS-LONG", "GEOLONG", "LONGITUD", "LONGITUDE")
	if !ok1 || !ok2 || lat == 0 && lon == 0 {
		return s, "", false
	}
	height, _, _ := first("SITEELEV", "ALT-OBS", "OBSELEV", "OBS-ELEV", "GEOELEV", "ELEVATIO")
	why = latKey + " and " + lonKey + " in the header of " + filepath.Base(p.File)
	if lon > 180 {
		lon -= 360
	}
	s, err := sky.NewSite(unit.Deg(lat), unit.Deg(lon), unit.Metre(height))
	if err != nil {
		return s, "", false
	}
	if p.WCS == nil || p.why != "" {
		return s, why + ", longitude taken east positive", true
	}
	other, err := sky.NewSite(unit.Deg(lat), unit.Deg(-lon), unit.Metre(height))
	if err != nil {
		return s, why, true
	}
	a, told := misfit(s, p)
	b, _ := misfit(other, p)
	switch {
	case !told:
		why += ", longitude taken east positive"
	case b < a && b < 3:
		s, why = other, why+", whose longitude counts west positive, as its other cards show"
	case a > 10:
		why += fmt.Sprintf(", which do not fit what it says of the star by %.0f degrees: are site and time (UTC?) right?", a)
	}
	return s, why, true
}

// misfit returns by how many degrees the sky over a site differs from what the
// header says of the sidereal time or the star's altitude, by the card that fits
// best: one may be wrong. It returns false if there is none.
func misfit(s sky.Site, p *placed) (float64, bool) {
	o := s.At(p.begin)
	d := p.WCS.Sky((p.Width-1)/2, (p.Height-1)/2)
	place := o.Observed(d)
	least := math.Inf(1)
	for _, k := range []string{"LST-OBS", "LST", "SIDEREAL"} {
		if v, ok := p.header.Text(k); ok {
			if lst, ok := sexagesimal(v); ok {
				least = min(least, math.Abs(math.Remainder(float64(place.HourAngle.Deg())+float64(d.RA)-15*lst, 360)))
			}
		}
	}
	for _, k := range []string{"OBJCTALT", "TELALT", "CENTALT"} {
		if v, ok := headerAngle(p.header, k); ok {
			least = min(least, math.Abs(float64(place.Alt)-v))
		}
	}
	return least, !math.IsInf(least, 1)
}

// headerAngle reads degrees, as a number or as text with separators.
func headerAngle(h *fits.Header, key string) (float64, bool) {
	if v, ok := h.Float(key); ok {
		return v, !math.IsNaN(v) && math.Abs(v) < 1e5
	}
	if s, ok := h.Text(key); ok {
		return sexagesimal(s)
	}
	return 0, false
}

// sexagesimal reads "12:34:56.7", "12 34 56.7" or a plain number.
func sexagesimal(s string) (float64, bool) {
	s = strings.TrimSpace(s)
	sign := 1.0
	if strings.HasPrefix(s, "-") {
		sign = -1
	}
	parts := strings.FieldsFunc(strings.TrimLeft(s, "+-"), func(r rune) bool { return r == ':' || r == ' ' })
	if len(parts) == 0 || len(parts) > 3 {
		return 0, false
	}
	sum, worth := 0.0, 1.0
	for _, p := range parts {
		v, err := strconv.ParseFloat(p, 64)
		if err != nil || v < 0 || math.IsInf(v, 0) {
			return 0, false
		}
		sum += v * worth
		worth /= 60
	}
	return sign * sum, true
}
