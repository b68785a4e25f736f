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

// fieldOf is the path of what is wrong; a rule of the whole message has none.
func fieldOf(v *protovalidate.Violation) string {
	return cmp.Or(protovalidate.FieldPathString(v.Proto.GetField()), "request")
}

// want says what would be right. It never repeats what was sent.
func want(v *protovalidate.Violation) string {
	field := v.FieldDescriptor
	switch rule := v.Proto.GetRuleId(); {
	case rule == "required" && field == nil:
		return "must be given: one of its fields"
	case rule == "required":
		return "must be given"
	case rule == "string.uuid", rule == "string.uuid_empty":
		return "must be a UUID, such as 018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"
	case rule == "string.pattern":
		return wantPattern(field, v.RuleValue.String())
	case strings.HasPrefix(rule, "enum.") && field.Enum() != nil:
		return "must be one of " + strings.Join(valuesOf(field.Enum()), ", ")
	}
	return v.Proto.GetMessage()
}

// wantPattern says in words what a pattern of the contract asks for.
func wantPattern(field protoreflect.FieldDescriptor, pattern string) string {
	switch {
	case strings.Contains(pattern, "chains/"):
		return "must be a name like " + nameLike(field) + exceptions(pattern)
	case strings.HasPrefix(pattern, `^[^\x{0}-`):
		return "must not hold control characters, nor marks that turn the direction of text"
	case pattern == `^[a-z0-9][a-z0-9-]{0,62}$`:
		return "must be 1 to 63 lower-case letters, digits and hyphens, not beginning with a hyphen"
	case strings.Contains(pattern, `[a-z][a-z0-9-]{0,31}`):
		return "must be 1 to 32 lower-case letters, digits and hyphens, beginning with a letter" + exceptions(pattern)
	}
	return "must match " + pattern
}

// exceptions is what a pattern allows beside the usual.
func exceptions(pattern string) string {
	switch {
	case strings.HasPrefix(pattern, "^(") && strings.HasSuffix(pattern, ")?$"):
		return ", or empty"
	case strings.Contains(pattern, "|-)"):
		return ", or end in - for all"
	}
	return ""
}

// nameLike is the pattern of the resource that a field names: the one it refers
// to, or for a record's own name the record's.
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

// namePattern is the pattern of a record's name, such as "chains/{chain}".
func namePattern(record protoreflect.MessageDescriptor) string {
	resource, _ := proto.GetExtension(record.Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
	return strings.Join(resource.GetPattern(), " or ")
}

// valuesOf lists an enum's values, without the one for "not answered".
func valuesOf(enum protoreflect.EnumDescriptor) []string {
	var names []string
	for i := range enum.Values().Len() {
		if v := enum.Values().Get(i); v.Number() != 0 {
			names = append(names, string(v.Name()))
		}
	}
	return names
}
