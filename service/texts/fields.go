package texts

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// Choice returns the words for a choice, such as "Not sure" for ANSWER_UNSURE, and
// whether they were reviewed. A value that the catalogue does not have gives "".
func Choice(lang string, value protoreflect.EnumValueDescriptor) (text string, reviewed bool) {
	return Text(lang, "choices/"+string(value.Name()), nil)
}

// Question translates the question of a field, with the zone or section that it is
// about in front, as the engine writes it: path is that of the field, such as
// "consultation.hair.zones[ends].condition", and english its question. It returns ""
// when there is no translation; see Translate.
func Question(lang, path, english string) (text string, reviewed bool) {
	about, field := cutSubject(path)
	if about == "" {
		return Translate(lang, "questions/"+field, english, nil)
	}
	_, question, _ := strings.Cut(english, ": ")
	text, reviewed = Translate(lang, "questions/"+field, question, nil)
	if text == "" {
		return "", false
	}
	return About(lang, about, text), reviewed
}

// About puts the zone or section that a text is about in front of it. A subject is
// written as in a finding: "zone:ends", "section:nape".
func About(lang, subject, text string) string {
	kind, name, _ := strings.Cut(subject, ":")
	switch kind {
	case "zone":
		value := "choices/ZONE_" + strings.ToUpper(strings.ReplaceAll(name, "-", "_"))
		zone, _ := Text(lang, value, nil)
		text, _ = Text(lang, "forms/zone", Args{"zone": zone, "text": text})
	case "section":
		text, _ = Text(lang, "forms/section", Args{"section": name, "text": text})
	}
	return text
}

// cutSubject splits the path of a field into its zone or section and the field as a
// rule names it: "zone:ends" and "zone.condition". The subject of a field of the whole
// case is "".
func cutSubject(path string) (subject, field string) {
	collections := []struct{ before, kind, field string }{
		{"consultation.hair.zones[", "zone:", "zone"},
		{"consultation.hair.sections[", "section:", "section"},
		{"section_products[", "section:", ""},
	}
	for _, c := range collections {
		if rest, ok := strings.CutPrefix(path, c.before); ok {
			name, field, _ := strings.Cut(rest, "]")
			return c.kind + name, strings.TrimPrefix(c.field+field, ".")
		}
	}
	return "", path
}
