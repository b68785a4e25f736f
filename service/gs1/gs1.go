// Package gs1 reads what a scanner reads on a pack: a GS1 element string, as in
// GS1-128 and GS1 DataMatrix, the same in the bracket notation that is printed for
// people, or a plain article number, as in EAN and UPC. It is pure: it knows no
// products.
//
// An element string is a row of application identifiers, each followed by its
// value. Some values have a fixed length. The others end at a separator, the
// character FNC1, which scanners send as 0x1D, or at the end of the string. Sources:
// GS1 General Specifications, section 3 (application identifiers) and section 7.9.1
// (check digit), as quoted by the GS1 page "Application Identifiers" (2025) and by
// the public documentation of libraries; the full specification was not read.
//
// A scanner that is set up wrongly loses the separators. A lot that is followed by
// a date then looks like one longer lot. Parse does not guess: it returns every
// reading that is possible, and people compare them with the print.
package gs1

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// Separator is FNC1 as scanners send it.
const Separator = "\x1d"

// maxLength is the longest scan that is read, in bytes. A GS1-128 symbol holds at
// most 48 characters and a practical DataMatrix some hundreds; our own choice.
const maxLength = 400

// Pack is what a scan says about a pack. What it does not say is empty.
//
// Dates are days without a time zone; they are represented as midnight UTC and must be
// compared as days.
type Pack struct {
	// GTIN has 14 digits; shorter numbers are filled with zeros on the left.
	GTIN string // 14 digits; shorter numbers are filled with zeros on the left
	// Lots are the possible readings of the lot code. More than one means that the
	// scanner has lost a separator.
	Lots       []string
	Produced   time.Time // day, at midnight UTC
	BestBefore time.Time // likewise
	Expires    time.Time // likewise; the last day on which it may be used
	// Other are the elements that were read and are not used here, such as a serial
	// number, as "(21)ABC".
	Other []string
}

// Error says which part of a scan is wrong and what would be right, for the person who
// scans.
type Error struct{ Want string }

// Error returns the text.
func (e *Error) Error() string { return e.Want }

// wrong returns an *Error with a formatted text.
func wrong(format string, args ...any) error { return &Error{fmt.Sprintf(format, args...)} }

// symbology is what a scanner may send before the data, ISO/IEC 15424: GS1-128,
// GS1 DataMatrix, GS1 QR Code, GS1 DataBar and EAN/UPC (from memory).
var symbology = regexp.MustCompile(`^\](?:C1|d2|Q3|J1|[eE][0-9])`)

// Parse reads a scan. Today decides the century of dates, which have two digits for
// the year.
//
// Blanks and line ends around a scan, which some scanners add, are ignored. Every error
// is an *Error. A scan that has the same element twice with different values is
// refused, because it is then the scan of more than one pack.
func Parse(scan string, today time.Time) (Pack, error) {
	if len(scan) > maxLength {
		return Pack{}, wrong("must be at most %d characters; this has %d", maxLength, len(scan))
	}
	scan = strings.Trim(scan, " \t\r\n\x00\ufeff")
	scan = symbology.ReplaceAllString(scan, "")
	scan = strings.Trim(scan, Separator)
	switch {
	case scan == "":
		return Pack{}, wrong("must be what the scanner read; it is empty")
	case digits(scan) && (len(scan) == 8 || len(scan) == 12 || len(scan) == 13 || len(scan) == 14):
		return Pack{GTIN: Fill(scan)}, CheckGTIN(scan)
	case strings.HasPrefix(scan, "("):
		return readBrackets(scan, today)
	}
	return readElements(scan, today)
}

// bracketed is one element as it is printed for people. A value may hold brackets
// of its own, but nothing that looks like an identifier.
var bracketed = regexp.MustCompile(`\((\d{2,4})\)`)

// readBrackets reads the notation that is printed for people, with identifiers in
// brackets and without separators.
func readBrackets(scan string, today time.Time) (Pack, error) {
	var pack Pack
	at := bracketed.FindAllStringSubmatchIndex(scan, -1)
	if len(at) == 0 || at[0][0] != 0 {
		return Pack{}, wrong("must begin with an application identifier in brackets, such as (01)")
	}
	for i, span := range at {
		end := len(scan)
		if i+1 < len(at) {
			end = at[i+1][0]
		}
		id, value := scan[span[2]:span[3]], strings.Trim(scan[span[1]:end], " "+Separator)
		if known := identifiers[id]; known.fixed && len(value) != known.length {
			return Pack{}, wrong("(%s) must have %d characters; it has %d", id, known.length, len(value))
		}
		if err := pack.add(id, value, today); err != nil {
			return Pack{}, err
		}
	}
	return pack, nil
}

// readElements reads an element string as a scanner sends it: identifiers without
// brackets, and separators after values of variable length.
func readElements(scan string, today time.Time) (Pack, error) {
	var pack Pack
	for scan != "" {
		id, ok := identifierOf(scan)
		if !ok {
			return Pack{}, wrong("must be a GS1 element string or an article number of 8, 12, 13 or 14 digits; %q is not an application identifier that is read here", start(scan))
		}
		known, rest := identifiers[id], scan[len(id):]
		value, next, separated := strings.Cut(rest, Separator)
		if known.fixed {
			if len(value) < known.length {
				return Pack{}, wrong("(%s) must have %d characters; it has %d", id, known.length, len(value))
			}
			if next = rest[known.length:]; strings.HasPrefix(next, Separator) {
				next = next[1:] // superfluous, and allowed
			}
			value = rest[:known.length]
		}
		if err := pack.add(id, value, today); err != nil {
			if !known.fixed && len(value) > known.length && !separated {
				err = wrong("(%s) must have at most %d characters; it has %d: the scanner may have lost the separator FNC1, which it must send as 0x1D", id, known.length, len(value))
			}
			return Pack{}, err
		}
		if id == "10" && !separated {
			pack.addShorterLots(value, today)
		}
		scan = next
	}
	return pack, nil
}

// add takes in one element, after checking its length and its characters against the
// identifier. Elements that are not used here go to Other.
func (p *Pack) add(id, value string, today time.Time) error {
	known, ok := identifiers[id]
	switch {
	case !ok:
		return wrong("(%s) is not an application identifier that is read here", id)
	case value == "":
		return wrong("(%s) must have a value", id)
	case len(value) > known.length:
		return wrong("(%s) must have at most %d characters; it has %d", id, known.length, len(value))
	case known.numeric && !digits(value):
		return wrong("(%s) must be digits; it is %q", id, value)
	}
	for _, r := range value {
		if !strings.ContainsRune(characters, r) {
			return wrong("(%s) must not contain %q", id, r)
		}
	}
	switch id {
	case "01":
		if p.GTIN != "" && p.GTIN != value {
			return wrong("must be the scan of one pack; it has the article numbers %s and %s", p.GTIN, value)
		}
		p.GTIN = value
		return CheckGTIN(value)
	case "10":
		if len(p.Lots) > 0 && p.Lots[0] != value {
			return wrong("must be the scan of one pack; it has the lots %s and %s", p.Lots[0], value)
		}
		p.Lots = []string{value}
	case "11", "15", "17":
		day, err := date(id, value, today)
		if err != nil {
			return err
		}
		field := map[string]*time.Time{"11": &p.Produced, "15": &p.BestBefore, "17": &p.Expires}[id]
		if !field.IsZero() && !field.Equal(day) {
			return wrong("must be the scan of one pack; it has two different dates (%s)", id)
		}
		*field = day
	default:
		p.Other = append(p.Other, "("+id+")"+value)
	}
	return nil
}

// addShorterLots adds the readings of a lot that end before what looks like a date
// element or a serial number, in case the separator was lost.
//
// The longest reading stays the first in Lots. A person decides; nothing is discarded.
func (p *Pack) addShorterLots(value string, today time.Time) {
	for i := 1; i < len(value); i++ {
		id, ok := identifierOf(value[i:])
		if !ok {
			continue
		}
		var rest Pack
		switch tail := value[i+len(id):]; id {
		case "11", "15", "17":
			if len(tail) == 6 && rest.add(id, tail, today) == nil {
				p.Lots = append(p.Lots, value[:i])
			}
		case "21":
			if tail != "" && rest.add(id, tail, today) == nil {
				p.Lots = append(p.Lots, value[:i])
			}
		}
	}
}

// Fill fills a short article number with zeros on the left, to 14 digits.
//
// The result is the form in which article numbers are compared; an EAN-13 and its
// GTIN-14 are then equal.
func Fill(gtin string) string { return strings.Repeat("0", max(0, 14-len(gtin))) + gtin }

// CheckGTIN checks an article number of 8, 12, 13 or 14 digits: its last digit is the
// one that the others give. From the right, every other digit counts three times, and
// the check digit fills the sum up to a multiple of ten (GS1 General Specifications,
// section 7.9.1).
func CheckGTIN(gtin string) error {
	gtin = Fill(gtin)
	sum := 0
	for i, digit := range gtin[:13] {
		weight := 3
		if i%2 == 1 {
			weight = 1
		}
		sum += weight * int(digit-'0')
	}
	if want := (10 - sum%10) % 10; want != int(gtin[13]-'0') {
		return wrong("the article number %s must end with the check digit %d; scan again or compare it with the print", gtin, want)
	}
	if strings.Trim(gtin, "0") == "" {
		return wrong("the article number must not be all zeros")
	}
	return nil
}

// date reads YYMMDD. Day 00 is the last day of the month (GS1 General
// Specifications, section 3.4, expiration date). The year is within 50 years of
// today (section 7.12, from memory).
//
// Errors name the identifier and the expected form.
func date(id, value string, today time.Time) (time.Time, error) {
	year, month, day := number(value[:2]), number(value[2:4]), number(value[4:])
	century := today.Year() / 100 * 100
	switch difference := year - today.Year()%100; {
	case difference >= 51:
		century -= 100
	case difference <= -50:
		century += 100
	}
	last := time.Date(century+year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
	if month < 1 || month > 12 || day > last {
		return time.Time{}, wrong("(%s) must be a date YYMMDD, with day 00 for the last day of the month; it is %s", id, value)
	}
	if day == 0 {
		day = last
	}
	return time.Date(century+year, time.Month(month), day, 0, 0, 0, 0, time.UTC), nil
}

// number returns the value of two digits.
func number(text string) int { return int(text[0]-'0')*10 + int(text[1]-'0') }

// digits reports whether a text is digits only.
func digits(text string) bool { return strings.Trim(text, "0123456789") == "" }

// start is the beginning of a scan, for an error text.
func start(scan string) string { return scan[:min(len(scan), 4)] }
