package fits

import (
	"math"
	"strconv"
	"strings"
	"time"

	"holdfast/internal/unit"
)

// A Moment is when an observation began, and which card said so.
type Moment struct {
	Time  time.Time   // in UTC if Scale is UTC; otherwise the clock reading of Scale, in time.UTC
	Scale string      // the time scale: "UTC", or what TIMESYS says, in capitals
	Key   string      // the keyword it was taken from; of two cards, "DATE-OBS+UT" and the like
	Zone  bool        // the card gave the offset from UTC, or Z, or is UTC by its name
	Fine  unit.Second // resolution: the worth of the last digit written
}

// Start returns when the observation began; false if the header does not say
// so in a way that can be read.
//
// In this order: DATE-OBS with date, time and zone; UT-OBS, UTC-OBS or
// DATE-UTC with date and time, which are UTC by their name; DATE-OBS or
// DATE-BEG with date and time, in the scale of TIMESYS, UTC if there is none
// (FITS 4.0, section 9.2.1); DATE-OBS with a date alone together with the time
// in UT-OBS, TIME-OBS, UTC-OBS, UT, UTC, UTSTART or TIME-BEG; MJD-OBS or
// MJD-BEG. The old form DD/MM/YY is a year of the 20th century (FITS 4.0,
// section 4.4.2.1).
//
// A program that writes local time into DATE-OBS without saying so can not be
// found out here.
func (h *Header) Start() (Moment, bool) {
	scale := "UTC"
	if s, ok := h.Text("TIMESYS"); ok && s != "" {
		scale = strings.ToUpper(strings.TrimSpace(s))
	}
	var day, local Moment
	haveDay, haveLocal := false, false
	for _, key := range []string{"DATE-OBS", "DATE-BEG"} {
		s, ok := h.Text(key)
		if !ok {
			continue
		}
		m, whole, ok := parseMoment(s)
		if !ok {
			continue
		}
		m.Key, m.Scale = key, scale
		switch {
		case m.Zone:
			m.Scale = "UTC"
			return m, true
		case whole && !haveLocal:
			local, haveLocal = m, true
		case !whole && !haveDay:
			day, haveDay = m, true
		}
	}
	for _, key := range []string{"UT-OBS", "UTC-OBS", "DATE-UTC"} {
		if s, ok := h.Text(key); ok {
			if m, whole, ok := parseMoment(s); ok && whole {
				m.Key, m.Scale, m.Zone = key, "UTC", true
				return m, true
			}
		}
	}
	if haveLocal {
		return local, true
	}
	if haveDay {
		for _, key := range []string{"UT-OBS", "TIME-OBS", "UTC-OBS", "UT", "UTC", "UTSTART", "TIME-BEG"} {
			s, ok := h.Text(key)
			if !ok {
				continue
			}
			clock, fine, ok := parseClock(strings.TrimRight(strings.TrimSpace(s), "Zz"))
			if !ok {
				continue
			}
			day.Time, day.Fine, day.Key = day.Time.Add(clock), fine, day.Key+"+"+key
			return day, true
		}
	}
	for _, key := range []string{"MJD-OBS", "MJD-BEG"} {
		if v, ok := h.Float(key); ok && v > -1e6 && v < 1e6 {
			c, _ := h.Card(key)
			whole := int(v)
			t := time.Date(1858, 11, 17+whole, 0, 0, 0, 0, time.UTC)
			t = t.Add(time.Duration((v - float64(whole)) * 86400e9))
			return Moment{Time: t, Scale: scale, Key: key, Fine: unit.Second(fineness(c.Value) * 86400)}, true
		}
	}
	if haveDay {
		return day, true
	}
	return Moment{}, false
}

// parseMoment parses a date, with or without time and zone. whole says that
// there is a time. A date alone has a Fine of a day.
func parseMoment(s string) (m Moment, whole, ok bool) {
	s = strings.TrimSpace(s)
	date, clock := s, ""
	if i := strings.IndexAny(s, "Tt "); i >= 0 {
		date, clock = s[:i], strings.TrimSpace(s[i+1:])
	}
	m.Time, ok = parseDate(date)
	if !ok {
		return Moment{}, false, false
	}
	m.Fine = 86400
	if clock == "" {
		return m, false, true
	}
	var offset time.Duration
	if t := strings.TrimRight(clock, "Zz"); t != clock {
		clock, m.Zone = strings.TrimSpace(t), true
	} else if i := strings.LastIndexAny(clock, "+-"); i > 0 {
		if offset, ok = parseOffset(clock[i:]); !ok {
			return Moment{}, false, false
		}
		clock, m.Zone = strings.TrimSpace(clock[:i]), true
	}
	d, fine, ok := parseClock(clock)
	if !ok {
		return Moment{}, false, false
	}
	m.Time, m.Fine = m.Time.Add(d-offset), fine
	return m, true, true
}

// parseDate parses YYYY-MM-DD, YYYY/MM/DD or DD/MM/YY.
func parseDate(s string) (time.Time, bool) {
	parts := strings.Split(s, "-")
	if len(parts) != 3 {
		parts = strings.Split(s, "/")
	}
	if len(parts) != 3 {
		return time.Time{}, false
	}
	var v [3]int
	for i, p := range parts {
		if v[i] = digits(p); v[i] < 0 {
			return time.Time{}, false
		}
	}
	switch {
	case len(parts[0]) == 4:
	case len(parts[2]) == 2 && strings.Contains(s, "/"):
		v[0], v[2] = 1900+v[2], v[0]
	default:
		return time.Time{}, false
	}
	t := time.Date(v[0], time.Month(v[1]), v[2], 0, 0, 0, 0, time.UTC)
	if t.Year() != v[0] || int(t.Month()) != v[1] || t.Day() != v[2] {
		return time.Time{}, false
	}
	return t, true
}

// parseClock parses hh:mm, hh:mm:ss or hh:mm:ss.sss, with a point or a comma,
// up to 24:00:00 and with a leap second. fine is the worth of the last digit.
func parseClock(s string) (d time.Duration, fine unit.Second, ok bool) {
	parts := strings.Split(strings.Replace(s, ",", ".", 1), ":")
	if len(parts) != 2 && len(parts) != 3 {
		return 0, 0, false
	}
	hour, minute := digits(parts[0]), digits(parts[1])
	if hour < 0 || hour > 24 || minute < 0 || minute > 59 {
		return 0, 0, false
	}
	d = time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute
	fine = 60
	if len(parts) == 3 {
		whole, frac, _ := strings.Cut(parts[2], ".")
		sec := digits(whole)
		if sec < 0 || sec > 60 {
			return 0, 0, false
		}
		d += time.Duration(sec) * time.Second
		fine = 1
		if frac != "" {
			if len(frac) > 18 || strings.Trim(frac, "0123456789") != "" {
				return 0, 0, false
			}
			v, _ := strconv.ParseFloat("0."+frac, 64)
			d += time.Duration(v*1e9 + 0.5)
			fine = unit.Second(fineness(parts[2]))
		}
	}
	if d > 24*time.Hour+time.Second {
		return 0, 0, false
	}
	return d, fine, true
}

// parseOffset parses +hh, +hhmm or +hh:mm and the same with a minus.
func parseOffset(s string) (time.Duration, bool) {
	n := strings.Replace(s[1:], ":", "", 1)
	v := digits(n)
	if v < 0 || len(n) != 2 && len(n) != 4 {
		return 0, false
	}
	if len(n) == 2 {
		v *= 100
	}
	d := time.Duration(v/100)*time.Hour + time.Duration(v%100)*time.Minute
	if d > 15*time.Hour || v%100 > 59 {
		return 0, false
	}
	if s[0] == '-' {
		d = -d
	}
	return d, true
}

// digits returns the number that s spells in one to nine digits, -1 if it is
// anything else.
func digits(s string) int {
	if s == "" || len(s) > 9 || strings.Trim(s, "0123456789") != "" {
		return -1
	}
	n, _ := strconv.Atoi(s)
	return n
}

// fineness returns the worth of the last digit of a decimal number, 1 for one
// without a point.
func fineness(s string) float64 {
	exponent := 0
	if i := strings.IndexAny(s, "EeDd"); i >= 0 {
		exponent, _ = strconv.Atoi(s[i+1:])
		s = s[:i]
	}
	_, frac, _ := strings.Cut(s, ".")
	return math.Pow10(exponent - len(frac))
}
