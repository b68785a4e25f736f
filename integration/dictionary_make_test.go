package integration

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// dictionary names the dictionary of compression to be made by this revision of the
// program.
var dictionary = flag.String("dictionary", "", "make a dictionary of this number")

// Sizes of a dictionary's parts in bytes. The encoder indexes 32,768 places, so more
// than about 200 kB no longer helps. Our own choice.
const (
	samplesPerMethod = 4 << 10
	decisionSamples  = 6
)

// TestMakeDictionary makes a dictionary when it is asked to, from what the server says
// of invented people: short samples of every call's messages, then every rule as a
// finding, then whole decisions. What stands last is found best.
func TestMakeDictionary(t *testing.T) {
	if *dictionary == "" {
		return // asked for by hand only; see DEVELOPERS.md
	}
	s := newTestServer(t)
	heard := &recorder{answers: map[string][][]byte{}}
	conn, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithUnaryInterceptor(heard.listen))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	s.stubs = newStubs(conn)
	s.clock.now = goldenDay
	c := s.newChain(t, "dictionary")
	c.variety(t, 20261126)
	made := heard.samples()
	for _, r := range must(t, c.amara, c.catalog.ListRules, &pb.ListRulesRequest{Parent: c.name, PageSize: 1000}).Rules {
		made = append(made, encoded(t, &pb.Decision{Findings: []*pb.Finding{{
			RuleId: r.RuleId, RuleVersion: r.Version, Layer: r.Layer, Severity: r.Severity, Message: r.Message, Basis: r.Basis, OverrideTerms: r.OverrideTerms,
		}}})...)
	}
	made = withDecisions(t, made, heard.decisions)
	if err := os.WriteFile(filepath.Join("..", "storage", "dictionaries", *dictionary), made, 0o644); err != nil {
		t.Fatal(err)
	}
}

// recorder keeps what is said to a server and what it answers, encoded as it is
// stored, without what differs from one run to the next.
type recorder struct {
	methods   []string // in the order of their first call
	answers   map[string][][]byte
	decisions [][]byte
}

// listen is the client interceptor.
func (r *recorder) listen(ctx context.Context, method string, req, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	if err := invoke(ctx, method, req, answer, conn, opts...); err != nil {
		return err
	}
	if a, ok := answer.(*pb.CheckEligibilityResponse); ok {
		r.decisions = append(r.decisions, nameless(a.Decision))
		return nil
	}
	if r.answers[method] == nil {
		r.methods = append(r.methods, method)
	}
	r.answers[method] = append(r.answers[method], nameless(req.(proto.Message)), nameless(answer.(proto.Message)))
	return nil
}

// uuidText is an ID in a resource name.
var uuidText = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)

// nameless is a message as it is stored, with zeros in its IDs, which never repeat.
func nameless(m proto.Message) []byte {
	body, _ := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	return uuidText.ReplaceAll(body, []byte("00000000-0000-7000-8000-000000000000"))
}

// samples are messages of each method, the longest first, that fit its share. Lists and
// reads say nothing that is stored.
func (r *recorder) samples() []byte {
	var all []byte
	for _, method := range slices.Backward(r.methods) {
		if name := path.Base(method); bytes.HasPrefix([]byte(name), []byte("Get")) || bytes.HasPrefix([]byte(name), []byte("List")) {
			continue
		}
		messages := r.answers[method]
		slices.SortStableFunc(messages, func(a, b []byte) int { return len(b) - len(a) })
		left := samplesPerMethod
		for _, m := range messages {
			if len(m) <= left {
				all, left = append(all, m...), left-len(m)
			}
		}
	}
	return all
}

// withDecisions appends decisions to a dictionary, each time the one that it serves
// worst: that one says most that is new.
func withDecisions(t *testing.T, dictionary []byte, decisions [][]byte) []byte {
	for range decisionSamples {
		encoder, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderDictRaw(1, dictionary))
		if err != nil {
			t.Fatal(err)
		}
		worst, size := -1, 0
		for i, d := range decisions {
			if n := len(encoder.EncodeAll(d, nil)); n > size {
				worst, size = i, n
			}
		}
		dictionary = append(dictionary, decisions[worst]...)
	}
	return dictionary
}

// encoded is a message as it is stored.
func encoded(t *testing.T, m proto.Message) []byte {
	t.Helper()
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return body
}
