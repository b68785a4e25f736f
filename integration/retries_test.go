package integration

import (
	"fmt"
	"path"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
)

// The promise: a retried call is answered again, never done twice. The same
// request id with other content is refused and changes nothing.

// TestRetriesAreAnsweredAgain holds every RPC that changes anything to it, on
// two servers that share a database.
func TestRetriesAreAnsweredAgain(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	servers := []*testServer{s, s.startSecondServer(t)}
	here, there := s.newWholeFixture(t, "ebb-and-flow"), s.newWholeFixture(t, "low-tide")
	for _, r := range contract() {
		if !r.access().Mutates || r.Name() == "AcceptRestore" {
			continue // there is nothing to accept here; see restore_test.go
		}
		t.Run(string(r.Name()), func(t *testing.T) {
			example := here.example(t, r)
			req := example.make(t)
			first := answered(t, s, example.who, r, req)
			once := s.tableDigests(t)
			for i, answer := range race(t, servers, example.who, r, req) {
				if !proto.Equal(answer, first) {
					t.Errorf("retry %d was answered otherwise:\n%v\nat first:\n%v", i, answer, first)
				}
			}
			wantSame(t, once, s.tableDigests(t))

			_, err := s.ask(t, example.who, r, otherContent(t, req))
			wantError(t, "the same id with other content", err, codes.AlreadyExists, "REQUEST_ID_REUSED")
			wantSame(t, once, s.tableDigests(t))
			secondServerCall(t, there, r, req, first)
		})
	}
}

// secondServerCall checks that a request id used in one chain is free in another.
func secondServerCall(t *testing.T, there *fixture, r rpc, used, answer proto.Message) {
	t.Helper()
	example := there.example(t, r)
	req := example.make(t)
	id := req.ProtoReflect().Descriptor().Fields().ByName("request_id")
	req.ProtoReflect().Set(id, used.ProtoReflect().Get(id))
	there.clock.advance(time.Second) // an answer may be no more than a time
	if got := answered(t, there.testServer, example.who, r, req); proto.Equal(got, answer) {
		t.Errorf("another chain was given the answer of this one: %v", got)
	}
}

// TestConcurrentRetriesRunOnce sends every mutation several times at once before it
// was ever answered: one effect, one answer.
func TestConcurrentRetriesRunOnce(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	servers := []*testServer{s, s.startSecondServer(t)}
	stage := s.newWholeFixture(t, "ebb-and-flow")
	for _, r := range contract() {
		if !r.access().Mutates || r.Name() == "AcceptRestore" {
			continue // there is nothing to accept here; see restore_test.go
		}
		t.Run(string(r.Name()), func(t *testing.T) {
			example := stage.example(t, r)
			single, doubled := example.make(t), example.make(t)
			before := s.counts(t)
			answered(t, s, example.who, r, single)
			between := s.counts(t)
			answers := race(t, servers, example.who, r, doubled)
			after := s.counts(t)
			for _, answer := range answers {
				if !proto.Equal(answer, answers[0]) {
					t.Errorf("two answers to one request:\n%v\n%v", answer, answers[0])
				}
			}
			for table := range before {
				one, all := between[table]-before[table], after[table]-between[table]
				if table == "audit_entries" && r.Name() == "ActivateHousePolicy" {
					one++ // the second retires the first, which is an entry too
				}
				// A chain keeps each policy once, with the first decision under it; and what a
				// client is found by changes with the first change of a name.
				if one != all && !(slices.Contains([]string{"policy_texts", "client_index"}, table) && all == 0) {
					t.Errorf("a single call added %d rows to %s, doubled ones %d", one, table, all)
				}
			}
		})
	}
}

// TestRetriesOutliveChanges: what was answered stays answered, also when the
// record has moved on since.
func TestRetriesOutliveChanges(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	req := &pb.CreateSalonRequest{Parent: c.name, SalonId: "mill-lane", Salon: &pb.Salon{DisplayName: "Mill Lane"}, RequestId: newID()}
	first := must(t, c.odile, c.directory.CreateSalon, req)
	must(t, c.odile, c.directory.UpdateSalon, &pb.UpdateSalonRequest{RequestId: newID(), UpdateMask: updateMask("display_name"),
		Salon: &pb.Salon{Name: first.Salon.Name, Etag: first.Salon.Etag, DisplayName: "Mill Lane, closed"}})
	if again := must(t, c.odile, c.directory.CreateSalon, req); !proto.Equal(again, first) {
		t.Errorf("the retry was answered %v, at first %v", again, first)
	}
	kept := must(t, c.odile, c.directory.GetSalon, &pb.GetSalonRequest{Name: first.Salon.Name}).Salon
	if kept.DisplayName != "Mill Lane, closed" {
		t.Errorf("the retry undid a change: %v", kept)
	}
}

// TestRefusedRequestsKeepNoID: a call that ended in an error claims nothing, so
// the same id may be used for the request put right.
func TestRefusedRequestsKeepNoID(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	req := &pb.CreateSalonRequest{Parent: c.name, SalonId: last(c.salon), Salon: &pb.Salon{DisplayName: "North Quay"}, RequestId: newID()}
	wantError(t, "a taken id", mustFail(t, c.odile, c.directory.CreateSalon, req), codes.AlreadyExists, "ALREADY_EXISTS")
	req.SalonId = "mill-lane"
	must(t, c.odile, c.directory.CreateSalon, req)
}

// answered asks and wants an answer.
func answered(t *testing.T, s *testServer, who person, r rpc, req proto.Message) proto.Message {
	t.Helper()
	answer, err := s.ask(t, who, r, req)
	if err != nil {
		t.Fatalf("%s: %v", r.Name(), err)
	}
	return answer
}

// race sends a request eight times at once, by turns to each server, and wants
// every one answered.
func race(t *testing.T, servers []*testServer, who person, r rpc, req proto.Message) []proto.Message {
	t.Helper()
	answers, errs := make([]proto.Message, 8), make([]error, 8)
	var racers sync.WaitGroup
	for i := range answers {
		racers.Go(func() { answers[i], errs[i] = servers[i%len(servers)].ask(t, who, r, req) })
	}
	racers.Wait()
	for _, err := range errs {
		if err != nil {
			t.Fatalf("%s: %v", r.Name(), err)
		}
	}
	return answers
}

// otherContent is a request with the same id that asks for something else.
func otherContent(t *testing.T, req proto.Message) proto.Message {
	t.Helper()
	other := proto.Clone(req)
	m := other.ProtoReflect()
	if imported, ok := other.(*pb.ImportRecordsRequest); ok {
		imported.Items[0].GetClient().DisplayName = "Somebody else"
		return other
	}
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		if f.Message() != nil && !f.IsList() && m.Has(f) && setText(m.Mutable(f).Message(), "display_name", "remarks", "comments", "seen") {
			return other
		}
	}
	if mask := m.Descriptor().Fields().ByName("update_mask"); mask != nil { // fewer fields
		paths := m.Mutable(mask).Message().Interface().(*fieldmaskpb.FieldMask)
		paths.Paths = paths.Paths[1:]
		return other
	}
	if !setText(m, "reason", "comment", "etag") && !setText(m, "salon", "practitioner", "student") && !setText(m, "name") {
		t.Fatalf("no other content for %v", req)
	}
	return other
}

// setText changes the first of the text fields that a message has. What is a
// name stays one.
func setText(m protoreflect.Message, fields ...string) bool {
	for _, name := range fields {
		f := m.Descriptor().Fields().ByName(protoreflect.Name(name))
		if f == nil || f.Kind() != protoreflect.StringKind {
			continue
		}
		text := m.Get(f).String()
		if strings.HasPrefix(text, "chains/") {
			text = path.Dir(text) + "/nobody"
		} else {
			text = "something else, in some more words"
		}
		m.Set(f, protoreflect.ValueOfString(text))
		return true
	}
	return false
}

// counts is how many rows every table has.
func (s *testServer) counts(t testing.TB) map[string]int {
	t.Helper()
	counts := map[string]int{}
	for table, held := range s.tableDigests(t) {
		var n int
		if _, err := fmt.Sscanf(held, "%d rows", &n); err != nil {
			t.Fatal(err)
		}
		counts[table] = n
	}
	return counts
}
