// Package dataclass reads from the contract what personal data a field may hold:
// the option data_class of a field, or fields_data_class of its message.
package dataclass

import (
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Of is the class of a field: its own, or else its message's.
func Of(field protoreflect.FieldDescriptor) pb.DataClass {
	if own := Own(field); own != pb.DataClass_DATA_CLASS_UNSPECIFIED {
		return own
	}
	return proto.GetExtension(field.ContainingMessage().Options(), pb.E_FieldsDataClass).(pb.DataClass)
}

// Own is the class that the field itself states.
func Own(field protoreflect.FieldDescriptor) pb.DataClass {
	return proto.GetExtension(field.Options(), pb.E_DataClass).(pb.DataClass)
}

// Loggable reports whether values of a class may be written to the server's log.
// A field without a class may not.
func Loggable(c pb.DataClass) bool {
	return c == pb.DataClass_DATA_CLASS_NONE || c == pb.DataClass_DATA_CLASS_IDENTIFIER
}

// Auditable reports whether values of a class may stand on the audit log in
// clear.
func Auditable(c pb.DataClass) bool {
	return Loggable(c) || c == pb.DataClass_DATA_CLASS_REASON
}

// IsText reports whether a field holds text: a string or bytes.
func IsText(field protoreflect.FieldDescriptor) bool {
	return field.Kind() == protoreflect.StringKind || field.Kind() == protoreflect.BytesKind
}

// Redact replaces in a text whatever stands in text fields of a message that may
// not be logged by the name of its class. Texts shorter than three bytes are
// replaced too, so a redacted text can be hard to read; it is never less safe.
func Redact(m proto.Message, text string) string {
	if m == nil || !m.ProtoReflect().IsValid() {
		return text
	}
	var pairs []string
	texts(m.ProtoReflect(), func(field protoreflect.FieldDescriptor, value string) {
		if c := Of(field); value != "" && !Loggable(c) {
			pairs = append(pairs, value, "["+strings.TrimPrefix(c.String(), "DATA_CLASS_")+"]")
		}
	})
	return strings.NewReplacer(pairs...).Replace(text)
}

// texts visits the values of all text fields of a message and of those in it.
func texts(m protoreflect.Message, visit func(protoreflect.FieldDescriptor, string)) {
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		values := []protoreflect.Value{value}
		if field.IsList() {
			values = nil
			for i := range value.List().Len() {
				values = append(values, value.List().Get(i))
			}
		}
		for _, v := range values {
			switch {
			case field.Message() != nil:
				texts(v.Message(), visit)
			case field.Kind() == protoreflect.StringKind:
				visit(field, v.String())
			case field.Kind() == protoreflect.BytesKind:
				visit(field, string(v.Bytes()))
			}
		}
		return true
	})
}
