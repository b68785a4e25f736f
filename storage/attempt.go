package storage

import (
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// withoutAttempt is a message without the fields that belong to one attempt of a
// call (option per_attempt), at any depth: what of a request is compared when its
// id is repeated, and what of a request and an answer is stored. A message that
// has no such field is returned as it is; any other is copied.
func withoutAttempt(m proto.Message) proto.Message {
	if m == nil || !hasAttempt(m.ProtoReflect().Descriptor()) {
		return m
	}
	m = proto.Clone(m)
	clearAttempt(m.ProtoReflect())
	return m
}

// ofAttempt reports whether a field belongs to one attempt of a call.
func ofAttempt(f protoreflect.FieldDescriptor) bool {
	return proto.GetExtension(f.Options(), pb.E_PerAttempt).(bool)
}

func clearAttempt(m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case ofAttempt(f):
			m.Clear(f)
		case f.Message() == nil || f.IsMap(): // the contract has no maps
		case f.IsList():
			for i := range v.List().Len() {
				clearAttempt(v.List().Get(i).Message())
			}
		default:
			clearAttempt(v.Message())
		}
		return true
	})
}

// attempts remembers by message type what hasAttempt found.
var attempts sync.Map // protoreflect.FullName to bool

// hasAttempt reports whether messages of a type can hold a field of one attempt,
// at any depth.
func hasAttempt(d protoreflect.MessageDescriptor) bool {
	if known, ok := attempts.Load(d.FullName()); ok {
		return known.(bool)
	}
	found := findAttempt(d, map[protoreflect.FullName]bool{})
	attempts.Store(d.FullName(), found)
	return found
}

func findAttempt(d protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) bool {
	if seen[d.FullName()] {
		return false
	}
	seen[d.FullName()] = true
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		if ofAttempt(f) || f.Message() != nil && findAttempt(f.Message(), seen) {
			return true
		}
	}
	return false
}
