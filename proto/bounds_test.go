package proto_test

import (
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// TestInputIsBounded requires a limit on everything that a caller can send, so
// that no request can be answered with anything but a clear refusal when it is
// oversized or out of range. The contract states the limits.
func TestInputIsBounded(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	for _, file := range contractFiles() {
		for _, service := range all(file.Services()) {
			for _, method := range all(service.Methods()) {
				for _, breach := range unbounded(method.Input(), seen) {
					t.Error(breach)
				}
			}
		}
	}
	if len(seen) == 0 {
		t.Error("no message was looked at")
	}
}

// unbounded lists the fields without a limit in a message and in those it holds.
// It leaves out what the server sets, which is not read from callers.
func unbounded(message protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) complaints {
	var c complaints
	if seen[message.FullName()] || message.ParentFile().Package() != "alkalog.v1" {
		return c
	}
	seen[message.FullName()] = true
	for _, field := range all(message.Fields()) {
		if behaves(field, annotations.FieldBehavior_OUTPUT_ONLY) {
			continue
		}
		c.checkBound(field)
		if field.Message() != nil {
			c = append(c, unbounded(field.Message(), seen)...)
		}
	}
	return c
}

// checkBound requires a limit that fits the field's kind, and on lists one on
// their length too.
func (c *complaints) checkBound(field protoreflect.FieldDescriptor) {
	own := rules(field)
	if field.IsMap() {
		c.add(field, "a map has no order to store or compare; use a list")
		return
	}
	if field.IsList() {
		if own.GetRepeated().GetMaxItems() == 0 {
			c.add(field, "a list needs max_items")
		}
		own = own.GetRepeated().GetItems()
	}
	switch field.Kind() {
	case protoreflect.StringKind:
		if s := own.GetString(); s.GetMaxLen() == 0 && s.GetLen() == 0 && s.GetPattern() == "" && !s.GetUuid() && len(s.GetIn()) == 0 {
			c.add(field, "a string needs max_len, or a pattern that limits it")
		}
	case protoreflect.BytesKind:
		if own.GetBytes().GetMaxLen() == 0 && own.GetBytes().GetLen() == 0 {
			c.add(field, "bytes need max_len or len")
		}
	case protoreflect.EnumKind:
		if !own.GetEnum().GetDefinedOnly() && len(own.GetEnum().GetIn()) == 0 {
			c.add(field, "an enum needs defined_only")
		}
	case protoreflect.DoubleKind:
		if d := own.GetDouble(); !d.GetFinite() && (!d.HasLte() && !d.HasLt() || !d.HasGte() && !d.HasGt()) {
			c.add(field, "a double needs a lower and an upper limit, or to be finite")
		}
	case protoreflect.BoolKind, protoreflect.MessageKind:
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		if own.GetInt32() == nil && own.GetInt64() == nil {
			c.add(field, "a whole number needs a limit")
		}
	default:
		c.add(field, "a %s is not used in this contract", field.Kind())
	}
}
