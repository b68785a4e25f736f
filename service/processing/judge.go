package processing

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/fault"
	"alkalog/service/timing"
)

// judge says what is not right in an event by the contract's rules, and whether
// this server understands all of it. What a newer till adds, a fact, a field or a
// value, breaks no rule: it happened, so it is recorded. The rules are applied to a copy
// in which the unknown parts are replaced by known ones, so that the rest of the event is
// still checked.
func (s Service) judge(e *pb.Event) (violations []fault.Violation, understood bool) {
	known := proto.CloneOf(e)
	if timing.UnknownFact(known) != "" {
		known.Fact = &pb.Event_OtherFact{OtherFact: &pb.OtherFact{Fact: "unknown"}}
	}
	discardUnknown(known.ProtoReflect())
	for _, f := range timing.UnknownValues(known) {
		// The last value of the enum breaks no rule; the copy is checked and never
		// stored.
		timing.FactOf(known).Set(f, protoreflect.ValueOfEnum(f.Enum().Values().Get(f.Enum().Values().Len()-1).Number()))
	}
	return s.Check(known), e.GetOtherFact() == nil && proto.Equal(known, e)
}

// discardUnknown removes the fields that this program does not know, at any depth.
// A newer till may add a field to any of them.
func discardUnknown(m protoreflect.Message) {
	m.SetUnknown(nil)
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.Message() == nil || f.IsMap():
		case f.IsList():
			for i := range v.List().Len() {
				discardUnknown(v.List().Get(i).Message())
			}
		default:
			discardUnknown(v.Message())
		}
		return true
	})
}
