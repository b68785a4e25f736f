package gs1

// identifier describes the value of an application identifier.
type identifier struct {
	length  int  // characters: all of them, or at most as many
	fixed   bool // the value has exactly length characters and needs no separator
	numeric bool // digits only
}

// identifiers are the application identifiers that packs of cosmetic products are
// likely to bear. Source: GS1, "GS1 Application Identifiers", 2025, for 00, 01, 02 and
// 10 to 13; from memory of the same table for the others.
var identifiers = map[string]identifier{
	"00": {18, true, true}, // serial shipping container code
	"01": {14, true, true}, // GTIN
	"02": {14, true, true}, // GTIN of what is inside
	"10": {20, false, false},
	"11": {6, true, true}, // production date
	"12": {6, true, true},
	"13": {6, true, true}, // packaging date
	"15": {6, true, true}, // best before date
	"16": {6, true, true}, // sell by date
	"17": {6, true, true}, // expiration date
	"20": {2, true, true},
	"21": {20, false, false}, // serial number
	"22": {20, false, false},
	"30": {8, false, true},
	"37": {8, false, true},
	"91": {90, false, false}, "92": {90, false, false}, "93": {90, false, false}, "94": {90, false, false}, "95": {90, false, false},
	"96": {90, false, false}, "97": {90, false, false}, "98": {90, false, false}, "99": {90, false, false},
	"90":  {30, false, false},
	"240": {30, false, false}, "241": {30, false, false}, "250": {30, false, false}, "251": {30, false, false},
	"710": {20, false, false}, "711": {20, false, false}, "712": {20, false, false}, "713": {20, false, false}, "714": {20, false, false},
}

// characters are those that a value may have: GS1 AI encodable character set 82
// (GS1 General Specifications, figure 7.11-1, from memory).
const characters = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`

// identifierOf is the identifier with which text begins.
func identifierOf(text string) (string, bool) {
	for _, n := range []int{2, 3} {
		if len(text) >= n {
			if _, ok := identifiers[text[:n]]; ok {
				return text[:n], true
			}
		}
	}
	return "", false
}
