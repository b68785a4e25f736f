package serve

import (
	"strings"
	"unicode"

	"buf.build/go/protovalidate"
	"golang.org/x/text/unicode/norm"
	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/service/fault"
)

// displayName is the name of the fields that hold names for people.
const displayName = "display_name"

// normalizeNames converts display names to Unicode Normalization Form C (UAX
// #15), so that equal names compare equal independently of the keyboard. It
// changes the request before it is validated and stored.
func normalizeNames(m protoreflect.Message) {
	visitMessages(m, "", func(m protoreflect.Message, _ string) []fault.Violation {
		normalizeNames(m)
		return nil
	})
	if field := m.Descriptor().Fields().ByName(displayName); field != nil && m.Has(field) {
		m.Set(field, protoreflect.ValueOfString(norm.NFC.String(m.Get(field).String())))
	}
}

// invisibleNames returns the display names without a visible character. A name
// that shows nothing would hide a record in every list. counts excludes the
// fields that an update leaves alone.
func invisibleNames(m protoreflect.Message, counts protovalidate.Filter, path string) []fault.Violation {
	found := visitMessages(m, path, func(m protoreflect.Message, at string) []fault.Violation { return invisibleNames(m, counts, at) })
	field := m.Descriptor().Fields().ByName(displayName)
	if field == nil || !m.Has(field) || counts != nil && !counts.ShouldValidate(m, field) || strings.ContainsFunc(m.Get(field).String(), visible) {
		return found
	}
	return append(found, fault.Violation{Field: strings.TrimPrefix(path+"."+displayName, "."), Want: "must have at least one visible character"})
}

// visible reports whether a character is visible by itself. Letters that are
// drawn as nothing, such as the Hangul filler, have the property
// Default_Ignorable_Code_Point (UAX #44); the blank Braille pattern does not have
// it, but is drawn as nothing too. A name of blanks and marks alone shows nothing
// either.
func visible(r rune) bool {
	const blankBraille = '\u2800'
	return unicode.In(r, unicode.L, unicode.N, unicode.P, unicode.S) &&
		!unicode.Is(unicode.Other_Default_Ignorable_Code_Point, r) && r != blankBraille && r != unicode.ReplacementChar
}
