// Package lotcode compares lot codes as they are printed on packs, typed and
// scanned. It is pure, and imported by whatever compares or searches lots, so
// that a recall means the same lot everywhere.
package lotcode

import (
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
// The key of a code without letters and digits is empty, and matches nothing.
func Key(code string) string {
	return strings.Map(fold, norm.NFKC.String(code))
}

// Same reports whether two codes are of one lot.
func Same(a, b string) bool {
	key := Key(a)
	return key != "" && key == Key(b)
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
