package integration

import (
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a server answers tills of the revision of the contract before and after
// its own. What a newer till says and the server does not know is refused if it could
// matter, and passed over otherwise.

// revised is the contract of another revision.
type revised struct{ files *protoregistry.Files }

// releasedContract is the contract as it was last released.
func releasedContract(t *testing.T) revised {
	t.Helper()
	text, err := os.ReadFile("../proto/released.binpb")
	if err != nil {
		t.Fatal(err)
	}
	return reviseWith(t, text, func(*descriptorpb.DescriptorProto) {})
}

const (
	// passedOver and refused are the numbers of the fields that newerContract adds.
	passedOver, refused = 1000, 999
)

// newerContract is the contract with two texts added to every message: one that may be
// passed over, and one that may not.
func newerContract(t *testing.T) revised {
	t.Helper()
	set, seen := &descriptorpb.FileDescriptorSet{}, map[string]bool{}
	var add func(protoreflect.FileDescriptor)
	add = func(file protoreflect.FileDescriptor) {
		if seen[file.Path()] {
			return
		}
		seen[file.Path()] = true
		for i := range file.Imports().Len() {
			add(file.Imports().Get(i).FileDescriptor)
		}
		set.File = append(set.File, protodesc.ToFileDescriptorProto(file))
	}
	for _, r := range contract() {
		add(r.ParentFile())
	}
	text, err := proto.Marshal(set)
	if err != nil {
		t.Fatal(err)
	}
	return reviseWith(t, text, func(m *descriptorpb.DescriptorProto) {
		for name, number := range map[string]int32{"passed_over": passedOver, "refused": refused} {
			m.Field = append(m.Field, &descriptorpb.FieldDescriptorProto{Name: &name, Number: &number,
				Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(), Type: descriptorpb.FieldDescriptorProto_TYPE_STRING.Enum()})
		}
	})
}

// reviseWith reads a set of descriptors and changes the messages of the contract in it.
func reviseWith(t *testing.T, text []byte, change func(*descriptorpb.DescriptorProto)) revised {
	t.Helper()
	set := &descriptorpb.FileDescriptorSet{}
	if err := proto.Unmarshal(text, set); err != nil {
		t.Fatal(err)
	}
	for _, file := range set.File {
		for _, m := range file.MessageType {
			if file.GetPackage() == "alkalog.v1" {
				change(m)
			}
		}
	}
	files, err := protodesc.NewFiles(set)
	if err != nil {
		t.Fatal(err)
	}
	return revised{files}
}

// message is a message of the revision with what it knows of m; nil: the revision does
// not have the message.
func (v revised) message(t *testing.T, m proto.Message) *dynamicpb.Message {
	t.Helper()
	found, err := v.files.FindDescriptorByName(m.ProtoReflect().Descriptor().FullName())
	if err != nil {
		return nil
	}
	text, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	made := dynamicpb.NewMessage(found.(protoreflect.MessageDescriptor))
	if err := (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(text, made); err != nil {
		t.Fatal(err)
	}
	return made
}

// say sets one of the added texts.
func say(m protoreflect.Message, number protoreflect.FieldNumber) {
	m.Set(m.Descriptor().Fields().ByNumber(number), protoreflect.ValueOfString("said by a newer till"))
}

// ask makes a call as a till of the revision does, and reads the answer as it does.
func (v revised) ask(t *testing.T, s stubs, who person, r rpc, req proto.Message, revision string) (proto.Message, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(who.identify(t.Context()), "alkalog-revision", revision), waitTimeout)
	defer cancel()
	answer := v.message(t, r.answer())
	if !r.IsStreamingServer() {
		return answer, s.conn.Invoke(ctx, r.path(), req, answer)
	}
	stream, err := s.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, r.path())
	if err != nil {
		return nil, err
	}
	if err := errors.Join(stream.SendMsg(req), stream.CloseSend()); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if err = stream.RecvMsg(answer); errors.Is(err, io.EOF) {
		err = nil
	}
	return answer, err
}

// TestTillsOfOtherRevisions calls every RPC as a till of the released contract does, and as
// one of the next: with a text that the server may pass over, and with one that it may not.
func TestTillsOfOtherRevisions(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	older, newer := releasedContract(t), newerContract(t)
	called := 0
	for _, r := range contract() {
		if r.Name() == "AcceptRestore" {
			continue // there is nothing to accept here
		}
		example := stage.example(t, r)
		if req := older.message(t, blank(r.Input())); req != nil {
			called++
			if _, err := older.ask(t, s.stubs, example.who, r, older.message(t, example.make(t)), "1"); err != nil {
				t.Errorf("%s by an older till: %v", r.Name(), err)
			}
		}
		req := newer.message(t, example.make(t))
		say(req, passedOver)
		if _, err := newer.ask(t, s.stubs, example.who, r, req, "3"); err != nil {
			t.Errorf("%s by a newer till: %v", r.Name(), err)
		}
		req = newer.message(t, example.make(t))
		say(req, refused)
		_, err := newer.ask(t, s.stubs, example.who, r, req, "3")
		wantError(t, string(r.Name())+" with what could matter", err, codes.InvalidArgument, "INVALID_FIELD")
		if err != nil && !strings.Contains(err.Error(), "999") {
			t.Errorf("%s: the field is not named: %v", r.Name(), err)
		}
	}
	if called < 50 {
		t.Errorf("only %d RPCs were called as in the released contract", called)
	}
}

// TestUnknownFieldsInARecord: what a newer till says inside a record is refused where it
// could matter and passed over otherwise; an update that names other fields changes those
// and nothing else. A retry with a passed-over field is a retry, and with another one not.
func TestUnknownFieldsInARecord(t *testing.T) {
	t.Parallel()
	c := newTestServer(t).newChain(t, "ebb-and-flow")
	newer := newerContract(t)
	create, update := rpcNamed("CreateClient"), rpcNamed("UpdateSalon")
	made := func(number protoreflect.FieldNumber, in func(protoreflect.Message) protoreflect.Message) *dynamicpb.Message {
		req := newer.message(t, &pb.CreateClientRequest{Parent: c.name, Client: &pb.Client{DisplayName: "Invented client"}, RequestId: newID()})
		say(in(req), number)
		return req
	}
	client := func(m protoreflect.Message) protoreflect.Message {
		return m.Mutable(m.Descriptor().Fields().ByName("client")).Message()
	}
	_, err := newer.ask(t, c.stubs, c.till, create, made(refused, client), "3")
	wantError(t, "inside a record", err, codes.InvalidArgument, "INVALID_FIELD")
	if err != nil && !strings.Contains(err.Error(), "client.999") {
		t.Errorf("the path is not named: %v", err)
	}
	req := made(passedOver, client)
	first, err := newer.ask(t, c.stubs, c.till, create, req, "3")
	if err != nil {
		t.Fatal(err)
	}
	again, err := newer.ask(t, c.stubs, c.till, create, req, "3")
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("a retry: %v, %v; at first %v", again, err, first)
	}
	changed := proto.Clone(req).(*dynamicpb.Message)
	inner := client(changed)
	inner.Set(inner.Descriptor().Fields().ByNumber(passedOver), protoreflect.ValueOfString("something else"))
	_, err = newer.ask(t, c.stubs, c.till, create, changed, "3")
	wantError(t, "other content", err, codes.AlreadyExists, "REQUEST_ID_REUSED")
	long := made(passedOver, client)
	inner = client(long)
	inner.Set(inner.Descriptor().Fields().ByNumber(passedOver), protoreflect.ValueOfString(strings.Repeat("x", 5000)))
	_, err = newer.ask(t, c.stubs, c.till, create, long, "3")
	wantError(t, "more than could be meant", err, codes.InvalidArgument, "INVALID_FIELD")

	salon := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon}).Salon
	salon.DisplayName, salon.TimeZone = "North Quay, renamed", "Europe/Dublin"
	amend := func(paths ...string) error {
		req := newer.message(t, &pb.UpdateSalonRequest{Salon: salon, UpdateMask: updateMask(paths...), RequestId: newID()})
		say(req.Mutable(req.Descriptor().Fields().ByName("salon")).Message(), refused)
		_, err := newer.ask(t, c.stubs, c.odile, update, req, "3")
		return err
	}
	wantError(t, "a mask that names what is not known", amend("refused"), codes.InvalidArgument, "INVALID_FIELD")
	if err := amend("display_name"); err != nil {
		t.Errorf("a mask that names what is known: %v", err)
	}
	got := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: c.salon}).Salon
	if got.DisplayName != salon.DisplayName || got.TimeZone == salon.TimeZone || len(got.ProtoReflect().GetUnknown()) > 0 {
		t.Errorf("stored is %v", got)
	}
}
