package integration

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// TestStoredAnswersKeepToTheirSalon repeats every request that changes anything,
// with the same bytes: a caller limited to the same salon is answered again, and
// one limited to another salon gets the error for any used request ID.
func TestStoredAnswersKeepToTheirSalon(t *testing.T) {
	t.Parallel()
	q := newTwoSalons(t)
	reused := 0
	for _, r := range contract() {
		if !r.access().Mutates || r.access().WholeChain {
			continue
		}
		q := q.of(r)
		example := q.example(t, r)
		if example.who.role == pb.Role_ROLE_OPERATOR {
			continue
		}
		req := example.make(t)
		first := answered(t, q.testServer, example.who, r, req)
		ask := func(salon string, req proto.Message) (proto.Message, error) {
			return newStubs(q.conn).askIn(q.calling(t, example.who, salon), r, req)
		}
		if again, err := ask(q.salon, req); err != nil || !proto.Equal(again, first) {
			t.Errorf("%s, repeated in the same salon: %v, %v, at first %v", r.Name(), again, err, first)
		}
		if !readsInSalon(req) && !readsInSalon(first) {
			continue // the chain's, such as a client
		}
		answer, err := ask(q.south, req)
		switch {
		case err == nil && r.inSchool() && proto.Equal(answer, first):
			// A case belongs to the whole school, whatever salon its facts name.
		case err == nil:
			t.Errorf("%s, repeated in another salon, is answered: %v", r.Name(), answer)
		case status.Code(err) == codes.NotFound && strings.Contains(fmt.Sprint(req), q.salon):
			// It names the other salon.
		default:
			reused++
			wantError(t, string(r.Name())+", repeated in another salon", err, codes.AlreadyExists, "REQUEST_ID_REUSED")
			if _, other := ask(q.south, otherContent(t, req)); fmt.Sprint(status.Convert(err).Proto()) != fmt.Sprint(status.Convert(other).Proto()) {
				t.Errorf("%s: the answer tells the same request from another: %v, %v", r.Name(), err, other)
			}
		}
	}
	if reused < 5 {
		t.Errorf("only %d requests were repeated that stand in a salon without naming it", reused)
	}
	// A refusal that was stored as the answer.
	start := starting(q.decision(t))
	q.product(t, []string{"directions"}, func(p *pb.Product) {
		p.Directions.MaximumMinutes, p.Directions.UsualMinutes = new(int32(8)), new(int32(6))
	})
	wantError(t, "a start", mustFail(t, q.amara, q.processing.StartSession, start), codes.FailedPrecondition, "DECISION_OUTDATED")
	for salon, want := range map[string]codes.Code{q.salon: codes.FailedPrecondition, q.south: codes.AlreadyExists} {
		_, err := newStubs(q.conn).processing.StartSession(q.calling(t, q.amara, salon), start)
		wantError(t, "the start, repeated from "+salon, err, want, map[codes.Code]string{codes.FailedPrecondition: "DECISION_OUTDATED", codes.AlreadyExists: "REQUEST_ID_REUSED"}[want])
	}
}

// readsInSalon reports whether a message names something of one salon.
func readsInSalon(m proto.Message) bool {
	for _, at := range namesIn(m) {
		if name, ok := at.get(m); ok && visitCalls(name) {
			return true
		}
	}
	return false
}
