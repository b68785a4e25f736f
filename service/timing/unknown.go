package timing

import (
	"fmt"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// severestValues are the meanings of enum values that this program does not know, sent by
// a newer till. Other unknown values stay as they are: a place that is not known counts as
// an eye wherever it is read.
var severestValues = map[protoreflect.FullName]protoreflect.EnumNumber{
	"alkalog.v1.ComfortCheck.comfort": pb.Comfort_COMFORT_BURNING.Number(),
	"alkalog.v1.Shampoo.indicator":    pb.IndicatorColour_INDICATOR_COLOUR_ALKALI.Number(),
	// Colour that was seen before is half of the proof that it is gone.
	"alkalog.v1.Shampoo.earlier_indicator": pb.IndicatorColour_INDICATOR_COLOUR_UNSPECIFIED.Number(),
	"alkalog.v1.StrandTest.reading":        pb.CurlReading_CURL_READING_STAYS_SMOOTH.Number(),
}

// withSeverestValues returns an event with each unknown enum value replaced by its most
// severe meaning. The stored event is kept as it came.
// An event without unknown values is returned as it is and not copied.
func withSeverestValues(e *pb.Event) *pb.Event {
	if len(UnknownValues(e)) == 0 {
		return e
	}
	e = proto.CloneOf(e)
	fact := FactOf(e)
	for _, f := range UnknownValues(e) {
		if most, ok := severestValues[f.FullName()]; ok {
			fact.Set(f, protoreflect.ValueOfEnum(most))
		}
	}
	return e
}

// UnknownValues returns the fields of an event's fact whose enum values this program does
// not know.
func UnknownValues(e *pb.Event) []protoreflect.FieldDescriptor {
	var found []protoreflect.FieldDescriptor
	fact := FactOf(e)
	if fact == nil {
		return nil
	}
	fact.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.Enum() != nil && !f.IsList() && f.Enum().Values().ByNumber(v.Enum()) == nil {
			found = append(found, f)
		}
		return true
	})
	return found
}

// unknownParts names what this program does not know of an event: the fact, or a value in
// it. OtherFact names itself.
func unknownParts(e *pb.Event) []string {
	if name := UnknownFact(e); name != "" {
		return []string{name}
	}
	var names []string
	for _, f := range UnknownValues(e) {
		names = append(names, string(f.Parent().Name()+"."+f.Name()))
	}
	return names
}

// UnknownFact names a fact that this program does not know, by its field number; it is
// empty for every other event.
// The number is all that can be told of it: its name is in the newer contract only.
func UnknownFact(e *pb.Event) string {
	if e.GetFact() != nil || len(e.ProtoReflect().GetUnknown()) == 0 {
		return ""
	}
	number, _, _ := protowire.ConsumeTag(e.ProtoReflect().GetUnknown())
	return fmt.Sprintf("field_%d", number)
}

// FactOf returns the message of an event's fact; nil when it has none.
func FactOf(e *pb.Event) protoreflect.Message {
	m := e.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("fact"))
	if f == nil {
		return nil
	}
	return m.Get(f).Message()
}
