// Package lotcode compares lot codes as they are printed on packs, typed and scanned.
// It is pure, and everything that compares or searches lots imports it, so that a
// recall means the same lot everywhere.
package lotcode

import (
	"regexp"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// Key is the form in which lot codes are compared. Two codes with one key are
// taken for one lot: letter case, blanks, dashes and other punctuation do not
// count, and neither do characters that look alike in print. The letters I and L
// count as the digit 1 and O as 0, as in the decoding of Crockford's base 32
// (Douglas Crockford, "Base 32", symbol table); Greek and Cyrillic capitals count
// as the Latin ones that they look like (from memory of Unicode's confusables).
//
// A key can make two lots one that are printed "1O" and "10". Of the two errors
// this is the safe one: a lot that was recalled is never taken for another.
//
// What is printed around a code does not count either: a word for lot or batch
// before it, an expiry date after it, and the other elements of a GS1 element
// string. A code that is nothing but such a word keeps it. A single L before a code
// stays: it is part of too many codes.
//
// The key of a code without letters and digits is empty, and matches nothing.
func Key(code string) string {
	code = norm.NFKC.String(code)
	key := strings.Map(fold, code)
	if lot := bracketed.FindStringSubmatch(code); lot != nil {
		if within := strings.Map(fold, lot[1]); within != "" {
			key = within
		}
	}
	for {
		bare := key
		for _, around := range printedAround {
			bare = around.ReplaceAllString(bare, "$1")
		}
		if bare == key {
			return key
		}
		key = bare
	}
}

// bracketed finds the lot, application identifier 10, in a GS1 element string as it
// is printed for people: (01)09506000134352(17)271231(10)R2611.
var bracketed = regexp.MustCompile(`\(10\)([^()]+)`)

// printedAround finds codes, with what is printed around them, in folded text. Folded
// text has no blanks: "Lot no. 5" is 10TN05. GS1 application identifiers (from memory
// of the GS1 General Specifications): 01 is an article number of 14 digits, 11 to 17
// are dates of 6 digits, and 10 is a lot of up to 20 characters, here the last
// element. A symbology identifier such as ]C1 or ]d2 can come first.
var printedAround = []*regexp.Regexp{
	regexp.MustCompile(`^(?:[CDEQ][0-9])?01[0-9]{14}(?:1[1-7][0-9]{6})*10(.{1,20})$`),
	regexp.MustCompile(`^(?:10T|BATCH|CHARGE|CHB)(?:N?N[0R])?(.+)$`),
	regexp.MustCompile(`^(.*[0-9].*)(?:EXP|BBE?|MHD)(?:[0-3][0-9])?(?:0[1-9]|1[0-2])(?:20)?[2-4][0-9]$`),
	regexp.MustCompile(`^(.*[0-9].*)(?:EXP|BBE?|MHD)20[2-4][0-9](?:0[1-9]|1[0-2])(?:[0-3][0-9])?$`),
}

// Same reports whether two codes are of one lot.
func Same(a, b string) bool {
	if a == b && isPlain(a) {
		return true
	}
	key := Key(a)
	return key != "" && key == Key(b)
}

// isPlain reports whether a code is a digit or a letter of ASCII somewhere, so that its key
// is not empty. What is printed around a code never takes all of it away.
func isPlain(code string) bool {
	return strings.ContainsFunc(code, func(r rune) bool { return '0' <= r && r <= '9' || 'A' <= r && r <= 'Z' || 'a' <= r && r <= 'z' })
}

// fold is one character of a key, or -1 for none.
func fold(r rune) rune {
	r = unicode.ToUpper(r)
	if latin, ok := lookAlike[r]; ok {
		return latin
	}
	if unicode.IsLetter(r) || unicode.IsDigit(r) {
		return r
	}
	return -1
}

var lookAlike = map[rune]rune{
	'I': '1', 'L': '1', 'O': '0',
	// Cyrillic.
	'А': 'A', 'В': 'B', 'Е': 'E', 'З': '3', 'К': 'K', 'М': 'M', 'Н': 'H', 'О': '0', 'Р': 'P', 'С': 'C', 'Т': 'T', 'У': 'Y', 'Х': 'X', 'І': '1', 'Ѕ': 'S', 'Ј': 'J',
	// Greek.
	'Α': 'A', 'Β': 'B', 'Ε': 'E', 'Ζ': 'Z', 'Η': 'H', 'Ι': '1', 'Κ': 'K', 'Μ': 'M', 'Ν': 'N', 'Ο': '0', 'Ρ': 'P', 'Τ': 'T', 'Υ': 'Y', 'Χ': 'X',
}
