package integration

import (
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
)

// The promise: bad input gets INVALID_ARGUMENT (or RESOURCE_EXHAUSTED, when it
// is too much), which names the field and what would be right, and changes
// nothing.

// TestEveryBrokenFieldIsNamed breaks, one at a time and in every way that the
// contract's rules know, each field of a request to every RPC.
func TestEveryBrokenFieldIsNamed(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	stage := s.newStage(t, "ebb-and-flow")
	for _, r := range contract() {
		t.Run(string(r.Name()), func(t *testing.T) {
			example := stage.example(t, r)
			req := example.make(t)
			before := s.contents(t)
			broken := breakages(req)
			for _, b := range broken {
				sent := b.req
				if r.access().Mutates && b.field != "request_id" {
					sent = again(sent)
				}
				_, err := s.ask(t, example.who, r, sent)
				wantViolation(t, b, err)
			}
			wantSame(t, before, s.contents(t))
			if len(broken) == 0 && r.Input().Fields().Len() > 0 {
				t.Error("nothing was broken")
			}
		})
	}
}

// wantViolation checks that an error names the broken field and says what would
// be right.
func wantViolation(t *testing.T, b breakage, err error) {
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

// TestEmptyRequestsNameWhatIsMissing sends nothing at all to every RPC.
func TestEmptyRequestsNameWhatIsMissing(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	stage := s.newStage(t, "ebb-and-flow")
	before := s.contents(t)
	for _, r := range contract() {
		if r.Name() == "ListChains" {
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
	wantSame(t, before, s.contents(t))
}

// TestUnreadableRequestsAreTheCallersMistake sends bytes that are no message.
func TestUnreadableRequestsAreTheCallersMistake(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	stage := s.newStage(t, "ebb-and-flow")
	before := s.contents(t)
	for _, r := range contract() {
		example := stage.example(t, r)
		for what, sent := range map[string][]byte{
			"noise":         {0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
			"cut short":     protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.BytesType), 100),
			"group":         protowire.AppendTag(nil, 1, protowire.StartGroupType),
			"field zero":    {0x00, 0x00},
			"text not UTF8": wrongText(r),
		} {
			_, err := s.ask(t, example.who, r, raw(sent), grpc.ForceCodecV2(rawCodec{encoding.GetCodecV2("proto")}))
			if status.Code(err) != codes.InvalidArgument || violationsOf(err)["request"] == "" {
				t.Errorf("%s, %s: %v", r.Name(), what, err)
			}
		}
	}
	wantSame(t, before, s.contents(t))
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

// TestTooLongRequestsAreTooMuch sends more than the server takes at once.
func TestTooLongRequestsAreTooMuch(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	stage := s.newStage(t, "ebb-and-flow")
	before := s.contents(t)
	for _, r := range contract() {
		example := stage.example(t, r)
		req := blank(r.Input())
		req.ProtoReflect().SetUnknown(protowire.AppendBytes(protowire.AppendTag(nil, 1000, protowire.BytesType), make([]byte, 1<<20)))
		if _, err := s.ask(t, example.who, r, req); status.Code(err) != codes.ResourceExhausted {
			t.Errorf("%s: a request of more than a mebibyte is answered %v", r.Name(), err)
		}
	}
	wantSame(t, before, s.contents(t))
}
