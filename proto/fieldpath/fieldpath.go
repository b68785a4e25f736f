// Package fieldpath names one answer of a case: "consultation.scalp.broken_skin",
// "consultation.hair.zones[ends].condition". Questions, forms, origins and answers all
// use these paths, and this package is the only one that reads them.
//
// # Grammar
//
//	path = step *( "." step )
//	step = name [ "[" key "]" ]
//
// Names are the contract's field names, from DecisionInputs inwards, so that a path is
// found in the descriptors and nowhere else. A key names an element of a list: the zone
// of a HairZone in lower case with hyphens ("new-growth"), the section_id of a
// HeadSection or a SectionProduct. A list without such a key, as the doctor's words are,
// is one answer as a whole. Times and dates are leaves. There is one spelling of each
// path, so paths can be compared as strings and used as the key of a list.
//
// # What can be named
//
// The answers of a consultation, and what a check brings along itself: service_kind,
// lot_code, what_changed and section_products[id].lot_code. What the server sets, the
// salon, the practitioner, and the key of an element are no answers and have no path:
// nobody can be asked for them and no answer can change them.
//
// # Why not field masks
//
// A field mask (AIP-161) cannot name an element of a list, and a mask that names
// "scalp" replaces the whole message: a till that sends only the redness erases the broken
// skin. The path of one answer changes that answer and leaves its neighbours.
//
// # Stability
//
// A path is stored with origins and in the questions of decisions, so what it means must
// not change: fields of the contract are never renamed, and a path that can be written
// today can be written in every later version. What is new is found by itself, because the
// descriptors are read and no list of paths is kept.
//
// The package is pure. It reads descriptors and messages, and depends on the generated
// code alone.
package fieldpath

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Path is the parsed path of an answer. The zero Path names nothing.
type Path struct {
	text  string
	steps []step
}

// step is a field, and the key of the element if it is a list that has keys. A key is kept
// as it is written; only value.go turns it into a value.
type step struct {
	field protoreflect.FieldDescriptor
	key   string
}

// String returns the only spelling of the path.
func (p Path) String() string { return p.text }

// Field is the field that the path ends in.
func (p Path) Field() protoreflect.FieldDescriptor { return p.last().field }

// InConsultation tells whether the answer is stored with the consultation. The others
// are brought along with a check.
func (p Path) InConsultation() bool { return p.steps[0].field.Name() == "consultation" }

// IsElement tells whether the path names a whole element of a list: a zone, a section.
func (p Path) IsElement() bool { return p.last().key != "" }

func (p Path) last() step { return p.steps[len(p.steps)-1] }

// maxLength is the most characters that a path can have. Our own choice: the longest
// path of the contract has fewer than 100.
const maxLength = 200

// Parse reads a path. The error says what would be right, for INVALID_ARGUMENT: the names
// that can stand in that place, the keys of the list, or longer paths that begin so. It
// repeats at most one step of what was written. Parsing needs no message, so a path may name
// an element that no consultation has yet.
func Parse(text string) (Path, error) {
	if len(text) > maxLength {
		return Path{}, fmt.Errorf("must be the path of an answer of at most %d characters", maxLength)
	}
	p := Path{text: text}
	m := root()
	for _, part := range strings.Split(text, ".") {
		if m == nil {
			return Path{}, fmt.Errorf("must end at %s, which has no fields of its own", p.last().field.Name())
		}
		s, err := parseStep(m, part, len(p.steps))
		if err != nil {
			return Path{}, err
		}
		p.steps, m = append(p.steps, s), entered(s)
	}
	if !p.isAnswer() {
		return Path{}, fmt.Errorf("must name an answer, such as %s", strings.Join(examplesBelow(text, m), ", "))
	}
	return p, nil
}

// MustParse is Parse for paths that the program itself writes.
func MustParse(text string) Path {
	p, err := Parse(text)
	if err != nil {
		panic(fmt.Sprintf("%q %v", text, err))
	}
	return p
}

// root is the message that paths begin in.
func root() protoreflect.MessageDescriptor { return (&pb.DecisionInputs{}).ProtoReflect().Descriptor() }

// parseStep reads one step of a path inside a message; depth is its place in the path. Names
// and keys are compared as they are: there is no other case, no number in the place of a
// name, and no white space.
func parseStep(m protoreflect.MessageDescriptor, part string, depth int) (step, error) {
	name, key, keyed := strings.Cut(part, "[")
	field := m.Fields().ByName(protoreflect.Name(name))
	if field == nil || !nameable(field, depth) {
		return step{}, fmt.Errorf("must have one of %s in the place of %q", strings.Join(names(m, depth), ", "), name)
	}
	if !keyed {
		return step{field: field}, nil
	}
	key, closed := strings.CutSuffix(key, "]")
	k := keyOf(field)
	if k == nil || !closed || !validKey(k, key) {
		return step{}, fmt.Errorf("must be %s in the place of %q", wantStep(field, k), part)
	}
	return step{field, key}, nil
}

// names are the fields that can be named at a place of a path.
func names(m protoreflect.MessageDescriptor, depth int) []string {
	var all []string
	for i := range m.Fields().Len() {
		if f := m.Fields().Get(i); nameable(f, depth) {
			all = append(all, string(f.Name()))
		}
	}
	return all
}

// ofCheck are the inputs beside the consultation that a caller can be asked for.
var ofCheck = []protoreflect.Name{"consultation", "service_kind", "lot_code", "what_changed", "section_products"}

// nameable tells whether a field can be part of a path, at a depth of it. Of the
// consultation itself these are its parts and the remarks: everything else of it is
// book-keeping.
func nameable(f protoreflect.FieldDescriptor, depth int) bool {
	behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	switch {
	case depth == 0:
		return slices.Contains(ofCheck, f.Name())
	case slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY):
		return false
	case f.ContainingMessage().FullName() == "alkalog.v1.Consultation":
		return f.Name() == "remarks" || f.Message() != nil && !f.IsList()
	case f.ContainingMessage().FullName() == "alkalog.v1.SectionProduct":
		return f.Name() == "lot_code"
	}
	return f != keyIn(f.ContainingMessage())
}

// keyOf is the field whose value is the key of a list's elements; nil: the list has none.
func keyOf(list protoreflect.FieldDescriptor) protoreflect.FieldDescriptor {
	if !list.IsList() || list.Message() == nil {
		return nil
	}
	return keyIn(list.Message())
}

// keyIn is the field of a message that is its key in a list. The contract states for each of
// these lists that the key is unique; a list that is added to it gets a line here.
func keyIn(m protoreflect.MessageDescriptor) protoreflect.FieldDescriptor {
	switch m.FullName() {
	case "alkalog.v1.HairZone":
		return m.Fields().ByName("zone")
	case "alkalog.v1.HeadSection", "alkalog.v1.SectionProduct":
		return m.Fields().ByName("section_id")
	}
	return nil
}

// sectionID is the contract's pattern of a section_id. A test compares the two.
var sectionID = regexp.MustCompile(`^[a-z][a-z0-9-]{0,31}$`)

// validKey tells whether a key can be that of an element: a value of the enum but for the
// unspecified one, or a text of the contract's pattern.
func validKey(k protoreflect.FieldDescriptor, key string) bool {
	if k.Enum() != nil {
		return slices.Contains(enumKeys(k.Enum()), key)
	}
	return sectionID.MatchString(key)
}

// wantStep says how a step is written: with which key, or without one.
func wantStep(field, key protoreflect.FieldDescriptor) string {
	switch {
	case key == nil:
		return fmt.Sprintf("%q without a key", field.Name())
	case key.Enum() != nil:
		return fmt.Sprintf("%s[KEY] with a key of %s", field.Name(), strings.Join(enumKeys(key.Enum()), ", "))
	}
	return fmt.Sprintf("%s[KEY] with the id of a section, such as nape", field.Name())
}

// enumKeys are the values of an enum as keys: ZONE_NEW_GROWTH is "new-growth".
func enumKeys(e protoreflect.EnumDescriptor) []string {
	var keys []string
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			keys = append(keys, enumKey(v))
		}
	}
	return keys
}

// enumKey is one value as a key.
func enumKey(v protoreflect.EnumValueDescriptor) string {
	return strings.ReplaceAll(strings.ToLower(shortName(v)), "_", "-")
}

// shortName is the name of an enum's value without the prefix of its enum.
func shortName(v protoreflect.EnumValueDescriptor) string {
	e := v.Parent().(protoreflect.EnumDescriptor)
	prefix := strings.TrimSuffix(string(e.Values().ByNumber(0).Name()), "UNSPECIFIED")
	return strings.TrimPrefix(string(v.Name()), prefix)
}

// entered is the message whose fields may follow a step; nil: none may.
func entered(s step) protoreflect.MessageDescriptor {
	if s.field.Message() == nil || s.field.IsList() && s.key == "" || isLeafMessage(s.field.Message()) {
		return nil
	}
	return s.field.Message()
}

// isLeafMessage tells of messages that are one value.
func isLeafMessage(m protoreflect.MessageDescriptor) bool {
	return m.FullName() == "google.protobuf.Timestamp" || m.FullName() == "google.type.Date"
}

// isAnswer tells whether the path ends at something that can be answered at once: a
// leaf, a past event, a list without keys, or an element of a list.
func (p Path) isAnswer() bool {
	s := p.last()
	switch {
	case s.field.IsList():
		return s.key != "" && p.InConsultation() || keyOf(s.field) == nil
	case s.field.Message() != nil:
		return isLeafMessage(s.field.Message()) || s.field.Message().FullName() == "alkalog.v1.PastEvent"
	}
	return true
}

// examplesBelow are up to three paths that begin with one that is no answer.
func examplesBelow(text string, m protoreflect.MessageDescriptor) []string {
	if m == nil { // a list without its key
		return []string{text + "[KEY]"}
	}
	var all []string
	for _, name := range names(m, strings.Count(text, ".")+1) {
		if len(all) < 3 {
			all = append(all, text+"."+name)
		}
	}
	return all
}
