// Package contract reads the options that the contract (proto/alkalog/v1) states on
// its enum values and fields, so that no other package keeps a second copy of them.
//
// rank, on the values of an enum, says how severe a value is. The number of a value
// says nothing about that: a verdict, severity or alarm that is added later takes
// the next free number.
//
// terms, on the values of ErrorReason, and reasons, on an RPC, say which errors an RPC
// can fail with.
//
// data_class, on a field, or fields_data_class, on its message, says what personal
// data the field may hold: what may be logged and what may be on the audit log.
//
// It depends on the generated code alone, so that engines, services and the server
// can all use it.
package contract

import (
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// DataClass is the class of a field: its own if it states one, otherwise its
// message's.
func DataClass(field protoreflect.FieldDescriptor) pb.DataClass {
	if own := OwnDataClass(field); own != pb.DataClass_DATA_CLASS_UNSPECIFIED {
		return own
	}
	return proto.GetExtension(field.ContainingMessage().Options(), pb.E_FieldsDataClass).(pb.DataClass)
}

// OwnDataClass is the class that the field itself states.
func OwnDataClass(field protoreflect.FieldDescriptor) pb.DataClass {
	return proto.GetExtension(field.Options(), pb.E_DataClass).(pb.DataClass)
}

// Loggable reports whether values of a class may be written to the server's log.
// A field without a class may not.
func Loggable(c pb.DataClass) bool {
	return c == pb.DataClass_DATA_CLASS_NONE || c == pb.DataClass_DATA_CLASS_IDENTIFIER
}

// Auditable reports whether values of a class may be on the audit log in clear
// text.
func Auditable(c pb.DataClass) bool {
	return Loggable(c) || c == pb.DataClass_DATA_CLASS_REASON
}

// IsText reports whether a field holds text: a string or bytes.
func IsText(field protoreflect.FieldDescriptor) bool {
	return field.Kind() == protoreflect.StringKind || field.Kind() == protoreflect.BytesKind
}

// Redact replaces every value of a message's text fields that may not be logged
// with the name of its class. Texts shorter than three bytes are replaced too, so
// a redacted text can be hard to read; it is never less safe.
func Redact(m proto.Message, text string) string {
	if m == nil || !m.ProtoReflect().IsValid() {
		return text
	}
	var pairs []string
	texts(m.ProtoReflect(), func(field protoreflect.FieldDescriptor, value string) {
		if c := DataClass(field); value != "" && !Loggable(c) {
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
