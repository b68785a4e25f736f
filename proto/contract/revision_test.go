package contract

import (
	"bytes"
	"slices"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	pb "alkalog/proto/alkalogv1"
)

// unknownText is an unknown field with a text.
func unknownText(number protowire.Number, text string) []byte {
	return protowire.AppendString(protowire.AppendTag(nil, number, protowire.BytesType), text)
}

// TestFirstThatMatters: only the numbers of the range are passed over, alone and beside
// others, and only so many bytes of them.
func TestFirstThatMatters(t *testing.T) {
	for _, c := range []struct {
		unknown []byte
		number  protowire.Number
		matters bool
	}{
		{nil, 0, false},
		{unknownText(999, "x"), 999, true},
		{unknownText(1000, "x"), 0, false},
		{unknownText(1999, "x"), 0, false},
		{unknownText(2000, "x"), 2000, true},
		{append(unknownText(1000, "x"), unknownText(7, "x")...), 7, true},
		{append(unknownText(1000, "x"), unknownText(1001, "y")...), 0, false},
		{unknownText(1000, string(make([]byte, maxIgnored-5))), 0, false},
		{unknownText(1000, string(make([]byte, maxIgnored))), 1000, true},
	} {
		if number, matters := FirstThatMatters(c.unknown); number != c.number || matters != c.matters {
			t.Errorf("%d bytes that begin %x: %d %t, want %d %t", len(c.unknown), c.unknown[:min(8, len(c.unknown))], number, matters, c.number, c.matters)
		}
	}
}

// nextRevision is the contract's file of sessions with what a next revision may add: a
// field that may be passed over, an alarm that stands behind one of revision 2, and one
// without a fallback.
func nextRevision(t *testing.T) (state, alarm protoreflect.MessageDescriptor) {
	t.Helper()
	file := protodesc.ToFileDescriptorProto(pb.File_alkalog_v1_session_proto)
	for _, m := range file.MessageType {
		if m.GetName() == "SessionState" {
			m.Field = append(m.Field, &descriptorpb.FieldDescriptorProto{Name: proto.String("added"), Number: proto.Int32(firstIgnorable),
				Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(), Type: descriptorpb.FieldDescriptorProto_TYPE_STRING.Enum()})
		}
	}
	for _, e := range file.EnumType {
		if e.GetName() != "AlarmKind" {
			continue
		}
		for number, fallback := range map[int32]string{100: "ALARM_KIND_RINSE_DUE", 101: ""} {
			options := &descriptorpb.EnumValueOptions{}
			proto.SetExtension(options, pb.E_ValueSince, int32(3))
			proto.SetExtension(options, pb.E_ValueFallback, fallback)
			e.Value = append(e.Value, &descriptorpb.EnumValueDescriptorProto{Name: proto.String("ALARM_KIND_ADDED_" + string(rune('A'+number-100))), Number: &number, Options: options})
		}
	}
	made, err := protodesc.NewFile(file, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	return made.Messages().ByName("SessionState"), made.Messages().ByName("Alarm")
}

// TestForRevision: alarms of a next revision are answered to tills of each one before it
// as what stands for them there, or left out.
func TestForRevision(t *testing.T) {
	stateType, alarmType := nextRevision(t)
	kind, alarms := alarmType.Fields().ByName("kind"), stateType.Fields().ByName("alarms")
	const rinseNow, rinseDue, added, unheard = 3, 5, 100, 101
	for revision, want := range map[int32][]protoreflect.EnumNumber{
		1: {rinseNow, rinseNow, 77},
		2: {rinseDue, rinseDue, 77},
		3: {added, unheard, rinseDue, 77},
	} {
		state := dynamicpb.NewMessage(stateType)
		list := state.Mutable(alarms).List()
		for _, number := range []protoreflect.EnumNumber{added, unheard, rinseDue, 77} {
			item := list.AppendMutable().Message()
			item.Set(kind, protoreflect.ValueOfEnum(number))
		}
		forRevision(state, revision)
		var got []protoreflect.EnumNumber
		for i := range list.Len() {
			got = append(got, list.Get(i).Message().Get(kind).Enum())
		}
		if !slices.Equal(got, want) {
			t.Errorf("revision %d: %v, want %v", revision, got, want)
		}
	}
}

// TestPassedOverFieldsKeepTheirBytes: the bytes of a message are the same for a reader
// that does not know its newest field and for one that does, so that a request that is
// repeated at a newer server has the same content.
func TestPassedOverFieldsKeepTheirBytes(t *testing.T) {
	stateType, _ := nextRevision(t)
	newer := dynamicpb.NewMessage(stateType)
	text, err := proto.Marshal(&pb.SessionState{Alarms: []*pb.Alarm{{Kind: pb.AlarmKind_ALARM_KIND_FLUSH, Message: "Keep flushing."}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := proto.Unmarshal(text, newer); err != nil {
		t.Fatal(err)
	}
	newer.Set(stateType.Fields().ByName("added"), protoreflect.ValueOfString("said by a newer till"))
	deterministic := proto.MarshalOptions{Deterministic: true}
	known, err := deterministic.Marshal(newer)
	if err != nil {
		t.Fatal(err)
	}
	older := &pb.SessionState{}
	if err := proto.Unmarshal(known, older); err != nil {
		t.Fatal(err)
	}
	unknown, err := deterministic.Marshal(older)
	if err != nil || !bytes.Equal(known, unknown) || len(older.ProtoReflect().GetUnknown()) == 0 {
		t.Errorf("%x is read and written as %x, %v", known, unknown, err)
	}
}
