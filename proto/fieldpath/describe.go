package fieldpath

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"unicode/utf8"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Kind is what kind of answer a field takes. A till draws another control for each; a kind
// that it does not know it shows as a text to be answered on another screen.
type Kind int

const (
	// KindAnswer is yes, no or not sure: the contract's Answer.
	KindAnswer Kind = iota + 1
	// KindChoice is one value of another enum.
	KindChoice
	// KindNumber is a number, with a unit and a range.
	KindNumber
	// KindText is a text or the name of a record.
	KindText
	// KindTime is an instant.
	KindTime
	// KindDate is a calendar day, or a month or a year.
	KindDate
	// KindEvent is a past event as a whole: whether and when.
	KindEvent
	// KindDoctorsWords is the list of what doctors said.
	KindDoctorsWords
	// KindElement is that there is a zone or a section; it is named, not answered.
	KindElement
)

// Choice is one value that a field may take.
type Choice struct {
	Value  string // as the contract writes it: "TEXTURE_FINE"
	Number protoreflect.EnumNumber
	Word   string // in lower case: "fine"; to be shown where no better text is at hand
}

// Description says what a field takes. It is read from the contract alone: the kinds of
// its fields and its rules of input. A till can draw a field from it, and an answer that
// breaks it is refused.
type Description struct {
	Kind    Kind
	Choices []Choice
	// Unit is that of a number, from the end of the field's name: "mm", "percent",
	// "minutes", "years", "days"; empty: none, as for a ratio.
	Unit string
	// Min and Max are the limits of a number, both allowed; nil: no limit.
	Min, Max *float64
	// Whole numbers have no fraction.
	Whole bool
	// MaxLength is the most characters of a text; 0: no limit.
	MaxLength int
	// Reference is the type of record that a text names, "alkalog/Product"; empty: none.
	Reference string
	pattern   *regexp.Regexp
}

// units are the ends of names that state a unit; see the conventions of the contract.
var units = []string{"mm", "percent", "minutes", "years", "days"}

// Describe says what the field at the path takes. It is the same for every zone and section.
// What it tells is enough to check a value before it is sent; whether the answer is asked,
// and in which words, is for the policy to say.
func (p Path) Describe() Description {
	f := p.last().field
	d := Description{Kind: p.kind()}
	rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	switch d.Kind {
	case KindAnswer, KindChoice:
		d.Choices = choices(f.Enum(), rules.GetEnum().GetNotIn())
	case KindNumber:
		d.Unit = unitOf(string(f.Name()))
		d.Min, d.Max = limits(rules)
		d.Whole = f.Kind() != protoreflect.DoubleKind
	case KindText:
		d.MaxLength = int(rules.GetString().GetMaxLen())
		if pattern := rules.GetString().GetPattern(); pattern != "" {
			d.pattern = regexp.MustCompile(pattern)
		}
		if r, _ := proto.GetExtension(f.Options(), annotations.E_ResourceReference).(*annotations.ResourceReference); r != nil {
			d.Reference = r.GetType()
		}
	}
	return d
}

// kind is the kind of the field. A message that is neither a time nor a date is a past
// event: Parse lets no path end at another one.
func (p Path) kind() Kind {
	s := p.last()
	f := s.field
	switch {
	case s.key != "":
		return KindElement
	case f.IsList():
		return KindDoctorsWords
	case f.Enum() != nil && f.Enum().FullName() == "alkalog.v1.Answer":
		return KindAnswer
	case f.Enum() != nil:
		return KindChoice
	case f.Message() != nil && f.Message().FullName() == "google.protobuf.Timestamp":
		return KindTime
	case f.Message() != nil && f.Message().FullName() == "google.type.Date":
		return KindDate
	case f.Message() != nil:
		return KindEvent
	case f.Kind() == protoreflect.StringKind:
		return KindText
	}
	return KindNumber
}

// choices are the values of an enum but for the unspecified one, which is no answer, and
// those that the field's rules exclude; in the contract's order.
func choices(e protoreflect.EnumDescriptor, not []int32) []Choice {
	var all []Choice
	excluded := map[protoreflect.EnumNumber]bool{0: true}
	for _, n := range not {
		excluded[protoreflect.EnumNumber(n)] = true
	}
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); !excluded[v.Number()] {
			all = append(all, Choice{string(v.Name()), v.Number(), strings.ToLower(strings.ReplaceAll(shortName(v), "_", " "))})
		}
	}
	return all
}

// unitOf is the unit at the end of a field's name, by the conventions of the contract.
func unitOf(name string) string {
	for _, unit := range units {
		if strings.HasSuffix(name, "_"+unit) {
			return unit
		}
	}
	return ""
}

// limits are the smallest and the largest number that the contract allows. It states
// numbers with gte and lte only; a test checks that.
func limits(r *validate.FieldRules) (lowest, highest *float64) {
	if d := r.GetDouble(); d != nil {
		return number(d.HasGte(), d.GetGte()), number(d.HasLte(), d.GetLte())
	}
	if i := r.GetInt32(); i != nil {
		return number(i.HasGte(), float64(i.GetGte())), number(i.HasLte(), float64(i.GetLte()))
	}
	return nil, nil
}

// number is a limit, if it was given.
func number(given bool, n float64) *float64 {
	if !given {
		return nil
	}
	return &n
}

// CheckNumber says what would be right in the place of a number; empty: it is right. What is
// no number, or infinite, never is: a comparison with it could be true by accident.
func (d Description) CheckNumber(n float64) string {
	out := math.IsNaN(n) || math.IsInf(n, 0) || d.Whole && n != math.Trunc(n) ||
		d.Min != nil && n < *d.Min || d.Max != nil && n > *d.Max
	if !out {
		return ""
	}
	want := "must be a number"
	if d.Whole {
		want = "must be a whole number"
	}
	if d.Min != nil && d.Max != nil {
		want += fmt.Sprintf(" from %v to %v", *d.Min, *d.Max)
	}
	if d.Unit != "" {
		want += " (" + d.Unit + ")"
	}
	return want
}

// CheckText says what would be right in the place of a text; empty: it is right.
func (d Description) CheckText(text string) string {
	switch {
	case text == "":
		return "must not be empty; name the field in clear_fields to take an answer away"
	case d.MaxLength > 0 && utf8.RuneCountInString(text) > d.MaxLength:
		return fmt.Sprintf("must have at most %d characters", d.MaxLength)
	case d.pattern == nil || d.pattern.MatchString(text):
		return ""
	case d.Reference != "":
		return "must be the name of a " + strings.ToLower(strings.TrimPrefix(d.Reference, "alkalog/")) + ", as chains/CHAIN/..."
	}
	return "must not hold control characters, nor marks that turn the direction of text"
}

// ChoiceOf finds a choice by its value; want says what would be right when it is none. Names
// of other enums, numbers and words are none.
func (d Description) ChoiceOf(value string) (n protoreflect.EnumNumber, want string) {
	var values []string
	for _, c := range d.Choices {
		if c.Value == value {
			return c.Number, ""
		}
		values = append(values, c.Value)
	}
	return 0, "must be one of " + strings.Join(values, ", ")
}

// Takes says in words what kind of value an answer must be given as.
func (d Description) Takes() string {
	switch d.Kind {
	case KindAnswer:
		return "an answer (yes, no or not sure) or a choice"
	case KindChoice:
		return "a choice"
	case KindNumber:
		return "a number"
	case KindText:
		return "a text"
	case KindTime:
		return "a time"
	case KindDate:
		return "a date"
	case KindEvent:
		return "an event"
	case KindDoctorsWords:
		return "a doctors_word"
	}
	return "nothing: answer one of its fields"
}
