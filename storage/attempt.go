package storage

import (
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// withoutAttempt returns a message without the fields that belong to one attempt of a
// call (contract option per_attempt), such as a till's clock reading, at any depth. Two
// attempts of one request are compared in this form, and requests and answers are
// stored in it. A message without such a field is returned as it is; any other is
// copied first.
func withoutAttempt(m proto.Message) proto.Message {
	if m == nil || !hasAttempt(m.ProtoReflect().Descriptor()) {
		return m
	}
	m = proto.Clone(m)
	clearAttempt(m.ProtoReflect())
	return m
}

// ofAttempt reports whether a field has the option per_attempt.
func ofAttempt(f protoreflect.FieldDescriptor) bool {
	return proto.GetExtension(f.Options(), pb.E_PerAttempt).(bool)
}

// clearAttempt clears the fields of one attempt in a message and in everything below
// it. It changes the message.
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

// attempts caches the result of hasAttempt by message type (protoreflect.FullName to
// bool). Descriptors do not change while the program runs.
var attempts sync.Map // protoreflect.FullName to bool

// hasAttempt reports whether messages of a type can hold a field of one attempt, at any
// depth. Most types cannot, and are then neither copied nor walked.
func hasAttempt(d protoreflect.MessageDescriptor) bool {
	if known, ok := attempts.Load(d.FullName()); ok {
		return known.(bool)
	}
	found := findAttempt(d, map[protoreflect.FullName]bool{})
	attempts.Store(d.FullName(), found)
	return found
}

// findAttempt is hasAttempt without the cache. visited ends the recursion at types that
// contain themselves.
func findAttempt(d protoreflect.MessageDescriptor, visited map[protoreflect.FullName]bool) bool {
	if visited[d.FullName()] {
		return false
	}
	visited[d.FullName()] = true
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		if ofAttempt(f) || f.Message() != nil && findAttempt(f.Message(), visited) {
			return true
		}
	}
	return false
}
