package integration

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// The promise: bad input gets INVALID_ARGUMENT (or RESOURCE_EXHAUSTED, when it
// is too much), which names the field and what would be right, and changes
// nothing.

// TestEveryBrokenFieldIsNamed breaks, one at a time and in every way that the
// contract's rules know, each field of a request to every RPC.
func TestEveryBrokenFieldIsNamed(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	for _, r := range contract() {
		t.Run(string(r.Name()), func(t *testing.T) {
			example := stage.example(t, r)
			req := example.make(t)
			before := s.tableDigests(t)
			broken := invalidCases(req)
			for _, b := range broken {
				sent := b.req
				if r.access().Mutates && b.field != "request_id" {
					sent = again(sent)
				}
				_, err := s.ask(t, example.who, r, sent)
				wantViolation(t, b, err)
			}
			wantSame(t, before, s.tableDigests(t))
			if len(broken) == 0 && r.Input().Fields().Len() > 0 {
				t.Error("nothing was broken")
			}
		})
	}
}

// wantViolation checks that an error names the broken field and says what would
// be right.
func wantViolation(t *testing.T, b invalidCase, err error) {
	t.Helper()
	said := violationsOf(err)[b.field]
	if status.Code(err) != codes.InvalidArgument || reasonOf(err) != "INVALID_FIELD" || said == "" {
		t.Errorf("%s %s: %v %s (%v), want INVALID_ARGUMENT that names it", b.field, b.how, status.Code(err), reasonOf(err), err)
		return
	}
	if !strings.Contains(said, "must ") && !strings.Contains(said, " at most once") {
		t.Errorf("%s %s: is told %q, which does not say what would be right", b.field, b.how, said)
	}
}

// TestEmptyRequestsNameWhatIsMissing sends an empty request to every RPC.
func TestEmptyRequestsNameWhatIsMissing(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	before := s.tableDigests(t)
	for _, r := range contract() {
		if r.Name() == "ListChains" || r.Name() == "DescribeCaller" {
			continue // needs nothing
		}
		_, err := s.ask(t, stage.example(t, r).who, r, blank(r.Input()))
		if status.Code(err) != codes.InvalidArgument || len(violationsOf(err)) == 0 {
			t.Errorf("%s: an empty request is answered %v", r.Name(), err)
		}
		if r.access().Mutates && violationsOf(err)["request_id"] == "" {
			t.Errorf("%s: the missing request_id is not named: %v", r.Name(), err)
		}
	}
	wantSame(t, before, s.tableDigests(t))
}

// TestUnreadableRequestsAreTheCallersMistake sends bytes that are no message.
func TestUnreadableRequestsAreTheCallersMistake(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	before := s.tableDigests(t)
	for _, r := range contract() {
		example := stage.example(t, r)
		for what, sent := range map[string][]byte{
			"noise":         {0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
			"cut short":     protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.BytesType), 100),
			"group":         protowire.AppendTag(nil, 1, protowire.StartGroupType),
			"field zero":    {0x00, 0x00},
			"text not UTF8": wrongText(r),
		} {
			if len(sent) == 0 {
				continue // a request without a text field
			}
			_, err := s.ask(t, example.who, r, raw(sent), grpc.ForceCodecV2(rawCodec{encoding.GetCodecV2("proto")}))
			if status.Code(err) != codes.InvalidArgument || violationsOf(err)["request"] == "" {
				t.Errorf("%s, %s: %v", r.Name(), what, err)
			}
		}
	}
	wantSame(t, before, s.tableDigests(t))
}

// wrongText is a request whose first text field is not UTF-8.
func wrongText(r rpc) []byte {
	for i := range r.Input().Fields().Len() {
		if f := r.Input().Fields().Get(i); f.Kind().String() == "string" {
			return protowire.AppendBytes(protowire.AppendTag(nil, f.Number(), protowire.BytesType), []byte{0xc3, 0x28})
		}
	}
	return nil
}

// raw is a request as bytes.
type raw []byte

// rawCodec sends raw requests as they are.
type rawCodec struct{ encoding.CodecV2 }

// Marshal is for requests; answers are read by the codec within.
func (c rawCodec) Marshal(v any) (mem.BufferSlice, error) {
	if bytes, ok := v.(raw); ok {
		return mem.BufferSlice{mem.SliceBuffer(bytes)}, nil
	}
	return c.CodecV2.Marshal(v)
}

// TestExtremesAreAnswered sets each field of a request to every RPC to the most and the
// least that the contract allows. The call ends with an answer or with an error that
// the caller can correct, never with a failure of the server.
func TestExtremesAreAnswered(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	session := stage.session(t)
	requests := map[protoreflect.Name]proto.Message{} // all made before anything is changed
	for _, r := range contract() {
		requests[r.Name()] = stage.example(t, r).make(t)
	}
	for _, r := range contract() {
		for _, e := range extremeCases(requests[r.Name()]) {
			if r.access().Mutates {
				e.req = again(e.req)
			}
			_, err := s.ask(t, stage.example(t, r).who, r, e.req)
			wantFieldViolations(t, string(r.Name()), e, err)
		}
	}
	for _, e := range extremeCases(eventAt(session, time.Minute, note("sound"))) {
		e.req.(*pb.Event).EventId = newID()
		_, err := s.processing.RecordEvents(stage.till.calling(t), &pb.RecordEventsRequest{
			Name: session.Name, Events: []*pb.Event{e.req.(*pb.Event)}, RequestId: newID()})
		wantFieldViolations(t, "an event", e, err)
	}
	must(t, stage.till, s.processing.GetSession, &pb.GetSessionRequest{Name: session.Name})
	must(t, stage.amara, s.outcome.RecordOutcome, brokenOff(session))
}

// wantFieldViolations checks that an error, if there is one, is not the server's.
func wantFieldViolations(t *testing.T, what string, e invalidCase, err error) {
	t.Helper()
	switch code := status.Code(err); code {
	case codes.OK, codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted, codes.Unimplemented:
	default:
		t.Errorf("%s with %s %s: %v", what, e.field, e.how, err)
	}
}

// TestErrorsAreShort: however much is wrong, the error fits into the 8 KiB of trailers
// that clients accept, and still names fields.
func TestErrorsAreShort(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	upload := c.uploaded()
	rule := upload.HousePolicy.Rules[0]
	for i := range 60 {
		wrong := proto.CloneOf(rule)
		wrong.RuleId, wrong.Expression = fmt.Sprintf("house.wrong-%d", i), strings.Repeat("\u6f22", 500)
		upload.HousePolicy.Rules = append(upload.HousePolicy.Rules, wrong)
	}
	many := &pb.RecordEventsRequest{Name: "x" + strings.Repeat("y", 10_000), RequestId: strings.Repeat("z", 10_000)}
	lots := &pb.CreateProductRequest{Parent: c.name, Product: &pb.Product{Lots: make([]*pb.Lot, 500)}}
	for i := range lots.Product.Lots {
		lots.Product.Lots[i] = &pb.Lot{LotCode: "\x00"}
	}
	for what, err := range map[string]error{
		"expressions that are none": mustFail(t, c.odile, c.catalog.CreateHousePolicy, upload),
		"long nonsense":             mustFail(t, c.till, c.processing.RecordEvents, many),
		"many wrong lots":           mustFail(t, c.odile, c.catalog.CreateProduct, lots),
		"a long filter":             mustFail(t, c.vesna, c.audit.ListEntries, &pb.ListEntriesRequest{Parent: c.name, Filter: strings.Repeat("\u6f22", 1000)}),
	} {
		if size := proto.Size(status.Convert(err).Proto()); size > 5<<10 {
			t.Errorf("%s: the error has %d bytes", what, size)
		}
		if said := violationsOf(err); status.Code(err) != codes.InvalidArgument || len(said) == 0 {
			t.Errorf("%s: the error names nothing: %v", what, err)
		}
	}
}

// TestTooLongRequestsAreTooMuch sends more than the server takes at once.
func TestTooLongRequestsAreTooMuch(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	stage := s.newWholeFixture(t, "ebb-and-flow")
	before := s.tableDigests(t)
	for _, r := range contract() {
		example := stage.example(t, r)
		req := blank(r.Input())
		req.ProtoReflect().SetUnknown(protowire.AppendBytes(protowire.AppendTag(nil, 1000, protowire.BytesType), make([]byte, 1<<20)))
		if _, err := s.ask(t, example.who, r, req); status.Code(err) != codes.ResourceExhausted {
			t.Errorf("%s: a request of more than a mebibyte is answered %v", r.Name(), err)
		}
	}
	wantSame(t, before, s.tableDigests(t))
}
