package fits

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

// rec pads a card to a record.
func rec(s string) string { return fmt.Sprintf("%-80s", s) }

// head returns a header of the cards, without END.
func head(cards ...string) []byte {
	var b strings.Builder
	for _, c := range cards {
		b.WriteString(rec(c))
	}
	return []byte(b.String())
}

const std = "FITS 4.0, section 4.2"

func TestParseCard(t *testing.T) {
	tests := []struct {
		rec, key       string
		kind           Kind
		value, comment string
		src            string
	}{
		{"SIMPLE  =                    T / file does conform", "SIMPLE", Logical, "T", "file does conform", std},
		{"BITPIX  =                   16", "BITPIX", Number, "16", "", std},
		{"OBJECT  = 'M 31    '           / what it is", "OBJECT", Text, "M 31", "what it is", std},
		{"OBSERVER= 'O''Neil'", "OBSERVER", Text, "O'Neil", "", std},
		{"EMPTY   = ''", "EMPTY", Text, "", "", std},
		{"LEAD    = '  two'", "LEAD", Text, "  two", "", std + ": leading blanks count"},
		{"UNDEF   =                      / nothing", "UNDEF", Undefined, "", "nothing", std},
		{"COMMENT = '        '           / Generated", "COMMENT", Commentary, "= '        '           / Generated", "", std + ": COMMENT has no value"},
		{"HISTORY Dark 'subtracted = yes'", "HISTORY", Commentary, "Dark 'subtracted = yes'", "", std},
		{"          / a heading", "", Commentary, "  / a heading", "", std},
		{"HIERARCH ESO DET CHIPS       =            1 / Number", "ESO DET CHIPS", Number, "1", "Number", "Wicenec et al. (2009), the HIERARCH convention"},
		{"COMPLEX =            (137, -1) / not read as a number", "COMPLEX", Text, "(137, -1)", "not read as a number", "from a file of the collection"},

		// As people write them.
		{"TELALT  = +62.592 / Altitude", "TELALT", Number, "+62.592", "Altitude", "the 15-cm telescope's frames"},
		{"EXPTIME = 060.00 / Exposure time in Seconds", "EXPTIME", Number, "060.00", "Exposure time in Seconds", "the 15-cm telescope's frames"},
		{"TELHUM  = 05", "TELHUM", Number, "05", "", "the 15-cm telescope's frames"},
		{"FOCALLEN= +3.556000000000e+003", "FOCALLEN", Number, "+3.556000000000e+003", "", "a star field's header"},
		{"CRVAL1  = 1.5D+02", "CRVAL1", Number, "1.5D+02", "", std},
		{"exptime = 30", "EXPTIME", Number, "30", "", "common practice, no source"},
		{" EXPTIME = 30", "EXPTIME", Number, "30", "", "common practice, no source"},
		{"EXPTIME=30", "EXPTIME", Number, "30", "", "common practice, no source"},
		{"FILTER   ='0,0,0,0  '           / rows", "FILTER", Text, "0,0,0,0", "rows", "a file of the collection"},
		{"EXPOSURE_SECONDS = 3.5 / long name", "EXPOSURE_SECONDS", Number, "3.5", "long name", "common practice, no source"},
		{"EXPTIME = 300.0 seconds of time", "EXPTIME", Number, "300.0", "seconds of time", "common practice, no source"},
		{"GAIN    = 2.5/e per ADU", "GAIN", Number, "2.5", "e per ADU", "common practice, no source"},
		{"OBJECT  = M 31 galaxy / no quotes", "OBJECT", Text, "M 31 galaxy", "no quotes", "common practice, no source"},
		{"OBJECT  = N/A", "OBJECT", Text, "N/A", "", "common practice, no source"},
		{"RA      = 12 34 56.7 / sexagesimal", "RA", Text, "12 34 56.7", "sexagesimal", "12 would be wrong"},
		{"RA      = 12:34:56.7", "RA", Text, "12:34:56.7", "", "common practice, no source"},
		{"OBJECT  = 'M 31 / never closed", "OBJECT", Text, "M 31", "never closed", "common practice, no source"},
		{"URL     = 'http://example.org/a", "URL", Text, "http://example.org/a", "", "common practice, no source"},
		{"OBSERVER= 'O'Neil' / quote not doubled", "OBSERVER", Text, "O'Neil", "quote not doubled", "common practice, no source"},
		{"OBSERVER= 'Ann' without slash", "OBSERVER", Text, "Ann", "without slash", "common practice, no source"},
		{"SITE    = 'K\xf6ln' / Latin-1", "SITE", Text, "Köln", "Latin-1", "common practice, no source"},
		{"SITE    = 'Köln' / UTF-8", "SITE", Text, "Köln", "UTF-8", "common practice, no source"},
		{"TEMP\t= \t-5.5\t/\tcold", "TEMP", Number, "-5.5", "cold", "common practice, no source"},
		{"OBJECT  = \"M 31\" / double quotes", "OBJECT", Text, "M 31", "double quotes", "common practice, no source"},
		{"FLAG    =                    T without slash", "FLAG", Logical, "T", "without slash", "T in column 30 is fixed format"},
		{"STAR    = T Tauri", "STAR", Text, "T Tauri", "", "not a logical"},
		{"NUMS    = 1.0862E+00,  9.6376E-01 /skew", "NUMS", Text, "1.0862E+00,  9.6376E-01", "skew", "a file of the collection"},
		{"ESO-LOG 00:00:00> DATE         = '1992-10-26'", "ESO-LOG", Commentary, "00:00:00> DATE         = '1992-10-26'", "", "a file of the collection"},
		{"", "", Commentary, "", "", "an empty record"},
		{"=", "=", Commentary, "", "", "nothing but a sign"},
		{"A=", "A", Undefined, "", "", "the least there can be"},
	}
	for _, tt := range tests {
		for _, r := range []string{tt.rec, rec(tt.rec)} {
			c := parseCard(r, 7)
			if c.Key != tt.key || c.Kind != tt.kind || c.Value != tt.value || c.Comment != tt.comment {
				t.Errorf("%q: got %q %d %q %q, want %q %d %q %q (%s)", r, c.Key, c.Kind, c.Value, c.Comment, tt.key, tt.kind, tt.value, tt.comment, tt.src)
			}
			if c.Raw != r || c.N != 7 {
				t.Errorf("%q: got card %d %q, want it as it was", r, c.N, c.Raw)
			}
		}
	}
}

func TestCardValues(t *testing.T) {
	nan := math.NaN()
	const none = math.MinInt64
	tests := []struct {
		rec   string
		float float64 // NaN: an error
		int   int64   // none: an error
		bool  string  // "": an error
	}{
		{"A       = 42", 42, 42, ""},
		{"A       = +00042", 42, 42, ""},
		{"A       = -1.5", -1.5, none, ""},
		{"A       = 16.", 16, 16, ""},
		{"A       = 1.6E1", 16, 16, ""},
		{"A       = 1.25D-3", 1.25e-3, none, ""},
		{"A       = 1d2", 100, 100, ""},
		{"A       = '57182.5'", 57182.5, none, ""},
		{"A       = ' 2225 '", 2225, 2225, ""},
		{"A       = .5", .5, none, ""},
		{"A       = 9223372036854775807", 9223372036854775807, math.MaxInt64, ""},
		{"A       = 9223372036854775808", 9223372036854775808, none, ""},
		{"A       = 1E400", nan, none, ""},
		{"A       = NaN", nan, none, ""},
		{"A       = 0x10", nan, none, ""},
		{"A       = 1_000", nan, none, ""},
		{"A       = Inf", nan, none, ""},
		{"A       = 62,5", nan, none, ""},
		{"A       = 12 34 56", nan, none, ""},
		{"A       = T", nan, none, "T"},
		{"A       = 'FALSE'", nan, none, "F"},
		{"A       = true", nan, none, "T"},
		{"A       = 'yes'", nan, none, ""},
		{"A       =", nan, none, ""},
	}
	for _, tt := range tests {
		c := parseCard(rec(tt.rec), 3)
		f, err := c.Float()
		if math.IsNaN(tt.float) != (err != nil) || err == nil && f != tt.float {
			t.Errorf("%q: Float: got %v, %v, want %v", tt.rec, f, err, tt.float)
		}
		i, err := c.Int()
		if (tt.int == none) != (err != nil) || err == nil && i != tt.int {
			t.Errorf("%q: Int: got %v, %v, want %v", tt.rec, i, err, tt.int)
		}
		var ce *CardError
		if err != nil && (!errors.As(err, &ce) || ce.Card != 3 || ce.Key != "A" || !strings.Contains(err.Error(), "card 3")) {
			t.Errorf("%q: got error %v, want a *CardError that names card 3", tt.rec, err)
		}
		b, err := c.Bool()
		if (tt.bool == "") != (err != nil) || err == nil && b != (tt.bool == "T") {
			t.Errorf("%q: Bool: got %v, %v, want %q", tt.rec, b, err, tt.bool)
		}
	}
}

func TestHeader(t *testing.T) {
	h := ParseHeader(head(
		"OBJECT  = 'first'",
		"object  = 'second'",
		"BITPIX  = 16",
		"BITPIX  = 8",
		"LONG    = 'It is a long text, &' / one",
		"CONTINUE  'and ''longer'' &' / two",
		"CONTINUE  'still.'",
		"AMP     = 'R&'",
		"COMMENT between",
		"CONTINUE  'an orphan'",
		"HIERARCH  ESO  TEL  ALT = 61.5",
		"COMMENT after",
		"END",
		"LATE    = 5 / behind END",
		"OBJECT  = 'third'",
		"just words",
	))
	text := func(key, want string) {
		t.Helper()
		if got, ok := h.Text(key); !ok || got != want {
			t.Errorf("%s: got %q, %v, want %q", key, got, ok, want)
		}
	}
	text("OBJECT", "second")
	text("BITPIX", "16")
	text("LONG", "It is a long text, and 'longer' still.")
	text("AMP", "R&")
	text("late", "5")
	if got, ok := h.Float("HIERARCH eso tel alt"); !ok || got != 61.5 {
		t.Errorf("got %v, %v, want 61.5", got, ok)
	}
	if got, ok := h.Float("ESO TEL ALT"); !ok || got != 61.5 {
		t.Errorf("got %v, %v, want 61.5", got, ok)
	}
	if c, _ := h.Card("LONG"); c.Comment != "one two" || len(c.Raw) != 3*80 || c.N != 5 {
		t.Errorf("got comment %q, %d raw bytes, card %d, want \"one two\", 240, 5", c.Comment, len(c.Raw), c.N)
	}
	if c, _ := h.Card("AMP"); c.N != 8 {
		t.Errorf("got card %d, want 8: continuations count as records", c.N)
	}
	if got := len(h.All("COMMENT")); got != 2 {
		t.Errorf("got %d comments, want 2", got)
	}
	if got := len(h.All("OBJECT")); got != 3 {
		t.Errorf("got %d OBJECT cards, want all 3", got)
	}
	if _, ok := h.Card("CONTINUE"); !ok {
		t.Error("the orphaned continuation is lost")
	}
	// Nothing is lost: the raw records, in order, are the header without END.
	var raw strings.Builder
	for _, c := range h.Cards() {
		raw.WriteString(c.Raw)
	}
	want := head("OBJECT  = 'first'", "object  = 'second'", "BITPIX  = 16", "BITPIX  = 8",
		"LONG    = 'It is a long text, &' / one", "CONTINUE  'and ''longer'' &' / two", "CONTINUE  'still.'",
		"AMP     = 'R&'", "COMMENT between", "CONTINUE  'an orphan'", "HIERARCH  ESO  TEL  ALT = 61.5", "COMMENT after",
		"LATE    = 5 / behind END", "OBJECT  = 'third'")
	if raw.String() != string(want) {
		t.Errorf("got raw cards\n%q, want\n%q", raw.String(), want)
	}
}

func TestStart(t *testing.T) {
	tests := []struct {
		cards     []string
		want, key string // RFC 3339 in UTC with milliseconds; "" for none
		fine      float64
		src       string
	}{
		{[]string{"DATE-OBS= '2017-12-19T18:33:43.317-0700'", "UT-OBS  = '2017-12-20T01:33:43.317-0000'"}, "2017-12-20T01:33:43.317", "DATE-OBS", 0.001, "the 15-cm telescope's frames give both"},
		{[]string{"DATE-OBS= '2017-12-19T18:33:43.317'", "UT-OBS  = '2017-12-20T01:33:43.317'"}, "2017-12-20T01:33:43.317", "UT-OBS", 0.001, "UT by its name"},
		{[]string{"DATE-OBS= '2018-10-13T01:57:25.333'"}, "2018-10-13T01:57:25.333", "DATE-OBS", 0.001, "FITS 4.0, section 9.1.1"},
		{[]string{"DATE-OBS= '2018-10-13T01:57:25Z'"}, "2018-10-13T01:57:25.000", "DATE-OBS", 1, "ISO 8601"},
		{[]string{"DATE-OBS= '2018-10-13T01:57:25+05:30'"}, "2018-10-12T20:27:25.000", "DATE-OBS", 1, "ISO 8601"},
		{[]string{"DATE-OBS= '2018-10-13 01:57:25'"}, "2018-10-13T01:57:25.000", "DATE-OBS", 1, "common practice, no source"},
		{[]string{"DATE-OBS= '2018-10-13T01:57'"}, "2018-10-13T01:57:00.000", "DATE-OBS", 60, "ISO 8601"},
		{[]string{"DATE-OBS= '2016-12-31T23:59:60.5'"}, "2017-01-01T00:00:00.500", "DATE-OBS", 0.1, "FITS 4.0, section 9.1.1: leap second"},
		{[]string{"DATE-OBS= '2018-10-13T24:00:00'"}, "2018-10-14T00:00:00.000", "DATE-OBS", 1, "ISO 8601"},
		{[]string{"DATE-OBS= '2018-10-13'", "TIME-OBS= '01:57:25.5'"}, "2018-10-13T01:57:25.500", "DATE-OBS+TIME-OBS", 0.1, "common practice, no source"},
		{[]string{"DATE-OBS= '13/10/92'", "UT      = '01:57:25'"}, "1992-10-13T01:57:25.000", "DATE-OBS+UT", 1, "FITS 4.0, section 4.4.2.1: the 20th century"},
		{[]string{"DATE-OBS= '2018/10/13'", "UTSTART = '01:57:25,5'"}, "2018-10-13T01:57:25.500", "DATE-OBS+UTSTART", 0.1, "common practice, no source"},
		{[]string{"DATE-OBS= '2018-10-13'"}, "2018-10-13T00:00:00.000", "DATE-OBS", 86400, "a date alone"},
		{[]string{"DATE-OBS= '2018-10-13'", "MJD-OBS = 58404.5"}, "2018-10-13T12:00:00.000", "MJD-OBS", 8640, "MJD 58404 is 2018-10-13: from memory of MJD 51544 = 2000-01-01, plus 6860 days"},
		{[]string{"DATE-OBS= 2018-10-13T01:57:25 / no quotes"}, "2018-10-13T01:57:25.000", "DATE-OBS", 1, "common practice, no source"},
		{[]string{"DATE-OBS= '2018-13-13T01:57:25'"}, "", "", 0, "there is no month 13"},
		{[]string{"DATE-OBS= '2018-02-30T01:57:25'"}, "", "", 0, "there is no 30 February"},
		{[]string{"DATE-OBS= '2018-10-13T25:57:25'"}, "", "", 0, "there is no hour 25"},
		{[]string{"DATE-OBS= 'last night'"}, "", "", 0, ""},
		{[]string{"DATE-OBS= ''"}, "", "", 0, ""},
		{[]string{"OBJECT  = 'M 31'"}, "", "", 0, ""},
	}
	for _, tt := range tests {
		got, ok := ParseHeader(head(tt.cards...)).Start()
		if ok != (tt.want != "") {
			t.Errorf("%q: got %v, %v, want %q (%s)", tt.cards, got, ok, tt.want, tt.src)
			continue
		}
		if ok && (got.Time.Format("2006-01-02T15:04:05.000") != tt.want || got.Key != tt.key || math.Abs(float64(got.Fine)/tt.fine-1) > 1e-9 || got.Scale != "UTC") {
			t.Errorf("%q: got %v %s ±%v %s, want %s %s ±%v UTC (%s)", tt.cards, got.Time, got.Key, got.Fine, got.Scale, tt.want, tt.key, tt.fine, tt.src)
		}
	}
	if got, ok := ParseHeader(head("TIMESYS = 'tai'", "DATE-OBS= '2018-10-13T01:57:25'")).Start(); !ok || got.Scale != "TAI" {
		t.Errorf("got scale %q, want TAI (FITS 4.0, section 9.2.1)", got.Scale)
	}
}

func TestMosaic(t *testing.T) {
	h := ParseHeader(head("BAYERPAT= 'rggb    '", "XBAYROFF= 1", "YBAYROFF= 0", "ROWORDER= 'TOP-DOWN'"))
	if got, ok := h.Mosaic(); !ok || got != (Mosaic{"RGGB", 1, 0}) {
		t.Errorf("got %v, %v, want RGGB shifted by 1, 0", got, ok)
	}
	if got := h.RowOrder(); got != TopDown {
		t.Errorf("got %v, want top-down", got)
	}
	for _, s := range []string{"BAYERPAT= 'NONE'", "BAYERPAT= T", "BAYERPAT= 'RGGBX'"} {
		if got, ok := ParseHeader(head(s)).Mosaic(); ok {
			t.Errorf("%s: got %v, want none", s, got)
		}
	}
	if got := ParseHeader(head("ROWORDER= 'sideways'")).RowOrder(); got != RowOrderUnknown {
		t.Errorf("got %v, want unknown", got)
	}
}
