package sky

import (
	"math"
	"time"

	"github.com/hebl/gofa"

	"holdfast/internal/unit"
)

// Instant is a moment in UTC, kept as a Julian date in two parts good to a
// nanosecond. The zero Instant is no moment at all. Comparing two with == is
// meaningful only for the zero value.
//
// On the days that ended in a leap second the Julian date is SOFA's, whose day
// has 86401 s; Add and Sub count 86400 and are then off by up to a second.
type Instant struct {
	day  float64 // Julian date of 0h UTC, ends in .5
	frac float64 // fraction of the day, 0 to 1
	dut1 float64 // UT1-UTC in seconds
}

const (
	unixEpoch = 2440587.5 // Julian date of 1970-01-01 0h
	daySec    = 86400.0
	firstDay  = 2415020.5 // 1900-01-01
	lastDay   = 2488070.5 // 2100-01-01
)

// NewInstant returns the instant of a clock time, whatever its location.
func NewInstant(t time.Time) Instant {
	t = t.UTC()
	sec := t.Unix()
	day := sec / 86400
	if sec%86400 < 0 {
		day--
	}
	length := daySec
	if m, d := t.Month(), t.Day(); (m == time.December && d == 31) || (m == time.June && d == 30) {
		jd := unixEpoch + float64(day)
		if leap := leapSeconds(jd+1, 0) - leapSeconds(jd, 0); leap == 1 {
			length++
		}
	}
	within := float64(sec-day*86400) + float64(t.Nanosecond())*1e-9
	return Instant{day: unixEpoch + float64(day), frac: within / length}
}

// FromJD returns the instant of a UTC Julian date, good to about 40 us.
func FromJD(jd unit.Day) Instant {
	day := math.Floor(float64(jd)-0.5) + 0.5
	return Instant{day: day, frac: float64(jd) - day}
}

// IsZero reports whether t is no moment at all: an event that does not happen.
func (t Instant) IsZero() bool { return t == Instant{} }

// Time returns the clock time in UTC, rounded to a microsecond. The zero
// Instant gives the zero Time.
func (t Instant) Time() time.Time {
	if t.IsZero() || math.IsNaN(t.day) || math.IsNaN(t.frac) {
		return time.Time{}
	}
	sec := int64(t.day-unixEpoch) * 86400
	micro := int64(math.Round(t.frac * daySec * 1e6))
	return time.Unix(sec+micro/1e6, micro%1e6*1000).UTC()
}

// JD returns the UTC Julian date, good to about 40 us.
func (t Instant) JD() unit.Day { return unit.Day(t.day + t.frac) }

// WithDUT1 returns t knowing that UT1 is UTC plus the given seconds, as the
// Earth-rotation service publishes it (never more than 0.9 s either way). The
// instants made from it by Add know it too.
func (t Instant) WithDUT1(dut1 unit.Second) Instant {
	t.dut1 = float64(dut1)
	return t
}

// Add returns the instant s later.
func (t Instant) Add(s unit.Second) Instant {
	frac := t.frac + float64(s)/daySec
	whole := math.Floor(frac)
	t.day += whole
	t.frac = frac - whole
	return t
}

// Sub returns the seconds from u to t.
func (t Instant) Sub(u Instant) unit.Second {
	return unit.Second(((t.day - u.day) + (t.frac - u.frac)) * daySec)
}

// Before reports whether t comes before u.
func (t Instant) Before(u Instant) bool { return t.Sub(u) < 0 }

// LeapSecondsKnown reports whether the leap seconds up to t had been announced
// when the table in use was made; later than five years after that they are
// taken as none, and a wrong guess moves the stars by less than 1e-4 arcsec
// (UT1 follows UTC), the Moon by half an arcsecond.
func (t Instant) LeapSecondsKnown() bool {
	var y, m, d int
	var f, dat float64
	if gofa.Jd2cal(t.day, t.frac, &y, &m, &d, &f) != 0 {
		return false
	}
	return gofa.Dat(y, m, d, f, &dat) == 0
}

// leapSeconds returns TAI-UTC in seconds at a UTC Julian date in two parts; a
// warning that the date lies beyond the table is not an error.
func leapSeconds(day, frac float64) float64 {
	var y, m, d int
	var f, dat float64
	if gofa.Jd2cal(day, frac, &y, &m, &d, &f) != 0 {
		return math.NaN()
	}
	if gofa.Dat(y, m, d, f, &dat) < 0 {
		return math.NaN()
	}
	return dat
}

// scales returns TT and UT1 as Julian dates in two parts; NaN outside 1900 to
// 2100.
func (t Instant) scales() (tt1, tt2, ut1, ut2 float64) {
	nan := math.NaN()
	if !(t.day >= firstDay && t.day < lastDay) {
		return nan, nan, nan, nan
	}
	var tai1, tai2 float64
	if gofa.Utctai(t.day, t.frac, &tai1, &tai2) < 0 {
		return nan, nan, nan, nan
	}
	gofa.Taitt(tai1, tai2, &tt1, &tt2)
	if gofa.Utcut1(t.day, t.frac, t.dut1, &ut1, &ut2) < 0 {
		return nan, nan, nan, nan
	}
	return tt1, tt2, ut1, ut2
}
