package serve

import (
	"cmp"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// fieldPath returns the path of the invalid field; "request" for a rule of the
// whole message.
func fieldPath(v *protovalidate.Violation) string {
	return cmp.Or(protovalidate.FieldPathString(v.Proto.GetField()), "request")
}

// fieldDescriptor returns the field of a violation; nil for a oneof. (The
// violation has it too, but not for list items.)
func fieldDescriptor(m proto.Message, v *protovalidate.Violation) (field protoreflect.FieldDescriptor) {
	holder := m.ProtoReflect().Descriptor()
	for _, e := range v.Proto.GetField().GetElements() {
		if holder == nil {
			return nil
		}
		if field = holder.Fields().ByNumber(protoreflect.FieldNumber(e.GetFieldNumber())); field == nil {
			return nil
		}
		holder = field.Message()
	}
	return field
}

// wantText returns what a message should contain instead. It never repeats the
// value that was sent. The texts of the validation library serve for numbers and
// lengths; those for patterns and enums would show a regular expression or a
// number.
func wantText(m proto.Message, v *protovalidate.Violation) string {
	field := fieldDescriptor(m, v)
	switch rule := v.Proto.GetRuleId(); {
	case rule == "required" && field == nil:
		return "exactly one of its fields must be set"
	case rule == "required":
		return "must be given"
	case rule == "string.uuid", rule == "string.uuid_empty":
		return "must be a UUID, such as 018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"
	case rule == "string.pattern":
		return wantPattern(field, v.RuleValue.String())
	case rule == "enum.in":
		return wantEnum(field.Enum(), v.RuleValue.List())
	case strings.HasPrefix(rule, "enum."):
		return wantEnum(field.Enum(), nil)
	}
	return v.Proto.GetMessage()
}

// wantEnum lists the values of an enum: the allowed ones, or all except the
// zero value.
func wantEnum(enum protoreflect.EnumDescriptor, allowed protoreflect.List) string {
	var numbers []protoreflect.EnumNumber
	if allowed == nil {
		for i := range enum.Values().Len() {
			numbers = append(numbers, enum.Values().Get(i).Number())
		}
	} else {
		for i := range allowed.Len() {
			numbers = append(numbers, protoreflect.EnumNumber(allowed.Get(i).Int()))
		}
	}
	var names []string
	for _, number := range numbers {
		if value := enum.Values().ByNumber(number); value != nil && number != 0 {
			names = append(names, string(value.Name()))
		}
	}
	return "must be one of " + strings.Join(names, ", ")
}

// patternTexts describes each pattern of the contract. A test fails if a pattern
// of the contract has no text.
func patternTexts() map[string]string {
	return map[string]string{
		`^[a-z0-9][a-z0-9-]{0,62}$`:               "must be 1 to 63 lower-case letters, digits and hyphens, not beginning with a hyphen",
		`^[a-z][a-z0-9-]{0,31}$`:                  "must be 1 to 32 lower-case letters, digits and hyphens, beginning with a letter",
		`^[A-Z][A-Z0-9_]{2,62}$`:                  "must be 3 to 63 capital letters, digits and underscores, beginning with a letter",
		`^[12][0-9]{3}-[01][0-9]-[0-3][0-9]$`:     "must be a date like 1990-04-27",
		`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8}){0,3}$`: "must be a language tag like pt-BR",
		`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`:             "must be a code like FR or US-TX (ISO 3166)",
		`^([0-9]{8}|[0-9]{12,14})$`:               "must be a GTIN of 8, 12, 13 or 14 digits",
		`^[0-9]{1,15}$`:                           "must be 1 to 15 digits",
		`^[a-z][a-z0-9_]{0,62}$`:                  "must be 1 to 63 lower-case letters, digits and underscores, beginning with a letter",
		`^[A-Za-z0-9_+/-]*$`:                      "must hold letters, digits and _ + / - only, like Europe/London",
		`^[0-9a-f]{64}$`:                          "must be 64 lower-case hexadecimal digits, a SHA-256",
		`^school\.[a-z0-9][a-z0-9-]{0,40}$`:       "must be school. and then 1 to 41 lower-case letters, digits and hyphens, not beginning with a hyphen",
		`^[a-z][a-z0-9-]*(\.[a-z][a-z0-9-]*)+$`: "must be words of lower-case letters, digits and hyphens, " +
			"each beginning with a letter, joined by dots",
		`^[^\x{0}-\x{8}\x{b}\x{c}\x{e}-\x{1f}\x{7f}\x{202a}-\x{202e}\x{2066}-\x{2069}]*$`: "must not hold control characters, " +
			"nor marks that turn the direction of text",
	}
}

// wantPattern describes a pattern. A pattern of a resource name is replaced by an
// example of the name.
func wantPattern(field protoreflect.FieldDescriptor, pattern string) string {
	if strings.Contains(pattern, "chains/") {
		return "must be a name like " + nameLike(field) + exceptions(pattern)
	}
	must := pattern
	if inner, ok := strings.CutPrefix(pattern, "^("); ok && strings.HasSuffix(pattern, ")?$") {
		must = "^" + strings.TrimSuffix(inner, ")?$") + "$"
	}
	if words, ok := patternTexts()[must]; ok {
		return words + exceptions(pattern)
	}
	return "must match " + pattern
}

// exceptions describes what a pattern allows in addition.
func exceptions(pattern string) string {
	switch {
	case strings.HasPrefix(pattern, "^(") && strings.HasSuffix(pattern, ")?$"):
		return ", or empty"
	case strings.Contains(pattern, "|-)"):
		return ", or end in - for all"
	}
	return ""
}

// nameLike returns the pattern of the resource that a field names: the referenced
// one, or for a record's own name the pattern of the record. A field that names
// several kinds of records gets a general example.
func nameLike(field protoreflect.FieldDescriptor) string {
	reference, _ := proto.GetExtension(field.Options(), annotations.E_ResourceReference).(*annotations.ResourceReference)
	if reference.GetType() == "" {
		return namePattern(field.ContainingMessage())
	}
	like := "chains/{chain}/..."
	protoregistry.GlobalTypes.RangeMessages(func(m protoreflect.MessageType) bool {
		resource, _ := proto.GetExtension(m.Descriptor().Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
		if resource.GetType() == reference.GetType() {
			like = namePattern(m.Descriptor())
		}
		return resource.GetType() != reference.GetType()
	})
	return like
}

// namePattern returns the pattern of a record's name, such as "chains/{chain}".
func namePattern(record protoreflect.MessageDescriptor) string {
	resource, _ := proto.GetExtension(record.Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
	return strings.Join(resource.GetPattern(), " or ")
}
