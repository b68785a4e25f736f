package serve

import (
	"bytes"
	"runtime"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// hostile is a RecordEvents request of 1 MB: 500,000 empty events.
func hostile() []byte { return bytes.Repeat([]byte{0x12, 0x00}, 500_000) }

// checked is what checkWire says of a request, as "field: what would be right".
func checked(m proto.Message, body []byte) string {
	_, wrong := checkBytes(newLimitsCache().of(m.ProtoReflect().Descriptor()), body, 1<<20)
	if wrong == nil {
		return ""
	}
	return wrong.Field + ": " + wrong.Want
}

// TestListsAreCountedBeforeDecoding: a list that is too long is refused by its
// path, and nothing is said of its items.
func TestListsAreCountedBeforeDecoding(t *testing.T) {
	t.Parallel()
	product := &pb.Product{Ingredients: make([]*pb.Ingredient, 13)}
	reasons := &pb.OverrideTerms{Reasons: make([]*pb.OverrideReason, 21)}
	ranges := &pb.Event{Fact: &pb.Event_Note{}}
	for _, c := range []struct {
		m    proto.Message
		want string
	}{
		{&pb.CreateProductRequest{Product: product}, "product.ingredients: must contain no more than 12 item(s)"},
		{&pb.CreateHousePolicyRequest{HousePolicy: &pb.HousePolicy{Rules: []*pb.Rule{{}, {OverrideTerms: reasons}}}},
			"house_policy.rules[1].override_terms.reasons: must contain no more than 20 item(s)"},
		{&pb.RecordOutcomeRequest{Outcome: &pb.Outcome{ProductsUsed: make([]*pb.ProductUsed, 1001)}},
			"outcome.products_used: must contain no more than 1000 item(s)"},
		{&pb.UpdateProductRequest{Product: &pb.Product{Lots: make([]*pb.Lot, 501)}}, "product.lots: must contain no more than 500 item(s)"},
		{&pb.RecordEventsRequest{Events: slicesOf(ranges, 201)}, "events: must contain no more than 200 item(s)"},
		{&pb.RecordEventsRequest{Events: slicesOf(ranges, 200)}, ""},
	} {
		body, err := proto.Marshal(c.m)
		if err != nil {
			t.Fatal(err)
		}
		if got := checked(c.m, body); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

func slicesOf[T any](item T, n int) (all []T) {
	for range n {
		all = append(all, item)
	}
	return all
}

// TestBytesAreCheckedBeforeDecoding tries what only bytes can say.
func TestBytesAreCheckedBeforeDecoding(t *testing.T) {
	t.Parallel()
	events := &pb.RecordEventsRequest{}
	field := func(n protowire.Number, content []byte) []byte {
		return protowire.AppendBytes(protowire.AppendTag(nil, n, protowire.BytesType), content)
	}
	group := func(depth int) (b []byte) {
		for range depth {
			b = protowire.AppendTag(b, 15, protowire.StartGroupType)
		}
		for range depth {
			b = protowire.AppendTag(b, 15, protowire.EndGroupType)
		}
		return b
	}
	product := field((&pb.CreateProductRequest{}).ProtoReflect().Descriptor().Fields().ByName("product").Number(), nil)
	for what, c := range map[string]struct {
		m    proto.Message
		body []byte
		want string
	}{
		"empty events":         {events, hostile(), "events: must contain no more than 200 item(s)"},
		"one message twice":    {&pb.CreateProductRequest{}, append(product, product...), "must be sent once"},
		"many unknown fields":  {events, bytes.Repeat([]byte{0x78, 0x00}, maxFields+1), "must hold no more than 50000 fields"},
		"many fields, grouped": {events, append(append([]byte{0x7b}, bytes.Repeat([]byte{0x78, 0x00}, maxFields)...), 0x7c), "well-formed"},
		"a group too deep":     {events, group(maxDepth + 1), "well-formed"},
		"a group":              {events, group(maxDepth), ""},
		"a group left open":    {events, []byte{0x7b}, "well-formed"},
		"cut off":              {events, []byte{0x0a, 0xff}, "well-formed"},
		"a short method":       {&pb.GetChainRequest{}, field(1, make([]byte, minRequestBytes)), "must be no longer than 65536 bytes; it has"},
	} {
		if got := checked(c.m, c.body); !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%s: got %q, want %q in it", what, got, c.want)
		}
	}
}

// TestPackedItemsAreCounted: numbers in a list may come packed, some hundred
// thousand in one field.
func TestPackedItemsAreCounted(t *testing.T) {
	t.Parallel()
	list := &fieldLimits{list: true, kind: protoreflect.EnumKind}
	if n := list.items(protowire.BytesType, protowire.AppendBytes(nil, []byte{1, 0x80, 1, 2})); n != 3 {
		t.Errorf("%d varints, want 3", n)
	}
	list.kind = protoreflect.DoubleKind
	if n := list.items(protowire.BytesType, protowire.AppendBytes(nil, make([]byte, 24))); n != 3 {
		t.Errorf("%d doubles, want 3", n)
	}
}

// TestValidRequestsPass: everything the contract allows is within the bounds on
// bytes of its method.
func TestValidRequestsPass(t *testing.T) {
	t.Parallel()
	known := newLimitsCache()
	small := 0
	for _, method := range contractMethods() {
		shape := known.of(method.Input())
		if limit := shape.maxBytes(1 << 20); limit < min(shape.declaredBytes, 1<<20) {
			t.Errorf("%s may have %d bytes by the contract, and only %d are accepted", method.FullName(), shape.declaredBytes, limit)
		} else if limit < 1<<20 {
			small++
		}
	}
	if small < 20 {
		t.Errorf("only %d methods accept less than the longest request", small)
	}
}

// TestRefusingUsesLittleMemory: a hostile request is refused in little memory.
func TestRefusingUsesLittleMemory(t *testing.T) {
	shape := newLimitsCache().of((&pb.RecordEventsRequest{}).ProtoReflect().Descriptor())
	body := hostile()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for range 100 {
		checkBytes(shape, body, 1<<20)
	}
	runtime.ReadMemStats(&after)
	if each := (after.TotalAlloc - before.TotalAlloc) / 100; each > 16<<10 {
		t.Errorf("refusing %d bytes takes %d", len(body), each)
	}
}

// TestIdentityComesBeforeDecoding: the same bytes are answered by who sends
// them, and the service never sees them.
func TestIdentityComesBeforeDecoding(t *testing.T) {
	t.Parallel()
	b := newTestServer(t)
	body := hostile()
	const record = "/alkalog.v1.ProcessingService/RecordEvents"
	err := b.conn.Invoke(t.Context(), record, &body, &pb.RecordEventsResponse{}, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
	err = b.conn.Invoke(as(t, "auditor"), record, &body, &pb.RecordEventsResponse{}, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	err = b.conn.Invoke(as(t, "till"), record, &body, &pb.RecordEventsResponse{}, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "events: must contain no more than 200 item(s)")
	if n := b.server.Counters().RequestsOversized.Load(); n != 1 {
		t.Errorf("%d requests are counted as too large, want 1: only that of the till was looked at", n)
	}
	long := make([]byte, publicRequestBytes+1)
	long = protowire.AppendBytes([]byte{0x0a}, long)
	err = b.conn.Invoke(t.Context(), "/grpc.health.v1.Health/Check", &long, &pb.Chain{}, grpc.ForceCodecV2(bytesCodec{}))
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "must be no longer than 4096 bytes")
}

// TestChainInBytes: the chain of a denied request is found without decoding it,
// among its first fields.
func TestChainInBytes(t *testing.T) {
	t.Parallel()
	for want, m := range map[string]proto.Message{
		"chains/ebb": &pb.GetSessionRequest{Name: "chains/ebb/clients/c/sessions/s"},
		"chains/low": &pb.UpdateSalonRequest{Salon: &pb.Salon{Name: "chains/low/salons/a"}},
		"":           &pb.ListChainsRequest{PageSize: 3},
	} {
		body, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if got := chainInBytes(m.ProtoReflect().Descriptor(), body); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	body := append(hostile(), protowire.AppendString([]byte{0x0a}, "chains/ebb/clients/c/sessions/s")...)
	if got := chainInBytes((&pb.RecordEventsRequest{}).ProtoReflect().Descriptor(), body); got != "" {
		t.Errorf("500,000 fields were searched, and found %q", got)
	}
}
