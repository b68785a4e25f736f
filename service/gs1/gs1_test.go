package gs1_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"alkalog/service/gs1"
)

var today = time.Date(2026, 11, 26, 9, 0, 0, 0, time.UTC)

func day(year, month, day int) time.Time {
	return time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
}

// TestParse: 6291041500213 is the worked example of GS1's page on the check digit, as
// quoted in the documentation of a public library; the page itself was not read.
// 09506000134352 begins with 950, which GS1 keeps for examples (from memory). The
// rest is invented.
func TestParse(t *testing.T) {
	t.Parallel()
	full := gs1.Pack{GTIN: "09506000134352", Lots: []string{"R2611"}, Expires: day(2027, 12, 31)}
	for scan, want := range map[string]gs1.Pack{
		"6291041500213":                                    {GTIN: "06291041500213"},
		"06291041500213":                                   {GTIN: "06291041500213"},
		"]E06291041500213":                                 {GTIN: "06291041500213"},
		"036000291452":                                     {GTIN: "00036000291452"}, // a UPC with its leading zero
		"96385074":                                         {GTIN: "00000096385074"},
		"6291041500213\r\n":                                {GTIN: "06291041500213"},
		"010950600013435217271231" + "10R2611":             full,
		"]d2010950600013435217271231" + "10R2611":          full,
		"]C10109506000134352" + "10R2611\x1d17271231":      full,
		"\x1d0109506000134352" + "10R2611\x1d17271231\x1d": full,
		"0109506000134352\x1d17271231\x1d10R2611":          full,
		"(01)09506000134352(17)271231(10)R2611":            full,
		"(01) 09506000134352 (10) R2611 (17) 271231":       full,
		"010950600013435217271200" + "10R2611":             full, // day 00: the last of the month
		"0109506000134352" + "17280200":                    {GTIN: "09506000134352", Expires: day(2028, 2, 29)},
		"0109506000134352" + "11260131" + "15280630":       {GTIN: "09506000134352", Produced: day(2026, 1, 31), BestBefore: day(2028, 6, 30)},
		"0109506000134352" + "21S-7\x1d10R2611":            {GTIN: "09506000134352", Lots: []string{"R2611"}, Other: []string{"(21)S-7"}},
		"0109506000134352" + "10R2611\x1d2405566":          {GTIN: "09506000134352", Lots: []string{"R2611"}, Other: []string{"(240)5566"}},
		"10R2611": {Lots: []string{"R2611"}},
		// The separator was lost.
		"0109506000134352" + "10R261117271231": {GTIN: "09506000134352", Lots: []string{"R261117271231", "R2611"}},
		"0109506000134352" + "10R261121S7":     {GTIN: "09506000134352", Lots: []string{"R261121S7", "R2611"}},
	} {
		if got, err := gs1.Parse(scan, today); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%q: %+v, %v\nwant %+v", scan, got, err, want)
		}
	}
}

// TestCenturies: the year is within 50 years of today.
func TestCenturies(t *testing.T) {
	t.Parallel()
	for value, want := range map[string]int{"26": 2026, "76": 2076, "77": 1977, "99": 1999, "00": 2000} {
		if got, err := gs1.Parse("010950600013435217"+value+"0101", today); err != nil || got.Expires.Year() != want {
			t.Errorf("year %s is %d, %v; want %d", value, got.Expires.Year(), err, want)
		}
	}
	if got, _ := gs1.Parse("010950600013435217100101", day(2078, 1, 1)); got.Expires.Year() != 2110 {
		t.Errorf("in 2078, year 10 is %d", got.Expires.Year())
	}
}

func TestMalformed(t *testing.T) {
	t.Parallel()
	for scan, want := range map[string]string{
		"":                                     "empty",
		" \r\n":                                "empty",
		"\x1d":                                 "empty",
		"]d2":                                  "empty",
		"6291041500214":                        "check digit 3",
		"96385075":                             "check digit 4",
		"00000000000000":                       "zeros",
		"0000000000000":                        "zeros",
		"0109506000134351":                     "check digit 2",
		"010950600013435":                      "(01) must have 14 characters; it has 13",
		"01095060001343A2":                     "(01) must be digits",
		"629104150021":                         "check digit",
		"629104150":                            "not an application identifier",
		"hello":                                "not an application identifier",
		"https://id.example/01/09506000134352": "not an application identifier",
		"(hello)":                              "must begin with an application identifier",
		"(01)09506000134352(17)2712":           "(17) must have 6 characters; it has 4",
		"(01)095060001343521":                  "(01) must have 14 characters; it has 15",
		"(01)09506000134352(99":                "(01) must have 14 characters",
		"(01)09506000134352(8888)1":            "(8888) is not",
		"(01)09506000134352(10)":               "(10) must have a value",
		"010950600013435210":                   "(10) must have a value",
		"010950600013435210\x1d17271231":       "(10) must have a value",
		"010950600013435217271301":             "must be a date",
		"010950600013435217270229":             "must be a date",
		"010950600013435217270001":             "must be a date",
		"0109506000134352172712":               "(17) must have 6 characters; it has 4",
		"0109506000134352" + "10R2611R2611R2611R2611R":             "lost the separator",
		"0109506000134352" + "10R2611R2611R2611R2611R\x1d17271231": "(10) must have at most 20",
		"0109506000134352" + "10R 26":                              "must not contain ' '",
		"0109506000134352" + "10R€":                                "must not contain '€'",
		"0109506000134352" + "10R\x00\x01x":                        "must not contain",
		"01095060001343520106291041500213":                         "scan of one pack",
		"10A\x1d10B":                                               "scan of one pack",
		"1727123117271230":                                         "two different dates",
		"0109506000134352" + "30A":                                 "(30) must be digits",
		strings.Repeat("0", 401):                                   "at most 400",
	} {
		got, err := gs1.Parse(scan, today)
		if bad := new(gs1.Error); !errors.As(err, &bad) || !strings.Contains(bad.Want, want) {
			t.Errorf("%q: %+v, %v; want %s", scan, got, err, want)
		}
	}
}

// FuzzParse: no scan makes it panic, and a number that was accepted has 14 digits.
func FuzzParse(f *testing.F) {
	f.Add("]d2010950600013435217271231" + "10R2611\x1d21X")
	f.Add("(01)09506000134352(17)271231(10)R2611")
	f.Fuzz(func(t *testing.T, scan string) {
		got, err := gs1.Parse(scan, today)
		if err == nil && got.GTIN != "" && (len(got.GTIN) != 14 || strings.Trim(got.GTIN, "0123456789") != "") {
			t.Errorf("%q: %+v", scan, got)
		}
	})
}
