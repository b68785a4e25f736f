package storage_test

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// TestDifference: whatever two texts have in common, the difference gives the second
// back, and one of another base or a broken one is an error or other bytes, never a
// panic.
func TestDifference(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 90), 1, 5).Draw(t, "parts")
		join := func(what string) []byte {
			return bytes.Join(rapid.SliceOfN(rapid.SampledFrom(parts), 0, 8).Draw(t, what), nil)
		}
		base, whole := join("base"), join("whole")
		pieces := storage.Difference(base, whole)
		if got, err := storage.ApplyDifference(base, pieces); err != nil || !bytes.Equal(got, whole) {
			t.Fatalf("got %x, %v; want %x", got, err, whole)
		}
		broken := rapid.SliceOf(rapid.Byte()).Draw(t, "broken")
		storage.ApplyDifference(base, broken)
		storage.ApplyDifference(base[:len(base)/2], pieces)
	})
	base := bytes.Repeat([]byte("0123456789abcdefghijklmnopqrstuvwxyz"), 200)
	if n := len(storage.Difference(base, append([]byte("head"), base...))); n > 20 {
		t.Errorf("a copy with a head takes %d bytes", n)
	}
}

// decided is a decision of a client, long enough that its answer is stored by reference.
func decided(id string) *pb.Decision {
	d := &pb.Decision{Name: clientName + "/decisions/" + id, Verdict: pb.Verdict_VERDICT_PROCEED}
	for i := range 40 {
		d.Findings = append(d.Findings, &pb.Finding{RuleId: fmt.Sprintf("rule-%d", i), Message: "Look at the scalp before you begin, and ask again."})
	}
	return d
}

// checked writes a decision as a check does. The answer has more than what is stored.
func checked(t *testing.T, db *storage.DB, req *pb.CheckEligibilityRequest, d *pb.Decision, runs *int) (*pb.CheckEligibilityResponse, error) {
	return storage.Write(t.Context(), db, chain, req, func(*storage.Snapshot) (*pb.CheckEligibilityResponse, storage.Changes, error) {
		*runs++
		changes := storage.Changes{Records: []storage.Record{storage.Decisions.Insert(d)}}
		said := proto.CloneOf(d)
		said.Findings[7].Message += " Described for the till."
		return &pb.CheckEligibilityResponse{Decision: said}, changes, nil
	})
}

// storedAnswer reads the stored bytes of an answer.
func storedAnswer(t *testing.T, pool *sql.DB, id string) (answer []byte) {
	t.Helper()
	if err := pool.QueryRow("select answer from requests where id = $1", id).Scan(&answer); err != nil {
		t.Fatal(err)
	}
	return answer
}

// TestAnswerByReference: the answer to a check takes few bytes beside its decision, and
// a retry gets it byte for byte; so does an override of a decision from before. After
// the erasure of the client there is no answer, as with an answer that is stored whole.
func TestAnswerByReference(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	put(t, db, storage.Clients.Insert(&pb.Client{Name: clientName}))
	runs := 0
	req := &pb.CheckEligibilityRequest{Parent: clientName, RequestId: storage.NewID()}
	first, err := checked(t, db, req, decided("d1"), &runs)
	if err != nil {
		t.Fatal(err)
	}
	again, err := checked(t, db, req, decided("d2"), &runs)
	if err != nil || runs != 1 || !bytes.Equal(encoded(t, again), encoded(t, first)) {
		t.Fatalf("after %d runs: got %v, %v, want %v", runs, again, err, first)
	}
	if n := len(storedAnswer(t, pool, req.RequestId)); n > 250 {
		t.Errorf("the stored answer has %d bytes", n)
	}
	over := &pb.OverrideDecisionRequest{Name: first.Decision.Name, RequestId: storage.NewID()}
	override := func() (*pb.OverrideDecisionResponse, error) {
		return storage.Write(t.Context(), db, chain, over, func(s *storage.Snapshot) (*pb.OverrideDecisionResponse, storage.Changes, error) {
			decision, err := storage.Decisions.GetUnchecked(s, over.Name)
			o := &pb.Override{OverrideId: "o1", Comment: "Seen by the supervisor, who has agreed."}
			if err == nil {
				decision.Overrides = append(decision.Overrides, o)
			}
			entry := &pb.AuditEntry{Kind: pb.EntryKind_ENTRY_KIND_OVERRIDE, Client: clientName, Decision: over.Name, CauseDigest: digestOf(t, o), RecordTime: at(1)}
			return &pb.OverrideDecisionResponse{Decision: decision, Override: o},
				storage.Changes{Records: []storage.Record{storage.InsertOverride(over.Name, o)}, Entries: []*pb.AuditEntry{entry}}, err
		})
	}
	one, err := override()
	if err != nil {
		t.Fatal(err)
	}
	two, err := override()
	if err != nil || !bytes.Equal(encoded(t, one), encoded(t, two)) {
		t.Errorf("an override: got %v, %v, want %v", two, err, one)
	}
	if n := len(storedAnswer(t, pool, over.RequestId)); n > 300 {
		t.Errorf("the stored answer to an override has %d bytes", n)
	}
	if err := erase(t.Context(), db, "c1"); err != nil {
		t.Fatal(err)
	}
	if answer, err := checked(t, db, req, decided("d3"), &runs); !errors.Is(err, storage.ErrNotFound) || runs != 1 {
		t.Errorf("after the erasure: %v, %v, %d runs", answer, err, runs)
	}
}

// TestAnswersThatAreKeptWhole: an answer with a record that can be replaced is stored as
// it is, and stays as it was when the record has changed; that of a consultation which
// is submitted for ever refers to it.
func TestAnswersThatAreKeptWhole(t *testing.T) {
	t.Parallel()
	d := storagetest.NewDatabase(t)
	db, pool := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
	long := strings.Repeat("Long hair, relaxed twice; scalp calm. ", 30)
	for state, most := range map[pb.ConsultationState]int{pb.ConsultationState_CONSULTATION_STATE_DRAFT: 10_000, pb.ConsultationState_CONSULTATION_STATE_SUBMITTED: 200} {
		c := of("c1", strings.ToLower(state.String()[19:]), "")
		put(t, db, storage.Consultations.Insert(c))
		req := &pb.SubmitConsultationRequest{Name: c.Name, RequestId: storage.NewID()}
		submit := func() (*pb.SubmitConsultationResponse, error) {
			return storage.Write(t.Context(), db, chain, req, func(s *storage.Snapshot) (*pb.SubmitConsultationResponse, storage.Changes, error) {
				old, err := storage.Consultations.GetUnchecked(s, c.Name)
				next := proto.CloneOf(old)
				next.State, next.Remarks = state, long+storage.NewID()
				return &pb.SubmitConsultationResponse{Consultation: next}, storage.Changes{Records: []storage.Record{storage.Consultations.Replace(old, next)}}, err
			})
		}
		first, err := submit()
		if err != nil {
			t.Fatal(err)
		}
		if state == pb.ConsultationState_CONSULTATION_STATE_DRAFT {
			changed := proto.CloneOf(first.Consultation)
			changed.Remarks = "another"
			put(t, db, storage.Consultations.Replace(first.Consultation, changed))
		}
		again, err := submit()
		if err != nil || !bytes.Equal(encoded(t, again), encoded(t, first)) {
			t.Errorf("%v: got %v, %v, want %v", state, again, err, first)
		}
		if n := len(storedAnswer(t, pool, req.RequestId)); n > most || most > 1000 && n < 100 {
			t.Errorf("%v: the stored answer has %d bytes", state, n)
		}
	}
}

// TestReferencesThatDoNotFit: when the record that an answer refers to is gone, or is
// another one now, the retry gets an error that says so, and never another answer.
func TestReferencesThatDoNotFit(t *testing.T) {
	t.Parallel()
	for what, damage := range map[string]string{
		"gone":     "delete from decisions where id = 'd1'",
		"exchange": "delete from decisions where id = 'd1'; update decisions set id = 'd1' where id = 'd2'",
		"changed":  "update decisions set body = set_byte(body, 20, 255 - get_byte(body, 20)) where id = 'd1'",
	} {
		d := storagetest.NewDatabase(t)
		db, super := d.Open(t, storage.Config{}), d.SQL(t, localpg.Superuser)
		put(t, db, storage.Clients.Insert(&pb.Client{Name: clientName}))
		runs := 0
		req := &pb.CheckEligibilityRequest{Parent: clientName, RequestId: storage.NewID()}
		if _, err := checked(t, db, req, decided("d1"), &runs); err != nil {
			t.Fatal(err)
		}
		if _, err := checked(t, db, &pb.CheckEligibilityRequest{Parent: clientName, RequestId: storage.NewID()}, decided("d2"), &runs); err != nil {
			t.Fatal(err)
		}
		withoutTriggers(t, super, damage)
		if answer, err := checked(t, db, req, decided("d1"), &runs); !errors.Is(err, storage.ErrSealed) || runs != 2 {
			t.Errorf("%s: got %v, %v after %d runs", what, answer, err, runs)
		}
	}
}

// encoded is the encoding of a message, the same for the same content.
func encoded(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// digestOf is the digest of a message that its audit entry has.
func digestOf(t testing.TB, m proto.Message) []byte {
	t.Helper()
	sum := sha256.Sum256(encoded(t, m))
	return sum[:]
}
