package contract

import (
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Revision is the newest revision of the contract that this program knows. A till
// says by which one it was built in the request metadata alkalog-revision. It is
// raised once per release that adds a field to a request or a value to an enum; the
// added ones state it (field_since, value_since).
const Revision = 2

// A field that a server does not know could matter: a newer till may have said
// something that would change the decision, and a server that passes over it would
// decide without it. So a server refuses unknown fields. Fields that can never change a
// decision get a number of this range, and are passed over where they are not known.
// The number is all that an older server sees of a field. Two bytes encode the tags of the
// range, and what is not known is encoded last, so the bytes of a request are the same
// before and after a server learns the field: a retry at a newer server is still a retry.
const (
	firstIgnorable = 1000
	lastIgnorable  = 1999
)

// maxIgnored bounds the bytes of unknown fields in a message, which are stored with it.
// Our own choice.
const maxIgnored = 4096

// Ignorable reports whether a field that a reader does not know may be passed over.
func Ignorable(number protowire.Number) bool {
	return number >= firstIgnorable && number <= lastIgnorable
}

// FirstThatMatters returns the number of the first field among unknown ones that may
// not be passed over, and whether there is one. More unknown bytes than could be meant
// are not passed over either.
func FirstThatMatters(unknown protoreflect.RawFields) (protowire.Number, bool) {
	tooLong := len(unknown) > maxIgnored
	for len(unknown) > 0 {
		number, _, n := protowire.ConsumeField(unknown)
		if n < 0 || tooLong || !Ignorable(number) {
			return number, true
		}
		unknown = unknown[n:]
	}
	return 0, false
}

// Since returns the revision that brought a field.
func Since(field protoreflect.FieldDescriptor) int32 {
	return proto.GetExtension(field.Options(), pb.E_FieldSince).(int32)
}

// ValueSince returns the revision that brought a value.
func ValueSince(value protoreflect.EnumValueDescriptor) int32 {
	return proto.GetExtension(value.Options(), pb.E_ValueSince).(int32)
}

// Fallback returns the value that stands for a value where it is not known; nil: none.
func Fallback(value protoreflect.EnumValueDescriptor) protoreflect.EnumValueDescriptor {
	name := proto.GetExtension(value.Options(), pb.E_ValueFallback).(string)
	return value.Parent().(protoreflect.EnumDescriptor).Values().ByName(protoreflect.Name(name))
}

// ForRevision changes a message to what a reader of an older revision can read: a value
// that came later is replaced by its fallback, and by that one's if it came later too.
// Without a fallback the item of the list with the value is left out; a field outside of
// lists is cleared. Fields need nothing: a reader passes over what it does not know.
func ForRevision(m proto.Message, revision int) {
	if revision < Revision {
		forRevision(m.ProtoReflect(), int32(revision))
	}
}

// forRevision reports whether the message can be kept: false if one of its values has no
// fallback.
func forRevision(m protoreflect.Message, revision int32) (keep bool) {
	keep = true
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.IsList():
			olderList(field, value.List(), revision)
		case field.Enum() != nil:
			if number, ok := older(field.Enum(), value.Enum(), revision); ok {
				m.Set(field, protoreflect.ValueOfEnum(number))
			} else {
				m.Clear(field)
				keep = false
			}
		case field.Message() != nil:
			forRevision(value.Message(), revision)
		}
		return true
	})
	return keep
}

// olderList changes the items of a list, and leaves out those that cannot be read.
func olderList(field protoreflect.FieldDescriptor, list protoreflect.List, revision int32) {
	if field.Enum() == nil && field.Message() == nil {
		return
	}
	kept := 0
	for i := range list.Len() {
		item, ok := list.Get(i), true
		if field.Enum() != nil {
			var number protoreflect.EnumNumber
			number, ok = older(field.Enum(), item.Enum(), revision)
			item = protoreflect.ValueOfEnum(number)
		} else {
			ok = forRevision(item.Message(), revision)
		}
		if ok {
			list.Set(kept, item)
			kept++
		}
	}
	list.Truncate(kept)
}

// older returns the value that a reader of a revision knows; false: there is none. A
// value that this program does not know itself is passed on: readers are told how to
// take it.
func older(enum protoreflect.EnumDescriptor, number protoreflect.EnumNumber, revision int32) (protoreflect.EnumNumber, bool) {
	value := enum.Values().ByNumber(number)
	for value != nil && ValueSince(value) > revision {
		value, number = Fallback(value), 0
		if value == nil {
			return 0, false
		}
		number = value.Number()
	}
	return number, true
}
