package serve

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
)

const someID = "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"

func TestErrorsOfBadRequestsSayWhatIsRight(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	chain := func(name string) *pb.Chain { return &pb.Chain{DisplayName: name} }
	create := func(req *pb.CreateChainRequest) error {
		_, err := b.directory.CreateChain(as(t, "operator"), req)
		return err
	}
	_, badName := b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "salon of Amara"})
	_, badSalon := b.directory.CreateSalon(as(t, "manager"), &pb.CreateSalonRequest{
		Parent: "chains/ebb", SalonId: "north", RequestId: someID,
		Salon: &pb.Salon{DisplayName: "North", Jurisdiction: 99, MinutesToBowl: new(int32(16)), TimeZone: "Not a zone!"},
	})
	_, badRole := b.directory.CreatePractitioner(as(t, "manager"), &pb.CreatePractitionerRequest{
		Parent: "chains/ebb", PractitionerId: "amara", RequestId: someID,
		Practitioner: &pb.Practitioner{DisplayName: "Amara", Role: pb.Role_ROLE_AUDITOR}})
	newer := chain("Ebb")
	newer.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 4711, protowire.VarintType), 1))
	_, noFacts := b.process.RecordEvents(as(t, "till"), &pb.RecordEventsRequest{
		Name: "chains/ebb/clients/c/sessions/s", RequestId: someID})
	for _, c := range []struct {
		what, field, want string
		err               error
	}{
		{"no resource name", "name", "must be a name like chains/{chain}", badName},
		{"id with capitals", "chain_id", "must be 1 to 63 lower-case letters, digits and hyphens, not beginning with a hyphen",
			create(&pb.CreateChainRequest{ChainId: "Ebb", Chain: chain("Ebb"), RequestId: someID})},
		{"no UUID", "request_id", "must be a UUID, such as " + someID,
			create(&pb.CreateChainRequest{ChainId: "ebb", Chain: chain("Ebb"), RequestId: "1"})},
		{"empty UUID", "request_id", "must be a UUID, such as " + someID,
			create(&pb.CreateChainRequest{ChainId: "ebb", Chain: chain("Ebb")})},
		{"no record", "chain", "must be given", create(&pb.CreateChainRequest{ChainId: "ebb", RequestId: someID})},
		{"zero byte", "chain.display_name", "must not hold control characters, nor marks that turn the direction of text",
			create(&pb.CreateChainRequest{ChainId: "ebb", Chain: chain("E\x00b"), RequestId: someID})},
		{"text that turns", "chain.display_name", "must not hold control characters, nor marks that turn the direction of text",
			create(&pb.CreateChainRequest{ChainId: "ebb", Chain: chain("E\u202eb"), RequestId: someID})},
		{"too long", "chain.display_name", "must be at most 120 characters",
			create(&pb.CreateChainRequest{ChainId: "ebb", Chain: chain(strings.Repeat("e", 121)), RequestId: someID})},
		{"unknown enum value", "salon.jurisdiction", "must be one of JURISDICTION_", badSalon},
		{"number too large", "salon.minutes_to_bowl", "must be greater than or equal to 0 and less than or equal to 15", badSalon},
		{"time zone", "salon.time_zone", "like Europe/London", badSalon},
		{"role that does not work on clients", "practitioner.role", "must be one of ROLE_STUDENT, ROLE_PRACTITIONER, ROLE_SUPERVISOR, ROLE_MANAGER", badRole},
		{"field of a later contract", "chain.4711", "does not know field 4711",
			create(&pb.CreateChainRequest{ChainId: "ebb", Chain: newer, RequestId: someID})},
		{"no facts", "events", "must contain at least 1 item(s)", noFacts},
	} {
		wantError(t, c.err, codes.InvalidArgument, "INVALID_FIELD", c.field+": ")
		if got := violationOf(c.err, c.field); !strings.Contains(got, c.want) {
			t.Errorf("%s: %s %q, want %q in it", c.what, c.field, got, c.want)
		}
	}
}

// violationOf returns what an error says of a field.
func violationOf(err error, field string) string {
	for _, detail := range status.Convert(err).Details() {
		bad, _ := detail.(*errdetails.BadRequest)
		for _, v := range bad.GetFieldViolations() {
			if v.Field == field {
				return v.Description
			}
		}
	}
	return "is not mentioned"
}

func TestBadRequestOfAStream(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	stream, err := b.process.WatchSession(as(t, "till"), &pb.WatchSessionRequest{Name: "chains/ebb"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "name: must be a name like chains/{chain}/clients/{client}/sessions/{session}")
}

// TestOneBadFactDoesNotCostTheOthers: the facts of a batch are left to the
// service, which checks each with the same rules.
func TestOneBadFactDoesNotCostTheOthers(t *testing.T) {
	t.Parallel()
	checks, err := newRequests()
	if err != nil {
		t.Fatal(err)
	}
	bad := &pb.Event{EventId: "no uuid", OccurTime: timestamppb.Now(), Actor: "chains/other/practitioners/x"}
	batch := &pb.RecordEventsRequest{Name: "chains/ebb/clients/c/sessions/s", RequestId: someID, Events: []*pb.Event{bad}}
	b := newTestServer(t)
	_, err = b.process.RecordEvents(as(t, "till"), batch)
	wantError(t, err, codes.Unimplemented, "") // it came through
	found := map[string]string{}
	for _, v := range checks.violations(bad) {
		found[v.Field] = v.Want
	}
	if len(found) != 2 || !strings.Contains(found["event_id"], "UUID") || !strings.HasPrefix(found["fact"], "exactly one of") {
		t.Errorf("the fact alone: %v", found)
	}
}

func TestUpdateNeedsOnlyWhatItChanges(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	update := func(salon *pb.Salon, paths ...string) error {
		_, err := b.directory.UpdateSalon(as(t, "manager"), &pb.UpdateSalonRequest{
			Salon: salon, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: someID})
		return err
	}
	name := "chains/ebb/salons/north"
	wantError(t, update(&pb.Salon{Name: name, TimeZone: "Europe/London"}, "time_zone"), codes.Unimplemented, "")
	wantError(t, update(&pb.Salon{Name: name}, "display_name"), codes.InvalidArgument, "INVALID_FIELD", "salon.display_name: ")
	wantError(t, update(&pb.Salon{Name: "north", TimeZone: "Europe/London"}, "time_zone"), codes.InvalidArgument, "INVALID_FIELD", "salon.name: ")
	wantError(t, update(&pb.Salon{Name: "chains/flow/salons/north", TimeZone: "Europe/London"}, "time_zone"), codes.NotFound, "NOT_FOUND")
}

func TestForeignNamesAreNotFound(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	_, err := b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/flow"})
	wantError(t, err, codes.NotFound, "NOT_FOUND", "chains/flow")
	stream, err := b.process.WatchSession(as(t, "till"), &pb.WatchSessionRequest{Name: "chains/flow/clients/c/sessions/s"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	wantError(t, err, codes.NotFound, "NOT_FOUND", "chains/flow/clients/c/sessions/s")
	if _, err := b.directory.GetChain(as(t, "operator"), &pb.GetChainRequest{Name: "chains/flow"}); err != nil {
		t.Errorf("an operator sees every chain, but: %v", err)
	}
}

// TestEveryNameInARequestIsInScope puts another chain's name into every place
// of every request that can hold one, however deep, and expects it to be seen.
func TestEveryNameInARequestIsInScope(t *testing.T) {
	t.Parallel()
	tried := 0
	for _, method := range contractMethods() {
		plantNames(t, method.Input(), nil, func(request protoreflect.Message, path string) {
			tried++
			if found := firstOutOfScope(actorOf("chains/ebb"), request); found != foreign {
				t.Errorf("%s: another chain's name in %s passed", method.Input().FullName(), path)
			}
			if found := firstOutOfScope(actorOf("chains/flow"), request); found != "" {
				t.Errorf("%s: the own chain's name in %s did not pass", method.Input().FullName(), path)
			}
		})
	}
	if tried < 80 {
		t.Errorf("only %d places were tried", tried)
	}
}

func TestMalformedBytesAreTheCallersMistake(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	raw := []byte{0x0a, 0xff} // a string that is longer than the message
	var answer pb.GetChainResponse
	err := b.conn.Invoke(as(t, "manager"), "/alkalog.v1.DirectoryService/GetChain", &raw, &answer, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "request: must be a well-formed alkalog.v1.GetChainRequest")
	notUTF8 := []byte{0x0a, 0x01, 0xff}
	err = b.conn.Invoke(as(t, "manager"), "/alkalog.v1.DirectoryService/GetChain", &notUTF8, &answer, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "UTF-8")
	err = b.conn.Invoke(t.Context(), "/alkalog.v1.DirectoryService/GetChain", &raw, &answer, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED")

	stream, err := b.conn.NewStream(as(t, "till"), &grpc.StreamDesc{ServerStreams: true}, "/alkalog.v1.ProcessingService/WatchSession", grpc.ForceCodecV2(bytesCodec{}))
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.SendMsg(&raw); err != nil {
		t.Fatal(err)
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	wantError(t, stream.RecvMsg(&raw), codes.InvalidArgument, "INVALID_FIELD", "request: must be a well-formed alkalog.v1.WatchSessionRequest")
}

// bytesCodec sends bytes as they are.
type bytesCodec struct{}

func (bytesCodec) Name() string { return "proto" }

func (bytesCodec) Marshal(v any) (mem.BufferSlice, error) {
	raw, ok := v.(*[]byte)
	if !ok {
		return nil, fmt.Errorf("%T is not bytes", v)
	}
	return mem.BufferSlice{mem.SliceBuffer(*raw)}, nil
}

func (bytesCodec) Unmarshal(data mem.BufferSlice, v any) error {
	return encoding.GetCodecV2("proto").Unmarshal(data, v)
}

func TestLongRequestsAreRefused(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	remark := func(runes int) *pb.Event {
		return &pb.Event{Fact: &pb.Event_Note{Note: &pb.Note{Text: strings.Repeat("\U0001F487", runes)}}}
	}
	batch := &pb.RecordEventsRequest{Name: "chains/ebb/clients/c/sessions/s", RequestId: someID}
	for range 200 {
		batch.Events = append(batch.Events, remark(1000))
	}
	_, err := b.process.RecordEvents(as(t, "till"), batch)
	wantError(t, err, codes.Unimplemented, "") // the longest honest one comes through
	batch.Events = append(batch.Events, remark(100_000))
	_, err = b.process.RecordEvents(as(t, "till"), batch)
	wantError(t, err, codes.ResourceExhausted, "", "1048576") // gRPC's own answer, before anything is read
	_, err = b.directory.GetChain(as(t, "manager"), &pb.GetChainRequest{Name: "chains/ebb"})
	if err != nil {
		t.Errorf("afterwards others are not served: %v", err)
	}
}
